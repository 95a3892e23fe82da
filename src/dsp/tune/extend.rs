//! A movement continued beyond its ends, so that a filter finds there what it finds inside.

/// Values are taken this far apart, in seconds: what is continued holds nothing above 25 Hz.
const STEP_S: f64 = 0.02;
/// Most coefficients. A vibrato takes two, a wander two or three more.
const ORDER: usize = 12;

/// `z` (one value every `hop_s` seconds) with `reach` values before and after it.
///
/// They are what an autoregression of `z` foretells: a vibrato goes on, a wander calms down to the
/// mean. Its coefficients are Burg's, so every such continuation stays bounded (J. P. Burg, *Maximum
/// entropy spectral analysis*, thesis, Stanford 1975; recursion as in S. L. Marple, *Digital Spectral
/// Analysis*, §8.5). Where there is too little to learn from, the ends are held.
pub(super) fn extended(z: &[f64], reach: usize, hop_s: f64) -> Vec<f64> {
    let (Some(first), Some(last)) = (z.first(), z.last()) else { return vec![0.0; 2 * reach] };
    let step = ((STEP_S / hop_s).round() as usize).max(1);
    let mean = z.iter().sum::<f64>() / z.len() as f64;
    let mut coarse: Vec<f64> = z.iter().rev().step_by(step).map(|v| v - mean).collect();
    coarse.reverse();
    let model = burg(&coarse, ORDER.min(coarse.len() / 3));
    let after = continued(&coarse, &model, step, reach);
    // Backwards the same coefficients foretell; the grid now begins at the first value.
    let mut back: Vec<f64> = z.iter().step_by(step).map(|v| v - mean).collect();
    back.reverse();
    let mut before = continued(&back, &model, step, reach);
    before.reverse();
    let held = |x: Vec<f64>, end: f64| -> Vec<f64> {
        if model.is_empty() { vec![end; reach] } else { x.iter().map(|v| v + mean).collect() }
    };
    [held(before, *first), z.to_vec(), held(after, *last)].concat()
}

/// Coefficients a₁… of `x[n] ≈ Σ aₖ·x[n−k]` by Burg's recursion; none where `x` is level.
fn burg(x: &[f64], order: usize) -> Vec<f64> {
    let (mut forward, mut backward) = (x.to_vec(), x.to_vec());
    let mut a: Vec<f64> = Vec::with_capacity(order);
    for m in 0..order {
        let (mut top, mut bottom) = (0.0, 0.0);
        for n in m + 1..x.len() {
            top += forward[n] * backward[n - 1];
            bottom += forward[n].powi(2) + backward[n - 1].powi(2);
        }
        if bottom <= 1e-12 {
            break;
        }
        // |k| ≤ 1 by construction; a hair inside, so that what is foretold always dies away.
        let k = (2.0 * top / bottom).clamp(-0.9999, 0.9999);
        let old = a.clone();
        for (i, c) in a.iter_mut().enumerate() {
            *c -= k * old[m - 1 - i];
        }
        a.push(k);
        for n in (m + 1..x.len()).rev() {
            let (f, b) = (forward[n], backward[n - 1]);
            forward[n] = f - k * b;
            backward[n] = b - k * f;
        }
    }
    a
}

/// `reach` values after the last of `coarse`, on a grid `step` times finer.
fn continued(coarse: &[f64], model: &[f64], step: usize, reach: usize) -> Vec<f64> {
    let known = coarse.len();
    let mut x = coarse.to_vec();
    for _ in 0..reach.div_ceil(step) + 2 {
        let next = model.iter().enumerate().map(|(k, a)| a * x[x.len() - 1 - k]).sum();
        x.push(next);
    }
    (1..=reach)
        .map(|i| super::follow::interpolated(&x, (known - 1) as f64 + i as f64 / step as f64))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    #[test]
    fn a_vibrato_goes_on_at_both_ends() {
        let hop = 0.005;
        let wave = |i: f64| 3.0 + 30.0 * (TAU * 6.0 * i * hop).sin() + 8.0 * (TAU * 0.7 * i * hop).cos();
        let z: Vec<f64> = (0..400).map(|i| wave(f64::from(i))).collect();
        let y = extended(&z, 60, hop);
        assert_eq!(y.len(), 520);
        assert_eq!(y[60..460], z);
        for (i, v) in y.iter().enumerate() {
            let off = (v - wave(i as f64 - 60.0)).abs();
            // Within one period of 33 values to a tenth of the depth, and no wilder than it after.
            let inside = (27..493).contains(&i);
            assert!(off < if inside { 3.0 } else { 30.0 }, "{i}: {off}");
        }
    }

    #[test]
    fn little_and_level_values_are_held() {
        assert_eq!(extended(&[2.0; 50], 3, 0.005), [2.0; 56]);
        assert_eq!(extended(&[1.0, 4.0], 2, 0.005), [1.0, 1.0, 1.0, 4.0, 4.0, 4.0]);
        assert_eq!(extended(&[], 1, 0.005), [0.0; 2]);
    }

    #[test]
    fn nothing_grows() {
        // A steep rise at the end must not be shot beyond the window.
        let z: Vec<f64> = (0..200).map(|i| 100.0 * (-f64::from(i) / 6.0).exp()).collect();
        let y = extended(&z, 200, 0.005);
        assert!(y.iter().all(|v| v.abs() <= 200.0), "{:?}", &y[..200]);
    }
}
