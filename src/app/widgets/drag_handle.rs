//! A handle on a time axis: a focusable slider with three inputs (mouse, keys, screen reader) and
//! one clamping path.
//!
//! Knows nothing of documents: it reports what is wanted as [`HandleEvent`]s.

use egui::accesskit::{Action, ActionData};
use egui::{
    CursorIcon, Event, EventFilter, Id, Key, Modifiers, Pos2, Rect, Response, Sense, Ui, Vec2, WidgetInfo,
};

/// What a handle wants.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum HandleEvent {
    /// It is dragged and stands here now; more may follow.
    Dragged(f64),
    /// The drag is over.
    Released,
    /// The drag was given up: as if it had not been.
    Aborted,
    /// One step of its own (a key, a screen reader).
    Stepped(f64),
    /// To the next zero crossing, or the one before.
    Crossing {
        /// Later in time.
        forward: bool,
    },
}

/// How far keys move a handle, in its own unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Steps {
    /// An arrow key.
    pub one: f64,
    /// An arrow key with Shift.
    pub big: f64,
    /// An arrow key with Ctrl or Alt, and the page keys; none where there is no such step.
    pub period: Option<f64>,
}

/// A handle for one pass.
pub struct Handle<'a> {
    /// Its identity, stable between passes.
    pub id: Id,
    /// What a screen reader calls it.
    pub name: &'a str,
    /// Where it can be taken hold of.
    pub grab: Rect,
    /// What else it can be taken hold of by ([`hold_by`]).
    pub flag: Option<Id>,
    /// Where it stands on the screen.
    pub anchor: Pos2,
    /// What it is worth.
    pub value: f64,
    /// Least value.
    pub min: f64,
    /// Greatest value.
    pub max: f64,
    /// The value in words, such as "1.250 s, frame 60000".
    pub text: String,
    /// What keys do.
    pub steps: Steps,
    /// Whether O looks for zero crossings.
    pub crossings: bool,
    /// Shown over it.
    pub cursor: CursorIcon,
    /// Whether it can be moved.
    pub enabled: bool,
}

/// Memory of the handles of one view.
#[derive(Debug, Clone, Default)]
pub struct HandleMemory {
    grab: Option<Grab>,
    /// Which part of what is dragged is meant, where it is one of many.
    pub part: Option<usize>,
    /// The handle touched last: it wins where handles stand close together.
    pub last: Option<Id>,
    /// The ground that the handles stand on was clicked last: Tab goes on from there.
    tab_from_here: bool,
}

#[derive(Debug, Clone, Copy)]
struct Grab {
    id: Id,
    /// From the anchor to where it was taken hold of.
    offset: Vec2,
    moved: bool,
    /// Where the pointer was last time: a still pointer moves nothing.
    at: Pos2,
}

/// Which handle Tab goes to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TabTo {
    /// The first one.
    First,
    /// The last one (backwards).
    Last,
}

/// A drag, step by step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum DragPhase {
    /// The anchor is wanted here.
    Moved(Pos2),
    /// Let go after it moved; where the anchor is wanted if the pointer moved again as it let go.
    Released(Option<Pos2>),
    /// Given up by Escape.
    Aborted,
}

impl HandleMemory {
    /// Whether a handle is being dragged.
    pub fn dragging(&self) -> bool {
        self.grab.is_some()
    }

    /// Whether this handle is being dragged.
    pub fn drags(&self, id: Id) -> bool {
        self.grab.is_some_and(|g| g.id == id)
    }

    /// Where Tab leads after a click into `ground`, once: to its handles, unless something else was touched
    /// meanwhile.
    pub fn tab_from(&mut self, ui: &Ui, ground: Rect) -> Option<TabTo> {
        let (pressed, at, tab, shift) = ui.input(|i| {
            (i.pointer.any_pressed(), i.pointer.interact_pos(), i.key_pressed(Key::Tab), i.modifiers.shift)
        });
        if pressed {
            let here =
                at.is_some_and(|p| ground.contains(p) && ui.ctx().layer_id_at(p) == Some(ui.layer_id()));
            // A handle that was taken hold of has the keyboard itself.
            self.tab_from_here = here && self.grab.is_none();
        } else if tab {
            return std::mem::take(&mut self.tab_from_here).then_some(if shift {
                TabTo::Last
            } else {
                TabTo::First
            });
        } else if ui.memory(|m| m.focused().is_some()) {
            self.tab_from_here = false;
        }
        None
    }

    /// Forgets a drag whose handle is gone; whether it had moved anything.
    pub fn drop_drag(&mut self) -> bool {
        self.grab.take().is_some_and(|g| g.moved)
    }

    /// Follows a drag of `response`, whose anchor stood at `anchor` when it was taken hold of.
    pub fn follow(&mut self, ui: &Ui, response: &Response, anchor: Pos2) -> Option<DragPhase> {
        let id = response.id;
        if response.drag_started_by(egui::PointerButton::Primary) {
            let press = ui.input(|i| i.pointer.press_origin()).unwrap_or(anchor);
            self.grab = Some(Grab { id, offset: press - anchor, moved: false, at: press });
            self.part = None;
            self.last = Some(id);
            response.request_focus();
        }
        let grab = self.grab.as_mut().filter(|g| g.id == id)?;
        if ui.input_mut(|i| i.consume_key(Modifiers::NONE, Key::Escape)) {
            let moved = grab.moved;
            self.grab = None;
            ui.ctx().stop_dragging();
            return moved.then_some(DragPhase::Aborted);
        }
        if response.drag_stopped() || !response.dragged() {
            let (moved, at, offset) = (grab.moved, grab.at, grab.offset);
            self.grab = None;
            let last = ui.input(|i| i.pointer.interact_pos()).filter(|p| *p != at);
            return (moved || last.is_some()).then_some(DragPhase::Released(last.map(|p| p - offset)));
        }
        let pointer = response.interact_pointer_pos()?;
        if pointer == grab.at {
            return None;
        }
        grab.at = pointer;
        grab.moved = true;
        Some(DragPhase::Moved(pointer - grab.offset))
    }
}

impl Handle<'_> {
    /// The one path that every wish goes through: a whole number of steps' unit inside the limits.
    pub fn clamp(&self, wanted: f64) -> f64 {
        let v = if wanted.is_finite() { wanted.round() } else { self.value };
        v.clamp(self.min, self.max.max(self.min))
    }

    /// Interacts: `value_at` gives the value wanted when the anchor is dragged to an x.
    pub fn show(
        &self,
        ui: &Ui,
        memory: &mut HandleMemory,
        value_at: impl Fn(f32) -> f64,
    ) -> (Response, Vec<HandleEvent>) {
        let enabled = self.enabled;
        let sense = if enabled { Sense::drag() } else { Sense::focusable_noninteractive() };
        let line = ui.interact(self.grab, self.id, sense);
        let mut response = line.clone();
        if let Some(flag) = self.flag.filter(|_| enabled).and_then(|id| ui.ctx().read_response(id)) {
            // One handle: whichever of the two is held, the drag is told under the handle's own name.
            response = response.union(flag);
        }
        let mut events = Vec::new();
        if enabled {
            match memory.follow(ui, &response, self.anchor) {
                Some(DragPhase::Moved(to)) => events.extend(self.dragged(value_at(to.x))),
                Some(DragPhase::Released(last)) => {
                    events.extend(last.and_then(|to| self.dragged(value_at(to.x))));
                    events.push(HandleEvent::Released);
                }
                Some(DragPhase::Aborted) => events.push(HandleEvent::Aborted),
                None => {}
            }
            if events.is_empty() {
                self.keys(ui, &response, memory.drags(self.id), &mut events);
                self.requests(ui, &mut events);
            }
            if response.hovered() || response.dragged() {
                ui.ctx().set_cursor_icon(self.cursor);
            }
        }
        // Of the line alone: that is where it stands.
        self.describe(ui, &line, enabled);
        (response, events)
    }

    fn dragged(&self, wanted: f64) -> Option<HandleEvent> {
        let value = self.clamp(wanted);
        (value != self.value).then_some(HandleEvent::Dragged(value))
    }

    fn keys(&self, ui: &Ui, response: &Response, dragging: bool, events: &mut Vec<HandleEvent>) {
        if !response.has_focus() {
            return;
        }
        let filter = EventFilter { horizontal_arrows: true, escape: dragging, ..Default::default() };
        ui.memory_mut(|m| m.set_focus_lock_filter(response.id, filter));
        let mut value = self.value;
        ui.input_mut(|input| {
            input.events.retain(|event| {
                let Event::Key { key, pressed: true, modifiers, .. } = event else { return true };
                let Some(wish) = self.wish(*key, *modifiers, value) else { return true };
                match wish {
                    HandleEvent::Stepped(to) if to == value => {}
                    HandleEvent::Stepped(to) => {
                        value = to;
                        events.push(wish);
                    }
                    _ => events.push(wish),
                }
                false
            });
        });
    }

    /// What a key asks for.
    fn wish(&self, key: Key, modifiers: Modifiers, value: f64) -> Option<HandleEvent> {
        let far = self.steps.period.unwrap_or(self.steps.big);
        let arrow = match modifiers {
            m if m.shift => self.steps.big,
            m if m.any() => far,
            _ => self.steps.one,
        };
        let by = match key {
            Key::ArrowLeft => -arrow,
            Key::ArrowRight => arrow,
            Key::PageDown => -far,
            Key::PageUp => far,
            Key::Home => self.min - value,
            Key::End => self.max - value,
            Key::O if self.crossings && !modifiers.command && !modifiers.alt => {
                return Some(HandleEvent::Crossing { forward: !modifiers.shift });
            }
            _ => return None,
        };
        Some(HandleEvent::Stepped(self.clamp(value + by)))
    }

    fn requests(&self, ui: &Ui, events: &mut Vec<HandleEvent>) {
        for value in requested_values(ui, self.id, self.value, self.steps.one) {
            let value = self.clamp(value);
            if value != self.value {
                events.push(HandleEvent::Stepped(value));
            }
        }
    }

    fn describe(&self, ui: &Ui, response: &Response, enabled: bool) {
        response.widget_info(|| WidgetInfo::slider(enabled, self.value, self.name));
        ui.ctx().accesskit_node_builder(self.id, |node| {
            node.set_value(self.text.as_str());
            node.set_min_numeric_value(self.min);
            node.set_max_numeric_value(self.max);
            node.set_numeric_value_step(self.steps.one);
            node.set_orientation(egui::accesskit::Orientation::Horizontal);
            if enabled {
                node.add_action(Action::SetValue);
                node.add_action(Action::Increment);
                node.add_action(Action::Decrement);
            }
        });
    }
}

/// A place more at which a handle is taken hold of, over all that was added before. It is added after all
/// handles, and counts from the next pass on.
pub fn hold_by(ui: &Ui, place: Rect, id: Id) {
    ui.interact(place, id, Sense::DRAG);
}

/// Values that a screen reader asks for, by step or by number, one after the other.
pub fn requested_values(ui: &Ui, id: Id, value: f64, step: f64) -> Vec<f64> {
    ui.input(|i| {
        let steps = i.num_accesskit_action_requests(id, Action::Increment) as f64
            - i.num_accesskit_action_requests(id, Action::Decrement) as f64;
        let stepped = (steps != 0.0).then_some(value + steps * step);
        let set = i.accesskit_action_requests(id, Action::SetValue).filter_map(|r| match &r.data {
            Some(ActionData::NumericValue(v)) => Some(*v),
            Some(ActionData::Value(text)) => text.trim().parse().ok(),
            _ => None,
        });
        stepped.into_iter().chain(set).collect()
    })
}

/// How far to each side of a handle it can be taken hold of, in points.
pub const REACH: f32 = 6.0;

/// Splits the ground between handles at `xs` so that no two overlap: each reaches [`REACH`] points
/// to both sides, neighbours meet in the middle, and `preferred` keeps all of its own.
pub fn grab_spans(xs: &[f32], preferred: Option<usize>) -> Vec<(f32, f32)> {
    let mut spans: Vec<(f32, f32)> = xs.iter().map(|x| (x - REACH, x + REACH)).collect();
    for i in 0..xs.len() {
        for j in 0..xs.len() {
            // Of two at one place the earlier one lies to the left.
            let before = xs[i] < xs[j] || (xs[i] == xs[j] && i < j);
            if i == j || !before || xs[j] - xs[i] >= 2.0 * REACH {
                continue;
            }
            let border = match preferred {
                Some(p) if p == i => xs[i] + REACH,
                Some(p) if p == j => xs[j] - REACH,
                _ => (xs[i] + xs[j]) / 2.0,
            };
            spans[i].1 = spans[i].1.min(border);
            spans[j].0 = spans[j].0.max(border);
        }
    }
    spans.into_iter().map(|(a, b)| (a, b.max(a))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn grab_spans_never_overlap() {
        for xs in [vec![10.0, 13.0, 40.0], vec![5.0, 5.0], vec![9.0, 2.0, 4.0, 4.5]] {
            for preferred in std::iter::once(None).chain((0..xs.len()).map(Some)) {
                let spans = grab_spans(&xs, preferred);
                if let Some(p) = preferred {
                    assert_eq!(spans[p], (xs[p] - REACH, xs[p] + REACH), "{xs:?} {preferred:?}");
                }
                for (i, a) in spans.iter().enumerate() {
                    for b in &spans[i + 1..] {
                        let shared = a.1.min(b.1) - a.0.max(b.0);
                        assert!(shared <= 0.0 || a.1 == a.0 || b.1 == b.0, "{xs:?} {preferred:?} {spans:?}");
                    }
                }
            }
        }
    }

    #[test]
    fn lone_handle_reaches_both_ways() {
        assert_eq!(grab_spans(&[50.0], None), [(44.0, 56.0)]);
        assert_eq!(grab_spans(&[50.0, 54.0], None), [(44.0, 52.0), (52.0, 60.0)]);
    }

    #[test]
    fn keys_clamp() {
        let h = Handle {
            id: Id::unique("h"),
            name: "h",
            grab: Rect::ZERO,
            flag: None,
            anchor: Pos2::ZERO,
            value: 100.0,
            min: 90.0,
            max: 600.0,
            text: String::new(),
            steps: Steps { one: 1.0, big: 480.0, period: Some(109.09) },
            crossings: true,
            cursor: CursorIcon::ResizeHorizontal,
            enabled: true,
        };
        let step = |key, m| match h.wish(key, m, h.value) {
            Some(HandleEvent::Stepped(v)) => v,
            other => panic!("{other:?}"),
        };
        assert_eq!(step(Key::ArrowRight, Modifiers::NONE), 101.0);
        assert_eq!(step(Key::ArrowLeft, Modifiers::SHIFT), 90.0);
        assert_eq!(step(Key::ArrowRight, Modifiers::SHIFT), 580.0);
        assert_eq!(step(Key::ArrowRight, Modifiers::CTRL), 209.0);
        assert_eq!(step(Key::PageUp, Modifiers::NONE), 209.0);
        assert_eq!(step(Key::End, Modifiers::NONE), 600.0);
        assert_eq!(h.clamp(f64::NAN), 100.0);
        assert_eq!(h.wish(Key::O, Modifiers::SHIFT, 100.0), Some(HandleEvent::Crossing { forward: false }));
        assert_eq!(h.wish(Key::O, Modifiers::COMMAND, 100.0), None, "opening is not ours");
    }
}
