//! The whole file, small: its takes, and the room tone as stretches that are dragged, nudged, added and
//! removed.

use egui::{
    CursorIcon, FontId, Id, Key, Modifiers, Painter, Rect, Role, Sense, Stroke, Ui, WidgetInfo, pos2,
};

use super::fields::Rows;
use super::gesture::{abort, commit, preview, step};
use super::lanes::Lane;
use super::model::Model;
use super::wave;
use crate::app::command::Command;
use crate::app::quantity::Clock;
use crate::app::widgets::drag_handle::{Handle, HandleEvent, HandleMemory, REACH, Steps};
use crate::app::widgets::layer_sign::layer_sign;
use crate::session::cleaning::mark_room;
use crate::session::{Edit, Take};
use crate::units::{Frame, FrameRange};

const LABEL: &str = "Mark room tone";
/// Shortest stretch, in seconds: less cannot be learned from.
const SHORTEST_S: f64 = 0.1;
/// A stretch that is added is so long where there is room, in seconds.
const ADDED_S: f64 = 2.0;

/// So many stretches can be typed; more of them are dragged.
const TYPED: usize = 4;

/// Which part of a stretch is taken hold of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Part {
    Start,
    End,
    Whole,
}

/// One of the stretches.
#[derive(Clone, Copy)]
struct Which<'a> {
    all: &'a [FrameRange],
    i: usize,
    editable: bool,
}

/// Draws the lane.
pub fn show(ui: &Ui, lane: &Lane<'_, '_>, memory: &mut HandleMemory, out: &mut Vec<Command>) {
    let m = lane.model;
    let ground = ui.interact(lane.rect, ui.scope_id().with("file"), Sense::CLICK);
    let painter = lane.ground(ui, "File");
    takes(lane, &painter);
    wave_of_file(lane, &painter);
    signs_of_takes(lane, &painter);
    let stretches = m.source.room_stretches();
    let text = match stretches.len() {
        0 => "The whole file: no room tone is known".to_owned(),
        n => format!("The whole file: room tone in {n} {}", if n == 1 { "stretch" } else { "stretches" }),
    };
    ground.widget_info(|| WidgetInfo::labeled(Role::Image, true, &text));
    let editable = !lane.view.read_only;
    for i in 0..stretches.len() {
        stretch(ui, lane, &painter, Which { all: &stretches, i, editable }, memory, out);
    }
    if editable
        && ground.double_clicked()
        && let Some(p) = ground.interact_pointer_pos()
    {
        out.extend(added_at(m, lane.source_at(p.x)).and_then(|all| marked(m, all)));
    }
    if ground.hovered() && !memory.dragging() {
        ground.on_hover_text(
            "The whole file with its takes, each with the sign of its layer, this one underlined. The room is learned from the grey stretch: drag it or its ends to \
             where nobody plays. Double-click adds a stretch, Delete or a right click removes one.",
        );
    }
}

/// The change that marks `stretches`, as a step.
pub fn marked(m: &Model<'_>, stretches: Vec<FrameRange>) -> Option<Command> {
    let named = mark_room(m.document, m.source.id, stretches).ok()?;
    Some(step(&named.label, named.edit))
}

/// Whether a stretch that was marked by hand reaches into a take of this file.
pub fn plays_in_room(m: &Model<'_>) -> bool {
    let takes = || m.document.takes.iter().filter(|t| t.source == m.source.id);
    m.source.room_marked.iter().any(|r| takes().any(|t| r.overlap(t.span).0 > 0))
}

/// The stretches with one more, in the longest pause; none where there is no pause left.
pub fn another(m: &Model<'_>) -> Option<Vec<FrameRange>> {
    let gap = pauses(m).into_iter().max_by_key(|g| g.count().0)?;
    with_one_more(m, gap, (gap.start.0 + gap.end.0) as f64 / 2.0)
}

fn added_at(m: &Model<'_>, at: f64) -> Option<Vec<FrameRange>> {
    let gap = pauses(m).into_iter().find(|g| (g.start.0 as f64..g.end.0 as f64).contains(&at))?;
    with_one_more(m, gap, at)
}

/// A stretch around `at`, inside `gap`.
fn with_one_more(m: &Model<'_>, gap: FrameRange, at: f64) -> Option<Vec<FrameRange>> {
    let rate = m.rate();
    if (gap.count().0 as f64) < SHORTEST_S * rate {
        return None;
    }
    let length = (ADDED_S * rate).min(gap.count().0 as f64);
    let start = (at - length / 2.0).clamp(gap.start.0 as f64, gap.end.0 as f64 - length) as u64;
    let mut all = m.source.room_stretches();
    all.push(FrameRange::new(start, (start + length as u64).min(gap.end.0)));
    Some(all)
}

/// Where neither a take sounds nor room tone is marked yet.
fn pauses(m: &Model<'_>) -> Vec<FrameRange> {
    let takes = m.document.takes.iter().filter(|t| t.source == m.source.id).map(|t| t.span);
    let mut busy: Vec<FrameRange> = takes.chain(m.source.room_stretches()).collect();
    busy.sort_by_key(|r| r.start);
    let mut gaps = Vec::new();
    let mut free_from = 0;
    for r in busy {
        if r.start.0 > free_from {
            gaps.push(FrameRange::new(free_from, r.start.0));
        }
        free_from = free_from.max(r.end.0);
    }
    if m.source.frames > free_from {
        gaps.push(FrameRange::new(free_from, m.source.frames));
    }
    gaps
}

/// The takes of the file and where they lie.
fn places<'a>(lane: &'a Lane<'_, '_>) -> impl Iterator<Item = (&'a Take, Rect)> {
    let m = lane.model;
    m.document.takes.iter().filter(|t| t.source == m.source.id).map(|t| {
        let span = lane.x(t.span.start.0 as f64)..=lane.x(t.span.end.0 as f64);
        (&**t, Rect::from_x_y_ranges(span, lane.rect.y_range()))
    })
}

fn takes(lane: &Lane<'_, '_>, painter: &Painter) {
    let m = lane.model;
    for (t, rect) in places(lane) {
        let here = t.id == m.take.id;
        let tint = wave::layer_ink(lane.theme(), t.layer).gamma_multiply(if here { 0.28 } else { 0.12 });
        painter.rect_filled(rect, 2.0, tint);
    }
}

/// Radius of the sign of a layer at a take.
const SIGN: f32 = 3.4;

/// The sign of its layer at the foot of every take that is wide enough for it, the take that is worked on
/// underlined: no colour stands alone.
fn signs_of_takes(lane: &Lane<'_, '_>, painter: &Painter) {
    let theme = lane.theme();
    for (t, rect) in places(lane) {
        if t.id == lane.model.take.id {
            painter.hline(rect.x_range(), rect.bottom() - 0.75, Stroke::new(1.5, theme.ink));
        }
        if rect.width() >= 2.0 * SIGN + 3.0 {
            let at = rect.left_bottom() + egui::vec2(SIGN + 2.0, -SIGN - 3.0);
            layer_sign(painter, at, SIGN, t.layer, theme.layer(t.layer), Stroke::new(0.8, theme.ink));
        }
    }
}

/// One line a point, from the lowest to the highest sample there.
fn wave_of_file(lane: &Lane<'_, '_>, painter: &Painter) {
    let Some(columns) = lane.view.derived.file_wave(lane.model.source).filter(|c| !c.is_empty()) else {
        return;
    };
    let full = columns.iter().map(|c| c.max.max(-c.min)).fold(0.01f32, f32::max);
    let (middle, half) = (lane.rect.center().y, lane.rect.height() / 2.0 - 2.0);
    let points = (lane.rect.width() as usize).max(1);
    let stroke = Stroke::new(1.0, lane.theme().ink_soft);
    for p in 0..points {
        let (a, b) = (p * columns.len() / points, ((p + 1) * columns.len()).div_ceil(points));
        let part = &columns[a..b.clamp(a + 1, columns.len())];
        let low = part.iter().map(|c| c.min).fold(0f32, f32::min) / full;
        let high = part.iter().map(|c| c.max).fold(0f32, f32::max) / full;
        let x = lane.rect.left() + p as f32 + 0.5;
        painter.vline(x, middle - high * half - 0.5..=middle - low * half + 0.5, stroke);
    }
}

fn stretch(
    ui: &Ui,
    lane: &Lane<'_, '_>,
    painter: &Painter,
    which: Which<'_>,
    memory: &mut HandleMemory,
    out: &mut Vec<Command>,
) {
    let t = lane.theme();
    let Which { all, i, .. } = which;
    let (l, r) = (lane.x(all[i].start.0 as f64), lane.x(all[i].end.0 as f64));
    let shown = Rect::from_x_y_ranges(l..=r.max(l + 2.0), lane.rect.y_range());
    painter.rect_filled(shown, 0.0, t.ink.gamma_multiply(0.16));
    let inner = (r - l) / 2.0;
    for part in [Part::Whole, Part::Start, Part::End] {
        // The ends reach outwards; where the stretch is narrow its middle stays free to move it.
        let inside = REACH.min(inner / 2.0);
        let grab = match part {
            Part::Whole => l + inside..=(r - inside).max(l + inside),
            Part::Start => l - REACH..=l + inside,
            Part::End => r - inside..=r + REACH,
        };
        let grab = Rect::from_x_y_ranges(grab, lane.rect.y_range());
        let response = handle(ui, lane, which, part, grab, memory, out);
        let hot = response.hovered() || response.dragged() || response.has_focus();
        let stroke = Stroke::new(if hot { 3.0 } else { 1.5 }, t.ink);
        match part {
            Part::Whole if hot => {
                painter.rect_stroke(shown, 0.0, Stroke::new(1.5, t.ink), egui::StrokeKind::Inside);
            }
            Part::Whole => {}
            Part::Start => {
                painter.vline(l, lane.rect.y_range(), stroke);
            }
            Part::End => {
                painter.vline(r, lane.rect.y_range(), stroke);
            }
        }
    }
    for text in ["room tone", "room"] {
        let galley = painter.layout_no_wrap(text.into(), FontId::proportional(11.0), t.ink);
        if galley.size().x + 6.0 <= shown.width() {
            // On a ground of its own: the wave runs through here.
            let words =
                egui::Align2::LEFT_TOP.anchor_size(shown.left_top() + egui::vec2(3.0, 1.0), galley.size());
            painter.rect_filled(words.expand2(egui::vec2(2.0, 0.0)), 2.0, t.sheet);
            painter.galley(words.min, galley, t.ink);
            break;
        }
    }
}

/// Where a part of the stretch `r` can go, in frames of the file.
fn limits(m: &Model<'_>, r: FrameRange, part: Part) -> (f64, f64) {
    let (start, end, frames) = (r.start.0 as f64, r.end.0 as f64, m.source.frames as f64);
    let shortest = (SHORTEST_S * m.rate()).min(end - start);
    match part {
        Part::Start => (0.0, end - shortest),
        Part::End => (start + shortest, frames),
        Part::Whole => (0.0, frames - (end - start)),
    }
}

/// The change that brings a part of stretch `i` of `all` to frame `v` of the file.
fn changed(m: &Model<'_>, all: &[FrameRange], i: usize, part: Part, v: f64) -> Option<Edit> {
    let mut next = all.to_vec();
    let v = v.max(0.0) as u64;
    next[i] = match part {
        Part::Start => FrameRange::new(v, all[i].end.0),
        Part::End => FrameRange::new(all[i].start.0, v),
        Part::Whole => FrameRange::new(v, v + all[i].count().0),
    };
    Some(mark_room(m.document, m.source.id, next).ok()?.edit)
}

/// The stretches as numbers that can be typed.
pub fn fields(rows: &mut Rows<'_>, m: &Model<'_>) {
    let all = m.source.room_stretches();
    let rate = m.rate();
    let clock = Clock { rate, period: m.period_source() };
    for (i, r) in all.iter().enumerate().take(TYPED) {
        let end = |part: Part, at: Frame| {
            let (low, high) = limits(m, *r, part);
            (at.0 as f64 / rate, low / rate..=high / rate)
        };
        let ends = [end(Part::Start, r.start), end(Part::End, r.end)];
        let name = if i == 0 { "Room tone".to_owned() } else { format!("Room tone {}", i + 1) };
        let tip = "Where nobody plays: from and to, in seconds of the source file; typed with any unit";
        rows.stretch((&name, tip), LABEL, ends, clock, &|is_end, s| {
            let part = if is_end { Part::End } else { Part::Start };
            changed(m, &all, i, part, (s * rate).round())
        });
    }
}

fn handle(
    ui: &Ui,
    lane: &Lane<'_, '_>,
    which: Which<'_>,
    part: Part,
    grab: Rect,
    memory: &mut HandleMemory,
    out: &mut Vec<Command>,
) -> egui::Response {
    let m = lane.model;
    let Which { all, i, editable } = which;
    let (start, end, rate) = (all[i].start.0 as f64, all[i].end.0 as f64, m.rate());
    let (value, name) = match part {
        Part::Start => (start, "Room tone start"),
        Part::End => (end, "Room tone end"),
        Part::Whole => (start, "Room tone"),
    };
    let (min, max) = limits(m, all[i], part);
    let name = if i == 0 { name.to_owned() } else { format!("{name} {}", i + 1) };
    let id: Id = ui.scope_id().with(("room tone", i, part as u8));
    let handle = Handle {
        id,
        name: &name,
        grab,
        flag: None,
        anchor: pos2(lane.x(value), grab.center().y),
        value,
        min,
        max,
        text: format!("{:.3} s to {:.3} s of the file", start / rate, end / rate),
        steps: Steps { one: (0.01 * rate).round(), big: (0.1 * rate).round(), period: Some(rate.round()) },
        crossings: false,
        cursor: if part == Part::Whole { CursorIcon::Grab } else { CursorIcon::ResizeHorizontal },
        enabled: editable,
    };
    let changed = |v: f64| changed(m, all, i, part, v);
    let (response, events) = handle.show(ui, memory, |x| lane.source_at(x));
    for e in events {
        match e {
            HandleEvent::Dragged(v) => out.extend(changed(v).map(preview)),
            HandleEvent::Released => out.push(commit(LABEL)),
            HandleEvent::Aborted => out.push(abort()),
            HandleEvent::Stepped(v) => out.extend(changed(v).map(|e| step(LABEL, e))),
            HandleEvent::Crossing { .. } => {}
        }
    }
    if editable && removes(ui, &response, memory) {
        let mut next = all.to_vec();
        next.remove(i);
        out.extend(marked(m, next));
    }
    response
}

/// Delete where it has the focus, or a right click on it.
fn removes(ui: &Ui, response: &egui::Response, memory: &HandleMemory) -> bool {
    let key = response.has_focus()
        && ui.input_mut(|i| {
            i.consume_key(Modifiers::NONE, Key::Delete) || i.consume_key(Modifiers::NONE, Key::Backspace)
        });
    let right = response.contains_pointer()
        && !memory.dragging()
        && ui.input(|i| i.pointer.button_clicked(egui::PointerButton::Secondary));
    key || right
}
