//! The loop map: start across, end up, colour by score; what cannot be a loop is left bare.

use std::sync::Arc;

use egui::{
    Align2, Color32, ColorImage, Context, FontId, Painter, Pos2, Rect, Stroke, TextureHandle, TextureOptions,
    pos2, vec2,
};

use super::ramp;
use crate::app::theme::Theme;
use crate::dsp::looping::PairMap;

/// Left of the map: the scale of ends. Under it: that of starts.
const GUTTER: (f32, f32) = (34.0, 17.0);
/// Above the map: what the scale of ends counts.
const HEAD: f32 = 17.0;
/// Of the scores in a map so many hundredths lie under the lowest colour.
const LOWEST_SHARE: f64 = 0.2;
/// Scores closer together than this are not made to look far apart.
const LEAST_SPAN: f64 = 5.0;

/// Which scores the first and the last colour stand for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    /// Score of the first colour; those under it have it too.
    pub low: f64,
    /// Score of the last colour.
    pub high: f64,
}

impl Scale {
    /// From the score that a fifth of the cells do not reach to the best.
    pub fn of(map: &PairMap) -> Self {
        let mut all: Vec<f64> = map.scores.iter().flatten().map(|s| f64::from(*s)).collect();
        all.sort_by(f64::total_cmp);
        let high = all.last().copied().unwrap_or(100.0);
        let low = all.get((all.len() as f64 * LOWEST_SHARE) as usize).copied().unwrap_or(0.0);
        Self { low: low.min(high - LEAST_SPAN).max(0.0), high }
    }

    /// 0 to 1.
    pub fn share(&self, score: f64) -> f64 {
        ((score - self.low) / (self.high - self.low).max(1e-6)).clamp(0.0, 1.0)
    }
}

/// A map as a picture: one point a cell, ends upwards.
pub fn picture(map: &PairMap, scale: Scale, dark: bool) -> ColorImage {
    let (across, up) = (map.starts.len(), map.ends.len());
    let mut image = ColorImage::filled([across, up], Color32::TRANSPARENT);
    for row in 0..up {
        for column in 0..across {
            if let Some(score) = map.score(column, row) {
                image.pixels[(up - 1 - row) * across + column] =
                    ramp::colour(scale.share(f64::from(score)), dark);
            }
        }
    }
    image
}

/// The picture on the graphics card.
pub fn texture(ctx: &Context, map: &PairMap, scale: Scale, dark: bool) -> TextureHandle {
    ctx.load_texture("loop map", picture(map, scale, dark), TextureOptions::NEAREST)
}

/// Frames against points.
#[derive(Debug, Clone, Copy)]
pub struct Plane {
    /// Where the map itself lies.
    pub rect: Rect,
    /// First frame, and how many frames both axes span.
    pub first: f64,
    span: f64,
}

impl Plane {
    /// The map in `all`, with its scales around it.
    pub fn new(all: Rect, map: &PairMap) -> Self {
        let rect = Rect::from_min_max(
            pos2(all.left() + GUTTER.0, all.top() + HEAD),
            pos2(all.right() - 4.0, all.bottom() - GUTTER.1),
        );
        let first = map.starts.first().map_or(0.0, |f| *f as f64);
        Self { rect, first, span: span(map) }
    }

    /// Width of a cell in frames.
    pub fn cell(&self, map: &PairMap) -> f64 {
        self.span / map.starts.len().max(1) as f64
    }

    /// Where a start and an end stand.
    pub fn pos(&self, start: f64, end: f64) -> Pos2 {
        let share = |f: f64| ((f - self.first) / self.span) as f32;
        pos2(
            self.rect.left() + share(start) * self.rect.width(),
            self.rect.bottom() - share(end) * self.rect.height(),
        )
    }

    /// Start and end that stand at a point.
    pub fn frames(&self, p: Pos2) -> (f64, f64) {
        let across = f64::from((p.x - self.rect.left()) / self.rect.width()).clamp(0.0, 1.0);
        let up = f64::from((self.rect.bottom() - p.y) / self.rect.height()).clamp(0.0, 1.0);
        (self.first + across * self.span, self.first + up * self.span)
    }
}

/// Frames that both axes span: the cells are equally wide.
fn span(map: &PairMap) -> f64 {
    let n = map.starts.len();
    match (map.starts.first(), map.starts.last()) {
        (Some(a), Some(b)) if n > 1 => (b - a) as f64 * n as f64 / (n - 1) as f64,
        _ => 1.0,
    }
    .max(1.0)
}

/// The score of the cell that start and end lie in.
pub fn score_at(map: &PairMap, start: f64, end: f64) -> Option<f64> {
    let cell = |edges: &[u64], f: f64| edges.partition_point(|e| *e as f64 <= f).checked_sub(1);
    map.score(cell(&map.starts, start)?, cell(&map.ends, end)?).map(f64::from)
}

/// Draws the ground, the picture, the scales in seconds of the delivered file, and the key of colours in
/// the half that stays bare.
pub fn paint(
    painter: &Painter,
    all: Rect,
    plane: &Plane,
    texture: &TextureHandle,
    scale: Scale,
    rate: f64,
    t: &Theme,
) {
    painter.rect_filled(all, 3.0, t.paper);
    let rect = plane.rect;
    painter.rect_filled(rect, 0.0, t.sheet);
    let uv = Rect::from_min_max(pos2(0.0, 0.0), pos2(1.0, 1.0));
    painter.image(texture.id(), rect, uv, Color32::WHITE);
    painter.rect_stroke(rect, 0.0, Stroke::new(1.0, t.line), egui::StrokeKind::Outside);
    let font = FontId::proportional(10.5);
    let (from, to) = (plane.first / rate, (plane.first + plane.span) / rate);
    let step = [0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 30.0, 60.0]
        .into_iter()
        .find(|s| (to - from) / s <= 6.0)
        .unwrap_or(120.0);
    let digits = if step < 0.1 { 2 } else { usize::from(step < 1.0) };
    let low = pos2(rect.right(), rect.bottom() + 3.0);
    let starts = painter.text(low, Align2::RIGHT_TOP, "start, s", font.clone(), t.ink);
    let head = pos2(all.left() + 4.0, all.top() + 1.0);
    painter.text(head, Align2::LEFT_TOP, "end, s", font.clone(), t.ink);
    let mut at = (from / step).ceil() * step;
    while at <= to {
        let p = plane.pos(at * rate, at * rate);
        let text = format!("{at:.digits$}");
        painter.vline(p.x, rect.bottom()..=rect.bottom() + 3.0, Stroke::new(1.0, t.ink_soft));
        painter.hline(rect.left() - 3.0..=rect.left(), p.y, Stroke::new(1.0, t.ink_soft));
        let galley = painter.layout_no_wrap(text, font.clone(), t.ink_soft);
        let under = pos2(p.x - galley.size().x / 2.0, rect.bottom() + 3.0);
        if under.x + galley.size().x + 6.0 < starts.left() {
            painter.galley(under, Arc::clone(&galley), t.ink_soft);
        }
        let beside = pos2(rect.left() - 5.0 - galley.size().x, p.y - galley.size().y / 2.0);
        painter.galley(beside, galley, t.ink_soft);
        at += step;
    }
    key(painter, rect, scale, &font, t);
}

/// The key of colours, low right, where an end would lie before its start.
fn key(painter: &Painter, rect: Rect, scale: Scale, font: &FontId, t: &Theme) {
    let bar = Rect::from_min_size(rect.right_bottom() - vec2(80.0, 26.0), vec2(74.0, 7.0));
    const STEPS: usize = 37;
    for i in 0..STEPS {
        let x = |i: usize| bar.left() + bar.width() * i as f32 / STEPS as f32;
        let patch = Rect::from_x_y_ranges(x(i)..=x(i + 1), bar.y_range());
        painter.rect_filled(patch, 0.0, ramp::colour(i as f64 / (STEPS - 1) as f64, t.dark));
    }
    let y = bar.bottom() + 1.0;
    let text =
        |x: f32, align: Align2, text: String| painter.text(pos2(x, y), align, text, font.clone(), t.ink_soft);
    text(bar.left(), Align2::LEFT_TOP, format!("{:.0}", scale.low));
    text(bar.right(), Align2::RIGHT_TOP, format!("{:.0}", scale.high));
    painter.text(
        bar.center_top() - vec2(0.0, 1.0),
        Align2::CENTER_BOTTOM,
        "estimated score",
        font.clone(),
        t.ink_soft,
    );
}

/// A loop that could be taken: a small dot with a rim.
pub fn paint_candidate(painter: &Painter, at: Pos2, t: &Theme) {
    painter.circle(at, 2.6, t.ink, Stroke::new(1.0, t.sheet));
}

/// The loop that is taken: a ring; a locked one has a block in it.
pub fn paint_current(painter: &Painter, at: Pos2, locked: bool, t: &Theme) {
    painter.circle_stroke(at, 6.0, Stroke::new(4.0, t.sheet));
    painter.circle_stroke(at, 6.0, Stroke::new(2.0, t.accent));
    if locked {
        let block = Rect::from_center_size(at, vec2(5.0, 5.0));
        painter.rect(block, 0.5, t.accent, Stroke::new(1.0, t.sheet), egui::StrokeKind::Outside);
    }
}

/// The place that the arrow keys are at: a cross.
pub fn paint_cursor(painter: &Painter, at: Pos2, t: &Theme) {
    for (width, colour) in [(3.0, t.sheet), (1.5, t.ink)] {
        let stroke = Stroke::new(width, colour);
        painter.line_segment([at - vec2(8.0, 0.0), at + vec2(8.0, 0.0)], stroke);
        painter.line_segment([at - vec2(0.0, 8.0), at + vec2(0.0, 8.0)], stroke);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn map() -> PairMap {
        let axis: Vec<u64> = (0..10).map(|i| 1_000 + 100 * i).collect();
        let scores = (0..100).map(|i| (i / 10 > i % 10).then_some((i % 10 * 10) as f32)).collect();
        PairMap { starts: axis.clone(), ends: axis, scores }
    }

    #[test]
    fn places_and_points_are_inverse_and_ends_go_up() {
        let map = map();
        let plane = Plane::new(Rect::from_min_size(pos2(10.0, 20.0), vec2(300.0, 180.0)), &map);
        assert_eq!(plane.cell(&map), 100.0);
        for (start, end) in [(1_000.0, 2_000.0), (1_234.0, 1_876.0)] {
            let (s, e) = plane.frames(plane.pos(start, end));
            // Single precision over a thousand frames.
            assert!((s - start).abs() < 0.01 && (e - end).abs() < 0.01, "{s} {e}");
        }
        assert!(plane.pos(1_000.0, 1_900.0).y < plane.pos(1_000.0, 1_100.0).y);
        assert_eq!(score_at(&map, 1_250.0, 1_950.0), Some(20.0));
        assert_eq!(score_at(&map, 1_950.0, 1_250.0), None, "an end before its start");
        assert_eq!(score_at(&map, 900.0, 1_250.0), None);
    }

    #[test]
    fn the_picture_has_ends_upwards_and_bare_where_no_loop_is() {
        let map = map();
        let scale = Scale::of(&map);
        assert_eq!(scale.high, 80.0);
        let image = picture(&map, scale, true);
        // Start in the third column, end in the top row.
        assert_eq!(image.pixels[2], ramp::colour(scale.share(20.0), true));
        assert_eq!(image.pixels[9 * 10 + 5], Color32::TRANSPARENT);
    }
}
