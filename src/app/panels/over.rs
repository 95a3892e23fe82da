//! Who has the keys while a window lies over the rooms: it alone. What is hidden behind it is not decided about
//! by a letter that was meant for the window, nor does Tab lead there.

use egui::{Context, Event, FocusDirection, Id, Key, LayerId, Order, Popup, Stroke, StrokeKind, vec2};

use crate::app::theme::Theme;
use crate::app::widgets::dialog::{self, Arrows};

/// How far the ring around what has the keyboard stands off, and how strong it is.
const RING: (f32, f32) = (2.0, 2.0);

/// What lies over the rooms, and where the keyboard was before and goes after.
#[derive(Debug, Default)]
pub struct Over {
    open: bool,
    /// What had the keyboard when the first window opened.
    before: Option<Id>,
    /// The field that Enter left: Tab goes on from there.
    left: Option<Id>,
    /// Which way Tab goes on from it in this pass: it had to have the keyboard in the one before.
    on: Option<FocusDirection>,
    /// Keys that the rooms do not see in this pass, and their places among what came in.
    held: Vec<(usize, Event)>,
    /// The mouse was used last: then the ring only lies in the way.
    by_mouse: bool,
}

impl Over {
    /// At the start of a pass; `open`: a window lies over the rooms.
    pub fn begin(&mut self, ctx: &Context, open: bool) {
        dialog::turn(ctx);
        let typing = ctx.text_edit_focused();
        ctx.input(|i| {
            let key =
                |e: &Event| matches!(e, Event::Key { key, pressed: true, .. } if !typing || *key == Key::Tab);
            let request = |e: &Event| matches!(e, Event::AccessKitActionRequest(_));
            if i.events.iter().any(|e| key(e) || request(e)) {
                self.by_mouse = false;
            } else if i.pointer.any_pressed() {
                self.by_mouse = true;
            }
        });
        self.go_on_from_field(ctx, typing);
        self.follow_opening(ctx, open);
        if open && !Popup::is_any_open(ctx) {
            walk(ctx);
        }
    }

    /// A window that opens takes the keyboard, and the last one that closes gives it back.
    fn follow_opening(&mut self, ctx: &Context, open: bool) {
        let focused = ctx.memory(|m| m.focused());
        match (std::mem::replace(&mut self.open, open), open) {
            (false, true) => self.before = focused.filter(|id| order_of(ctx, *id) == Some(Order::Background)),
            (true, false) => {
                let before = self.before.take().filter(|id| order_of(ctx, *id).is_some());
                let within = |id| order_of(ctx, id).is_some_and(|o| o != Order::Background);
                // Who went elsewhere meanwhile stays there.
                if focused.is_none_or(within) {
                    ctx.memory_mut(|m| match (before, focused) {
                        (Some(id), _) => m.request_focus(id),
                        (None, Some(id)) => m.surrender_focus(id),
                        (None, None) => {}
                    });
                }
            }
            _ => {}
        }
    }

    /// Enter takes what was typed into a field and leaves it, and nothing has the keyboard: so that letters are
    /// commands again. Tab goes on from the field all the same, not from the corner of the window.
    fn go_on_from_field(&mut self, ctx: &Context, typing: bool) {
        if let Some(on) = self.on.take() {
            ctx.memory_mut(|m| m.move_focus(on));
            return;
        }
        let focused = ctx.memory(|m| m.focused());
        let (enter, tab, pressed) =
            ctx.input(|i| (i.key_pressed(Key::Enter), i.key_pressed(Key::Tab), i.pointer.any_pressed()));
        if typing && enter {
            self.left = focused;
        } else if pressed || (focused.is_some() && focused != self.left) {
            self.left = None;
        } else if tab
            && focused.is_none()
            && let Some(id) = self.left.take()
            && order_of(ctx, id).is_some()
        {
            // The toolkit gives the keyboard to a field once more in the pass in which it takes it away.
            let back = ctx.input(|i| i.modifiers.shift);
            self.on = Some(if back { FocusDirection::Previous } else { FocusDirection::Next });
            ctx.memory_mut(|m| {
                m.request_focus(id);
                m.move_focus(FocusDirection::None);
            });
            ctx.request_repaint();
        }
    }

    /// Takes the keys away from what is drawn until [`Over::give_back`].
    pub fn hold(&mut self, ctx: &Context) {
        let focused = ctx.memory(|m| m.focused());
        let field_in_room =
            ctx.text_edit_focused() && focused.is_some_and(|id| order_of(ctx, id) == Some(Order::Background));
        if !self.open || field_in_room {
            return;
        }
        // A list that a button of the rooms opened is walked by these.
        let list = Popup::is_any_open(ctx);
        let walks = |key: &Key| {
            let keys = [Key::ArrowUp, Key::ArrowDown, Key::ArrowLeft, Key::ArrowRight];
            list && (keys.contains(key) || [Key::Enter, Key::Space, Key::Escape, Key::Tab].contains(key))
        };
        let held = &mut self.held;
        ctx.input_mut(|i| {
            let mut place = 0;
            i.events.retain(|e| {
                let held_now = matches!(e, Event::Key { key, .. } if !walks(key));
                if held_now {
                    held.push((place, e.clone()));
                }
                place += 1;
                !held_now
            });
        });
    }

    /// Gives them back, for the windows.
    pub fn give_back(&mut self, ctx: &Context) {
        ctx.input_mut(|i| {
            for (place, event) in self.held.drain(..) {
                let place = place.min(i.events.len());
                i.events.insert(place, event);
            }
        });
    }

    /// A ring around what has the keyboard, unlike anything that says "selected": it stands off, in ink, and
    /// is painted over everything, so that nothing moves.
    pub fn ring(&self, ctx: &Context, theme: &Theme) {
        let Some(id) = ctx.memory(|m| m.focused()).filter(|_| !self.by_mouse) else { return };
        let Some(widget) = ctx.viewport(|v| v.this_pass.widgets.get(id).copied()) else { return };
        let seen = widget.interact_rect;
        if !seen.is_positive() {
            return;
        }
        let (off, width) = RING;
        // What a scroll area cuts is ringed as far as it is seen.
        let whole = ctx.content_rect();
        let room = seen.expand2(vec2(off + width, off + width)).intersect(whole);
        let rect = widget.rect.expand(off).intersect(whole.shrink(width));
        let painter = ctx.layer_painter(widget.layer_id).with_clip_rect(room);
        // A line of paper between the ring and an edge that has a colour of its own.
        painter.rect_stroke(rect, 4.0, Stroke::new(off, theme.sheet), StrokeKind::Inside);
        painter.rect_stroke(rect, 4.0, Stroke::new(width, theme.ink), StrokeKind::Outside);
    }
}

/// In what kind of layer the widget `id` lay in the pass before.
fn order_of(ctx: &Context, id: Id) -> Option<Order> {
    ctx.viewport(|v| v.prev_pass.widgets.get(id).map(|w| w.layer_id.order))
}

/// What the keyboard can come to in a layer, in the order of its controls.
fn stops(ctx: &Context, layer: LayerId) -> Vec<Id> {
    ctx.viewport(|v| {
        let all = v.prev_pass.widgets.get_layer(layer);
        all.filter(|w| w.enabled && w.sense.is_focusable()).map(|w| w.id).collect()
    })
}

/// Tab goes round in the uppermost window, and so do Up and Down where it does nothing else with them. The
/// toolkit's own way would lead on into the rooms.
fn walk(ctx: &Context) {
    ctx.memory_mut(|m| m.move_focus(FocusDirection::None));
    let Some((layer, arrows)) = dialog::top(ctx) else { return };
    let typing = ctx.text_edit_focused();
    let by: i64 = ctx.input(|i| {
        let steps = i.events.iter().map(|e| match e {
            Event::Key { key: Key::Tab, pressed: true, modifiers, .. } if modifiers.shift_only() => -1,
            Event::Key { key: Key::Tab, pressed: true, modifiers, .. } if !modifiers.any() => 1,
            Event::Key { key, pressed: true, modifiers, .. }
                if arrows == Arrows::Walk && !typing && !modifiers.any() =>
            {
                i64::from(*key == Key::ArrowDown) - i64::from(*key == Key::ArrowUp)
            }
            _ => 0,
        });
        steps.sum()
    });
    if by == 0 {
        return;
    }
    let stops = stops(ctx, layer);
    let at = ctx.memory(|m| m.focused()).and_then(|id| stops.iter().position(|s| *s == id));
    let count = stops.len() as i64;
    let to = match at {
        Some(at) => at as i64 + by,
        None => by.min(0) + i64::from(by > 0) * (by - 1),
    };
    if count > 0 {
        let to = stops[to.rem_euclid(count) as usize];
        ctx.memory_mut(|m| m.request_focus(to));
        ctx.request_repaint();
    }
}
