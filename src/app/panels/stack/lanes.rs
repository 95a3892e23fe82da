//! The lanes: one a layer, its loop unrolled over time, seams as ticks, what comes near what marked.

use std::collections::HashMap;
use std::sync::Arc;

use egui::epaint::{Mesh, Vertex, WHITE_UV};
use egui::{
    Align, Align2, Color32, FontId, Layout, Painter, Rect, Role, Sense, Shape, Stroke, Ui, UiBuilder,
    WidgetInfo, pos2, vec2,
};

use super::model::{Lane, Missing, Stack, Together};
use super::{NEAREST_S, layer};
use crate::app::command::{Command, StackCommand, WorkCommand};
use crate::app::theme::{Theme, mix};
use crate::app::view::View;
use crate::app::widgets::control::{READ_ONLY, soft};
use crate::app::widgets::in_sight::follow_focus;
use crate::app::widgets::time_axis::{TimeAxis, TimeRange};
use crate::render::apart::moment;
use crate::session::TakeId;

/// Width of what is set for a layer.
const HEAD: f32 = 184.0;
const RULER: f32 = 22.0;
const LOWEST: f32 = 64.0;
const HIGHEST: f32 = 190.0;
const GAP: f32 = 6.0;
/// Frames of a bucket of the envelope.
const BUCKET: usize = 256;
/// Joins closer than this on the screen are not drawn one by one.
const JOINS_APART: f32 = 4.0;

/// What is drawn.
pub struct Shown<'a> {
    pub view: &'a View<'a>,
    pub stack: &'a Stack<'a>,
    pub together: &'a Together,
    pub all: TimeRange,
    /// All lanes are seen at once.
    pub fits: bool,
}

/// Loudest sample of every [`BUCKET`] frames of a rendering, with the rendering's address.
#[derive(Debug, Default)]
pub struct Envelopes(HashMap<TakeId, (usize, Arc<[f32]>)>);

impl Envelopes {
    fn of(&mut self, lane: &Lane<'_>) -> Option<Arc<[f32]>> {
        let made = lane.made?;
        let at = Arc::as_ptr(&made.rendered) as usize;
        if let Some((of, envelope)) = self.0.get(&lane.take.id)
            && *of == at
        {
            return Some(Arc::clone(envelope));
        }
        let loudest = |c: &[f32]| c.iter().fold(0f32, |m, s| m.max(s.abs()));
        let envelope: Arc<[f32]> = made.finished.channel(0).chunks(BUCKET).map(loudest).collect();
        if self.0.len() > 32 {
            self.0.clear();
        }
        self.0.insert(lane.take.id, (at, Arc::clone(&envelope)));
        Some(envelope)
    }
}

/// Height of ruler and lanes when none is cut off.
pub fn whole_height(stack: &Stack<'_>) -> f32 {
    RULER + stack.lanes.len().max(1) as f32 * (LOWEST + GAP)
}

/// The least height in which they are worth looking at: two lanes, or the only one.
pub fn least_height(stack: &Stack<'_>) -> f32 {
    RULER + stack.lanes.len().clamp(1, 2) as f32 * (LOWEST + GAP)
}

/// Draws ruler and lanes.
pub fn show(
    ui: &mut Ui,
    shown: &mut Shown<'_>,
    visible: &mut TimeRange,
    envelopes: &mut Envelopes,
    out: &mut Vec<Command>,
) {
    let area = ui.available_rect_before_wrap();
    let axis_of = |right: f32| TimeAxis::new(*visible, area.left() + HEAD + 8.0, right - 12.0);
    let axis = axis_of(area.right());
    let ruler = Rect::from_min_max(pos2(axis.left, area.top()), pos2(axis.right, area.top() + RULER));
    let theme = shown.view.theme;
    paint_ruler(ui.painter(), &axis, ruler, theme);
    let rest = Rect::from_min_max(pos2(area.left(), ruler.bottom()), area.max);
    let n = shown.stack.lanes.len().max(1) as f32;
    let height = ((rest.height() - GAP * n) / n).clamp(LOWEST, HIGHEST);
    shown.fits = (height + GAP) * n <= rest.height() + 1.0;
    let shown = &*shown;
    let mut wish = None;
    ui.scope_builder(UiBuilder::new().max_rect(rest), |ui| {
        egui::ScrollArea::vertical().id_salt("stack lanes").auto_shrink(false).show(ui, |ui| {
            ui.spacing_mut().item_spacing.y = 0.0;
            let mut rects = Vec::new();
            for (k, lane) in shown.stack.lanes.iter().enumerate() {
                let (rect, _) =
                    ui.allocate_exact_size(vec2(ui.available_width(), height + GAP), Sense::hover());
                let rect = rect.with_max_y(rect.bottom() - GAP);
                let head = Rect::from_min_size(rect.min, vec2(HEAD, height));
                // A child of its own: what it needs must not move the lanes below.
                let inside = UiBuilder::new().max_rect(head).layout(Layout::top_down(Align::Min)).id_salt(k);
                layer::show(&mut ui.new_child(inside), shown.view, lane, out);
                let wave = Rect::from_x_y_ranges(axis.left..=axis.right, rect.y_range());
                wish = wish.or(one(ui, shown, (k, lane), &axis, wave, envelopes, out));
                rects.push(wave);
            }
            across(ui.painter(), shown, &axis, &rects);
            follow_focus(ui);
        });
    });
    match wish {
        Some(Wish::See(range)) => *visible = range.clamped(shown.all, NEAREST_S),
        Some(Wish::Hear(s)) => out.push(Command::Stack(StackCommand::HoldFrom(s.max(0.0)))),
        None => {}
    }
}

#[derive(Clone, Copy)]
enum Wish {
    See(TimeRange),
    Hear(f64),
}

fn paint_ruler(painter: &Painter, axis: &TimeAxis, rect: Rect, theme: &Theme) {
    for tick in axis.ticks(80.0) {
        let x = axis.x_from_s(tick.at_s);
        let size = if tick.label.is_some() { 7.0 } else { 4.0 };
        let bottom = rect.bottom() - 2.0;
        painter.vline(x, bottom - size..=bottom, Stroke::new(1.0, theme.line));
        if let Some(label) = tick.label {
            let at = pos2(x, bottom - 8.0);
            painter.text(at, Align2::CENTER_BOTTOM, label, FontId::proportional(11.0), theme.ink_soft);
        }
    }
}

/// One lane; what the mouse asks for in it.
fn one(
    ui: &mut Ui,
    shown: &Shown<'_>,
    (k, lane): (usize, &Lane<'_>),
    axis: &TimeAxis,
    rect: Rect,
    envelopes: &mut Envelopes,
    out: &mut Vec<Command>,
) -> Option<Wish> {
    let theme = shown.view.theme;
    let painter = ui.painter().with_clip_rect(rect.intersect(ui.clip_rect()));
    painter.rect_filled(rect, 3.0, theme.sheet);
    if let Some(missing) = lane.missing {
        nothing(ui, shown.view, lane, missing, rect, out);
        return None;
    }
    let layers = &shown.stack.layers;
    let heard = shown.view.sound.stack.setup.is_heard(lane.take.layer, layers);
    // Paler than in the sheet: joins and marks stand out from it.
    let colour = mix(theme.sheet, theme.layer(lane.take.layer), if heard { 0.5 } else { 0.15 });
    if let Some(envelope) = envelopes.of(lane) {
        wave(&painter, lane, &envelope, axis, rect, colour);
    }
    let joins = shown.together.report.joins.get(k).map_or(&[][..], Vec::as_slice);
    paint_joins(&painter, lane, joins, axis, rect, theme);
    if let Some(dips) = shown.together.dips.get(k) {
        for s in dips.iter().filter(|s| axis.visible.contains(**s)) {
            // A bowl at the lane's foot: the level falls here.
            let at = pos2(axis.x_from_s(*s), rect.bottom() - 5.0);
            let bowl = vec![at + vec2(-4.0, -3.0), at + vec2(0.0, 2.0), at + vec2(4.0, -3.0)];
            painter.add(Shape::line(bowl, Stroke::new(1.5, theme.ink_soft)));
        }
    }
    if lane.looping.is_none() {
        let text = "No loop: it sounds once, to its end";
        let at = rect.right_center() - vec2(12.0, 0.0);
        painter.text(at, Align2::RIGHT_CENTER, text, FontId::proportional(13.0), theme.ink_soft);
    }
    follow_mouse(ui, shown, (k, lane), axis, rect)
}

fn follow_mouse(
    ui: &mut Ui,
    shown: &Shown<'_>,
    (k, lane): (usize, &Lane<'_>),
    axis: &TimeAxis,
    rect: Rect,
) -> Option<Wish> {
    let r = ui.interact(rect, ui.scope_id().with(("stack lane", k)), Sense::click_and_drag());
    let words = words_of(lane, shown.together, k);
    r.widget_info(|| WidgetInfo::labeled(Role::Button, true, &words));
    if r.has_focus() {
        ui.painter().rect_stroke(rect, 3.0, Stroke::new(1.5, shown.view.theme.ink), egui::StrokeKind::Inside);
    }
    let visible = axis.visible;
    if r.dragged() {
        let by = -f64::from(r.drag_delta().x) / axis.points_per_s();
        return Some(Wish::See(visible.scrolled(by, shown.all)));
    }
    if r.double_clicked() {
        return Some(Wish::See(shown.all));
    }
    if r.clicked() {
        let s = r.interact_pointer_pos().map_or(0.0, |p| axis.s_from_x(p.x));
        return Some(Wish::Hear(s));
    }
    if let Some(p) = ui.input(|i| i.pointer.hover_pos()).filter(|_| r.contains_pointer()) {
        let (zoom, wheel) = ui.input(|i| (f64::from(i.zoom_delta()), i.smooth_scroll_delta()));
        if zoom != 1.0 {
            return Some(Wish::See(visible.zoomed(zoom, axis.s_from_x(p.x), shown.all, NEAREST_S)));
        }
        // Where all lanes are seen there is nothing else for a plain wheel to do.
        let by = f64::from(if shown.fits { wheel.x + wheel.y } else { wheel.x });
        if by != 0.0 {
            return Some(Wish::See(visible.scrolled(-by / axis.points_per_s(), shown.all)));
        }
    }
    r.on_hover_text_at_pointer("Click: hear it from here");
    None
}

fn words_of(lane: &Lane<'_>, together: &Together, k: usize) -> String {
    let number = u32::from(lane.take.layer) + 1;
    let Some(l) = lane.looping else { return format!("Layer {number}: no loop") };
    let near = together.near.iter().filter(|n| n.layers.0 == k || n.layers.1 == k).count();
    let near = match near {
        0 => "none of them near another layer's".into(),
        1 => "1 of them near another layer's".into(),
        n => format!("{n} of them near another layer's"),
    };
    format!(
        "Layer {number}: a loop of {:.2} s, score {:.0}; seams after {} and every {:.2} s, {near}",
        l.length_s,
        l.score,
        moment(l.entry_s + l.length_s),
        l.length_s
    )
}

/// A lane without a sound: what is missing and what to do about it.
fn nothing(
    ui: &mut Ui,
    view: &View<'_>,
    lane: &Lane<'_>,
    missing: Missing<'_>,
    rect: Rect,
    out: &mut Vec<Command>,
) {
    let inner = rect.shrink2(vec2(12.0, 8.0));
    let inside = UiBuilder::new().max_rect(inner).layout(Layout::left_to_right(Align::Center));
    let ui = &mut ui.new_child(inside.id_salt(("missing", lane.take.id.0)));
    match missing {
        Missing::Sound => {
            ui.spinner();
            ui.label(soft("On its way…", view.theme));
        }
        Missing::Failed(why) => {
            ui.add(egui::Label::new(soft(why, view.theme)).truncate().show_tooltip_when_elided(false))
                .on_hover_text(why);
        }
        Missing::Recipe => {
            ui.label(soft("No recipe yet, so nothing to hear.", view.theme));
            let name = format!("Propose a recipe for layer {}", lane.take.layer + 1);
            let b = ui.add_enabled(!view.read_only, egui::Button::new("Propose a recipe"));
            let b = b.accessible_name(name).on_hover_text("Trims and tunes it and looks for loops");
            if b.on_disabled_hover_text(READ_ONLY).clicked() {
                out.push(Command::Work(WorkCommand::Propose(lane.take.id)));
            }
        }
    }
}

/// The unrolled wave as a body around the lane's middle, one column a point.
fn wave(painter: &Painter, lane: &Lane<'_>, envelope: &[f32], axis: &TimeAxis, rect: Rect, colour: Color32) {
    let columns = rect.width().floor().max(1.0) as usize;
    let each = axis.visible.span_s() / columns as f64;
    let half = 0.42 * rect.height();
    let peak = envelope.iter().copied().fold(1e-6f32, f32::max);
    let mut mesh = Mesh::default();
    for c in 0..columns {
        // The loudest of three moments: a column can hold more than a round of the loop.
        let from = axis.visible.start_s + c as f64 * each;
        let loudest = (0..3)
            .filter_map(|i| lane.frame_at(from + each * f64::from(i) / 3.0))
            .filter_map(|f| envelope.get(f as usize / BUCKET))
            .fold(0f32, |m, v| m.max(*v));
        if loudest <= 0.0 {
            continue;
        }
        let h = (half * loudest / peak).max(0.5);
        let x = rect.left() + c as f32;
        let y = rect.center().y;
        let first = mesh.vertices.len() as u32;
        for pos in [pos2(x, y - h), pos2(x + 1.0, y - h), pos2(x + 1.0, y + h), pos2(x, y + h)] {
            mesh.vertices.push(Vertex { pos, uv: WHITE_UV, color: colour });
        }
        mesh.indices.extend([0, 1, 2, 0, 2, 3].map(|i| first + i));
    }
    painter.add(Shape::mesh(mesh));
}

fn paint_joins(
    painter: &Painter,
    lane: &Lane<'_>,
    joins: &[f64],
    axis: &TimeAxis,
    rect: Rect,
    theme: &Theme,
) {
    let Some(l) = lane.looping else { return };
    if (l.length_s * axis.points_per_s()) < f64::from(JOINS_APART) {
        let text = format!("a seam every {:.0} ms", 1000.0 * l.length_s);
        let galley = painter.layout_no_wrap(text, FontId::proportional(12.0), theme.ink);
        let at = rect.left_top() + vec2(8.0, 4.0);
        let back = Rect::from_min_size(at, galley.size()).expand(3.0);
        painter.rect_filled(back, 2.0, theme.sheet);
        painter.galley(at, galley, theme.ink);
        return;
    }
    for s in joins.iter().filter(|s| axis.visible.contains(**s)) {
        painter.vline(axis.x_from_s(*s), rect.y_range(), Stroke::new(1.5, theme.ink));
    }
}

/// What goes across the lanes: near-collisions, and where the sound is.
fn across(painter: &Painter, shown: &Shown<'_>, axis: &TimeAxis, rects: &[Rect]) {
    let theme = shown.view.theme;
    let first = shown.together.report.first_near;
    let seen = shown.together.near.iter().filter(|n| axis.visible.contains(n.time_s));
    // Very many at once would be a smear; their number stands in words.
    for near in seen.take(400) {
        let (Some(a), Some(b)) = (rects.get(near.layers.0), rects.get(near.layers.1)) else { continue };
        let (later, earlier) = (axis.x_from_s(near.time_s), axis.x_from_s(near.time_s - near.gap_s));
        let is_first = first.is_some_and(|f| f == *near);
        let stroke = Stroke::new(if is_first { 2.0 } else { 1.0 }, theme.warn);
        let (upper, lower) =
            if a.top() < b.top() { ((a, earlier), (b, later)) } else { ((b, later), (a, earlier)) };
        let (from, to) = (pos2(upper.1, upper.0.bottom() - 9.0), pos2(lower.1, lower.0.top() + 9.0));
        painter.line_segment([from, to], stroke);
        for at in [from, to] {
            diamond(painter, at, if is_first { 6.0 } else { 4.0 }, theme);
        }
    }
    let (Some(top), Some(bottom)) = (rects.first(), rects.last()) else { return };
    if let Some(s) = shown.view.sound.stack.at_s.filter(|s| axis.visible.contains(*s)) {
        let here = shown.view.sound.stack.note == Some(shown.stack.note);
        if here {
            painter.vline(axis.x_from_s(s), top.top()..=bottom.bottom(), Stroke::new(2.0, theme.accent));
        }
    }
}

fn diamond(painter: &Painter, at: egui::Pos2, r: f32, theme: &Theme) {
    let points = vec![at + vec2(0.0, -r), at + vec2(r, 0.0), at + vec2(0.0, r), at + vec2(-r, 0.0)];
    painter.add(Shape::convex_polygon(points, theme.warn, Stroke::new(1.0, theme.sheet)));
}
