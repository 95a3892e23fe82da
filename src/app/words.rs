//! Numbers and names as the window writes them.

use crate::dsp::looping::SeamAudit;
use crate::render::check;
use crate::session::{Document, Take, TakeState};
use crate::units::MidiNote;

pub use crate::typeset::{minus, short_paths, signed, typeset};

/// Takes a decision about a take back.
pub const DECIDE_LATER: &str = "Decide later";

/// `1 take`, `3 takes`.
pub fn takes(n: usize) -> String {
    if n == 1 { "1 take".into() } else { format!("{n} takes") }
}

/// A note with the octave numbers that the set uses, sharps as ♯ written plainly.
pub fn note(document: &Document, note: MidiNote) -> String {
    note.name(document.setup.middle_c)
}

/// A take by its place, or by its file where it has none.
pub fn take_name(document: &Document, take: &Take) -> String {
    document.name_of(take)
}

/// Where a take goes that is not delivered as the note of its place, in a few words; what will happen to
/// one that sounds another note.
pub fn goes(document: &Document, take: &Take) -> Option<String> {
    if take.state == TakeState::SetAside {
        return None;
    }
    if let Some(to) = take.goes_elsewhere() {
        return Some(format!("goes out as {}", note(document, to)));
    }
    let recipe = take.recipe.as_ref().filter(|r| r.tune.moved != 0)?;
    let side = if recipe.tune.moved < 0 { "down" } else { "up" };
    Some(format!("moved {side} to {}", note(document, recipe.tune.target)))
}

/// The same in a sentence that says what can be done.
pub fn goes_about(document: &Document, take: &Take) -> Option<String> {
    let goes = goes(document, take)?;
    let (place, name) = (take.note?, take_name(document, take));
    let place = note(document, place);
    Some(match take.goes_elsewhere().map(|n| note(document, n)) {
        Some(to) => format!(
            "It stands at {place} and {goes}: its file, name and key will be those of {to}. Place it at {to}, or move its sound to {place}"
        ),
        None => format!("Sounds another note; {name} is {goes} as a whole"),
    })
}

/// What a move to other notes does to what will sound, in a sentence: a take with a recipe is tuned to the
/// note that it stands at. None where nothing will sound otherwise. `undo`: the key that takes it back.
pub fn retuned(before: &Document, after: &Document, undo: &str) -> Option<String> {
    let steps = |t: &Take| -> Option<f64> {
        before.take(t.id).filter(|old| old.note != t.note && t.state != TakeState::SetAside)?;
        let (recipe, sounds) = (t.recipe.as_ref()?, t.sounds?);
        let steps = f64::from(recipe.tune.target.0) - f64::from(sounds.0);
        Some(steps * recipe.tune.centre).filter(|s| s.abs() >= 0.05)
    };
    let moved: Vec<(&Take, f64)> = after.takes.iter().filter_map(|t| Some((&**t, steps(t)?))).collect();
    let back = format!(
        "{undo} takes it back; “Keep as it sounds” on the bench leaves the sound alone and delivers it under its own note"
    );
    match moved[..] {
        [] => None,
        [(take, by)] => {
            let (side, old) = (if by < 0.0 { "down" } else { "up" }, before.take(take.id)?);
            let whole = take.recipe.as_ref().is_some_and(|r| r.tune.centre >= 1.0);
            let (place, to) = (note(after, take.note?), if whole { "to" } else { "towards" });
            let by = semitones(by.abs());
            let name = take_name(before, old);
            Some(format!("{name} now stands at {place} and will be moved {side} {by} {to} it. {back}."))
        }
        _ => {
            let most = moved.iter().fold(0.0, |m: f64, (_, by)| m.max(by.abs()));
            let (takes, most) = (takes(moved.len()), semitones(most));
            Some(format!(
                "{takes} will be moved to the notes that they stand at now, by up to {most}. {back}."
            ))
        }
    }
}

/// `1 semitone`, `2.5 semitones`.
fn semitones(n: f64) -> String {
    let text = format!("{n:.1}");
    let text = text.strip_suffix(".0").unwrap_or(&text);
    format!("{text} {}", if text == "1" { "semitone" } else { "semitones" })
}

/// `1 period`, `138.59 periods`: with decimals where it is no whole number.
pub fn periods(n: f64) -> String {
    let whole = n.round();
    match whole {
        _ if (n - whole).abs() > WHOLE_PERIOD => format!("{n:.2} periods"),
        1.0 => "1 period".into(),
        _ => format!("{whole:.0} periods"),
    }
}

/// This near to a whole number of periods a length counts as one.
const WHOLE_PERIOD: f64 = 0.02;

/// A level in dB with a real minus sign.
pub fn decibels(value: f64) -> String {
    format!("{}{:.1} dB", if value < -0.05 { "−" } else { "" }, value.abs())
}

/// A loudness with a real minus sign.
pub fn lufs(value: f64) -> String {
    format!("{} LUFS", minus(value, 1))
}

/// A duration: `0.8 s`, `12 s`, `3 min 20 s`, `1 h 5 min`.
pub fn duration(seconds: f64) -> String {
    let whole = seconds.round().max(0.0) as u64;
    match whole {
        _ if seconds < 10.0 => format!("{seconds:.1} s"),
        0..60 => format!("{whole} s"),
        60..3600 => format!("{} min {} s", whole / 60, whole % 60),
        _ => format!("{} h {} min", whole / 3600, whole % 3600 / 60),
    }
}

/// What a score says: how alike the two ends of a loop are, before they are joined. What is heard of them
/// once they are is told by [`seam_words`].
pub fn score_words(score: f64) -> &'static str {
    match score {
        s if s >= 95.0 => "both ends are as one",
        s if s >= 80.0 => "both ends are alike",
        s if s >= 50.0 => "both ends are partly alike",
        s if s >= 20.0 => "both ends differ",
        _ => "both ends have little in common",
    }
}

/// Up to here nothing is heard of a seam, and up to here hardly anything (points of 100, see
/// [`crate::dsp::looping::audit()`]).
const UNHEARD: f64 = 5.0;
const JUST_HEARD: f64 = 20.0;
/// From here on the ends of a loop are so alike that nothing should be heard.
const ALIKE: f64 = 80.0;

/// What is heard of a finished seam, in a few words.
pub fn seam_words(a: &SeamAudit) -> String {
    let how = match a.audibility {
        v if v < UNHEARD => "inaudible",
        v if v < JUST_HEARD => "barely audible",
        v if v < 45.0 => "audible",
        _ => "clearly audible",
    };
    let mostly = a.worst().filter(|_| a.audibility >= UNHEARD);
    mostly.map_or_else(|| how.to_owned(), |part| format!("{how}, mostly its {part}"))
}

/// Of 100, how much of a seam is hidden: 100 is best, as it is for scores.
pub fn seam_hidden(audibility: f64) -> f64 {
    check::seam_hidden(audibility)
}

/// How score and finished seam go together where they differ, in a sentence; `faded`: there is a crossfade.
pub fn seam_and_score(score: f64, audibility: f64, faded: bool) -> Option<&'static str> {
    match (score, audibility) {
        (s, a) if s < ALIKE && a < UNHEARD && faded => {
            Some("The ends are not alike, but the crossfade hides that: the finished seam counts.")
        }
        (s, a) if s < ALIKE && a < UNHEARD => {
            Some("The ends are not quite alike, but nothing is heard of it: the finished seam counts.")
        }
        (s, a) if s >= ALIKE && a >= JUST_HEARD => {
            Some("The ends are alike, but the finished seam is heard all the same, and that counts.")
        }
        _ => None,
    }
}

/// A size in bytes: `840 kB`, `12.3 MB` (thousands, as disks are sold).
pub fn bytes(n: u64) -> String {
    match n {
        0..1_000_000 => format!("{} kB", n.div_ceil(1000)),
        1_000_000..1_000_000_000 => format!("{:.1} MB", n as f64 / 1e6),
        _ => format!("{:.1} GB", n as f64 / 1e9),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_read_well() {
        assert_eq!(signed(-0.04, 1), "0.0");
        assert_eq!(signed(-3.25, 1), "−3.2");
        assert_eq!(signed(7.0, 0), "+7");
        assert_eq!(decibels(-12.34), "−12.3 dB");
        assert_eq!((lufs(-23.04), minus(3.6, 0)), ("−23.0 LUFS".into(), "4".into()));
        assert_eq!(duration(0.84), "0.8 s");
        assert_eq!(duration(200.0), "3 min 20 s");
        assert_eq!(duration(3900.0), "1 h 5 min");
        assert_eq!(bytes(12_345_678), "12.3 MB");
        assert_eq!(takes(1), "1 take");
    }

    #[test]
    fn periods_have_decimals_where_they_are_not_whole() {
        assert_eq!(periods(138.59), "138.59 periods");
        assert_eq!((periods(139.01), periods(0.99)), ("139 periods".into(), "1 period".into()));
        assert_eq!((semitones(12.0), semitones(1.0), semitones(0.5)), {
            ("12 semitones".into(), "1 semitone".into(), "0.5 semitones".into())
        });
    }

    #[test]
    fn score_and_seam_are_told_apart_only_where_they_differ() {
        assert_eq!(seam_hidden(0.0), 100.0, "100 is best, as for scores");
        assert!(seam_and_score(66.0, 0.0, true).is_some_and(|t| t.contains("crossfade")));
        assert!(seam_and_score(66.0, 0.0, false).is_some_and(|t| !t.contains("crossfade")));
        assert!(seam_and_score(96.0, 30.0, true).is_some());
        assert_eq!((seam_and_score(96.0, 0.0, true), seam_and_score(40.0, 60.0, true)), (None, None));
    }
}
