//! The audition keyboard: the set played on keys as it will be delivered. What it plays is made by
//! jobs, take by take, from the struck keys outwards; a sound that is being made anew stays until the
//! new one is there.

use std::collections::{BTreeMap, HashMap, VecDeque};
use std::path::Path;
use std::sync::Arc;

use super::derived::Derived;
use super::work::{Event, Runner};
use crate::error::Result;
use crate::jobs::Job;
use crate::playback::message::{Group, GroupFrom, GroupKey, GroupVoice, Mix, PlayLoop, Playable};
use crate::render::key_sound::{KeySound, key_sound};
use crate::render::level::{Heard, gains};
use crate::render::mapping::{KeyMap, Mapped, Region, key_map};
use crate::render::names::root_of;
use crate::render::room::Rooms;
use crate::render::standing::sound_of;
use crate::session::delivery::{LayersAs, LevelMode};
use crate::session::{Document, Sheet, TakeId, TakeState};
use crate::units::{Decibels, MidiNote};

/// Samples that are kept at most (a quarter of a gigabyte): beyond that only what is struck is made.
const MOST_SAMPLES: usize = 64_000_000;
/// The group names of keys; those of stacks lie below.
const KEYS_FROM: u64 = 1 << 32;

/// What put a key down.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum StruckBy {
    /// The mouse.
    Pointer,
    /// The computer's keys.
    Typing,
    /// A MIDI keyboard.
    Midi,
}

/// What can be set on the keyboard; for listening only.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeyboardSetup {
    /// Only this layer; none: all of them, as they are delivered.
    pub layer: Option<u16>,
    /// How hard keys are struck that have no velocity of their own, 1 to 127.
    pub velocity: u8,
    /// Proposed takes sound as well as accepted ones.
    pub proposed: bool,
    /// The note of the first of the computer's keys, a C.
    pub first: MidiNote,
}

impl Default for KeyboardSetup {
    fn default() -> Self {
        Self { layer: None, velocity: 100, proposed: false, first: MidiNote(60) }
    }
}

/// How the sound of a take stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum KeyState {
    /// It is not made yet.
    Waiting,
    /// It can be played.
    Ready,
    /// It cannot be made, and why.
    Failed(String),
}

/// What the window shows of the keyboard.
#[derive(Debug, Clone, Default)]
pub struct KeyboardView {
    /// What is set.
    pub setup: KeyboardSetup,
    /// It shows.
    pub shown: bool,
    /// The computer's keys play notes.
    pub takes_keys: bool,
    /// The sustain is on.
    pub sustain: bool,
    /// Which take sounds on which key.
    pub map: Arc<KeyMap>,
    /// The keys that are down or sustained; true: down.
    pub down: BTreeMap<MidiNote, bool>,
    /// How the sounds of the map's takes stand.
    pub states: HashMap<TakeId, KeyState>,
    /// What was to be said of the key struck last.
    pub said: Option<String>,
    /// The levels are to be evened but are not measured yet.
    pub uneven: bool,
    /// The MIDI input that is listened to, or why it is not; none: none was chosen.
    pub midi: Option<std::result::Result<String, String>>,
}

impl KeyboardView {
    /// How many sounds are there, and how many there will be.
    pub fn ready(&self) -> (usize, usize) {
        (self.states.values().filter(|s| **s == KeyState::Ready).count(), self.states.len())
    }
}

struct Made {
    /// Hash of what it was made from.
    of: String,
    result: std::result::Result<Arc<KeySound>, String>,
    struck: u64,
}

#[derive(Debug, Default)]
struct Held {
    by: Vec<StruckBy>,
}

/// What came of a strike.
pub enum Struck {
    /// To be started.
    Sounds(Box<Group>),
    /// Nothing, and why.
    Silent(String),
}

/// The keyboard.
#[derive(Default)]
pub struct Keyboard {
    view: KeyboardView,
    made: HashMap<TakeId, Made>,
    /// What each take of the map is to be made from.
    wanted: HashMap<TakeId, String>,
    /// These first.
    first: VecDeque<TakeId>,
    gains: HashMap<TakeId, f64>,
    strokes: HashMap<MidiNote, u16>,
    held: BTreeMap<MidiNote, Held>,
    busy: Option<Job>,
    /// State of the document, of what is set and of the levels, of which the map is.
    mapped: Option<(u64, KeyboardSetup, u64)>,
    count: u64,
    rooms: Arc<Rooms>,
    /// What was said waits for these.
    late: Vec<TakeId>,
}

fn group_key(key: MidiNote) -> GroupKey {
    GroupKey(KEYS_FROM + u64::from(key.0))
}

/// What a player does with a velocity where the files say nothing: attenuation of 40·log10(127 / v) dB,
/// so amplitude (v / 127)². Source: SoundFont Technical Specification 2.04, 8.4.1 (velocity to initial
/// attenuation: concave, negative, unipolar, 960 cB).
pub fn gain_of_velocity(velocity: u8) -> f64 {
    (f64::from(velocity.min(127)) / 127.0).powi(2)
}

impl Keyboard {
    /// What the window shows.
    pub fn view(&self) -> &KeyboardView {
        &self.view
    }

    /// Says which MIDI input is listened to.
    pub fn set_midi(&mut self, midi: Option<std::result::Result<String, String>>) {
        self.view.midi = midi;
    }

    /// Another session: everything about the old one is forgotten, what is set and shown stays.
    pub fn new_session(&mut self) {
        if let Some(job) = self.busy.take() {
            job.cancel.cancel();
        }
        let v = &self.view;
        let view = KeyboardView {
            setup: KeyboardSetup { layer: None, ..v.setup.clone() },
            shown: v.shown,
            midi: v.midi.clone(),
            ..KeyboardView::default()
        };
        *self = Self { view, ..Self::default() };
    }

    /// Shows or hides it. Hidden, it gives the computer's keys back.
    pub fn show(&mut self, shown: bool) {
        self.view.shown = shown;
        self.view.takes_keys = shown;
    }

    /// Takes the computer's keys or gives them back.
    pub fn take_keys(&mut self, take: bool) {
        self.view.takes_keys = take && self.view.shown;
    }

    /// Sets what can be set.
    pub fn set(&mut self, setup: KeyboardSetup) {
        self.view.setup = KeyboardSetup { velocity: setup.velocity.clamp(1, 127), ..setup };
    }

    /// Whether any key sounds because somebody holds it.
    pub fn is_held(&self) -> bool {
        !self.held.is_empty()
    }

    /// Whether a MIDI keyboard holds a key down.
    pub fn held_by_midi(&self) -> bool {
        self.held.values().any(|h| h.by.contains(&StruckBy::Midi))
    }

    /// Works the map out again where the document or what is set has changed, and starts to make the
    /// next sound. Does nothing while hidden.
    pub fn step(
        &mut self,
        session_path: &Path,
        (document, revision): (&Arc<Document>, u64),
        derived: &Derived,
        runner: &Runner,
        session: u64,
    ) {
        if !self.view.shown {
            return;
        }
        let state = (revision, self.view.setup.clone(), derived.deliver().version());
        if self.mapped.as_ref() != Some(&state) {
            self.map(document, derived);
            self.mapped = Some(state);
        }
        if self.busy.is_some() {
            return;
        }
        let Some(take) = self.next() else { return };
        let Some(of) = self.wanted.get(&take).cloned() else { return };
        let job = Job::new();
        self.busy = Some(job.clone());
        let (path, document, rooms) =
            (session_path.to_path_buf(), Arc::clone(document), Arc::clone(&self.rooms));
        runner.spawn(
            &job,
            move |job, _| key_sound(&path, &document, take, &rooms, job),
            move |result| Event::KeySound { session, take, of, result: result.map(Box::new) },
        );
    }

    fn map(&mut self, document: &Document, derived: &Derived) {
        let setup = &self.view.setup;
        let walk = Sheet::of(document).walk();
        let sounds = |s| s == TakeState::Accepted || (setup.proposed && s == TakeState::Proposed);
        let takes: Vec<Mapped> = walk
            .iter()
            .filter_map(|id| document.take(*id))
            .filter(|t| sounds(t.state) && t.recipe.is_some() && setup.layer.is_none_or(|l| l == t.layer))
            .filter_map(|t| Some(Mapped { take: t.id, layer: t.layer, root: root_of(t)? }))
            .collect();
        self.view.map = Arc::new(key_map(&takes, &document.setup.delivery.map));
        self.wanted = takes.iter().filter_map(|t| Some((t.take, sound_of(document, t.take)?))).collect();
        let wanted = &self.wanted;
        self.made.retain(|id, _| wanted.contains_key(id));
        self.first.retain(|id| wanted.contains_key(id));
        self.level(document, derived, &takes);
        self.refresh_states();
    }

    /// The gains of the delivery, where all that they depend on is measured.
    fn level(&mut self, document: &Document, derived: &Derived, takes: &[Mapped]) {
        let setup = &document.setup.delivery.level;
        self.gains.clear();
        self.view.uneven = false;
        if setup.mode == LevelMode::AsPlayed {
            return;
        }
        let heard: Vec<Heard> = takes
            .iter()
            .filter_map(|t| {
                let (of, loudness) = derived.deliver().level(t.take)?;
                let same = self.wanted.get(&t.take) == Some(of);
                same.then_some(Heard { note: t.root, layer: t.layer, loudness: *loudness })
            })
            .collect();
        self.view.uneven = heard.len() != takes.len();
        if !self.view.uneven {
            let gains = gains(&heard, setup).into_iter().map(|g| g.0);
            self.gains = takes.iter().map(|t| t.take).zip(gains).collect();
        }
    }

    fn refresh_states(&mut self) {
        let state = |id: &TakeId| match self.made.get(id).map(|m| &m.result) {
            None => KeyState::Waiting,
            Some(Ok(_)) => KeyState::Ready,
            Some(Err(why)) => KeyState::Failed(why.clone()),
        };
        self.view.states = self.wanted.keys().map(|id| (*id, state(id))).collect();
    }

    fn lacks(&self, take: TakeId) -> bool {
        let wanted = self.wanted.get(&take);
        wanted.is_some() && self.made.get(&take).map(|m| &m.of) != wanted
    }

    /// What is to be made next: what was struck, then from the middle of the map outwards.
    fn next(&mut self) -> Option<TakeId> {
        while let Some(take) = self.first.pop_front() {
            if self.lacks(take) {
                return Some(take);
            }
        }
        if self.samples() >= MOST_SAMPLES {
            return None;
        }
        let regions = &self.view.map.regions;
        let mut roots: Vec<_> = regions.iter().map(|r| r.root.0).collect();
        roots.sort_unstable();
        let middle = i32::from(*roots.get(roots.len() / 2)?);
        let far = |r: &&Region| (i32::from(r.root.0) - middle).abs();
        regions.iter().filter(|r| self.lacks(r.take)).min_by_key(far).map(|r| r.take)
    }

    fn samples(&self) -> usize {
        let of = |m: &Made| m.result.as_ref().map_or(0, |s| s.audio.len() * s.audio.channel_count());
        self.made.values().map(of).sum()
    }

    /// Takes in what was made.
    pub fn take_in(&mut self, take: TakeId, of: String, result: Result<Box<KeySound>>) {
        self.busy = None;
        if !self.wanted.contains_key(&take) {
            return;
        }
        let result = result.map(|s| Arc::new(*s)).map_err(|e| e.to_string());
        let struck = self.made.get(&take).map_or(0, |m| m.struck);
        self.made.insert(take, Made { of, result, struck });
        while self.samples() > MOST_SAMPLES && self.made.len() > 1 {
            let oldest = self.made.iter().filter(|(id, _)| **id != take).min_by_key(|(_, m)| m.struck);
            let Some(oldest) = oldest.map(|(id, _)| *id) else { break };
            self.made.remove(&oldest);
        }
        self.refresh_states();
        if !self.late.is_empty()
            && !self.late.iter().any(|t| self.view.states.get(t) == Some(&KeyState::Waiting))
        {
            self.late.clear();
            self.view.said = None;
        }
    }

    /// A key goes down. `name` names notes for the sentences.
    pub fn strike(
        &mut self,
        document: &Document,
        key: MidiNote,
        velocity: Option<u8>,
        by: StruckBy,
        name: &str,
    ) -> Struck {
        let velocity = velocity.unwrap_or(self.view.setup.velocity).clamp(1, 127);
        let stroke = self.strokes.entry(key).or_default();
        let turn = *stroke;
        *stroke = stroke.wrapping_add(1);
        self.count += 1;
        let map = Arc::clone(&self.view.map);
        let regions = map.sounding(key, velocity, turn);
        if map.regions.is_empty() {
            return self.silent(if self.view.setup.proposed {
                "No take is accepted or proposed yet, so no key sounds.".into()
            } else {
                "No take is accepted yet, so no key sounds. “Proposed too” adds what is proposed.".into()
            });
        }
        if regions.is_empty() {
            return self.silent(format!("{name}: nothing is mapped to this key at velocity {velocity}."));
        }
        let late: Vec<TakeId> = regions.iter().map(|r| r.take).filter(|t| self.lacks(*t)).collect();
        for take in late.iter().rev() {
            self.first.retain(|t| t != take);
            self.first.push_front(*take);
        }
        let (gain, together) = (gain_of_velocity(velocity), self.together(document));
        let mut why = None;
        let mut voices = Vec::new();
        for r in &regions {
            match self.made.get_mut(&r.take) {
                None => {}
                Some(Made { result: Err(e), .. }) => why = Some(e.clone()),
                Some(Made { result: Ok(sound), struck, .. }) => {
                    *struck = self.count;
                    let set = self.gains.get(&r.take).map_or(1.0, |db| Decibels(*db).gain());
                    let mix = Mix { gain: (gain * set * together) as f32, pan: 0.0, ratio: sound.ratio(key) };
                    voices.push(voice(sound, mix));
                }
            }
        }
        let waits = regions.len() - voices.len();
        self.view.said = match (why, waits) {
            (_, 0) => None,
            (Some(why), _) => Some(format!("{name}: {why}")),
            (None, 1) => Some(format!("{name}: its take is still being made ready.")),
            (None, n) => Some(format!("{name}: {n} of its takes are still being made ready.")),
        };
        self.late = if waits > 0 { late } else { Vec::new() };
        if voices.is_empty() {
            return Struck::Silent(self.view.said.clone().unwrap_or_default());
        }
        let held = self.held.entry(key).or_default();
        if !held.by.contains(&by) {
            held.by.push(by);
        }
        self.view.down.insert(key, true);
        Struck::Sounds(Box::new(Group { key: group_key(key), from: GroupFrom::Start, voices }))
    }

    fn silent(&mut self, text: String) -> Struck {
        self.late.clear();
        self.view.said = Some(text.clone());
        Struck::Silent(text)
    }

    /// Layers that sound together on a key add up by their power; as in the stack each is turned down by
    /// √n, so that a key is about as loud as one take.
    fn together(&self, document: &Document) -> f64 {
        match document.setup.delivery.map.layers {
            LayersAs::Group => 1.0 / (self.view.map.layers.len().max(1) as f64).sqrt(),
            LayersAs::RoundRobin | LayersAs::Velocity => 1.0,
        }
    }

    /// A key comes up; the group to be released, if it does not go on.
    pub fn lift(&mut self, key: MidiNote, by: StruckBy) -> Option<GroupKey> {
        let held = self.held.get_mut(&key)?;
        held.by.retain(|b| *b != by);
        if !held.by.is_empty() {
            return None;
        }
        if self.view.sustain {
            self.view.down.insert(key, false);
            return None;
        }
        self.let_go(key)
    }

    fn let_go(&mut self, key: MidiNote) -> Option<GroupKey> {
        self.view.down.remove(&key);
        self.held.remove(&key).map(|_| group_key(key))
    }

    /// The sustain goes on or off; off, what nobody holds is to be released.
    pub fn sustain(&mut self, on: bool) -> Vec<GroupKey> {
        self.view.sustain = on;
        if on {
            return Vec::new();
        }
        let free: Vec<_> = self.held.iter().filter(|(_, h)| h.by.is_empty()).map(|(k, _)| *k).collect();
        free.into_iter().filter_map(|k| self.let_go(k)).collect()
    }

    /// Everything that is held is to be released.
    pub fn all_up(&mut self) -> Vec<GroupKey> {
        self.view.sustain = false;
        let keys: Vec<_> = self.held.keys().copied().collect();
        keys.into_iter().filter_map(|k| self.let_go(k)).collect()
    }

    /// The engine was silenced: nothing is held any more.
    pub fn silenced(&mut self) {
        self.held.clear();
        self.view.down.clear();
    }
}

fn voice(sound: &KeySound, mix: Mix) -> GroupVoice {
    let tail = || Arc::new(vec![Vec::new(); sound.audio.channel_count()]);
    let looping = sound.looping.map(|range| PlayLoop { range, tail: tail(), compared: Default::default() });
    let what = Playable { rendered: sound.audio.clone(), source: None, removed: None, looping };
    GroupVoice { what: Some(Box::new(what)), onset: sound.onset.0, period: sound.period, mix }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// SoundFont Technical Specification 2.04, 8.4.1 and 9.5.2: −40·log10(v/127) dB, 0 dB at 127.
    #[test]
    fn velocity_is_loudness_as_players_have_it() {
        assert_eq!(gain_of_velocity(127), 1.0);
        for v in 1..=127u8 {
            let db = -20.0 * gain_of_velocity(v).log10();
            assert!((db - 40.0 * (127.0 / f64::from(v)).log10()).abs() < 1e-9);
        }
    }

    #[test]
    fn sustain_keeps_what_is_lifted_until_it_goes() {
        let mut k = Keyboard::default();
        k.held.insert(MidiNote(60), Held { by: vec![StruckBy::Typing, StruckBy::Midi] });
        k.held.insert(MidiNote(64), Held { by: vec![StruckBy::Pointer] });
        assert_eq!(k.lift(MidiNote(60), StruckBy::Typing), None, "the other still holds it");
        assert!(k.sustain(true).is_empty());
        assert_eq!(k.lift(MidiNote(60), StruckBy::Midi), None);
        assert_eq!(k.sustain(false), [group_key(MidiNote(60))], "the held key goes on");
        assert_eq!(k.lift(MidiNote(64), StruckBy::Pointer), Some(group_key(MidiNote(64))));
        assert_eq!(k.lift(MidiNote(64), StruckBy::Pointer), None);
        assert!(!k.is_held());
    }
}
