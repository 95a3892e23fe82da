//! A take and its recipe to audio, to files, to a report: one path for window, commands and tests.

pub mod apart;
pub mod audition;
pub mod batch;
mod beside;
pub mod chain;
pub mod check;
pub mod check_set;
mod folder;
pub mod intake;
pub mod key_sound;
pub mod level;
pub mod loops;
pub mod manifest;
pub mod mapping;
pub mod names;
pub mod pattern;
pub mod plan;
pub mod propose;
pub mod report;
pub mod room;
pub mod settling;
pub mod shape;
pub mod standing;
mod take_file;
pub mod tuning;
