//! The lines of a sustained sound: peaks of its spectrum that stay where they are.

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};

use super::turning::four_term;

/// A line rises this far above the median around it (20 times in power): of noise, whose power is
/// distributed exponentially, one bin in e^(20·ln 2), a million, does.
const ABOVE_FLOOR: f64 = 20.0;
/// Bins to each side that make the floor, in main-lobe half widths of the window.
const FLOOR_LOBES: usize = 5;
/// Half width of the four-term window's main lobe, in bins of 1/length.
const LOBE_BINS: f64 = 4.0;
/// Highest frequency looked at, in hertz.
const TOP_HZ: f64 = 6_000.0;

/// A peak of one spectrum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    pub hz: f64,
    /// Square of its amplitude.
    pub power: f64,
}

/// Makes spectra of windows of one length.
pub struct Spectra {
    len: usize,
    rate: f64,
    window: Vec<f32>,
    sum: f64,
    forward: Arc<dyn RealToComplex<f32>>,
    time: Vec<f32>,
    bins: Vec<Complex<f32>>,
    power: Vec<f64>,
}

impl Spectra {
    /// For windows of `len` frames at `rate` hertz.
    pub fn new(len: usize, rate: f64) -> Self {
        let len = len.max(8);
        // Twice as many bins as the window has: a peak is at most a quarter bin of 1/len away.
        let forward = RealFftPlanner::<f32>::new().plan_fft_forward((2 * len).next_power_of_two());
        let half = 0.5 * (len - 1) as f64;
        let window: Vec<f32> = (0..len).map(|i| four_term((i as f64 - half) / half) as f32).collect();
        Self {
            len,
            rate,
            sum: window.iter().map(|w| f64::from(*w)).sum(),
            window,
            time: forward.make_input_vec(),
            bins: forward.make_output_vec(),
            power: Vec::new(),
            forward,
        }
    }

    /// Frequency resolution, 1/length, in hertz.
    pub fn resolution(&self) -> f64 {
        self.rate / self.len as f64
    }

    /// Squares of amplitude over the bins of the window that begins at `start` (which must fit).
    fn analyse(&mut self, x: &[f32], start: usize) {
        self.time.fill(0.0);
        for ((t, v), w) in self.time.iter_mut().zip(&x[start..start + self.len]).zip(&self.window) {
            *t = if v.is_finite() { v * w } else { 0.0 };
        }
        // Errors are only possible for buffers of the wrong length, which `new` rules out.
        if self.forward.process(&mut self.time, &mut self.bins).is_err() {
            self.bins.fill(Complex::default());
        }
        let scale = (2.0 / self.sum).powi(2);
        let top = ((TOP_HZ / self.bin_hz()) as usize + 2).min(self.bins.len());
        self.power.clear();
        self.power.extend(self.bins[..top].iter().map(|b| f64::from(b.norm_sqr()) * scale));
    }

    fn bin_hz(&self) -> f64 {
        self.rate / self.time.len() as f64
    }

    /// The peaks of the window that begins at frame `start` of `x`, rising frequencies.
    pub fn peaks(&mut self, x: &[f32], start: usize) -> Vec<Peak> {
        self.analyse(x, start);
        let bin = self.bin_hz();
        let lobe = (LOBE_BINS * self.resolution() / bin).round() as usize;
        let p = &self.power;
        let mut around = Vec::new();
        let mut found = Vec::new();
        for i in 2..p.len().saturating_sub(2) {
            if !(p[i] > p[i - 1] && p[i] >= p[i + 1]) || p[i] < 1e-14 {
                continue;
            }
            let (low, high) =
                (i.saturating_sub(FLOOR_LOBES * lobe).max(1), (i + FLOOR_LOBES * lobe).min(p.len()));
            around.clear();
            around.extend_from_slice(&p[low..high]);
            let middle = around.len() / 2;
            if p[i] < ABOVE_FLOOR * *around.select_nth_unstable_by(middle, f64::total_cmp).1 {
                continue;
            }
            // Parabola through the logarithms: exact for a Gaussian main lobe, which this one nearly is.
            let (a, b, c) = (p[i - 1].max(1e-30).ln(), p[i].ln(), p[i + 1].max(1e-30).ln());
            let shift = (0.5 * (a - c) / (a - 2.0 * b + c)).clamp(-0.5, 0.5);
            let power = (b - 0.25 * (a - c) * shift).exp();
            found.push(Peak { hz: (i as f64 + shift) * bin, power });
        }
        found
    }

    /// Largest power within a main lobe of `hz` in the window that begins at `start`.
    pub fn power_near(&mut self, x: &[f32], start: usize, hz: &[f64]) -> Vec<f64> {
        self.analyse(x, start);
        let (bin, reach) = (self.bin_hz(), 0.5 * LOBE_BINS * self.resolution());
        let at = |f: f64| ((f / bin).round().max(0.0) as usize).min(self.power.len() - 1);
        hz.iter()
            .map(|f| self.power[at(f - reach)..=at(f + reach)].iter().copied().fold(0.0, f64::max))
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::signals;

    /// Two sines in noise: their frequencies to a twentieth of the resolution, their squares to 5 %.
    #[test]
    fn peaks_are_where_the_sines_are() {
        let n = 9_600;
        let x =
            signals::sum(&signals::sine(441.3, 0.2, 48_000.0, n), &signals::sine(1_000.7, 0.02, 48_000.0, n));
        let x = signals::sum(&x, &signals::white_noise(0.002, n, 8));
        let mut spectra = Spectra::new(n, 48_000.0);
        let peaks = spectra.peaks(&x, 0);
        assert_eq!(peaks.len(), 2, "{peaks:?}");
        for (peak, (hz, a)) in peaks.iter().zip([(441.3, 0.2f64), (1_000.7, 0.02)]) {
            assert!((peak.hz - hz).abs() < 0.05 * spectra.resolution(), "{peak:?}");
            assert!((peak.power / (a * a) - 1.0).abs() < 0.05, "{peak:?}");
        }
        assert!(spectra.peaks(&vec![0.0; n], 0).is_empty());
    }
}
