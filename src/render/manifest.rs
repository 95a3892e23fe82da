//! The file in a delivery folder that says what stands in it and what it came from.
//!
//! It tells the truth at every moment: a file's entry is emptied before the file is written and
//! filled after it stands there whole.

use std::collections::BTreeMap;
use std::path::Path;

use serde::{Deserialize, Serialize};

use crate::error::{Error, ErrorKind, Result};
use crate::io::{DELIVERY_MANIFEST, atomic};
use crate::units::Decibels;

use super::level::Loudness;

/// One delivered file: hashes are BLAKE3, hexadecimal.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Entry {
    /// Hash of everything that decides its bytes; empty while it is being written.
    pub from: String,
    /// Hash of its bytes; empty while it is being written.
    pub is: String,
    /// Hash of the source, for a sound file.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub source: String,
    /// Hash of the recipe as delivered, for a sound file.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub recipe: String,
    /// Hash of the settings that matter for it.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub setup: String,
    /// The program that wrote it.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub program: String,
    /// What was measured in it, for a sound file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub facts: Option<Facts>,
}

/// What is known of a delivered sound file, so that map and report need not read it again.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Facts {
    /// Hash of what decides its sound but for the delivery's gain.
    pub sound: String,
    /// Root key.
    pub root: u8,
    /// Cents above the root key that are in the sound.
    pub fine_tune: f64,
    /// Frames a second.
    pub rate: u32,
    /// Number of channels.
    pub channels: u16,
    /// Length in frames.
    pub frames: u64,
    /// Frame of the onset.
    pub onset: u64,
    /// Loop, end exclusive.
    pub looping: Option<(u64, u64)>,
    /// Deviation of the source from its note, in cents: the median, the rms before, the rms after.
    pub pitch: Option<(f64, f64, f64)>,
    /// Gain of the recipe and of the delivery, dB.
    pub gain: (f64, f64),
    /// Loudness (LUFS) and true peak (dB) before the delivery's gain, where that gain was worked out from
    /// them: to the bit what was measured, so that the next delivery works out the same gain.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub heard: Option<(Option<f64>, f64)>,
    /// Integrated loudness, LUFS.
    pub lufs: Option<f64>,
    /// True peak, dB re full scale.
    pub true_peak: f64,
    /// How audible the seam is, 0 to 100.
    pub audibility: Option<f64>,
    /// All of the seam audit.
    pub audit: Option<serde_json::Value>,
    /// RMS level of the room before cleaning and after it, dB re full scale, without any gain.
    #[serde(default)]
    pub room: Option<(f64, f64)>,
    /// Lowest and highest sample of equal stretches, −127 to 127.
    pub wave: Vec<(i8, i8)>,
}

impl Facts {
    /// How loud it is without the delivery's gain.
    pub fn as_played(&self) -> Loudness {
        if let Some((lufs, peak)) = self.heard {
            return Loudness { lufs, true_peak: Decibels(peak) };
        }
        Loudness {
            lufs: self.lufs.map(|l| l - self.gain.1),
            true_peak: Decibels(self.true_peak - self.gain.1),
        }
    }
}

/// What stands in a delivery folder, by path with `/` between folders.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub struct Manifest {
    /// The program that wrote it last.
    pub program: String,
    /// The files.
    pub files: BTreeMap<String, Entry>,
}

impl Manifest {
    /// The manifest of a folder. One that is missing or damaged counts as empty: then every file there
    /// is a stranger's.
    pub fn read(folder: &Path) -> Self {
        std::fs::read(folder.join(DELIVERY_MANIFEST))
            .ok()
            .and_then(|bytes| serde_json::from_slice(&bytes).ok())
            .unwrap_or_default()
    }

    /// Writes it, whole or not at all.
    pub fn write(&self, folder: &Path) -> Result<()> {
        let bytes = serde_json::to_vec_pretty(self)
            .map_err(|e| Error::new(ErrorKind::Internal, format!("the manifest cannot be written: {e}")))?;
        let path = folder.join(DELIVERY_MANIFEST);
        atomic::write(&path, |w| w.write_all(&bytes).map_err(|e| Error::io("write", &path, &e)))
    }
}

/// BLAKE3 of anything that can be written down, hexadecimal.
pub fn hash_of(parts: &impl Serialize) -> Result<String> {
    let bytes = serde_json::to_vec(parts)
        .map_err(|e| Error::new(ErrorKind::Internal, format!("a recipe cannot be written down: {e}")))?;
    Ok(blake3::hash(&bytes).to_hex().to_string())
}
