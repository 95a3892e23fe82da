//! The difference function of a frame, by FFT.

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

/// Lags are looked at in steps of 1/`FINE` sample.
pub const FINE: usize = 2;

/// Computes the difference function of frames of one length; keeps its buffers.
pub struct Difference {
    len: usize,
    max_lag: usize,
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    time: Vec<f32>,
    spectrum: Vec<Complex<f32>>,
    fine_spectrum: Vec<Complex<f32>>,
    correlation: Vec<f32>,
    scratch: Vec<Complex<f32>>,
    /// `energy[i]` = Σ_{j<i} x_j².
    energy: Vec<f64>,
    d: Vec<f32>,
    cmnd: Vec<f32>,
}

impl Difference {
    /// For frames of `len` samples and lags up to `max_lag` samples (less than `len`).
    pub fn new(len: usize, max_lag: usize) -> Self {
        let size = (len + max_lag + 2).next_power_of_two();
        let mut planner = RealFftPlanner::<f32>::new();
        let forward = planner.plan_fft_forward(size);
        let inverse = planner.plan_fft_inverse(FINE * size);
        let scratch = forward.get_scratch_len().max(inverse.get_scratch_len());
        let lags = FINE * max_lag + 2;
        Self {
            len,
            max_lag,
            time: forward.make_input_vec(),
            spectrum: forward.make_output_vec(),
            fine_spectrum: inverse.make_input_vec(),
            correlation: inverse.make_output_vec(),
            scratch: vec![Complex::default(); scratch],
            energy: vec![0.0; len + 1],
            d: vec![0.0; lags],
            cmnd: vec![1.0; lags],
            forward,
            inverse,
        }
    }

    /// Frame length in samples.
    pub fn frame_len(&self) -> usize {
        self.len
    }

    /// Analyses one frame of [`Difference::frame_len`] samples; false when it holds no energy.
    ///
    /// The difference function is eq. (6) of de Cheveigné & Kawahara 2002,
    /// d(τ) = Σ (x_j − x_{j+τ})², with its terms expanded as in their eq. (7). We differ in one
    /// thing: the sum runs over every pair that lies in the frame and is divided by their number.
    /// So the pairs of every lag are centred on the frame's centre, and the value belongs to that
    /// moment whatever the pitch.
    pub fn analyse(&mut self, frame: &[f32]) -> bool {
        let n = self.len;
        self.time[..n].copy_from_slice(&frame[..n]);
        self.time[n..].fill(0.0);
        for (i, v) in frame[..n].iter().enumerate() {
            self.energy[i + 1] = self.energy[i] + f64::from(*v).powi(2);
        }
        if self.energy[n] <= 0.0 {
            return false;
        }
        let size = self.time.len();
        let ok = self.forward.process_with_scratch(&mut self.time, &mut self.spectrum, &mut self.scratch);
        // Wiener–Khinchin: the spectrum's square is that of the autocorrelation. Its zeros above the
        // old half rate interpolate the lags.
        self.fine_spectrum.fill(Complex::default());
        let scale = 1.0 / size as f32;
        for (fine, s) in self.fine_spectrum.iter_mut().zip(&self.spectrum) {
            *fine = Complex::new(s.norm_sqr() * scale, 0.0);
        }
        self.fine_spectrum[size / 2] *= 0.5;
        let ok = ok.and_then(|()| {
            self.inverse.process_with_scratch(
                &mut self.fine_spectrum,
                &mut self.correlation,
                &mut self.scratch,
            )
        });
        // Errors are only possible for buffers of the wrong length, which `new` rules out.
        ok.is_ok() && self.normalise()
    }

    /// Fills d(τ)/pairs and the cumulative mean normalised difference d'(τ), eq. (8).
    fn normalise(&mut self) -> bool {
        let n = self.len;
        let total = self.energy[n];
        let lags = (FINE * self.max_lag + 2).min(FINE * (n - 1));
        let mut sum = 0.0f64;
        self.d[0] = 0.0;
        self.cmnd[0] = 1.0;
        for l in 1..lags {
            let (whole, half) = (l / FINE, l % FINE != 0);
            let (head, tail) = if half {
                let (a, b) = (n - whole, n - whole - 1);
                (0.5 * (self.energy[a] + self.energy[b]), 0.5 * (self.energy[whole] + self.energy[whole + 1]))
            } else {
                (self.energy[n - whole], self.energy[whole])
            };
            let pairs = n as f64 - l as f64 / FINE as f64;
            let d = ((head + (total - tail) - 2.0 * f64::from(self.correlation[l])) / pairs).max(0.0);
            sum += d;
            self.d[l] = d as f32;
            self.cmnd[l] = if sum > 0.0 { (d * l as f64 / sum) as f32 } else { 1.0 };
        }
        self.d[lags..].fill(0.0);
        self.cmnd[lags..].fill(1.0);
        true
    }

    /// d'(τ) of eq. (8); index l stands for the lag l/[`FINE`] samples.
    pub fn cmnd(&self) -> &[f32] {
        &self.cmnd
    }

    /// Mean square of the frame.
    pub fn power(&self) -> f64 {
        self.energy[self.len] / self.len as f64
    }

    /// Part of the power that repeats after about lag index `l` (1 to lags − 2):
    /// 1 − d/(2·power of the pairs), −1 to 1, d taken at the bottom of a parabola around `l`.
    pub fn repeats(&self, l: usize) -> f64 {
        let lag = l / FINE;
        let n = self.len;
        let pairs = n as f64 - l as f64 / FINE as f64;
        let both = (self.energy[n - lag] + self.energy[n] - self.energy[lag]) / pairs;
        let (a, b, c) = (f64::from(self.d[l - 1]), f64::from(self.d[l]), f64::from(self.d[l + 1]));
        let bend = a - 2.0 * b + c;
        let shift = if bend > 0.0 { (0.5 * (a - c) / bend).clamp(-0.5, 0.5) } else { 0.0 };
        let bottom = (b - 0.25 * (a - c) * shift).max(0.0);
        if both > 0.0 { 1.0 - bottom / both } else { 0.0 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::signals;

    /// The FFT's way against eqs. (6) and (8) written out as they stand.
    #[test]
    fn equals_the_definition() {
        let (n, max_lag) = (300, 120);
        let x = signals::sum(&signals::sine(321.0, 0.4, 6_000.0, n), &signals::white_noise(0.1, n, 3));
        let mut diff = Difference::new(n, max_lag);
        assert!(diff.analyse(&x));
        let d = |lag: usize| {
            (0..n - lag).map(|j| f64::from(x[j] - x[j + lag]).powi(2)).sum::<f64>() / (n - lag) as f64
        };
        for lag in 1..=max_lag {
            // Sums of some 300 single-precision products through two transforms.
            assert!((f64::from(diff.d[FINE * lag]) - d(lag)).abs() < 1e-5, "lag {lag}");
        }
        let total: f64 = (1..=FINE * 50).map(|l| f64::from(diff.d[l])).sum();
        let want = d(50) * (FINE * 50) as f64 / total;
        assert!((f64::from(diff.cmnd()[FINE * 50]) - want).abs() < 1e-4);
    }

    /// For a sine, d(τ) = A²·(1 − cos ωτ) (de Cheveigné & Kawahara 2002, from eq. (6) over whole periods).
    #[test]
    fn sine_has_its_closed_form() {
        let x = signals::sine(250.0, 1.0, 12_000.0, 480);
        let mut diff = Difference::new(480, 96);
        assert!(diff.analyse(&x));
        let l = FINE * 48;
        assert!(diff.cmnd()[l] < 1e-4 && (diff.repeats(l) - 1.0).abs() < 1e-4);
        assert!((f64::from(diff.d[FINE * 24]) - 2.0).abs() < 0.02);
        assert!(!diff.analyse(&[0.0; 480]));
    }
}
