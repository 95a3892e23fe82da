//! The sound engine: messages in, samples out. Allocates nothing, frees nothing, waits for nothing.
//!
//! A voice is one reading of one sound with a gain on its way up or down. Every change (another
//! start, another rendering, a moved loop) starts a new voice and fades the old ones out, so there
//! is one way to change anything without a click. Besides the one sound that is worked on, groups of
//! voices can play (the layers of a note, the keys of a keyboard): see [`Message::StartGroup`]. All
//! state moves frame by frame, so the result
//! does not depend on how the frames are divided into calls.

mod groups;
mod voice;

use super::fade::{Fade, Shape};
use super::limiter::Limiter;
use super::message::{Group, GroupKey, Message, PlayLoop, Playable, Side};
use super::read::{Kernel, Reader};
use crate::units::SampleRate;
use voice::{Line, LoopOf, Voice};

/// Master gain at the start, as an amplitude: −20 dB, so that the first sound is not a shock in
/// headphones.
pub const START_VOLUME: f32 = 0.1;
/// Voices at once: those that play and those that fade out behind them. Some ten keys of six layers.
const VOICES: usize = 64;
/// Voices that a group can have.
pub const MOST_IN_GROUP: usize = 16;
/// One place more than voices: there is always one that no voice uses.
const PLACES: usize = VOICES + 1;
/// Crossfade between what played and what plays now, in seconds.
const CHANGE_S: f64 = 0.010;
/// Crossfade between the rendered take and the source.
const SIDE_S: f64 = 0.008;
/// Fade-in of a start in the middle of a sound.
const START_S: f64 = 0.003;
/// Fade-out of a stop.
const STOP_S: f64 = 0.020;
/// How long a move of the volume takes.
const VOLUME_S: f64 = 0.030;
/// How fast the step that a voice leaves when it is taken away dies down, in seconds.
const STEP_S: f64 = 0.003;

/// What came out of use and must be freed outside the audio thread.
#[derive(Debug)]
pub enum Trash {
    /// A sound.
    Playable(Box<Playable>),
    /// A loop.
    Loop(Box<PlayLoop>),
    /// What a group came in, with sounds that are out of use.
    Group(Box<Group>),
}

/// Peaks and the limiter's work since the last question.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Levels {
    /// Largest sample left and right.
    pub peak: [f32; 2],
    /// Whether the limiter worked.
    pub limited: bool,
}

/// The engine. Renders interleaved stereo.
#[derive(Debug)]
pub struct Engine {
    rate: SampleRate,
    kernel: Kernel,
    sounds: [Option<Box<Playable>>; PLACES],
    loops: [Option<Box<PlayLoop>>; PLACES],
    voices: [Option<Voice>; VOICES],
    /// The group that was started last.
    latest: Option<GroupKey>,
    volume: Fade,
    /// What voices that were taken away left behind, dying down.
    step: [f32; 2],
    step_keeps: f32,
    limiter: Limiter,
    levels: Levels,
}

impl Engine {
    /// A silent engine for a device at `rate`; starts at [`START_VOLUME`].
    pub fn new(rate: SampleRate) -> Self {
        Self {
            rate,
            kernel: Kernel::new(),
            sounds: std::array::from_fn(|_| None),
            loops: std::array::from_fn(|_| None),
            voices: [None; VOICES],
            latest: None,
            volume: Fade::still(START_VOLUME),
            step: [0.0; 2],
            step_keeps: (-1.0 / (STEP_S * rate.as_f64())).exp() as f32,
            limiter: Limiter::new(rate.as_f64()),
            levels: Levels::default(),
        }
    }

    /// Takes a message; what it replaces comes back, or anything else that is out of use. A sound
    /// that still fades out comes back later, through [`Engine::take_trash`] or another message.
    ///
    /// Without a sound that plays, `Replace` and `SetLoop` do nothing and come straight back. A
    /// `Play` or `Seek` to a place beyond the loop's end plays on from there to the sound's end;
    /// only `SetLoop` and `Replace` jump back into the loop. Without a source the rendered take is
    /// heard on both sides.
    pub fn apply(&mut self, message: Message) -> Option<Trash> {
        match message {
            Message::Play { what, from, side } => return self.play(what, from, side),
            Message::Replace(what) => return self.replace(what),
            Message::SetLoop(looping) => return self.set_loop(looping),
            Message::SetSide(side) => self.set_side(side),
            Message::Seek(to) => self.seek(to),
            Message::StartGroup(group) => return Some(self.start_group(group)),
            Message::SetMix { key, voice, mix } => self.set_mix(key, voice, mix),
            Message::Release(key) => self.release(key),
            Message::Stop => self.stop(),
            Message::SetVolume(volume) => self.set_volume(volume),
        }
        self.take_trash()
    }

    /// Something that is out of use, if there is anything: call it until nothing comes, and free
    /// what came outside the audio thread. What is not fetched stays here, unfreed.
    pub fn take_trash(&mut self) -> Option<Trash> {
        let (sounds, loops) = self.used();
        for place in 0..PLACES {
            if self.sounds[place].is_some() && sounds & 1 << place == 0 {
                return self.sounds[place].take().map(Trash::Playable);
            }
            if self.loops[place].is_some() && loops & 1 << place == 0 {
                return self.loops[place].take().map(Trash::Loop);
            }
        }
        None
    }

    /// Fills `out` (interleaved left, right). Any length (an odd last sample is silence), the
    /// result does not depend on how the frames are divided into calls. Nothing leaves above
    /// −1 dBFS; what is not a finite number leaves as silence.
    pub fn render(&mut self, out: &mut [f32]) {
        let mut frames = out.chunks_exact_mut(2);
        for frame in &mut frames {
            let [l, r] = self.next_frame();
            frame[0] = l;
            frame[1] = r;
        }
        frames.into_remainder().fill(0.0);
    }

    /// Frame of the sound that plays, in its own frames; none when nothing plays (what only fades
    /// out does not count).
    pub fn position(&self) -> Option<u64> {
        self.main_voice().map(|v| v.reader.frame)
    }

    /// Peaks of what left since the last question, and whether the limiter worked.
    pub fn take_levels(&mut self) -> Levels {
        let limited = self.limiter.take_worked();
        Levels { limited, ..std::mem::take(&mut self.levels) }
    }

    fn next_frame(&mut self) -> [f32; 2] {
        let mut sum = [0.0f32; 2];
        for index in 0..VOICES {
            let Some(voice) = &mut self.voices[index] else { continue };
            let Some(sound) = self.sounds[voice.sound].as_deref() else { continue };
            voice.next(sound, &self.loops, &self.kernel);
            sum[0] += voice.last[0];
            sum[1] += voice.last[1];
            let faded = voice.gain.is_still() && voice.gain.value() == 0.0;
            let over = voice.wait == 0 && voice.reader.is_over(sound.rendered.len() as u64);
            if over || (faded && !voice.current) {
                self.voices[index] = None;
            }
        }
        let volume = self.volume.advance();
        for (s, left) in sum.iter_mut().zip(&mut self.step) {
            if *left != 0.0 {
                *s += *left;
                *left *= self.step_keeps;
                if left.abs() < 1e-7 {
                    *left = 0.0;
                }
            }
        }
        let out = self.limiter.next(sum.map(|s| s * volume));
        for (p, o) in self.levels.peak.iter_mut().zip(out) {
            *p = p.max(o.abs());
        }
        out
    }

    fn play(&mut self, what: Box<Playable>, from: u64, side: Side) -> Option<Trash> {
        // Another take: nothing to do with what played.
        self.fade_out(|_| true, self.frames(CHANGE_S), Shape::EqualPower(0.0));
        let slot = self.free_voice();
        let (place, trash) = self.place_sound(what);
        let Some(what) = self.sounds[place].as_deref() else { return trash };
        let frames = what.rendered.len() as u64;
        let mut reader = Reader::new(from.min(frames), what.rendered.rate(), self.rate);
        reader.set_round(what.looping.as_ref(), frames, false);
        // A take begins as it begins; in the middle there is a step to be smoothed.
        let mut gain = Fade::still(if from == 0 { 1.0 } else { 0.0 });
        gain.go(1.0, self.frames(START_S), Shape::EqualGain);
        let heard = if side == Side::Source && what.source.is_some() { 1.0 } else { 0.0 };
        self.voices[slot] = Some(Voice {
            line: Line::Main,
            current: true,
            sound: place,
            looping: LoopOf::Sound,
            reader,
            gain,
            mix: [Fade::still(1.0); 2],
            side: Fade::still(heard),
            taken: Fade::still(if side == Side::Removed { 1.0 } else { 0.0 }),
            wait: 0,
            since: 0,
            period: 0.0,
            last: [0.0; 2],
        });
        trash.or_else(|| self.take_trash())
    }

    fn replace(&mut self, what: Box<Playable>) -> Option<Trash> {
        let Some(old) = self.main_voice().copied() else { return Some(Trash::Playable(what)) };
        let old_rate = self.sounds[old.sound].as_deref().map(|s| s.rendered.rate());
        let slot = self.free_voice();
        let (place, trash) = self.place_sound(what);
        let Some(what) = self.sounds[place].as_deref() else { return trash };
        let (frames, rate) = (what.rendered.len() as u64, what.rendered.rate());
        let mut reader = old.reader;
        if let Some(old_rate) = old_rate.filter(|r| *r != rate) {
            let frame = (old.reader.frame as f64 * rate.as_f64() / old_rate.as_f64()).round() as u64;
            reader = Reader::new(frame, rate, self.rate);
        }
        reader.set_round(what.looping.as_ref(), frames, old.reader.goes_round());
        let mut side = old.side;
        if what.source.is_none() {
            side = Fade::still(0.0);
        }
        self.cross_to(
            slot,
            old,
            CHANGE_S,
            Voice { sound: place, looping: LoopOf::Sound, reader, side, ..old },
        );
        trash.or_else(|| self.take_trash())
    }

    fn set_loop(&mut self, looping: Option<Box<PlayLoop>>) -> Option<Trash> {
        let Some(old) = self.main_voice().copied() else { return looping.map(Trash::Loop) };
        let slot = self.free_voice();
        let frames = self.sounds[old.sound].as_deref().map_or(0, |s| s.rendered.len() as u64);
        let mut reader = old.reader;
        let (mut of, mut trash) = (LoopOf::Nobody, None);
        if let Some(looping) = looping {
            reader.set_round(Some(&looping), frames, true);
            let used = self.used().1;
            let place = (0..PLACES).find(|p| used & 1 << p == 0).unwrap_or(0);
            trash = self.loops[place].replace(looping).map(Trash::Loop);
            of = LoopOf::Place(place);
        } else {
            reader.set_round(None, frames, false);
        }
        self.cross_to(slot, old, CHANGE_S, Voice { looping: of, reader, ..old });
        trash.or_else(|| self.take_trash())
    }

    fn seek(&mut self, to: u64) {
        let Some(old) = self.main_voice().copied() else { return };
        let Some(sound) = self.sounds[old.sound].as_deref() else { return };
        let frames = sound.rendered.len() as u64;
        let looping = match old.looping {
            LoopOf::Nobody => None,
            LoopOf::Sound => sound.looping.as_ref(),
            LoopOf::Place(p) => self.loops[p].as_deref(),
        };
        let mut reader = Reader::new(to.min(frames), sound.rendered.rate(), self.rate);
        reader.set_round(looping, frames, false);
        let slot = self.free_voice();
        self.cross_to(slot, old, CHANGE_S, Voice { reader, ..old });
    }

    fn set_side(&mut self, side: Side) {
        let length = self.frames(SIDE_S);
        let Some(index) = self.current(Line::Main) else { return };
        let Some(voice) = &mut self.voices[index] else { return };
        let has_source = self.sounds[voice.sound].as_deref().is_some_and(|s| s.source.is_some());
        let goal = if side == Side::Source && has_source { 1.0 } else { 0.0 };
        let taken = if side == Side::Removed { 1.0 } else { 0.0 };
        if voice.side.goal() != goal || voice.taken.goal() != taken {
            // Readings of one performance: nearly the same sound. The shares always sum to one.
            voice.side.go(goal, length, Shape::EqualGain);
            voice.taken.go(taken, length, Shape::EqualGain);
        }
    }

    fn stop(&mut self) {
        self.fade_out(|_| true, self.frames(STOP_S), Shape::EqualGain);
    }

    fn set_volume(&mut self, volume: f32) {
        let volume = if volume.is_finite() { volume.clamp(0.0, 1.0) } else { START_VOLUME };
        // Nobody hears a step in silence.
        let silent = self.voices.iter().all(Option::is_none) && self.step == [0.0; 2];
        let length = if silent { 0 } else { self.frames(VOLUME_S) };
        self.volume.go(volume, length, Shape::EqualGain);
    }

    /// Lets `voice` come in for `old`, which plays, by as much as the two are alike: neither a dip
    /// nor a bump in the level, whether it is the same sound or another part of it.
    fn cross_to(&mut self, slot: usize, old: Voice, seconds: f64, mut voice: Voice) {
        let length = self.frames(seconds);
        let shape = match self.likeness(old, voice, length) {
            r if r > 0.999 => Shape::EqualGain,
            r => Shape::EqualPower(r),
        };
        self.fade_out(|v| v.line == old.line, length, shape);
        voice.gain = Fade::still(0.0);
        voice.gain.go(1.0, length, shape);
        voice.last = [0.0; 2];
        self.voices[slot] = Some(voice);
    }

    /// Correlation of what two voices would play next, over `frames`: Σab/√(Σa²·Σb²), 0 where it is
    /// negative or one of them is silent.
    fn likeness(&self, mut a: Voice, mut b: Voice, frames: u32) -> f32 {
        let (Some(of_a), Some(of_b)) = (self.sounds[a.sound].as_deref(), self.sounds[b.sound].as_deref())
        else {
            return 0.0;
        };
        let (mut ab, mut aa, mut bb) = (0f64, 0f64, 0f64);
        for _ in 0..frames {
            let x = a.read(of_a, &self.loops, &self.kernel);
            let y = b.read(of_b, &self.loops, &self.kernel);
            for (x, y) in x.map(f64::from).into_iter().zip(y.map(f64::from)) {
                ab += x * y;
                aa += x * x;
                bb += y * y;
            }
        }
        let r = ab / (aa * bb).sqrt();
        // Also when it is no number: silence, or samples that are none.
        if r > 0.0 { r.min(1.0) as f32 } else { 0.0 }
    }

    fn fade_out(&mut self, which: impl Fn(&Voice) -> bool, length: u32, shape: Shape) {
        for voice in self.voices.iter_mut().flatten().filter(|v| which(v)) {
            voice.gain.go(0.0, length, shape);
            voice.current = false;
        }
    }

    /// A free voice; when all are busy one is taken away, and the step it leaves dies down by itself:
    /// the softest of those that fade out, else the softest of a group.
    fn free_voice(&mut self) -> usize {
        if let Some(free) = self.voices.iter().position(Option::is_none) {
            return free;
        }
        let rank = |v: &Option<Voice>| {
            v.map_or((0, 0.0), |v| {
                let class = u8::from(v.current) + u8::from(v.current && v.line == Line::Main);
                (class, v.gain.value() * v.mix[0].value().max(v.mix[1].value()))
            })
        };
        let mut softest = 0;
        for i in 1..VOICES {
            let ((a, x), (b, y)) = (rank(&self.voices[i]), rank(&self.voices[softest]));
            if a < b || (a == b && x < y) {
                softest = i;
            }
        }
        if let Some(v) = self.voices[softest].take() {
            self.step[0] += v.last[0];
            self.step[1] += v.last[1];
        }
        softest
    }

    /// Puts a sound where no voice uses the place; what lay there unused comes back.
    fn place_sound(&mut self, what: Box<Playable>) -> (usize, Option<Trash>) {
        let place = self.place_for_sound();
        (place, self.sounds[place].replace(what).map(Trash::Playable))
    }

    /// A place that no voice uses: an empty one first, so that what is out of use can wait. One is
    /// always unused: there are more places than voices.
    fn place_for_sound(&self) -> usize {
        let used = self.used().0;
        let empty = (0..PLACES).find(|p| self.sounds[*p].is_none());
        empty.or_else(|| (0..PLACES).find(|p| used & 1 << p == 0)).unwrap_or(0)
    }

    /// Which places of sounds and of loops the voices use, one bit each.
    fn used(&self) -> (u128, u128) {
        self.voices.iter().flatten().fold((0, 0), |(sounds, loops), v| {
            let looping = if let LoopOf::Place(p) = v.looping { 1 << p } else { 0 };
            (sounds | 1 << v.sound, loops | looping)
        })
    }

    /// The voice of a line that plays.
    fn current(&self, line: Line) -> Option<usize> {
        self.voices.iter().position(|v| v.is_some_and(|v| v.current && v.line == line))
    }

    fn main_voice(&self) -> Option<&Voice> {
        self.voices[self.current(Line::Main)?].as_ref()
    }

    fn frames(&self, seconds: f64) -> u32 {
        (seconds * self.rate.as_f64()).round() as u32
    }
}
