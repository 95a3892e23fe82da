//! What the keyboard comes to is brought into sight: the toolkit gives the focus also to what a scroll area
//! holds out of sight, and leaves it there.

use egui::style::ScrollAnimation;
use egui::{Context, Id, Rect, Ui};

/// At the end of what a scroll area holds: scrolls to what has just got the focus by a key, if it is in here.
pub fn follow_focus(ui: &Ui) {
    let focused = ui.memory(|m| m.focused());
    let last = ui.scope_id().with("focus seen");
    if ui.data(|d| d.get_temp::<Option<Id>>(last)).flatten() == focused {
        return;
    }
    ui.data_mut(|d| d.insert_temp(last, focused));
    // What is clicked is seen, and must not be drawn away from under the pointer.
    let by_pointer = ui.input(|i| i.pointer.any_down() || i.pointer.any_released());
    if by_pointer {
        return;
    }
    if let Some(rect) = focused.and_then(|id| place_within(ui.ctx(), id, ui.unique_id()))
        && !ui.clip_rect().contains_rect(rect)
    {
        ui.scroll_to_rect_animation(rect.expand(4.0), None, ScrollAnimation::none());
    }
}

/// The place of the widget `id` if it lies in `area`, however deep.
fn place_within(ctx: &Context, id: Id, area: Id) -> Option<Rect> {
    ctx.viewport(|v| {
        let known = |id| v.this_pass.widgets.get(id).or_else(|| v.prev_pass.widgets.get(id));
        let rect = known(id)?.rect;
        let mut at = id;
        // Deeper than any of our panels; ends also where a parent were its own.
        for _ in 0..64 {
            at = known(at)?.parent_id;
            if at == area {
                return Some(rect);
            }
        }
        None
    })
}
