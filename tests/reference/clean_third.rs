//! A third set of invented takes: notes that come up slowly, with breath before the tone, in rooms of
//! other colours. Values are invented; nothing here is a recording.

use super::*;

/// How a tone comes up.
#[derive(Debug, Clone, Copy)]
enum Growth {
    /// Evenly, as a raised cosine.
    Even,
    /// By itself out of very little until it is bounded, as self-sustained oscillations do: the
    /// amplitude of ȧ = a(1 − a²)/τ is 1/√(1 + (1/a₀² − 1)e^(−2t/τ)) (van der Pol, averaged).
    OfItself,
    /// Over the mark and back, as a bow bites.
    Over,
}

impl Growth {
    /// Amplitude `t` seconds after the beginning of a rise over `rise_s`.
    fn at(self, t: f64, rise_s: f64) -> f64 {
        if t < 0.0 {
            return 0.0;
        }
        let even = 0.5 - 0.5 * (std::f64::consts::PI * (t / rise_s).min(1.0)).cos();
        match self {
            Self::Even => even,
            Self::OfItself => {
                // From −36 dB to within a few percent over the rise, and in over two milliseconds.
                let start: f64 = 0.016;
                let tau = rise_s / 5.5;
                (t / 0.002).min(1.0) / (1.0 + (start.powi(-2) - 1.0) * (-2.0 * t / tau).exp()).sqrt()
            }
            Self::Over => even * (1.0 + 0.35 * (-(t - rise_s).abs() / (0.5 * rise_s)).exp()),
        }
    }
}

/// One note of the set.
#[derive(Debug)]
struct Voice {
    sound: Sound,
    movement: Movement,
    growth: Growth,
    rise_s: f64,
    release_s: f64,
    /// Breath before the tone: how long, and how loud re the tone.
    lead: (f64, f64),
    /// Breath under the tone, re the tone.
    breath: f64,
    /// Cents below the pitch that it begins at.
    scoop: f64,
    /// A higher partial comes so much later a number, as a part of the rise.
    lag: f64,
}

impl Voice {
    fn drawn(sound: Sound, movement: Movement, seed: u64) -> Self {
        let draw = |i: u64, low: f64, high: f64| low + (high - low) * chance(seed, 40 + i);
        let growth = [Growth::OfItself, Growth::Even, Growth::Over][seed as usize % 3];
        let blown = !matches!(sound, Sound::Bowed | Sound::BowModel);
        Self {
            sound,
            movement,
            growth,
            rise_s: 0.05 * 5f64.powf(draw(0, 0.0, 1.0)),
            release_s: draw(1, 0.05, 0.3),
            lead: if blown {
                (draw(2, 0.0, 0.12), 0.003 * 10f64.powf(draw(3, 0.0, 1.0)))
            } else {
                (0.0, 0.0)
            },
            breath: 0.001 * 10f64.powf(draw(4, 0.0, 1.0)),
            scoop: draw(5, 0.0, 35.0),
            lag: draw(6, 0.0, 0.05),
        }
    }

    /// Level of the whole, 0 to 1, `t` seconds after the beginning, for a tone that rises over `rise_s`.
    fn level(&self, t: f64, rise_s: f64) -> f64 {
        let after = (t - HELD_S).max(0.0);
        let fall =
            (-after / (self.release_s / 2.0)).exp() * (1.0 - after / (3.5 * self.release_s)).clamp(0.0, 1.0);
        self.growth.at(t - self.lead.0, rise_s) * fall
    }

    /// Pitch re the nominal.
    fn pitch(&self, t: f64) -> f64 {
        let t = (t - self.lead.0).max(0.0);
        self.movement.factor(t) * (-self.scoop * (-t / (0.5 * self.rise_s)).exp() / 1200.0).exp2()
    }

    fn tone(&self, hz: f64, frames: usize, seed: u64) -> Vec<f64> {
        let at = |n: usize| n as f64 / RATE - HEAD_S;
        if self.sound.is_model() {
            let air = white(frames, seed + 50);
            let (held, pitch) = (|n| self.level(at(n), self.rise_s), |n| hz * self.pitch(at(n).max(0.0)));
            return match self.sound {
                Sound::ReedModel => blown_reed(&held, &pitch, &air, frames),
                Sound::BowModel => bowed_string(&held, &pitch, &air, frames),
                _ => blown_jet(&held, &pitch, &air, frames),
            };
        }
        let partials: Vec<(f64, f64)> = (1..=60)
            .map(|k| (k as f64, self.sound.amplitude(k, hz)))
            .filter(|(k, a)| k * hz * 1.06 < 0.45 * RATE && *a > 1e-6)
            .collect();
        let mut cycles = 0.0;
        (0..frames)
            .map(|n| {
                let t = at(n);
                if t < 0.0 {
                    return 0.0;
                }
                cycles += hz * self.pitch(t) / RATE;
                let swell = 1.0 + 0.06 * (TAU * 1.7 * t + seed as f64).sin();
                let partial = |(k, a): &(f64, f64)| {
                    a * self.level(t, self.rise_s * (1.0 + self.lag * k))
                        * (TAU * (cycles * k + 0.17 * k * k)).sin()
                };
                swell * partials.iter().map(partial).sum::<f64>()
            })
            .collect()
    }

    /// What sounds beside the tone: breath before it and under it, or the bow's noise.
    fn noise(&self, hz: f64, frames: usize, seed: u64) -> Vec<f64> {
        let w = white(frames, seed + 51);
        let (low, high) =
            (smooth(&w, (0.5 * hz).clamp(80.0, 500.0)), smooth(&w, 3_000.0 + 3_000.0 * chance(seed, 60)));
        let mut air: Vec<f64> = high.iter().zip(&low).map(|(a, b)| a - b).collect();
        scale_to(&mut air, 1.0);
        (0..frames)
            .map(|n| {
                let t = n as f64 / RATE - HEAD_S;
                if t < 0.0 {
                    return 0.0;
                }
                let blown = (t / 0.03).min(1.0) * (1.0 - ((t - self.lead.0) / self.rise_s).clamp(0.0, 1.0));
                air[n] * (self.lead.1 * blown + self.breath * self.level(t, self.rise_s))
            })
            .collect()
    }

    fn take(&self, hz: f64, seed: u64) -> Take {
        let frames = ((HEAD_S + HELD_S + AFTER_S) * RATE) as usize;
        let start = (HEAD_S * RATE) as usize;
        let end = ((HEAD_S + HELD_S + 3.5 * self.release_s) * RATE) as usize;
        let mut tone = self.tone(hz, frames, seed);
        let held = &tone[start..start + (HELD_S * RATE) as usize];
        let rms = (held.iter().map(|v| v * v).sum::<f64>() / held.len() as f64).sqrt();
        tone.iter_mut().for_each(|v| *v *= NOTE_RMS / rms.max(1e-12));
        let noise = self.noise(hz, frames, seed);
        Take {
            name: format!(
                "{hz:7.1} Hz {:?} {:?} {:?} rise {:.0} lead {:.0}",
                self.sound,
                self.movement,
                self.growth,
                1e3 * self.rise_s,
                1e3 * self.lead.0
            ),
            note: tone.iter().zip(&noise).map(|(t, n)| (t + NOTE_RMS * n) as f32).collect(),
            room: coloured_room(frames, seed),
            sounds: (start, end.min(frames)),
        }
    }
}

/// A room: hiss of one of three slopes, a transformer's or a rectifier's hum, a fan, clicks; RMS 1 without
/// the clicks.
fn coloured_room(frames: usize, seed: u64) -> Vec<f32> {
    // Steps of two octaves, each so much more power than the one above (pink: 1).
    let slope = [0.8, 1.6, 1.0][(3.0 * chance(seed, 8)).clamp(0.0, 2.0) as usize];
    let w = white(frames, seed);
    let mut x = vec![0.0; frames];
    for i in 0..6 {
        let corner = 25.0 * 4f64.powi(i);
        let gain = (RATE / corner * f64::powi(slope, -i)).sqrt();
        x.iter_mut().zip(&smooth(&w, corner)).for_each(|(p, v)| *p += gain * v);
    }
    scale_to(&mut x, 1.0);
    let fan_hz = 90.0 + 300.0 * chance(seed, 5);
    let fan = smooth(&smooth(&white(frames, seed + 3), 15.0), 15.0);
    let mut fan: Vec<f64> =
        fan.iter().enumerate().map(|(n, v)| v * (TAU * fan_hz * n as f64 / RATE).sin()).collect();
    scale_to(&mut fan, 0.4 * chance(seed, 6));
    let mains = [60.0, 50.0][seed as usize % 2] + 0.05 * (chance(seed, 2) - 0.5);
    let (strength, fall) = (0.1 + 0.9 * chance(seed, 3), 0.5 + 0.9 * chance(seed, 7));
    let hum: Vec<(f64, f64, f64)> = (1..=16u64)
        // A transformer hums at even multiples, a loop in a cable at odd ones most.
        .map(|k| (k as f64, if (k % 2 == 0) == (seed % 4 < 2) { 1.0 } else { 0.2 }, k))
        .map(|(kf, a, k)| {
            let a = a * strength * kf.powf(-fall) * (0.4 + chance(seed, 10 + k));
            (TAU * mains * kf / RATE, a, TAU * chance(seed, 30 + k))
        })
        .collect();
    for (n, v) in x.iter_mut().enumerate() {
        *v += fan[n] + hum.iter().map(|(w, a, p)| a * (w * n as f64 + p).sin()).sum::<f64>();
    }
    scale_to(&mut x, 1.0);
    add_clicks(&mut x, seed, [(0.3, 0.9), (2.0, 8.0), (0.0003, 0.0015)]);
    x.into_iter().map(|v| v as f32).collect()
}

/// The third set: 36 takes from C1 to F7 that come up over 50 to 250 ms.
pub fn third_set() -> Vec<Take> {
    use Movement::*;
    let sounds = [
        Sound::JetModel,
        Sound::Reed,
        Sound::BowModel,
        Sound::Breathy,
        Sound::ReedModel,
        Sound::Bowed,
        Sound::Flute,
        Sound::Brass,
    ];
    let moves = [Vibrato(10.0), Steady, Drift, Vibrato(30.0), Steady, Steady, Drift];
    (0..36u64)
        .map(|i| {
            let midi = 24.4 + 77.0 * ((i * 7) % 36) as f64 / 35.0;
            let hz = 440.0 * ((midi - 69.0) / 12.0f64).exp2();
            let sound = sounds[i as usize % sounds.len()].played_at(hz);
            let seed = 52_000 + 31 * i;
            let movement = if hz < 60.0 { Drift } else { moves[i as usize % moves.len()] };
            Voice::drawn(sound, movement, seed).take(hz, seed)
        })
        .collect()
}
