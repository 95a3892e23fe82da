//! Messages below the top bar: what went wrong and what to do, the caution of the first start.

use std::path::Path;

use egui::{Align, Layout, RichText, Ui};

use crate::app::command::{Command, SessionCommand, SoundCommand};
use crate::app::settings::Settings;
use crate::app::theme::strong;
use crate::app::view::View;
use crate::app::widgets::glyph;

/// The caution of the first start.
pub const CAUTION: &str = "Sound starts quiet. Begin with the volume low, above all in headphones; loud sound harms hearing. Follow local rules and the advice of hearing professionals.";

/// The messages.
#[derive(Debug, Default)]
pub struct NoticesPanel {}

impl NoticesPanel {
    /// Whether there is anything to show.
    pub fn is_needed(&self, view: &View<'_>, settings: &Settings, rescue: bool) -> bool {
        rescue || !view.notices.is_empty() || caution_here(view, settings)
    }

    /// Draws the messages.
    pub fn ui(
        &mut self,
        ui: &mut Ui,
        view: &View<'_>,
        settings: &Settings,
        rescue: Option<&Path>,
    ) -> Vec<Command> {
        let mut commands = Vec::new();
        if caution_here(view, settings) {
            let done = row(ui, view, true, CAUTION, "I have read this");
            if done {
                commands.push(Command::Sound(SoundCommand::CautionRead));
            }
        }
        if let Some(path) = rescue {
            let text = format!("{} cannot be read, but an autosave stands beside it.", path.display());
            if row(ui, view, true, &text, "Open the autosave") {
                commands.push(Command::Session(SessionCommand::OpenAutosave(path.to_path_buf())));
            }
        }
        for n in view.notices {
            ui.push_id(n.id, |ui| {
                if row(ui, view, n.is_error, &n.text, "Dismiss") {
                    commands.push(Command::Session(SessionCommand::DismissNotice(n.id)));
                }
            });
        }
        commands
    }
}

/// On the start page the caution has a place of its own.
fn caution_here(view: &View<'_>, settings: &Settings) -> bool {
    view.path.is_some() && !settings.caution_read
}

fn row(ui: &mut Ui, view: &View<'_>, sign: bool, text: &str, button: &str) -> bool {
    let mut pressed = false;
    ui.horizontal(|ui| {
        if sign {
            glyph::concern_sign(ui, view.theme);
        }
        let room = ui.available_width() - 150.0;
        ui.scope(|ui| {
            ui.set_width(room.max(100.0));
            ui.add(egui::Label::new(RichText::new(text).color(view.theme.ink)).wrap());
        });
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            pressed = ui.button(button).on_hover_text("Takes this message away").clicked();
        });
    });
    pressed
}

/// The caution with a frame of its own, for the start page; true when it was read.
pub fn caution_box(ui: &mut Ui, view: &View<'_>) -> bool {
    let mut read = false;
    egui::Frame::new()
        .fill(view.theme.sheet)
        .stroke(egui::Stroke::new(1.0, view.theme.warn))
        .corner_radius(4)
        .inner_margin(12)
        .show(ui, |ui| {
            ui.set_min_width(ui.available_width());
            ui.horizontal(|ui| {
                glyph::concern_sign(ui, view.theme);
                ui.label(RichText::new("Before you listen").family(strong()));
            });
            ui.label(CAUTION);
            ui.add_space(2.0);
            read = ui.button("I have read this").on_hover_text("Does not show again").clicked();
        });
    read
}
