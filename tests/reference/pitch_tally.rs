//! Errors counted over takes whose pitch is known, and what no estimator can do better.

use std::f64::consts::{LN_2, TAU};

use seamwright::dsp::pitch::F0Track;

use super::pitch_takes::Take;

/// Further away than this is another note, in cents.
pub const GROSS_CENTS: f64 = 50.0;

/// What was counted.
#[derive(Default)]
pub struct Tally {
    /// Absolute error of each value in a sustain, in cents, and its confidence.
    pub cents: Vec<(f64, f32)>,
    pub gross: usize,
    pub wanted: usize,
    pub room: usize,
    pub room_voiced: usize,
}

impl Tally {
    pub fn add(&mut self, track: &F0Track, take: &Take) {
        for (i, f) in track.f0_hz.iter().enumerate() {
            let t = i as f64 * track.hop_s;
            if t >= take.sustain.0 && t <= take.sustain.1 {
                self.wanted += 1;
                if let Some(f) = f {
                    let c = (1200.0 * (f / (take.truth)(t)).log2()).abs();
                    self.gross += usize::from(c > GROSS_CENTS);
                    self.cents.push((c, track.confidence[i]));
                }
            } else if take.room.iter().any(|r| t >= r.0 && t <= r.1) {
                self.room += 1;
                self.room_voiced += usize::from(f.is_some());
            }
        }
    }

    /// The error that part `p` of the values stay below, in cents.
    pub fn part(&self, p: f64) -> f64 {
        let mut sorted: Vec<f64> = self.cents.iter().map(|c| c.0).collect();
        sorted.sort_by(f64::total_cmp);
        let i = (sorted.len() as f64 * p) as usize;
        sorted.get(i.min(sorted.len().saturating_sub(1))).copied().unwrap_or(f64::NAN)
    }

    /// Part of the wanted values that are there.
    pub fn recall(&self) -> f64 {
        self.cents.len() as f64 / self.wanted.max(1) as f64
    }

    /// Part of the room's values that are there and should not be.
    pub fn false_voiced(&self) -> f64 {
        self.room_voiced as f64 / self.room.max(1) as f64
    }
}

/// Least standard error of the fundamental, in cents, that any unbiased estimator can have from
/// `window_s` seconds of `take`'s sustain.
///
/// Rife & Boorstyn, IEEE Trans. Inf. Theory 20(5), 1974, for one real sinusoid: var(ω) ≥
/// 12/(η·N·(N² − 1)), η = A²/(2σ²). For harmonics the informations add, each k² times that of its
/// sinusoid (Nehorai & Porat, IEEE TASSP 34(5), 1986; Christensen & Jakobsson, Multi-Pitch
/// Estimation, 2009, sec. 2.6): var(ω₀) ≥ 12/(N·(N² − 1)·Σ k²·η_k). In coloured noise σ² is, for a
/// window long against the noise's memory, its density at the partial (Stoica & Nehorai, IEEE TASSP
/// 37, 1989): measured here as the power that a window leaves at k·f₀ in what is not the tone.
pub fn bound_cents(take: &Take, window_s: f64) -> f64 {
    let rate = take.rate;
    let middle = 0.5 * (take.sustain.0 + take.sustain.1);
    let len = (0.25f64.min(take.sustain.1 - take.sustain.0) * rate) as usize;
    let f0 = (take.truth)(middle);
    let n = (window_s * rate).round();
    let mut information = 0.0;
    for k in 1..=16 {
        let kf = f64::from(k);
        if kf * f0 > 0.45 * rate || kf * f0 > 12_000.0 {
            break;
        }
        let first = (middle * rate) as usize - len / 2;
        let amplitude = 2.0 * along(&take.clean, take, kf, first, len).abs();
        // The noise of the whole sustain, window by window.
        let (from, until) = ((take.sustain.0 * rate) as usize, (take.sustain.1 * rate) as usize);
        let short = (len / 3).max(1);
        let noise: Vec<f32> = take.x.iter().zip(&take.clean).map(|(x, c)| x - c).collect();
        let (mut power, mut count) = (0.0, 0.0);
        let mut at = from;
        while at + short <= until {
            power += along(&noise, take, kf, at, short).powi(2);
            count += 1.0;
            at += short / 2;
        }
        // |Σ w·v·e^{-jωn}/Σ w|² of white noise of variance σ² is σ²·Σw²/(Σw)² = 1.5·σ²/N (Hann).
        let sigma2 = (power / f64::max(count, 1.0)) * short as f64 / 1.5;
        information += kf * kf * amplitude * amplitude / (2.0 * sigma2.max(1e-20));
    }
    let omega = (12.0 / (n * (n * n - 1.0) * information)).sqrt();
    omega * rate / TAU / f0 * 1200.0 / LN_2
}

/// Size of what stands at `k` times the truth in a Hann window of `len` samples from `first`.
fn along(x: &[f32], take: &Take, k: f64, first: usize, len: usize) -> f64 {
    let (mut re, mut im, mut weight, mut cycles) = (0.0, 0.0, 0.0, 0.0);
    for i in 0..len {
        cycles += k * (take.truth)((first + i) as f64 / take.rate) / take.rate;
        let w = 0.5 - 0.5 * (TAU * (i as f64 + 0.5) / len as f64).cos();
        let (s, c) = (TAU * f64::fract(cycles)).sin_cos();
        let v = w * f64::from(x.get(first + i).copied().unwrap_or(0.0));
        re += v * c;
        im += v * s;
        weight += w;
    }
    re.hypot(im) / weight
}

/// Median and 95th percentile of the absolute error over takes, if each had normal errors with its
/// standard error of `sigmas`.
pub fn ideal(sigmas: &[f64]) -> (f64, f64) {
    // Quantiles of |N(0, 1)|: the inverse by bisection of erf, integrated by Simpson's rule.
    let inside = |z: f64| {
        let h = z / 64.0;
        let g = |x: f64| (-0.5 * x * x).exp();
        let odd: f64 = (0..32).map(|i| g((2 * i + 1) as f64 * h)).sum();
        let even: f64 = (1..32).map(|i| g(2.0 * i as f64 * h)).sum();
        (g(0.0) + 4.0 * odd + 2.0 * even + g(z)) * h / 3.0 * (2.0 / std::f64::consts::PI).sqrt()
    };
    let at = |p: f64| {
        let (mut low, mut high) = (0.0, sigmas.iter().fold(1e-9f64, |m, s| m.max(6.0 * s)));
        for _ in 0..60 {
            let c = 0.5 * (low + high);
            let below = sigmas.iter().map(|s| inside((c / s).min(8.0))).sum::<f64>() / sigmas.len() as f64;
            if below < p { low = c } else { high = c }
        }
        0.5 * (low + high)
    };
    (at(0.5), at(0.95))
}
