//! Numbers and names as the window writes them.

use crate::dsp::looping::SeamAudit;
use crate::session::{Document, Take, TakeState};
use crate::units::MidiNote;

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

/// A seam audit in a few words.
pub fn audit_words(a: &SeamAudit) -> String {
    let how = match a.audibility {
        v if v < 5.0 => "inaudible",
        v if v < 20.0 => "hardly heard",
        v if v < 45.0 => "heard by who listens for it",
        _ => "clearly heard",
    };
    let mostly = a.worst().filter(|_| a.audibility >= 5.0);
    let mostly = mostly.map_or_else(String::new, |part| format!(", mostly its {part}"));
    format!("{:.0} of 100, {how}{mostly}", a.audibility)
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
}
