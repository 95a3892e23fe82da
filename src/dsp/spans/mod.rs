//! Where the takes are: an envelope gathered block by block, the room tone in it, the takes that
//! rise out of it. Never needs the whole file in memory.

use crate::units::{Decibels, Frame, FrameRange, SampleRate};

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

/// Gathers the envelope of a file as it is decoded.
#[derive(Debug, Clone)]
pub struct EnvelopeBuilder {}

/// Level over time, one value a hop.
#[derive(Debug, Clone, PartialEq)]
pub struct Envelope {}

impl EnvelopeBuilder {
    /// An empty envelope for sound at `rate`.
    pub fn new(_rate: SampleRate) -> Self {
        todo!()
    }

    /// Adds a block: one slice a channel, all of one length, any length.
    pub fn push(&mut self, _channels: &[&[f32]]) {
        todo!()
    }

    /// The envelope of everything pushed.
    pub fn finish(self) -> Envelope {
        todo!()
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

/// The quietest steady stretch without clicks; none where the file is all sound.
pub fn find_room_tone(_envelope: &Envelope, _params: &SpanParams) -> Option<FoundRoom> {
    todo!()
}

/// The takes in order of time. Without room tone the level is judged against the envelope's own
/// quiet parts.
pub fn find_takes(_envelope: &Envelope, _room: Option<&FoundRoom>, _params: &SpanParams) -> Vec<FoundSpan> {
    todo!()
}
