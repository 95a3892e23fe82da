//! A take and its recipe to audio, to files, to a report: one path for window, commands and tests.

pub mod batch;
pub mod chain;
pub mod check;
pub mod intake;
pub mod names;
pub mod propose;
pub mod tuning;
