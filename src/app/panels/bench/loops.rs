//! The loops lane: what could be looped, as arcs; a click takes one.

use egui::{Align2, CursorIcon, FontId, Sense, Stroke, Ui};

use super::edits;
use super::gesture::step;
use super::lanes::Lane;
use crate::app::command::Command;
use crate::app::widgets::loop_arcs::{self, Arc};
use crate::session::LoopRecipe;

/// Draws the lane.
pub fn show(ui: &Ui, lane: &Lane<'_, '_>, out: &mut Vec<Command>) {
    let ground = ui.interact(lane.rect, ui.scope_id().with("loops"), Sense::CLICK);
    let painter = lane.ground(ui, "Loops");
    let t = lane.theme();
    let all = lane.model.suggestions();
    let shelf = lane.rect.shrink2(egui::vec2(0.0, 3.0));
    let arc = |l: &LoopRecipe| Arc { left: lane.x(l.start), right: lane.x(l.end), score: l.score };
    let arcs: Vec<Arc> = all.iter().map(|(_, l)| arc(l)).collect();
    let under = ground.hover_pos().and_then(|p| loop_arcs::nearest(&arcs, shelf, p, 9.0));
    for (i, a) in arcs.iter().enumerate().rev() {
        if Some(i) != under {
            loop_arcs::paint(&painter, a, shelf, Stroke::new(1.2, t.ink_soft.gamma_multiply(0.75)), None);
        }
    }
    if let Some(l) = lane.model.looping() {
        let fill = t.accent.gamma_multiply(0.12);
        loop_arcs::paint(&painter, &arc(l), shelf, Stroke::new(2.4, t.accent), Some(fill));
    }
    if let Some(i) = under {
        loop_arcs::paint(&painter, &arcs[i], shelf, Stroke::new(2.4, t.ink), None);
        let l = &all[i].1;
        let text = format!(
            "{:.3} s long from {:.3} s, score {:.0}{}",
            lane.model.s(l.end - l.start),
            lane.model.s(l.start),
            l.score,
            if lane.editable { "; click to take it" } else { "" }
        );
        if lane.editable {
            ui.ctx().set_cursor_icon(CursorIcon::PointingHand);
        }
        if ground.clicked() && lane.editable {
            out.extend(edits::take_suggestion(lane.model, i).map(|e| step("Take suggested loop", e)));
        }
        ground.clone().on_hover_text_at_pointer(text);
    }
    if all.is_empty() {
        let text = if lane.model.derived.updating || lane.model.derived.loops.is_none() {
            "Looking for loops…"
        } else {
            "No loop was found. A longer steady part, or another in and out, may give one."
        };
        painter.text(lane.rect.center(), Align2::CENTER_CENTER, text, FontId::proportional(12.0), t.ink_soft);
    }
    ui.ctx().accesskit_node_builder(ground.id, |n| {
        n.set_role(egui::accesskit::Role::Image);
        n.set_label(format!("{} loops to choose from; they are listed under Suggestions", all.len()));
    });
}
