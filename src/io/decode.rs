//! Sound files to samples; the only user of symphonia.

use std::path::Path;

use crate::audio::{AudioBuf, Clip};
use crate::error::Result;
use crate::units::{FrameRange, SampleRate};

use super::riff::SourceMarks;

/// File name endings that are looked at, lower case.
pub const ENDINGS: &[&str] = &["wav", "wave", "aif", "aiff", "aifc", "flac", "mp3", "ogg", "oga"];

/// What a file says of itself before it is decoded.
#[derive(Debug, Clone, PartialEq)]
pub struct SoundInfo {
    /// Frames a second.
    pub rate: SampleRate,
    /// Number of channels.
    pub channels: u16,
    /// Frames, where the format says.
    pub frames: Option<u64>,
    /// Loop, root key and INFO that the file brings along.
    pub marks: SourceMarks,
}

/// Opens `path` and reads its head.
pub fn probe(_path: &Path) -> Result<SoundInfo> {
    todo!()
}

/// Decodes `path` block by block: `block` gets one slice a channel and says whether to go on
/// (false ends with `Cancelled`). Returns the head with the number of frames really decoded.
pub fn for_each_block(_path: &Path, _block: &mut dyn FnMut(&[&[f32]]) -> bool) -> Result<SoundInfo> {
    todo!()
}

/// Decodes the whole of `path`.
pub fn decode(_path: &Path) -> Result<AudioBuf> {
    todo!()
}

/// Decodes stretches of `path` (in any order, may overlap, cut to what exists) in one pass; `found`
/// gets the index of each and its clip as soon as it is complete and says whether to go on.
pub fn decode_ranges(
    _path: &Path,
    _ranges: &[FrameRange],
    _found: &mut dyn FnMut(usize, Clip) -> bool,
) -> Result<()> {
    todo!()
}
