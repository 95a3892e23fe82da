//! A take and its recipe to audio, to files, to a report: one path for window, commands and tests.

pub mod batch;
mod beside;
pub mod chain;
pub mod check;
pub mod check_set;
mod folder;
pub mod intake;
pub mod level;
pub mod manifest;
pub mod mapping;
pub mod names;
pub mod plan;
pub mod propose;
pub mod report;
pub mod room;
pub mod shape;
mod take_file;
pub mod tuning;
