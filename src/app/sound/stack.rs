//! The stack's sound: wishes about the layers of a note become messages about one group of voices.

use std::sync::Arc;

use super::Sound;
use super::playable::playable;
use crate::app::derived::{Derived, FromRecipe};
use crate::app::stack::StackSetup;
use crate::playback::message::{Group, GroupFrom, GroupKey, GroupVoice, Message, Mix};
use crate::render::apart;
use crate::session::{Document, Recipe, Sheet, TakeId};
use crate::units::MidiNote;

/// The stack that sounds or is about to.
#[derive(Debug)]
pub(super) struct Stacked {
    note: MidiNote,
    /// Where it is to begin, in seconds after the onset; none: at the beginning.
    from: Option<f64>,
    /// What the engine has: takes, and the recipes of their renderings.
    sent: Vec<(TakeId, Option<Arc<Recipe>>)>,
    layers: Vec<u16>,
    /// The engine said so at least once.
    pub(super) heard: bool,
    released: bool,
    /// Its voices stand elsewhere than a fresh start would have them: the spread was changed.
    glided: bool,
}

fn key(note: MidiNote) -> GroupKey {
    GroupKey(u64::from(note.0))
}

fn voice(made: Option<&FromRecipe>, mix: Mix) -> GroupVoice {
    let period = made.and_then(|m| Some(m.rendered.audio.rate().as_f64() / m.rendered.f0?.0)).unwrap_or(0.0);
    GroupVoice {
        what: made.map(|m| {
            // The layers are compared with one another here, not with their sources.
            Box::new(crate::playback::message::Playable { source: None, removed: None, ..playable(m) })
        }),
        onset: made.map_or(0, |m| m.rendered.onset.0),
        period,
        mix,
    }
}

impl Sound {
    /// The note whose stack sounds or is about to.
    pub fn stack_note(&self) -> Option<MidiNote> {
        self.stack.as_ref().map(|s| s.note)
    }

    /// Holds the stack of `note` from its beginning, or as if it had been held for `from` seconds.
    /// Errors (as a sentence): no device.
    pub fn hold_stack(&mut self, note: MidiNote, from: Option<f64>) -> Result<(), String> {
        self.wake()?;
        if self.stack_note() != Some(note) || self.keys_sound {
            self.stop();
        }
        self.stack = Some(Stacked {
            note,
            from,
            sent: Vec::new(),
            layers: Vec::new(),
            heard: false,
            released: false,
            glided: false,
        });
        self.view.stack.note = Some(note);
        self.view.stack.held = true;
        Ok(())
    }

    /// Lets the stack go: its tails are heard, or it fades.
    pub fn release_stack(&mut self) {
        let Some(stack) = &mut self.stack else { return };
        if stack.released {
            return;
        }
        stack.released = true;
        self.view.stack.held = false;
        let (key, begun) = (key(stack.note), !stack.sent.is_empty());
        if begun {
            self.send(Message::Release(key));
        } else {
            self.forget_stack();
        }
    }

    /// The stack is silent, or something else took its place.
    pub(super) fn forget_stack(&mut self) {
        self.stack = None;
        self.view.stack.note = None;
        self.view.stack.held = false;
        self.view.stack.at_s = None;
    }

    /// Sets spread, levels and whatever else belongs to the stack room; heard at once.
    pub fn set_stack(&mut self, setup: StackSetup) {
        let spread = setup.spread != self.view.stack.setup.spread;
        self.view.stack.setup = setup;
        let Some(stack) = &mut self.stack else { return };
        stack.glided |= spread;
        let (key, layers) = (key(stack.note), stack.layers.clone());
        for voice in 0..layers.len() {
            let mix = self.view.stack.setup.mix(voice, &layers);
            self.send(Message::SetMix { key, voice, mix });
        }
    }

    /// The spread stays as it is: the voices go where a fresh start would have them by now, so that
    /// joins come when the picture says.
    pub fn settle_stack(&mut self, derived: &Derived) {
        if let Some(stack) = &mut self.stack
            && std::mem::take(&mut stack.glided)
            && !stack.released
            && !stack.sent.is_empty()
        {
            self.start_stack(GroupFrom::Now, derived);
        }
    }

    /// Lets the stack follow the document: layers join as soon as they are rendered, a new rendering
    /// takes the place of the old one.
    pub fn follow_stack(&mut self, document: &Document, sheet: &Sheet, derived: &Derived) {
        let Some(stack) = &mut self.stack else { return };
        if stack.released {
            return;
        }
        let takes = apart::layers_of(document, sheet, stack.note);
        let state: Vec<(TakeId, Option<Arc<Recipe>>)> = takes
            .iter()
            .map(|id| {
                let has = document.take(*id).is_some_and(|t| t.recipe.is_some());
                let made = derived.of(*id).and_then(|d| d.recipe.as_ref()).filter(|_| has);
                (*id, made.map(|m| Arc::clone(&m.recipe)))
            })
            .collect();
        let ready = state.iter().any(|(_, r)| r.is_some());
        let same =
            stack.sent.len() == state.len()
                && stack.sent.iter().zip(&state).all(|(a, b)| {
                    a.0 == b.0 && a.1.as_ref().map(Arc::as_ptr) == b.1.as_ref().map(Arc::as_ptr)
                });
        if same || (!ready && stack.sent.is_empty()) {
            return;
        }
        let from = match (stack.sent.is_empty(), stack.from) {
            (false, _) => GroupFrom::Now,
            (true, Some(s)) => GroupFrom::At(s),
            (true, None) => GroupFrom::Start,
        };
        stack.sent = state;
        stack.layers = takes.iter().filter_map(|id| document.take(*id)).map(|t| t.layer).collect();
        self.start_stack(from, derived);
    }

    fn start_stack(&mut self, from: GroupFrom, derived: &Derived) {
        let Some(stack) = &self.stack else { return };
        let setup = &self.view.stack.setup;
        let voices = stack
            .sent
            .iter()
            .enumerate()
            .map(|(k, (id, recipe))| {
                let made = derived.of(*id).and_then(|d| d.recipe.as_ref()).filter(|_| recipe.is_some());
                voice(made, setup.mix(k, &stack.layers))
            })
            .collect();
        self.send(Message::StartGroup(Box::new(Group { key: key(stack.note), from, voices })));
    }

    /// Takes in where the engine says the stack is.
    pub(super) fn show_stack(&mut self, group_s: Option<f64>) {
        let Some(stack) = &mut self.stack else { return };
        match group_s {
            Some(at) => {
                stack.heard = true;
                self.view.stack.at_s = Some(at);
            }
            None if stack.heard => self.forget_stack(),
            None => {}
        }
    }
}
