//! The chunks of a RIFF/WAVE file that carry loops, root key and texts.

use std::collections::BTreeMap;
use std::path::Path;

use crate::error::Result;
use crate::units::{Cents, FrameRange, MidiNote};

/// What a source brings along besides its samples.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SourceMarks {
    /// Root key.
    pub root: Option<MidiNote>,
    /// How far above the root key it is tuned: −50 to +50.
    pub fine_tune: Cents,
    /// Loops, end exclusive.
    pub loops: Vec<FrameRange>,
    /// INFO texts by their four letters (`INAM`, `ICMT`…).
    pub info: BTreeMap<String, String>,
}

/// Reads the marks of a WAV (RIFF or RF64) or AIFF file; other formats have none.
pub fn read_marks(_path: &Path) -> Result<SourceMarks> {
    todo!()
}
