//! The window; the only user of egui.
//!
//! One frame: [`App`]'s `logic` takes in what the jobs and the sound engine report, then its `ui`
//! lets each panel draw from a read-only [`view::View`] and return [`command::Command`]s, which
//! `dispatch` carries out one after the other. Nothing else changes the document. Panels keep
//! only memory that may be lost (zoom, hover, a half-typed number).

// The window is called App everywhere, and so is its file.
#[allow(clippy::module_inception)]
mod app;
mod choosing;
pub mod command;
mod deliver_state;
pub mod derived;
mod dialog;
mod dispatch;
mod environment;
mod events;
mod focus;
mod judging;
pub mod keyboard;
mod midi_in;
mod notices;
mod opening;
pub mod panels;
mod proposing;
mod quantity;
mod quiet_tips;
mod run;
pub mod session_state;
pub mod settings;
pub mod shortcuts;
pub mod sound;
pub mod stack;
mod surveying;
pub mod theme;
mod thumbs;
pub mod triage;
pub mod view;
pub mod widgets;
mod words;
mod work;

pub use app::App;
pub use environment::Environment;
pub use notices::Notices;
pub use run::run;
