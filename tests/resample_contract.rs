//! What the one interpolation of the program promises, against sines whose samples are known.
//!
//! THD+N is measured as in IEC 61606-1 / AES17 in kind: the fundamental is taken out (here by a
//! least-squares fit at its known frequency, not by a notch) and the RMS of all that is left,
//! images and aliases included, is set against it, over the whole band without weighting.

use std::f64::consts::TAU;

use proptest::prelude::*;
use seamwright::audio::signals;
use seamwright::dsp::resample::read_at;

/// Frames left out at each end of a measurement: more than half of any kernel used here.
const EDGE: usize = 2000;

/// Least-squares fit of c + a·cos + b·sin at `cycles` a frame: (amplitude, phase, rest RMS).
fn fit(y: &[f32], cycles: f64) -> (f64, f64, f64) {
    let basis = |n: usize| {
        let w = TAU * cycles * n as f64;
        [1.0, w.cos(), w.sin()]
    };
    let mut m = [[0.0f64; 4]; 3];
    for (n, s) in y.iter().enumerate() {
        let b = basis(n);
        for i in 0..3 {
            for j in 0..3 {
                m[i][j] += b[i] * b[j];
            }
            m[i][3] += b[i] * f64::from(*s);
        }
    }
    // Gauss-Jordan; the matrix is near diagonal for many periods.
    for i in 0..3 {
        let pivot = m[i][i];
        m[i].iter_mut().for_each(|v| *v /= pivot);
        for k in (0..3).filter(|k| *k != i) {
            let f = m[k][i];
            let row = m[i];
            m[k].iter_mut().zip(row).for_each(|(v, r)| *v -= f * r);
        }
    }
    let [dc, a, b] = [m[0][3], m[1][3], m[2][3]];
    let rest = y.iter().enumerate().map(|(n, s)| {
        let q = basis(n);
        (f64::from(*s) - dc * q[0] - a * q[1] - b * q[2]).powi(2)
    });
    let rest = (rest.sum::<f64>() / y.len() as f64).sqrt();
    (a.hypot(b), b.atan2(a), rest)
}

/// Reads a sine of `hz` (at `rate`) with a constant step: (gain in dB, THD+N in dB).
fn through(hz: f64, rate: f64, step: f64) -> (f64, f64) {
    let x = signals::sine(hz, 0.9, rate, 20_000 + 2 * EDGE);
    let frames = (20_000.0 / step) as usize;
    let positions: Vec<f64> = (0..frames).map(|m| EDGE as f64 + 0.3 + m as f64 * step).collect();
    let y = read_at(&x, &positions, step).unwrap();
    let (amplitude, _, rest) = fit(&y, hz / rate * step);
    (20.0 * (amplitude / 0.9).log10(), 20.0 * (rest / (amplitude / 2f64.sqrt())).log10())
}

fn cents(c: f64) -> f64 {
    (c / 1200.0).exp2()
}

#[test]
fn distortion_and_noise() {
    for (rate, step) in [
        (44_100.0, 44.1 / 48.0),
        (44_100.0, cents(50.0)),
        (44_100.0, cents(-50.0)),
        (48_000.0, cents(50.0)),
        (48_000.0, cents(-50.0)),
        (44_100.0, 44.1 / 48.0 * cents(50.0)),
        (48_000.0, 48.0 / 44.1),
        (96_000.0, 2.0 * cents(-13.7)),
    ] {
        for hz in [100.0, 1_000.0, 10_000.0] {
            let (_, thdn) = through(hz, rate, step);
            println!("THD+N {rate} Hz, step {step:.5}, {hz} Hz: {thdn:.1} dB");
            assert!(thdn <= -130.0, "{hz} Hz at {rate}, step {step}: {thdn} dB");
        }
    }
}

/// A map that wavers by ±50 cents reads a sine at places that are known: everything that differs
/// from the sine there is distortion, noise, image or error of position.
#[test]
fn wavering_maps_read_what_is_there() {
    for (rate, ratio) in [(44_100.0, 44.1 / 48.0), (48_000.0, 1.0)] {
        // Position is the integral of a speed of ±50 cents, 6 times in 48 000 frames.
        let mut p = EDGE as f64 + 0.3;
        let positions: Vec<f64> = (0..24_000)
            .map(|m| {
                p += ratio * cents(50.0 * (TAU * 6.0 * f64::from(m) / 48_000.0).sin());
                p
            })
            .collect();
        for (hz, most) in [(1_000.0, -130.0), (10_000.0, -130.0), (19_900.0, -120.0)] {
            let x = signals::sine(hz, 0.9, rate, 32_000);
            let y = read_at(&x, &positions, ratio * cents(50.0)).unwrap();
            let rest = positions
                .iter()
                .zip(&y)
                .map(|(p, y)| (f64::from(*y) - 0.9 * (TAU * (hz / rate * p).fract()).sin()).powi(2));
            let rest = (rest.sum::<f64>() / y.len() as f64).sqrt();
            let db = 20.0 * (rest / (0.9 / 2f64.sqrt())).log10();
            println!("wavering, {rate} Hz, {hz} Hz: {db:.1} dB");
            assert!(db <= most, "{hz} Hz at {rate}: {db} dB");
        }
    }
}

#[test]
fn images_of_the_highest_tones() {
    for step in [44.1 / 48.0, cents(50.0), cents(-50.0), 44.1 / 96.0, 0.25] {
        for part in [0.30, 0.40, 0.45, 20.0 / 44.1] {
            let (_, thdn) = through(part * 44_100.0, 44_100.0, step);
            println!("images, step {step:.5}, {part:.4} of the rate: {thdn:.1} dB");
            assert!(thdn <= -120.0, "step {step}, {part}: {thdn}");
        }
    }
}

#[test]
fn flat_to_twenty_kilohertz() {
    let mut worst = 0f64;
    for (rate, step) in [
        (44_100.0, 44.1 / 48.0),
        (44_100.0, cents(50.0)),
        (44_100.0, cents(-50.0)),
        (48_000.0, cents(-50.0)),
        (48_000.0, 48.0 / 44.1),
        (96_000.0, 2.0),
        (192_000.0, 192.0 / 44.1),
    ] {
        for hz in [20.0, 1_000.0, 5_000.0, 15_000.0, 19_000.0, 20_000.0] {
            let (gain, _) = through(hz, rate, step);
            worst = worst.max(gain.abs());
            assert!(gain.abs() <= 0.01, "{hz} Hz at {rate}, step {step}: {gain} dB");
        }
    }
    println!("flatness: within {worst:.5} dB");
}

#[test]
fn what_would_alias_is_gone() {
    for (rate, step) in [(96_000.0, 2.0), (48_000.0, 48.0 / 44.1), (192_000.0, 4.0), (44_100.0, cents(50.0))]
    {
        let limit = rate / step / 2.0;
        for hz in [limit * 1.0, limit * 1.05, limit * 1.3] {
            if hz >= rate / 2.0 {
                continue;
            }
            let x = signals::sine(hz, 0.9, rate, 30_000);
            let positions: Vec<f64> =
                (0..(20_000.0 / step) as usize).map(|m| 5_000.3 + m as f64 * step).collect();
            let y = read_at(&x, &positions, step).unwrap();
            let rms = (y.iter().map(|s| f64::from(*s).powi(2)).sum::<f64>() / y.len() as f64).sqrt();
            let db = 20.0 * (rms / (0.9 / 2f64.sqrt()) + 1e-12).log10();
            println!("alias of {hz:.0} Hz at {rate}, step {step:.4}: {db:.1} dB");
            assert!(db <= -120.0, "{hz} Hz at {rate}, step {step}: {db} dB");
        }
    }
}

/// The angle of a slow quadrature pair tells where it was read.
#[test]
fn positions_are_exact() {
    let period = 1000.0;
    let pair = |phase: f64| -> Vec<f32> {
        (0..9_000).map(|n| (TAU * n as f64 / period + phase).cos() as f32).collect()
    };
    let (re, im) = (pair(0.0), pair(-TAU / 4.0));
    let mut worst = 0f64;
    for speed in [1.0f64 / 64.0, 0.5, 1.0, 1.003, 44.1 / 48.0, 2.0, 3.7] {
        let positions: Vec<f64> = (0..(4_000.0 / speed).min(5_000.0_f64) as usize)
            .map(|m| 2_000.123 + m as f64 * speed + 0.2 * (m as f64 * 0.01).sin() * speed)
            .collect();
        let a = read_at(&re, &positions, speed * 1.01).unwrap();
        let b = read_at(&im, &positions, speed * 1.01).unwrap();
        for ((a, b), p) in a.iter().zip(&b).zip(&positions) {
            let turns = f64::from(*b).atan2(f64::from(*a)) / TAU - p / period;
            worst = worst.max(((turns - turns.round()) * period).abs());
        }
    }
    println!("position: within {worst:.1e} frames");
    assert!(worst <= 1e-3, "{worst}");
}

#[test]
fn impulse_is_symmetric_and_keeps_its_area() {
    let mut x = vec![0f32; 2_001];
    x[1_000] = 1.0;
    for offset in [0.0, 0.25, 0.5, 0.7] {
        // One value a frame, at a fixed fraction: the sum is the gain for a constant.
        let positions: Vec<f64> = (0..2_000).map(|m| m as f64 + offset + 1e-9).collect();
        let sum: f64 = read_at(&x, &positions, 1.0).unwrap().iter().map(|s| f64::from(*s)).sum();
        assert!((sum - 1.0).abs() < 1e-6, "{offset}: {sum}");
        for d in [0.0, 0.4, 1.3, 7.8, 100.2] {
            let y = read_at(&x, &[1_000.0 - d - offset, 1_000.0 + d + offset], 1.0).unwrap();
            assert!((y[0] - y[1]).abs() < 1e-7, "{offset}, {d}: {y:?}");
        }
    }
}

#[test]
fn short_clips_are_read_like_long_ones_with_silence_around() {
    for n in [0usize, 1, 2, 7, 50, 300, 351, 353] {
        let x = signals::white_noise(0.3, n, n as u64);
        let mut padded = vec![0f32; 3_000];
        padded[1_000..1_000 + n].copy_from_slice(&x);
        for speed in [0.9, 1.0, 1.7] {
            let positions: Vec<f64> = (0..1_500).map(|m| -600.25 + m as f64 * 0.9).collect();
            let moved: Vec<f64> = positions.iter().map(|p| p + 1_000.0).collect();
            let (a, b) = (read_at(&x, &positions, speed).unwrap(), read_at(&padded, &moved, speed).unwrap());
            for (i, (a, b)) in a.iter().zip(&b).enumerate() {
                // The fractions differ by the rounding of ±1000 only.
                assert!((a - b).abs() < 1e-6, "{n} frames, speed {speed}, {i}: {a} {b}");
            }
        }
    }
}

#[test]
fn whole_positions_give_the_samples() {
    let x = signals::white_noise(0.3, 1_000, 5);
    let at = |start: f64, n: usize| (0..n).map(|m| start + m as f64).collect::<Vec<_>>();
    assert_eq!(read_at(&x, &at(0.0, 1_000), 1.0).unwrap(), x);
    assert_eq!(read_at(&x, &at(17.0, 400), 1.0).unwrap(), x[17..417]);
    let around = read_at(&x, &at(-5.0, 1_020), 1.0).unwrap();
    assert_eq!(around[..5], [0.0; 5]);
    assert_eq!(around[5..1_005], x);
    assert_eq!(around[1_005..], [0.0; 15]);
}

#[test]
fn silence_outside_and_nothing_for_nothing() {
    let x = signals::white_noise(0.3, 100, 5);
    assert_eq!(read_at(&x, &[-1e18, -5_000.5, 5_000.5, 1e18], 1.0).unwrap(), [0.0; 4]);
    assert!(read_at(&x, &[], 1.0).unwrap().is_empty());
    assert_eq!(read_at(&[], &[0.5, 1.5], 1.0).unwrap(), [0.0; 2]);
}

#[test]
fn wrong_speeds_and_positions_are_refused() {
    for speed in [0.0, -1.0, 0.015, 64.1, f64::NAN, f64::INFINITY] {
        let e = read_at(&[0.0; 8], &[1.0], speed).unwrap_err();
        assert!(e.to_string().contains("1/64 to 64"), "{speed}: {e}");
    }
    assert!(read_at(&[0.0; 8], &[1.0, f64::NAN], 1.0).is_err());
    assert!(read_at(&[0.0; 8], &[f64::INFINITY], 1.0).is_err());
    for speed in [1.0 / 64.0, 64.0] {
        assert_eq!(read_at(&[0.1; 8], &[1.5, 3.0], speed).unwrap().len(), 2);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    /// A value does not depend on what else is read: blocks leave no mark.
    #[test]
    fn together_equals_one_by_one(
        start in -500.0f64..9_000.0, step in 0.02f64..80.0, speed in 0.02f64..9.0, n in 1usize..60,
    ) {
        let x = signals::white_noise(0.3, 8_000, 1);
        let positions: Vec<f64> = (0..n).map(|m| start + m as f64 * step).collect();
        let all = read_at(&x, &positions, speed).unwrap();
        prop_assert!(all.iter().all(|s| s.is_finite()));
        for k in [0, n / 2, n - 1] {
            // A second position keeps a single whole one from being copied.
            let one = read_at(&x, &[positions[k], positions[k] + 0.5], speed).unwrap()[0];
            prop_assert_eq!(one, all[k]);
        }
    }
}
