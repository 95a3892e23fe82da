//! Reading delivered files back.

use std::path::{Path, PathBuf};

use crate::dsp::looping::SeamAudit;
use crate::error::Result;
use crate::io::riff::SourceMarks;
use crate::units::{Cents, Decibels, FrameRange, SampleRate};

/// What a file on disk turned out to be.
#[derive(Debug, Clone)]
pub struct Checked {
    /// The file.
    pub path: PathBuf,
    /// Frames a second.
    pub rate: SampleRate,
    /// Number of channels.
    pub channels: u16,
    /// Length in frames.
    pub frames: u64,
    /// Loop, root key and texts in it.
    pub marks: SourceMarks,
    /// The first loop, when it lies in the audio.
    pub looping: Option<FrameRange>,
    /// How far what sounds is from root key and fine tune; none without root or pitch.
    pub off: Option<Cents>,
    /// Peak level.
    pub peak: Decibels,
    /// RMS level.
    pub level: Decibels,
    /// The seam as it goes round.
    pub audit: Option<SeamAudit>,
    /// What is wrong with it, in sentences; empty: all is well.
    pub problems: Vec<String>,
}

/// Reads `path` back. Errors: as decoding.
pub fn check_file(_path: &Path) -> Result<Checked> {
    todo!()
}
