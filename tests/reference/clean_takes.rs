//! Invented takes in an invented room: the development set of the cleaning bench and of its tests.
//! The note and the room are made apart, so what cleaning should give is known exactly. Values of
//! timbre and noise are invented; nothing here is a recording.

use std::f64::consts::TAU;

use seamwright::audio::{level, signals};

#[path = "clean_models.rs"]
mod clean_models;
use clean_models::{blown_jet, blown_reed, bowed_string};
#[path = "clean_third.rs"]
mod clean_third;
#[allow(unused_imports)] // Only the bench has the time for it.
pub use clean_third::third_set;

pub const RATE: f64 = 48_000.0;
/// Room tone at the head.
pub const HEAD_S: f64 = 2.0;
/// How long the player holds the note; its release follows.
pub const HELD_S: f64 = 1.6;
/// From the end of the holding to the end of the file.
pub const AFTER_S: f64 = 1.2;
/// RMS of every note over the time it is held.
const NOTE_RMS: f64 = 0.1;

/// A note without its room, and a room without the note.
pub struct Take {
    pub name: String,
    /// The note alone.
    pub note: Vec<f32>,
    /// The room alone, RMS 1 without its clicks.
    pub room: Vec<f32>,
    /// First and last frame (exclusive) of the note, release included.
    pub sounds: (usize, usize),
}

impl Take {
    /// The recording at a signal-to-noise ratio (RMS of the held note against RMS of the room, whole
    /// band), and the room in it.
    pub fn recorded(&self, snr_db: f64) -> (Vec<f32>, Vec<f32>) {
        let gain = (NOTE_RMS * 10f64.powf(-snr_db / 20.0)) as f32;
        let room: Vec<f32> = self.room.iter().map(|r| r * gain).collect();
        (signals::sum(&self.note, &room), room)
    }
}

/// How the pitch and the level move.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Movement {
    Steady,
    /// ±cents at 5.3 Hz.
    Vibrato(f64),
    /// A slow wander of ±12 cents.
    Drift,
}

impl Movement {
    fn factor(self, t: f64) -> f64 {
        let cents = match self {
            Self::Steady => 0.0,
            Self::Vibrato(depth) => depth * (TAU * 5.3 * t).sin() * (t / 0.3).clamp(0.0, 1.0),
            Self::Drift => 8.0 * (TAU * 0.4 * t).sin() + 4.0 * (TAU * 1.1 * t + 1.0).sin(),
        };
        (cents / 1200.0).exp2()
    }
}

/// What sounds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Sound {
    Flute,
    Reed,
    Bowed,
    Brass,
    /// Flute-like, with breath 38 dB below the tone.
    Breathy,
    /// Waveguides: reed, bow, jet.
    ReedModel,
    BowModel,
    JetModel,
}

impl Sound {
    fn is_model(self) -> bool {
        matches!(self, Self::ReedModel | Self::BowModel | Self::JetModel)
    }

    /// Amplitude of partial `k` of a note at `f` Hz, how much breath (re the tone), rise and
    /// release times in seconds.
    fn amplitude(self, k: usize, f: f64) -> f64 {
        let kf = k as f64;
        let formant = |centre: f64, width: f64| 1.0 / (1.0 + ((kf * f - centre) / width).powi(2));
        match self {
            Self::Flute | Self::Breathy => 0.35f64.powi(k as i32 - 1),
            Self::Reed => kf.powf(-1.2) * if k % 2 == 1 { 1.0 } else { 0.06 },
            Self::Bowed => kf.powf(-1.1) * (0.3 + formant(900.0, 500.0) + 0.5 * formant(2_600.0, 700.0)),
            _ => formant(1_100.0, 600.0) * kf.powf(-0.4),
        }
    }

    /// What exists at `hz`: no flute in the depths, no waveguide at its ends.
    fn played_at(self, hz: f64) -> Self {
        match self {
            Self::Flute | Self::Breathy | Self::Brass if hz < 55.0 => Self::Bowed,
            Self::JetModel if hz < 200.0 => Self::Reed,
            Self::ReedModel if hz < 50.0 => Self::Bowed,
            Self::ReedModel if hz >= 1_200.0 => Self::Breathy,
            Self::BowModel if hz < 40.0 => Self::Reed,
            Self::JetModel | Self::BowModel | Self::Brass if hz >= 1_500.0 => Self::Flute,
            other => other,
        }
    }

    fn breath(self) -> f64 {
        match self {
            Self::Flute => 0.003,
            Self::Breathy => 0.012,
            Self::Reed | Self::Brass => 0.001,
            _ => 0.002,
        }
    }

    fn rise_release_s(self) -> (f64, f64) {
        match self {
            Self::Bowed => (0.035, 0.25),
            Self::Brass => (0.015, 0.06),
            Self::Reed => (0.01, 0.04),
            _ => (0.02, 0.08),
        }
    }
}

/// One-pole low-pass of `x` at `hz`.
fn smooth(x: &[f64], hz: f64) -> Vec<f64> {
    let a = (-TAU * hz / RATE).exp();
    let mut s = 0.0;
    x.iter()
        .map(|v| {
            s = a * s + (1.0 - a) * v;
            s
        })
        .collect()
}

fn white(frames: usize, seed: u64) -> Vec<f64> {
    signals::white_noise(1.0, frames, seed).into_iter().map(f64::from).collect()
}

fn scale_to(x: &mut [f64], rms: f64) {
    let now = (x.iter().map(|v| v * v).sum::<f64>() / x.len().max(1) as f64).sqrt();
    x.iter_mut().for_each(|v| *v *= rms / now.max(1e-30));
}

/// A number between 0 and 1 that belongs to `seed` and `i`.
fn chance(seed: u64, i: u64) -> f64 {
    f64::from(signals::white_noise(1.0, 1, seed * 7_919 + i)[0]) / 12f64.sqrt() + 0.5
}

/// The room: pink hiss, mains hum with its multiples, rumble, clicks; RMS 1 without the clicks.
pub fn room(frames: usize, seed: u64) -> Vec<f32> {
    // White noise through poles two octaves apart falls by 3 dB an octave.
    let w = white(frames, seed);
    let mut pink = vec![0.0; frames];
    for i in 0..6 {
        let corner = 20.0 * 4f64.powi(i);
        // The one-pole's power is that of white noise times its bandwidth: equal power a pole.
        let pole = smooth(&w, corner);
        let gain = (RATE / corner).sqrt();
        pink.iter_mut().zip(&pole).for_each(|(p, v)| *p += gain * v);
    }
    scale_to(&mut pink, 1.0);
    let mut rumble = smooth(&smooth(&white(frames, seed + 1), 18.0), 18.0);
    scale_to(&mut rumble, 0.3 + 0.4 * chance(seed, 1));
    let mains = [50.0, 60.0, 50.0][seed as usize % 3] + 0.04 * (chance(seed, 2) - 0.5);
    let strength = 0.4 + 1.0 * chance(seed, 3);
    let hum: Vec<(f64, f64, f64)> = (1..=8)
        .map(|k| {
            let kf = k as f64;
            let a = strength * kf.powf(-0.9) * (0.3 + chance(seed, 10 + k));
            (TAU * mains * kf / RATE, a, TAU * chance(seed, 20 + k))
        })
        .collect();
    let mut x: Vec<f64> = (0..frames)
        .map(|n| {
            let t = n as f64;
            pink[n] + rumble[n] + hum.iter().map(|(w, a, p)| a * (w * t + p).sin()).sum::<f64>()
        })
        .collect();
    scale_to(&mut x, 1.0);
    add_clicks(&mut x, seed, [(0.4, 0.6), (3.0, 9.0), (0.0004, 0.0012)]);
    x.into_iter().map(|v| v as f32).collect()
}

/// Adds clicks to a room of RMS 1: so many a second, so loud, dying away in so many seconds, each the least
/// and by how much more it is at the most.
fn add_clicks(x: &mut [f64], seed: u64, [a_second, loud, lasts_s]: [(f64, f64); 3]) {
    let frames = x.len();
    let drawn = |(least, more): (f64, f64), i: u64| least + more * chance(seed, i);
    let hiss = white(frames, seed + 2);
    for c in 0..(frames as f64 / RATE * drawn(a_second, 4)) as u64 {
        let at = (chance(seed, 100 + c) * frames as f64) as usize;
        let (loud, lasts_s) = (drawn(loud, 200 + c), drawn(lasts_s, 300 + c));
        for (i, v) in x.iter_mut().skip(at).take((6.0 * lasts_s * RATE) as usize).enumerate() {
            *v += loud * hiss[at + i] * (-(i as f64) / (lasts_s * RATE)).exp();
        }
    }
}

/// How the note rises, holds and dies away, at `t` seconds after its onset.
fn shape(t: f64, rise_s: f64, release_s: f64) -> f64 {
    if t < 0.0 {
        return 0.0;
    }
    let rise = 0.5 - 0.5 * (std::f64::consts::PI * (t / rise_s).min(1.0)).cos();
    let after = (t - HELD_S).max(0.0);
    // A room's reverberation would go on for ever; it ends with a fade 60 dB down.
    rise * (-after / (release_s / 2.0)).exp() * (1.0 - after / (3.5 * release_s)).clamp(0.0, 1.0)
}

/// A sum of partials with breath and a chiff at the attack.
fn additive(sound: Sound, hz: f64, movement: Movement, frames: usize, seed: u64) -> Vec<f64> {
    let (rise_s, release_s) = sound.rise_release_s();
    let rise_s = rise_s.max(1.5 / hz);
    let partials: Vec<(f64, f64, f64)> = (1..=60)
        .map(|k| {
            let kf = k as f64;
            // Higher partials speak later and die earlier.
            (kf, sound.amplitude(k, hz), rise_s * (1.0 + 0.04 * kf))
        })
        .filter(|(k, a, _)| k * hz * 1.06 < 0.45 * RATE && *a > 1e-6)
        .collect();
    let total: f64 = partials.iter().map(|p| p.1 * p.1 / 2.0).sum::<f64>().sqrt();
    // Breath: noise around and above the tone.
    let w = white(frames, seed + 50);
    let low = smooth(&w, (0.7 * hz).min(600.0));
    let mut breath: Vec<f64> = smooth(&w, 5_000.0).iter().zip(&low).map(|(a, b)| a - b).collect();
    scale_to(&mut breath, sound.breath() * total);
    let mut chiff = smooth(&white(frames, seed + 51), 2_500.0);
    scale_to(&mut chiff, 0.05 * total);
    let mut cycles = 0.0;
    (0..frames)
        .map(|n| {
            let t = n as f64 / RATE - HEAD_S;
            if t < 0.0 {
                return 0.0;
            }
            cycles += hz * movement.factor(t) / RATE;
            let body = shape(t, rise_s, release_s);
            if body == 0.0 && t > 0.1 {
                return 0.0;
            }
            let tone: f64 = partials
                .iter()
                .map(|(k, a, rise)| {
                    a * shape(t, *rise, release_s) * (TAU * (cycles * k + 0.13 * k * k)).sin()
                })
                .sum();
            let puff = (t / 0.008).min(1.0) * (-t / 0.02).exp();
            let swell = 1.0 + 0.08 * (TAU * 2.3 * t).sin();
            tone * swell + breath[n] * body + chiff[n] * puff
        })
        .collect()
}

/// One take.
pub fn take(hz: f64, sound: Sound, movement: Movement, seed: u64) -> Take {
    let frames = ((HEAD_S + HELD_S + AFTER_S) * RATE) as usize;
    let (rise_s, release_s) = if sound.is_model() { (0.015, 0.12) } else { sound.rise_release_s() };
    let note = if sound.is_model() {
        let held = move |n: usize| shape(n as f64 / RATE - HEAD_S, rise_s, release_s);
        let pitch = move |n: usize| hz * movement.factor((n as f64 / RATE - HEAD_S).max(0.0));
        let air = white(frames, seed + 50);
        match sound {
            Sound::ReedModel => blown_reed(&held, &pitch, &air, frames),
            Sound::BowModel => bowed_string(&held, &pitch, &air, frames),
            _ => blown_jet(&held, &pitch, &air, frames),
        }
    } else {
        additive(sound, hz, movement, frames, seed)
    };
    let start = (HEAD_S * RATE) as usize;
    let end = ((HEAD_S + HELD_S + 3.5 * release_s) * RATE) as usize;
    let held = &note[start..start + (HELD_S * RATE) as usize];
    let rms = (held.iter().map(|v| v * v).sum::<f64>() / held.len() as f64).sqrt();
    let note: Vec<f32> = note.iter().map(|v| (v * NOTE_RMS / rms.max(1e-12)) as f32).collect();
    debug_assert!(level::peak(&note) < 1.0);
    Take {
        name: format!("{hz:7.1} Hz {sound:?} {movement:?}"),
        note,
        room: room(frames, seed),
        sounds: (start, end.min(frames)),
    }
}

/// The development set: 36 takes from A0 to C8.
pub fn development_set() -> Vec<Take> {
    shuffled(36, 11, (21.0, 108.0), 300)
}

/// A set that nothing was chosen by: other notes, other sounds on them, other rooms and breaths.
pub fn held_out_set() -> Vec<Take> {
    shuffled(30, 13, (30.3, 101.7), 7_100)
}

/// `count` takes evenly over `range` (MIDI notes), in the order of the multiples of `stride`, so that
/// sounds and pitches mix; the seeds count on from `seed`.
fn shuffled(count: u64, stride: u64, range: (f64, f64), seed: u64) -> Vec<Take> {
    use Movement::*;
    use Sound::*;
    let sounds = [Bowed, ReedModel, Flute, BowModel, Reed, JetModel, Brass, Breathy];
    let moves = [Steady, Vibrato(25.0), Drift, Steady, Vibrato(12.0)];
    (0..count)
        .map(|i| {
            let midi = range.0 + (range.1 - range.0) * ((i * stride) % count) as f64 / (count - 1) as f64;
            let hz = 440.0 * ((midi - 69.0) / 12.0f64).exp2();
            let sound = sounds[i as usize % sounds.len()].played_at(hz);
            let movement = if hz < 60.0 { Drift } else { moves[i as usize % moves.len()] };
            take(hz, sound, movement, seed + i)
        })
        .collect()
}
