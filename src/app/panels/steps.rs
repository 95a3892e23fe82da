//! The undo list: every step by its name; a click goes there.

use egui::{Button, Context, Id, Key, LayerId, Modifiers, RichText, ScrollArea};

use crate::app::command::{Command, EditCommand, LookCommand};
use crate::app::theme::strong;
use crate::app::view::{Around, View};
use crate::app::widgets::control::soft;
use crate::app::widgets::dialog::{self, Arrows, dialog, heading};
use crate::app::widgets::in_sight::follow_focus;

/// The undo list.
#[derive(Debug, Default)]
pub struct StepsPanel {
    /// It was there in the pass before.
    last: u64,
    /// The steps as they were drawn, from the top.
    rows: Vec<Id>,
    /// Where they were drawn.
    layer: Option<LayerId>,
}

impl StepsPanel {
    /// Draws the list beside what is worked on; the latest step stands at the top of those that are done.
    pub fn ui(&mut self, ctx: &Context, view: &View<'_>, around: &Around<'_>) -> Vec<Command> {
        let mut out = Vec::new();
        let mut close = false;
        let now = ctx.cumulative_pass_nr();
        let fresh = now > std::mem::replace(&mut self.last, now) + 1;
        if self.layer.is_some_and(|l| dialog::is_top(ctx, l)) {
            walk(ctx, &self.rows);
        }
        let mut rows = Vec::new();
        let shown = dialog("Undo list")
            .resizable([false, true])
            .default_size([300.0, 360.0])
            .default_pos(egui::pos2(210.0, 56.0))
            .show(ctx, |ui| {
                ui.set_width(320.0);
                close = heading(ui, "Undo list", fresh && view.read_only);
                let place = around.history.place();
                let about = if place == 0 && around.history.undone_names().next().is_none() {
                    "Nothing was changed since this session was opened. The list begins anew each time: it is not kept in the session. What was changed before stands as it was left."
                } else {
                    "A click takes back or makes again all steps up to there; so do arrows and Enter."
                };
                ui.label(soft(about, view.theme));
                let mut step = |ui: &mut egui::Ui, (label, place): (&str, usize), standing: Standing| {
                    let id = step(ui, view, (label, place), standing, &mut out);
                    if fresh && standing == Standing::Now {
                        ui.memory_mut(|m| m.request_focus(id));
                    }
                    rows.push(id);
                };
                ScrollArea::vertical().auto_shrink([false, true]).max_height(420.0).show(ui, |ui| {
                    let undone: Vec<String> = around.history.undone_names().collect();
                    for (i, label) in undone.iter().enumerate().rev() {
                        step(ui, (label, place + i + 1), Standing::Undone);
                    }
                    let done: Vec<String> = around.history.names().collect();
                    for (i, label) in done.iter().enumerate().rev() {
                        let now = if i + 1 == place { Standing::Now } else { Standing::Done };
                        step(ui, (label, i + 1), now);
                    }
                    let now = if place == 0 { Standing::Now } else { Standing::Done };
                    step(ui, ("As it was opened", 0), now);
                    follow_focus(ui);
                });
            });
        (self.rows, self.layer) = (rows, shown.as_ref().map(|s| s.response.layer_id));
        let escape = shown.is_some_and(|s| {
            dialog::drawn(ctx, s.response.layer_id, Arrows::Own);
            dialog::escaped(ctx, s.response.layer_id)
        });
        if close || escape {
            out.push(Command::Look(LookCommand::Steps(false)));
        }
        out
    }
}

/// Arrows, Home and End go from step to step, while the keyboard is in this window.
fn walk(ctx: &Context, rows: &[Id]) {
    let focused = ctx.memory(|m| m.focused());
    let Some(last) = rows.len().checked_sub(1).filter(|_| !ctx.text_edit_focused()) else { return };
    let mut at = focused.and_then(|id| rows.iter().position(|r| *r == id));
    let pressed = |key| ctx.input_mut(|i| i.count_and_consume_key(Modifiers::NONE, key));
    let mut moved = false;
    let mut go = |key, to: &dyn Fn(Option<usize>) -> usize| {
        for _ in 0..pressed(key) {
            at = Some(to(at).min(last));
            moved = true;
        }
    };
    go(Key::ArrowDown, &|at| at.map_or(0, |i| i + 1));
    go(Key::ArrowUp, &|at| at.map_or(last, |i| i.saturating_sub(1)));
    go(Key::Home, &|_| 0);
    go(Key::End, &|_| last);
    if let Some(to) = at.filter(|_| moved) {
        ctx.memory_mut(|m| m.request_focus(rows[to]));
        ctx.request_repaint();
    }
}

#[derive(Clone, Copy, PartialEq)]
enum Standing {
    Done,
    Now,
    Undone,
}

/// One step; its name for the keyboard.
fn step(
    ui: &mut egui::Ui,
    view: &View<'_>,
    (label, place): (&str, usize),
    standing: Standing,
    out: &mut Vec<Command>,
) -> Id {
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
    r.id
}
