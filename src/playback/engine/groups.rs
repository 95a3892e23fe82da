//! Groups of voices: the layers of a note sounding together, begun at one onset.

use super::{CHANGE_S, Engine, Line, LoopOf, MOST_IN_GROUP, START_S, Trash, Voice};
use crate::playback::fade::{Fade, Shape};
use crate::playback::message::{Group, GroupFrom, GroupKey, GroupVoice, Mix};
use crate::playback::read::Reader;

/// How long a change of level, pan or speed takes, in seconds.
const MIX_S: f64 = 0.030;
/// Crossfade from the loop into what comes after it, in seconds.
const RELEASE_S: f64 = 0.030;
/// Fade-out where nothing comes after the loop, in seconds.
const FADE_AWAY_S: f64 = 0.25;
/// What is shorter than this after a loop's end is no release, in seconds.
const SHORTEST_TAIL_S: f64 = 0.05;
/// Loudest a voice can be made.
const MOST_GAIN: f32 = 4.0;

/// Amplitudes left and right; what is no number is silence, or the middle.
fn gains(mix: Mix) -> [f32; 2] {
    let gain = if mix.gain.is_finite() { mix.gain.clamp(0.0, MOST_GAIN) } else { 0.0 };
    let pan = if mix.pan.is_finite() { mix.pan.clamp(-1.0, 1.0) } else { 0.0 };
    [gain * (1.0 - pan).sqrt(), gain * (1.0 + pan).sqrt()]
}

impl Engine {
    /// The group that was started last, and how many frames of the device ago its onset was (below
    /// 0: still to come); none when none of it plays.
    pub fn group_position(&self) -> Option<(GroupKey, i64)> {
        let key = self.latest?;
        self.since(key).map(|since| (key, since))
    }

    fn since(&self, key: GroupKey) -> Option<i64> {
        let of = |v: &&Voice| v.current && matches!(v.line, Line::Group(k, _) if k == key);
        self.voices.iter().flatten().find(of).map(|v| v.since)
    }

    /// What the group came in goes back at once, with the sounds that lay where its own lie now.
    pub(super) fn start_group(&mut self, mut group: Box<Group>) -> Trash {
        let now = self.since(group.key);
        let since = match (group.from, now) {
            (GroupFrom::Now, Some(now)) => now,
            (GroupFrom::At(s), _) if s.is_finite() => (s * self.rate.as_f64()).round() as i64,
            _ => -self.lead(&group.voices),
        };
        let (key, count) = (group.key, group.voices.len().min(MOST_IN_GROUP));
        let crossing = group.from == GroupFrom::Now && now.is_some();
        // Those that go on are crossed from one by one.
        let ends = |v: &Voice| match v.line {
            Line::Group(k, i) => k == key && !(crossing && i < count),
            Line::Main => false,
        };
        self.fade_out(ends, self.frames(CHANGE_S), Shape::EqualPower(0.0));
        for (i, voice) in group.voices.iter_mut().take(count).enumerate() {
            self.start_in_group(Line::Group(key, i), voice, since);
        }
        self.latest = Some(key);
        Trash::Group(group)
    }

    /// Frames of the device from the beginning to the common onset.
    fn lead(&self, voices: &[GroupVoice]) -> i64 {
        let leads = voices.iter().filter_map(|v| {
            let rate = v.what.as_deref()?.rendered.rate();
            Some(Reader::lead(v.onset, v.mix.ratio, rate, self.rate))
        });
        leads.max().map_or(0, |l| i64::try_from(l).unwrap_or(i64::MAX / 2))
    }

    fn start_in_group(&mut self, line: Line, given: &mut GroupVoice, since: i64) {
        let old = self.current(line).and_then(|i| self.voices[i]);
        let Some(what) = given.what.as_deref() else {
            self.fade_out(|v| v.line == line, self.frames(CHANGE_S), Shape::EqualGain);
            return;
        };
        let (frames, rate) = (what.rendered.len() as u64, what.rendered.rate());
        let (mut reader, wait) = Reader::timed(given.onset, -since, given.mix.ratio, rate, self.rate);
        reader.set_round(what.looping.as_ref(), frames, true);
        let from_start = reader.frame == 0 && reader.round().is_none_or(|r| r.start.0 > 0);
        let slot = self.free_voice();
        let place = self.place_for_sound();
        std::mem::swap(&mut self.sounds[place], &mut given.what);
        let mut voice = Voice {
            line,
            current: true,
            sound: place,
            looping: LoopOf::Sound,
            reader,
            gain: Fade::still(if from_start { 1.0 } else { 0.0 }),
            mix: gains(given.mix).map(Fade::still),
            side: Fade::still(0.0),
            taken: Fade::still(0.0),
            wait,
            since,
            period: given.period,
            last: [0.0; 2],
        };
        match old {
            // Before it has begun there is nothing to cross from.
            Some(old) if old.wait == 0 => {
                voice.mix = old.mix;
                self.cross_to(slot, old, CHANGE_S, voice);
                self.go_to(slot, given.mix);
            }
            _ => {
                self.fade_out(|v| v.line == line, self.frames(CHANGE_S), Shape::EqualGain);
                voice.gain.go(1.0, self.frames(START_S), Shape::EqualGain);
                self.voices[slot] = Some(voice);
            }
        }
    }

    pub(super) fn set_mix(&mut self, key: GroupKey, voice: usize, mix: Mix) {
        if let Some(index) = self.current(Line::Group(key, voice)) {
            self.go_to(index, mix);
        }
    }

    fn go_to(&mut self, index: usize, mix: Mix) {
        let length = self.frames(MIX_S);
        let Some(voice) = &mut self.voices[index] else { return };
        for (fade, goal) in voice.mix.iter_mut().zip(gains(mix)) {
            if fade.goal() != goal {
                fade.go(goal, length, Shape::EqualGain);
            }
        }
        voice.reader.glide(mix.ratio, length);
    }

    pub(super) fn release(&mut self, key: GroupKey) {
        for i in 0..MOST_IN_GROUP {
            let line = Line::Group(key, i);
            let Some(old) = self.current(line).and_then(|i| self.voices[i]) else { continue };
            let Some(sound) = self.sounds[old.sound].as_deref() else { continue };
            let (frames, rate) = (sound.rendered.len() as u64, sound.rendered.rate().as_f64());
            let tail = old.reader.round().map_or(0, |r| frames.saturating_sub(r.end.0));
            if old.wait > 0 || (tail as f64) < SHORTEST_TAIL_S * rate {
                self.fade_out(|v| v.line == line, self.frames(FADE_AWAY_S), Shape::EqualGain);
                continue;
            }
            let mut reader = old.reader;
            reader.leave(old.period);
            let slot = self.free_voice();
            self.cross_to(slot, old, RELEASE_S, Voice { looping: LoopOf::Nobody, reader, ..old });
        }
    }
}
