//! One round's measure of every partial at every step.

use std::f64::consts::TAU;

use realfft::num_complex::Complex;

use super::demodulate::{Baseband, PhaseTrack, demodulate};
use super::rates::Rates;
use super::refine::Stretch;
use super::settle::median;
use super::turning::{SPREAD, four_term, turning};
use crate::dsp::poll::Poll;
use crate::error::Result;

/// Values of the slow signals in a window.
const VALUES: f64 = 40.0;
/// Half of the shortest window, in periods: four main-lobe half widths of the window then fit
/// between two partials, or between a lone partial and its image at negative frequency twice over.
const SHORTEST_HALF: f64 = 2.0;
/// Room to each side below which a step is not measured at all, in periods.
const LEAST_ROOM: f64 = 1.2;
/// A partial this far below the strongest says nothing (−50 dB: above what blocks of whole samples
/// fold back from the others).
const FAINTEST: f64 = 3e-3;

/// What a round found.
pub struct Measures {
    pub partials: usize,
    pub steps: usize,
    /// Relative deviation from the track, partial by partial.
    pub dev: Vec<f64>,
    /// Amplitude.
    pub amp: Vec<f64>,
    /// Largest amplitude at each step.
    pub top: Vec<f64>,
    /// Spread of the window used at each step, in seconds; 0 where there is no room for one.
    pub spread: Vec<f64>,
    /// Whether a whole window, however short, lies within the sound at each step.
    pub whole: Vec<bool>,
    /// Spread of a full-length window, in seconds.
    pub full_spread: f64,
    /// Variance of a partial's `dev` at amplitude 1.
    pub noise: Vec<f64>,
    /// Fainter partials are taken for what the strong ones leave in each other's windows.
    pub faintest: f64,
}

impl Measures {
    fn empty(partials: usize, steps: usize, len_s: f64) -> Self {
        Self {
            partials,
            steps,
            dev: vec![0.0; partials * steps],
            amp: vec![0.0; partials * steps],
            top: vec![0.0; steps],
            spread: vec![0.0; steps],
            whole: vec![false; steps],
            full_spread: len_s * SPREAD,
            noise: vec![0.0; partials],
            faintest: 0.0,
        }
    }

    /// Measures `partials` partials along `f_hz` with windows of `len_s` seconds. Errors:
    /// `Cancelled`.
    pub fn take(
        rates: &Rates,
        stretch: &Stretch,
        f_hz: &[f64],
        len_s: f64,
        partials: usize,
        stiffness: f64,
        poll: &Poll,
    ) -> Result<Self> {
        let highest = f_hz.iter().copied().fold(0.0, f64::max);
        // Twice the rate that the partials need: blocks of more samples fit the period better.
        let level = rates.level_for(2.0 * highest * (partials as f64 + 0.5) * 1.02);
        let rate = rates.rate(level);
        let block = whole_periods(len_s / VALUES * rate, rate / median(&mut f_hz.to_vec()));
        let track = PhaseTrack { f_hz, t0: stretch.t0, step: stretch.step };
        let mut base = demodulate(rates.level(level), rate, &track, stretch.sound_s, partials, block, poll)?;
        if stiffness > 0.0 {
            unstiffen(&mut base, partials, stiffness, poll)?;
        }
        let mut m = Self::empty(partials, f_hz.len(), len_s);
        let mut weights = Vec::with_capacity(VALUES as usize + 4);
        for (i, f) in f_hz.iter().enumerate() {
            let t = stretch.t0 + i as f64 * stretch.step;
            let room = (t - stretch.sound_s.0).min(stretch.sound_s.1 - t);
            if room >= LEAST_ROOM / f {
                // Shorter but still symmetric windows at the ends.
                let half = room.max(SHORTEST_HALF / f).min(len_s / 2.0);
                m.whole[i] = room >= half;
                poll.worked(VALUES as usize * (partials + 1))?;
                m.step(i, *f, &base, t, half, &mut weights);
            }
        }
        m.faintest = FAINTEST * m.top.iter().copied().fold(0.0, f64::max);
        Ok(m)
    }

    /// Measures step `i` at `t` seconds with a window of `half` seconds to each side.
    fn step(&mut self, i: usize, f: f64, base: &Baseband, t: f64, half: f64, weights: &mut Vec<(f32, f32)>) {
        let first = ((t - half - base.t0) / base.step).ceil().max(0.0) as usize;
        let last = ((t + half - base.t0) / base.step).floor().max(0.0) as usize;
        let last = last.min(base.len.saturating_sub(1));
        if last < first + 4 {
            return;
        }
        weights.clear();
        weights.extend((first..=last).map(|b| {
            let u = (base.t0 + b as f64 * base.step - t) / half;
            (four_term(u) as f32, u as f32)
        }));
        self.spread[i] = 2.0 * half * SPREAD;
        for k in 1..=self.partials {
            let (turn, amp) = turning(&base.partial(k)[first..=last], weights);
            let n = (k - 1) * self.steps + i;
            self.dev[n] = turn / half / (TAU * k as f64 * f);
            self.amp[n] = amp;
            self.top[i] = self.top[i].max(amp);
        }
    }
}

/// A block length near `wanted` samples of which a whole number makes a period, or that makes a
/// whole number of periods, as nearly as whole samples allow: what the blocks fold back is then
/// other partials at the zeros of their response.
fn whole_periods(wanted: f64, period: f64) -> usize {
    let ratio = if wanted >= period { wanted / period } else { period / wanted };
    let exact = |n: f64| if wanted >= period { period * n } else { period / n };
    let off = |n: f64| (exact(n) / exact(n).round().max(1.0) - 1.0).abs();
    let (low, high) = ((0.75 * ratio).round().max(1.0) as usize, (1.5 * ratio).round().max(1.0) as usize);
    let best = (low..=high).map(|n| n as f64).min_by(|a, b| off(*a).total_cmp(&off(*b))).unwrap_or(1.0);
    (exact(best).round() as usize).max(1)
}

/// Turns every partial by what stiffness moves it off its multiple of the first.
fn unstiffen(base: &mut Baseband, partials: usize, stiffness: f64, poll: &Poll) -> Result<()> {
    let cycles = std::mem::take(&mut base.cycles);
    for k in 2..=partials {
        let kk = k as f64;
        let off = kk * (((1.0 + stiffness * kk * kk) / (1.0 + stiffness)).sqrt() - 1.0);
        for (z, c) in base.partial_mut(k).iter_mut().zip(&cycles) {
            poll.worked(1)?;
            let (sin, cos) = ((c * off).fract() * TAU).sin_cos();
            *z *= Complex::new(cos as f32, -sin as f32);
        }
    }
    base.cycles = cycles;
    Ok(())
}
