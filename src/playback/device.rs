//! The sound device; the only user of cpal.

use super::message::Message;
use crate::error::Result;
use crate::units::SampleRate;

/// What the device tells the window.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Status {
    /// Frame of the sound that plays; none: silent.
    pub position: Option<u64>,
    /// Peaks left and right since the last question, 0 to 1.
    pub peak: [f32; 2],
    /// Whether the limiter worked since the last question.
    pub limited: bool,
    /// How often the device asked too late, or complained.
    pub complaints: u64,
    /// The device is gone.
    pub lost: bool,
}

/// An open device.
pub struct Player {}

impl Player {
    /// Opens the default device. Errors: `Device` with words that say what to do; the program goes
    /// on without sound.
    pub fn open() -> Result<Self> {
        todo!()
    }

    /// Its name.
    pub fn name(&self) -> &str {
        todo!()
    }

    /// The rate it runs at. Sounds are read at their own rate by the engine.
    pub fn rate(&self) -> SampleRate {
        todo!()
    }

    /// Sends a message; also frees what came back.
    pub fn send(&mut self, _message: Message) {
        todo!()
    }

    /// How it stands. Also frees what came back from the engine.
    pub fn status(&mut self) -> Status {
        todo!()
    }
}
