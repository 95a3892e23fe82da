//! The loops lane: what could be looped, as arcs; a click takes one.

use egui::{Align2, CursorIcon, FontId, Role, Sense, Stroke, Ui, WidgetInfo};

use super::edits;
use super::lanes::Lane;
use crate::app::command::Command;
use crate::app::widgets::glyph;
use crate::app::widgets::loop_arcs::{self, Arc};
use crate::session::LoopRecipe;

/// Scores against heights: the best of those shown stands highest and the worst lowest, so that good
/// loops whose scores lie close together can still be told apart.
struct HeightScale {
    low: f64,
    high: f64,
}

/// Scores closer together than this count as alike.
const ALIKE: f64 = 1.0;

impl HeightScale {
    fn of(scores: impl Iterator<Item = f64>) -> Self {
        let none = Self { low: f64::INFINITY, high: f64::NEG_INFINITY };
        scores.fold(none, |s, v| Self { low: s.low.min(v), high: s.high.max(v) })
    }

    /// 0 to 100.
    fn height(&self, score: f64) -> f64 {
        100.0 - 70.0 * ((self.high - score) / (self.high - self.low).max(ALIKE)).clamp(0.0, 1.0)
    }
}

/// Draws the lane.
pub fn show(ui: &Ui, lane: &Lane<'_, '_>, out: &mut Vec<Command>) {
    let ground = ui.interact(lane.rect, ui.scope_id().with("loops"), Sense::CLICK);
    let painter = lane.ground(ui, "Loops");
    let t = lane.theme();
    let all = lane.model.suggestions();
    let shelf = lane.rect.shrink2(egui::vec2(0.0, 3.0));
    let scale =
        HeightScale::of(all.iter().map(|(_, l)| l.score).chain(lane.model.looping().map(|l| l.score)));
    let arc =
        |l: &LoopRecipe| Arc { left: lane.x(l.start), right: lane.x(l.end), score: scale.height(l.score) };
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
    if let Some(l) = lane.model.looping().filter(|l| l.locked) {
        let top = loop_arcs::top(&arc(l), shelf);
        if lane.rect.contains(top) {
            glyph::lock(&painter, top + egui::vec2(0.0, 9.0), 5.0, t.accent, t.sheet);
        }
    }
    if let Some(i) = under {
        loop_arcs::paint(&painter, &arcs[i], shelf, Stroke::new(2.4, t.ink), None);
        let l = &all[i].1;
        let text = format!(
            "{:.3} s long from {:.3} s of the delivered file, score {:.1}{}\nThe higher an arc, the better its loop among these.",
            (lane.model.frame_of(l.end) - lane.model.frame_of(l.start)) / lane.model.out_rate(),
            lane.model.frame_of(l.start) / lane.model.out_rate(),
            l.score,
            match (lane.editable, lane.model.loop_is_locked()) {
                (true, true) => format!("\n{}", edits::LOCKED),
                (true, false) => "; click to take it".into(),
                (false, _) => String::new(),
            }
        );
        if lane.editable && !lane.model.loop_is_locked() {
            ui.ctx().set_cursor_icon(CursorIcon::PointingHand);
        }
        if ground.clicked() && lane.editable {
            out.extend(edits::take_suggestion(lane.model, i));
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
    let locked = lane.model.looping().is_some_and(|l| l.locked);
    let locked = if locked { "; this take's loop is locked" } else { "" };
    let text = format!("{} loops to choose from; they are listed under Candidates{locked}", all.len());
    ground.widget_info(|| WidgetInfo::labeled(Role::Image, true, &text));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_best_stands_highest() {
        let s = HeightScale::of([98.0, 90.0, 94.0].into_iter());
        assert_eq!([98.0, 94.0, 90.0].map(|v| s.height(v)), [100.0, 65.0, 30.0]);
        // Alike: half a point apart is half of what a point makes.
        let s = HeightScale::of([98.0, 97.5].into_iter());
        assert_eq!(s.height(97.5), 65.0);
        assert_eq!(HeightScale::of([50.0].into_iter()).height(50.0), 100.0);
    }
}
