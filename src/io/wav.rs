//! Writing 24-bit WAV with root key, fine tune, loop and INFO.

use std::path::Path;

use crate::audio::AudioBuf;
use crate::error::Result;

use super::riff::SourceMarks;

/// Writes `audio` as 24-bit PCM to `path`, whole or not at all, with `marks` in `smpl` and
/// `LIST/INFO`. Samples beyond full scale are an error (`InvalidParameter`): the caller lowers the gain.
pub fn write24(_path: &Path, _audio: &AudioBuf, _marks: &SourceMarks) -> Result<()> {
    todo!()
}
