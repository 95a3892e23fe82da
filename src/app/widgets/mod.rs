//! Pieces that panels draw with.

pub mod cell;
pub mod control;
pub mod dialog;
pub mod divider;
pub mod drag_handle;
pub mod glyph;
pub mod in_sight;
pub mod layer_sign;
pub mod loop_arcs;
pub mod loop_map;
pub mod meter;
pub mod pitch_lane;
pub mod ramp;
pub mod seam_spectra;
pub mod seam_view;
pub mod time_axis;
pub mod typed;
pub mod wave_view;
