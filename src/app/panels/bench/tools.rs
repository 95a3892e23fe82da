//! The row above the lanes: hearing and zooming.

use egui::{Button, Key, Response, RichText, Ui};

use super::Zoom;
use super::model::Model;
use crate::app::command::{Command, SoundCommand};
use crate::app::view::View;
use crate::playback::message::Side;

/// Draws the row; what the user wants to see is returned, what they want to hear goes into `out`.
pub fn show(ui: &mut Ui, view: &View<'_>, model: &Model<'_>, out: &mut Vec<Command>) -> Option<Zoom> {
    let mut wish = keys(ui);
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 4.0;
        hearing(ui, view, model, out);
        ui.with_layout(egui::Layout::right_to_left(egui::Align::Center), |ui| {
            ui.spacing_mut().item_spacing.x = 4.0;
            let buttons = [
                ("All", Zoom::All, "See the whole clip (F)"),
                ("Loop", Zoom::Loop, "See the loop (Shift+F)"),
                ("+", Zoom::In, "Nearer (+, or Ctrl and the wheel at the pointer)"),
                ("–", Zoom::Out, "Further (–, or Ctrl and the wheel at the pointer)"),
            ];
            for (text, zoom, tip) in buttons {
                let enabled = zoom != Zoom::Loop || model.looping().is_some();
                let b = ui.add_enabled(enabled, Button::new(text).min_size(egui::vec2(26.0, 0.0)));
                if named(b, tip_name(zoom)).on_hover_text(tip).clicked() {
                    wish = Some(zoom);
                }
            }
            ui.label(RichText::new("See").color(view.theme.ink_soft));
        });
    });
    ui.add_space(4.0);
    wish
}

fn tip_name(zoom: Zoom) -> &'static str {
    match zoom {
        Zoom::In => "Zoom in",
        Zoom::Out => "Zoom out",
        Zoom::Loop => "See the loop",
        Zoom::All => "See all",
    }
}

fn named(r: Response, name: &str) -> Response {
    r.accessible_name(name)
}

fn hearing(ui: &mut Ui, view: &View<'_>, model: &Model<'_>, out: &mut Vec<Command>) {
    let ready = model.made.is_some();
    let looped = ready && model.looping().is_some();
    let buttons = [
        ("Play take", ready, SoundCommand::PlayTake, "From the in point, then round the loop"),
        ("Play loop", looped, SoundCommand::PlayLoop, "The loop for ever"),
        (
            "Across the seam",
            looped,
            SoundCommand::PlaySeam,
            "From a second before the loop end into the loop start",
        ),
        ("Stop", view.sound.playing.is_some(), SoundCommand::Stop, "Silence"),
    ];
    for (text, enabled, command, tip) in buttons {
        if ui.add_enabled(enabled, Button::new(text)).on_hover_text(tip).clicked() {
            out.push(Command::Sound(command));
        }
    }
    ui.add_space(10.0);
    for (text, side, tip) in [
        ("Worked", Side::Rendered, "Hear the take as it will be delivered"),
        ("Source", Side::Source, "Hear the recording as it was, lined up with the worked take"),
    ] {
        let chosen = view.sound.side == side;
        let r = ui.add_enabled(ready, Button::selectable(chosen, text)).on_hover_text(tip);
        if r.clicked() && !chosen {
            out.push(Command::Sound(SoundCommand::Listen(side)));
        }
    }
    if model.derived.updating {
        ui.add_space(8.0);
        ui.label(RichText::new("updating…").color(view.theme.ink_soft));
    }
}

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
