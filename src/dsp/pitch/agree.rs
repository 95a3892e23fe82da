//! What the partials of a round say together, and how sure they are of it.

use std::f64::consts::TAU;

use super::measure::Measures;
use super::settle::median;
use crate::dsp::poll::Poll;
use crate::error::Result;

/// A partial whose phase is less sure than this over a window, in radians, does not count.
const UNSURE_RAD: f64 = 0.35;
/// A comparison may raise a partial's noise by this, in variance.
const MOST_RAISED: f64 = 25.0;
/// An amplitude whose second differences are larger than this part of it is noise: for noise
/// alone (Rayleigh) the median is 0.67·√6·0.52 = 0.86, for a partial 10 dB above it 0.37.
const RESTLESS: f64 = 0.5;
/// Largest inharmonicity believed (short bass strings reach about 1e-3).
const STIFFEST: f64 = 2e-3;
/// A restless partial is there when it is no fainter than this part of the strongest: −20 dB.
const CLEAR: f64 = 0.1;
/// Strays may hold this part of the power (−10 dB), and one in so many of the places they may be at.
const STRAY_POWER: f64 = 0.1;
const STRAY_PLACES: usize = 4;
/// A stray fainter than this is the room's (−33 dB).
const STRAY_LEAST: f64 = 5e-4;
/// A first partial that holds more than this part of the power is one (−18 dB).
const FIRST_POWER: f64 = 0.016;
/// How many times too low the track is taken to be at most.
const MOST_TIMES: usize = 8;
/// What the strongest partial leaves in another's window (−80 dB): the window's sidelobes at −93 dB
/// from several sides, and what the blocks fold back.
const LEAK: f64 = 1e-4;

impl Measures {
    fn row(&self, k: usize) -> std::ops::Range<usize> {
        (k - 1) * self.steps..k * self.steps
    }

    /// Finds each partial's noise from how unsteadily it turns: second differences over half a
    /// window, which the note's own slow movement does not reach. Errors: `Cancelled`.
    pub fn find_noise(&mut self, step: f64, len_s: f64, poll: &Poll) -> Result<()> {
        let lag = ((len_s / 2.0 / step).round() as usize).max(1);
        let lag = if self.steps >= 4 * lag { lag } else { 1 };
        let (mut rough, mut swell, mut level) = (Vec::new(), Vec::new(), Vec::new());
        for k in 1..=self.partials {
            let row = self.row(k);
            let (dev, amp) = (&self.dev[row.clone()], &self.amp[row]);
            rough.clear();
            swell.clear();
            level.clear();
            for i in lag..self.steps.saturating_sub(lag) {
                poll.worked(1)?;
                if amp[i - lag] > 0.0 && amp[i] > 0.0 && amp[i + lag] > 0.0 {
                    let e = dev[i - lag] - 2.0 * dev[i] + dev[i + lag];
                    rough.push(e.abs() * amp[i]);
                    swell.push((amp[i - lag] - 2.0 * amp[i] + amp[i + lag]).abs());
                    level.push(amp[i]);
                }
            }
            let restless = median(&mut swell) > RESTLESS * median(&mut level);
            self.noise[k - 1] = if restless {
                f64::INFINITY
            } else if rough.len() >= 5 {
                // Median absolute value of a normal variable: 0.6745 σ. The differences of three
                // independent values have six times the variance of one.
                (median(&mut rough) / 0.6745).powi(2) / 6.0 + 1e-30
            } else {
                // Too short to tell: white noise, 40 dB below.
                1e-8 * self.amp[self.row(k)].iter().fold(0.0, |m: f64, a| m.max(a * a)) / (k * k) as f64
                    + 1e-30
            };
        }
        Ok(())
    }

    /// Raises each partial's noise to what its disagreement with the others shows. What a round
    /// before put into the track is missing from the second differences; not from this. Errors: `Cancelled`.
    pub fn compare_noise(&mut self, f_hz: &[f64], poll: &Poll) -> Result<()> {
        let sums = |i: usize| poll.worked(self.partials).map(|()| self.sums(i, f_hz[i]));
        let totals: Vec<(f64, f64)> = (0..self.steps).map(sums).collect::<Result<_>>()?;
        let mut raised = self.noise.clone();
        let (mut off, mut spare) = (Vec::new(), Vec::new());
        for k in 1..=self.partials {
            off.clear();
            spare.clear();
            for (i, f) in f_hz.iter().enumerate() {
                poll.worked(1)?;
                let Some(v) = self.variance(k, i, *f) else { continue };
                let n = (k - 1) * self.steps + i;
                let (sum, weight) = (totals[i].0 - self.dev[n] / v, totals[i].1 - 1.0 / v);
                if weight > 1e-6 / v {
                    off.push((self.dev[n] - sum / weight) * self.amp[n]);
                    spare.push(self.amp[n] * self.amp[n] / weight);
                }
            }
            if off.len() >= 5 {
                let centre = median(&mut off);
                off.iter_mut().for_each(|v| *v = (*v - centre).abs());
                let all = (median(&mut off) / 0.6745).powi(2);
                let others = median(&mut spare);
                // Only others that are surer than that can tell.
                if others < 0.5 * all {
                    let most = MOST_RAISED * self.noise[k - 1];
                    raised[k - 1] = raised[k - 1].max((all - others).min(most));
                }
            }
        }
        self.noise = raised;
        Ok(())
    }

    /// Weighted sum of the partials' deviations at step `i`, and the sum of the weights.
    fn sums(&self, i: usize, f: f64) -> (f64, f64) {
        let (mut sum, mut weight) = (0.0, 0.0);
        for k in 1..=self.partials {
            if let Some(v) = self.variance(k, i, f) {
                sum += self.dev[(k - 1) * self.steps + i] / v;
                weight += 1.0 / v;
            }
        }
        (sum, weight)
    }

    /// Variance of partial `k`'s deviation at step `i`; none where it is not sure enough to count.
    fn variance(&self, k: usize, i: usize, f: f64) -> Option<f64> {
        let amp = self.amp[(k - 1) * self.steps + i];
        if amp <= 0.0 || amp < self.faintest {
            return None;
        }
        // A shorter window at the ends: the variance falls with the cube of its length (Rife & Boorstyn).
        let shorter = (self.full_spread / self.spread[i]).powi(3);
        let rad_a_dev = TAU * k as f64 * f * self.spread[i];
        let leak = LEAK * self.top[i] / (amp * rad_a_dev);
        let v = self.noise[k - 1] * shorter / (amp * amp) + leak * leak;
        (v.sqrt() * rad_a_dev < UNSURE_RAD).then_some(v)
    }

    /// The partials' weighted mean deviation at each step and its standard error, both relative.
    /// Errors: `Cancelled`.
    pub fn agree(&self, f_hz: &[f64], poll: &Poll) -> Result<Vec<(f64, f64)>> {
        (0..self.steps)
            .map(|i| {
                poll.worked(self.partials)?;
                let (sum, weight) = self.sums(i, f_hz[i]);
                Ok(if weight > 0.0 { (sum / weight, (1.0 / weight).sqrt()) } else { (0.0, f64::INFINITY) })
            })
            .collect()
    }

    /// First and last step with a whole window, however short, in the sound.
    pub fn whole_part(&self) -> Option<(usize, usize)> {
        Some((self.whole.iter().position(|w| *w)?, self.whole.iter().rposition(|w| *w)?))
    }

    /// Fits further inharmonicity ΔB to the partials' lasting offsets, ½·ΔB·(k² − 1) in relative
    /// terms, takes it out of the deviations and returns it; 0 where it does not stand out.
    ///
    /// The slope is fitted to the differences between the partials of a step, so that neither the
    /// track's own error nor a change in which partials sound can pass for inharmonicity. Errors: `Cancelled`.
    pub fn stiffen(&mut self, so_far: f64, f_hz: &[f64], steps_a_window: f64, poll: &Poll) -> Result<f64> {
        let (mut xx, mut xy) = (0.0, 0.0);
        let mut used = vec![false; self.partials];
        for (i, f) in f_hz.iter().enumerate().filter(|(i, _)| self.whole[*i]) {
            poll.worked(self.partials)?;
            // Sums of a weighted straight-line fit over x = (k² − 1)/2.
            let (mut w, mut wx, mut wxx, mut wy, mut wxy) = (0.0, 0.0, 0.0, 0.0, 0.0);
            for k in 1..=self.partials {
                if let Some(v) = self.variance(k, i, *f) {
                    let (x, y) = (((k * k) as f64 - 1.0) / 2.0, self.dev[(k - 1) * self.steps + i]);
                    w += 1.0 / v;
                    wx += x / v;
                    wxx += x * x / v;
                    wy += y / v;
                    wxy += x * y / v;
                    used[k - 1] = true;
                }
            }
            if w > 0.0 {
                xx += wxx - wx * wx / w;
                xy += wxy - wx * wy / w;
            }
        }
        if used.iter().filter(|u| **u).count() < 3 || xx <= 0.0 {
            return Ok(0.0);
        }
        // Neighbouring steps share their windows, so they are not that many measurements.
        let error = (steps_a_window.max(1.0) / xx).sqrt();
        let slope = (xy / xx).clamp(-so_far, STIFFEST - so_far);
        if slope.abs() < 5.0 * error {
            return Ok(0.0);
        }
        for k in 2..=self.partials {
            let x = ((k * k) as f64 - 1.0) / 2.0;
            let row = self.row(k);
            self.dev[row].iter_mut().for_each(|d| *d -= slope * x);
        }
        Ok(slope)
    }

    /// n when the partials are those of a note n times higher: the track is that many times too low.
    ///
    /// The search may take several periods of a note for one when something else repeats with them
    /// by chance, such as the second partial of a bar, at 2.76 times its first (4 × 2.76 ≈ 11), or hum
    /// at half the note. So a few faint strays among many empty places do not count, be one of them
    /// in the first partial's place.
    pub fn too_low_by(&self) -> Option<usize> {
        let loudest = median(&mut self.top.clone());
        let power: Vec<f64> = (1..=self.partials).map(|k| self.power_of(k, loudest)).collect();
        let all: f64 = power.iter().sum();
        let fits = |n: usize| {
            let others = || (1..=self.partials).filter(|k| k % n != 0).map(|k| power[k - 1]);
            let strays = others().filter(|p| *p > STRAY_LEAST * all).count();
            power[n - 1] > 0.0
                && power[0] <= FIRST_POWER * all
                && others().sum::<f64>() <= STRAY_POWER * all
                && strays * STRAY_PLACES <= others().count()
        };
        (2..=MOST_TIMES.min(self.partials)).rev().find(|n| fits(*n))
    }

    /// Power (square of the median amplitude) of partial `k`; 0 when it does not sound. Its amplitude
    /// may be restless when it is strong: two strings a little apart beat.
    fn power_of(&self, k: usize, loudest: f64) -> f64 {
        let row = self.row(k);
        let amp = median(&mut self.amp[row].to_vec());
        let least = if self.noise[k - 1].is_finite() { self.faintest } else { CLEAR * loudest };
        if amp > least { amp * amp } else { 0.0 }
    }
}
