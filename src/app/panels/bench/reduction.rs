//! The reduction curve under the hands: how deep the room is lowered over frequency. Nodes are moved,
//! added and removed, always in order and at least one.

use egui::{
    Align2, FontId, Key, Modifiers, Pos2, Rect, Role, Sense, Shape, Stroke, Ui, WidgetInfo, pos2, vec2,
};

use super::edits;
use super::fields::Rows;
use super::gesture::step;
use super::model::Model;
use super::nodes::{self, Bending, Line, Node, NodeEvent, without};
use crate::app::theme::Theme;
use crate::app::widgets::drag_handle::HandleMemory;
use crate::app::words;
use crate::dsp::clean::ReductionCurve;
use crate::session::CleanRecipe;

const LABEL: &str = "Bend reduction curve";
/// What can be seen, in hertz and in dB.
const HZ: (f64, f64) = (30.0, 16_000.0);
const DEEPEST_DB: f64 = 60.0;
/// Neighbours stay this far apart, as a ratio: a twelfth of an octave.
const APART: f64 = 1.059_463_094_359_295_3;
const HEIGHT: f32 = 104.0;

/// The curve with node `i` wanted at `hz` and `db`, kept between its neighbours and inside what is seen.
pub fn moved(curve: &ReductionCurve, i: usize, hz: f64, db: f64) -> ReductionCurve {
    let mut next = curve.clone();
    let Some(old) = curve.nodes.get(i).copied() else { return next };
    let low = if i == 0 { HZ.0 } else { curve.nodes[i - 1].0 * APART };
    let high = curve.nodes.get(i + 1).map_or(HZ.1, |n| n.0 / APART);
    let f = if hz.is_finite() { hz.min(high).max(low) } else { old.0 };
    let d = if db.is_finite() { db.clamp(0.0, DEEPEST_DB) } else { old.1 };
    next.nodes[i] = (f, d);
    next
}

/// The curve with a node more; near another one, that one is moved instead.
pub fn added(curve: &ReductionCurve, hz: f64, db: f64) -> ReductionCurve {
    let hz = hz.clamp(HZ.0, HZ.1);
    if let Some(i) = curve.nodes.iter().position(|n| n.0 / hz < APART && hz / n.0 < APART) {
        return moved(curve, i, curve.nodes[i].0, db);
    }
    let mut next = curve.clone();
    let at = next.nodes.partition_point(|n| n.0 < hz);
    next.nodes.insert(at, (hz, db.clamp(0.0, DEEPEST_DB)));
    next
}

/// The curve without node `i`; none when it is the last one.
pub fn removed(curve: &ReductionCurve, i: usize) -> Option<ReductionCurve> {
    without(&curve.nodes, i).map(|nodes| ReductionCurve { nodes })
}

/// Frequency and reduction against points.
#[derive(Debug, Clone, Copy)]
struct Space(Rect);

impl Space {
    fn x(self, hz: f64) -> f32 {
        let part = (hz / HZ.0).ln() / (HZ.1 / HZ.0).ln();
        self.0.left() + part as f32 * self.0.width()
    }

    fn hz(self, x: f32) -> f64 {
        let part = f64::from((x - self.0.left()) / self.0.width().max(1.0));
        HZ.0 * (HZ.1 / HZ.0).powf(part)
    }

    /// Deeper lies lower.
    fn y(self, db: f64) -> f32 {
        self.0.top() + (db / DEEPEST_DB) as f32 * self.0.height()
    }

    fn db(self, y: f32) -> f64 {
        f64::from((y - self.0.top()) / self.0.height().max(1.0)) * DEEPEST_DB
    }

    fn pos(self, node: (f64, f64)) -> Pos2 {
        pos2(self.x(node.0), self.y(node.1))
    }
}

/// Draws the curve with its nodes.
pub fn show(rows: &mut Rows<'_>, m: &Model<'_>, clean: &CleanRecipe, memory: &mut HandleMemory) {
    let (enabled, t) = (rows.enabled, rows.theme);
    head(rows, m, clean);
    let ui = &mut *rows.ui;
    let (area, _) = ui.allocate_exact_size(vec2(ui.available_width(), HEIGHT), Sense::hover());
    let lane = Rect::from_min_max(area.min + vec2(26.0, 0.0), area.max - vec2(0.0, 15.0));
    let ground = ui.interact(lane, ui.scope_id().with("reduction"), Sense::CLICK | Sense::DRAG);
    let space = Space(lane.shrink2(vec2(8.0, 8.0)));
    paint(ui, t, lane, space, clean);
    ground.widget_info(|| {
        WidgetInfo::labeled(
            Role::Image,
            true,
            "Reduction curve: by how many dB the room is lowered, over frequency in Hz",
        )
    });
    let id_of = |i: usize| ui.scope_id().with(("reduction node", i));
    if enabled {
        let places: Vec<Pos2> = clean.curve.nodes.iter().map(|n| space.pos(*n)).collect();
        let points = curve_line(lane, space, &clean.curve);
        let line = Line { ground: &ground, points: &points, nodes: &places, id_of: &id_of };
        let made = |p: Pos2| {
            let next = added(&clean.curve, space.hz(p.x), space.db(p.y));
            let node = nodes::nearest(&next.nodes, space.hz(p.x));
            (next, node)
        };
        let bent = |c: &ReductionCurve, i, p: Pos2| moved(c, i, space.hz(p.x), space.db(p.y));
        if let Some(bent) = line.follow(ui, memory, &clean.curve, &made, &bent) {
            bent.take(LABEL, &|c| set(m, c), rows.out);
        }
    }
    for (i, n) in clean.curve.nodes.iter().enumerate() {
        let id = id_of(i);
        let node = Node {
            value: *n,
            pos: space.pos(*n),
            at: &|p| (space.hz(p.x), space.db(p.y)),
            wish,
            name: format!("Reduction node {}", i + 1),
            words: in_words(*n),
            told: (-1.0, -DEEPEST_DB, 0.0),
        };
        let (r, event) = node.interact(ui, id, enabled, memory);
        if let Some(event) = event {
            let bending = Bending {
                old: &clean.curve,
                moved: &|hz, db| moved(&clean.curve, i, hz, db),
                removed: &|| removed(&clean.curve, i),
                set: &|c| set(m, c),
                labels: (LABEL, "Remove reduction node"),
            };
            bending.take(event, rows.out);
        }
        nodes::paint(ui.painter(), t, lane, node.pos, &node.words, &r);
    }
    let over = |p: Pos2| clean.curve.nodes.iter().any(|n| (p - space.pos(*n)).length() < 10.0);
    if enabled
        && ground.double_clicked()
        && let Some(p) = ground.interact_pointer_pos().filter(|p| !over(*p))
    {
        let next = added(&clean.curve, space.hz(p.x), space.db(p.y));
        rows.out.extend(set(m, next).map(|e| step("Add reduction node", e)));
    }
    if !memory.dragging() {
        ground.on_hover_text(format!("By how many dB the room is lowered, over frequency.\n{}.", nodes::HOW));
    }
}

fn depth(curve: &ReductionCurve, hz: f64) -> f64 {
    curve.at(hz).min(DEEPEST_DB)
}

/// The curve as it is drawn.
fn curve_line(lane: Rect, space: Space, curve: &ReductionCurve) -> Vec<Pos2> {
    columns(lane).map(|x| pos2(x, space.y(depth(curve, space.hz(x))))).collect()
}

/// Where the curve is worked out.
fn columns(lane: Rect) -> impl Iterator<Item = f32> {
    (0..=80).map(move |i| lane.left() + lane.width() * i as f32 / 80.0)
}

fn set(m: &Model<'_>, curve: ReductionCurve) -> Option<crate::session::Edit> {
    edits::set_clean(m, |c| c.curve = curve)
}

fn head(rows: &mut Rows<'_>, m: &Model<'_>, clean: &CleanRecipe) {
    let (enabled, soft) = (rows.enabled, rows.theme.ink_soft);
    let plain = ReductionCurve::default();
    let mut reset = false;
    rows.ui.horizontal(|ui| {
        let about = "How deep the room is lowered at full amount, over frequency: deeper in the lows, where \
                     most of a room's noise lies; while a note sounds by 24 dB at most. Drag the line to bend it; \
                     double-click adds a node, Delete or a right click removes one; arrows move the one that has \
                     the focus";
        ui.label(egui::RichText::new("Reduction").color(soft)).on_hover_text(about);
        ui.with_layout(egui::Layout::right_to_left(egui::Align::Center), |ui| {
            let button = egui::Button::new(egui::RichText::new("Reset").size(12.0)).small();
            let r = ui.add_enabled(enabled && clean.curve != plain, button);
            let r = r.accessible_name("Reset reduction curve");
            reset = r.on_hover_text("The curve that cleaning begins with").clicked();
        });
    });
    if reset {
        rows.out.extend(set(m, plain).map(|e| step("Reset reduction curve", e)));
    }
}

fn paint(ui: &Ui, t: &Theme, lane: Rect, space: Space, clean: &CleanRecipe) {
    let painter = ui.painter();
    painter.rect_filled(lane, 3.0, t.paper);
    let small = FontId::proportional(11.0);
    for db in [0.0, 20.0, 40.0, 60.0] {
        let y = painter.round_to_pixel_center(space.y(db));
        painter.hline(lane.x_range(), y, Stroke::new(1.0, t.line));
        let text = if db == 0.0 { "0".to_owned() } else { format!("−{db:.0}") };
        painter.text(pos2(lane.left() - 4.0, y), Align2::RIGHT_CENTER, text, small.clone(), t.ink_soft);
    }
    for (hz, text) in [(100.0, "100 Hz"), (1_000.0, "1 kHz"), (10_000.0, "10 kHz")] {
        let x = painter.round_to_pixel_center(space.x(hz));
        painter.vline(x, lane.y_range(), Stroke::new(1.0, t.line));
        painter.text(pos2(x, lane.bottom() + 2.0), Align2::CENTER_TOP, text, small.clone(), t.ink_soft);
    }
    // What the amount and the floor leave of it, filled; the curve itself as a line.
    let done = |x: f32| depth(&clean.curve, space.hz(x)).min(clean.floor_db) * clean.amount;
    let band = columns(lane).map(|x| (x, lane.top(), space.y(done(x))));
    painter.add(crate::app::widgets::pitch_lane::ribbon(band, t.accent.gamma_multiply(0.18)));
    painter.add(Shape::line(curve_line(lane, space, &clean.curve), Stroke::new(1.4, t.accent)));
}

fn in_words((hz, db): (f64, f64)) -> String {
    // With the sign of the scale beside it: what lies higher is the greater number.
    format!("{} dB at {hz:.0} Hz", words::signed(-db, 0))
}

/// What a key asks of a node: arrows move it by a twelfth of an octave or 1 dB, with Shift by an octave
/// or 6 dB.
fn wish(key: Key, modifiers: Modifiers, (hz, db): (f64, f64)) -> Option<NodeEvent> {
    let (ratio, by) = if modifiers.shift { (2.0, 6.0) } else { (APART, 1.0) };
    Some(match key {
        Key::ArrowLeft => NodeEvent::Stepped(hz / ratio, db),
        Key::ArrowRight => NodeEvent::Stepped(hz * ratio, db),
        // Up is less deep, as it is drawn.
        Key::ArrowUp => NodeEvent::Stepped(hz, db - by),
        Key::ArrowDown => NodeEvent::Stepped(hz, db + by),
        Key::Delete | Key::Backspace => NodeEvent::Removed,
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn curve() -> ReductionCurve {
        ReductionCurve { nodes: vec![(100.0, 36.0), (1_000.0, 30.0), (8_000.0, 10.0)] }
    }

    #[test]
    fn nodes_stay_in_order_and_in_sight() {
        assert_eq!(moved(&curve(), 1, 90_000.0, 99.0).nodes[1], (8_000.0 / APART, DEEPEST_DB));
        assert_eq!(moved(&curve(), 1, 1.0, -5.0).nodes[1], (100.0 * APART, 0.0));
        assert_eq!(moved(&curve(), 0, 1.0, 20.0).nodes[0], (HZ.0, 20.0));
        assert_eq!(moved(&curve(), 1, f64::NAN, f64::NAN), curve());
        assert_eq!(moved(&curve(), 9, 500.0, 3.0), curve());
    }

    #[test]
    fn adding_and_removing() {
        let c = added(&curve(), 3_000.0, 20.0);
        assert_eq!(c.nodes[2], (3_000.0, 20.0));
        assert_eq!(added(&curve(), 1_020.0, 12.0).nodes[1], (1_000.0, 12.0), "that one moves");
        assert_eq!(removed(&c, 2), Some(curve()));
        assert_eq!(removed(&ReductionCurve { nodes: vec![(100.0, 3.0)] }, 0), None, "at least one stays");
    }

    #[test]
    fn space_goes_both_ways() {
        let s = Space(Rect::from_min_size(pos2(10.0, 20.0), vec2(240.0, 90.0)));
        for hz in [30.0, 440.0, 16_000.0] {
            // f32 points: 240 of them over 9 octaves leave some 1e-5.
            assert!((s.hz(s.x(hz)) / hz - 1.0).abs() < 1e-4);
        }
        assert!((s.db(s.y(36.0)) - 36.0).abs() < 1e-3);
    }
}
