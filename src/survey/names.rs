//! Note and layer in a file name.
//!
//! A name is read as words. Signs of a note or a layer count only as words of their own (`Bottle`
//! holds no B, `A new take` no A: a letter without an octave is no note). A change from a small to a
//! capital letter begins a word (`BottleC4`).

use std::path::Path;

use unicode_normalization::UnicodeNormalization;

use crate::session::Named;
use crate::units::{MiddleC, MidiNote};

/// Layers above this are running numbers, not layers.
const MOST_LAYERS: u32 = 32;
/// Bare numbers in this range may be MIDI notes: the 88 keys of a piano, A0 to C8.
const PIANO: std::ops::RangeInclusive<u32> = 21..=108;

/// Words that a layer number follows, and how much they count when a name has several.
const LAYER_WORDS: [(&str, u8); 12] = [
    ("round robin", 2),
    ("roundrobin", 2),
    ("layer", 3),
    ("velocity", 3),
    ("vel", 3),
    ("pass", 3),
    ("lyr", 3),
    ("take", 1),
    ("rr", 2),
    ("tk", 1),
    // With the number right behind them, as `L2`.
    ("l", 0),
    ("v", 0),
];
/// Dynamic marks from soft to loud (common practice, no source): layers where a set has several.
const DYNAMICS: [&str; 8] = ["ppp", "pp", "p", "mp", "mf", "f", "ff", "fff"];
/// Words for a recording of the empty room.
const ROOM_WORDS: [&str; 4] = ["room", "roomtone", "ambience", "background"];
/// Words that a MIDI number follows.
const MIDI_WORDS: [&str; 5] = ["midi", "note", "key", "m", "n"];
/// Words that make the number before them a quantity.
const UNITS: [&str; 12] = ["bpm", "hz", "khz", "bit", "bits", "db", "ms", "s", "sec", "cm", "mm", "ml"];

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
        return (end == text.0.len()).then_some(note);
    }
    let (n, end) = text.number(0)?;
    if end == text.0.len() { midi(n) } else { None }
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

fn midi(n: u32) -> Option<MidiNote> {
    MidiNote::new(i32::try_from(n).ok()?).ok()
}

fn layer_from(n: u32) -> Option<u16> {
    if (1..=MOST_LAYERS).contains(&n) { u16::try_from(n - 1).ok() } else { None }
}

/// A name as characters in one spelling.
struct Text(Vec<char>);

/// A number as a word of its own.
#[derive(Clone, Copy)]
struct Number {
    start: usize,
    end: usize,
    value: u32,
}

/// The signs in a name.
#[derive(Default)]
struct Signs {
    /// Notes and where they end.
    notes: Vec<(MidiNote, usize)>,
    /// How much the word counts, and the layer.
    layer: Option<(u8, u16)>,
    numbers: Vec<Number>,
}

impl Signs {
    /// The note, when the name holds one (maybe several times).
    fn one_note(&self) -> Option<(MidiNote, usize)> {
        let last = *self.notes.last()?;
        self.notes.iter().all(|n| n.0 == last.0).then_some(last)
    }
}

impl Text {
    /// Composed forms and wide letters become plain ones (Unicode Standard Annex 15, NFKC).
    fn of(text: &str) -> Self {
        Self(
            text.nfkc()
                .map(|c| match c {
                    '\u{266F}' => '#',
                    '\u{2212}' => '-',
                    c => c,
                })
                .collect(),
        )
    }

    fn at(&self, i: usize) -> Option<char> {
        self.0.get(i).copied()
    }

    fn is_digit(&self, i: usize) -> bool {
        self.at(i).is_some_and(|c| c.is_ascii_digit())
    }

    fn is_letter(&self, i: usize) -> bool {
        self.at(i).is_some_and(char::is_alphabetic)
    }

    /// Whether a word may begin at `i`.
    fn begins(&self, i: usize) -> bool {
        let Some(before) = i.checked_sub(1).and_then(|b| self.at(b)) else {
            return true;
        };
        let capital = self.at(i).is_some_and(char::is_uppercase);
        !before.is_alphanumeric() || capital && (before.is_lowercase() || before.is_ascii_digit())
    }

    /// Whether a word may end before `i`.
    fn ends(&self, i: usize) -> bool {
        self.at(i).is_none_or(|c| !c.is_alphanumeric())
    }

    /// Where `word` ends if it stands at `i`, in any case.
    fn word(&self, i: usize, word: &str) -> Option<usize> {
        let mut at = i;
        for c in word.chars() {
            if !self.at(at)?.eq_ignore_ascii_case(&c) {
                return None;
            }
            at += 1;
        }
        Some(at)
    }

    /// Which of `words` stands in the name as a word of its own: the last one that does.
    fn has_word_of(&self, words: &[&str]) -> Option<usize> {
        (0..self.0.len())
            .rev()
            .filter(|i| self.begins(*i))
            .find_map(|i| words.iter().position(|w| self.word(i, w).is_some_and(|end| self.ends(end))))
    }

    /// Skips at most `most` signs that part words.
    fn skip(&self, mut i: usize, most: usize) -> usize {
        let end = i + most;
        while i < end && self.at(i).is_some_and(|c| " _-.#()[]=:".contains(c)) {
            i += 1;
        }
        i
    }

    /// The number at `i` and where it ends.
    fn number(&self, i: usize) -> Option<(u32, usize)> {
        let mut end = i;
        while self.is_digit(end) {
            end += 1;
        }
        let digits: String = self.0.get(i..end)?.iter().collect();
        digits.parse().ok().map(|n| (n, end))
    }

    /// The signs of the whole name.
    fn scan(&self, middle_c: MiddleC) -> Signs {
        let mut signs = Signs::default();
        let mut i = 0;
        while i < self.0.len() {
            // `C4L2`: a layer word may begin right behind a digit.
            let behind_digit = self.is_letter(i) && i > 0 && self.is_digit(i - 1);
            if !self.begins(i) && !behind_digit {
                i += 1;
            } else if let Some((weight, layer, end)) = self.layer(i) {
                if let Some(layer) = layer
                    && signs.layer.is_none_or(|(w, _)| weight > w)
                {
                    signs.layer = Some((weight, layer));
                }
                i = end;
            } else if let Some((note, end)) = self.note_word(i, middle_c) {
                signs.notes.push((note, end));
                i = end;
            } else if let Some((value, end)) = self.number(i)
                && self.ends(end)
            {
                signs.numbers.push(Number { start: i, end, value });
                i = end;
            } else {
                i += 1;
            }
        }
        signs
    }

    /// A layer word with its number at `i`: what it counts, the layer, where it ends.
    fn layer(&self, i: usize) -> Option<(u8, Option<u16>, usize)> {
        let long = LAYER_WORDS.iter().filter(|(w, _)| w.len() > 1).find_map(|(word, weight)| {
            let (n, end) = self.number(self.skip(self.word(i, word)?, 3))?;
            Some((*weight, n, end))
        });
        let short = || {
            let letter = self.at(i)?.to_ascii_lowercase();
            let (n, end) = self.number(i + 1)?;
            matches!(letter, 'l' | 't' | 'v').then_some((0, n, end))
        };
        let (weight, n, end) = long.or_else(short)?;
        self.ends(end).then(|| (weight, layer_from(n), end))
    }

    /// A note as a word: by its name or by its MIDI number.
    fn note_word(&self, i: usize, middle_c: MiddleC) -> Option<(MidiNote, usize)> {
        if !self.begins(i) {
            return None;
        }
        if let Some((note, end)) = self.note(i, middle_c) {
            return (self.ends(end) || self.layer(end).is_some()).then_some((note, end));
        }
        MIDI_WORDS.iter().find_map(|word| {
            let after = self.word(i, word)?;
            let from = if word.len() > 1 { self.skip(after, 2) } else { after };
            let (n, end) = self.number(from)?;
            // One digit after such a word counts something else (`note 3`, `m2`).
            (self.ends(end) && end - from > 1).then(|| midi(n).map(|m| (m, end)))?
        })
    }

    /// A note name at `i`: letter, accidental, octave of one digit, and where it ends.
    fn note(&self, i: usize, middle_c: MiddleC) -> Option<(MidiNote, usize)> {
        let semitone = match self.at(i)?.to_ascii_lowercase() {
            'c' => 0,
            'd' => 2,
            'e' => 4,
            'f' => 5,
            'g' => 7,
            'a' => 9,
            'b' => 11,
            _ => return None,
        };
        let (shift, from) = self.accidental(i + 1);
        let (octave, end) = self.octave(from)?;
        let n = (octave - middle_c.octave_offset()) * 12 + semitone + shift;
        Some((MidiNote::new(n).ok()?, end))
    }

    /// The accidental at `i` in semitones, and where the octave must stand.
    fn accidental(&self, i: usize) -> (i32, usize) {
        for (word, shift) in [("sharp", 1), ("flat", -1)] {
            if let Some(end) = self.word(self.skip(i, 1), word) {
                return (shift, self.skip_space(end));
            }
        }
        match self.at(i) {
            Some('#') => (1, self.skip_space(i + 1)),
            Some('\u{266D}') => (-1, self.skip_space(i + 1)),
            Some('b' | 'B') => (-1, i + 1),
            Some('s' | 'S') => (1, i + 1),
            _ => (0, i),
        }
    }

    fn skip_space(&self, i: usize) -> usize {
        if matches!(self.at(i), Some(' ' | '_')) { i + 1 } else { i }
    }

    /// An octave number at `i`: one digit, maybe negative.
    fn octave(&self, i: usize) -> Option<(i32, usize)> {
        let (sign, i) = if self.at(i) == Some('-') { (-1, i + 1) } else { (1, i) };
        let digit = self.at(i)?.to_digit(10)?;
        if self.is_digit(i + 1) { None } else { Some((sign * i32::try_from(digit).ok()?, i + 1)) }
    }

    /// The bare number that may be a note: the only one of three digits, or the only one.
    fn bare_note(&self, numbers: &[Number]) -> Option<Number> {
        let fits = |n: &&Number| {
            let digits = n.end - n.start;
            let quantity =
                UNITS.iter().any(|u| self.word(self.skip(n.end, 1), u).is_some_and(|end| self.ends(end)));
            PIANO.contains(&n.value) && (2..=3).contains(&digits) && !quantity
        };
        let mut long = numbers.iter().filter(|n| n.end - n.start == 3);
        match (numbers, long.next(), long.next()) {
            ([only], _, _) => Some(only).filter(fits).copied(),
            (_, Some(one), None) => Some(one).filter(fits).copied(),
            _ => None,
        }
    }

    /// The lone small number that follows a note which ends at `after`.
    fn lone_layer(&self, after: usize, numbers: &[Number]) -> Option<u16> {
        let at = self.skip(after, 4);
        let number = numbers.iter().find(|n| n.start == at && at > after)?;
        // Two numbers joined are a date or a time.
        let joined =
            matches!(self.at(number.end), Some('-' | '.' | ':' | '/')) && self.is_digit(number.end + 1);
        if joined || number.end - number.start > 2 { None } else { layer_from(number.value) }
    }
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
