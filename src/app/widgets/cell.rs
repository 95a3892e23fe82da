//! One cell of the sheet.

use egui::{
    Align2, Color32, FontId, Id, Painter, Rect, Response, Role, Sense, Stroke, StrokeKind, Ui, WidgetInfo,
    pos2, vec2,
};

use super::glyph;
use crate::app::theme::{Theme, mix};
use crate::app::words::{score_words, seam_words, typeset};
use crate::dsp::peaks::Column;
use crate::session::{Take, TakeState};

/// How a cell stands to what is selected.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Standing {
    /// Not selected.
    #[default]
    Plain,
    /// One of several that are selected.
    Among,
    /// The take that all rooms show.
    Selected,
}

/// What a cell shows.
pub struct CellLook<'a> {
    /// Its place in words, such as `C4, layer 2`.
    pub place: &'a str,
    /// The take that counts there; none: missing.
    pub take: Option<&'a Take>,
    /// How many takes claim the place.
    pub claims: usize,
    /// The take's small wave.
    pub thumb: Option<&'a [Column]>,
    /// Whether its take is selected.
    pub standing: Standing,
    /// The filter leaves it out: it stays in its place, pale.
    pub left_out: bool,
    /// A take that is being dragged would come here.
    pub target: bool,
    /// The wide form has room for words.
    pub wide: bool,
    /// What its loop measures when it goes round, as far as that is known.
    pub audit: Option<crate::dsp::looping::SeamAudit>,
    /// Where it goes, if not to its own place: a few words, and a sentence.
    pub goes: Option<(String, String)>,
    /// It was changed since it was delivered.
    pub changed: bool,
    /// The colour of its layer.
    pub layer: Color32,
    /// Tab comes to it: of all cells to one, from which arrows lead on.
    pub stop: bool,
}

impl CellLook<'_> {
    /// Everything it shows, in words.
    pub fn words(&self) -> String {
        let left_out = if self.left_out { ", left out by the filter" } else { "" };
        let Some(take) = self.take else { return format!("{}: missing{left_out}", self.place) };
        let mut text = format!("{}: {}", self.place, take.state.word());
        if let Some(score) = take.loop_score() {
            text += &format!(", loop {score:.0}");
            if locked(take) {
                text += " locked";
            }
        }
        if let Some(c) = take.worst_concern() {
            text += &format!(", {}", c.kind.words());
        }
        if let Some((goes, _)) = &self.goes {
            text += &format!(", {goes}");
        }
        if self.claims > 1 {
            text += &format!(", {} takes here", self.claims);
        }
        if self.changed {
            text += ", changed since the delivery";
        }
        text + left_out
    }

    fn tooltip(&self) -> String {
        let mut text = self.words();
        match self.take {
            None => {
                text += "\nNobody played it, or its file is not here. Drop a sound file onto the window, or drag a take to this cell.";
            }
            Some(take) => {
                if let Some(score) = take.loop_score() {
                    text += &format!("\nLoop score {score:.0} of 100: {}", score_words(score));
                }
                if let Some(a) = &self.audit {
                    text += &format!("\nSeam: {}", seam_words(a));
                }
                for c in &take.concerns {
                    text += &format!("\n{}", typeset(&c.text));
                }
                if let Some((_, about)) = &self.goes {
                    text += &format!("\n{about}");
                }
            }
        }
        text
    }
}

fn locked(take: &Take) -> bool {
    take.recipe.as_ref().and_then(|r| r.looping).is_some_and(|l| l.locked)
}

/// Draws a cell in `rect` and makes it a button named by all it shows; `drags`: it can be taken
/// elsewhere.
pub fn cell(ui: &Ui, rect: Rect, id: Id, look: &CellLook<'_>, drags: bool, theme: &Theme) -> Response {
    let response =
        one_of_many(ui, rect, id, if drags { Sense::click_and_drag() } else { Sense::click() }, look.stop);
    paint(&ui.painter_at(rect.expand(2.0)), rect, &response, look, theme);
    let selected = look.standing != Standing::Plain;
    response.widget_info(|| WidgetInfo::selected(Role::Button, true, selected, look.words()));
    if response.dragged() { response } else { response.on_hover_text(look.tooltip()) }
}

/// Something to click of which there are many: Tab comes to one of them (`stop`) and goes on, arrows lead from
/// there to the others. What has the focus by other ways (a screen reader asks for it) keeps it.
pub fn one_of_many(ui: &Ui, rect: Rect, id: Id, sense: Sense, stop: bool) -> Response {
    let asked = ui.input(|i| i.has_accesskit_action_request(id, egui::accesskit::Action::Focus));
    if asked {
        ui.memory_mut(|m| m.request_focus(id));
    }
    let stop = stop || ui.memory(|m| m.has_focus(id));
    let response = ui.interact(rect, id, if stop { sense } else { sense - Sense::FOCUSABLE });
    if !stop {
        ui.ctx().accesskit_node_builder(id, |n| n.add_action(egui::accesskit::Action::Focus));
    }
    response
}

/// A column's heading that sorts by it, for who has it read: its name, and which way round the column that is
/// sorted by now runs.
pub fn sorts(r: &Response, column: &str, now: Option<bool>) {
    r.widget_info(|| WidgetInfo::labeled(Role::Button, true, format!("Sort by {column}")));
    r.ctx.accesskit_node_builder(r.id, |n| match now {
        Some(true) => n.set_sort_direction(egui::accesskit::SortDirection::Descending),
        Some(false) => n.set_sort_direction(egui::accesskit::SortDirection::Ascending),
        None => n.clear_sort_direction(),
    });
}

fn paint(painter: &Painter, rect: Rect, response: &Response, look: &CellLook<'_>, theme: &Theme) {
    match look.take {
        None => paint_missing(painter, rect, look, theme),
        Some(take) => paint_take(painter, rect, response, look, take, theme),
    }
    if look.target {
        painter.rect_stroke(rect, 3.0, Stroke::new(3.0, theme.accent), StrokeKind::Inside);
    }
}

fn paint_missing(painter: &Painter, rect: Rect, look: &CellLook<'_>, theme: &Theme) {
    let stroke = Stroke::new(1.0, if look.left_out { mix(theme.line, theme.paper, 0.6) } else { theme.line });
    painter.extend(egui::Shape::dashed_line(&outline(rect.shrink(0.5)), stroke, 4.0, 4.0));
    if look.wide && !look.left_out {
        let font = FontId::proportional(12.0);
        painter.text(rect.center(), Align2::CENTER_CENTER, "missing", font, theme.ink_soft);
    }
}

fn paint_take(
    painter: &Painter,
    rect: Rect,
    response: &Response,
    look: &CellLook<'_>,
    take: &Take,
    theme: &Theme,
) {
    let aside = take.state == TakeState::SetAside;
    let fill = if look.standing != Standing::Plain {
        theme.chosen()
    } else if response.hovered() {
        theme.control()
    } else if aside || look.left_out {
        theme.paper
    } else {
        theme.sheet
    };
    painter.rect_filled(rect, 3.0, fill);
    if let Some(columns) = look.thumb {
        // Its layer's colour, paled so that what is written over it stays legible.
        let strength = if look.left_out {
            0.1
        } else if aside {
            0.18
        } else {
            0.5
        };
        let area = wave_area(rect, look.wide);
        wave(painter, area, columns, mix(fill, look.layer, strength));
    }
    let edge = match (look.standing, response.hovered()) {
        (Standing::Selected, _) => Stroke::new(2.5, theme.accent),
        (Standing::Among, _) => Stroke::new(1.25, theme.accent),
        (Standing::Plain, true) => Stroke::new(1.0, theme.ink_soft),
        (Standing::Plain, false) => Stroke::new(1.0, theme.line),
    };
    painter.rect_stroke(rect, 3.0, edge, StrokeKind::Inside);
    // What is left out keeps its place, but its signs step back.
    if look.left_out {
        glyph::state(
            &painter.with_clip_rect(rect),
            rect.left_top() + vec2(12.0, 12.0),
            4.0,
            take.state,
            &pale(theme),
        );
    } else {
        signs(painter, rect, look, take, fill, theme);
    }
}

/// The theme with everything near the paper.
fn pale(theme: &Theme) -> Theme {
    let near = |c: Color32| mix(c, theme.paper, 0.65);
    Theme {
        ink: near(theme.ink),
        ink_soft: near(theme.ink_soft),
        accent: near(theme.accent),
        on_accent: theme.paper,
        ..theme.clone()
    }
}

/// Height of the line below the wave of a wide cell: what stands there never covers the wave, and the
/// wave is as large in every cell, so that takes can be compared by eye.
const FOOT: f32 = 20.0;

/// Where the wave of a cell stands.
fn wave_area(rect: Rect, wide: bool) -> Rect {
    if !wide {
        return rect.shrink2(vec2(3.0, 3.0));
    }
    let area = rect.shrink2(vec2(4.0, 4.0));
    area.with_max_y(rect.bottom() - FOOT)
}

fn signs(painter: &Painter, rect: Rect, look: &CellLook<'_>, take: &Take, fill: Color32, theme: &Theme) {
    if look.wide {
        foot(painter, rect, look, take, fill, theme);
        return;
    }
    // In a very narrow cell they stand nearer to its edges.
    let small = rect.width() < 32.0;
    let (inset, ground, radius) = if small { (6.0, 5.0, 3.6) } else { (9.0, 7.0, 4.5) };
    let sign = rect.left_top() + vec2(inset, 9.0);
    let changed = rect.right_top() + vec2(-inset, 9.0);
    painter.circle_filled(sign, ground, fill);
    if look.changed {
        painter.circle_filled(changed, ground, fill);
        glyph::changed(painter, changed, radius, theme.ink);
    }
    glyph::state(painter, sign, radius, take.state, theme);
    if take.worst_concern().is_some() || look.goes.is_some() {
        let sign = rect.right_bottom() - vec2(9.0, 8.0);
        painter.circle_filled(sign, 7.0, fill);
        glyph::concern(painter, sign, 5.0, theme.warn, fill);
    }
}

/// The line below the wave: state, how many takes, whether it was changed since it was delivered; what is
/// wrong; lock and score.
fn foot(painter: &Painter, rect: Rect, look: &CellLook<'_>, take: &Take, fill: Color32, theme: &Theme) {
    let small = FontId::proportional(12.0);
    let y = rect.bottom() - FOOT / 2.0 - 0.5;
    let (mut left, mut right) = (rect.left() + 12.0, rect.right() - 7.0);
    glyph::state(painter, pos2(left, y), 5.5, take.state, theme);
    left += 11.0;
    if look.claims > 1 {
        let text = format!("×{}", look.claims);
        left = painter.text(pos2(left, y), Align2::LEFT_CENTER, text, small.clone(), theme.ink).right() + 5.0;
    }
    if look.changed {
        glyph::changed(painter, pos2(left + 6.0, y), 5.5, theme.ink);
        left += 17.0;
    }
    if let Some(score) = take.loop_score() {
        let text = format!("{score:.0}");
        right =
            painter.text(pos2(right, y), Align2::RIGHT_CENTER, text, small.clone(), theme.ink).left() - 6.0;
        if locked(take) {
            glyph::lock(painter, pos2(right - 5.0, y), 4.5, theme.ink_soft, fill);
            right -= 16.0;
        }
    }
    // Where it goes is said before what is wrong with it.
    let goes = look.goes.as_ref().map(|(words, _)| words.as_str());
    let Some(words) = goes.or(take.worst_concern().map(|c| c.kind.words())) else { return };
    glyph::concern(painter, pos2(left + 5.0, y), 5.0, theme.warn, fill);
    left += 14.0;
    let mut galley = short(painter, words, &small, theme.ink, right - left);
    if goes.is_some() && galley.elided {
        // Where to is what counts: the last two words.
        let last = words.rmatch_indices(' ').nth(1).map_or(words, |(i, _)| &words[i + 1..]);
        galley = short(painter, last, &small, theme.ink, right - left);
    }
    painter.galley(pos2(left, y - galley.size().y / 2.0), galley, theme.ink);
}

fn short(
    painter: &Painter,
    text: &str,
    font: &FontId,
    colour: Color32,
    room: f32,
) -> std::sync::Arc<egui::Galley> {
    let mut job = egui::text::LayoutJob::simple_singleline(text.into(), font.clone(), colour);
    job.wrap = egui::text::TextWrapping::truncate_at_width(room);
    painter.layout_job(job)
}

fn outline(r: Rect) -> Vec<egui::Pos2> {
    vec![r.left_top(), r.right_top(), r.right_bottom(), r.left_bottom(), r.left_top()]
}

/// Draws a small wave: one body through the highest and lowest samples of its columns, scaled so
/// that the loudest fills the height (a small wave shows shape, not level). Each column takes in its
/// neighbours, which a period of the note would else beat against.
pub fn wave(painter: &Painter, rect: Rect, columns: &[Column], colour: Color32) {
    let loudest = columns.iter().fold(1e-4f32, |m, c| m.max(c.max.abs()).max(c.min.abs()));
    let step = rect.width() / columns.len().max(1) as f32;
    let half = rect.height() / 2.0;
    let bodies = smooth(columns).into_iter().enumerate().map(|(i, (low, high))| {
        let (top, bottom) = ((high / loudest * half).max(0.5), (low / loudest * half).min(-0.5));
        (rect.left() + (i as f32 + 0.5) * step, rect.center().y - top, rect.center().y - bottom)
    });
    painter.add(super::pitch_lane::ribbon(bodies, colour));
}

/// Lowest and highest of each column: the mean of the extremes of it with its left and with its
/// right neighbour.
fn smooth(columns: &[Column]) -> Vec<(f32, f32)> {
    let at = |i: usize| columns[i.min(columns.len() - 1)];
    let pair = |a: Column, b: Column| (a.min.min(b.min), a.max.max(b.max));
    (0..columns.len())
        .map(|i| {
            let (left, right) = (pair(at(i.saturating_sub(1)), at(i)), pair(at(i), at(i + 1)));
            ((left.0 + right.0) / 2.0, (left.1 + right.1) / 2.0)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Whatever is told of a take, its wave is as large as that of every other.
    #[test]
    fn the_wave_leaves_the_foot_free() {
        for height in [44.0, 58.0, 72.0] {
            let rect = Rect::from_min_size(pos2(3.0, 5.0), vec2(120.0, height));
            let area = wave_area(rect, true);
            assert!(rect.contains_rect(area) && area.bottom() <= rect.bottom() - FOOT, "{area:?}");
            assert!(area.height() >= height - FOOT - 5.0);
        }
    }

    /// A tone sampled by columns that are a little shorter than a period: every few columns one
    /// misses the peak. What is drawn has no such gaps.
    #[test]
    fn a_steady_tone_has_no_comb() {
        let of = |v: f32| Column { min: -v, max: v, rms: 0.0 };
        let comb: Vec<_> = (0..96).map(|i| of(if i % 7 == 3 { 0.8 } else { 1.0 })).collect();
        assert!(smooth(&comb).iter().all(|c| *c == (-1.0, 1.0)));
        // A lone peak is not lost, nor made higher.
        let lone: Vec<_> = (0..9).map(|i| of(if i == 4 { 1.0 } else { 0.0 })).collect();
        assert_eq!(
            smooth(&lone).iter().map(|c| c.1).collect::<Vec<_>>(),
            [0.0, 0.0, 0.0, 0.5, 1.0, 0.5, 0.0, 0.0, 0.0]
        );
        assert_eq!(smooth(&[]), []);
    }
}
