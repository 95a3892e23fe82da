//! Hearing: an engine that is a pure function of its messages, and the device that calls it.
//!
//! ```text
//! window ─Message→ ring → engine::Engine::apply ─┐
//! window ←Trash── ring ← Engine::take_trash      ├ the device's callback: nothing is allocated,
//! window ←Status─ atomics ← Engine::take_levels  │ freed, locked or printed in it
//!                    device ← Engine::render ←───┘
//! ```

pub mod device;
pub mod engine;
pub mod fade;
pub mod limiter;
pub mod message;
pub mod meter;
pub mod midi;
pub mod read;
