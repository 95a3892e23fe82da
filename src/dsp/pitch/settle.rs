//! Smoothing of tracks that knows how sure their values are.

use std::f64::consts::PI;

use super::refine::CENTS;
use super::turning::SPREAD;
use crate::dsp::poll::Poll;
use crate::error::Result;

/// Longest reach to each side that a settled value is gathered from, in seconds.
const LONGEST_SETTLE_S: f64 = 0.2;
/// A value whose standard error is this many times the usual weighs less than others.
const MUCH_LESS_SURE: f64 = 4.0;

/// Takes out of the track what is no larger than its noise, from slow to fast.
///
/// The track is taken apart into ever smoother versions and the differences between them. A
/// difference whose local power D is no more than the noise V to be expected there is dropped, a
/// larger one kept by the factor 1 − 1.5·V/D (Wiener's gain with an over-estimate of the noise):
/// a steady note gets a long window, vibrato and scoops keep the short one.
/// Returns the factor by which each value's standard error fell. Errors: `Cancelled`.
pub fn settle(
    f_hz: &mut [f64],
    sigma_cents: &[f64],
    window: f64,
    step: f64,
    poll: &Poll,
) -> Result<Vec<f64>> {
    // Values much less sure than the others (at a note's ends) weigh less; else all count alike, or a
    // loud moment would speak for its neighbours.
    let mut sigmas: Vec<f64> = sigma_cents.iter().copied().filter(|s| s.is_finite()).collect();
    let most = MUCH_LESS_SURE * median(&mut sigmas);
    let trust = |s: &f64| if s.is_finite() { (most / s.max(1e-12)).powi(2).min(1.0) } else { 0.0 };
    let known: Vec<f64> = sigma_cents.iter().map(trust).collect();
    let noise: Vec<f64> = sigma_cents.iter().map(|s| if s.is_finite() { s * s } else { 0.0 }).collect();
    let centre = median(&mut f_hz.to_vec());
    let exact: Vec<f64> = f_hz.iter().map(|f| CENTS * (f / centre).ln()).collect();
    let mut smoother = vec![exact.clone()];
    // Part of the noise's variance left at each stage.
    let mut left = vec![1.0f64];
    for half_s in [0.5 * window, window, 2.0 * window, 4.0 * window] {
        let half = half_s.min(LONGEST_SETTLE_S) / step;
        if half < 1.5 || 4.0 * half > f_hz.len() as f64 {
            break;
        }
        // Smoothing what the smoothing missed, too, keeps parabolas (Tukey's twicing).
        let once = weighted_smooth(&exact, &known, half, poll)?;
        let missed: Vec<f64> = exact.iter().zip(&once).map(|(a, b)| a - b).collect();
        let again = weighted_smooth(&missed, &known, half, poll)?;
        smoother.push(once.iter().zip(&again).map(|(a, b)| a + b).collect());
        // Errors of frequency from white phase noise fall with the cube of the window (Rife & Boorstyn).
        let wider = (1.0 + (0.36 * half * step / (SPREAD * window)).powi(2)).sqrt();
        left.push((1.5 / wider.powi(3)).min(1.0));
    }
    let mut out = smoother[smoother.len() - 1].clone();
    let mut kept = vec![left[left.len() - 1]; f_hz.len()];
    for j in (1..smoother.len()).rev() {
        let detail: Vec<f64> = smoother[j - 1].iter().zip(&smoother[j]).map(|(a, b)| a - b).collect();
        let squares: Vec<f64> = detail.iter().map(|d| d * d).collect();
        let half = (0.5 * window * f64::from(1u32 << j)).min(LONGEST_SETTLE_S) / step;
        let power = weighted_smooth(&squares, &known, half, poll)?;
        let expected = weighted_smooth(&noise, &known, half, poll)?;
        for i in 0..out.len() {
            let gain = (1.0 - 1.5 * left[j - 1] * expected[i] / power[i].max(1e-30)).clamp(0.0, 1.0);
            out[i] += gain * detail[i];
            kept[i] += gain * gain * (left[j - 1] - left[j]).max(0.0);
        }
    }
    for (f, c) in f_hz.iter_mut().zip(&out) {
        *f = centre * (c / CENTS).exp();
    }
    Ok(kept.iter().map(|k| k.sqrt()).collect())
}

/// [`smooth`] of the values with a weight; where none is near, the value itself.
fn weighted_smooth(x: &[f64], weights: &[f64], half: f64, poll: &Poll) -> Result<Vec<f64>> {
    (0..x.len())
        .map(|i| {
            let reach = half.min(i as f64 + 0.5).min((x.len() - 1 - i) as f64 + 0.5);
            let n = reach.floor() as usize;
            poll.worked(2 * n + 1)?;
            let (mut sum, mut weight) = (0.0, 0.0);
            // cos(j·a) by the recurrence of Chebyshev: one multiplication a step.
            let a = (PI / (reach + 0.5)).cos();
            let (mut c0, mut c1) = (1.0, a);
            for j in 0..=n {
                let w = 1.0 + c0;
                (c0, c1) = (c1, 2.0 * a * c1 - c0);
                for at in [i - j, i + j] {
                    let w = w * weights[at] * if j == 0 { 0.5 } else { 1.0 };
                    sum += w * x[at];
                    weight += w;
                }
            }
            Ok(if weight > 0.0 { sum / weight } else { x[i] })
        })
        .collect()
}

/// Middle value of `v` (which is reordered); 0 for none.
pub fn median(v: &mut [f64]) -> f64 {
    if v.is_empty() {
        return 0.0;
    }
    let mid = v.len() / 2;
    *v.select_nth_unstable_by(mid, f64::total_cmp).1
}

/// Smooths with a raised-cosine of ±`half` steps; symmetric and shorter towards the ends. Errors: `Cancelled`.
pub fn smooth(f: &mut [f64], half: f64, poll: &Poll) -> Result<()> {
    let from = f.to_vec();
    for (i, out) in f.iter_mut().enumerate() {
        let reach = half.min(i as f64 + 0.5).min((from.len() - 1 - i) as f64 + 0.5);
        let n = reach.floor() as usize;
        poll.worked(2 * n + 1)?;
        let (mut sum, mut weight) = (0.0, 0.0);
        let first = i - n.min(i);
        for (j, v) in (first..).zip(&from[first..=(i + n).min(from.len() - 1)]) {
            let u = (j as f64 - i as f64) / (reach + 0.5);
            let w = 1.0 + (PI * u).cos();
            sum += w * v;
            weight += w;
        }
        *out = sum / weight;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn smoothing_keeps_lines() {
        let mut f: Vec<f64> = (0..50).map(|i| 100.0 + f64::from(i)).collect();
        let want = f.clone();
        smooth(&mut f, 7.3, &Poll::new(&|| true)).unwrap();
        assert!(f.iter().zip(&want).all(|(a, b)| (a - b).abs() < 1e-9));
    }
}
