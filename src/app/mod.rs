//! The window; the only user of egui.
//!
//! One frame: [`app::App::logic`] takes in what the jobs and the sound engine report, then
//! [`app::App::ui`] lets each panel draw from a read-only [`view::View`] and return
//! [`command::Command`]s, which [`dispatch`] carries out one after the other. Nothing else changes
//! the document. Panels keep only memory that may be lost (zoom, hover, a half-typed number).

pub mod command;
pub mod derived;
pub mod panels;
pub mod theme;
pub mod view;
pub mod widgets;

/// Opens the window on `paths`.
pub fn run(_paths: Vec<std::path::PathBuf>) -> crate::error::Result<()> {
    Err(crate::error::Error::new(crate::error::ErrorKind::Device, "the window is not part of this build yet"))
}
