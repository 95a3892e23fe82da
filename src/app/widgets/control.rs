//! Buttons that know their key, and fields that hand over a value when it is finished.

use egui::{Button, Id, Key, Modifiers, Response, RichText, Stroke, TextEdit, Ui};

use crate::app::shortcuts::{Action, tip};
use crate::app::theme::{Theme, strong};

/// Why something cannot be changed in a session that is read only; the bar at the top tells the reason.
pub const READ_ONLY: &str = "This session can only be looked at and heard, not changed";

/// A button with a tooltip that ends with its key; `why_not`: why it cannot be pressed now, which the
/// tooltip then says. True when pressed.
pub fn key_button(ui: &mut Ui, text: &str, about: &str, action: Action, why_not: Option<&str>) -> bool {
    let hover = tip(ui.ctx(), about, action);
    let response = ui.add_enabled(why_not.is_none(), Button::new(text)).on_hover_text(&hover);
    response.on_disabled_hover_text(format!("{}.\n{hover}", why_not.unwrap_or_default())).clicked()
}

/// For a value that is no part of the document: what it was before the drag of `response` that Escape has
/// just ended; `now`: the value before this frame.
pub fn escaped<T>(ui: &Ui, response: &Response, now: T) -> Option<T>
where
    T: Copy + Default + Send + Sync + 'static,
{
    let id = response.id.with("before the drag");
    if response.drag_started() {
        ui.data_mut(|d| d.insert_temp(id, now));
    } else if !response.dragged() {
        let before = ui.data_mut(|d| d.remove_temp::<T>(id))?;
        return ui.input_mut(|i| i.consume_key(Modifiers::NONE, Key::Escape)).then_some(before);
    }
    None
}

/// A button that stays pressed: with an edge at rest, and pressed in darker, with a strong edge and
/// strong words, so that not colour alone tells it.
pub fn switch<'a>(text: impl Into<String>, on: bool, size: f32, theme: &Theme) -> Button<'a> {
    let text = RichText::new(text).size(size);
    let text = if on { text.family(strong()) } else { text };
    let edge = if on { Stroke::new(2.0, theme.accent) } else { Stroke::new(1.0, theme.edge()) };
    Button::new(text).selected(on).stroke(edge)
}

/// The one button of a page that leads on.
pub fn main_button(ui: &mut Ui, text: &str, enabled: bool, theme: &Theme) -> Response {
    let button = Button::new(RichText::new(text).color(theme.on_accent))
        .fill(theme.accent)
        .stroke(Stroke::NONE)
        .min_size(egui::vec2(0.0, 32.0));
    ui.add_enabled(enabled, button)
}

/// One line of a list that a button opened; whether it was chosen. The line chosen before (`now`) has the
/// keys at once, so that arrows go on from there, and choosing closes the list, by keys as by the mouse.
pub fn list_line(ui: &mut Ui, now: bool, text: impl Into<String>) -> bool {
    let response = ui.selectable_label(now, text.into());
    if now {
        let id = ui.scope_id().with("list was open");
        let pass = ui.ctx().cumulative_pass_nr();
        let last = ui.data(|d| d.get_temp::<u64>(id)).unwrap_or_default();
        ui.data_mut(|d| d.insert_temp(id, pass));
        if pass > last + 1 {
            response.request_focus();
            response.scroll_to_me(None);
        }
    }
    let chosen = response.clicked();
    if chosen {
        ui.close();
    }
    chosen
}

/// Text of second rank.
pub fn soft(text: impl Into<String>, theme: &Theme) -> RichText {
    RichText::new(text).color(theme.ink_soft)
}

/// A text field over a value that lives elsewhere: typing stays in `draft` until Enter or leaving
/// the field hands it over; Escape forgets it. `about` is its tooltip.
pub fn field(
    ui: &mut Ui,
    names: (&str, &str),
    now: &str,
    draft: &mut Option<String>,
    width: f32,
) -> Option<String> {
    field_with(ui, None, names, now, draft, width).1
}

/// The same with its response; `id`: one of its own, so that a key can go to it.
pub fn field_with(
    ui: &mut Ui,
    id: Option<Id>,
    (name, about): (&str, &str),
    now: &str,
    draft: &mut Option<String>,
    width: f32,
) -> (Response, Option<String>) {
    let mut text = draft.clone().unwrap_or_else(|| now.to_owned());
    let mut edit = TextEdit::singleline(&mut text).desired_width(width);
    if let Some(id) = id {
        edit = edit.id(id);
    }
    let response = ui.add(edit).accessible_name(name).on_hover_text(about);
    if response.gained_focus() {
        response.scroll_to_me(None);
    }
    if response.changed() {
        *draft = Some(text.clone());
    }
    if !response.lost_focus() {
        return (response, None);
    }
    let escaped = ui.input(|i| i.key_pressed(Key::Escape));
    (response, draft.take().filter(|t| !escaped && t != now))
}
