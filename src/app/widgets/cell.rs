//! One cell of the sheet.

use egui::{
    Align2, Color32, FontId, Id, Painter, Rect, Response, Role, Sense, Stroke, StrokeKind, Ui, WidgetInfo,
    pos2, vec2,
};

use super::glyph;
use crate::app::theme::{Theme, mix};
use crate::dsp::peaks::Column;
use crate::session::{Take, TakeState};

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
    /// Whether its take is the selected one.
    pub selected: bool,
    /// The wide form has room for words.
    pub wide: bool,
    /// The colour of its layer.
    pub layer: Color32,
}

impl CellLook<'_> {
    /// Everything it shows, in words.
    pub fn words(&self) -> String {
        let Some(take) = self.take else { return format!("{}: missing", self.place) };
        let mut text = format!("{}: {}", self.place, take.state.word());
        if let Some(score) = take.loop_score() {
            text += &format!(", loop {score:.0}");
        }
        if let Some(c) = take.worst_concern() {
            text += &format!(", {}", c.kind.words());
        }
        if self.claims > 1 {
            text += &format!(", {} takes here", self.claims);
        }
        text
    }

    fn tooltip(&self) -> String {
        let mut text = self.words();
        if let Some(take) = self.take {
            for c in &take.concerns {
                text += &format!("\n{}", c.text);
            }
        }
        text
    }
}

/// Draws a cell in `rect` and makes it a button named by all it shows.
pub fn cell(ui: &Ui, rect: Rect, id: Id, look: &CellLook<'_>, theme: &Theme) -> Response {
    let response = ui.interact(rect, id, Sense::click());
    paint(&ui.painter_at(rect.expand(2.0)), rect, &response, look, theme);
    response.widget_info(|| WidgetInfo::selected(Role::Button, true, look.selected, look.words()));
    response.on_hover_text(look.tooltip())
}

fn paint(painter: &Painter, rect: Rect, response: &Response, look: &CellLook<'_>, theme: &Theme) {
    let Some(take) = look.take else {
        let stroke = Stroke::new(1.0, theme.line);
        painter.extend(egui::Shape::dashed_line(&outline(rect.shrink(0.5)), stroke, 4.0, 4.0));
        if look.wide {
            let font = FontId::proportional(12.0);
            painter.text(rect.center(), Align2::CENTER_CENTER, "missing", font, theme.ink_soft);
        }
        return;
    };
    let aside = take.state == TakeState::SetAside;
    let fill = if look.selected {
        theme.chosen()
    } else if response.hovered() {
        theme.control()
    } else if aside {
        theme.paper
    } else {
        theme.sheet
    };
    painter.rect_filled(rect, 3.0, fill);
    if let Some(columns) = look.thumb {
        let strength = if aside { 0.15 } else { 0.34 };
        let area = if look.wide { rect.shrink2(vec2(4.0, 5.0)) } else { rect.shrink2(vec2(3.0, 3.0)) };
        wave(painter, area, columns, mix(fill, theme.ink, strength));
    }
    let edge = match (look.selected || response.has_focus(), response.hovered()) {
        (true, _) => Stroke::new(2.0, theme.accent),
        (false, true) => Stroke::new(1.0, theme.ink_soft),
        (false, false) => Stroke::new(1.0, theme.line),
    };
    painter.rect_stroke(rect, 3.0, edge, StrokeKind::Inside);
    signs(painter, rect, look, take, fill, theme);
}

fn signs(painter: &Painter, rect: Rect, look: &CellLook<'_>, take: &Take, fill: Color32, theme: &Theme) {
    let small = FontId::proportional(12.0);
    if look.wide {
        // Words stand on a strip of the cell's own colour, so that the wave never runs through them.
        let sign = rect.left_top() + vec2(12.0, 12.0);
        painter.circle_filled(sign, 9.0, fill);
        glyph::state(painter, sign, 5.5, take.state, theme);
        if let Some(score) = take.loop_score() {
            let at = rect.right_top() + vec2(-7.0, 4.0);
            text_on(painter, at, Align2::RIGHT_TOP, &format!("{score:.0}"), &small, theme.ink, fill);
        }
        if let Some(c) = take.worst_concern() {
            let y = rect.bottom() - 10.0;
            let back = Rect::from_min_max(pos2(rect.left() + 2.0, y - 8.0), rect.max - vec2(2.0, 2.0));
            painter.rect_filled(back, 2.0, fill);
            glyph::concern(painter, pos2(rect.left() + 11.0, y), 5.0, theme.warn, fill);
            let room = rect.width() - 26.0;
            let galley = short(painter, c.kind.words(), &small, theme.ink, room);
            painter.galley(pos2(rect.left() + 20.0, y - galley.size().y / 2.0), galley, theme.ink);
        }
        if look.claims > 1 {
            let at = rect.left_top() + vec2(24.0, 4.0);
            text_on(painter, at, Align2::LEFT_TOP, &format!("×{}", look.claims), &small, theme.ink, fill);
        }
    } else {
        let sign = rect.left_top() + vec2(9.0, 9.0);
        painter.circle_filled(sign, 7.0, fill);
        glyph::state(painter, sign, 4.5, take.state, theme);
        if take.worst_concern().is_some() {
            let sign = rect.right_bottom() - vec2(9.0, 8.0);
            painter.circle_filled(sign, 7.0, fill);
            glyph::concern(painter, sign, 5.0, theme.warn, fill);
        }
    }
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

fn text_on(
    painter: &Painter,
    at: egui::Pos2,
    align: Align2,
    text: &str,
    font: &FontId,
    ink: Color32,
    back: Color32,
) {
    let galley = painter.layout_no_wrap(text.into(), font.clone(), ink);
    let rect = align.anchor_size(at, galley.size());
    painter.rect_filled(rect.expand2(vec2(2.0, 0.0)), 2.0, back);
    painter.galley(rect.min, galley, ink);
}

fn outline(r: Rect) -> Vec<egui::Pos2> {
    vec![r.left_top(), r.right_top(), r.right_bottom(), r.left_bottom(), r.left_top()]
}

/// Draws a small wave: one upright line a column, from its lowest to its highest sample, scaled so
/// that the loudest column fills the height (a small wave shows shape, not level).
pub fn wave(painter: &Painter, rect: Rect, columns: &[Column], colour: Color32) {
    let loudest = columns.iter().fold(1e-4f32, |m, c| m.max(c.max.abs()).max(c.min.abs()));
    let step = rect.width() / columns.len().max(1) as f32;
    let half = rect.height() / 2.0;
    for (i, c) in columns.iter().enumerate() {
        let x = rect.left() + (i as f32 + 0.5) * step;
        let (top, bottom) = (c.max / loudest * half, c.min / loudest * half);
        let y = (rect.center().y - top.max(0.4))..=(rect.center().y - bottom.min(-0.4));
        painter.vline(x, egui::Rangef::new(*y.start(), *y.end()), Stroke::new(step + 0.6, colour));
    }
}
