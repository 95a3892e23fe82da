//! The whole clip, small: room tone, in and out, the loop, and the visible stretch as a rectangle
//! that can be moved and resized.

use egui::{CursorIcon, Event, EventFilter, Key, Rect, Sense, Stroke, StrokeKind, Ui, WidgetInfo, pos2};

use super::lanes::Lane;
use super::wave;
use crate::app::widgets::drag_handle::requested_values;
use crate::app::widgets::time_axis::TimeRange;
use crate::app::widgets::wave_view;

/// Draws the lane; returns what is to be seen.
pub fn show(ui: &Ui, lane: &Lane<'_, '_>, seen: TimeRange, shortest_s: f64) -> TimeRange {
    let seen = interact(ui, lane, seen, shortest_s);
    let t = lane.theme();
    let painter = lane.ground(ui, "Overview");
    let look = wave::look(lane, lane.rect.shrink2(egui::vec2(0.0, 4.0)));
    let look = wave_view::WaveLook { silhouette: true, ..look };
    let sound = wave::of(lane.model.sound, lane.model);
    wave_view::paint_filled(&painter, &lane.axis, sound, look, &mut lane.columns.borrow_mut());
    wave::dim_outside(lane, &painter);
    room_tone(lane, &painter);
    if let Some(l) = lane.model.looping() {
        let bar = Rect::from_min_max(
            pos2(lane.x(l.start), lane.rect.bottom() - 4.0),
            pos2(lane.x(l.end).max(lane.x(l.start) + 2.0), lane.rect.bottom() - 1.0),
        );
        painter.rect_filled(bar, 1.0, t.accent);
    }
    let window = window_rect(lane, seen);
    let veil = t.paper.gamma_multiply(0.55);
    painter.rect_filled(
        Rect::from_min_max(lane.rect.min, pos2(window.left(), lane.rect.bottom())),
        0.0,
        veil,
    );
    painter.rect_filled(Rect::from_min_max(pos2(window.right(), lane.rect.top()), lane.rect.max), 0.0, veil);
    painter.rect_stroke(window, 2.0, Stroke::new(1.5, t.ink), StrokeKind::Inside);
    for x in [window.left() + 1.5, window.right() - 1.5] {
        let y = window.center().y;
        painter.vline(x, y - 7.0..=y + 7.0, Stroke::new(3.0, t.ink));
    }
    seen
}

fn window_rect(lane: &Lane<'_, '_>, seen: TimeRange) -> Rect {
    let (l, r) = (lane.axis.x_from_s(seen.start_s), lane.axis.x_from_s(seen.end_s));
    // Never thinner than can be seen.
    let more = ((6.0 - (r - l)) / 2.0).max(0.0);
    Rect::from_x_y_ranges(l - more..=r + more, lane.rect.y_range())
}

fn interact(ui: &Ui, lane: &Lane<'_, '_>, seen: TimeRange, shortest_s: f64) -> TimeRange {
    let id = ui.scope_id().with("overview");
    let limits = lane.axis.visible;
    let ground = ui.interact(lane.rect, id, Sense::drag());
    let mut next = seen;
    if let Some(p) = ground.interact_pointer_pos().filter(|_| ground.dragged()) {
        // Outside the window it jumps there; then it follows.
        let press = ui.input(|i| i.pointer.press_origin()).unwrap_or(p);
        if ground.drag_started() && !window_rect(lane, seen).contains(press) {
            let by = lane.axis.s_from_x(press.x) - (seen.start_s + seen.end_s) / 2.0;
            next = next.scrolled(by, limits);
        } else {
            next = next.scrolled(f64::from(ground.drag_delta().x) / lane.axis.points_per_s(), limits);
        }
    }
    if ground.hovered() {
        let inside = ground.hover_pos().is_some_and(|p| window_rect(lane, seen).contains(p));
        ui.ctx().set_cursor_icon(if inside { CursorIcon::Grab } else { CursorIcon::PointingHand });
    }
    let window = window_rect(lane, next);
    for (name, x, left) in [("overview left", window.left(), true), ("overview right", window.right(), false)]
    {
        let grab = Rect::from_x_y_ranges(x - 5.0..=x + 5.0, lane.rect.y_range());
        let edge = ui.interact(grab, ui.scope_id().with(name), Sense::DRAG);
        if edge.hovered() || edge.dragged() {
            ui.ctx().set_cursor_icon(CursorIcon::ResizeHorizontal);
        }
        if let Some(p) = edge.interact_pointer_pos().filter(|_| edge.dragged() && edge.drag_delta().x != 0.0)
        {
            next = resized(next, lane.axis.s_from_x(p.x), left, limits, shortest_s);
        }
    }
    keys(ui, &ground, &mut next, limits);
    for start in requested_values(ui, id, next.start_s, next.span_s() / 10.0) {
        next = next.scrolled(start - next.start_s, limits);
    }
    describe(ui, &ground, next, limits);
    next
}

/// One edge moved to `s`, the other stays.
fn resized(seen: TimeRange, s: f64, left: bool, limits: TimeRange, shortest_s: f64) -> TimeRange {
    let s = s.clamp(limits.start_s, limits.end_s);
    if left {
        TimeRange { start_s: s.min(seen.end_s - shortest_s), end_s: seen.end_s }
    } else {
        TimeRange { start_s: seen.start_s, end_s: s.max(seen.start_s + shortest_s) }
    }
}

fn keys(ui: &Ui, ground: &egui::Response, next: &mut TimeRange, limits: TimeRange) {
    if !ground.has_focus() {
        return;
    }
    let filter = EventFilter { horizontal_arrows: true, ..Default::default() };
    ui.memory_mut(|m| m.set_focus_lock_filter(ground.id, filter));
    ui.input_mut(|i| {
        i.events.retain(|e| {
            let Event::Key { key, pressed: true, .. } = e else { return true };
            let by = match key {
                Key::ArrowLeft => -0.1,
                Key::ArrowRight => 0.1,
                Key::PageDown => -0.9,
                Key::PageUp => 0.9,
                _ => return true,
            };
            *next = next.scrolled(by * next.span_s(), limits);
            false
        });
    });
}

fn describe(ui: &Ui, ground: &egui::Response, seen: TimeRange, limits: TimeRange) {
    ground.widget_info(|| WidgetInfo::slider(true, seen.start_s, "Visible stretch"));
    ui.ctx().accesskit_node_builder(ground.id, |n| {
        n.set_value(format!("{:.3} s to {:.3} s", seen.start_s, seen.end_s));
        n.set_min_numeric_value(limits.start_s);
        n.set_max_numeric_value((limits.end_s - seen.span_s()).max(limits.start_s));
        n.add_action(egui::accesskit::Action::SetValue);
        n.add_action(egui::accesskit::Action::Increment);
        n.add_action(egui::accesskit::Action::Decrement);
    });
}

fn room_tone(lane: &Lane<'_, '_>, painter: &egui::Painter) {
    for range in lane.model.source.room_stretches() {
        one_room_tone(lane, painter, range);
    }
}

fn one_room_tone(lane: &Lane<'_, '_>, painter: &egui::Painter, range: crate::units::FrameRange) {
    let (l, r) = (lane.x(range.start.0 as f64), lane.x(range.end.0 as f64));
    let shown = Rect::from_x_y_ranges(l..=r, lane.rect.y_range()).intersect(lane.rect);
    if shown.width() < 2.0 {
        return;
    }
    let t = lane.theme();
    painter.rect_filled(shown, 0.0, t.line.gamma_multiply(0.5));
    // The whole name where it fits, else as much of it as is a word.
    for text in ["room tone", "room"] {
        let galley = painter.layout_no_wrap(text.into(), egui::FontId::proportional(11.0), t.ink);
        if galley.size().x + 6.0 <= shown.width() {
            painter.galley(shown.left_top() + egui::vec2(3.0, 2.0), galley, t.ink);
            break;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_edge_moves_the_other_stays() {
        let limits = TimeRange::new(0.0, 10.0);
        let seen = TimeRange::new(2.0, 4.0);
        assert_eq!(resized(seen, 1.0, true, limits, 0.1), TimeRange::new(1.0, 4.0));
        assert_eq!(resized(seen, 99.0, false, limits, 0.1), TimeRange::new(2.0, 10.0));
        assert_eq!(resized(seen, 9.0, true, limits, 0.1), TimeRange::new(3.9, 4.0));
    }
}
