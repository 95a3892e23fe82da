//! Messages, on cards over the lower left corner of the room: nothing moves when one comes or goes.

use std::path::Path;

use egui::{
    Align, Area, Color32, Frame, Id, Layout, Order, Rect, RichText, ScrollArea, Shadow, Stroke, Ui, vec2,
};

use crate::app::command::{Command, SessionCommand, SoundCommand};
use crate::app::settings::Settings;
use crate::app::theme::strong;
use crate::app::view::View;
use crate::app::widgets::glyph;

/// The caution of the first start.
pub const CAUTION: &str = "Sound starts quiet. Begin with the volume low, above all in headphones; loud sound harms hearing. Follow local rules and the advice of hearing professionals.";

/// Widest card in points.
const WIDEST: f32 = 520.0;

/// The messages.
#[derive(Debug, Default)]
pub struct NoticesPanel {
    /// The pointer is over them.
    read: bool,
    /// What they cover at the lower edge of the room, in points.
    covers: f32,
}

impl NoticesPanel {
    /// Whether somebody is reading them.
    pub fn is_read(&self) -> bool {
        self.read
    }

    /// How much of the room's lower edge they covered when last drawn, in points: what scrolls there
    /// leaves so much room below its last row.
    pub fn covers(&self) -> f32 {
        self.covers
    }

    /// Draws the messages over `room`.
    pub fn ui(
        &mut self,
        ui: &Ui,
        room: Rect,
        view: &View<'_>,
        settings: &Settings,
        rescue: Option<&Path>,
    ) -> Vec<Command> {
        let mut commands = Vec::new();
        self.read = false;
        self.covers = 0.0;
        if rescue.is_none() && view.notices.is_empty() && !caution_here(view, settings) {
            return commands;
        }
        let width = WIDEST.min(room.width() - 24.0);
        let shown = Area::new(Id::unique("notices"))
            .order(Order::Foreground)
            .pivot(egui::Align2::LEFT_BOTTOM)
            .fixed_pos(room.left_bottom() + vec2(12.0, -10.0))
            .constrain(true)
            .show(ui.ctx(), |ui| {
                ui.set_width(width);
                ScrollArea::vertical().max_height(room.height() * 0.6).show(ui, |ui| {
                    self.cards(ui, view, settings, rescue, &mut commands);
                });
            });
        self.read = shown.response.contains_pointer();
        self.covers = (room.bottom() - shown.response.rect.top()).max(0.0);
        commands
    }

    fn cards(
        &self,
        ui: &mut Ui,
        view: &View<'_>,
        settings: &Settings,
        rescue: Option<&Path>,
        commands: &mut Vec<Command>,
    ) {
        if caution_here(view, settings) && card(ui, view, true, CAUTION, ("I have read this", READ)) {
            commands.push(Command::Sound(SoundCommand::CautionRead));
        }
        if let Some(path) = rescue {
            let text = format!("{} cannot be read, but an autosave stands beside it.", path.display());
            let button = ("Open the autosave", "The session as it was saved last by itself");
            if card(ui, view, true, &text, button) {
                commands.push(Command::Session(SessionCommand::OpenAutosave(path.to_path_buf())));
            }
        }
        for n in view.notices {
            ui.push_id(n.id, |ui| {
                if card(ui, view, n.is_error, &n.text, ("Close", CLOSE)) {
                    commands.push(Command::Session(SessionCommand::DismissNotice(n.id)));
                }
            });
        }
    }
}

const READ: &str = "Does not show again";
const CLOSE: &str = "Takes this message away";

/// On the start page the caution has a place of its own.
fn caution_here(view: &View<'_>, settings: &Settings) -> bool {
    view.path.is_some() && !settings.caution_read
}

/// One message; true when its button was pressed.
fn card(ui: &mut Ui, view: &View<'_>, sign: bool, text: &str, (button, about): (&str, &str)) -> bool {
    let t = view.theme;
    let edge = if sign { t.warn } else { t.ink_soft };
    let shadow = Shadow { offset: [0, 2], blur: 8, spread: 0, color: Color32::from_black_alpha(50) };
    let frame = Frame::new().fill(t.sheet).stroke(Stroke::new(1.0, edge)).corner_radius(4);
    let mut pressed = false;
    frame.shadow(shadow).inner_margin(10).show(ui, |ui| {
        ui.set_width(ui.available_width());
        ui.horizontal_top(|ui| {
            if sign {
                glyph::concern_sign(ui, t);
            }
            ui.with_layout(Layout::right_to_left(Align::Min), |ui| {
                pressed = ui.button(button).on_hover_text(about).clicked();
                ui.with_layout(Layout::top_down(Align::Min), |ui| {
                    ui.add(egui::Label::new(RichText::new(text).color(t.ink)).wrap());
                });
            });
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
