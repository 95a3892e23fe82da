//! The sound engine: messages in, samples out. Allocates nothing, frees nothing, waits for nothing.

use super::message::{Message, PlayLoop, Playable};
use crate::units::SampleRate;

/// What came out of use and must be freed outside the audio thread.
#[derive(Debug)]
pub enum Trash {
    /// A sound.
    Playable(Box<Playable>),
    /// A loop.
    Loop(Box<PlayLoop>),
}

/// The engine. Renders interleaved stereo.
#[derive(Debug)]
pub struct Engine {}

impl Engine {
    /// A silent engine for a device at `rate`; starts at a quiet volume.
    pub fn new(_rate: SampleRate) -> Self {
        todo!()
    }

    /// Takes a message; what it replaces comes back.
    pub fn apply(&mut self, _message: Message) -> Option<Trash> {
        todo!()
    }

    /// Fills `out` (interleaved left, right). Any length, the result does not depend on how the
    /// frames are divided into calls.
    pub fn render(&mut self, _out: &mut [f32]) {
        todo!()
    }

    /// Frame of the sound that plays, in its own frames; none when silent.
    pub fn position(&self) -> Option<u64> {
        todo!()
    }
}
