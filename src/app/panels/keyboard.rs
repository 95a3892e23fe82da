//! The strip of the audition keyboard: its settings above, its keys below.

mod bar;

use std::collections::HashMap;

use egui::{
    Align, Align2, Color32, Context, Event, FontId, Id, Key, Layout, Rect, RichText, Role, Sense, Stroke,
    StrokeKind, Ui, WidgetInfo, pos2, vec2,
};

use bar::{hiding, letters, settings, status};

use super::deliver::key_map::{KeyAxis, is_black, sounding};
use crate::app::command::{Command, KeyboardCommand};
use crate::app::keyboard::{KeyState, KeyboardSetup, KeyboardView, StruckBy};
use crate::app::theme::{mix, strong};
use crate::app::view::View;
use crate::app::words;
use crate::units::MidiNote;

/// Height of the drawn keys.
const KEYS: f32 = 74.0;
/// From this width on everything above the keys stands in one row.
const ONE_ROW: f32 = 1080.0;
/// Two rows of letters, by their place on the keyboard: each row goes up in whole tones, the upper one
/// lies a semitone above the lower one's left neighbour, so that going to and fro between them is the
/// chromatic scale and every interval feels the same from any key. Source: the arrangement of two rows
/// of P. von Jankó's keyboard, German patent 25282 (1882) (from memory).
const ROWS: [(&[Key], i32); 2] = [
    (&[Key::Z, Key::X, Key::C, Key::V, Key::B, Key::N, Key::M, Key::Comma, Key::Period, Key::Slash], 0),
    (
        &[Key::A, Key::S, Key::D, Key::F, Key::G, Key::H, Key::J, Key::K, Key::L, Key::Semicolon, Key::Quote],
        -1,
    ),
];
/// An octave down and up.
const OCTAVE: [(Key, i32); 2] = [(Key::Q, -12), (Key::W, 12)];
/// Octaves shown where no key sounds: C2 to B6.
const EMPTY: (u8, u8) = (36, 95);

/// The note of a letter, where the lower row begins at `first`.
pub fn note_of(key: Key, first: MidiNote) -> Option<MidiNote> {
    ROWS.iter().find_map(|(keys, offset)| {
        let at = keys.iter().position(|k| *k == key)?;
        let note = i32::from(first.0) + offset + 2 * at as i32;
        (0..=127).contains(&note).then_some(MidiNote(note as u8))
    })
}

/// Whether `key` is one that writes: while the keyboard has the keys these are no commands.
fn is_letter(key: Key) -> bool {
    let name = key.name();
    note_of(key, MidiNote(60)).is_some() || (name.len() == 1 && name.chars().all(|c| c.is_ascii_alphabetic()))
}

/// What may be lost.
#[derive(Debug, Default)]
pub struct KeyboardPanel {
    /// Letters that are down, by their place, and what they play.
    typed: HashMap<Key, MidiNote>,
    /// What stands on the keys, where it is not what their place is called by.
    names: HashMap<Key, Key>,
    /// The space bar holds the sustain.
    space: bool,
    /// The mouse went down on the keys and is not up again.
    pressing: bool,
    /// The key under it.
    under: Option<MidiNote>,
    /// Something was dragged in the pass before.
    dragging: bool,
}

impl KeyboardPanel {
    /// Takes the letters that play notes out of the input, before anybody sees commands in them.
    pub fn take_keys(&mut self, ctx: &Context, keyboard: &KeyboardView) -> Vec<Command> {
        let mut out = Vec::new();
        // Escape has ended the drag of this pass already.
        let dragging = std::mem::replace(&mut self.dragging, ctx.dragged_id().is_some());
        let writing = ctx.text_edit_focused();
        let plays = keyboard.takes_keys && !writing;
        if !ctx.input(|i| i.focused) || !plays {
            out.extend(self.lift_typed());
        }
        if !plays {
            return out;
        }
        // Several keys in one pass: each goes on from where the one before led.
        let mut setup = keyboard.setup.clone();
        let focus = ctx.memory(|m| m.focused().is_some());
        ctx.input_mut(|i| {
            i.events.retain(|event| {
                let Event::Key { key, physical_key, pressed, repeat, modifiers } = event else { return true };
                let place = physical_key.unwrap_or(*key);
                // What went down comes up, whatever else is held by then.
                if !*pressed {
                    out.extend(self.come_up(place));
                    return true;
                }
                if modifiers.command || modifiers.ctrl || modifiers.alt {
                    return true;
                }
                match place {
                    // A drag that is going on is given up first, wherever it is.
                    Key::Escape if dragging => return true,
                    Key::Escape => {
                        out.push(Command::Keyboard(KeyboardCommand::TakeKeys(false)));
                        return false;
                    }
                    Key::Space if focus => return true,
                    Key::Space => {
                        if !std::mem::replace(&mut self.space, true) {
                            out.push(Command::Keyboard(KeyboardCommand::Sustain(true)));
                        }
                        return false;
                    }
                    _ => {}
                }
                if !is_letter(place) && !is_letter(*key) {
                    return true;
                }
                self.names.insert(place, *key);
                if let (Some(note), false) = (note_of(place, setup.first), *repeat) {
                    if let Some(old) = self.typed.insert(place, note) {
                        out.push(lift(old));
                    }
                    out.push(strike(note, StruckBy::Typing));
                } else if let Some((_, by)) = OCTAVE.iter().find(|(k, _)| *k == place) {
                    setup.first = shifted(setup.first, *by);
                    out.push(set(setup.clone()));
                }
                false
            });
        });
        out
    }

    /// A key of the computer comes up: what it played, or the sustain it held, ends.
    fn come_up(&mut self, place: Key) -> Option<Command> {
        if place == Key::Space && std::mem::take(&mut self.space) {
            return Some(Command::Keyboard(KeyboardCommand::Sustain(false)));
        }
        self.typed.remove(&place).map(lift)
    }

    /// Lets go what the computer's keys hold: they come up where nobody here hears of it.
    pub fn lift_typed(&mut self) -> Vec<Command> {
        let mut out: Vec<Command> = self.typed.drain().map(|(_, note)| lift(note)).collect();
        if std::mem::take(&mut self.space) {
            out.push(Command::Keyboard(KeyboardCommand::Sustain(false)));
        }
        out
    }

    /// Draws the strip.
    pub fn ui(&mut self, ui: &mut Ui, view: &View<'_>, keyboard: &KeyboardView) -> Vec<Command> {
        let mut out = Vec::new();
        if ui.available_width() < ONE_ROW {
            ui.horizontal_wrapped(|ui| {
                ui.label(RichText::new("Audition keyboard").family(strong()));
                hiding(ui, &mut out);
                letters(ui, view, keyboard, &mut out);
                settings(ui, view, keyboard, &mut out);
            });
        } else {
            ui.horizontal(|ui| {
                ui.label(RichText::new("Audition keyboard").family(strong()));
                letters(ui, view, keyboard, &mut out);
                ui.add_space(6.0);
                settings(ui, view, keyboard, &mut out);
                ui.with_layout(Layout::right_to_left(Align::Center), |ui| hiding(ui, &mut out));
            });
        }
        status(ui, view, keyboard, &mut out);
        self.keys(ui, view, keyboard, &mut out);
        out
    }

    fn keys(&mut self, ui: &mut Ui, view: &View<'_>, keyboard: &KeyboardView, out: &mut Vec<Command>) {
        let (rect, _) = ui.allocate_exact_size(vec2(ui.available_width(), KEYS), Sense::hover());
        let axis = KeyAxis::of(&keyboard.map, rect.left(), rect.right()).unwrap_or(KeyAxis {
            low: EMPTY.0,
            high: EMPTY.1,
            left: rect.left(),
            width: rect.width() / f32::from(EMPTY.1 - EMPTY.0 + 1),
        });
        self.pointer(ui, rect, &axis, out);
        ui.painter().rect_filled(rect, 2.0, Color32::from_gray(0x70));
        // White ones first: the black ones lie over them.
        for black in [false, true] {
            for key in (axis.low..=axis.high).filter(|k| is_black(*k) == black) {
                self.key(ui, view, keyboard, (&axis, rect), MidiNote(key), out);
            }
        }
    }

    /// The mouse: down strikes, moving along goes from key to key, up lifts.
    fn pointer(&mut self, ui: &Ui, rect: Rect, axis: &KeyAxis, out: &mut Vec<Command>) {
        let over = ui.rect_contains_pointer(rect);
        let (pressed, down, at) =
            ui.input(|i| (i.pointer.primary_pressed(), i.pointer.primary_down(), i.pointer.interact_pos()));
        // Without the focus nobody tells when the button comes up.
        let down = down && ui.input(|i| i.focused);
        self.pressing = (self.pressing || (pressed && over)) && (down || pressed);
        let under = at.filter(|p| self.pressing && rect.contains(*p)).and_then(|p| key_at(p, rect, axis));
        if under != self.under {
            out.extend(self.under.map(|n| Command::Keyboard(KeyboardCommand::Lift(n, StruckBy::Pointer))));
            out.extend(under.map(|n| strike(n, StruckBy::Pointer)));
            self.under = under;
        }
        if !down && let Some(n) = self.under.take() {
            self.pressing = false;
            out.push(Command::Keyboard(KeyboardCommand::Lift(n, StruckBy::Pointer)));
        }
    }

    fn key(
        &self,
        ui: &Ui,
        view: &View<'_>,
        keyboard: &KeyboardView,
        (axis, rect): (&KeyAxis, Rect),
        note: MidiNote,
        out: &mut Vec<Command>,
    ) {
        let one = key_rect(rect, axis, note.0);
        let state = state_of(keyboard, note);
        let down = keyboard.down.get(&note);
        let name = words::note(view.document, note);
        let word = match (&state, down) {
            (_, Some(true)) => "sounds",
            (_, Some(false)) => "sustained",
            (None, _) => "silent",
            (Some(KeyState::Ready), _) => "ready",
            (Some(KeyState::Waiting), _) => "being made ready",
            (Some(KeyState::Failed(_)), _) => "cannot be played",
        };
        // Not reached by Tab: the letters are the way of the keyboard.
        let response = ui.interact(one, Id::unique("audition key").with(note), Sense::CLICK);
        response.widget_info(|| {
            WidgetInfo::selected(Role::Button, true, down.is_some(), format!("Key {name}: {word}"))
        });
        // A screen reader's press has no pointer: it puts the key down, the next one lifts it.
        if response.clicked() && !ui.input(|i| i.pointer.any_click()) {
            out.push(match down {
                Some(true) => Command::Keyboard(KeyboardCommand::Lift(note, StruckBy::Pointer)),
                _ => strike(note, StruckBy::Pointer),
            });
        }
        self.paint(ui, view, keyboard, (one, &state), note);
        if down.is_none() {
            let mut text = sounding(view.document, &keyboard.map, note);
            if let Some(KeyState::Failed(why)) = &state {
                text += &format!("\n{why}");
            }
            response.on_hover_text_at_pointer(text);
        }
    }

    fn paint(
        &self,
        ui: &Ui,
        view: &View<'_>,
        keyboard: &KeyboardView,
        (one, state): (Rect, &Option<KeyState>),
        note: MidiNote,
    ) {
        // The keys are a thing of their own: white and black in both themes.
        let black = is_black(note.0);
        let plain = Color32::from_gray(if black { 0x22 } else { 0xF6 });
        let grey = Color32::from_gray(0xA8);
        let fill = match (keyboard.down.get(&note), state) {
            (Some(true), _) => mix(plain, Color32::from_rgb(0xE0, 0x5A, 0x84), 0.75),
            (Some(false), _) => mix(plain, Color32::from_rgb(0xE0, 0x5A, 0x84), 0.45),
            (_, None) => mix(plain, grey, 0.75),
            (_, Some(KeyState::Ready)) => plain,
            (_, Some(_)) => mix(plain, grey, 0.4),
        };
        let ink = if black { Color32::from_gray(0xF4) } else { Color32::from_gray(0x20) };
        let painter = ui.painter();
        painter.rect_filled(one, 2.0, fill);
        painter.rect_stroke(one, 2.0, Stroke::new(0.7, Color32::from_gray(0x55)), StrokeKind::Inside);
        let bottom = one.center_bottom();
        if keyboard.map.regions.iter().any(|r| r.root == note) {
            painter.circle_filled(pos2(bottom.x, one.top() + 9.0), 2.5, ink);
        }
        if keyboard.takes_keys
            && let Some(letter) = self.letter_of(note, keyboard.setup.first)
        {
            painter.text(
                bottom - vec2(0.0, 14.0),
                Align2::CENTER_BOTTOM,
                letter,
                FontId::new(12.0, strong()),
                ink,
            );
        }
        if note.0.is_multiple_of(12) && one.width() > 14.0 {
            let name = words::note(view.document, note);
            let font = FontId::proportional(10.0);
            painter.text(
                bottom - vec2(0.0, 2.0),
                Align2::CENTER_BOTTOM,
                name,
                font,
                Color32::from_gray(0x50),
            );
        }
    }

    /// What stands on the computer's key that plays `note`.
    fn letter_of(&self, note: MidiNote, first: MidiNote) -> Option<&'static str> {
        let places = ROWS.iter().flat_map(|(keys, _)| keys.iter());
        let place = places.into_iter().find(|k| note_of(**k, first) == Some(note))?;
        Some(match self.names.get(place).unwrap_or(place) {
            Key::Quote => "'",
            key => key.symbol_or_name(),
        })
    }
}

fn lift(note: MidiNote) -> Command {
    Command::Keyboard(KeyboardCommand::Lift(note, StruckBy::Typing))
}

fn strike(key: MidiNote, by: StruckBy) -> Command {
    Command::Keyboard(KeyboardCommand::Strike { key, velocity: None, by })
}

fn set(setup: KeyboardSetup) -> Command {
    Command::Keyboard(KeyboardCommand::Set(setup))
}

/// The computer's keys moved by whole octaves, as far as there are notes.
fn moved(setup: &KeyboardSetup, by: i32) -> Command {
    set(KeyboardSetup { first: shifted(setup.first, by), ..setup.clone() })
}

fn shifted(first: MidiNote, by: i32) -> MidiNote {
    MidiNote((i32::from(first.0) + by).clamp(0, 108) as u8)
}

/// The rectangle of a key: white ones reach half way under the black ones beside them.
fn key_rect(rect: Rect, axis: &KeyAxis, key: u8) -> Rect {
    let (left, right) = (axis.x_from_key(key), axis.x_from_key(key + 1));
    if is_black(key) {
        return Rect::from_min_max(pos2(left, rect.top()), pos2(right, rect.top() + 0.6 * rect.height()));
    }
    let half = axis.width / 2.0;
    let before = if key > axis.low && is_black(key - 1) { half } else { 0.0 };
    let after = if key < axis.high && is_black(key + 1) { half } else { 0.0 };
    Rect::from_min_max(pos2(left - before, rect.top()), pos2(right + after, rect.bottom()))
}

/// The key at a place: a black one before the white ones under it.
fn key_at(at: egui::Pos2, rect: Rect, axis: &KeyAxis) -> Option<MidiNote> {
    let on = |key: &u8| key_rect(rect, axis, *key).contains(at);
    let keys = || axis.low..=axis.high;
    let black = keys().filter(|k| is_black(*k)).find(on);
    black.or_else(|| keys().filter(|k| !is_black(*k)).find(on)).map(MidiNote)
}

/// How the takes under a key stand: the worst of them; none: nothing sounds there.
fn state_of(keyboard: &KeyboardView, note: MidiNote) -> Option<KeyState> {
    let on = keyboard.map.regions.iter().filter(|r| (r.keys.0..=r.keys.1).contains(&note));
    let rank = |s: &&KeyState| match s {
        KeyState::Ready => 0,
        KeyState::Waiting => 1,
        KeyState::Failed(_) => 2,
    };
    on.filter_map(|r| keyboard.states.get(&r.take)).max_by_key(rank).cloned()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Whole tones in a row (2 semitones), a semitone between the rows.
    #[test]
    fn two_rows_make_the_chromatic_scale_without_a_gap() {
        let first = MidiNote(60);
        let mut notes: Vec<u8> = ROWS
            .iter()
            .flat_map(|(keys, _)| keys.iter())
            .filter_map(|k| note_of(*k, first))
            .map(|n| n.0)
            .collect();
        notes.sort_unstable();
        assert_eq!(notes, (59..=79).collect::<Vec<u8>>());
        assert_eq!(note_of(Key::Z, first), Some(first));
        assert_eq!(note_of(Key::A, MidiNote(0)), None, "there is no note below 0");
        assert_eq!(note_of(Key::Q, first), None);
    }

    #[test]
    fn every_place_on_the_keys_belongs_to_one_key_and_black_lies_over_white() {
        let rect = Rect::from_min_size(pos2(0.0, 0.0), vec2(240.0, 100.0));
        let axis = KeyAxis { low: 48, high: 71, left: 0.0, width: 10.0 };
        for x in 0..240 {
            for y in [10.0, 90.0] {
                let at = pos2(x as f32 + 0.5, y);
                let key = key_at(at, rect, &axis).map(|k| k.0);
                assert!(key.is_some_and(|k| y < 60.0 || !is_black(k)), "{at:?}: {key:?}");
            }
        }
        assert_eq!(key_at(pos2(15.0, 10.0), rect, &axis), Some(MidiNote(49)));
    }
}
