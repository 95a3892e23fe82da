//! The row above the lanes: hearing and zooming.

use egui::{Button, Key, RichText, Ui};

use super::Zoom;
use super::model::Model;
use crate::app::command::Command;
use crate::app::panels::hearing;
use crate::app::view::View;

/// Hearing and zooming stand in one row from this width on.
const ONE_ROW: f32 = 560.0;

/// Draws the row; what the user wants to see is returned, what they want to hear goes into `out`.
pub fn show(ui: &mut Ui, view: &View<'_>, model: &Model<'_>, out: &mut Vec<Command>) -> Option<Zoom> {
    let mut wish = keys(ui);
    if ui.available_width() < ONE_ROW {
        // In a narrow window one group below the other, from the left.
        ui.horizontal_wrapped(|ui| {
            ui.spacing_mut().item_spacing.x = 4.0;
            // So that what is heard stands in one line, and zooming in the next.
            ui.spacing_mut().button_padding.x = 5.0;
            hearing::buttons(ui, view, model.take, out);
            ui.end_row();
            zooming(ui, view, model, true, &mut wish);
        });
    } else {
        ui.horizontal(|ui| {
            ui.spacing_mut().item_spacing.x = 4.0;
            hearing::buttons(ui, view, model.take, out);
            ui.with_layout(egui::Layout::right_to_left(egui::Align::Center), |ui| {
                ui.spacing_mut().item_spacing.x = 4.0;
                zooming(ui, view, model, false, &mut wish);
            });
        });
    }
    ui.add_space(6.0);
    wish
}

/// Buttons for zooming, in the order in which the row runs.
fn zooming(ui: &mut Ui, view: &View<'_>, model: &Model<'_>, from_left: bool, wish: &mut Option<Zoom>) {
    let looped = model.looping().is_some();
    let mut buttons = [
        ("Fit take", "Fit take", Zoom::All, "The whole take with a little around it (F)"),
        ("Fit loop", "Fit loop", Zoom::Loop, "The loop with a little around it (Shift+F)"),
        ("+", "Zoom in", Zoom::In, "Nearer (+, or Ctrl and the wheel at the pointer)"),
        ("−", "Zoom out", Zoom::Out, "Further (−, or Ctrl and the wheel at the pointer)"),
    ];
    if from_left {
        buttons.reverse();
    }
    for (text, name, zoom, tip) in buttons {
        let button = Button::new(text).min_size(egui::vec2(28.0, 0.0));
        let r = ui.add_enabled(zoom != Zoom::Loop || looped, button).accessible_name(name);
        if r.on_hover_text(tip).on_disabled_hover_text("This take has no loop to look at").clicked() {
            *wish = Some(zoom);
        }
    }
    if !from_left {
        ui.label(RichText::new("Zoom").color(view.theme.ink_soft));
    }
    // Only where it does not run into what stands on the other side.
    if model.derived.updating && ui.available_width() > UPDATING_WIDTH {
        ui.add_space(8.0);
        ui.label(RichText::new("updating…").color(view.theme.ink_soft))
            .on_hover_text("The result is being made anew; the old one shows until then");
    }
}

/// Room that the word for it takes, with what keeps it off its neighbour.
const UPDATING_WIDTH: f32 = 100.0;

/// Keys for zooming; not while something is typed.
fn keys(ui: &Ui) -> Option<Zoom> {
    if ui.ctx().text_edit_focused() {
        return None;
    }
    ui.input_mut(|i| {
        let mut wish = None;
        i.events.retain(|e| {
            let egui::Event::Key { key, pressed: true, modifiers, .. } = e else { return true };
            if modifiers.command || modifiers.alt {
                return true;
            }
            let zoom = match key {
                Key::Plus | Key::Equals => Zoom::In,
                Key::Minus => Zoom::Out,
                Key::F if modifiers.shift => Zoom::Loop,
                Key::F => Zoom::All,
                _ => return true,
            };
            wish = Some(zoom);
            false
        });
        wish
    })
}
