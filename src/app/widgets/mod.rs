//! Pieces that panels draw with.

pub mod cell;
pub mod control;
pub mod glyph;
pub mod meter;
