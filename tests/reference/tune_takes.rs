//! Invented takes for tuning whose pitch is known exactly at every moment, with the same sound free
//! of noise beside them. Values of noise and timbre are invented; nothing here is a recording.

use std::f64::consts::TAU;

use seamwright::audio::{AudioBuf, level, signals};
use seamwright::dsp::tune::{PitchMap, read_along};
use seamwright::units::{Hertz, MidiNote, SampleRate};

pub const RATE: f64 = 48_000.0;
pub const ONSET_S: f64 = 0.5;
pub const NOTE_S: f64 = 2.6;
const ROOM_AFTER_S: f64 = 0.5;

/// A note with room tone around it.
pub struct TuneTake {
    pub name: String,
    /// The note that it should sound.
    pub target: Hertz,
    /// With room tone.
    pub x: Vec<f32>,
    /// Without.
    pub clean: Vec<f32>,
    cents: Box<dyn Fn(f64) -> f64>,
    /// The note's own part of a frame: at seconds after the onset, with the fundamental at this phase in
    /// cycles.
    note: Box<dyn Fn(f64, f64) -> f64>,
}

impl TuneTake {
    /// The clean note as it would sound had it been played exactly on its target: of `frames` frames,
    /// with the swell and the partials of the source times that `at_s` tells (seconds of the file), in
    /// phase with the source at frame `meet`.
    fn on_target(&self, frames: usize, meet: usize, at_s: impl Fn(usize) -> f64) -> Vec<f32> {
        let there = self.cycles(at_s(meet));
        (0..frames)
            .map(|m| {
                let cycles = there + self.target.0 * (m as f64 - meet as f64) / RATE;
                (self.note)(at_s(m) - ONSET_S, cycles) as f32
            })
            .collect()
    }

    /// The take as it would be had the note been played on its target along `map`, with its own room
    /// read along the same map: the chance in both is one.
    pub fn played(&self, map: &PitchMap, meet: usize) -> Vec<f32> {
        let rate = SampleRate::new(RATE as u32).expect("a legal rate");
        let room: Vec<f32> = self.x.iter().zip(&self.clean).map(|(x, c)| x - c).collect();
        let room = AudioBuf::mono(room, rate).expect("a channel");
        let room = read_along(&room, map, rate).expect("a legal map");
        let note = self.on_target(map.frames(), meet, |m| map.source_at(m as f64) / RATE);
        note.iter().zip(room.channel(0)).map(|(a, b)| a + b).collect()
    }

    /// Cycles of the fundamental from the onset to a time in seconds of the file.
    fn cycles(&self, t_s: f64) -> f64 {
        let steps = ((t_s - ONSET_S) * RATE).round() as usize;
        (0..steps).map(|n| self.f0(ONSET_S + (n as f64 + 0.5) / RATE) / RATE).sum()
    }

    /// True deviation from the target in cents, at a time in seconds of the file.
    pub fn cents(&self, t_s: f64) -> f64 {
        (self.cents)(t_s - ONSET_S)
    }

    /// True fundamental in hertz.
    pub fn f0(&self, t_s: f64) -> f64 {
        self.target.0 * (self.cents(t_s) / 1200.0).exp2()
    }
}

/// How the pitch moves, in cents over seconds after the onset, around a detuning.
#[derive(Debug, Clone, Copy)]
pub enum Movement {
    Steady,
    /// Rate in Hz and depth in cents, growing in over 0.2 s.
    Vibrato(f64, f64),
    /// Slow wander.
    Drift,
    /// Wander and vibrato.
    Both,
    /// From below, settling with a time constant: depth in cents, seconds.
    Scoop(f64, f64),
    /// A breath that sinks.
    Sinking,
}

impl Movement {
    fn cents(self, t: f64) -> f64 {
        let t = t.max(0.0);
        match self {
            Self::Steady => 0.0,
            Self::Vibrato(hz, depth) => depth * (t / 0.2).min(1.0) * (TAU * hz * t).sin(),
            Self::Drift => 9.0 * (TAU * 0.4 * t).sin() + 4.0 * (TAU * 1.3 * t + 1.0).sin(),
            Self::Both => 8.0 * (TAU * 0.6 * t + 2.0).sin() + 25.0 * (TAU * 5.4 * t).sin(),
            Self::Scoop(depth, tau) => -depth * (-t / tau).exp(),
            Self::Sinking => 6.0 - 9.0 * t + 2.0 * (TAU * 0.9 * t).sin(),
        }
    }
}

/// Amplitude of partial `k` of the timbre `kind` (0 to 4) for a fundamental of `f`.
fn partial(kind: usize, k: usize, f: f64) -> f64 {
    let kf = k as f64;
    let formant = |centre: f64, width: f64| 1.0 / (1.0 + ((kf * f - centre) / width).powi(2));
    match kind {
        0 => (0.3 + formant(1_000.0, 600.0)) / kf,
        1 => [1.0, 0.3, 0.12, 0.05, 0.02].get(k - 1).copied().unwrap_or(0.0),
        2 => [0.03, 1.0][k % 2] / kf,
        3 => formant(1_200.0, 700.0) * kf.powf(-0.3),
        _ => 1.0 / (kf * (1.0 + (kf / 8.0).powi(2))),
    }
}

/// Pink hiss and mains hum, RMS 1.
fn room_tone(frames: usize, seed: u64) -> Vec<f32> {
    let white = signals::white_noise(1.0, frames, seed);
    // White noise through poles at every second octave falls by about 3 dB an octave.
    let mut state = [0.0f64; 6];
    let pink: Vec<f64> = white
        .iter()
        .map(|w| {
            let poles = state.iter_mut().enumerate().map(|(i, s)| {
                let a = (-TAU * 20.0 * 4f64.powi(i as i32) / RATE).exp();
                *s = a * *s + (1.0 - a).sqrt() * f64::from(*w);
                *s
            });
            poles.sum()
        })
        .collect();
    let rms = (pink.iter().map(|v| v * v).sum::<f64>() / frames as f64).sqrt();
    let x: Vec<f32> = (0..frames)
        .map(|n| {
            let t = n as f64 / RATE;
            let hum = 0.35 * (TAU * 50.0 * t).sin() + 0.25 * (TAU * 100.0 * t + 1.0).sin();
            (0.85 * pink[n] / rms + hum) as f32
        })
        .collect();
    let rms = level::rms(&x) as f32;
    x.iter().map(|v| v / rms).collect()
}

/// One take of `note`, out by `detuned` cents, `snr_db` above the room (RMS over the note against
/// RMS of the room tone, whole band).
pub fn take(
    note: MidiNote,
    detuned: f64,
    kind: usize,
    movement: Movement,
    snr_db: f64,
    seed: u64,
) -> TuneTake {
    let target = note.frequency(Hertz(440.0));
    let frames = ((ONSET_S + NOTE_S + ROOM_AFTER_S) * RATE) as usize;
    let cents = move |t: f64| detuned + movement.cents(t);
    let partials: Vec<(f64, f64)> = (1..=40)
        .map(|k| (k as f64, partial(kind, k, target.0)))
        .filter(|(k, a)| k * target.0 * 1.1 < 0.4 * RATE && *a > 0.0)
        .collect();
    let note = move |t: f64, cycles: f64| {
        if !(0.0..NOTE_S).contains(&t) {
            return 0.0;
        }
        let swell = (t / 0.025).min((NOTE_S - t) / 0.06).min(1.0);
        let shape = if kind == 4 { (-t / 1.5).exp() } else { 1.0 + 0.1 * (TAU * 5.1 * t).sin() };
        // Half a cosine at both ends: no corner.
        let swell = 0.5 - 0.5 * (TAU / 2.0 * swell).cos();
        let s: f64 = partials.iter().map(|(k, a)| a * (TAU * (cycles * k).fract()).sin()).sum();
        swell * shape * s
    };
    let mut cycles = 0.0f64;
    let mut clean: Vec<f32> = (0..frames)
        .map(|n| {
            let t = n as f64 / RATE - ONSET_S;
            if (0.0..NOTE_S).contains(&t) {
                // The middle of the interval between two samples: the phase is right to third order.
                cycles += target.0 * (cents(t - 0.5 / RATE) / 1200.0).exp2() / RATE;
            }
            note(t, cycles) as f32
        })
        .collect();
    let start = (ONSET_S * RATE) as usize;
    let loud = 0.1 / level::rms(&clean[start..start + (NOTE_S * RATE) as usize]);
    clean.iter_mut().for_each(|v| *v *= loud as f32);
    let gain = (0.1 * 10f64.powf(-snr_db / 20.0)) as f32;
    let x = clean.iter().zip(room_tone(frames, seed)).map(|(v, r)| v + gain * r).collect();
    TuneTake {
        name: format!("{:7.1} Hz {detuned:+5.0} c, timbre {kind}, {movement:?}", target.0),
        target,
        x,
        clean,
        cents: Box::new(cents),
        note: Box::new(move |t, cycles| loud * note(t, cycles)),
    }
}

/// The development set at one signal-to-noise ratio: 33 takes from A0 to F7.
pub fn tune_set(snr_db: f64) -> Vec<TuneTake> {
    use Movement::*;
    let moves = [
        Vibrato(5.0, 50.0),
        Drift,
        Scoop(150.0, 0.03),
        Steady,
        Both,
        Vibrato(7.0, 30.0),
        Sinking,
        Scoop(60.0, 0.08),
        Vibrato(4.0, 15.0),
        Both,
        Vibrato(6.2, 50.0),
    ];
    (0..33)
        .map(|i| {
            let note = MidiNote(21 + (i * 5 / 2) as u8);
            // Nobody plays a vibrato on the lowest strings.
            let low = i < 5 && matches!(moves[i % 11], Vibrato(..) | Both);
            let movement = if low { Drift } else { moves[i % 11] };
            let kind = if i < 6 { [0, 3, 4][i % 3] } else { i % 5 };
            let detuned = [0.0, 17.0, -31.0, 6.0, -8.0, 38.0, -22.0][i % 7];
            take(note, detuned, kind, movement, snr_db, 500 + i as u64)
        })
        .collect()
}
