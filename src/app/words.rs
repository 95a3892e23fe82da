//! Numbers and names as the window writes them.

use crate::dsp::looping::SeamAudit;
use crate::render::audition::part_word;
use crate::session::{Document, Take, TakeState};
use crate::units::MidiNote;

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

/// A signed number with a real minus sign.
pub fn signed(value: f64, digits: usize) -> String {
    let rounded = format!("{:.digits$}", value.abs());
    if rounded.chars().all(|c| c == '0' || c == '.') {
        rounded
    } else if value < 0.0 {
        format!("−{rounded}")
    } else {
        format!("+{rounded}")
    }
}

/// A text with real minus signs before its numbers, as the window writes them; where it comes from (a
/// session, a command's output) they are hyphens. Names of files stay as they are.
pub fn typeset(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(at) = path_start(rest) {
        let path = &rest[at..at + path_len(&rest[at..])];
        out += &with_signs(&rest[..at]);
        out += path;
        rest = &rest[at + path.len()..];
    }
    out + &with_signs(rest)
}

fn with_signs(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut before = ' ';
    for (i, c) in text.char_indices() {
        let signs = c == '-'
            && matches!(before, ' ' | '(' | '[' | '“' | '"' | '=' | ':')
            && is_number(text[i + 1..].split([' ', ')', ']', '”', '"', '/']).next().unwrap_or_default());
        out.push(if signs { '−' } else { c });
        before = c;
    }
    out
}

/// Whether a word begins with a digit and has no letters: `-3.wav` is a name.
fn is_number(word: &str) -> bool {
    word.starts_with(|c: char| c.is_ascii_digit()) && !word.contains(char::is_alphabetic)
}

/// A text in which files stand by their names alone, without the folders they lie in.
pub fn short_paths(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(at) = path_start(rest) {
        out += &rest[..at];
        let path = &rest[at..at + path_len(&rest[at..])];
        let trimmed = path.trim_end_matches(SEPARATORS);
        out += trimmed.rsplit(SEPARATORS).next().filter(|name| !name.is_empty()).unwrap_or(path);
        rest = &rest[at + path.len()..];
    }
    out + rest
}

const SEPARATORS: [char; 2] = ['/', '\\'];

/// Where the first whole path of a text begins: a slash, or a drive's letter, at the beginning of a word.
fn path_start(text: &str) -> Option<usize> {
    text.char_indices().find_map(|(i, _)| {
        let begins = text[..i].chars().next_back().is_none_or(|b| matches!(b, ' ' | '(' | '“' | '"' | '\n'));
        let here = &text[i..];
        let mut two = here.chars();
        let (first, second, third) = (two.next()?, two.next(), two.next());
        let is_root = first == '/' && second.is_some_and(|c| !c.is_whitespace());
        let is_drive = first.is_ascii_alphabetic() && second == Some(':') && third == Some('\\');
        (begins && (is_root || is_drive)).then_some(i)
    })
}

/// How long the path is that a text begins with. Folders may have spaces in their names, so it reaches to the
/// end of the sentence's part that holds its last separator, and there to the end of the name.
fn path_len(text: &str) -> usize {
    const ENDS: [&str; 9] = [": ", "; ", ", ", ". ", "\n", "\"", "”", ")", " is "];
    let part = ENDS.iter().filter_map(|e| text.find(e)).min().unwrap_or(text.len());
    let (part, name) = (&text[..part], text[..part].rfind(SEPARATORS).map_or(0, |i| i + 1));
    // A name with an ending that is one ends there; words may follow it.
    let after = part[name..].char_indices().find_map(|(i, c)| {
        let (dot, ends) = (part[name..name + i].rfind('.')?, c == ' ');
        (ends && !part[name + dot + 1..name + i].contains(' ') && dot > 0).then_some(name + i)
    });
    after.unwrap_or(part.len())
}

/// A level in dB with a real minus sign.
pub fn decibels(value: f64) -> String {
    format!("{}{:.1} dB", if value < -0.05 { "−" } else { "" }, value.abs())
}

/// A number with a real minus sign where it is negative.
pub fn minus(value: f64, digits: usize) -> String {
    let text = signed(value, digits);
    text.strip_prefix('+').map(str::to_owned).unwrap_or(text)
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
        v if v < 45.0 => "audible if you listen for it",
        _ => "clearly audible",
    };
    let mostly = a.worst().filter(|_| a.audibility >= UNHEARD).map(part_word);
    mostly.map_or_else(|| how.to_owned(), |part| format!("{how}, mostly its {part}"))
}

/// Of 100, how much of a seam is hidden: 100 is best, as it is for scores.
pub fn seam_hidden(audibility: f64) -> f64 {
    (100.0 - audibility).round().clamp(0.0, 100.0)
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
    fn paths_are_told_by_the_names_of_their_files() {
        for (long, short) in [
            ("cannot read /a/My takes/x 1.wav: it is not there", "cannot read x 1.wav: it is not there"),
            ("/a/b/c.wav is a source; deliver elsewhere", "c.wav is a source; deliver elsewhere"),
            (r"cannot write D:\\sets\\Bottles\\out: the disk is full", "cannot write out: the disk is full"),
            ("open /tmp/Set A/notes.html yourself.", "open notes.html yourself."),
            ("in and/or out, 3 / 4 takes", "in and/or out, 3 / 4 takes"),
            ("a/b.wav was found again as /x y/c/b.wav", "a/b.wav was found again as b.wav"),
        ] {
            let long = long.replace("\\\\", "\\");
            assert_eq!(short_paths(&long), short);
        }
    }

    #[test]
    fn hyphens_before_numbers_are_minus_signs() {
        assert_eq!(typeset("a minor third below (-302 cents)"), "a minor third below (−302 cents)");
        assert_eq!(typeset("-3 dB; B-flat, 3-4 takes, C-1"), "−3 dB; B-flat, 3-4 takes, C-1");
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
