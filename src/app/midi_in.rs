//! What a MIDI keyboard plays goes to the audition keyboard.

use egui::Context;

use super::app::App;
use super::command::{Command, KeyboardCommand};
use super::keyboard::StruckBy;
use super::notices::About;
use crate::playback::midi::{MidiEvent, MidiListener};

/// While a MIDI keyboard holds keys it is looked for this often, in seconds: unplugged, it says nothing.
const LOOK_S: f64 = 2.0;

impl App {
    /// Opens the input that the settings name, or none.
    pub(super) fn open_midi(&mut self, ctx: &Context) {
        self.midi = None;
        self.let_midi_keys_go();
        let Some(name) = self.settings.get().midi_input.clone() else {
            self.keyboard.set_midi(None);
            return;
        };
        let wake = ctx.clone();
        match MidiListener::open(&name, move || wake.request_repaint()) {
            Ok(listener) => {
                self.keyboard.set_midi(Some(Ok(listener.name().to_owned())));
                self.midi = Some(listener);
            }
            Err(e) => self.keyboard.set_midi(Some(Err(e.to_string()))),
        }
    }

    fn let_midi_keys_go(&mut self) {
        if self.keyboard.held_by_midi() {
            let released = self.keyboard.all_up();
            self.sound.release_keys(released);
        }
    }

    /// Which inputs there are was looked up: an input that went is let go, one that came back is opened.
    pub(super) fn follow_midi_inputs(&mut self, ctx: &Context) {
        let (Some(name), Some(inputs)) = (&self.settings.get().midi_input, &self.devices.inputs) else {
            return;
        };
        // A system that offers no MIDI (any more) has no input either.
        let is_there = inputs.as_ref().is_ok_and(|all| all.contains(name));
        if is_there != self.midi.is_some() {
            let text = format!("The MIDI input {name} is gone; it is listened to again when it is back.");
            self.open_midi(ctx);
            if !is_there {
                self.notices.warn_of(About::Midi, text);
            } else {
                self.notices.mended(About::Midi);
            }
        }
    }

    /// Carries out what the MIDI keyboard said.
    pub(super) fn hear_midi(&mut self, ctx: &Context, now: f64) {
        let events: Vec<MidiEvent> = self.midi.iter().flat_map(MidiListener::events).collect();
        if !events.is_empty() && self.session.path().is_some() && !self.keyboard.view().shown {
            // Whoever plays wants to hear; the letters stay what they are.
            self.keyboard.show(true);
            self.keyboard.take_keys(false);
            self.follow_keyboard();
        }
        for event in events {
            let command = match event {
                MidiEvent::Down(key, velocity) => {
                    KeyboardCommand::Strike { key, velocity: Some(velocity), by: StruckBy::Midi }
                }
                MidiEvent::Up(key) => KeyboardCommand::Lift(key, StruckBy::Midi),
                MidiEvent::Sustain(on) => KeyboardCommand::Sustain(on),
                MidiEvent::AllUp => KeyboardCommand::AllUp,
            };
            self.dispatch(ctx, Command::Keyboard(command));
        }
        if self.keyboard.held_by_midi() && now - self.midi_looked > LOOK_S {
            self.midi_looked = now;
            self.work.look_for_devices();
        }
    }
}
