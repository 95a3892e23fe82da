//! Opens the window on the user's system.

use std::path::PathBuf;
use std::sync::{Arc, OnceLock};

use super::app::{App, LEAST};
use super::environment::Environment;
use super::settings::SettingsStore;
use crate::error::{Error, ErrorKind, Result};
use crate::jobs::Interrupt;

/// Opens the window and returns when it is closed. `paths`: a folder, sound files or a session to
/// open; may be empty. Errors: `Device` where no window can be opened.
pub fn run(paths: Vec<PathBuf>) -> Result<()> {
    let environment = Environment::of_user();
    let (settings, _) = SettingsStore::load(environment.settings.clone());
    let icon = eframe::icon_data::from_png_bytes(include_bytes!("../../assets/icon.png"))
        .map_err(|e| Error::new(ErrorKind::Internal, format!("the icon cannot be read: {e}")))?;
    let viewport = egui::ViewportBuilder::default()
        .with_title("Seamwright")
        .with_app_id("seamwright")
        .with_icon(icon)
        .with_inner_size(settings.get().window)
        .with_min_inner_size(LEAST);
    let options = eframe::NativeOptions { viewport, persist_window: false, ..Default::default() };
    // Ctrl-C closes the window as its button does: what was changed is saved.
    let window = Arc::new(OnceLock::<egui::Context>::new());
    let opened = Arc::clone(&window);
    let _interrupt = Interrupt::calls(move || {
        if let Some(ctx) = opened.get() {
            ctx.send_viewport_cmd(egui::ViewportCommand::Close);
        }
    });
    let create: eframe::AppCreator<'_> = Box::new(move |cc| {
        window.get_or_init(|| cc.egui_ctx.clone());
        Ok(Box::new(App::new(&cc.egui_ctx, &environment, paths)?))
    });
    eframe::run_native("Seamwright", options, create).map_err(|e| {
        Error::new(
            ErrorKind::Device,
            format!("no window can be opened ({e}); the commands work without one: try seamwright --help"),
        )
    })
}
