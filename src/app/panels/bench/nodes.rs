//! Nodes of a curve under the hands: how one is dragged, moved by keys, removed, told and painted, and
//! which commands that makes. What the two coordinates of a node are is its curve's matter.

use egui::{
    CursorIcon, Event, EventFilter, FontId, Id, Key, Modifiers, Painter, PointerButton, Pos2, Rect, Response,
    Sense, Stroke, Ui, Vec2, WidgetInfo, accesskit::Action, pos2, vec2,
};

use super::gesture::{abort, commit, preview, step};
use crate::app::command::Command;
use crate::app::theme::Theme;
use crate::app::widgets::drag_handle::{DragPhase, HandleMemory, requested_values};
use crate::session::Edit;

/// What a node wants.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NodeEvent {
    /// It is dragged and stands here now.
    Dragged(f64, f64),
    /// The drag is over; where it is wanted if it moved again as it was let go.
    Released(Option<(f64, f64)>),
    /// The drag was given up.
    Aborted,
    /// One step of its own.
    Stepped(f64, f64),
    /// It is to go.
    Removed,
}

/// A node as its curve has it.
pub struct Node<'a> {
    /// Its coordinates.
    pub value: (f64, f64),
    /// Its place on the screen.
    pub pos: Pos2,
    /// Coordinates of a place on the screen.
    pub at: &'a dyn Fn(Pos2) -> (f64, f64),
    /// What a key asks of it.
    pub wish: fn(Key, Modifiers, (f64, f64)) -> Option<NodeEvent>,
    /// Its name.
    pub name: String,
    /// Both coordinates in words.
    pub words: String,
    /// What the second coordinate is multiplied by to be told as a number, and the least and the most it
    /// can be then: more of it lies higher.
    pub told: (f64, f64, f64),
}

impl Node<'_> {
    /// Interacts with the node. It is painted by the caller ([`paint`]).
    pub fn interact(
        &self,
        ui: &Ui,
        id: Id,
        enabled: bool,
        memory: &mut HandleMemory,
    ) -> (Response, Option<NodeEvent>) {
        let sense = if enabled { Sense::drag() } else { Sense::focusable_noninteractive() };
        let response = ui.interact(Rect::from_center_size(self.pos, Vec2::splat(14.0)), id, sense);
        let mut event = None;
        if enabled {
            event = memory.follow(ui, &response, self.pos).map(|phase| match phase {
                DragPhase::Moved(p) => NodeEvent::Dragged((self.at)(p).0, (self.at)(p).1),
                DragPhase::Released(last) => NodeEvent::Released(last.map(self.at)),
                DragPhase::Aborted => NodeEvent::Aborted,
            });
            let right = response.contains_pointer()
                && !memory.dragging()
                && ui.input(|i| i.pointer.button_clicked(egui::PointerButton::Secondary));
            if right {
                event = Some(NodeEvent::Removed);
            }
            event = event.or_else(|| self.key(ui, &response, memory.drags(id))).or_else(|| {
                let told = requested_values(ui, id, self.value.1 * self.told.0, 1.0).pop()?;
                Some(NodeEvent::Stepped(self.value.0, told / self.told.0))
            });
            if response.hovered() || response.dragged() {
                ui.ctx().set_cursor_icon(CursorIcon::Move);
            }
        }
        self.describe(ui, &response, enabled);
        (response, event)
    }

    fn key(&self, ui: &Ui, response: &Response, dragging: bool) -> Option<NodeEvent> {
        if !response.has_focus() {
            return None;
        }
        let filter =
            EventFilter { horizontal_arrows: true, vertical_arrows: true, escape: dragging, tab: false };
        ui.memory_mut(|m| m.set_focus_lock_filter(response.id, filter));
        let mut found = None;
        ui.input_mut(|input| {
            input.events.retain(|e| {
                let Event::Key { key, pressed: true, modifiers, .. } = e else { return true };
                if found.is_some() {
                    return true;
                }
                found = (self.wish)(*key, *modifiers, self.value);
                found.is_none()
            });
        });
        found
    }

    fn describe(&self, ui: &Ui, response: &Response, enabled: bool) {
        let (unit, least, most) = self.told;
        response.widget_info(|| WidgetInfo::slider(enabled, self.value.1 * unit, self.name.clone()));
        ui.ctx().accesskit_node_builder(response.id, |n| {
            n.set_value(self.words.clone());
            n.set_min_numeric_value(least);
            n.set_max_numeric_value(most);
            n.set_numeric_value_step(1.0);
            if enabled {
                n.add_action(Action::SetValue);
                n.add_action(Action::Increment);
                n.add_action(Action::Decrement);
            }
        });
    }
}

/// Paints a node at `at`, with `words` beside it while it is worked on, inside `lane`.
pub fn paint(painter: &Painter, t: &Theme, lane: Rect, at: Pos2, words: &str, r: &Response) {
    let hot = r.hovered() || r.dragged() || r.has_focus();
    painter.circle(
        at,
        if hot { 6.0 } else { 4.5 },
        t.sheet,
        Stroke::new(if hot { 2.5 } else { 2.0 }, t.accent),
    );
    if r.has_focus() {
        painter.circle_stroke(at, 9.0, Stroke::new(1.0, t.ink));
    }
    if hot {
        let galley = painter.layout_no_wrap(words.to_owned(), FontId::proportional(11.5), t.ink);
        let size = galley.size() + vec2(10.0, 4.0);
        let left = if at.x + 12.0 + size.x < lane.right() { at.x + 12.0 } else { at.x - 12.0 - size.x };
        let lowest = (lane.bottom() - size.y - 2.0).max(lane.top() + 2.0);
        let top = (at.y - size.y / 2.0).clamp(lane.top() + 2.0, lowest);
        let back = Rect::from_min_size(pos2(left, top), size);
        painter.rect(back, 3.0, t.paper, Stroke::new(1.0, t.line), egui::StrokeKind::Inside);
        painter.galley(back.min + vec2(5.0, 2.0), galley, t.ink);
    }
}

/// How a curve is bent, in words for its tooltips.
pub const HOW: &str = "Drag the line to bend it; double-click adds a node, Delete removes it";
/// This near to a line, in points, it can be taken hold of; this near to a node, the node is.
const LINE_REACH: f32 = 7.0;
const NODE_REACH: f32 = 10.0;

/// The line of a curve under the hand, away from its nodes.
pub struct Line<'a> {
    /// What it lies on: senses clicks and drags.
    pub ground: &'a Response,
    /// As it is drawn.
    pub points: &'a [Pos2],
    /// Where the nodes stand.
    pub nodes: &'a [Pos2],
    /// The name of a node on the screen.
    pub id_of: &'a dyn Fn(usize) -> Id,
}

impl Line<'_> {
    /// The point of the line that is taken hold of at `p`; none away from the line, or over a node.
    fn held_at(&self, p: Pos2) -> Option<Pos2> {
        if self.nodes.iter().any(|n| (*n - p).length() < NODE_REACH) {
            return None;
        }
        let near = self.points.windows(2).map(|w| nearest_on(w[0], w[1], p));
        let near = near.min_by(|a, b| (*a - p).length().total_cmp(&(*b - p).length()))?;
        ((near - p).length() <= LINE_REACH).then_some(near)
    }

    /// Follows the hand on the line: a drag makes a node where the line is taken hold of, and moves it.
    /// `made`: the curve with such a node, and which one it is; `bent`: the curve with that node elsewhere.
    pub fn follow<C>(
        &self,
        ui: &Ui,
        memory: &mut HandleMemory,
        curve: &C,
        made: &dyn Fn(Pos2) -> (C, usize),
        bent: &dyn Fn(&C, usize, Pos2) -> C,
    ) -> Option<Bent<C>> {
        let over = self.ground.hover_pos().filter(|_| !memory.dragging()).and_then(|p| self.held_at(p));
        if over.is_some() || memory.drags(self.ground.id) {
            ui.ctx().set_cursor_icon(CursorIcon::Move);
        }
        let mut anchor = Pos2::ZERO;
        if self.ground.drag_started_by(PointerButton::Primary) {
            anchor = ui.input(|i| i.pointer.press_origin()).and_then(|p| self.held_at(p))?;
        }
        let phase = memory.follow(ui, self.ground, anchor)?;
        let at = |to: Pos2, memory: &mut HandleMemory| match memory.part {
            Some(node) => bent(curve, node, to),
            None => {
                let (curve, node) = made(to);
                memory.part = Some(node);
                // It has the keys from now on: arrows and Delete go to it.
                ui.memory_mut(|m| m.request_focus((self.id_of)(node)));
                curve
            }
        };
        Some(match phase {
            DragPhase::Moved(to) => Bent::Shown(at(to, memory)),
            DragPhase::Released(last) => Bent::Done(last.map(|to| at(to, memory))),
            DragPhase::Aborted => Bent::GivenUp,
        })
    }
}

/// What a drag of a line wants.
#[derive(Debug, Clone, PartialEq)]
pub enum Bent<C> {
    /// It is dragged, and the curve is this one now.
    Shown(C),
    /// The drag is over; the curve, if it moved again as it was let go.
    Done(Option<C>),
    /// The drag was given up.
    GivenUp,
}

impl<C> Bent<C> {
    /// Turns it into commands: a drag is one step, called `label`.
    pub fn take(self, label: &'static str, set: &dyn Fn(C) -> Option<Edit>, out: &mut Vec<Command>) {
        match self {
            Self::Shown(curve) => out.extend(set(curve).map(preview)),
            Self::Done(last) => {
                out.extend(last.and_then(set).map(preview));
                out.push(commit(label));
            }
            Self::GivenUp => out.push(abort()),
        }
    }
}

/// The point between `a` and `b` that is nearest to `p`.
fn nearest_on(a: Pos2, b: Pos2, p: Pos2) -> Pos2 {
    let way = b - a;
    let share =
        if way.length_sq() > 0.0 { ((p - a).dot(way) / way.length_sq()).clamp(0.0, 1.0) } else { 0.0 };
    a + way * share
}

/// Which node stands nearest to `x`.
pub fn nearest(nodes: &[(f64, f64)], x: f64) -> usize {
    let off = |n: &(f64, f64)| (n.0 - x).abs();
    let best = nodes.iter().enumerate().min_by(|a, b| off(a.1).total_cmp(&off(b.1)));
    best.map_or(0, |(i, _)| i)
}

/// `nodes` without number `i`; none when it is the last one.
pub fn without(nodes: &[(f64, f64)], i: usize) -> Option<Vec<(f64, f64)>> {
    if nodes.len() < 2 || i >= nodes.len() {
        return None;
    }
    let mut next = nodes.to_vec();
    next.remove(i);
    Some(next)
}

/// A curve whose node is worked on, and what can become of it.
pub struct Bending<'a, C> {
    /// As it is.
    pub old: &'a C,
    /// With the node elsewhere.
    pub moved: &'a dyn Fn(f64, f64) -> C,
    /// Without the node, where it may go.
    pub removed: &'a dyn Fn() -> Option<C>,
    /// The edit that makes a curve the take's.
    pub set: &'a dyn Fn(C) -> Option<Edit>,
    /// Names of the steps: moved, removed.
    pub labels: (&'static str, &'static str),
}

impl<C: PartialEq> Bending<'_, C> {
    /// Turns what the node wants into commands: a drag is one step.
    pub fn take(&self, event: NodeEvent, out: &mut Vec<Command>) {
        let to = |(x, y): (f64, f64)| (self.set)((self.moved)(x, y));
        let (bend, remove) = self.labels;
        match event {
            NodeEvent::Dragged(x, y) => out.extend(to((x, y)).map(preview)),
            NodeEvent::Released(last) => {
                out.extend(last.and_then(to).map(preview));
                out.push(commit(bend));
            }
            NodeEvent::Aborted => out.push(abort()),
            NodeEvent::Stepped(x, y) => {
                let next = (self.moved)(x, y);
                if next != *self.old {
                    out.extend((self.set)(next).map(|e| step(bend, e)));
                }
            }
            NodeEvent::Removed => {
                out.extend((self.removed)().and_then(self.set).map(|e| step(remove, e)));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_is_held_at_its_nearest_point() {
        let (a, b) = (pos2(0.0, 0.0), pos2(10.0, 0.0));
        assert_eq!(nearest_on(a, b, pos2(4.0, 3.0)), pos2(4.0, 0.0));
        assert_eq!(nearest_on(a, b, pos2(14.0, 3.0)), b);
        assert_eq!(nearest_on(a, a, pos2(1.0, 1.0)), a, "an upright line of no length");
        assert_eq!(nearest(&[(0.0, 1.0), (2.0, 0.0), (5.0, 0.0)], 3.0), 1);
    }
}
