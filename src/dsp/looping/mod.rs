//! Loops that nobody hears: candidates, their score, the crossfade, the audit of a seam.

use serde::{Deserialize, Serialize};

use crate::audio::AudioBuf;
use crate::error::Result;
use crate::units::{Decibels, FrameRange, Hertz};

/// The parts of a loop's score, each 0 (obvious) to 100 (inaudible).
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct LoopParts {
    /// Nearness of both ends to a zero crossing of the same slope.
    pub zero_crossing: f64,
    /// Agreement of the waveforms around both ends.
    pub waveform: f64,
    /// Agreement of the spectra around both ends.
    pub spectral: f64,
    /// Agreement of the levels.
    pub level: f64,
    /// Agreement of the pitches.
    pub pitch: f64,
}

/// A loop that could be taken: frames of the audio searched.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LoopCandidate {
    /// Loop start, and loop end (the first frame after the loop).
    pub range: FrameRange,
    /// Length of the crossfade before the end, in frames; 0: none is needed.
    pub crossfade: u64,
    /// 0 to 100.
    pub score: f64,
    /// What it is made of.
    pub parts: LoopParts,
}

/// What to look for.
#[derive(Debug, Clone, PartialEq)]
pub struct LoopParams {
    /// Where loop start and end may lie (the sustain), in frames.
    pub within: FrameRange,
    /// Shortest loop, in seconds.
    pub shortest_s: f64,
    /// Longest loop, in seconds.
    pub longest_s: f64,
    /// How many candidates, best first.
    pub top: usize,
}

/// Finds loops in `audio` (a note at `f0`), best first, diverse in length and place.
///
/// Errors: `InvalidParameter`; `Nothing` with the reason in words where there is no loop to be had
/// (too short, silent, no pitch).
pub fn find_loops(_audio: &AudioBuf, _f0: Hertz, _params: &LoopParams) -> Result<Vec<LoopCandidate>> {
    todo!()
}

/// Scores one loop. Errors: `InvalidParameter` when the range does not lie in the audio or is
/// shorter than 32 frames.
pub fn score_loop(
    _audio: &AudioBuf,
    _f0: Hertz,
    _range: FrameRange,
    _crossfade: u64,
) -> Result<LoopCandidate> {
    todo!()
}

/// The frames of the crossfade before a loop end, one vector a channel: what stands at
/// `end − crossfade .. end` once it is baked. Errors: `InvalidParameter` when the crossfade is
/// longer than the loop or than what lies before its start.
pub fn crossfade_frames(_audio: &AudioBuf, _range: FrameRange, _crossfade: u64) -> Result<Vec<Vec<f32>>> {
    todo!()
}

/// `audio` with the crossfade written into it. Errors as [`crossfade_frames`].
pub fn bake(_audio: &AudioBuf, _range: FrameRange, _crossfade: u64) -> Result<AudioBuf> {
    todo!()
}

/// What a finished loop measures when it goes round, by none of the search's own features.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SeamAudit {
    /// How far the join stands out as a click above the same measure elsewhere in the loop.
    pub click_db: Decibels,
    /// Level step across the join.
    pub level_step_db: Decibels,
    /// 0 (inaudible) to 100 (obvious).
    pub audibility: f64,
}

/// Measures the loop as it will be played, round and round. Errors: as [`score_loop`].
pub fn audit(_audio: &AudioBuf, _range: FrameRange) -> Result<SeamAudit> {
    todo!()
}

/// The zero crossing nearest to `frame` going `forward` (or back), not `frame` itself: index of the
/// first sample at or above zero, of the channels' mean. None where there is none.
pub fn next_zero_crossing(_audio: &AudioBuf, _frame: u64, _forward: bool) -> Option<u64> {
    todo!()
}
