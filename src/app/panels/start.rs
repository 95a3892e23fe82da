//! What shows when nothing is open.

use std::path::{Path, PathBuf};

use egui::{Button, RichText, ScrollArea, TextEdit, Ui};

use super::notices::caution_box;
use crate::app::command::{Command, SessionCommand, SoundCommand};
use crate::app::shortcuts::{Action, tip};
use crate::app::theme::strong;
use crate::app::view::{Around, View};
use crate::app::widgets::control::{main_button, soft};
use crate::app::widgets::in_sight::follow_focus;

const WIDTH: f32 = 600.0;

/// The start page.
#[derive(Debug, Default)]
pub struct StartPanel {
    path: String,
}

impl StartPanel {
    /// Draws the page.
    pub fn ui(&mut self, ui: &mut Ui, view: &View<'_>, around: &Around<'_>) -> Vec<Command> {
        let mut commands = Vec::new();
        ScrollArea::vertical().auto_shrink(false).show(ui, |ui| {
            let side = ((ui.available_width() - WIDTH) / 2.0).max(20.0);
            ui.add_space((ui.available_height() * 0.1).clamp(16.0, 120.0));
            ui.horizontal_top(|ui| {
                ui.add_space(side);
                ui.vertical(|ui| {
                    ui.set_width(WIDTH.min(ui.available_width() - 20.0));
                    self.page(ui, view, around, &mut commands);
                });
            });
            follow_focus(ui);
        });
        commands
    }

    fn page(&mut self, ui: &mut Ui, view: &View<'_>, around: &Around<'_>, commands: &mut Vec<Command>) {
        let settings = around.settings;
        ui.label(RichText::new("Make an instrument of your takes").family(strong()).size(26.0));
        ui.add_space(4.0);
        ui.label("Finds the takes in your recordings and tells which note each one sounds.");
        ui.label("Brings them in tune, trims them, and finds loops that nobody hears.");
        ui.label("Writes 24-bit files with root key and loop in them. Your recordings are only ever read.");
        ui.add_space(14.0);
        ui.horizontal(|ui| {
            let hover = tip(ui.ctx(), "The folder that your recordings are in", Action::OpenFolder);
            if main_button(ui, "Choose folder…", true, view.theme).on_hover_text(hover).clicked() {
                commands.push(Command::Session(SessionCommand::ChooseFolder));
            }
            ui.label(soft("or drop a folder or sound files anywhere in this window", view.theme));
        });
        ui.add_space(6.0);
        path_row(ui, &mut self.path, false, commands);
        if !settings.caution_read {
            ui.add_space(14.0);
            if caution_box(ui, view) {
                commands.push(Command::Sound(SoundCommand::CautionRead));
            }
        }
        if !settings.recent.is_empty() {
            ui.add_space(16.0);
            ui.label(RichText::new("Opened lately").family(strong()));
            for path in &settings.recent {
                recent_row(ui, view, path, around.missing.contains(path), commands);
            }
        }
    }
}

/// The field for a path and its button; whether something is to be opened. `focus`: it takes the keys.
pub(super) fn path_row(ui: &mut Ui, path: &mut String, focus: bool, commands: &mut Vec<Command>) -> bool {
    const BUTTON: f32 = 70.0;
    ui.horizontal(|ui| {
        let field = TextEdit::singleline(path)
            .hint_text("or type the path of a folder, sound file or session")
            .desired_width(ui.available_width() - BUTTON - ui.spacing().item_spacing.x);
        let response = ui.add(field).accessible_name("Path");
        if focus {
            response.request_focus();
        }
        let entered = response.lost_focus() && ui.input(|i| i.key_pressed(egui::Key::Enter));
        if entered {
            // What was mistyped can be mended at once.
            response.request_focus();
        }
        let typed = path.trim();
        let pressed = ui
            .add_enabled(!typed.is_empty(), Button::new("Open").min_size(egui::vec2(BUTTON, 0.0)))
            .on_hover_text("Opens what the path names (Enter in the field)")
            .on_disabled_hover_text("Type a path first")
            .clicked();
        let wanted = (pressed || entered) && !typed.is_empty();
        if wanted {
            commands.push(open(home_path(typed)));
        }
        wanted
    })
    .inner
}

fn open(path: PathBuf) -> Command {
    Command::Session(SessionCommand::Open(vec![path]))
}

/// `~` at the start means the user's folder, as in a shell.
fn home_path(typed: &str) -> PathBuf {
    let rest = typed.strip_prefix("~/").or_else(|| (typed == "~").then_some(""));
    match (rest, directories::BaseDirs::new()) {
        (Some(rest), Some(dirs)) => dirs.home_dir().join(rest),
        _ => PathBuf::from(typed),
    }
}

/// The last part of a path: what a folder or session is called.
pub(super) fn short_name(path: &Path) -> String {
    path.file_name().map_or_else(|| path.display().to_string(), |n| n.to_string_lossy().into())
}

fn recent_row(ui: &mut Ui, view: &View<'_>, path: &Path, missing: bool, commands: &mut Vec<Command>) {
    ui.horizontal(|ui| {
        let name = short_name(path);
        let forget = format!("Forget {name}");
        let about = "Takes it off this list; nothing on the disk changes";
        if ui.small_button("Forget").accessible_name(forget).on_hover_text(about).clicked() {
            commands.push(Command::Session(SessionCommand::ForgetRecent(path.to_path_buf())));
        }
        let shown = path.display().to_string();
        let button = ui.add_enabled(!missing, Button::new(name).truncate()).on_hover_text(&shown);
        if button.on_disabled_hover_text(format!("{shown} is not there now")).clicked() {
            commands.push(open(path.to_path_buf()));
        }
        if missing {
            ui.label(soft("not there now", view.theme));
        }
        let folder = path.parent().map(|p| p.display().to_string()).unwrap_or_default();
        ui.add(egui::Label::new(soft(folder, view.theme)).truncate());
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_leading_tilde_means_home() {
        assert_eq!(home_path("/a/~/b"), Path::new("/a/~/b"));
        assert_eq!(home_path("~x"), Path::new("~x"));
        if let Some(dirs) = directories::BaseDirs::new() {
            assert_eq!(home_path("~/takes"), dirs.home_dir().join("takes"));
        }
    }
}
