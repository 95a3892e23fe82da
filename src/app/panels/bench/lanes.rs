//! The lanes over their one time axis: where each lies, what is seen of the clip, wheel and pinch.

use std::cell::RefCell;

use egui::{Align2, FontId, Painter, Rect, Stroke, Ui, pos2};

use super::model::Model;
use super::pitch::TraceCache;
use super::{BenchPanel, Zoom, empty, gain_lane, loops, overview, pitch, room_lane, wave};
use crate::app::command::Command;
use crate::app::theme::Theme;
use crate::app::view::View;
use crate::app::widgets::time_axis::{TimeAxis, TimeRange};
use crate::app::widgets::wave_view::ColumnCache;

/// Left of every lane: its name and scale.
pub const GUTTER: f32 = 52.0;
const FILE: f32 = 26.0;
const RULER: f32 = 20.0;
const PITCH_HEAD: f32 = 24.0;
const GAP: f32 = 6.0;

/// What every lane is given.
pub struct Lane<'a, 'v> {
    /// The view.
    pub view: &'a View<'v>,
    /// The take.
    pub model: &'a Model<'v>,
    /// Seconds against points.
    pub axis: TimeAxis,
    /// Where it lies, without the gutter.
    pub rect: Rect,
    /// Whether anything may be changed.
    pub editable: bool,
    /// Columns of waves drawn lately.
    pub columns: &'a RefCell<ColumnCache>,
    /// Pitch lines drawn lately.
    pub traces: &'a RefCell<TraceCache>,
}

impl<'a> Lane<'a, '_> {
    /// The colours.
    pub fn theme(&self) -> &'a Theme {
        self.view.theme
    }

    /// x of a source position.
    pub fn x(&self, source: f64) -> f32 {
        self.axis.x_from_s(self.model.s(source))
    }

    /// Source position of an x.
    pub fn source_at(&self, x: f32) -> f64 {
        self.axis.s_from_x(x) * self.model.rate()
    }

    /// The lane's ground, with its name in the gutter.
    pub fn ground(&self, ui: &Ui, name: &str) -> Painter {
        let t = self.theme();
        ui.painter().rect_filled(self.rect, 3.0, t.sheet);
        ui.painter().text(
            pos2(self.rect.left() - 8.0, self.rect.top() + 2.0),
            Align2::RIGHT_TOP,
            name,
            FontId::proportional(11.0),
            t.ink_soft,
        );
        ui.painter_at(self.rect)
    }

    /// A small text in the gutter at height `y`.
    pub fn gutter_text(&self, ui: &Ui, y: f32, text: &str) {
        let at = pos2(self.rect.left() - 8.0, y);
        ui.painter().text(at, Align2::RIGHT_CENTER, text, FontId::proportional(11.0), self.theme().ink_soft);
    }

    /// Several of them, but for those that would run into one before them.
    pub fn gutter_texts(&self, ui: &Ui, texts: &[(f32, String)]) {
        for y in kept_apart(texts.iter().map(|(y, _)| *y)) {
            let text = texts.iter().find(|(at, _)| *at == y);
            text.iter().for_each(|(at, text)| self.gutter_text(ui, *at, text));
        }
    }
}

/// A line of the gutter's writing, in points.
const GUTTER_LINE: f32 = 14.0;

/// Those of these heights at which a line of writing does not run into one at a height before it.
fn kept_apart(heights: impl Iterator<Item = f32>) -> Vec<f32> {
    let mut kept: Vec<f32> = Vec::new();
    for y in heights {
        if kept.iter().all(|k| (k - y).abs() >= GUTTER_LINE) {
            kept.push(y);
        }
    }
    kept
}

/// Shortest stretch that can be seen: a few frames.
fn shortest_s(model: &Model<'_>) -> f64 {
    24.0 / model.rate()
}

/// What a zoom wish makes of what is seen.
pub fn zoomed(now: TimeRange, wish: Zoom, model: &Model<'_>) -> TimeRange {
    let limits = model.clip_s();
    let middle = (now.start_s + now.end_s) / 2.0;
    match wish {
        Zoom::In => now.zoomed(2.0, middle, limits, shortest_s(model)),
        Zoom::Out => now.zoomed(0.5, middle, limits, shortest_s(model)),
        Zoom::All => limits,
        Zoom::Loop => model.looping().map_or(now, |l| {
            TimeRange::new(model.s(l.start), model.s(l.end)).widened(0.1).clamped(limits, shortest_s(model))
        }),
    }
}

struct Places {
    file: Rect,
    overview: Rect,
    ruler: Rect,
    wave: Rect,
    /// Under the wave; without height while it does not show.
    gain: Rect,
    pitch_head: Rect,
    pitch: Rect,
    loops: Rect,
}

/// The least height in which no lane is cut off; `gain`: whether its lane shows.
pub fn least_height(gain: bool) -> f32 {
    if gain { 384.0 } else { 324.0 }
}

/// The lanes from top to bottom; the wave gets what the others leave. `gain`: whether its lane shows.
fn places(all: Rect, gain: bool) -> Places {
    let left = all.left() + GUTTER;
    let overview_h = (all.height() * 0.09).clamp(40.0, 72.0);
    let rest = (all.height() - FILE - overview_h - RULER - PITCH_HEAD - 3.0 * GAP).max(120.0);
    let (pitch_h, loops_h) = ((rest * 0.3).max(70.0), (rest * 0.17).max(44.0));
    let row = |top: f32, h: f32| Rect::from_min_max(pos2(left, top), pos2(all.right(), top + h));
    // The picture takes some of every lane.
    let gain_h = if gain { (rest * 0.24).max(64.0) } else { 0.0 };
    let gap = if gain { GAP } else { 0.0 };
    let rest = rest - gain_h - gap;
    let (pitch_h, loops_h) =
        if gain { ((rest * 0.3).max(60.0), (rest * 0.17).max(40.0)) } else { (pitch_h, loops_h) };
    let file = row(all.top(), FILE);
    let overview = row(file.bottom() + GAP, overview_h);
    let ruler = row(overview.bottom() + GAP, RULER);
    let wave = row(ruler.bottom(), (rest - pitch_h - loops_h).max(80.0));
    let gain = row(wave.bottom() + gap, gain_h);
    let pitch_head = row(gain.bottom(), PITCH_HEAD);
    let pitch = row(pitch_head.bottom(), pitch_h);
    let loops = row(pitch.bottom() + GAP, loops_h);
    Places { file, overview, ruler, wave, gain, pitch_head, pitch, loops }
}

/// Draws all lanes in the rest of `ui`.
pub fn show(
    bench: &mut BenchPanel,
    ui: &mut Ui,
    view: &View<'_>,
    model: &Model<'_>,
    wish: Option<Zoom>,
    out: &mut Vec<Command>,
) {
    let all = ui.available_rect_before_wrap();
    ui.advance_cursor_after_rect(all);
    let limits = model.clip_s();
    let mut seen = bench.visible.unwrap_or(limits).clamped(limits, shortest_s(model));
    if let Some(wish) = wish {
        seen = zoomed(seen, wish, model);
    }
    let p = places(all, bench.cleaner.picture);
    let lanes = p.overview.union(p.loops);
    seen = wheel(ui, lanes, TimeAxis::new(seen, p.wave.left(), p.wave.right()), limits, shortest_s(model));
    let editable = !view.read_only && model.recipe().is_some();
    let lane = |rect: Rect, seen: TimeRange| Lane {
        view,
        model,
        axis: TimeAxis::new(seen, rect.left(), rect.right()),
        rect,
        editable,
        columns: &bench.columns,
        traces: &bench.traces,
    };
    let seconds = TimeRange::new(0.0, model.s(model.source.frames as f64));
    room_lane::show(ui, &lane(p.file, seconds), &mut bench.handles, out);
    seen = overview::show(ui, &lane(p.overview, limits), seen, shortest_s(model));
    ruler(ui, &lane(p.ruler, seen));
    let tab = bench.handles.tab_from(ui, p.overview.union(p.wave));
    seen = wave::show(ui, &lane(p.wave, seen), &mut bench.handles, tab, out);
    bench.visible = Some(seen);
    if bench.cleaner.picture {
        gain_lane::show(ui, &lane(p.gain, seen), &mut bench.picture);
    }
    if model.recipe().is_some() {
        let memory = &mut bench.handles;
        pitch::show(ui, &lane(p.pitch, seen), p.pitch_head, memory, &mut bench.cents_half, out);
        loops::show(ui, &lane(p.loops, seen), out);
    } else {
        empty::no_recipe(ui, view, model, p.pitch.union(p.loops), out);
    }
}

/// Wheel and pinch over the lanes: scrolls in time, zooms around the pointer.
fn wheel(ui: &Ui, lanes: Rect, axis: TimeAxis, limits: TimeRange, shortest: f64) -> TimeRange {
    let Some(pointer) = ui.input(|i| i.pointer.hover_pos()).filter(|p| lanes.contains(*p)) else {
        return axis.visible;
    };
    if !ui.rect_contains_pointer(lanes) {
        return axis.visible;
    }
    let (zoom, scroll) = ui.input(|i| (f64::from(i.zoom_delta()), i.smooth_scroll_delta()));
    let mut seen = axis.visible;
    if zoom != 1.0 {
        seen = seen.zoomed(zoom, axis.s_from_x(pointer.x), limits, shortest);
    }
    let by = f64::from(scroll.x + scroll.y);
    if by != 0.0 {
        seen = seen.scrolled(-by / axis.points_per_s(), limits);
    }
    seen
}

/// Moments of the source file; its name in the gutter says so.
fn ruler(ui: &Ui, lane: &Lane<'_, '_>) {
    let t = lane.theme();
    let name = ui.interact(
        Rect::from_min_max(pos2(lane.rect.left() - GUTTER, lane.rect.top()), lane.rect.left_bottom()),
        ui.scope_id().with("ruler"),
        egui::Sense::hover(),
    );
    lane.gutter_text(ui, lane.rect.bottom() - 9.0, "Source");
    name.widget_info(|| {
        let seen = lane.axis.visible;
        let text = format!("Source seconds {:.3} to {:.3}", seen.start_s, seen.end_s);
        egui::WidgetInfo::labeled(egui::Role::Label, true, text)
    });
    name.on_hover_text(
        "The ruler counts seconds of the source file as it was recorded. The fields of the loop count in \
         the delivered file, which begins at the in point and is tuned.",
    );
    let painter = ui.painter_at(lane.rect.expand2(egui::vec2(24.0, 0.0)));
    for tick in lane.axis.ticks(90.0) {
        let x = painter.round_to_pixel_center(lane.axis.x_from_s(tick.at_s));
        let height = if tick.label.is_some() { 6.0 } else { 3.0 };
        painter.vline(x, lane.rect.bottom() - height..=lane.rect.bottom(), Stroke::new(1.0, t.line));
        if let Some(text) = tick.label {
            let at = pos2(x, lane.rect.bottom() - 7.0);
            let near_end = x > lane.rect.right() - 24.0;
            let align = if near_end { Align2::RIGHT_BOTTOM } else { Align2::CENTER_BOTTOM };
            painter.text(at, align, text, FontId::proportional(11.0), t.ink_soft);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_of_a_scale_that_would_run_together_are_left_out() {
        assert_eq!(kept_apart([100.0, 106.0, 120.0].into_iter()), [100.0, 120.0]);
        assert_eq!(kept_apart([80.0, 100.0, 66.0].into_iter()), [80.0, 100.0, 66.0]);
    }

    #[test]
    fn lanes_do_not_overlap_and_fill_the_room() {
        for (w, h) in [(900.0, 560.0), (1560.0, 900.0), (500.0, 420.0), (240.0, 0.0_f32)] {
            for gain in [false, true] {
                let all = Rect::from_min_size(pos2(10.0, 20.0), egui::vec2(w, h.max(least_height(gain))));
                let p = places(all, gain);
                let rows = [p.file, p.overview, p.ruler, p.wave, p.gain, p.pitch_head, p.pitch, p.loops];
                for r in rows.windows(2) {
                    assert!(r[0].bottom() <= r[1].top());
                }
                assert!((p.loops.bottom() - all.bottom()).abs() < 0.5, "{w}×{h}: {}", p.loops.bottom());
                assert!(rows.iter().all(|r| r.right() == all.right() && r.left() == all.left() + GUTTER));
                assert!(p.wave.height() > p.pitch.height());
                assert_eq!(p.gain.height() > 0.0, gain);
            }
        }
    }
}
