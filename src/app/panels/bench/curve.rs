//! The strength curve under the hands: nodes that are moved, added and removed, always in order
//! and at least one.

use egui::{
    CursorIcon, Event, EventFilter, Id, Key, Modifiers, Pos2, Rect, Sense, Ui, Vec2, WidgetInfo,
    accesskit::Action,
};

use crate::app::widgets::drag_handle::{DragPhase, HandleMemory, requested_values};
use crate::dsp::tune::StrengthCurve;

/// Nodes stay this far apart.
pub const GAP_S: f64 = 0.001;

/// The curve with node `i` wanted at (`t_s`, `strength`), kept between its neighbours, between 0
/// and `longest_s`, and between 0 and 1.
pub fn moved(curve: &StrengthCurve, i: usize, t_s: f64, strength: f64, longest_s: f64) -> StrengthCurve {
    let mut next = curve.clone();
    let Some(old) = curve.nodes.get(i).copied() else { return next };
    let low = if i == 0 { 0.0 } else { curve.nodes[i - 1].0 + GAP_S };
    let high = curve.nodes.get(i + 1).map_or(longest_s, |n| n.0 - GAP_S);
    let t = if t_s.is_finite() { t_s.min(high).max(low) } else { old.0 };
    let v = if strength.is_finite() { strength.clamp(0.0, 1.0) } else { old.1 };
    next.nodes[i] = (t, v);
    next
}

/// The curve with a node more; near another one, that one is moved instead.
pub fn added(curve: &StrengthCurve, t_s: f64, strength: f64, longest_s: f64) -> StrengthCurve {
    let t = t_s.clamp(0.0, longest_s.max(0.0));
    if let Some(i) = curve.nodes.iter().position(|n| (n.0 - t).abs() < GAP_S) {
        return moved(curve, i, curve.nodes[i].0, strength, longest_s);
    }
    let mut next = curve.clone();
    let at = next.nodes.partition_point(|n| n.0 < t);
    next.nodes.insert(at, (t, strength.clamp(0.0, 1.0)));
    next
}

/// The curve without node `i`; none when it is the last one.
pub fn removed(curve: &StrengthCurve, i: usize) -> Option<StrengthCurve> {
    if curve.nodes.len() < 2 || i >= curve.nodes.len() {
        return None;
    }
    let mut next = curve.clone();
    next.nodes.remove(i);
    Some(next)
}

/// What a node wants.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NodeEvent {
    /// It is dragged and stands here now: seconds after the onset, strength.
    Dragged(f64, f64),
    /// The drag is over.
    Released,
    /// The drag was given up.
    Aborted,
    /// One step of its own.
    Stepped(f64, f64),
    /// It is to go.
    Removed,
}

/// Where curves are drawn: seconds after the onset and strength against points.
pub struct CurveSpace<'a> {
    /// The lane.
    pub rect: Rect,
    /// x of a time.
    pub x: &'a dyn Fn(f64) -> f32,
    /// Time of an x.
    pub t_s: &'a dyn Fn(f32) -> f64,
}

impl CurveSpace<'_> {
    /// Where a strength is drawn: 0 at the floor, 1 near the ceiling.
    pub fn y(&self, strength: f64) -> f32 {
        self.rect.bottom() - strength as f32 * self.height()
    }

    /// The strength drawn at `y`.
    pub fn strength(&self, y: f32) -> f64 {
        f64::from((self.rect.bottom() - y) / self.height())
    }

    fn height(&self) -> f32 {
        (self.rect.height() - 10.0).max(1.0)
    }

    /// Where a node is drawn.
    pub fn pos(&self, node: (f64, f64)) -> Pos2 {
        Pos2::new((self.x)(node.0), self.y(node.1))
    }
}

/// Interacts with node `i`. Its position is drawn by the caller.
pub fn node(
    ui: &Ui,
    id: Id,
    i: usize,
    node: (f64, f64),
    space: &CurveSpace<'_>,
    enabled: bool,
    memory: &mut HandleMemory,
) -> (egui::Response, Option<NodeEvent>) {
    let pos = space.pos(node);
    let sense = if enabled { Sense::drag() } else { Sense::focusable_noninteractive() };
    let response = ui.interact(Rect::from_center_size(pos, Vec2::splat(14.0)), id, sense);
    let mut event = None;
    if enabled {
        let at = |p: Pos2| NodeEvent::Dragged((space.t_s)(p.x), space.strength(p.y));
        event = match memory.follow(ui, &response, pos) {
            Some(DragPhase::Moved(p)) => Some(at(p)),
            Some(DragPhase::Released(_)) => Some(NodeEvent::Released),
            Some(DragPhase::Aborted) => Some(NodeEvent::Aborted),
            None => None,
        };
        let right = response.contains_pointer()
            && !memory.dragging()
            && ui.input(|i| i.pointer.button_clicked(egui::PointerButton::Secondary));
        if right {
            event = Some(NodeEvent::Removed);
        }
        event = event.or_else(|| node_key(ui, &response, node, memory.drags(id))).or_else(|| {
            let percent = requested_values(ui, id, node.1 * 100.0, 1.0).pop()?;
            Some(NodeEvent::Stepped(node.0, percent / 100.0))
        });
        if response.hovered() || response.dragged() {
            ui.ctx().set_cursor_icon(CursorIcon::Move);
        }
    }
    describe(ui, &response, i, node, enabled);
    (response, event)
}

fn node_key(ui: &Ui, response: &egui::Response, node: (f64, f64), dragging: bool) -> Option<NodeEvent> {
    if !response.has_focus() {
        return None;
    }
    let filter = EventFilter { horizontal_arrows: true, vertical_arrows: true, escape: dragging, tab: false };
    ui.memory_mut(|m| m.set_focus_lock_filter(response.id, filter));
    let mut found = None;
    ui.input_mut(|input| {
        input.events.retain(|e| {
            let Event::Key { key, pressed: true, modifiers, .. } = e else { return true };
            if found.is_some() {
                return true;
            }
            found = wish(*key, *modifiers, node);
            found.is_none()
        });
    });
    found
}

/// What a key asks of a node: arrows move it by 1 ms or 1 %, with Shift by 10.
fn wish(key: Key, modifiers: Modifiers, (t, v): (f64, f64)) -> Option<NodeEvent> {
    let (dt, dv) = if modifiers.shift { (0.01, 0.1) } else { (0.001, 0.01) };
    Some(match key {
        Key::ArrowLeft => NodeEvent::Stepped(t - dt, v),
        Key::ArrowRight => NodeEvent::Stepped(t + dt, v),
        Key::ArrowUp => NodeEvent::Stepped(t, v + dv),
        Key::ArrowDown => NodeEvent::Stepped(t, v - dv),
        Key::Delete | Key::Backspace => NodeEvent::Removed,
        _ => return None,
    })
}

fn describe(ui: &Ui, response: &egui::Response, i: usize, node: (f64, f64), enabled: bool) {
    let percent = node.1 * 100.0;
    response.widget_info(|| WidgetInfo::slider(enabled, percent, format!("Strength node {}", i + 1)));
    ui.ctx().accesskit_node_builder(response.id, |n| {
        n.set_value(format!("{percent:.0} %, {:.0} ms after the onset", node.0 * 1000.0));
        n.set_min_numeric_value(0.0);
        n.set_max_numeric_value(100.0);
        n.set_numeric_value_step(1.0);
        if enabled {
            n.add_action(Action::SetValue);
            n.add_action(Action::Increment);
            n.add_action(Action::Decrement);
        }
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    fn curve() -> StrengthCurve {
        StrengthCurve { nodes: vec![(0.04, 0.0), (0.16, 1.0), (1.0, 0.5)] }
    }

    #[test]
    fn nodes_stay_in_order() {
        let c = moved(&curve(), 1, 5.0, 2.0, 3.0);
        assert_eq!(c.nodes[1], (1.0 - GAP_S, 1.0));
        let c = moved(&curve(), 1, -5.0, -2.0, 3.0);
        assert_eq!(c.nodes[1], (0.04 + GAP_S, 0.0));
        assert_eq!(moved(&curve(), 0, -5.0, 0.2, 3.0).nodes[0], (0.0, 0.2));
        assert_eq!(moved(&curve(), 2, 9.0, 0.5, 3.0).nodes[2], (3.0, 0.5));
        assert_eq!(moved(&curve(), 9, 9.0, 0.5, 3.0), curve());
        assert_eq!(moved(&curve(), 1, f64::NAN, f64::NAN, 3.0), curve());
    }

    #[test]
    fn adding_and_removing() {
        let c = added(&curve(), 0.5, 0.7, 3.0);
        assert_eq!(c.nodes, [(0.04, 0.0), (0.16, 1.0), (0.5, 0.7), (1.0, 0.5)]);
        // On top of another: that one takes the strength.
        assert_eq!(added(&curve(), 0.1604, 0.3, 3.0).nodes[1], (0.16, 0.3));
        assert_eq!(removed(&c, 2), Some(curve()));
        let one = StrengthCurve { nodes: vec![(0.0, 1.0)] };
        assert_eq!(removed(&one, 0), None, "at least one stays");
    }
}
