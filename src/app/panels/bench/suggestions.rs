//! Loops to choose from as a list: a click takes one, Up and Down go through them.

use egui::{
    Align2, Event, EventFilter, FontId, Id, Key, Rect, Sense, Stroke, StrokeKind, Ui, WidgetInfo, vec2,
};

use super::model::Model;
use super::{edits, score};
use crate::app::command::Command;
use crate::app::view::View;

const ROW: f32 = 22.0;
const HEAD: f32 = 15.0;
/// Rows that are seen at once.
const SEEN: f32 = 7.0;

/// Draws the list.
pub fn show(ui: &mut Ui, view: &View<'_>, model: &Model<'_>, out: &mut Vec<Command>) {
    // As high whatever there is to choose from, so that nothing below moves when it is found.
    let size = vec2(ui.available_width(), HEAD + ui.spacing().item_spacing.y + SEEN * ROW);
    ui.allocate_ui_with_layout(size, egui::Layout::top_down(egui::Align::Min), |ui| {
        ui.set_min_size(size);
        let all = model.suggestions();
        if all.is_empty() {
            let text =
                if model.derived.loops.is_none() { "Looking for loops…" } else { "No loop was found." };
            ui.label(egui::RichText::new(text).color(view.theme.ink_soft));
        } else {
            head(ui, view);
            list(ui, view, model, out);
        }
    });
}

fn list(ui: &mut Ui, view: &View<'_>, model: &Model<'_>, out: &mut Vec<Command>) {
    let all = model.suggestions();
    let chosen = model.chosen_suggestion();
    let mut wanted = None;
    let base = ui.scope_id();
    let area = egui::ScrollArea::vertical().max_height(SEEN * ROW).min_scrolled_height(SEEN * ROW);
    area.id_salt("suggestions").auto_shrink([false, true]).show(ui, |ui| {
        ui.spacing_mut().item_spacing.y = 0.0;
        for i in 0..all.len() {
            if row(ui, view, model, base, i, chosen == Some(i)) {
                wanted = Some(i);
            }
            if let Some(next) = walk(ui, id_of(base, i), i, all.len(), !view.read_only) {
                ui.memory_mut(|m| m.request_focus(id_of(base, next)));
                wanted = Some(next);
            }
        }
    });
    if let Some(i) = wanted.filter(|_| !view.read_only) {
        out.extend(edits::take_suggestion(model, i));
    }
}

fn id_of(base: Id, i: usize) -> Id {
    base.with(("suggestion", i))
}

fn columns(rect: Rect) -> [f32; 3] {
    [rect.left() + 78.0, rect.left() + 148.0, rect.right() - 6.0]
}

fn head(ui: &mut Ui, view: &View<'_>) {
    let (rect, _) = ui.allocate_exact_size(vec2(ui.available_width(), HEAD), Sense::hover());
    for (x, text) in columns(rect).into_iter().zip(["start", "length", "score"]) {
        let at = egui::pos2(x, rect.center().y);
        ui.painter().text(at, Align2::RIGHT_CENTER, text, FontId::proportional(10.5), view.theme.ink_soft);
    }
}

/// Draws a row; whether it was clicked.
fn row(ui: &mut Ui, view: &View<'_>, model: &Model<'_>, base: Id, i: usize, chosen: bool) -> bool {
    let t = view.theme;
    let (_, l) = &model.suggestions()[i];
    let (rect, _) = ui.allocate_exact_size(vec2(ui.available_width(), ROW), Sense::hover());
    let enabled = !view.read_only;
    let sense = if enabled { Sense::click() } else { Sense::focusable_noninteractive() };
    let r = ui.interact(rect, id_of(base, i), sense);
    let start = model.frame_of(l.start) / model.out_rate();
    let length = (model.frame_of(l.end) - model.frame_of(l.start)) / model.out_rate();
    if chosen {
        ui.painter().rect_filled(rect, 3.0, t.accent.gamma_multiply(0.18));
        let mark = Rect::from_min_size(rect.min, vec2(3.0, rect.height()));
        ui.painter().rect_filled(mark, 1.0, t.accent);
    } else if r.hovered() {
        ui.painter().rect_filled(rect, 3.0, t.line.gamma_multiply(0.4));
    }
    if r.gained_focus() {
        r.scroll_to_me(None);
    }
    if r.has_focus() {
        ui.painter().rect_stroke(rect, 3.0, Stroke::new(1.5, t.ink), StrokeKind::Inside);
    }
    let y = rect.center().y;
    let font = FontId::proportional(12.5);
    let number = egui::pos2(rect.left() + 10.0, y);
    ui.painter().text(number, Align2::LEFT_CENTER, format!("{}", i + 1), font.clone(), t.ink_soft);
    let cells = [format!("{start:.3} s"), format!("{length:.3} s"), format!("{:.0}", l.score)];
    for (x, text) in columns(rect).into_iter().zip(cells) {
        ui.painter().text(egui::pos2(x, y), Align2::RIGHT_CENTER, text, font.clone(), t.ink);
    }
    let bar = Rect::from_x_y_ranges(rect.left() + 160.0..=rect.right() - 36.0, y - 2.5..=y + 2.5);
    score::paint_bar(ui, bar, l.score, t, if chosen { t.accent } else { t.ink_soft });
    let name = format!("Loop {}: start {start:.3} s, length {length:.3} s, score {:.0}", i + 1, l.score);
    r.widget_info(|| WidgetInfo::selected(egui::accesskit::Role::Button, enabled, chosen, &name));
    let clicked = r.clicked();
    if clicked {
        r.request_focus();
    }
    if model.loop_is_locked() {
        r.on_hover_text(edits::LOCKED);
    }
    clicked
}

/// Up and Down in a row that has the focus: the row wanted.
fn walk(ui: &Ui, id: Id, i: usize, count: usize, enabled: bool) -> Option<usize> {
    if !enabled || !ui.memory(|m| m.has_focus(id)) {
        return None;
    }
    let filter = EventFilter { vertical_arrows: true, ..Default::default() };
    ui.memory_mut(|m| m.set_focus_lock_filter(id, filter));
    let mut next = i;
    ui.input_mut(|input| {
        input.events.retain(|e| {
            let Event::Key { key, pressed: true, modifiers, .. } = e else { return true };
            if modifiers.any() {
                return true;
            }
            match key {
                Key::ArrowDown => next = (next + 1).min(count - 1),
                Key::ArrowUp => next = next.saturating_sub(1),
                _ => return true,
            }
            false
        });
    });
    (next != i).then_some(next)
}
