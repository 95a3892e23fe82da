//! The second development set of the tracker: other timbres, movements, rooms and rates than
//! [`super::pitch_takes`] has, and bodies that sound by themselves. Looked at as a whole only.

use std::f64::consts::TAU;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use seamwright::audio::level;

use super::pitch_models::{Body, measure, read, sound};
use super::pitch_takes::Take;

const ONSET_S: f64 = 0.45;
const NOTE_S: f64 = 1.9;
const AFTER_S: f64 = 0.45;

/// Interval from the note's pitch, in cents, at `t` seconds after the onset.
#[derive(Debug, Clone)]
struct Movement {
    depth: f64,
    hz: f64,
    /// Cents at 0.17, 0.43 and 0.91 Hz: a wander that does not repeat within a note.
    wander: f64,
    scoop: f64,
    scoop_s: f64,
    phase: f64,
}

impl Movement {
    fn cents(&self, t: f64) -> f64 {
        let t = t.max(0.0);
        // Vibrato sets in over a quarter of a second.
        let grown = (t / 0.25).min(1.0).powi(2);
        let wander = [(0.17, 1.0), (0.43, 0.6), (0.91, 0.35)]
            .iter()
            .map(|(hz, a)| a * (TAU * hz * t + self.phase * (1.0 + hz)).sin())
            .sum::<f64>();
        grown * self.depth * (TAU * self.hz * t + self.phase).sin() + self.wander * wander
            - self.scoop * (-t / self.scoop_s).exp()
    }

    fn random(r: &mut ChaCha8Rng, hz: f64) -> Self {
        let kind = r.random_range(0..5);
        let shakes = kind >= 3 && hz > 60.0;
        let scoops = kind == 2;
        Self {
            depth: if shakes { r.random_range(8.0..50.0) } else { 0.0 },
            hz: r.random_range(4.0..7.0),
            wander: if kind == 0 { 0.0 } else { r.random_range(1.0..10.0) },
            scoop: if scoops { r.random_range(-120.0..220.0) } else { 0.0 },
            scoop_s: r.random_range(0.02..0.05),
            phase: r.random_range(0.0..TAU),
        }
    }

    fn settles_s(&self) -> f64 {
        // Until the scoop is within 10 cents and slower than it.
        self.scoop_s * (self.scoop.abs() / 10.0).max(1.0).ln()
    }
}

/// A sum of one-pole filters, nearly three to a decade: falls by about 3 dB an octave.
fn pink(frames: usize, rate: f64, r: &mut ChaCha8Rng) -> Vec<f64> {
    let poles: Vec<f64> = (0..8).map(|i| (-TAU * 9.0 * 3f64.powi(i) / rate).exp()).collect();
    let mut state = [0.0f64; 8];
    (0..frames)
        .map(|_| {
            // Irwin–Hall of four: near enough to a normal variable, variance 1/3.
            let w = (0..4).map(|_| r.random::<f64>()).sum::<f64>() - 2.0;
            for (s, a) in state.iter_mut().zip(&poles) {
                *s = a * *s + (1.0 - a).sqrt() * w;
            }
            state.iter().sum()
        })
        .collect()
}

fn scale_to(x: &mut [f64], rms: f64) {
    let own = (x.iter().map(|v| v * v).sum::<f64>() / x.len().max(1) as f64).sqrt().max(1e-12);
    x.iter_mut().for_each(|v| *v *= rms / own);
}

/// A room of RMS 1: hiss, mains hum of 50 or 60 Hz with harmonics, a machine, and clicks over that.
fn room(frames: usize, rate: f64, r: &mut ChaCha8Rng) -> Vec<f32> {
    let mut x = pink(frames, rate, r);
    scale_to(&mut x, 1.0);
    let mains = if r.random_bool(0.7) { 50.0 } else { 60.0 } * (1.0 + r.random_range(-1e-3..1e-3));
    let mut lines: Vec<(f64, f64)> =
        [(1.0, 0.4), (2.0, 0.3), (3.0, 0.2), (5.0, 0.05)].map(|(k, a)| (k * mains, a)).to_vec();
    let machine = r.random_range(21.0..29.0);
    lines.extend([(machine, 0.15), (2.0 * machine, 0.1), (7.0 * machine, 0.05)]);
    for (hz, most) in lines {
        let (a, phase) = (most * r.random_range(0.3..1.0), r.random_range(0.0..TAU));
        x.iter_mut().enumerate().for_each(|(n, v)| *v += a * (TAU * hz * n as f64 / rate + phase).sin());
    }
    scale_to(&mut x, 1.0);
    for _ in 0..(frames as f64 / rate * 1.5) as usize {
        let at = r.random_range(0..frames);
        let (a, tau, hz) =
            (r.random_range(2.0..8.0), r.random_range(2e-4..2e-3), r.random_range(500.0..4_000.0));
        for (i, v) in x[at..].iter_mut().take((8.0 * tau * rate) as usize).enumerate() {
            let t = i as f64 / rate;
            *v += a * (-t / tau).exp() * (TAU * hz * t).cos();
        }
    }
    x.iter().map(|v| *v as f32).collect()
}

/// What a take is made of.
struct Parts {
    name: String,
    rate: f64,
    /// From the onset on, ending with the note.
    note: Vec<f64>,
    /// Breath or bow noise, as long.
    air: Vec<f64>,
    f0: Box<dyn Fn(f64) -> f64>,
    /// When the note is in full sound and its pitch has settled, in seconds after the onset.
    steady_s: f64,
}

/// Puts a note into its room.
fn lay(parts: Parts, snr_db: f64, r: &mut ChaCha8Rng) -> Take {
    let Parts { name, rate, mut note, mut air, f0, steady_s } = parts;
    let at = (ONSET_S * rate) as usize;
    let rms = (note.iter().map(|v| v * v).sum::<f64>() / note.len() as f64).sqrt().max(1e-12);
    let frames = at + note.len() + (AFTER_S * rate) as usize;
    for v in [&mut note, &mut air] {
        v.iter_mut().for_each(|s| *s *= 0.1 / rms);
    }
    let mut clean = vec![0f32; frames];
    clean[at..at + note.len()].iter_mut().zip(&note).for_each(|(c, v)| *c = *v as f32);
    let gain = (0.1 * 10f64.powf(-snr_db / 20.0)) as f32;
    let mut x: Vec<f32> = clean.iter().zip(room(frames, rate, r)).map(|(c, v)| c + gain * v).collect();
    x[at..at + air.len()].iter_mut().zip(&air).for_each(|(x, v)| *x += *v as f32);
    debug_assert!(level::peak(&x) < 1.0);
    let loud = in_full_sound(&note);
    let (steady_s, ends) = (steady_s.max(loud.0 as f64 / rate), ONSET_S + loud.1 as f64 / rate);
    let low = f0(0.5);
    Take {
        name: format!("{name} {rate:.0}"),
        rate,
        x,
        clean,
        truth: Box::new(move |t| f0(t - ONSET_S)),
        sustain: (ONSET_S + steady_s.max(0.12).max(4.0 / low), ends - 0.08f64.max(3.0 / low)),
        room: vec![(0.0, ONSET_S - 0.1), (frames as f64 / rate - AFTER_S + 0.1, frames as f64 / rate)],
    }
}

/// From where to where (frames) a note is less than 6 dB below its mean.
fn in_full_sound(note: &[f64]) -> (usize, usize) {
    let block = note.len() / 40;
    let power = |b: &[f64]| b.iter().map(|v| v * v).sum::<f64>() / b.len() as f64;
    let least = 0.25 * power(note);
    let loud = |b: &[f64]| power(b) > least;
    let first = note.chunks(block).position(loud).unwrap_or(0);
    let last = note.chunks(block).rposition(loud).unwrap_or(0);
    (first * block, ((last + 1) * block).min(note.len()))
}

/// Noise that swells with the tone's own pressure, `db` below it.
fn air(note: &[f64], rate: f64, db: f64, r: &mut ChaCha8Rng) -> Vec<f64> {
    let level = (note.iter().map(|v| v * v).sum::<f64>() / note.len() as f64).sqrt().max(1e-12);
    let (mut slow, fall) = (0.0f64, (-TAU * 40.0 / rate).exp());
    let (mut low, cut) = (0.0, (-TAU * 6_000.0 / rate).exp());
    let mut y: Vec<f64> = note
        .iter()
        .map(|v| {
            slow = fall * slow + (1.0 - fall) * v.abs();
            let w = r.random::<f64>() - 0.5;
            let bright = w - low;
            low = cut * low + (1.0 - cut) * w;
            (0.7 * low + 0.3 * bright) * slow * (1.0 + 0.4 * v / level)
        })
        .collect();
    scale_to(&mut y, level * 10f64.powf(-db / 20.0));
    y
}

/// A tone of partials, each with its own phase and its own slow swelling.
fn additive(i: usize, hz: f64, rate: f64, snr_db: f64) -> Take {
    let mut r = ChaCha8Rng::seed_from_u64(7_000 + i as u64);
    let movement = Movement::random(&mut r, hz);
    // With few partials a weak first one would be another note's.
    let shape = if 6.0 * hz > 0.4 * rate { [0, 1, 4][i % 3] } else { i % 6 };
    let fall = r.random_range(0.6..2.0);
    let formant = r.random_range(500.0..2_500.0);
    let stiff: f64 = if shape == 5 { 10f64.powf(r.random_range(-4.5..-3.3)) } else { 0.0 };
    let decay = if shape == 5 { r.random_range(0.5..1.5) } else { f64::INFINITY };
    let top = (0.44 * rate).min(20_000.0);
    let amplitude = |k: f64| {
        let colour = 0.2 + 1.0 / (1.0 + ((k * hz - formant) / 700.0).powi(2));
        let odd = k as usize % 2 == 1;
        match shape {
            // Odd partials alone; first partial weak; first partial gone; fourth the strongest.
            1 if !odd => 0.0,
            2 if k == 1.0 => 0.03 * k.powf(-fall),
            3 if k == 1.0 => 0.0,
            4 if k > 6.0 => 0.0,
            _ => k.powf(-fall) * colour,
        }
    };
    let partials: Vec<[f64; 5]> = (1..=50)
        .map(f64::from)
        .map(|k| (k, k * ((1.0 + stiff * k * k) / (1.0 + stiff)).sqrt(), amplitude(k)))
        .filter(|(_, ratio, a)| ratio * hz * 1.12 < top && *a > 0.0)
        .map(|(k, ratio, a)| {
            let swell = (r.random_range(0.3..3.0), r.random_range(0.0..0.15));
            [ratio, a, r.random_range(0.0..TAU), swell.0, if k < 30.0 { swell.1 } else { 0.0 }]
        })
        .collect();
    let frames = (NOTE_S * rate) as usize;
    let mut cycles = 0.0f64;
    let note: Vec<f64> = (0..frames)
        .map(|n| {
            let t = n as f64 / rate;
            // The middle of the step from the sample before: the phase is right to third order.
            cycles += hz * (movement.cents(t - 0.5 / rate) / 1200.0).exp2() / rate;
            let edge = (t / 0.03).min((NOTE_S - t) / 0.05).min(1.0);
            let s: f64 = partials
                .iter()
                .map(|p| {
                    let swell = 1.0 + p[4] * (TAU * p[3] * t + p[2]).sin();
                    p[1] * swell * (TAU * (cycles * p[0]).fract() + p[2]).sin()
                })
                .sum();
            edge * (-t / decay).exp() * s
        })
        .collect();
    let below = if i % 4 == 1 { r.random_range(22.0..36.0) } else { r.random_range(45.0..70.0) };
    let air = air(&note, rate, below, &mut r);
    let settles = movement.settles_s();
    let parts = Parts {
        name: format!("{hz:7.1} Hz additive {shape} air -{below:.0} {movement:.0?}"),
        rate,
        note,
        air,
        f0: Box::new(move |t| hz * (movement.cents(t) / 1200.0).exp2()),
        steady_s: settles,
    };
    lay(parts, snr_db, &mut r)
}

/// A waveguide's sound, bent along a movement: its own pitch is measured in the sound before that, so
/// the truth is that pitch times the movement.
fn model(i: usize, body: Body, hz: f64, rate: f64, snr_db: f64) -> Take {
    let mut r = ChaCha8Rng::seed_from_u64(9_000 + i as u64);
    let movement = Movement::random(&mut r, hz);
    let force = r.random_range(0.2..0.8);
    let lasts = NOTE_S * 1.15 + 0.1;
    let x = sound(body, hz, force, rate, (lasts * rate) as usize);
    let own = Own::of(&x, rate, hz);
    let frames = (NOTE_S * rate) as usize;
    let mut at = 0.0f64;
    let bend = movement.clone();
    let positions = (0..frames).map(|n| {
        let here = at;
        at += (bend.cents((n as f64 + 0.5) / rate) / 1200.0).exp2();
        here
    });
    let mut note = read(&x, positions);
    let ends = (0.05 * rate) as usize;
    note.iter_mut().rev().take(ends).enumerate().for_each(|(n, v)| *v *= n as f64 / ends as f64);
    let below = if i.is_multiple_of(3) { r.random_range(25.0..36.0) } else { r.random_range(45.0..70.0) };
    let air = air(&note, rate, below, &mut r);
    let steady_s = own.since_s.max(movement.settles_s());
    let parts = Parts {
        name: format!("{hz:7.1} Hz {body:?} {force:.2} air -{below:.0} {movement:.0?}"),
        rate,
        note,
        air,
        f0: Box::new(move |t| own.at(t) * (movement.cents(t) / 1200.0).exp2()),
        steady_s,
    };
    lay(parts, snr_db, &mut r)
}

/// A model's own pitch over time, and from when on it is settled.
struct Own {
    /// Seconds between values.
    step: f64,
    /// Measured in windows of two steps, at (i + 1)·step.
    f_hz: Vec<f64>,
    since_s: f64,
}

impl Own {
    /// Measures `x`. A bow's pitch may wander by tenths of a cent: it counts as settled where it
    /// moves by less than half a cent from window to window, so that straight lines between them are
    /// right to a few hundredths.
    fn of(x: &[f64], rate: f64, hz: f64) -> Self {
        let end = x.len() as f64 / rate;
        let f0 = measure(x, rate, hz, 0.4 * end, 0.8 * end);
        let step = 0.06f64.max(6.0 / hz);
        let f_hz: Vec<f64> = (0..((end / step) as usize).saturating_sub(2))
            .map(|i| measure(x, rate, f0, i as f64 * step, (i + 2) as f64 * step))
            .collect();
        let moves = |w: &[f64]| (1200.0 * (w[1] / w[0]).log2()).abs() > 0.5;
        let since = f_hz.windows(2).rposition(moves).map_or(0, |i| i + 2);
        Self { step, f_hz, since_s: since as f64 * step }
    }

    fn at(&self, t: f64) -> f64 {
        let u = (t / self.step - 1.0).clamp(0.0, (self.f_hz.len() - 2) as f64);
        let (i, part) = (u as usize, u.fract());
        self.f_hz[i] * (1.0 - part) + self.f_hz[i + 1] * part
    }
}

/// The second set at one signal-to-noise ratio: 60 takes, 27 Hz to 4.2 kHz, 8 to 192 kHz.
pub fn second_set(snr_db: f64) -> Vec<Take> {
    every(snr_db, 1, 0)
}

/// Every `step`-th take of the second set, from `first` on.
pub fn every(snr_db: f64, step: usize, first: usize) -> Vec<Take> {
    (first..36 + MODELS.len()).step_by(step).map(|i| nth(i, snr_db)).collect()
}

fn nth(i: usize, snr_db: f64) -> Take {
    if let Some((body, hz)) = i.checked_sub(36).map(|m| MODELS[m]) {
        return model(i - 36, body, hz, [48_000.0, 44_100.0, 96_000.0][i % 3], snr_db);
    }
    // Every 2.5 semitones from 27.6 Hz, so that no note falls on the first set's.
    let hz = 27.6 * (i as f64 * 2.48 / 12.0).exp2();
    let rate = [44_100.0, 48_000.0, 96_000.0, 44_100.0, 48_000.0, 8_000.0, 192_000.0][i % 7];
    additive(i, hz, if rate < 5.0 * hz { 44_100.0 } else { rate }, snr_db)
}

const MODELS: [(Body, f64); 24] = [
    (Body::Reed, 61.0),
    (Body::Reed, 118.0),
    (Body::Reed, 152.0),
    (Body::Reed, 241.0),
    (Body::Reed, 388.0),
    (Body::Reed, 702.0),
    (Body::Reed, 1_190.0),
    (Body::Flute, 131.0),
    (Body::Flute, 262.7),
    (Body::Flute, 391.0),
    (Body::Flute, 588.0),
    (Body::Flute, 871.0),
    (Body::Flute, 1_330.0),
    (Body::Flute, 2_110.0),
    (Body::Bow, 33.0),
    (Body::Bow, 67.0),
    (Body::Bow, 101.5),
    (Body::Bow, 203.0),
    (Body::Bow, 431.0),
    (Body::Bow, 640.0),
    (Body::Pluck, 55.3),
    (Body::Pluck, 148.0),
    (Body::Pluck, 331.0),
    (Body::Pluck, 990.0),
];
