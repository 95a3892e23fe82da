//! Nodes of a curve under the hands: how one is dragged, moved by keys, removed, told and painted, and
//! which commands that makes. What the two coordinates of a node are is its curve's matter.

use egui::{
    CursorIcon, Event, EventFilter, FontId, Id, Key, Modifiers, Painter, Pos2, Rect, Response, Sense, Stroke,
    Ui, Vec2, WidgetInfo, accesskit::Action, pos2, vec2,
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
