//! The pitch lane: cents from the target before (thin) and after (thick), and the strength curve
//! as a band whose nodes are moved here.

use std::cell::Cell;
use std::sync::Arc;

use egui::{Button, FontId, Painter, Pos2, Rect, Role, Sense, Stroke, Ui, WidgetInfo, pos2, vec2};

use super::curve::{self, CurveSpace};
use super::gesture::step;
use super::lanes::Lane;
use super::model::{Model, Stage};
use super::nodes::{self, Bending, Line};
use super::{edits, wave};
use crate::app::command::Command;
use crate::app::derived::FromRecipe;
use crate::app::view::View;
use crate::app::widgets::drag_handle::HandleMemory;
use crate::app::widgets::pitch_lane::{self, CentsAxis, Piece, Trace, TraceValue};
use crate::app::widgets::time_axis::TimeAxis;
use crate::app::words;
use crate::dsp::tune::{Deviation, StrengthCurve};
use crate::render::chain::Rendered;
use crate::session::Edit;

const LABEL: &str = "Bend strength curve";
const ABOUT: &str = "Cents from the target: as recorded thin, as tuned thick. The line with the shaded band is the \
                     strength curve: the higher, the more of drift and vibrato is taken out there.";
/// Width of the buttons above the lane, and where there is little room.
const BUTTONS: f32 = 226.0;
const BUTTONS_NARROW: f32 = 170.0;

fn is_narrow(head: Rect) -> bool {
    head.width() < 360.0
}

/// Draws the lane.
pub fn show(
    ui: &mut Ui,
    lane: &Lane<'_, '_>,
    head: Rect,
    memory: &mut HandleMemory,
    cents_half: &mut Option<f64>,
    out: &mut Vec<Command>,
) {
    let ground = ui.interact(lane.rect, ui.scope_id().with("pitch"), Sense::CLICK | Sense::DRAG);
    let painter = lane.ground(ui, "Pitch");
    let half = cents_half.unwrap_or_else(|| pitch_lane::fitting_half(furthest(lane.model)));
    let cents = CentsAxis { rect: lane.rect.shrink2(vec2(0.0, 8.0)), half };
    strength_band(lane, &painter);
    grid(ui, lane, &painter, &cents);
    wave::dim_outside(lane, &painter);
    traces(lane, &painter, &cents);
    strength_label(lane, &painter);
    nodes(ui, lane, &painter, memory, &ground, out);
    summary(ui, lane, head, &ground);
    if !memory.dragging() {
        ground.on_hover_text(format!("{ABOUT}\n{}.", nodes::HOW));
    }
    buttons(ui, lane, head, half, cents_half, out);
}

fn curve_of<'a>(m: &Model<'a>) -> Option<&'a StrengthCurve> {
    Some(&m.recipe()?.tune.curve)
}

fn set_curve(m: &Model<'_>, curve: StrengthCurve) -> Option<Edit> {
    edits::set_tune(m, |t| t.curve = curve)
}

/// Deviation of value `i` from the target, in cents.
fn total(d: &Deviation, i: usize) -> Option<f64> {
    d.voiced.get(i).copied().unwrap_or(false).then_some(())?;
    Some(d.centre + d.drift.get(i).copied().unwrap_or(0.0) + d.vibrato.get(i).copied().unwrap_or(0.0))
}

/// What the scale must show: 95 of 100 of the values, so that a stray one does not set it.
fn furthest(m: &Model<'_>) -> f64 {
    let Some(d) = m.made.and_then(|x| x.rendered.before.as_ref()) else { return 0.0 };
    // A thousand values tell as much as all of a long take.
    let step = (d.drift.len() / 1000).max(1);
    let mut all: Vec<f64> =
        (0..d.drift.len()).step_by(step).filter_map(|i| total(d, i)).map(f64::abs).collect();
    all.sort_by(f64::total_cmp);
    all.get(all.len() * 95 / 100).copied().unwrap_or(0.0)
}

fn grid(ui: &Ui, lane: &Lane<'_, '_>, painter: &Painter, cents: &CentsAxis) {
    let t = lane.theme();
    // The target's name stands first: numbers too near to it are left out.
    let mut texts = Vec::new();
    if let Some(r) = lane.model.recipe() {
        let mut name = r.tune.target.name(lane.model.document.setup.middle_c);
        if r.tune.offset.0 != 0.0 {
            name += &format!(" {}", words::signed(r.tune.offset.0, 1));
        }
        texts.push((painter.round_to_pixel_center(cents.y(0.0)), name));
    }
    for c in cents.lines() {
        let y = painter.round_to_pixel_center(cents.y(c));
        painter.hline(lane.rect.x_range(), y, Stroke::new(1.0, t.line.gamma_multiply(0.6)));
        if (y - lane.rect.top()) > 26.0 {
            texts.push((y, words::signed(c, 0)));
        }
    }
    let y = painter.round_to_pixel_center(cents.y(0.0));
    painter.hline(lane.rect.x_range(), y, Stroke::new(1.0, t.ink_soft));
    if let Some(d) = lane.model.made.and_then(|m| m.rendered.before.as_ref()).filter(|_| cents.half > 0.0) {
        // The centre of the take as recorded: short strokes, so that it is no grid line.
        let y = painter.round_to_pixel_center(cents.y(d.centre));
        let ends = [pos2(lane.rect.left(), y), pos2(lane.rect.right(), y)];
        painter.extend(egui::Shape::dashed_line(&ends, Stroke::new(1.0, t.ink_soft), 3.0, 5.0));
    }
    lane.gutter_texts(ui, &texts);
}

/// The two lines as they were drawn last: a view that stands still works nothing out.
#[derive(Debug, Default)]
pub struct TraceCache {
    made: Option<TraceKey>,
    before: Vec<Piece>,
    after: Vec<Piece>,
}

#[derive(Debug)]
struct TraceKey {
    of: (Arc<Rendered>, Option<Arc<Deviation>>),
    axis: TimeAxis,
    cents: CentsAxis,
}

impl TraceKey {
    fn is_of(&self, made: &FromRecipe, axis: TimeAxis, cents: CentsAxis) -> bool {
        let after = match (&self.of.1, &made.after) {
            (Some(a), Some(b)) => Arc::ptr_eq(a, b),
            (None, None) => true,
            _ => false,
        };
        Arc::ptr_eq(&self.of.0, &made.rendered) && after && self.axis == axis && self.cents == cents
    }
}

fn traces(lane: &Lane<'_, '_>, painter: &Painter, cents: &CentsAxis) {
    let t = lane.theme();
    let Some(made) = lane.model.made else { return };
    let mut cache = lane.traces.borrow_mut();
    if cache.made.as_ref().is_none_or(|k| !k.is_of(made, lane.axis, *cents)) {
        let of = (Arc::clone(&made.rendered), made.after.clone());
        *cache = TraceCache {
            made: Some(TraceKey { of, axis: lane.axis, cents: *cents }),
            before: before_pieces(lane, made, cents),
            after: after_pieces(lane, made, cents),
        };
    }
    pitch_lane::paint(painter, &cache.before, t.ink_soft, 1.2);
    pitch_lane::paint(painter, &cache.after, t.ink, 2.2);
}

fn before_pieces(lane: &Lane<'_, '_>, made: &FromRecipe, cents: &CentsAxis) -> Vec<Piece> {
    let Some(d) = &made.rendered.before else { return Vec::new() };
    let track = &lane.model.sound.analysed.track;
    let first_s = lane.model.clip_s().start_s;
    let confidence = |i: usize| track.confidence.get(i).copied().unwrap_or(0.0);
    let value = |i: usize| Some(TraceValue { cents: total(d, i)?, confidence: confidence(i) });
    let trace = Trace {
        len: d.drift.len(),
        value: &value,
        index_at_s: &|s| (s - first_s) / d.hop_s,
        s_at_index: &|i| first_s + i * d.hop_s,
    };
    pitch_lane::pieces(&trace, &lane.axis, cents)
}

/// Values this near to one whose moment is known have theirs by counting on: over so few hops even
/// a strong vibrato (±50 cents, 3 % of the speed) shifts a moment by less than half a hop.
const COUNTED_ON: usize = 16;

fn after_pieces(lane: &Lane<'_, '_>, made: &FromRecipe, cents: &CentsAxis) -> Vec<Piece> {
    let Some(d) = made.after.as_deref() else { return Vec::new() };
    let m = lane.model;
    let track = &m.sound.analysed.track;
    let first_s = m.clip_s().start_s;
    let frames_a_hop = d.hop_s * m.out_rate();
    let s_at = |i: f64| m.s(m.source_of(i * frames_a_hop));
    let known: Cell<Option<(usize, f64)>> = Cell::new(None);
    let value = |i: usize| {
        let cents = total(d, i)?;
        let s = match known.get() {
            Some((k, s)) if i >= k && i - k <= COUNTED_ON => s + (i - k) as f64 * d.hop_s,
            _ => {
                let s = s_at(i as f64);
                known.set(Some((i, s)));
                s
            }
        };
        let k = ((s - first_s) / track.hop_s).round().max(0.0) as usize;
        Some(TraceValue { cents, confidence: track.confidence.get(k).copied().unwrap_or(0.0) })
    };
    let trace = Trace {
        len: d.drift.len(),
        value: &value,
        index_at_s: &|s| m.frame_of(s * m.rate()) / frames_a_hop,
        s_at_index: &s_at,
    };
    pitch_lane::pieces(&trace, &lane.axis, cents)
}

fn summary(ui: &Ui, lane: &Lane<'_, '_>, head: Rect, ground: &egui::Response) {
    let (text, short) = match lane.model.made.map(|m| m.rendered.rms_cents) {
        Some(Some((before, after))) => (
            format!("{before:.1} cents rms before (thin), {after:.1} after (thick)"),
            format!("{before:.1}, then {after:.1} cents"),
        ),
        Some(None) => ("no note was found in this take".to_owned(), "no note found".to_owned()),
        None => ("the result is not made yet".to_owned(), "not made yet".to_owned()),
    };
    // The buttons at the right keep their room.
    let room = (head.width() - if is_narrow(head) { BUTTONS_NARROW } else { BUTTONS }).max(0.0);
    let font = FontId::proportional(12.0);
    let mut job = egui::text::LayoutJob::simple_singleline(text.clone(), font.clone(), lane.theme().ink_soft);
    if ui.painter().layout_job(job.clone()).size().x > room {
        job = egui::text::LayoutJob::simple_singleline(short, font, lane.theme().ink_soft);
    }
    job.wrap = egui::text::TextWrapping::truncate_at_width(room);
    let galley = ui.painter().layout_job(job);
    let at = head.left_center() - egui::vec2(0.0, galley.size().y / 2.0);
    ui.painter().galley(at, galley, lane.theme().ink_soft);
    let text = format!("Pitch: {text}");
    ground.widget_info(|| WidgetInfo::labeled(Role::Image, true, &text));
}

fn space_parts(lane: &Lane<'_, '_>) -> (f64, f64) {
    let m = lane.model;
    let onset_s = m.s(m.onset());
    let last_s = m.recipe().map_or(onset_s, |r| m.s(r.trim.range.end.0 as f64));
    (onset_s, (last_s - onset_s).max(0.0))
}

/// The curve as it is drawn: level before its first node and after its last.
fn curve_line(lane: &Lane<'_, '_>, curve: &StrengthCurve, space: &CurveSpace<'_>) -> Vec<Pos2> {
    let (Some(first), Some(last)) = (curve.nodes.first(), curve.nodes.last()) else { return Vec::new() };
    let mut line = vec![pos2(lane.rect.left().min((space.x)(first.0)), space.y(first.1))];
    line.extend(curve.nodes.iter().map(|n| space.pos(*n)));
    line.push(pos2(lane.rect.right().max((space.x)(last.0)), space.y(last.1)));
    line
}

fn strength_band(lane: &Lane<'_, '_>, painter: &Painter) {
    let Some(curve) = curve_of(lane.model) else { return };
    let (onset_s, _) = space_parts(lane);
    let x = |t: f64| lane.axis.x_from_s(onset_s + t);
    let t_s = |x: f32| lane.axis.s_from_x(x) - onset_s;
    let space = CurveSpace { rect: lane.rect, x: &x, t_s: &t_s };
    let line = curve_line(lane, curve, &space);
    let t = lane.theme();
    painter.add(pitch_lane::ribbon(
        line.iter().map(|p| (p.x, p.y, lane.rect.bottom())),
        t.accent.gamma_multiply(0.09),
    ));
    painter.line(line, Stroke::new(1.2, t.accent));
}

/// How strong the curve is at its end, on a ground of its own: the pitch may run through here.
fn strength_label(lane: &Lane<'_, '_>, painter: &Painter) {
    let Some(last) = curve_of(lane.model).and_then(|c| c.nodes.last().copied()) else { return };
    let (onset_s, longest_s) = space_parts(lane);
    let x = |t: f64| lane.axis.x_from_s(onset_s + t);
    let t_s = |x: f32| lane.axis.s_from_x(x) - onset_s;
    let line = CurveSpace { rect: lane.rect, x: &x, t_s: &t_s }.y(last.1);
    let t = lane.theme();
    let text = format!("strength {:.0} %", last.1 * 100.0);
    let galley = painter.layout_no_wrap(text, FontId::proportional(11.0), t.accent);
    let below = line + 4.0 + galley.size().y <= lane.rect.bottom();
    let y = if below { line + 4.0 } else { line - 4.0 - galley.size().y };
    // Left of the out point, where nothing is paled.
    let right = lane.rect.right().min(lane.axis.x_from_s(onset_s + longest_s)) - 6.0;
    let words = Rect::from_min_size(pos2(right - galley.size().x, y), galley.size());
    painter.rect_filled(words.expand2(vec2(3.0, 0.0)), 2.0, t.sheet);
    painter.galley(words.min, galley, t.accent);
}

fn nodes(
    ui: &Ui,
    lane: &Lane<'_, '_>,
    painter: &Painter,
    memory: &mut HandleMemory,
    ground: &egui::Response,
    out: &mut Vec<Command>,
) {
    let m = lane.model;
    let Some(curve) = curve_of(m) else { return };
    let (onset_s, longest_s) = space_parts(lane);
    let x = |t: f64| lane.axis.x_from_s(onset_s + t);
    let t_s = |x: f32| lane.axis.s_from_x(x) - onset_s;
    let space = CurveSpace { rect: lane.rect, x: &x, t_s: &t_s };
    let id_of = |i: usize| ui.scope_id().with(("strength node", i));
    if lane.editable {
        let places: Vec<Pos2> = curve.nodes.iter().map(|n| space.pos(*n)).collect();
        let points = curve_line(lane, curve, &space);
        let line = Line { ground, points: &points, nodes: &places, id_of: &id_of };
        let made = |p: Pos2| {
            let next = curve::added(curve, t_s(p.x), space.strength(p.y), longest_s);
            let node = nodes::nearest(&next.nodes, t_s(p.x));
            (next, node)
        };
        let bent =
            |c: &StrengthCurve, i, p: Pos2| curve::moved(c, i, t_s(p.x), space.strength(p.y), longest_s);
        if let Some(bent) = line.follow(ui, memory, curve, &made, &bent) {
            bent.take(LABEL, &|c| set_curve(m, c), out);
        }
    }
    for (i, n) in curve.nodes.iter().enumerate() {
        let id = id_of(i);
        let (response, event) = curve::node(ui, id, i, *n, &space, lane.editable, memory);
        if let Some(event) = event {
            let bending = Bending {
                old: curve,
                moved: &|t, v| curve::moved(curve, i, t, v, longest_s),
                removed: &|| curve::removed(curve, i),
                set: &|c| set_curve(m, c),
                labels: (LABEL, "Remove strength node"),
            };
            bending.take(event, out);
        }
        let words = format!("{:.0} % at {:.0} ms", n.1 * 100.0, n.0 * 1000.0);
        nodes::paint(painter, lane.theme(), lane.rect, space.pos(*n), &words, &response);
    }
    let over_node =
        curve.nodes.iter().any(|n| ground.hover_pos().is_some_and(|p| (p - space.pos(*n)).length() < 10.0));
    if lane.editable
        && ground.double_clicked()
        && !over_node
        && let Some(p) = ground.interact_pointer_pos()
    {
        let next = curve::added(curve, t_s(p.x), space.strength(p.y), longest_s);
        out.extend(set_curve(m, next).map(|e| step("Add strength node", e)));
    }
}

/// A node more on the strength curve of the selected take, in the middle of its longest stretch without one: it
/// changes nothing until it is moved. None where there is no curve, or no room.
pub fn node_more(view: &View<'_>) -> Option<Command> {
    let Stage::Here(m) = Stage::of(view) else { return None };
    let (curve, recipe) = (curve_of(&m)?, m.recipe()?);
    let longest_s = m.s(recipe.trim.range.end.0 as f64) - m.s(m.onset());
    let mut ends = vec![0.0];
    ends.extend(curve.nodes.iter().map(|n| n.0).filter(|t| *t < longest_s));
    ends.push(longest_s);
    let widest = ends.windows(2).max_by(|a, b| (a[1] - a[0]).total_cmp(&(b[1] - b[0])))?;
    let t = (widest[0] + widest[1]) / 2.0;
    let next = curve::added(curve, t, curve.at(t), longest_s);
    (next != *curve).then(|| set_curve(&m, next).map(|e| step("Add strength node", e)))?
}

/// Scale and reset, above the lane at the right.
fn buttons(
    ui: &mut Ui,
    lane: &Lane<'_, '_>,
    head: Rect,
    half: f64,
    cents_half: &mut Option<f64>,
    out: &mut Vec<Command>,
) {
    let builder =
        egui::UiBuilder::new().max_rect(head).layout(egui::Layout::right_to_left(egui::Align::Center));
    ui.scope_builder(builder, |ui| {
        ui.spacing_mut().item_spacing.x = 3.0;
        let small = |text: &str| Button::new(egui::RichText::new(text).size(12.0)).small();
        for (text, name, nearer) in [("+", "Cents scale nearer", true), ("−", "Cents scale further", false)]
        {
            let next = pitch_lane::stepped_half(half, nearer);
            if ui.add_enabled(next != half, small(text)).accessible_name(name).on_hover_text(name).clicked() {
                *cents_half = Some(next);
            }
        }
        ui.label(egui::RichText::new(format!("±{half:.0} cents")).size(12.0).color(lane.theme().ink_soft));
        ui.add_space(6.0);
        let plain = StrengthCurve::default();
        let changed = curve_of(lane.model).is_some_and(|c| *c != plain);
        let text = if is_narrow(head) { "Reset" } else { "Reset strength" };
        let reset = ui.add_enabled(lane.editable && changed, small(text)).accessible_name("Reset strength");
        let tip = "The attack as it was played, everything after it flattened.\n\
                   The band shows how much of drift and vibrato is taken out where. Drag its line to bend it; \
                   double-click adds a node, Delete or a right click removes one.";
        if reset.on_hover_text(tip).on_disabled_hover_text(tip).clicked() {
            out.extend(set_curve(lane.model, plain).map(|e| step("Reset strength curve", e)));
        }
    });
}
