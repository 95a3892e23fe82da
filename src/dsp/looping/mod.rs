//! Loops that nobody hears: candidates, their score, the crossfade, the audit of a seam.
//!
//! # The way through
//! [`find_loops`] reads the sustain once into short-time features (`features`), compares every
//! possible start with every possible end (`pair_map`), keeps the best of each neighbourhood in
//! place and length, asks of those whether the partials' phases meet (`candidates`), sets both ends
//! to the frame (`refine`), and scores what is left (`seam_score`, the same function as
//! [`score_loop`]). [`audit()`] shares nothing with that chain but the samples.
//!
//! A loop end is exclusive everywhere: after frame `end − 1` frame `start` is played.

mod audit;
mod candidates;
mod crossfade;
mod evening;
mod features;
mod joined;
mod length;
mod pair_map;
mod periodicity;
mod refine;
mod seam_score;
pub mod stack;
mod zero_crossing;

use serde::{Deserialize, Serialize};

use crate::audio::AudioBuf;
use crate::error::{Error, Result};
use crate::units::{Decibels, FrameRange, Hertz};

pub use audit::{HEARD_LEVEL_DB, audit};
pub use candidates::{best_near, find_loops, pair_map};
pub use crossfade::{MOST_RISE_DB, bake, crossfade_frames, crossfade_gains};
pub use evening::{MOST_EVENING_DB, even_out, evening_gain};
pub use length::best_of_length;
pub use seam_score::{score_loop, score_words};
pub use zero_crossing::next_zero_crossing;

/// Shortest loop in frames. Source: SoundFont Technical Specification 2.04 (2006), section 7.10.
pub const SHORTEST_LOOP: u64 = 32;

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
    /// Agreement of how level and pitch move at both ends (slopes; with vibrato: its phase).
    #[serde(default)]
    pub movement: f64,
    /// Life left in the sound: whole from a loop of 1 s on.
    #[serde(default)]
    pub length: f64,
}

/// A loop that could be taken: frames of the audio searched.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LoopCandidate {
    /// Loop start, and loop end (the first frame after the loop).
    pub range: FrameRange,
    /// Length of the crossfade before the end, in frames; 0: none is needed.
    pub crossfade: u64,
    /// 0 to 100; what the numbers sound like stands at [`score_loop`].
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
    /// Shortest loop in cycles of the vibrato, where the sustain has one; 0: as short as may be.
    pub least_vibrato_cycles: f64,
    /// How many candidates, best first.
    pub top: usize,
}

impl LoopParams {
    /// Loops of 50 ms to 12 s within the sustain, however few vibrato cycles they hold, 20 of them.
    pub fn new(within: FrameRange) -> Self {
        Self { within, shortest_s: 0.05, longest_s: 12.0, least_vibrato_cycles: 0.0, top: 20 }
    }
}

/// Every start against every end, coarsely: what the loop map shows.
#[derive(Debug, Clone, PartialEq)]
pub struct PairMap {
    /// First frame of each column of starts, ascending; all columns are equally wide.
    pub starts: Vec<u64>,
    /// First frame of each row of ends, ascending.
    pub ends: Vec<u64>,
    /// Row-major, `starts.len()` a row: estimated score of the best pair in the cell, 0 to 100. None
    /// where no loop within the limits of length lies.
    pub scores: Vec<Option<f32>>,
}

impl PairMap {
    /// The score of a column of starts and a row of ends; None outside the map too.
    pub fn score(&self, start: usize, end: usize) -> Option<f32> {
        if start >= self.starts.len() {
            return None;
        }
        self.scores.get(end * self.starts.len() + start).copied().flatten()
    }
}

/// What a finished loop measures when it goes round, by none of the search's own features; what each
/// part is exactly stands at [`audit()`].
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct SeamAudit {
    /// How far the join stands out as a click above the same measure elsewhere in the loop:
    /// short-time excitation, dB RMS over the ear's bands; 0 when it does not.
    pub click_db: Decibels,
    /// Level step across the join (K-weighted, the larger of that over 50 and over 200 ms);
    /// positive when it gets louder.
    pub level_step_db: Decibels,
    /// How far the level step exceeds what is usual in the loop, dB.
    #[serde(default)]
    pub level_beyond_db: f64,
    /// How far the change of the spectrum across the join exceeds what is usual in the loop, in dB
    /// over the ear's bands.
    #[serde(default)]
    pub flux_db: f64,
    /// Pitch step across the join; 0 where no pitch is found.
    #[serde(default)]
    pub pitch_step_cents: f64,
    /// How far the pitch step exceeds what is usual in the loop, cents.
    #[serde(default)]
    pub pitch_beyond_cents: f64,
    /// Modulation of the level at the rate of the loop beyond what the sustain has, dB from trough
    /// to crest: what is heard as a thump.
    #[serde(default)]
    pub thump_db: f64,
    /// 0 (inaudible) to 100 (obvious); 20: just heard.
    pub audibility: f64,
}

/// Refuses a range that does not lie in `audio` or is shorter than [`SHORTEST_LOOP`].
fn check_range(audio: &AudioBuf, range: FrameRange) -> Result<()> {
    if range.end.0 > audio.frames().0 || range.start > range.end {
        return Err(Error::invalid(
            "loop",
            format!("frame {} to {}", range.start.0, range.end.0),
            &format!("within the audio, frame 0 to {}", audio.frames().0),
        ));
    }
    if range.count().0 < SHORTEST_LOOP {
        return Err(Error::invalid(
            "loop length",
            format!("{} frames", range.count().0),
            &format!("{SHORTEST_LOOP} frames or more; move the end later or the start earlier"),
        ));
    }
    Ok(())
}

/// Refuses a fundamental that is no number or cannot sound at this rate.
fn check_f0(audio: &AudioBuf, f0: Hertz) -> Result<()> {
    let most = audio.rate().as_f64() / 4.0;
    if f0.0.is_finite() && (8.0..=most).contains(&f0.0) {
        Ok(())
    } else {
        Err(Error::invalid(
            "fundamental",
            format!("{f0}"),
            &format!("8 to {most:.0} Hz, a quarter of the rate"),
        ))
    }
}
