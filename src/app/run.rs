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
    eframe::run_native("Seamwright", options, create).map_err(|e| match e {
        eframe::Error::AppCreation(e) => {
            Error::new(ErrorKind::Device, format!("no window can be opened: {e}"))
        }
        e => Error::new(ErrorKind::Device, no_screen(&e.to_string())),
    })
}

/// That there is no screen, with the innermost reason of `why` where that is a plain one.
fn no_screen(why: &str) -> String {
    let inner = why.rsplit(": ").next().unwrap_or_default().trim().trim_end_matches('.');
    let is_plain = inner.contains(' ') && !inner.contains(['/', '\\', '{', '"', '_']);
    let reason = if is_plain { format!(": {inner}") } else { String::new() };
    format!(
        "no window can be opened: there is no screen here (DISPLAY and WAYLAND_DISPLAY are not set, or the screen \
         refused{reason}). Start it from a desktop, or use the commands: seamwright --help"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_insides_of_a_library_are_not_told() {
        for why in [
            "winit EventLoopError: os error at /x/winit/src/linux/mod.rs:771: neither WAYLAND_DISPLAY nor DISPLAY is set.",
            "os error at C:\\x\\mod.rs:7",
        ] {
            let told = no_screen(why);
            assert!(!told.contains(".rs") && told.contains("the screen refused). Start"), "{told}");
        }
        let told = no_screen("os error at /x/mod.rs:7: the connection was refused");
        assert!(told.contains("the screen refused: the connection was refused)"), "{told}");
    }
}
