//! The wave with its handles: in, out, onset, fades, loop start and end; the note's other layers
//! as outlines behind it, the crossfade shaded, the playhead.

use std::sync::Arc;

use egui::{
    Color32, CursorIcon, FontId, Galley, Id, Painter, Pos2, Rect, Response, Role, Sense, Stroke, Ui,
    WidgetInfo, pos2,
};

use super::behind;
use super::edits::{self, Mark};
use super::gesture::{abort, commit, preview, step};
use super::lanes::Lane;
use super::model::Model;
use crate::app::command::{Command, SoundCommand};
use crate::app::derived::FromSource;
use crate::app::theme::Theme;
use crate::app::widgets::drag_handle::{self, Handle, HandleEvent, HandleMemory, Steps, TabTo};
use crate::app::widgets::time_axis::TimeRange;
use crate::app::widgets::wave_view::{self, Wave, WaveLook};
use crate::app::words;
use crate::units::Decibels;

/// The wave of a take's decoded stretch.
pub fn of<'a>(sound: &'a FromSource, model: &Model<'_>) -> Wave<'a> {
    wave_at(sound, model.clip_frames().0 / model.rate(), model.rate())
}

pub(super) fn wave_at(sound: &FromSource, starts_s: f64, rate_hz: f64) -> Wave<'_> {
    Wave { samples: &sound.mixed, peaks: &sound.peaks, starts_s, rate_hz }
}

/// How the take's wave looks in a lane.
pub fn look(lane: &Lane<'_, '_>, rect: Rect) -> WaveLook {
    let t = lane.theme();
    let edge = layer_ink(t, lane.model.take.layer);
    WaveLook { rect, full: full_scale(lane), edge, heart: mix(t.sheet, edge, 0.3), silhouette: false }
}

/// The layer's colour, drawn towards the ink so far that it reads on the sheet.
pub fn layer_ink(t: &Theme, layer: u16) -> Color32 {
    mix(t.layer(layer), t.ink, if t.dark { 0.12 } else { 0.22 })
}

fn mix(a: Color32, b: Color32, share: f32) -> Color32 {
    a.lerp_to_gamma(b, share)
}

/// Amplitude at the lane's edge: a little above the loudest sample of the clip.
fn full_scale(lane: &Lane<'_, '_>) -> f32 {
    // Silence is not blown up.
    (loudest(lane.model.sound) * 1.06).max(0.01)
}

/// The loudest sample of a clip, from the pyramid's top.
pub(super) fn loudest(s: &FromSource) -> f32 {
    let top = s.peaks.columns(&s.mixed, 0.0..s.mixed.len() as f64, 1);
    top.first().map_or(1.0, |c| c.max.max(-c.min))
}

/// Draws what lies outside in and out paler.
pub fn dim_outside(lane: &Lane<'_, '_>, painter: &Painter) {
    let Some(r) = lane.model.recipe() else { return };
    let veil = lane.theme().sheet.gamma_multiply(0.72);
    let (l, r) = (lane.x(r.trim.range.start.0 as f64), lane.x(r.trim.range.end.0 as f64));
    painter.rect_filled(Rect::from_x_y_ranges(lane.rect.left()..=l, lane.rect.y_range()), 0.0, veil);
    painter.rect_filled(Rect::from_x_y_ranges(r..=lane.rect.right(), lane.rect.y_range()), 0.0, veil);
}

/// Draws the lane and its handles; returns what is to be seen (the ground can be dragged).
/// `tab`: which of its handles the keyboard goes to now.
pub fn show(
    ui: &Ui,
    lane: &Lane<'_, '_>,
    memory: &mut HandleMemory,
    tab: Option<TabTo>,
    out: &mut Vec<Command>,
) -> TimeRange {
    let ground = ui.interact(lane.rect, ui.scope_id().with("wave"), Sense::CLICK | Sense::DRAG);
    let mut seen = lane.axis.visible;
    if ground.dragged() && !memory.dragging() {
        let by = f64::from(ground.drag_delta().x) / lane.axis.points_per_s();
        seen = seen.scrolled(-by, lane.model.clip_s());
    }
    if ground.double_clicked()
        && lane.model.made.is_some()
        && let Some(p) = ground.interact_pointer_pos()
    {
        let frame = lane.model.frame_of(lane.source_at(p.x)).max(0.0) as u64;
        out.push(Command::Sound(SoundCommand::PlayFrom(frame)));
    }
    describe(lane, &ground);
    let painter = lane.ground(ui, "Wave");
    scale(ui, lane, &painter);
    paint_behind(lane, &painter);
    let behind = behind::outlines(lane, &painter);
    wave_view::paint_filled(
        &painter,
        &lane.axis,
        of(lane.model.sound, lane.model),
        look(lane, inner(lane.rect)),
        &mut lane.columns.borrow_mut(),
    );
    dim_outside(lane, &painter);
    behind::signs(ui, lane, &painter, &behind);
    fades(lane, &painter);
    let revealed = handles(ui, lane, memory, &painter, tab, out);
    if let Some(s) = revealed {
        seen = seen.scrolled(s - (seen.start_s + seen.end_s) / 2.0, lane.model.clip_s());
    }
    playhead(ui, lane, &painter);
    seen
}

/// Where amplitudes are drawn: below the flags at the top, above those at the bottom.
pub(super) fn inner(rect: Rect) -> Rect {
    Rect::from_min_max(rect.min + egui::vec2(0.0, 20.0), rect.max - egui::vec2(0.0, 20.0))
}

fn describe(lane: &Lane<'_, '_>, ground: &Response) {
    let clip = lane.model.clip_s();
    let text = format!(
        "Wave from {:.3} s to {:.3} s of the source, {} RMS",
        clip.start_s,
        clip.end_s,
        words::decibels(lane.model.take.level.0)
    );
    ground.widget_info(|| WidgetInfo::labeled(Role::Image, true, &text));
}

fn paint_behind(lane: &Lane<'_, '_>, painter: &Painter) {
    let t = lane.theme();
    painter.hline(
        lane.rect.x_range(),
        painter.round_to_pixel_center(inner(lane.rect).center().y),
        Stroke::new(1.0, t.line),
    );
    let Some(l) = lane.model.looping() else { return };
    let (a, b) = (lane.x(l.start), lane.x(l.end));
    let y = lane.rect.y_range();
    painter.rect_filled(Rect::from_x_y_ranges(a..=b, y), 0.0, t.accent.gamma_multiply(0.09));
    // The crossfade: what leaves before the end, and what comes in from before the start.
    let fade = l.crossfade.0 * lane.model.rate();
    if fade > 0.0 {
        let tint = t.accent.gamma_multiply(0.22);
        for (end, rising) in [(l.end, false), (l.start, true)] {
            let (x0, x1) = (lane.x(end - fade), lane.x(end));
            let tip = if rising { x1 } else { x0 };
            let (top, bottom) = (lane.rect.top(), lane.rect.bottom());
            let far = if rising { x0 } else { x1 };
            let wedge = vec![pos2(far, bottom), pos2(tip, bottom), pos2(tip, top)];
            painter.add(egui::Shape::convex_polygon(
                wedge,
                if rising { tint.gamma_multiply(0.45) } else { tint },
                Stroke::NONE,
            ));
        }
    }
}

fn fades(lane: &Lane<'_, '_>, painter: &Painter) {
    let Some(r) = lane.model.recipe() else { return };
    let m = lane.model;
    let r = &r.trim;
    let stroke = Stroke::new(1.0, lane.theme().ink_soft);
    let area = inner(lane.rect);
    let middle = area.center().y;
    let ends = [(r.range.start.0 as f64, r.fade_in.0), (r.range.end.0 as f64, -r.fade_out.0)];
    for (edge, fade_s) in ends.into_iter().filter(|(_, f)| *f != 0.0) {
        let (x0, x1) = (lane.x(edge), lane.x(edge + fade_s * m.rate()));
        for y in [area.top(), area.bottom()] {
            painter.line_segment([pos2(x0, middle), pos2(x1, y)], stroke);
        }
    }
}

/// Levels that are marked, in dB below full scale: the two highest steps of 6 dB that fit.
fn marked_levels(full: f32) -> [f64; 2] {
    let highest = (Decibels::of_amplitude(f64::from(full)).0 / 6.0).floor() * 6.0;
    [highest, highest - 6.0]
}

fn level_text(db: f64) -> String {
    if db < 0.0 { format!("−{:.0} dB", -db) } else { format!("{:.0} dB", db.abs()) }
}

fn scale(ui: &Ui, lane: &Lane<'_, '_>, painter: &Painter) {
    let look = look(lane, inner(lane.rect));
    let mut texts = Vec::new();
    for db in marked_levels(look.full) {
        let amplitude = Decibels(db).gain() as f32;
        for a in [amplitude, -amplitude] {
            let y = painter.round_to_pixel_center(look.y(a));
            painter.hline(lane.rect.x_range(), y, Stroke::new(1.0, lane.theme().line.gamma_multiply(0.6)));
        }
        texts.push((look.y(amplitude), level_text(db)));
    }
    lane.gutter_texts(ui, &texts);
}

/// A handle ready to be shown: what it is, where it stands.
struct Placed {
    mark: Mark,
    x: f32,
    value: f64,
}

/// Draws the handles and follows them; the moment to be brought into sight, if a key was pressed
/// for a handle that is out of it.
fn handles(
    ui: &Ui,
    lane: &Lane<'_, '_>,
    memory: &mut HandleMemory,
    painter: &Painter,
    tab: Option<TabTo>,
    out: &mut Vec<Command>,
) -> Option<f64> {
    let mut revealed = None;
    let id_of = |mark: Mark| ui.scope_id().with(("mark", mark));
    let placed: Vec<Placed> = Mark::ALL
        .into_iter()
        .filter_map(|mark| {
            let (value, at) = (mark.value(lane.model)?, mark.source_position(lane.model)?);
            Some(Placed { mark, x: lane.x(at), value })
        })
        .collect();
    if let Some(to) = tab {
        let mark = if to == TabTo::First { placed.first() } else { placed.last() };
        if let Some(p) = mark {
            ui.memory_mut(|m| m.request_focus(id_of(p.mark)));
        }
    }
    let focused = ui.memory(|m| m.focused());
    let preferred = [focused, memory.last]
        .into_iter()
        .flatten()
        .find_map(|id| placed.iter().filter(|p| !p.mark.is_length()).position(|p| id_of(p.mark) == id));
    let lines: Vec<f32> = placed.iter().filter(|p| !p.mark.is_length()).map(|p| p.x).collect();
    let mut spans = drag_handle::grab_spans(&lines, preferred).into_iter();
    let mut flags = Vec::new();
    for p in &placed {
        let grab = if p.mark.is_length() {
            Rect::from_center_size(pos2(p.x, fade_y(lane)), egui::vec2(14.0, 14.0))
        } else {
            let (a, b) = spans.next().unwrap_or((p.x, p.x));
            Rect::from_x_y_ranges(a..=b, lane.rect.y_range())
        };
        let id = id_of(p.mark);
        let off_screen = !lane.rect.x_range().contains(p.x);
        if off_screen && !memory.drags(id) {
            // It keeps its place for the keyboard, but nothing under it to catch the mouse.
            let nothing = Rect::from_center_size(grab.center(), egui::Vec2::ZERO);
            let before = out.len();
            show_one(ui, lane, p, nothing, id, memory, out);
            if out.len() > before {
                revealed = p.mark.source_position(lane.model).map(|at| lane.model.s(at));
            }
            continue;
        }
        let response = show_one(ui, lane, p, grab, id, memory, out);
        paint_mark(ui, lane, painter, p, &response);
        if !p.mark.is_length() && lane.editable {
            flags.push((flag_id(id), flag_place(lane, painter, p.mark, p.x).0));
        }
    }
    // Over all lines: where a line runs behind a flag, the flag is what is seen.
    for (id, place) in flags {
        drag_handle::hold_by(ui, place.intersect(lane.rect), id);
    }
    revealed
}

fn flag_id(handle: Id) -> Id {
    handle.with("flag")
}

fn fade_y(lane: &Lane<'_, '_>) -> f32 {
    inner(lane.rect).top() + 10.0
}

fn show_one(
    ui: &Ui,
    lane: &Lane<'_, '_>,
    p: &Placed,
    grab: Rect,
    id: Id,
    memory: &mut HandleMemory,
    out: &mut Vec<Command>,
) -> Response {
    let m = lane.model;
    let (min, max) = p.mark.limits(m).unwrap_or((p.value, p.value));
    let rate = if p.mark.in_rendered() { m.out_rate() } else { m.rate() };
    let period = if p.mark.in_rendered() { m.period_frames() } else { m.period_source() };
    let locked = p.mark.is_locked(m);
    let handle = Handle {
        id,
        name: p.mark.name(),
        grab,
        flag: Some(flag_id(id)).filter(|_| grab.is_positive() && !p.mark.is_length()),
        anchor: pos2(p.x, grab.center().y),
        value: p.value,
        min,
        max,
        text: told(m, p),
        steps: Steps { one: 1.0, big: (rate * 0.01).round(), period },
        crossings: !p.mark.is_length(),
        cursor: if locked { CursorIcon::NotAllowed } else { CursorIcon::ResizeHorizontal },
        enabled: lane.editable,
    };
    let value_at = |x: f32| p.mark.value_at(m, lane.source_at(x));
    let (response, events) = handle.show(ui, memory, value_at);
    if locked {
        // It stays; one word about it for each try.
        let stepped = |e: &HandleEvent| matches!(e, HandleEvent::Stepped(_) | HandleEvent::Crossing { .. });
        let tried = response.drag_started() || events.iter().any(stepped);
        out.extend(tried.then(|| edits::refused(m)));
        return response;
    }
    let mut latest = p.value;
    for e in events {
        match e {
            HandleEvent::Dragged(v) => {
                latest = v;
                out.extend(p.mark.edit(m, v, false).map(preview));
            }
            HandleEvent::Released => {
                if p.mark.in_rendered() {
                    out.extend(p.mark.edit(m, latest, true).map(preview));
                }
                out.push(commit(p.mark.label()));
            }
            HandleEvent::Aborted => out.push(abort()),
            HandleEvent::Stepped(v) => {
                latest = v;
                out.extend(p.mark.edit(m, v, true).map(|e| step(p.mark.label(), e)));
            }
            HandleEvent::Crossing { forward } => {
                if let Some(v) = edits::crossing(m, p.mark, latest, forward) {
                    latest = handle.clamp(v);
                    out.extend(p.mark.edit(m, latest, true).map(|e| step(p.mark.label(), e)));
                }
            }
        }
    }
    response
}

/// What a mark is worth, in words.
fn told(m: &Model<'_>, p: &Placed) -> String {
    let locked = if p.mark.is_locked(m) { ", locked" } else { "" };
    p.mark.text(m, p.value) + locked
}

fn paint_mark(ui: &Ui, lane: &Lane<'_, '_>, painter: &Painter, p: &Placed, response: &Response) {
    let t = lane.theme();
    let hot = response.hovered() || response.dragged() || response.has_focus();
    let color = match p.mark {
        Mark::LoopStart | Mark::LoopEnd => t.accent,
        Mark::Onset | Mark::FadeIn | Mark::FadeOut => t.ink_soft,
        Mark::In | Mark::Out => t.ink,
    };
    let width: f32 = if hot { 2.0 } else { 1.0 };
    let x = painter.round_to_pixel_center(p.x);
    let r = lane.rect;
    if p.mark.is_length() {
        let at = pos2(x, fade_y(lane));
        painter.rect_filled(
            Rect::from_center_size(at, egui::Vec2::splat(if hot { 10.0 } else { 8.0 })),
            1.0,
            t.sheet,
        );
        painter.rect_stroke(
            Rect::from_center_size(at, egui::Vec2::splat(if hot { 10.0 } else { 8.0 })),
            1.0,
            Stroke::new(width.max(1.5), color),
            egui::StrokeKind::Inside,
        );
    } else {
        // The loop's lines begin below the flags at the top, which they would run through.
        let top = if p.mark.in_rendered() { inner(r).top() } else { r.top() };
        painter.vline(x, top..=r.bottom(), Stroke::new(width, color));
        flag(lane, painter, p.mark, x, color, response.has_focus());
    }
    if response.hovered() || response.dragged() || response.has_focus() {
        bubble(ui, lane, p, x);
    }
}

/// A little flag with the mark's name at its end of the line.
fn flag(lane: &Lane<'_, '_>, painter: &Painter, mark: Mark, x: f32, color: Color32, focused: bool) {
    let t = lane.theme();
    let (rect, galley) = flag_place(lane, painter, mark, x);
    painter.rect_filled(rect, 2.0, color);
    painter.galley(rect.min + egui::vec2(4.0, 1.0), galley, t.ink);
    if focused {
        painter.rect_stroke(rect.expand(2.0), 3.0, Stroke::new(1.5, t.ink), egui::StrokeKind::Inside);
    }
}

/// Where the flag of a mark at `x` stands, and its word.
fn flag_place(lane: &Lane<'_, '_>, painter: &Painter, mark: Mark, x: f32) -> (Rect, Arc<Galley>) {
    let t = lane.theme();
    let x = painter.round_to_pixel_center(x);
    let at_bottom = mark.in_rendered();
    let on = if at_bottom { t.on_accent } else { t.sheet };
    let galley = painter.layout_no_wrap(flag_text(mark).into(), FontId::proportional(11.0), on);
    let size = galley.size() + egui::vec2(8.0, 2.0);
    let y = if at_bottom { lane.rect.bottom() - size.y } else { lane.rect.top() };
    // In and out point outwards, so that they leave the onset and the loop their room.
    let leftwards = match mark {
        Mark::In => x - size.x >= lane.rect.left(),
        Mark::Out => x + size.x > lane.rect.right(),
        // Into the loop, or out of it where it is too narrow for both.
        Mark::LoopStart => narrow_loop(lane, painter) && x - size.x >= lane.rect.left(),
        Mark::LoopEnd => !narrow_loop(lane, painter) || x + size.x > lane.rect.right(),
        _ => false,
    };
    let left = if leftwards { x - size.x } else { x };
    (Rect::from_min_size(pos2(left, y), size), galley)
}

fn flag_text(mark: Mark) -> &'static str {
    match mark {
        Mark::In => "in",
        Mark::Out => "out",
        Mark::Onset => "onset",
        Mark::LoopStart => "loop start",
        _ => "loop end",
    }
}

/// Whether the flags of loop start and end would run over each other inside the loop.
fn narrow_loop(lane: &Lane<'_, '_>, painter: &Painter) -> bool {
    let width = |mark| {
        let galley =
            painter.layout_no_wrap(flag_text(mark).into(), FontId::proportional(11.0), Color32::PLACEHOLDER);
        galley.size().x + 8.0
    };
    let room = lane.model.looping().map_or(f32::INFINITY, |l| lane.x(l.end) - lane.x(l.start));
    room < width(Mark::LoopStart) + width(Mark::LoopEnd) + 4.0
}

/// What the mark is worth, beside it, while it is under the hand.
fn bubble(ui: &Ui, lane: &Lane<'_, '_>, p: &Placed, x: f32) {
    let t = lane.theme();
    let counted = if p.mark.in_rendered() { "of the delivered file" } else { "of the source" };
    let locked = if p.mark.is_locked(lane.model) { "; locked, L unlocks it" } else { "" };
    let text = format!("{}  {} {counted}{locked}", p.mark.name(), p.mark.text(lane.model, p.value));
    let painter = ui.painter_at(lane.rect);
    let galley = painter.layout_no_wrap(text, FontId::proportional(11.5), t.ink);
    let size = galley.size() + egui::vec2(12.0, 6.0);
    let y = if p.mark.in_rendered() { lane.rect.bottom() - 26.0 - size.y } else { lane.rect.top() + 42.0 };
    let fits = x + 8.0 + size.x < lane.rect.right();
    let min: Pos2 = pos2(if fits { x + 8.0 } else { x - 8.0 - size.x }, y);
    let rect = Rect::from_min_size(min, size);
    painter.rect(rect, 3.0, t.paper, Stroke::new(1.0, t.line), egui::StrokeKind::Inside);
    painter.galley(min + egui::vec2(6.0, 3.0), galley, t.ink);
}

fn playhead(ui: &Ui, lane: &Lane<'_, '_>, painter: &Painter) {
    let Some((take, frame)) = lane.view.sound.playing else { return };
    if take != lane.model.take.id {
        return;
    }
    let x = lane.x(lane.model.source_of(frame as f64));
    if lane.rect.x_range().contains(x) {
        painter.vline(x, lane.rect.y_range(), Stroke::new(1.5, lane.theme().ink));
        let tip = pos2(x, inner(lane.rect).top());
        painter.add(egui::Shape::convex_polygon(
            vec![tip + egui::vec2(-5.0, -7.0), tip + egui::vec2(5.0, -7.0), tip],
            lane.theme().ink,
            Stroke::NONE,
        ));
    }
    ui.ctx().request_repaint();
}
