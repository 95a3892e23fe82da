//! Pure functions on samples: no file, no thread, no clock, no window.

pub mod clean;
pub mod looping;
pub mod peaks;
pub mod pitch;
pub mod poll;
pub mod resample;
pub mod spans;
pub mod spectrum;
pub mod stft;
pub mod tune;
