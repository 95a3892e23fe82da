//! The keys that were pressed, as actions.

use egui::{Context, Key, KeyboardShortcut};

use super::{Action, TABLE, of};

/// Whether a key may be taken while a text field has the focus: undo and redo there belong to the
/// field, and so do all keys that write.
fn works_while_typing(s: &KeyboardShortcut) -> bool {
    match s.logical_key {
        Key::F1 | Key::F2 => true,
        Key::S | Key::O | Key::K | Key::U | Key::Comma => s.modifiers.command,
        _ => false,
    }
}

/// Whether a key belongs to whatever widget has the focus.
fn belongs_to_focus(s: &KeyboardShortcut) -> bool {
    s.logical_key == Key::Space
}

/// Whether an action works while a window lies over the rooms: what opens and closes windows, and what is the
/// same everywhere. What would change a take that the window hides, or play it, does not.
pub fn works_over(action: Action) -> bool {
    matches!(
        action,
        Action::Commands
            | Action::Keys
            | Action::Preferences
            | Action::Steps
            | Action::Messages
            | Action::Undo
            | Action::Redo
            | Action::Save
    )
}

/// What was typed after the keys of the command list in the frame that they came in: it is meant for the
/// list, which shows in the next. Taken out of the input.
pub fn typed_for_list(ctx: &Context) -> String {
    let keys = of(Action::Commands).keys;
    ctx.input_mut(|i| {
        let opens = |e: &egui::Event| {
            let egui::Event::Key { key, pressed: true, modifiers, .. } = e else { return false };
            keys.iter().any(|k| k.logical_key == *key && modifiers.matches_logically(k.modifiers))
        };
        let Some(at) = i.events.iter().position(opens) else { return String::new() };
        let mut typed = String::new();
        let mut place = 0;
        i.events.retain(|e| {
            place += 1;
            match e {
                egui::Event::Text(t) if place > at + 1 => typed += t,
                egui::Event::Key { modifiers, .. } if place > at + 1 && !modifiers.command => {}
                _ => return true,
            }
            false
        });
        typed
    })
}

/// The actions whose keys were pressed since the last frame, in the order they were pressed; the keys are
/// used up. `listing`: the command list shows, and letters are meant for it.
pub fn pressed(ctx: &Context, listing: bool) -> Vec<Action> {
    let typing = listing || ctx.text_edit_focused();
    let focus = ctx.memory(|m| m.focused().is_some());
    let mut keys: Vec<_> = TABLE.iter().flat_map(|s| s.keys.iter().map(move |k| (s.action, *k))).collect();
    keys.sort_by_key(|(_, k)| {
        let m = k.modifiers;
        std::cmp::Reverse(usize::from(m.command) + usize::from(m.shift) + usize::from(m.alt))
    });
    keys.retain(|(_, k)| (!typing || works_while_typing(k)) && !(focus && belongs_to_focus(k)));
    // Of the keys that fit, the one that names most modifiers.
    let meant = |key: Key, held: egui::Modifiers| {
        let fits = |k: &KeyboardShortcut| k.logical_key == key && held.matches_logically(k.modifiers);
        keys.iter().find(|(_, k)| fits(k)).map(|(action, _)| *action)
    };
    let mut found = Vec::new();
    ctx.input_mut(|i| {
        i.events.retain(|e| {
            let egui::Event::Key { key, pressed: true, modifiers, .. } = e else { return true };
            let action = meant(*key, *modifiers);
            found.extend(action);
            action.is_none()
        });
    });
    found
}
