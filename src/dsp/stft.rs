//! Windowed short-time transforms that give the signal back exactly where nothing is changed.
//!
//! Frame t covers `size` samples from `t·hop − (size − hop)` on, so that every sample of the signal
//! lies in size/hop frames; what lies outside the signal counts as silence. Hann windows on the way
//! in and out; the window on the way out is divided by the sum of the overlapping products
//! (Griffin & Lim, IEEE TASSP 32(2), 1984, eq. 6), so the sum is the signal for any hop.

use std::sync::{Arc, OnceLock};

use realfft::num_complex::Complex;
use realfft::num_traits::{Float, FromPrimitive};
use realfft::{ComplexToReal, FftNum, RealFftPlanner, RealToComplex};

/// Transform of one size and hop, with its buffers.
#[derive(Clone)]
pub struct Stft<T: FftNum> {
    size: usize,
    hop: usize,
    analysis: Vec<T>,
    synthesis: Vec<T>,
    forward: Arc<dyn RealToComplex<T>>,
    inverse: Arc<dyn ComplexToReal<T>>,
    samples: Vec<T>,
    scratch: Vec<Complex<T>>,
}

impl<T: FftNum + Float + FromPrimitive> Stft<T> {
    /// A transform of `size` samples every `hop` samples. `size` is even and a multiple of `hop`, at
    /// least twice; other values are rounded up to such.
    pub fn new(size: usize, hop: usize) -> Self {
        let hop = hop.max(1);
        let mut times = size.div_ceil(hop).max(2);
        if (times * hop) % 2 == 1 {
            times += 1;
        }
        let size = times * hop;
        let window: Vec<f64> = (0..size)
            .map(|i| 0.5 - 0.5 * (std::f64::consts::TAU * (i as f64 + 0.5) / size as f64).cos())
            .collect();
        let overlap: Vec<f64> =
            (0..hop).map(|i| (0..times).map(|m| window[i + m * hop].powi(2)).sum()).collect();
        let narrow = |v: f64| T::from_f64(v).unwrap_or_else(T::zero);
        // The inverse transform is not normalised: 1/size goes into the window.
        let synthesis =
            window.iter().enumerate().map(|(i, w)| narrow(w / (overlap[i % hop] * size as f64))).collect();
        let mut planner = RealFftPlanner::<T>::new();
        let (forward, inverse) = (planner.plan_fft_forward(size), planner.plan_fft_inverse(size));
        let scratch = forward.get_scratch_len().max(inverse.get_scratch_len());
        Self {
            size,
            hop,
            analysis: window.into_iter().map(narrow).collect(),
            synthesis,
            forward,
            inverse,
            samples: vec![T::zero(); size],
            scratch: vec![Complex::new(T::zero(), T::zero()); scratch],
        }
    }

    /// Samples of a frame.
    pub fn size(&self) -> usize {
        self.size
    }

    /// Samples from frame to frame.
    pub fn hop(&self) -> usize {
        self.hop
    }

    /// Bins of a spectrum: size/2 + 1.
    pub fn bins(&self) -> usize {
        self.size / 2 + 1
    }

    /// How many frames a signal of `len` samples has.
    pub fn frames(&self, len: usize) -> usize {
        (len + self.size - self.hop).div_ceil(self.hop)
    }

    /// First sample of frame `t`; negative before the signal.
    pub fn first(&self, t: usize) -> i64 {
        (t * self.hop) as i64 - (self.size - self.hop) as i64
    }

    /// Sum of the squared window on the way in: the power of a bin for white noise of variance 1.
    pub fn noise_power(&self) -> f64 {
        self.analysis.iter().filter_map(|w| w.to_f64()).map(|w| w * w).sum()
    }

    /// An empty spectrum.
    pub fn spectrum(&self) -> Vec<Complex<T>> {
        self.forward.make_output_vec()
    }

    /// Spectrum of frame `t` of `x` into `out` ([`Stft::bins`] long).
    pub fn forward(&mut self, x: &[T], t: usize, out: &mut [Complex<T>]) {
        self.forward_at(x, self.first(t), out);
    }

    /// Spectrum of the `size` samples of `x` from `first` on into `out`.
    pub fn forward_at(&mut self, x: &[T], first: i64, out: &mut [Complex<T>]) {
        let from = first.clamp(0, x.len() as i64);
        let to = (first + self.size as i64).clamp(from, x.len() as i64);
        let at = (from - first) as usize;
        let inside = &x[from as usize..to as usize];
        self.samples[..at.min(self.size)].fill(T::zero());
        for ((s, x), w) in
            self.samples[at.min(self.size)..].iter_mut().zip(inside).zip(&self.analysis[at.min(self.size)..])
        {
            *s = *x * *w;
        }
        self.samples[(at + inside.len()).min(self.size)..].fill(T::zero());
        // The buffers were made by this very plan; a wrong length is the only error there is.
        if self.forward.process_with_scratch(&mut self.samples, out, &mut self.scratch).is_err() {
            out.fill(Complex::new(T::zero(), T::zero()));
        }
    }

    /// Adds the signal of `spectrum` (destroyed) as frame `t` to `out`, which begins at sample
    /// `origin` of the signal.
    pub fn inverse_add(&mut self, spectrum: &mut [Complex<T>], t: usize, out: &mut [T], origin: i64) {
        // A real signal has real ends of its spectrum.
        let zero = T::zero();
        spectrum[0].im = zero;
        if let Some(last) = spectrum.last_mut() {
            last.im = zero;
        }
        if self.inverse.process_with_scratch(spectrum, &mut self.samples, &mut self.scratch).is_err() {
            return;
        }
        let first = self.first(t) - origin;
        let from = first.clamp(0, out.len() as i64);
        let to = (first + self.size as i64).clamp(from, out.len() as i64);
        let at = ((from - first) as usize).min(self.size);
        let inside = &mut out[from as usize..to as usize];
        for ((o, s), w) in inside.iter_mut().zip(&self.samples[at..]).zip(&self.synthesis[at..]) {
            *o = *o + *s * *w;
        }
    }
}

/// Sizes that a transform is kept of: powers of two below 2 to this.
const KEPT: usize = 20;

impl Stft<f32> {
    /// [`Stft::new`], made once where `size` is a power of two and `hop` a quarter of it: windows and plans of
    /// long transforms take as long as some dozen of their frames.
    pub fn kept(size: usize, hop: usize) -> Self {
        static MADE: [OnceLock<Stft<f32>>; KEPT] = [const { OnceLock::new() }; KEPT];
        match MADE.get(size.trailing_zeros() as usize) {
            Some(made) if size.is_power_of_two() && size == 4 * hop => {
                made.get_or_init(|| Self::new(size, hop)).clone()
            }
            _ => Self::new(size, hop),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A kept transform is the one that would be made, for sizes that are kept and for those that are not.
    #[test]
    fn a_kept_transform_is_that_of_its_size() {
        let x: Vec<f32> = (0..4_000).map(|n| ((n * n) as f32 * 0.003).sin()).collect();
        for (size, hop) in [(1024, 256), (1024, 512), (2048, 512), (300, 75), (8, 2)] {
            let (mut kept, mut made) = (Stft::kept(size, hop), Stft::<f32>::new(size, hop));
            assert_eq!((kept.size(), kept.hop()), (size, hop));
            let (mut a, mut b) = (kept.spectrum(), made.spectrum());
            kept.forward(&x, 5, &mut a);
            made.forward(&x, 5, &mut b);
            assert_eq!(a, b, "{size} {hop}");
        }
    }
}
