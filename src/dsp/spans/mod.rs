//! Where the takes are: an envelope gathered block by block, the room tone in it, the takes that
//! rise out of it. Never needs the whole file in memory.
//!
//! The envelope holds the power of three bands every 5 ms. Each band is judged against its own
//! room level and the largest rise counts, so that hum does not hide a soft note of higher pitch and
//! a low note is not lost to the filter that takes the hum out. All thresholds here are common
//! practice, no source.

mod clipping;
mod envelope;
mod levels;
mod onset;
mod room;
mod takes;

pub use envelope::{Envelope, EnvelopeBuilder};
pub use room::find_room_tone;
pub use takes::find_takes;

use crate::units::{Decibels, Frame, FrameRange};

/// Parameters of the search.
#[derive(Debug, Clone, PartialEq)]
pub struct SpanParams {
    /// What rises less than this above the room is no take, in dB.
    pub rise_db: f64,
    /// Shorter sounds (clicks, breaths) are no takes, in seconds.
    pub shortest_s: f64,
    /// Gaps shorter than this inside a sound do not split it, in seconds.
    pub join_s: f64,
    /// Shortest stretch that counts as room tone, in seconds.
    pub room_s: f64,
}

impl Default for SpanParams {
    fn default() -> Self {
        Self { rise_db: 9.0, shortest_s: 0.25, join_s: 0.12, room_s: 0.3 }
    }
}

/// A stretch with nobody playing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FoundRoom {
    /// Where it lies.
    pub range: FrameRange,
    /// RMS level over it, re full scale.
    pub level: Decibels,
}

/// A sound that is a take.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FoundSpan {
    /// From just before the onset to where the sound is gone in the room.
    pub span: FrameRange,
    /// Where the note begins to sound.
    pub onset: Frame,
    /// The file begins while it sounds already.
    pub starts_inside: bool,
    /// The file ends while it still sounds.
    pub ends_inside: bool,
    /// Samples of it that stand at its ceiling three or more in a row: clipped.
    pub clipped: u64,
}
