//! The window; the only user of egui.
