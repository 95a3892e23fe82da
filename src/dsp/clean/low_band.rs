//! The lowest part of the spectrum at a lower rate, and back, both without delay.

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
        Self { factor, kernel: kernel.iter().map(|v| (v / sum) as f32).collect() }
    }

    /// Frames of the signal for one of the band.
    pub(super) fn factor(&self) -> usize {
        self.factor
    }

    /// The band of `x`: frame m is that of `x` at m·factor.
    pub(super) fn down(&self, x: &[f32]) -> Vec<f32> {
        let half = REACH * self.factor;
        (0..x.len().div_ceil(self.factor))
            .map(|m| {
                let at = m * self.factor;
                let from = at.saturating_sub(half);
                let to = (at + half + 1).min(x.len());
                let k = &self.kernel[from + half - at..];
                x[from..to].iter().zip(k).map(|(x, k)| x * k).sum()
            })
            .collect()
    }

    /// A band of [`LowBand::down`]'s kind at the full rate, `len` frames of it.
    pub(super) fn up(&self, band: &[f32], len: usize) -> Vec<f32> {
        let half = (REACH * self.factor) as i64;
        let factor = self.factor as i64;
        let scale = self.factor as f32;
        (0..len as i64)
            .map(|n| {
                let from = ((n - half) + factor - 1).div_euclid(factor).max(0);
                let to = ((n + half).div_euclid(factor) + 1).min(band.len() as i64);
                let mut sum = 0f32;
                for m in from..to {
                    sum += band[m as usize] * self.kernel[(n - m * factor + half) as usize];
                }
                sum * scale
            })
            .collect()
    }
}
