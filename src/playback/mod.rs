//! Hearing: an engine that is a pure function of its messages, and the device that calls it.

pub mod device;
pub mod engine;
pub mod message;
