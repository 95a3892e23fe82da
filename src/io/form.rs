//! In which form sound is written, and what is written along with it.

use serde::{Deserialize, Serialize};

use super::riff::SourceMarks;
use crate::units::MidiNote;

/// A file format with its coding of samples.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SoundForm {
    /// WAV, 16-bit whole numbers.
    Wav16,
    /// WAV, 24-bit whole numbers.
    #[default]
    Wav24,
    /// WAV, 32-bit floating point.
    Wav32f,
    /// FLAC, 24 bits.
    Flac,
    /// AIFF, 24 bits.
    Aiff,
}

impl SoundForm {
    /// All of them.
    pub const ALL: [Self; 5] = [Self::Wav16, Self::Wav24, Self::Wav32f, Self::Flac, Self::Aiff];

    /// The ending of its files.
    pub fn ending(self) -> &'static str {
        match self {
            Self::Wav16 | Self::Wav24 | Self::Wav32f => "wav",
            Self::Flac => "flac",
            Self::Aiff => "aif",
        }
    }

    /// Bits of one sample.
    pub fn bits(self) -> u16 {
        match self {
            Self::Wav16 => 16,
            Self::Wav24 | Self::Flac | Self::Aiff => 24,
            Self::Wav32f => 32,
        }
    }

    /// Whether samples are floating point, which have no full scale.
    pub fn is_float(self) -> bool {
        self == Self::Wav32f
    }

    /// In words, such as `WAV, 24 bits`.
    pub fn words(self) -> &'static str {
        match self {
            Self::Wav16 => "WAV, 16 bits",
            Self::Wav24 => "WAV, 24 bits",
            Self::Wav32f => "WAV, 32-bit floating point",
            Self::Flac => "FLAC, 24 bits",
            Self::Aiff => "AIFF, 24 bits",
        }
    }
}

/// Everything besides the samples that is written into a sound file.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct FileMarks {
    /// Root key, fine tune, loops and texts.
    pub sound: SourceMarks,
    /// Named positions.
    pub cues: Vec<Cue>,
    /// The keys and velocities it is meant for.
    pub zone: Option<Zone>,
}

/// A named position.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Cue {
    /// The frame it stands before.
    pub frame: u64,
    /// Its name.
    pub name: String,
}

/// Keys and velocities, both ends included as in MIDI.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Zone {
    /// Lowest and highest key.
    pub keys: (MidiNote, MidiNote),
    /// Lowest and highest velocity, 1 to 127.
    pub velocities: (u8, u8),
}

impl From<SourceMarks> for FileMarks {
    fn from(sound: SourceMarks) -> Self {
        Self { sound, ..Self::default() }
    }
}
