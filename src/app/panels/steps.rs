//! The undo list: every step by its name; a click goes there.

use egui::{Button, Context, RichText, ScrollArea};

use crate::app::command::{Command, EditCommand, LookCommand};
use crate::app::theme::strong;
use crate::app::view::{Around, View};
use crate::app::widgets::control::soft;
use crate::app::widgets::dialog::{dialog, heading};
use crate::app::widgets::in_sight::follow_focus;

/// The undo list.
#[derive(Debug, Default)]
pub struct StepsPanel {}

impl StepsPanel {
    /// Draws the list beside what is worked on; the latest step stands at the top of those that are done.
    pub fn ui(&mut self, ctx: &Context, view: &View<'_>, around: &Around<'_>) -> Vec<Command> {
        let mut out = Vec::new();
        let mut close = false;
        dialog("Undo list")
            .resizable([false, true])
            .default_size([300.0, 360.0])
            .default_pos(egui::pos2(210.0, 56.0))
            .show(ctx, |ui| {
                ui.set_width(320.0);
                close = heading(ui, "Undo list");
                let place = around.history.place();
                let about = if place == 0 && around.history.undone_names().next().is_none() {
                    "Nothing was changed since this session was opened. The list begins anew each time: it is not kept in the session. What was changed before stands as it was left."
                } else {
                    "A click takes back or makes again all steps up to there."
                };
                ui.label(soft(about, view.theme));
                ScrollArea::vertical().auto_shrink([false, true]).max_height(420.0).show(ui, |ui| {
                    let undone: Vec<String> = around.history.undone_names().collect();
                    for (i, label) in undone.iter().enumerate().rev() {
                        step(ui, view, (label, place + i + 1), Standing::Undone, &mut out);
                    }
                    let done: Vec<String> = around.history.names().collect();
                    for (i, label) in done.iter().enumerate().rev() {
                        let now = if i + 1 == place { Standing::Now } else { Standing::Done };
                        step(ui, view, (label, i + 1), now, &mut out);
                    }
                    let now = if place == 0 { Standing::Now } else { Standing::Done };
                    step(ui, view, ("As it was opened", 0), now, &mut out);
                    follow_focus(ui);
                });
            });
        let escape = ctx.input(|i| i.key_pressed(egui::Key::Escape));
        if close || escape {
            out.push(Command::Look(LookCommand::Steps(false)));
        }
        out
    }
}

#[derive(Clone, Copy, PartialEq)]
enum Standing {
    Done,
    Now,
    Undone,
}

fn step(
    ui: &mut egui::Ui,
    view: &View<'_>,
    (label, place): (&str, usize),
    standing: Standing,
    out: &mut Vec<Command>,
) {
    let (text, words) = match standing {
        Standing::Done => (RichText::new(label), "done"),
        Standing::Now => (RichText::new(format!("{label} (now)")).family(strong()), "now"),
        Standing::Undone => (RichText::new(format!("{label} (undone)")).color(view.theme.ink_soft), "undone"),
    };
    let button = Button::selectable(standing == Standing::Now, text).truncate();
    let width = ui.available_width();
    let r = ui.add_enabled(!view.read_only, button.min_size(egui::vec2(width, 0.0)));
    let r = r.accessible_name(format!("Step {place}: {label}, {words}")).on_hover_text(label);
    if r.clicked() && standing != Standing::Now {
        out.push(Command::Edit(EditCommand::GoTo(place)));
    }
}
