//! The words of a file name: notes, layers, numbers, each where it begins and ends.

use unicode_normalization::UnicodeNormalization;

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
/// Words that a MIDI number follows.
const MIDI_WORDS: [&str; 5] = ["midi", "note", "key", "m", "n"];
/// Words that make the number before them a quantity.
const UNITS: [&str; 12] = ["bpm", "hz", "khz", "bit", "bits", "db", "ms", "s", "sec", "cm", "mm", "ml"];

pub(super) fn midi(n: u32) -> Option<MidiNote> {
    MidiNote::new(i32::try_from(n).ok()?).ok()
}

fn layer_from(n: u32) -> Option<u16> {
    if (1..=MOST_LAYERS).contains(&n) { u16::try_from(n - 1).ok() } else { None }
}

/// A name as characters in one spelling.
pub(super) struct Text(Vec<char>);

/// A number as a word of its own.
#[derive(Clone, Copy)]
pub(super) struct Number {
    start: usize,
    /// Where it ends.
    pub(super) end: usize,
    /// What it says.
    pub(super) value: u32,
}

/// The signs in a name.
#[derive(Default)]
pub(super) struct Signs {
    /// Notes and where they end.
    pub(super) notes: Vec<(MidiNote, usize)>,
    /// How much the word counts, and the layer.
    pub(super) layer: Option<(u8, u16)>,
    /// Numbers as words of their own.
    pub(super) numbers: Vec<Number>,
}

impl Signs {
    /// The note, when the name holds one (maybe several times).
    pub(super) fn one_note(&self) -> Option<(MidiNote, usize)> {
        let last = *self.notes.last()?;
        self.notes.iter().all(|n| n.0 == last.0).then_some(last)
    }
}

impl Text {
    /// Composed forms and wide letters become plain ones (Unicode Standard Annex 15, NFKC).
    pub(super) fn of(text: &str) -> Self {
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

    /// How many characters there are.
    pub(super) fn len(&self) -> usize {
        self.0.len()
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
    pub(super) fn has_word_of(&self, words: &[&str]) -> Option<usize> {
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
    pub(super) fn number(&self, i: usize) -> Option<(u32, usize)> {
        let mut end = i;
        while self.is_digit(end) {
            end += 1;
        }
        let digits: String = self.0.get(i..end)?.iter().collect();
        digits.parse().ok().map(|n| (n, end))
    }

    /// The signs of the whole name.
    pub(super) fn scan(&self, middle_c: MiddleC) -> Signs {
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
    pub(super) fn note(&self, i: usize, middle_c: MiddleC) -> Option<(MidiNote, usize)> {
        let semitone = i32::from(MidiNote::semitones_of(self.at(i)?)?);
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
    pub(super) fn bare_note(&self, numbers: &[Number]) -> Option<Number> {
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
    pub(super) fn lone_layer(&self, after: usize, numbers: &[Number]) -> Option<u16> {
        let at = self.skip(after, 4);
        let number = numbers.iter().find(|n| n.start == at && at > after)?;
        // Two numbers joined are a date or a time.
        let joined =
            matches!(self.at(number.end), Some('-' | '.' | ':' | '/')) && self.is_digit(number.end + 1);
        if joined || number.end - number.start > 2 { None } else { layer_from(number.value) }
    }
}
