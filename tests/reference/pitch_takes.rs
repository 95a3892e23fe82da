//! Invented takes whose pitch is known exactly: the development set of the tracker's bench and of
//! its tests. Values of noise and timbre are invented; nothing here is a recording.

use std::f64::consts::TAU;

use seamwright::audio::{level, signals};

/// A note with room tone around it.
pub struct Take {
    pub name: String,
    /// Frames a second.
    pub rate: f64,
    pub x: Vec<f32>,
    /// The tone alone, without room, breath and bow noise.
    pub clean: Vec<f32>,
    /// Fundamental (first partial) at a time in seconds.
    pub truth: Box<dyn Fn(f64) -> f64>,
    /// Where the note is in full sound, in seconds.
    pub sustain: (f64, f64),
    /// Where only the room sounds, in seconds.
    pub room: Vec<(f64, f64)>,
}

/// How the pitch moves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Movement {
    Steady,
    /// ±cents at 5 Hz.
    Vibrato(f64),
    /// A slow wander of ±12 cents.
    Drift,
    /// From 150 cents below, within about 0.1 s.
    Scoop,
}

/// The sound's colour.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Timbre {
    Pure,
    Flute,
    Bowed,
    Reed,
    Brass,
    WeakFirst,
    NoFirst,
    /// Decaying, partials at k·√(1+Bk²) with B = 1e-4.
    Struck,
    /// Flute with breath noise 45 dB below and an unsteady level.
    Breathy,
}

pub const RATE: f64 = 48_000.0;
pub const ONSET_S: f64 = 0.5;
pub const NOTE_S: f64 = 1.6;
pub const ROOM_AFTER_S: f64 = 0.5;

impl Movement {
    /// Interval from the note at `t` seconds after the onset, in cents.
    pub fn cents(self, t: f64) -> f64 {
        match self {
            Self::Steady => 0.0,
            Self::Vibrato(depth) => depth * (TAU * 5.0 * t).sin(),
            Self::Drift => 8.0 * (TAU * 0.4 * t).sin() + 4.0 * (TAU * 1.1 * t + 1.0).sin(),
            Self::Scoop => -150.0 * (-t.max(0.0) / 0.03).exp(),
        }
    }
}

impl Timbre {
    fn amplitude(self, k: usize, f: f64) -> f64 {
        let kf = k as f64;
        let formant = |centre: f64, width: f64| 1.0 / (1.0 + ((kf * f - centre) / width).powi(2));
        match self {
            Self::Pure => [0.0, 1.0][usize::from(k == 1)],
            Self::Flute | Self::Breathy => [1.0, 0.3, 0.12, 0.05, 0.02].get(k - 1).copied().unwrap_or(0.0),
            Self::Bowed => 1.0 / kf * (0.3 + formant(1_000.0, 600.0)),
            Self::Reed => {
                if k % 2 == 1 {
                    1.0 / kf
                } else {
                    0.03 / kf
                }
            }
            Self::Brass => formant(1_200.0, 700.0) * kf.powf(-0.3),
            Self::WeakFirst => {
                if k == 1 {
                    0.05
                } else {
                    1.0 / kf
                }
            }
            Self::NoFirst => {
                if k == 1 {
                    0.0
                } else {
                    1.0 / kf
                }
            }
            Self::Struck => 1.0 / (kf * (1.0 + (kf / 8.0).powi(2))),
        }
    }
}

/// Room tone: pink hiss, mains hum with harmonics, and a fridge that slips a little behind the
/// mains and swells; RMS 1 over all.
pub fn room_tone(frames: usize, seed: u64) -> Vec<f32> {
    let white = signals::white_noise(1.0, frames, seed);
    // White noise through poles and zeros at alternating octaves falls by 3 dB an octave.
    let mut b = [0.0f64; 6];
    let pink: Vec<f64> = white
        .iter()
        .map(|w| {
            let w = f64::from(*w);
            let mut sum = 0.0;
            for (i, s) in b.iter_mut().enumerate() {
                let corner = 20.0 * 4f64.powi(i as i32);
                let a = (-TAU * corner / RATE).exp();
                *s = a * *s + (1.0 - a) * w / (1.0 - a).sqrt() * 1.0;
                sum += *s;
            }
            sum
        })
        .collect();
    let rms = (pink.iter().map(|v| v * v).sum::<f64>() / frames.max(1) as f64).sqrt();
    let x: Vec<f32> = (0..frames)
        .map(|n| {
            let t = n as f64 / RATE;
            let hum: f64 = [(50.0, 0.35), (100.0, 0.25), (150.0, 0.1)]
                .iter()
                .map(|(f, a)| a * (TAU * f * t + f).sin())
                .sum();
            let fridge = 0.2 * (1.0 + 0.3 * (TAU * 0.7 * t).sin()) * (TAU * 49.3 * t).sin();
            (0.85 * pink[n] / rms + hum + fridge) as f32
        })
        .collect();
    let rms = level::rms(&x).max(1e-12) as f32;
    x.iter().map(|v| v / rms).collect()
}

/// One take: `hz` in `timbre` moving by `movement`, `snr_db` above the room (RMS over the note
/// against RMS of the room tone, whole band).
pub fn take(hz: f64, timbre: Timbre, movement: Movement, snr_db: f64, seed: u64) -> Take {
    let frames = ((ONSET_S + NOTE_S + ROOM_AFTER_S) * RATE) as usize;
    let stiffness = if timbre == Timbre::Struck { 1e-4 } else { 0.0f64 };
    let truth = move |t: f64| hz * (movement.cents(t - ONSET_S) / 1200.0).exp2();
    let top = 0.45 * RATE;
    let partials: Vec<(f64, f64)> = (1..=40)
        .map(|k| {
            let kf = k as f64;
            let ratio = kf * ((1.0 + stiffness * kf * kf) / (1.0 + stiffness)).sqrt();
            (ratio, timbre.amplitude(k, hz))
        })
        .filter(|(ratio, a)| ratio * hz * 1.1 < top && *a > 0.0)
        .collect();
    let breath = signals::white_noise(1.0, frames, seed + 999);
    let mut cycles = 0.0f64;
    let mut airs = vec![0f32; frames];
    let mut note: Vec<f32> = (0..frames)
        .map(|n| {
            let t = n as f64 / RATE - ONSET_S;
            if !(0.0..NOTE_S).contains(&t) {
                return 0.0;
            }
            // The middle of the interval between two samples: the phase is right to third order.
            cycles += truth(ONSET_S + t - 0.5 / RATE) / RATE;
            let swell = (t / 0.02).min((NOTE_S - t) / 0.04).min(1.0);
            let shape = match timbre {
                Timbre::Struck => (-t / 0.8).exp(),
                Timbre::Breathy => 1.0 + 0.15 * (TAU * 6.3 * t).sin() + 0.1 * (TAU * 2.1 * t).cos(),
                _ => 1.0,
            };
            let s: f64 = partials.iter().map(|(r, a)| a * (TAU * (cycles * r).fract()).sin()).sum();
            let air = if timbre == Timbre::Breathy { 0.0056 * f64::from(breath[n]) } else { 0.0 };
            airs[n] = (swell * shape * air) as f32;
            (swell * shape * s) as f32
        })
        .collect();
    let start = (ONSET_S * RATE) as usize;
    let rms = level::rms(&note[start..start + (NOTE_S * RATE) as usize]).max(1e-12);
    // Notes at −20 dB re full scale RMS, as a careful player records them.
    for part in [&mut note, &mut airs] {
        part.iter_mut().for_each(|v| *v *= (0.1 / rms) as f32);
    }
    let gain = (0.1 * 10f64.powf(-snr_db / 20.0)) as f32;
    let x = note.iter().zip(&airs).zip(room_tone(frames, seed)).map(|((v, a), r)| v + a + gain * r).collect();
    let settle = if movement == Movement::Scoop { 0.2 } else { 0.1f64 };
    Take {
        name: format!("{hz:7.1} Hz {timbre:?} {movement:?}"),
        rate: RATE,
        x,
        clean: note,
        truth: Box::new(truth),
        sustain: (ONSET_S + settle.max(4.0 / hz), ONSET_S + NOTE_S - 0.08f64.max(3.0 / hz)),
        room: vec![(0.0, ONSET_S - 0.1), (ONSET_S + NOTE_S + 0.1, ONSET_S + NOTE_S + ROOM_AFTER_S)],
    }
}

/// The development set at one signal-to-noise ratio: 44 takes from A0 to C8.
pub fn development_set(snr_db: f64) -> Vec<Take> {
    use Movement::*;
    use Timbre::*;
    let timbres = [Bowed, Flute, Reed, WeakFirst, Brass, Struck, Breathy, NoFirst, Pure];
    let moves = [Steady, Vibrato(50.0), Drift, Scoop, Vibrato(20.0)];
    (0..44)
        .map(|i| {
            // Two takes a note, 22 notes, 4 semitones apart and a last one at the top.
            let midi = (21 + 4 * (i / 2)).min(108);
            let hz = 440.0 * ((f64::from(midi) - 69.0) / 12.0).exp2();
            let mut timbre = timbres[(i as usize * 2 + i as usize / 9) % timbres.len()];
            let mut movement = moves[i as usize % moves.len()];
            // Lowest and highest notes: what exists. No reed or pure tone at 27 Hz, no vibrato either;
            // above 2 kHz no missing fundamental.
            if hz < 60.0 && matches!(timbre, Pure | Flute | Breathy) {
                timbre = Bowed;
            }
            if hz < 60.0 && matches!(movement, Vibrato(_)) {
                movement = Drift;
            }
            if hz > 1_500.0 && matches!(timbre, NoFirst | WeakFirst) {
                timbre = Flute;
            }
            take(hz, timbre, movement, snr_db, 100 + i as u64)
        })
        .collect()
}
