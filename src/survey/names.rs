//! Note and layer in a file name.
//!
//! A name is read as words. Signs of a note or a layer count only as words of their own (`Bottle`
//! holds no B, `A new take` no A: a letter without an octave is no note). A change from a small to a
//! capital letter begins a word (`BottleC4`).

mod words;

use std::path::Path;

use crate::session::Named;
use crate::units::{MiddleC, MidiNote};
use words::{Text, midi};

/// Dynamic marks from soft to loud (common practice, no source): layers where a set has several.
const DYNAMICS: [&str; 8] = ["ppp", "pp", "p", "mp", "mf", "f", "ff", "fff"];
/// Words for a recording of the empty room.
const ROOM_WORDS: [&str; 4] = ["room", "roomtone", "ambience", "background"];

/// What a name claims, with how sure that is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Claim {
    /// The note.
    pub midi: Option<MidiNote>,
    /// The note is a bare number, which may as well count the files.
    pub bare: bool,
    /// The layer from 0.
    pub layer: Option<u16>,
    /// A dynamic mark, by its place from soft to loud. Which layer it is, only the whole set tells.
    pub dynamic: Option<u16>,
}

/// Whether a file's name says that it holds the empty room.
pub(super) fn is_room_tone(path: &Path) -> bool {
    let stem = path.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
    Text::of(&stem).has_word_of(&ROOM_WORDS).is_some()
}

/// What a file name (without folder and ending) claims. Understood: `C#3`, `Cs3`, `Db3`, `Dflat3`,
/// `C♯3`, `D♭3`, `c-1`, MIDI numbers as a word of their own (`048`, `m60`, `note 60`), layers
/// (`layer 2`, `L2`, `take 3`, `t3`, `rr2`, `v2`, or a lone small number after a note: `C4_2`; a number
/// before it counts the files: `04 - F#4`). Layers count from 1 in names and from 0 in the result.
/// Two different notes in one name are no claim. None: neither note nor layer.
pub fn parse(stem: &str, middle_c: MiddleC) -> Option<Named> {
    let claim = claim(stem, middle_c);
    (claim.midi.is_some() || claim.layer.is_some()).then_some(Named { midi: claim.midi, layer: claim.layer })
}

/// A note written by itself, as `C#3` or `60`, for options and text fields. Errors are the caller's
/// to word: none where it is no note.
pub fn parse_note(text: &str, middle_c: MiddleC) -> Option<MidiNote> {
    let text = Text::of(text.trim());
    if let Some((note, end)) = text.note(0, middle_c) {
        return (end == text.len()).then_some(note);
    }
    let (n, end) = text.number(0)?;
    if end == text.len() { midi(n) } else { None }
}

/// The note that a file name (without folder and ending) names in letters or as a MIDI number that is
/// called so; a bare number may as well count the files.
pub fn note_in(stem: &str, middle_c: MiddleC) -> Option<MidiNote> {
    let claim = claim(stem, middle_c);
    claim.midi.filter(|_| !claim.bare)
}

/// What a name claims.
pub(super) fn claim(stem: &str, middle_c: MiddleC) -> Claim {
    let text = Text::of(stem);
    let found = text.scan(middle_c);
    let mut claim = Claim::default();
    let mut after = None;
    if let Some((note, end)) = found.one_note() {
        claim.midi = Some(note);
        after = Some(end);
    } else if found.notes.is_empty()
        && let Some(number) = text.bare_note(&found.numbers)
    {
        claim.midi = midi(number.value);
        claim.bare = true;
        after = Some(number.end);
    }
    claim.dynamic = text.has_word_of(&DYNAMICS).and_then(|i| u16::try_from(i).ok());
    claim.layer = found.layer.map(|(_, n)| n).or_else(|| text.lone_layer(after?, &found.numbers));
    claim
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Name, note by its MIDI number, layer from 0. Note numbers follow from scientific pitch
    /// notation: 12·(octave + 1) + semitone.
    const TABLE: &[(&str, Option<u8>, Option<u16>)] = &[
        ("C4", Some(60), None),
        ("c4", Some(60), None),
        ("C#3", Some(49), None),
        ("c#3", Some(49), None),
        ("Cs3", Some(49), None),
        ("cs3", Some(49), None),
        ("Db3", Some(49), None),
        ("DB3", Some(49), None),
        ("Dflat3", Some(49), None),
        ("D flat 3", Some(49), None),
        ("Csharp3", Some(49), None),
        ("C_sharp_3", Some(49), None),
        ("C♯3", Some(49), None),
        ("D♭3", Some(49), None),
        ("Ｃ＃３", Some(49), None),
        ("F# 4", Some(66), None),
        ("Bb3", Some(58), None),
        ("bb3", Some(58), None),
        ("b3", Some(59), None),
        ("B#3", Some(60), None),
        ("Cb4", Some(59), None),
        ("E#4", Some(65), None),
        ("c-1", Some(0), None),
        ("A-1", Some(9), None),
        ("C\u{2212}1", Some(0), None),
        ("G9", Some(127), None),
        ("G#9", None, None),
        ("C-2", None, None),
        ("e4", Some(64), None),
        // Words around it.
        ("take_C4_2", Some(60), Some(1)),
        ("C4_2", Some(60), Some(1)),
        ("C4-2", Some(60), Some(1)),
        ("C4 (2)", Some(60), Some(1)),
        ("C4 #2", Some(60), Some(1)),
        ("C4 02", Some(60), Some(1)),
        ("Cello-A3-layer2", Some(57), Some(1)),
        ("Cello A3 layer 2", Some(57), Some(1)),
        ("bottle_F#4_L3", Some(66), Some(2)),
        ("bottle F#4 l3", Some(66), Some(2)),
        ("C4L2", Some(60), Some(1)),
        ("C4layer2", Some(60), Some(1)),
        ("C4 take 3", Some(60), Some(2)),
        ("C4 t3", Some(60), Some(2)),
        ("C4 rr2", Some(60), Some(1)),
        ("C4_v2", Some(60), Some(1)),
        ("C4 vel 3", Some(60), Some(2)),
        ("C4 vel 127", Some(60), None),
        ("C4_ff", Some(60), None),
        ("C4 round robin 2", Some(60), Some(1)),
        ("C4 Pass-4", Some(60), Some(3)),
        ("C4 take 3 layer 2", Some(60), Some(1)),
        ("layer 2 - C4", Some(60), Some(1)),
        ("BottleC4", Some(60), None),
        ("bottleEb4", Some(63), None),
        ("04 - F#4", Some(66), None),
        ("04F#4", Some(66), None),
        ("3 C4", Some(60), None),
        ("C4 2024-05-01", Some(60), None),
        ("C4 05-01", Some(60), None),
        ("C4_127", Some(60), None),
        ("C4 C4", Some(60), None),
        // MIDI numbers.
        ("048", Some(48), None),
        ("60", Some(60), None),
        ("vox_m60", Some(60), None),
        ("vox note 60", Some(60), None),
        ("midi-072 layer 3", Some(72), Some(2)),
        ("bottle 048_2", Some(48), Some(1)),
        ("bottle 60", Some(60), None),
        // Layers alone.
        ("layer 2", None, Some(1)),
        ("Layer02", None, Some(1)),
        ("take 3", None, Some(2)),
        ("Take_12", None, Some(11)),
        ("t3", None, Some(2)),
        ("2024-05-01 take 3", None, Some(2)),
        ("layer 0", None, None),
        ("take 90", None, None),
        // Nothing.
        ("", None, None),
        ("A", None, None),
        ("Bottle", None, None),
        ("Bottle 3", None, None),
        ("A new take", None, None),
        ("B flat take", None, None),
        ("2024-05-01 take", None, None),
        ("2024-05-24", None, None),
        ("12", None, None),
        ("001", None, None),
        ("take 048", None, None),
        ("90 bpm", None, None),
        ("24bit 48 khz", None, None),
        ("C64", None, None),
        ("mp3 of it", None, None),
        ("cafe4", None, None),
        ("caffè 日本", None, None),
        ("C2-C5", None, None),
        ("99999999999999999999", None, None),
    ];

    #[test]
    fn names_with_middle_c_as_c4() {
        for (name, note, layer) in TABLE {
            let expected = (note.is_some() || layer.is_some())
                .then_some(Named { midi: note.map(MidiNote), layer: *layer });
            assert_eq!(parse(name, MiddleC::C4), expected, "{name:?}");
        }
    }

    #[test]
    fn names_with_middle_c_as_c3() {
        for (name, note) in
            [("C3", Some(60)), ("C-2", Some(0)), ("c-1", Some(12)), ("G8", Some(127)), ("G9", None)]
        {
            assert_eq!(parse(name, MiddleC::C3).and_then(|n| n.midi), note.map(MidiNote), "{name}");
        }
        assert_eq!(parse("m60", MiddleC::C3).and_then(|n| n.midi), Some(MidiNote(60)));
    }

    #[test]
    fn a_bare_number_is_no_certain_note() {
        assert_eq!(note_in("set C#4 2", MiddleC::C4), Some(MidiNote(61)));
        assert_eq!(note_in("set m61", MiddleC::C4), Some(MidiNote(61)));
        assert_eq!((note_in("set 061", MiddleC::C4), note_in("take 2", MiddleC::C4)), (None, None));
    }

    #[test]
    fn decomposed_letters_are_the_same() {
        // "é" as two characters, as some file systems give it.
        assert_eq!(parse("cafe\u{301} C4 t2", MiddleC::C4), parse("café C4 t2", MiddleC::C4));
    }

    #[test]
    fn notes_by_themselves() {
        for (text, note) in [
            ("C#3", Some(49)),
            (" A4 ", Some(69)),
            ("60", Some(60)),
            ("0", Some(0)),
            ("127", Some(127)),
            ("128", None),
            ("-1", None),
            ("C", None),
            ("C4x", None),
            ("", None),
            ("4C", None),
            ("440 Hz", None),
        ] {
            assert_eq!(parse_note(text, MiddleC::C4), note.map(MidiNote), "{text:?}");
        }
    }

    proptest::proptest! {
        #[test]
        fn any_text_is_read_without_harm(text in "\\PC{0,40}") {
            let _ = (parse(&text, MiddleC::C4), parse_note(&text, MiddleC::C3));
        }

        #[test]
        fn every_note_is_read_back_as_written(n in 0u8..=127, layer in 1u16..=32) {
            for middle_c in [MiddleC::C4, MiddleC::C3] {
                let name = format!("set {} layer {layer}", MidiNote(n).name(middle_c));
                let named = Named { midi: Some(MidiNote(n)), layer: Some(layer - 1) };
                proptest::prop_assert_eq!(parse(&name, middle_c), Some(named));
                proptest::prop_assert_eq!(parse_note(&MidiNote(n).name(middle_c), middle_c), Some(MidiNote(n)));
            }
        }
    }
}
