//! The room: a fridge, hiss, and walls.

use super::bottle::{blow, intake, knock};
use super::maths::{Chance, OnePole, exp2, gain, sin_turns};
use super::plan::{FilePlan, RATE, SEED};

/// Level of the hiss, RMS re full scale.
const HISS_DB: f64 = -62.5;
/// The fridge: mains of 50 Hz, its multiples and their levels (RMS re full scale).
const HUM: [(f64, f64); 6] =
    [(50.0, -70.0), (100.0, -67.0), (150.0, -74.0), (200.0, -75.0), (300.0, -80.0), (400.0, -84.0)];
/// Steps of 24-bit samples to full scale.
const STEPS: f64 = 8_388_608.0;

/// The samples of a file, on the grid of 24 bits and within full scale.
pub fn record(plan: &FilePlan) -> Vec<f32> {
    let mut chance = Chance::new(SEED, plan.stream + 50);
    let mut dry = vec![0.0; plan.frames];
    for take in &plan.takes {
        add(&mut dry, take.onset, &blow(take));
        let before = |s: f64| take.onset.saturating_sub((s * RATE) as usize);
        add(&mut dry, before(take.intake_s), &intake(&mut chance));
        if let Some(s) = take.knock_s {
            add(&mut dry, before(s), &knock());
        }
    }
    let mut walls = Walls::new();
    let fridge = Fridge::new(&mut chance);
    let hiss = pink(plan.frames, &mut chance);
    dry.iter()
        .zip(hiss)
        .enumerate()
        .map(|(n, (x, hiss))| {
            let y = x + walls.step(*x) + fridge.at(n as f64 / RATE) + hiss;
            // Rounded to 24 bits here: the same bits whatever writes them. The highest value is one
            // step below full scale.
            ((y * STEPS + 0.5).floor().clamp(1.0 - STEPS, STEPS - 1.0) / STEPS) as f32
        })
        .collect()
}

fn add(into: &mut [f64], at: usize, what: &[f64]) {
    for (d, s) in into.iter_mut().skip(at).zip(what) {
        *d += s;
    }
}

/// Noise that falls by about 3 dB an octave: white noise through low-passes two octaves apart,
/// each by 1/√2 an octave stronger than the next higher one; scaled to [`HISS_DB`].
fn pink(frames: usize, chance: &mut Chance) -> Vec<f64> {
    const CORNERS: [f64; 5] = [40.0, 160.0, 640.0, 2_560.0, 10_240.0];
    let mut poles = CORNERS.map(|f| (OnePole::new(f, RATE), 1.0 / f.sqrt()));
    let mut x: Vec<f64> = (0..frames)
        .map(|_| {
            let white = chance.noise();
            poles.iter_mut().map(|(p, g)| *g * p.step(white)).sum()
        })
        .collect();
    let rms = (x.iter().map(|s| s * s).sum::<f64>() / frames.max(1) as f64).sqrt().max(1e-30);
    let scale = gain(HISS_DB) / rms;
    for s in &mut x {
        *s *= scale;
    }
    x
}

/// Hum that swells a little, slowly.
struct Fridge {
    partials: [(f64, f64, f64); HUM.len()],
    beat: f64,
}

impl Fridge {
    fn new(chance: &mut Chance) -> Self {
        // RMS to amplitude: √2.
        let partials = HUM.map(|(hz, db)| (hz, gain(db) * 2f64.sqrt(), chance.between(0.0, 1.0)));
        Self { partials, beat: chance.between(0.0, 1.0) }
    }

    fn at(&self, t: f64) -> f64 {
        let swell = 1.0 + 0.12 * sin_turns(0.31 * t + self.beat);
        swell * self.partials.iter().map(|(hz, a, p)| a * sin_turns(hz * t + p)).sum::<f64>()
    }
}

/// A small kitchen: four echoes that repeat and grow dull (a sum of recirculating delays; Schroeder,
/// Natural sounding artificial reverberation, JAES 10(3), 1962), 60 dB down after 0.35 s, far below
/// the direct sound.
struct Walls {
    lines: [(Vec<f64>, usize, f64, OnePole); 4],
    wet: f64,
}

impl Walls {
    const DELAYS_MS: [f64; 4] = [19.3, 26.9, 33.7, 41.1];
    const DECAY_S: f64 = 0.35;
    const WET_DB: f64 = -27.0;

    fn new() -> Self {
        Self {
            wet: gain(Self::WET_DB),
            lines: Self::DELAYS_MS.map(|ms| {
                // 60 dB are 2^9.966: what is left after one turn of the delay.
                let keeps = exp2(-9.966 * ms / 1000.0 / Self::DECAY_S);
                (vec![0.0; (ms / 1000.0 * RATE) as usize], 0, keeps, OnePole::new(3_500.0, RATE))
            }),
        }
    }

    fn step(&mut self, x: f64) -> f64 {
        let mut sum = 0.0;
        for (line, at, keeps, dull) in &mut self.lines {
            let out = line[*at];
            line[*at] = x + *keeps * dull.step(out);
            *at = (*at + 1) % line.len();
            sum += out;
        }
        self.wet * sum
    }
}
