//! The lowest part of the spectrum at a lower rate, and back, both without delay.

use std::ops::Range;

/// Rate that the lows are worked on at, at least this many frames a second.
const LOW_RATE: f64 = 6_000.0;
/// Length of the kernel to either side, in frames of the lower rate.
const REACH: usize = 12;
/// Edge of the low-pass, as a part of the lower rate. The Blackman window's transition is
/// 5.5/24 of the lower rate wide (Harris, Proc. IEEE 66(1), 1978): flat up to [`FLAT`], shut at half.
const EDGE: f64 = 0.385;
/// Up to here the band is as it was, as a part of the lower rate.
const FLAT: f64 = 0.27;

/// Highest frequency that passes both ways as it was, for a band at `low_rate` frames a second.
pub(super) fn top_hz(low_rate: f64) -> f64 {
    FLAT * low_rate
}

/// A linear-phase filter for both ways.
pub(super) struct LowBand {
    factor: usize,
    kernel: Vec<f32>,
    /// Every factor-th tap, last first: one row for each position between two frames of the band.
    phases: Vec<Vec<f32>>,
}

/// The scalar product of two slices, over the shorter one.
pub(super) fn dot(a: &[f32], b: &[f32]) -> f32 {
    const LANES: usize = 8;
    let mut sums = [0f32; LANES];
    let (x, y) = (a.chunks_exact(LANES), b.chunks_exact(LANES));
    let whole = a.len().min(b.len()) / LANES * LANES;
    for (x, y) in x.zip(y) {
        for i in 0..LANES {
            sums[i] += x[i] * y[i];
        }
    }
    let rest: f32 = a[whole..].iter().zip(&b[whole..]).map(|(x, y)| x * y).sum();
    sums.iter().sum::<f32>() + rest
}

impl LowBand {
    /// For signals at `rate` frames a second.
    pub(super) fn new(rate: f64) -> Self {
        let factor = ((rate / LOW_RATE) as usize).max(1);
        let half = REACH * factor;
        let kernel: Vec<f64> = (0..=2 * half)
            .map(|i| {
                let t = i as f64 - half as f64;
                let x = std::f64::consts::TAU * EDGE * t / factor as f64;
                let sinc = if t == 0.0 { 1.0 } else { x.sin() / x };
                let u = std::f64::consts::PI * t / half as f64;
                sinc * (0.42 + 0.5 * u.cos() + 0.08 * (2.0 * u).cos())
            })
            .collect();
        let sum: f64 = kernel.iter().sum();
        let kernel: Vec<f32> = kernel.iter().map(|v| (v / sum) as f32).collect();
        // Frame n reads the band's frames m with tap n − m·factor + half: falling with m.
        let phases = (0..factor)
            .map(|p| kernel.iter().skip(p).step_by(factor).rev().map(|k| k * factor as f32).collect())
            .collect();
        Self { factor, kernel, phases }
    }

    /// Frames of the signal for one of the band.
    pub(super) fn factor(&self) -> usize {
        self.factor
    }

    /// The band of `x`: frame m is that of `x` at m·factor.
    pub(super) fn down(&self, x: &[f32]) -> Vec<f32> {
        (0..x.len().div_ceil(self.factor)).map(|m| self.down_at(x, m)).collect()
    }

    /// One frame of the band.
    fn down_at(&self, x: &[f32], m: usize) -> f32 {
        let (at, half) = (m * self.factor, REACH * self.factor);
        let from = at.saturating_sub(half);
        let to = (at + half + 1).min(x.len());
        dot(&x[from..to], &self.kernel[from + half - at..])
    }

    /// The band `low` of `x` once more where the frames `changed` of `x` reach.
    pub(super) fn down_again(&self, x: &[f32], changed: Range<usize>, low: &mut [f32]) {
        let from = (changed.start / self.factor).saturating_sub(REACH);
        let to = (changed.end / self.factor + REACH + 1).min(low.len());
        (from..to).for_each(|m| low[m] = self.down_at(x, m));
    }

    /// A band of [`LowBand::down`]'s kind at the full rate, `len` frames of it.
    pub(super) fn up(&self, band: &[f32], len: usize) -> Vec<f32> {
        (0..len)
            .map(|n| {
                let taps = &self.phases[n % self.factor];
                // The last tap of a row is the first of the kernel: the band's frame n/factor + REACH.
                let last = (n / self.factor + REACH) as i64;
                let from = last + 1 - taps.len() as i64;
                let skip = (-from).max(0) as usize;
                let a = from.max(0) as usize;
                let b = ((last + 1).max(0) as usize).min(band.len());
                if a >= b { 0.0 } else { dot(&band[a..b], &taps[skip..]) }
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_changed_is_brought_down_again() {
        let band = LowBand::new(48_000.0);
        let mut x: Vec<f32> = (0..2_000).map(|n| ((n * n) as f32 * 0.01).sin()).collect();
        for changed in [0..3, 900..1_000, 1_990..2_000] {
            let mut low = band.down(&x);
            x[changed.clone()].iter_mut().for_each(|v| *v += 0.5);
            assert_ne!(low, band.down(&x));
            band.down_again(&x, changed, &mut low);
            assert_eq!(low, band.down(&x));
        }
    }
}
