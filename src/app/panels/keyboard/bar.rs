//! What stands above the keys of the audition keyboard: its settings, and what cannot be heard and why.

use egui::{Button, Checkbox, ComboBox, Label, RichText, Slider, Stroke, Ui};

use super::{moved, set};
use crate::app::command::{Command, KeyboardCommand, SoundCommand};
use crate::app::keyboard::{KeyboardSetup, KeyboardView};
use crate::app::quantity;
use crate::app::shortcuts::{Action, tip};
use crate::app::view::View;
use crate::app::widgets::control::{escaped, list_line, soft, switch};
use crate::app::widgets::typed::Typed;

/// The buttons that end everything.
pub(super) fn hiding(ui: &mut Ui, out: &mut Vec<Command>) {
    let hover = tip(ui.ctx(), "Hides the audition keyboard", Action::Keyboard);
    if ui.button("Hide").on_hover_text(hover).clicked() {
        out.push(Command::Keyboard(KeyboardCommand::Show(false)));
    }
    let about = "Lets every key go at once, and the sustain";
    if ui.button("All notes off").on_hover_text(about).clicked() {
        out.push(Command::Keyboard(KeyboardCommand::AllUp));
    }
}

/// Whether letters play notes or are commands.
pub(super) fn letters(ui: &mut Ui, view: &View<'_>, keyboard: &KeyboardView, out: &mut Vec<Command>) {
    let theme = view.theme;
    if keyboard.takes_keys {
        let text = RichText::new("Letters play notes; Esc gives them back").color(theme.on_accent);
        let button = Button::new(text).fill(theme.accent).stroke(Stroke::NONE);
        let about = "The two lower rows of letters play notes, Q and W move them by an octave, the space bar sustains. Press here or Escape, and letters are commands again";
        if ui.add(button).on_hover_text(about).clicked() {
            out.push(Command::Keyboard(KeyboardCommand::TakeKeys(false)));
        }
    } else if ui
        .button("Play with letters")
        .on_hover_text("The two lower rows of letters play notes instead of being commands, until Escape")
        .clicked()
    {
        out.push(Command::Keyboard(KeyboardCommand::TakeKeys(true)));
    }
}

/// Octaves, layer, velocity, sustain, and which takes sound.
pub(super) fn settings(ui: &mut Ui, view: &View<'_>, keyboard: &KeyboardView, out: &mut Vec<Command>) {
    let setup = &keyboard.setup;
    for (text, by, about) in
        [("Octave −", -12, "Letters an octave down (Q)"), ("Octave +", 12, "Letters an octave up (W)")]
    {
        let name = if by < 0 { "Octave down" } else { "Octave up" };
        if ui.button(text).accessible_name(name).on_hover_text(about).clicked() {
            out.push(moved(setup, by));
        }
    }
    let words = |l: Option<u16>| l.map_or("All layers".into(), |l| format!("Layer {}", l + 1));
    let shown = ComboBox::from_id_salt("keyboard layer").selected_text(words(setup.layer)).width(92.0);
    let shown = shown.show_ui(ui, |ui| {
        for layer in std::iter::once(None).chain((0..view.sheet.layers).map(Some)) {
            if list_line(ui, setup.layer == layer, words(layer)) {
                out.push(set(KeyboardSetup { layer, ..setup.clone() }));
            }
        }
    });
    shown
        .response
        .accessible_name("Layer to play")
        .on_hover_text("All layers as they are delivered, or one alone");
    // Flowing text would stand higher than the buttons where it begins a line.
    ui.add(Label::new("Velocity").extend());
    let mut velocity = setup.velocity;
    ui.spacing_mut().slider_width = 80.0;
    let about = "How hard the mouse and the letters strike, 1 to 127; a MIDI keyboard has its own";
    let read = |t: &str| quantity::parse(t, "", None);
    let typed = Typed { range: 1.0..=127.0, unit: "", decimals: 0, read: &read, write: None };
    let slider = typed.slider(ui, Slider::new(&mut velocity, 1..=127), setup.velocity.into());
    let slider = slider.accessible_name("Velocity").on_hover_text(about);
    let now = escaped(ui, &slider, setup.velocity).or_else(|| slider.changed().then_some(velocity));
    out.extend(now.map(|velocity| set(KeyboardSetup { velocity, ..setup.clone() })));
    let sustain = switch("Sustain", keyboard.sustain, 14.0, view.theme);
    let about = "Keys that come up go on sounding (space bar while letters play notes, or the pedal)";
    if ui.add(sustain).on_hover_text(about).clicked() {
        out.push(Command::Keyboard(KeyboardCommand::Sustain(!keyboard.sustain)));
    }
    let mut proposed = setup.proposed;
    let about = "Takes that are proposed but not yet accepted sound as well; they are not delivered";
    if ui.add(Checkbox::new(&mut proposed, "Proposed too")).on_hover_text(about).changed() {
        out.push(set(KeyboardSetup { proposed, ..setup.clone() }));
    }
}

/// One line: what cannot be heard and why, or how far the sounds are.
pub(super) fn status(ui: &mut Ui, view: &View<'_>, keyboard: &KeyboardView, out: &mut Vec<Command>) {
    let warn = |text: &str| RichText::new(text).color(view.theme.warn);
    ui.horizontal(|ui| {
        if let Err(why) = &view.sound.device {
            ui.label(warn("There is no sound device.")).on_hover_text(why);
            if ui.button("Look for sound").clicked() {
                out.push(Command::Sound(SoundCommand::TryDevice));
            }
        } else if let Some(said) = &keyboard.said {
            ui.label(warn(said));
        } else if keyboard.map.regions.is_empty() {
            let text = if keyboard.setup.proposed {
                "No take is accepted or proposed yet: nothing is mapped to the keys."
            } else {
                "No take is accepted yet: nothing is mapped to the keys. “Proposed too” adds what is proposed."
            };
            ui.label(soft(text, view.theme));
        } else {
            let (ready, all) = keyboard.ready();
            let text = if ready == all { "All sounds are ready".into() } else { format!("{ready} of {all} sounds are ready") };
            ui.label(soft(text, view.theme));
            if keyboard.uneven {
                ui.label(soft("Levels as played: they are not measured yet (Deliver room).", view.theme));
            }
        }
        match &keyboard.midi {
            Some(Ok(name)) => {
                ui.label(soft(format!("MIDI: {name}"), view.theme));
            }
            Some(Err(why)) => {
                ui.label(warn("The MIDI input is not there.")).on_hover_text(why);
            }
            None => {}
        }
    });
}
