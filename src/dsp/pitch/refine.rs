//! From a rough track to one as exact as the noise allows, by the phases of the partials.
//!
//! The note is turned away partial by partial ([`super::demodulate`]); the speed at which the rest
//! turns is what the rough track misses. Partials are weighted by how quietly they turn. Done
//! again along the better track, so that a window longer than a swing of vibrato still follows it:
//! with a smoothing response H, n rounds leave (1 − H)^n of a movement unfollowed.

use std::f64::consts::{PI, TAU};

use realfft::num_complex::Complex;

use super::demodulate::{Baseband, PhaseTrack, demodulate};
use super::rates::Rates;

/// Cents in a relative change of one.
pub const CENTS: f64 = 1200.0 / std::f64::consts::LN_2;
/// Most partials used.
const MOST_PARTIALS: usize = 16;
/// Partials above this add little to a note's pitch, in hertz.
const BRIGHTEST_HZ: f64 = 8_000.0;
/// Window of the last rounds: periods, and at least seconds. Four main-lobe half widths of the
/// window fit between two partials with 4 periods; 6 leave its lowest sidelobes there.
const WINDOW_PERIODS: f64 = 6.0;
const WINDOW_S: f64 = 0.06;
/// Window of the first round: what catches a rough track.
const CATCH_PERIODS: f64 = 5.0;
const CATCH_S: f64 = 0.025;
/// Longest reach to each side that a settled value is gathered from, in seconds.
const LONGEST_SETTLE_S: f64 = 0.2;
/// Values of the slow signals in a window.
const VALUES: f64 = 40.0;
/// A partial whose phase is less sure than this over a window, in radians, does not count.
const UNSURE_RAD: f64 = 0.35;
/// A partial this far below the strongest says nothing (−74 dB: above the window's leakage).
const FAINTEST: f64 = 2e-4;
/// A comparison may raise a partial's noise by this, in variance.
const MOST_RAISED: f64 = 25.0;
/// An amplitude whose second differences are larger than this part of it is noise: for noise
/// alone (Rayleigh) the median is 0.67·√6·0.52 = 0.86, for a partial 10 dB above it 0.37.
const RESTLESS: f64 = 0.5;
/// Largest inharmonicity believed (short bass strings reach about 1e-3).
const STIFFEST: f64 = 2e-3;
/// Spread of the four-term window about its centre, in window lengths: √(∫t²w/∫w).
const WINDOW_SPREAD: f64 = 0.1373;

/// The refined track of one stretch.
pub struct Refined {
    /// Frequency of the first partial at each step, in hertz.
    pub f_hz: Vec<f64>,
    /// Its standard error as the partials' unrest shows it, in cents; infinite where nothing is known.
    pub sigma_cents: Vec<f64>,
}

/// A stretch of a track, and where its sound lies.
pub struct Stretch<'a> {
    /// Rough frequency at each step, in hertz.
    pub f_hz: &'a [f64],
    /// Time of the first step, in seconds.
    pub t0: f64,
    /// Seconds between steps.
    pub step: f64,
    /// No sound before or after this is looked at, in seconds.
    pub sound_s: (f64, f64),
    /// Highest frequency that the recording carries, in hertz.
    pub top_hz: f64,
}

/// One round's measure of every partial at every step.
struct Measures {
    partials: usize,
    steps: usize,
    /// Relative deviation from the track, partial by partial.
    dev: Vec<f64>,
    /// Amplitude.
    amp: Vec<f64>,
    /// Spread of the window used at each step, in seconds; 0 where there is no room for one.
    spread: Vec<f64>,
    /// Variance of a partial's `dev` at amplitude 1.
    noise: Vec<f64>,
    /// Fainter partials are taken for what the strong ones leave in each other's windows.
    faintest: f64,
}

/// Refines `stretch` over the sound in `rates`.
///
/// Convention for stiff strings, whose partials lie at f_k = k·f·√(1 + B·k²) (Fletcher, JASA 36(1),
/// 1964): the result is the frequency of the first partial, the upper ones are corrected by a B
/// fitted over the stretch, where it stands out of the noise.
pub fn refine(rates: &Rates, stretch: &Stretch) -> Refined {
    let mut f_hz = stretch.f_hz.to_vec();
    let mut octave_checked = false;
    'again: loop {
        let typical = median(&mut f_hz.clone());
        let most = ((stretch.top_hz / (1.04 * typical)) as usize)
            .min((BRIGHTEST_HZ / typical).round() as usize)
            .clamp(1, MOST_PARTIALS);
        let catch = (CATCH_PERIODS / typical).max(CATCH_S);
        let window = (WINDOW_PERIODS / typical).max(WINDOW_S);
        let mut stiffness = 0.0;
        let mut sigma_cents = Vec::new();
        smooth(&mut f_hz, catch / 2.0 / stretch.step);
        for (round, (len_s, partials)) in
            [(catch, most.min(4)), (window, most), (window, most)].into_iter().enumerate()
        {
            let mut m = measure(rates, stretch, &f_hz, len_s, partials, stiffness);
            m.find_noise(stretch.step, len_s);
            m.compare_noise(&f_hz);
            if round == 1
                && !octave_checked
                && let Some(times) = m.too_low_by(typical)
                && times * typical < stretch.top_hz
            {
                f_hz.iter_mut().for_each(|f| *f *= times);
                octave_checked = true;
                continue 'again;
            }
            stiffness += m.stiffen(stiffness, typical, len_s / stretch.step);
            let found = m.agree(&f_hz);
            sigma_cents = found.iter().map(|(_, s)| s * CENTS).collect();
            for (f, (dev, sigma)) in f_hz.iter_mut().zip(&found) {
                if sigma.is_finite() {
                    *f *= 1.0 + dev.clamp(-0.04, 0.04);
                }
            }
            if round == 0 {
                // The short window's noise above what the long one can see would stay for ever.
                smooth(&mut f_hz, window / 4.0 / stretch.step);
            }
        }
        let still = settle(&mut f_hz, &sigma_cents, window, stretch.step);
        for (s, by) in sigma_cents.iter_mut().zip(still) {
            *s *= by;
        }
        return Refined { f_hz, sigma_cents };
    }
}

/// Measures `partials` partials along `f_hz` with windows of `len_s` seconds.
fn measure(
    rates: &Rates,
    stretch: &Stretch,
    f_hz: &[f64],
    len_s: f64,
    partials: usize,
    stiffness: f64,
) -> Measures {
    let highest = f_hz.iter().copied().fold(0.0, f64::max);
    let level = rates.level_for(highest * (partials as f64 + 0.5) * 1.02);
    let rate = rates.rate(level);
    let block = whole_periods(len_s / VALUES * rate, rate / median(&mut f_hz.to_vec()));
    let track = PhaseTrack { f_hz, t0: stretch.t0, step: stretch.step };
    let mut base = demodulate(rates.level(level), rate, &track, stretch.sound_s, partials, block);
    if stiffness > 0.0 {
        unstiffen(&mut base, partials, stiffness);
    }
    let steps = f_hz.len();
    let mut m = Measures {
        partials,
        steps,
        dev: vec![0.0; partials * steps],
        amp: vec![0.0; partials * steps],
        spread: vec![0.0; steps],
        noise: vec![0.0; partials],
        faintest: 0.0,
    };
    let mut weights: Vec<(f32, f32)> = Vec::with_capacity(VALUES as usize + 4);
    for (i, f) in f_hz.iter().enumerate() {
        let t = stretch.t0 + i as f64 * stretch.step;
        let room = (t - stretch.sound_s.0).min(stretch.sound_s.1 - t);
        if room < 1.2 / f {
            continue;
        }
        // Shorter but still symmetric windows at the ends.
        let half = room.max(2.0 / f).min(len_s / 2.0);
        let first = ((t - half - base.t0) / base.step).ceil().max(0.0) as usize;
        let last = ((t + half - base.t0) / base.step).floor().max(0.0) as usize;
        let last = last.min(base.len.saturating_sub(1));
        if last < first + 4 {
            continue;
        }
        weights.clear();
        weights.extend((first..=last).map(|b| {
            let u = (base.t0 + b as f64 * base.step - t) / half;
            (four_term(u) as f32, u as f32)
        }));
        m.spread[i] = 2.0 * half * WINDOW_SPREAD;
        for k in 1..=partials {
            let (turn, amp) = turning(&base.partial(k)[first..=last], &weights);
            m.dev[(k - 1) * steps + i] = turn / half / (TAU * k as f64 * f);
            m.amp[(k - 1) * steps + i] = amp;
        }
    }
    m.faintest = FAINTEST * m.amp.iter().copied().fold(0.0, f64::max);
    m
}

/// A block length near `wanted` samples of which a whole number makes a period, or that makes a
/// whole number of periods: what the blocks fold back is then other partials at the zeros of their
/// response.
fn whole_periods(wanted: f64, period: f64) -> usize {
    let block = if wanted >= period {
        period * (wanted / period).round()
    } else {
        period / (period / wanted).round()
    };
    (block.round() as usize).max(1)
}

/// Four-term window with continuous first derivative at u = ±1.
/// Source: Nuttall, IEEE TASSP 29(1), 1981, (the coefficients of its eq. for −93.3 dB sidelobes).
fn four_term(u: f64) -> f64 {
    let c = (PI * u).cos();
    // cos 2x and cos 3x by their multiple-angle formulae.
    let (c2, c3) = (2.0 * c * c - 1.0, (4.0 * c * c - 3.0) * c);
    (0.355768 + 0.487396 * c + 0.144232 * c2 + 0.012604 * c3).max(0.0)
}

/// How fast `z` turns, in radians per unit of u, and its amplitude.
///
/// With moments S_n = Σ w·uⁿ·z: for z = a(u)·e^{j(θ+δu)} and small δ,
/// Im(S₁/S₀) = δ·(A₂/A₀ − (A₁/A₀)²) where A_n are the moments of w·a; the variance on the right is
/// Re(S₂/S₀ − (S₁/S₀)²), exactly so at any δ for a Gaussian window, which this one is close to. A
/// swelling or breaking amplitude only shifts A₁ and drops out. For a steady amplitude and small
/// δ it is the weighted least-squares slope of the phase.
fn turning(z: &[Complex<f32>], weights: &[(f32, f32)]) -> (f64, f64) {
    let mut s = [Complex::<f32>::default(); 3];
    let mut total = 0f32;
    for (z, (w, u)) in z.iter().zip(weights) {
        let v = z * w;
        s[0] += v;
        s[1] += v * u;
        s[2] += v * (u * u);
        total += w;
    }
    let wide = |c: Complex<f32>| Complex::new(f64::from(c.re), f64::from(c.im));
    let s0 = wide(s[0]);
    let amp = s0.norm() / f64::from(total.max(1e-9));
    if amp < 1e-12 {
        return (0.0, 0.0);
    }
    let mean = wide(s[1]) / s0;
    let variance = (wide(s[2]) / s0 - mean * mean).re;
    // In units of u the full window has 4·spread²; far from that, noise or another note is measured.
    let nominal = 4.0 * WINDOW_SPREAD * WINDOW_SPREAD;
    if variance < 0.2 * nominal || variance > 3.0 * nominal {
        return (mean.im / nominal, 0.0);
    }
    (mean.im / variance, amp)
}

/// Turns every partial by what stiffness moves it off its multiple of the first.
fn unstiffen(base: &mut Baseband, partials: usize, stiffness: f64) {
    let cycles = std::mem::take(&mut base.cycles);
    for k in 2..=partials {
        let kk = k as f64;
        let off = kk * (((1.0 + stiffness * kk * kk) / (1.0 + stiffness)).sqrt() - 1.0);
        for (z, c) in base.partial_mut(k).iter_mut().zip(&cycles) {
            let (sin, cos) = ((c * off).fract() * TAU).sin_cos();
            *z *= Complex::new(cos as f32, -sin as f32);
        }
    }
    base.cycles = cycles;
}

impl Measures {
    fn row(&self, k: usize) -> std::ops::Range<usize> {
        (k - 1) * self.steps..k * self.steps
    }

    /// Finds each partial's noise from how unsteadily it turns: second differences over half a
    /// window, which the note's own slow movement does not reach.
    fn find_noise(&mut self, step: f64, len_s: f64) {
        let lag = ((len_s / 2.0 / step).round() as usize).max(1);
        let lag = if self.steps >= 4 * lag { lag } else { 1 };
        let (mut rough, mut swell, mut level) = (Vec::new(), Vec::new(), Vec::new());
        for k in 1..=self.partials {
            let row = self.row(k);
            let (dev, amp) = (&self.dev[row.clone()], &self.amp[row]);
            rough.clear();
            swell.clear();
            level.clear();
            let mut power = 0.0f64;
            for i in lag..self.steps.saturating_sub(lag) {
                if amp[i - lag] > 0.0 && amp[i] > 0.0 && amp[i + lag] > 0.0 {
                    let e = dev[i - lag] - 2.0 * dev[i] + dev[i + lag];
                    rough.push(e.abs() * amp[i]);
                    swell.push((amp[i - lag] - 2.0 * amp[i] + amp[i + lag]).abs());
                    level.push(amp[i]);
                    power = power.max(amp[i] * amp[i]);
                }
            }
            let restless = median(&mut swell) > RESTLESS * median(&mut level);
            self.noise[k - 1] = if restless {
                f64::INFINITY
            } else if rough.len() >= 5 {
                // Median absolute value of a normal variable: 0.6745 σ. The differences of three
                // independent values have six times the variance of one.
                (median(&mut rough) / 0.6745).powi(2) / 6.0 + 1e-14 * power
            } else {
                // Too short to tell: white noise, 40 dB below.
                1e-8 * self.amp[self.row(k)].iter().fold(0.0, |m: f64, a| m.max(a * a)) / (k * k) as f64
                    + 1e-30
            };
        }
    }

    /// Raises each partial's noise to what its disagreement with the others shows. What a round
    /// before put into the track is missing from the second differences; not from this.
    fn compare_noise(&mut self, f_hz: &[f64]) {
        let totals: Vec<(f64, f64)> = (0..self.steps).map(|i| self.sums(i, f_hz[i])).collect();
        let mut raised = self.noise.clone();
        let (mut off, mut spare) = (Vec::new(), Vec::new());
        for k in 1..=self.partials {
            off.clear();
            spare.clear();
            for (i, f) in f_hz.iter().enumerate() {
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
        if amp < self.faintest {
            return None;
        }
        let v = self.noise[k - 1] / (amp * amp);
        let rad = v.sqrt() * TAU * k as f64 * f * self.spread[i];
        (amp > 0.0 && rad < UNSURE_RAD).then_some(v)
    }

    /// The partials' weighted mean deviation at each step and its standard error, both relative.
    fn agree(&self, f_hz: &[f64]) -> Vec<(f64, f64)> {
        (0..self.steps)
            .map(|i| {
                let (sum, weight) = self.sums(i, f_hz[i]);
                if weight > 0.0 { (sum / weight, (1.0 / weight).sqrt()) } else { (0.0, f64::INFINITY) }
            })
            .collect()
    }

    /// Fits further inharmonicity ΔB to the partials' lasting offsets, ½·ΔB·(k² − 1) in relative
    /// terms, takes it out of the deviations and returns it; 0 where it does not stand out.
    fn stiffen(&mut self, so_far: f64, typical: f64, steps_a_window: f64) -> f64 {
        // Sums of a weighted straight-line fit over x = (k² − 1)/2.
        let (mut w, mut wx, mut wxx, mut wy, mut wxy) = (0.0, 0.0, 0.0, 0.0, 0.0);
        let mut used = 0;
        for k in 1..=self.partials {
            let x = ((k * k) as f64 - 1.0) / 2.0;
            let before = w;
            for i in 0..self.steps {
                if let Some(v) = self.variance(k, i, typical) {
                    let y = self.dev[(k - 1) * self.steps + i];
                    w += 1.0 / v;
                    wx += x / v;
                    wxx += x * x / v;
                    wy += y / v;
                    wxy += x * y / v;
                }
            }
            used += usize::from(w > before);
        }
        let det = w * wxx - wx * wx;
        if used < 3 || !(det > 1e-9 * w * wxx) {
            return 0.0;
        }
        let slope = (w * wxy - wx * wy) / det;
        // Neighbouring steps share their windows, so they are not that many measurements.
        let error = (w / det * steps_a_window.max(1.0)).sqrt();
        let slope = slope.clamp(-so_far, STIFFEST - so_far);
        if slope.abs() < 5.0 * error || slope.abs() < 1e-7 {
            return 0.0;
        }
        for k in 2..=self.partials {
            let x = ((k * k) as f64 - 1.0) / 2.0;
            let row = self.row(k);
            self.dev[row].iter_mut().for_each(|d| *d -= slope * x);
        }
        slope
    }

    /// 2 or 3 when only every second or third partial is there: the track is that much too low.
    fn too_low_by(&self, typical: f64) -> Option<f64> {
        let there = |k: usize| {
            let sure = (0..self.steps).filter(|i| self.variance(k, *i, typical).is_some()).count();
            2 * sure > self.steps
        };
        let only =
            |n: usize| self.partials >= n && (1..=self.partials).all(|k| k % n == 0 || !there(k)) && there(n);
        if only(2) {
            Some(2.0)
        } else if only(3) {
            Some(3.0)
        } else {
            None
        }
    }
}

/// Takes out of the track what is no larger than its noise, from slow to fast.
///
/// The track is taken apart into ever smoother versions and the differences between them. A
/// difference whose local power D is no more than the noise V to be expected there is dropped, a
/// larger one kept by the factor 1 − 1.5·V/D (Wiener's gain with an over-estimate of the noise):
/// a steady note gets a long window, vibrato and scoops keep the short one.
/// Returns the factor by which each value's standard error fell.
fn settle(f_hz: &mut [f64], sigma_cents: &[f64], window: f64, step: f64) -> Vec<f64> {
    let known: Vec<f64> = sigma_cents.iter().map(|s| if s.is_finite() { 1.0 } else { 0.0 }).collect();
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
        let once = weighted_smooth(&exact, &known, half);
        let missed: Vec<f64> = exact.iter().zip(&once).map(|(a, b)| a - b).collect();
        let again = weighted_smooth(&missed, &known, half);
        smoother.push(once.iter().zip(&again).map(|(a, b)| a + b).collect());
        // Errors of frequency from white phase noise fall with the cube of the window (Rife & Boorstyn).
        let wider = (1.0 + (0.36 * half * step / (WINDOW_SPREAD * window)).powi(2)).sqrt();
        left.push((1.5 / wider.powi(3)).min(1.0));
    }
    let mut out = smoother[smoother.len() - 1].clone();
    let mut kept = vec![left[left.len() - 1]; f_hz.len()];
    for j in (1..smoother.len()).rev() {
        let detail: Vec<f64> = smoother[j - 1].iter().zip(&smoother[j]).map(|(a, b)| a - b).collect();
        let squares: Vec<f64> = detail.iter().map(|d| d * d).collect();
        let half = (0.5 * window * f64::from(1u32 << j)).min(LONGEST_SETTLE_S) / step;
        let power = weighted_smooth(&squares, &known, half);
        let expected = weighted_smooth(&noise, &known, half);
        for i in 0..out.len() {
            let gain = (1.0 - 1.5 * left[j - 1] * expected[i] / power[i].max(1e-30)).clamp(0.0, 1.0);
            out[i] += gain * detail[i];
            kept[i] += gain * gain * (left[j - 1] - left[j]).max(0.0);
        }
    }
    for (f, c) in f_hz.iter_mut().zip(&out) {
        *f = centre * (c / CENTS).exp();
    }
    kept.iter().map(|k| k.sqrt()).collect()
}

/// [`smooth`] of the values with a weight; where none is near, the value itself.
fn weighted_smooth(x: &[f64], weights: &[f64], half: f64) -> Vec<f64> {
    (0..x.len())
        .map(|i| {
            let reach = half.min(i as f64 + 0.5).min((x.len() - 1 - i) as f64 + 0.5);
            let n = reach.floor() as usize;
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
            if weight > 0.0 { sum / weight } else { x[i] }
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

/// Smooths with a raised-cosine of ±`half` steps; symmetric and shorter towards the ends.
pub fn smooth(f: &mut [f64], half: f64) {
    let from = f.to_vec();
    for (i, out) in f.iter_mut().enumerate() {
        let reach = half.min(i as f64 + 0.5).min((from.len() - 1 - i) as f64 + 0.5);
        let n = reach.floor() as usize;
        let (mut sum, mut weight) = (0.0, 0.0);
        for j in i - n.min(i)..=(i + n).min(from.len() - 1) {
            let u = (j as f64 - i as f64) / (reach + 0.5);
            let w = 1.0 + (PI * u).cos();
            sum += w * from[j];
            weight += w;
        }
        *out = sum / weight;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// ∫t²w/∫w of the window from its definition.
    #[test]
    fn spread_is_that_of_the_window() {
        let n = 20_000;
        let (mut a, mut b) = (0.0, 0.0);
        for i in 0..n {
            let u = (i as f64 + 0.5) / n as f64;
            a += four_term(u);
            b += four_term(u) * u * u / 4.0;
        }
        assert!(((b / a).sqrt() - WINDOW_SPREAD).abs() < 1e-3, "{}", (b / a).sqrt());
    }

    #[test]
    fn turning_is_linear_and_blind_to_decay() {
        let weights: Vec<(f32, f32)> =
            (-40..=40).map(|i| (four_term(f64::from(i) / 40.0) as f32, i as f32 / 40.0)).collect();
        for delta in [-2.0, 0.1, 1.0, 3.0] {
            for decay in [0.0, 1.0] {
                let z: Vec<_> = weights
                    .iter()
                    .map(|(_, u)| Complex::from_polar((-decay * u).exp(), 0.4 + delta as f32 * u))
                    .collect();
                let (turn, _) = turning(&z, &weights);
                assert!((turn / delta - 1.0).abs() < 0.01, "{delta} {decay}: {turn}");
            }
        }
    }

    #[test]
    fn smoothing_keeps_lines() {
        let mut f: Vec<f64> = (0..50).map(|i| 100.0 + f64::from(i)).collect();
        let want = f.clone();
        smooth(&mut f, 7.3);
        assert!(f.iter().zip(&want).all(|(a, b)| (a - b).abs() < 1e-9));
    }
}
