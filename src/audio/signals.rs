//! Signals whose pitch and level are known exactly, for tests, benches and the demo takes.

use std::f64::consts::TAU;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// `frames` samples of amplitude·sin(2π·hz·n/rate).
pub fn sine(hz: f64, amplitude: f64, rate: f64, frames: usize) -> Vec<f32> {
    (0..frames).map(|n| (amplitude * (TAU * hz * n as f64 / rate).sin()) as f32).collect()
}

/// A tone with partials at whole multiples of a fundamental that may move.
///
/// `hz(t)` is the fundamental at `t` seconds; `partials[k]` the amplitude of partial k+1. Partials
/// at or above half the rate are left out. The phase is the running sum of the frequency, so the
/// instantaneous frequency at frame n is `hz(n/rate)` to first order.
pub fn harmonic(hz: impl Fn(f64) -> f64, partials: &[f64], rate: f64, frames: usize) -> Vec<f32> {
    let mut cycles = 0.0f64;
    (0..frames)
        .map(|n| {
            let f = hz(n as f64 / rate);
            let s: f64 = partials
                .iter()
                .enumerate()
                .filter(|(k, _)| f * (*k as f64 + 1.0) < rate / 2.0)
                .map(|(k, a)| a * (TAU * cycles * (k as f64 + 1.0)).sin())
                .sum();
            cycles += f / rate;
            cycles -= cycles.floor();
            s as f32
        })
        .collect()
}

/// White noise, uniform, with RMS value `rms`, the same for the same `seed` everywhere.
pub fn white_noise(rms: f64, frames: usize, seed: u64) -> Vec<f32> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    // A uniform variable on ±a has variance a²/3.
    let a = rms * 3f64.sqrt();
    (0..frames).map(|_| ((rng.random::<f64>() * 2.0 - 1.0) * a) as f32).collect()
}

/// The sum of `x` and `y`, as long as the shorter.
pub fn sum(x: &[f32], y: &[f32]) -> Vec<f32> {
    x.iter().zip(y).map(|(a, b)| a + b).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::level;

    #[test]
    fn noise_has_its_level_and_repeats() {
        let x = white_noise(0.1, 100_000, 7);
        // Standard error of a variance over n uniform samples is about 0.9/√n: 0.3 % here.
        assert!((level::rms(&x) / 0.1 - 1.0).abs() < 0.01);
        assert_eq!(x, white_noise(0.1, 100_000, 7));
        assert_ne!(x, white_noise(0.1, 100_000, 8));
    }

    #[test]
    fn harmonic_leaves_out_what_would_alias() {
        let x = harmonic(|_| 10_000.0, &[1.0, 1.0, 1.0], 48_000.0, 4_800);
        // Only the partials at 10 and 20 kHz remain: RMS = √(½+½) = 1.
        assert!((level::rms(&x) - 1.0).abs() < 1e-3);
    }
}
