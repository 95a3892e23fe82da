//! Quantities that cross module borders, each with its unit in its type.
//!
//! Inside a signal-processing function plain numbers with the unit in the name (`hop_frames`,
//! `fmin_hz`) are fine; what goes in and out of a module is one of these.

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::error::{Error, Result};

/// Frequency of A4 unless a session says otherwise, in hertz. Source: ISO 16:1975.
pub const STANDARD_A4_HZ: f64 = 440.0;

/// A position in a recording, counted in frames from its start (a frame is one sample of every
/// channel). As an end it is exclusive: the first frame that no longer belongs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Frame(pub u64);

/// A number of frames.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct FrameCount(pub u64);

/// A stretch of frames, `start` included, `end` excluded.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
pub struct FrameRange {
    /// First frame of the stretch.
    pub start: Frame,
    /// First frame after it.
    pub end: Frame,
}

impl Frame {
    /// The moment of this frame.
    pub fn at(self, rate: SampleRate) -> Seconds {
        Seconds(self.0 as f64 / f64::from(rate.hz()))
    }

    /// This position `count` frames later (saturating).
    pub fn plus(self, count: FrameCount) -> Self {
        Self(self.0.saturating_add(count.0))
    }

    /// This position `count` frames earlier, or the start of the recording.
    pub fn minus(self, count: FrameCount) -> Self {
        Self(self.0.saturating_sub(count.0))
    }

    /// This position moved by `by` frames and kept inside `limits` (end included: a loop end may
    /// stand there).
    pub fn moved_within(self, by: i64, limits: FrameRange) -> Self {
        Self(self.0.saturating_add_signed(by).clamp(limits.start.0, limits.end.0.max(limits.start.0)))
    }
}

impl FrameCount {
    /// How long this many frames last.
    pub fn lasts(self, rate: SampleRate) -> Seconds {
        Seconds(self.0 as f64 / f64::from(rate.hz()))
    }
}

impl FrameRange {
    /// The stretch from `start` up to but not including `end`.
    pub fn new(start: u64, end: u64) -> Self {
        Self { start: Frame(start), end: Frame(end.max(start)) }
    }

    /// Number of frames in it.
    pub fn count(self) -> FrameCount {
        FrameCount(self.end.0.saturating_sub(self.start.0))
    }

    /// Whether nothing is in it.
    pub fn is_empty(self) -> bool {
        self.end <= self.start
    }

    /// Whether `frame` is in it.
    pub fn contains(self, frame: Frame) -> bool {
        self.start <= frame && frame < self.end
    }

    /// How many frames the two stretches share.
    pub fn overlap(self, other: Self) -> FrameCount {
        FrameCount(self.end.min(other.end).0.saturating_sub(self.start.max(other.start).0))
    }

    /// The indices, for slicing.
    pub fn as_usize(self) -> std::ops::Range<usize> {
        self.start.0 as usize..self.end.0 as usize
    }
}

/// Frames a second.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "u32", into = "u32")]
pub struct SampleRate(u32);

impl SampleRate {
    /// The rate of what is delivered unless told otherwise (common practice, no source).
    pub const DELIVERY: Self = Self(48_000);
    /// Lowest rate that is worked on.
    pub const MIN_HZ: u32 = 8_000;
    /// Highest rate that is worked on.
    pub const MAX_HZ: u32 = 192_000;

    /// A rate of `hz` frames a second, from 8 000 to 192 000.
    pub fn new(hz: u32) -> Result<Self> {
        if (Self::MIN_HZ..=Self::MAX_HZ).contains(&hz) {
            Ok(Self(hz))
        } else {
            Err(Error::invalid("sample rate", format!("{hz} Hz"), "8000 to 192000 Hz"))
        }
    }

    /// Frames a second.
    pub fn hz(self) -> u32 {
        self.0
    }

    /// Frames a second, for arithmetic.
    pub fn as_f64(self) -> f64 {
        f64::from(self.0)
    }
}

impl TryFrom<u32> for SampleRate {
    type Error = Error;
    fn try_from(hz: u32) -> Result<Self> {
        Self::new(hz)
    }
}

impl From<SampleRate> for u32 {
    fn from(rate: SampleRate) -> Self {
        rate.0
    }
}

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $unit:literal, $digits:literal) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(pub f64);

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, concat!("{:.", $digits, "} ", $unit), self.0)
            }
        }
    };
}

quantity!(
    /// A time or a duration.
    Seconds, "s", 3
);
quantity!(
    /// A frequency.
    Hertz, "Hz", 2
);
quantity!(
    /// A pitch interval: 1200 to the octave.
    Cents, "cents", 1
);
quantity!(
    /// A level (re full scale) or a gain.
    Decibels, "dB", 1
);

impl Seconds {
    /// The nearest frame count at `rate`; negative times give 0.
    pub fn frames(self, rate: SampleRate) -> FrameCount {
        FrameCount((self.0 * rate.as_f64()).round().max(0.0) as u64)
    }
}

impl Hertz {
    /// The interval from `reference` up to this frequency: 1200·log2(f/ref).
    pub fn cents_above(self, reference: Hertz) -> Cents {
        Cents(1200.0 * (self.0 / reference.0).log2())
    }

    /// The nearest note of the equal-tempered scale on `a4`, and how far above it this is.
    pub fn nearest_note(self, a4: Hertz) -> (MidiNote, Cents) {
        let exact = 69.0 + 12.0 * (self.0 / a4.0).log2();
        let note = exact.round().clamp(0.0, 127.0);
        (MidiNote(note as u8), Cents((exact - note) * 100.0))
    }

    /// This frequency moved by an interval.
    pub fn shifted(self, by: Cents) -> Hertz {
        Hertz(self.0 * (by.0 / 1200.0).exp2())
    }
}

impl Decibels {
    /// The amplitude ratio: 10^(dB/20).
    pub fn gain(self) -> f64 {
        10f64.powf(self.0 / 20.0)
    }

    /// The level of an amplitude (1 is full scale), not below −200 dB.
    pub fn of_amplitude(amplitude: f64) -> Self {
        Self(20.0 * amplitude.abs().max(1e-10).log10())
    }
}

/// A note by its MIDI number, 0 to 127; 60 is middle C, 69 is A4.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct MidiNote(pub u8);

/// Which octave number middle C (MIDI 60) carries in written note names.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
pub enum MiddleC {
    /// Middle C is C4 (scientific pitch notation).
    #[default]
    C4,
    /// Middle C is C3, as many instruments' file names have it.
    C3,
}

impl MiddleC {
    /// What is added to `midi / 12` to give the octave number.
    pub fn octave_offset(self) -> i32 {
        match self {
            Self::C4 => -1,
            Self::C3 => -2,
        }
    }
}

impl MidiNote {
    /// Names of the twelve notes, sharps.
    pub const SHARP_NAMES: [&'static str; 12] =
        ["C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B"];

    /// Note number `n` if it is one (0 to 127).
    pub fn new(n: i32) -> Result<Self> {
        u8::try_from(n)
            .ok()
            .filter(|n| *n <= 127)
            .map(Self)
            .ok_or_else(|| Error::invalid("MIDI note", n.to_string(), "0 to 127"))
    }

    /// How many semitones the note that a letter names lies above the C below it (C 0, D 2 … B 11), in
    /// either case; none for any other character. B is the note below C, as scientific pitch notation
    /// has it.
    pub fn semitones_of(letter: char) -> Option<u8> {
        match letter.to_ascii_uppercase() {
            'C' => Some(0),
            'D' => Some(2),
            'E' => Some(4),
            'F' => Some(5),
            'G' => Some(7),
            'A' => Some(9),
            'B' => Some(11),
            _ => None,
        }
    }

    /// Equal-tempered frequency: a4·2^((n−69)/12). Source: MIDI Tuning Standard, ISO 16.
    pub fn frequency(self, a4: Hertz) -> Hertz {
        Hertz(a4.0 * ((f64::from(self.0) - 69.0) / 12.0).exp2())
    }

    /// The written name, such as `C#4`.
    pub fn name(self, middle_c: MiddleC) -> String {
        let octave = i32::from(self.0) / 12 + middle_c.octave_offset();
        format!("{}{octave}", Self::SHARP_NAMES[usize::from(self.0) % 12])
    }
}

/// Writes the name with middle C as C4.
impl fmt::Display for MidiNote {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.name(MiddleC::C4))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Equal-temperament table. Source: MIDI Tuning Standard (MIDI 1.0) with A4 of ISO 16:1975.
    #[test]
    fn equal_temperament_table() {
        for (n, name, hz) in [
            (21, "A0", 27.5),
            (60, "C4", 261.6256),
            (69, "A4", 440.0),
            (81, "A5", 880.0),
            (108, "C8", 4186.009),
        ] {
            let note = MidiNote(n);
            assert_eq!(note.to_string(), name);
            let f = note.frequency(Hertz(STANDARD_A4_HZ)).0;
            // The published values carry seven digits.
            assert!((f / hz - 1.0).abs() < 5e-7, "{name}: {f} against {hz}");
            assert_eq!(Hertz(hz).nearest_note(Hertz(STANDARD_A4_HZ)).0, note);
        }
        assert_eq!(MidiNote(60).name(MiddleC::C3), "C3");
    }

    /// The natural notes of the octave from middle C by their numbers. Source: MIDI 1.0, note numbers
    /// (60 is middle C), and the steps of the major scale.
    #[test]
    fn letters_name_the_natural_notes() {
        for (letter, number) in [('C', 60), ('D', 62), ('E', 64), ('F', 65), ('G', 67), ('A', 69), ('B', 71)]
        {
            let by_letter = MidiNote::semitones_of(letter).map(|s| 60 + s);
            assert_eq!(by_letter, Some(number), "{letter}");
            assert_eq!(MidiNote::semitones_of(letter.to_ascii_lowercase()), MidiNote::semitones_of(letter));
            assert_eq!(MidiNote(number).to_string(), format!("{letter}4"));
        }
        for other in ['H', 'h', '#', '4', ' ', 'ä', 'Ｃ'] {
            assert_eq!(MidiNote::semitones_of(other), None, "{other}");
        }
    }

    #[test]
    fn cents_round_trip() {
        let a = Hertz(440.0);
        for c in [-1200.0, -3.5, 0.0, 0.01, 702.0] {
            assert!((a.shifted(Cents(c)).cents_above(a).0 - c).abs() < 1e-9);
        }
        let (note, cents) = Hertz(440.0 * 2f64.powf(0.3 / 12.0)).nearest_note(a);
        assert_eq!(note, MidiNote(69));
        assert!((cents.0 - 30.0).abs() < 1e-9);
    }

    #[test]
    fn rates_and_notes_have_limits() {
        for bad in [0, 7_999, 192_001] {
            let text = SampleRate::new(bad).unwrap_err().to_string();
            assert!(text.contains("8000 to 192000"), "{text}");
        }
        assert!(MidiNote::new(128).is_err() && MidiNote::new(-1).is_err());
        assert_eq!(Frame(5).moved_within(-10, FrameRange::new(2, 9)), Frame(2));
        assert_eq!(Frame(5).moved_within(10, FrameRange::new(2, 9)), Frame(9));
    }
}
