//! Pieces that panels draw with.

pub mod drag_handle;
pub mod loop_arcs;
pub mod pitch_lane;
pub mod time_axis;
pub mod wave_view;
