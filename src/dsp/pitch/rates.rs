//! The same sound at halved rates, each sample kept at its exact moment.
//!
//! A search for low notes needs long windows but no high frequencies, so it runs at a low rate.
//! Every step is a symmetric (zero-phase) half-band filter: sample n of level l stands at the time
//! of sample n·2^l of level 0, without any delay to account for.

use crate::dsp::poll::{PIECE, Poll};
use crate::error::Result;

/// Taps on each side of a half-band filter's centre; odd, so that the outermost is not zero.
const SIDE: usize = 31;
/// Kaiser window shape for about 80 dB of stop band: β = 0.1102·(A − 8.7).
/// Source: Oppenheim & Schafer, Discrete-Time Signal Processing, eq. (7.75) (number from memory).
const KAISER_BETA: f64 = 7.86;
/// Part of a halved level's rate up to which its response is flat (and free of images).
pub const PASS_BAND: f64 = 0.4;
/// Lowest rate of level 0; the highest is just under twice that.
const BASE_HZ: f64 = 32_000.0;

/// Sound at a working rate of 32 to 64 kHz (level 0) and at halves of it.
pub struct Rates {
    levels: Vec<Vec<f32>>,
    rate0: f64,
}

impl Rates {
    /// Level 0 and `halvings` further levels of `x` at `rate` hertz. Samples outside `x` count as 0;
    /// samples that are not finite count as 0 too. Errors: `Cancelled`.
    pub fn new(x: &[f32], rate: f64, halvings: usize, poll: &Poll) -> Result<Self> {
        let taps = half_band();
        let mut rate0 = rate;
        let mut base: Vec<f32> = x.iter().map(|s| if s.is_finite() { *s } else { 0.0 }).collect();
        while rate0 >= 2.0 * BASE_HZ {
            base = halve(&base, &taps, poll)?;
            rate0 /= 2.0;
        }
        while rate0 < BASE_HZ {
            base = double(&base, &taps, poll)?;
            rate0 *= 2.0;
        }
        let mut levels = vec![base];
        for l in 0..halvings {
            let next = halve(&levels[l], &taps, poll)?;
            levels.push(next);
        }
        Ok(Self { levels, rate0 })
    }

    /// Samples of level `l`.
    pub fn level(&self, l: usize) -> &[f32] {
        &self.levels[l]
    }

    /// Rate of level `l`, in hertz.
    pub fn rate(&self, l: usize) -> f64 {
        self.rate0 / (1u32 << l) as f64
    }

    /// The level of lowest rate that still carries `top_hz` unharmed.
    pub fn level_for(&self, top_hz: f64) -> usize {
        (0..self.levels.len()).rev().find(|l| PASS_BAND * self.rate(*l) >= top_hz).unwrap_or(0)
    }
}

/// Modified Bessel function I₀ by its series (Abramowitz & Stegun, 9.6.12).
fn bessel_i0(x: f64) -> f64 {
    let mut term = 1.0;
    let mut sum = 1.0;
    for k in 1..40 {
        term *= (x / (2.0 * k as f64)).powi(2);
        sum += term;
    }
    sum
}

/// The taps at odd distances 1, 3, 5 … from the centre; the centre is ½, the even ones are 0.
fn half_band() -> Vec<f32> {
    let raw: Vec<f64> = (0..=SIDE / 2)
        .map(|i| {
            let d = (2 * i + 1) as f64;
            let sinc = (std::f64::consts::FRAC_PI_2 * d).sin() / (std::f64::consts::PI * d);
            let r = d / (SIDE + 1) as f64;
            sinc * bessel_i0(KAISER_BETA * (1.0 - r * r).sqrt()) / bessel_i0(KAISER_BETA)
        })
        .collect();
    // Exactly ½ on both sides together: a steady level passes unchanged, its image is cancelled.
    let scale = 0.25 / raw.iter().sum::<f64>();
    raw.iter().map(|t| (t * scale) as f32).collect()
}

/// Every second sample of `x` behind the half-band filter; ⌈len/2⌉ samples.
fn halve(x: &[f32], taps: &[f32], poll: &Poll) -> Result<Vec<f32>> {
    let at = |i: isize| usize::try_from(i).ok().and_then(|i| x.get(i)).copied().unwrap_or(0.0);
    let n = x.len().div_ceil(2);
    let mut y = Vec::with_capacity(n);
    for m in 0..n {
        if m.is_multiple_of(PIECE) {
            poll.worked(PIECE.min(n - m))?;
        }
        let c = 2 * m;
        let mut sum = 0.5 * x[c];
        if c >= SIDE && c + SIDE < x.len() {
            let (left, right) = (&x[c - SIDE..c], &x[c + 1..=c + SIDE]);
            for (i, t) in taps.iter().enumerate() {
                sum += t * (left[SIDE - 1 - 2 * i] + right[2 * i]);
            }
        } else {
            for (i, t) in taps.iter().enumerate() {
                let d = (2 * i + 1) as isize;
                sum += t * (at(c as isize - d) + at(c as isize + d));
            }
        }
        y.push(sum);
    }
    Ok(y)
}

/// `x` at twice its rate; 2·len samples, the even ones those of `x`.
fn double(x: &[f32], taps: &[f32], poll: &Poll) -> Result<Vec<f32>> {
    let at = |i: isize| usize::try_from(i).ok().and_then(|i| x.get(i)).copied().unwrap_or(0.0);
    let mut y = Vec::with_capacity(2 * x.len());
    for (m, s) in x.iter().enumerate() {
        if m.is_multiple_of(PIECE) {
            poll.worked(PIECE.min(x.len() - m))?;
        }
        y.push(*s);
        let mut sum = 0.0;
        for (i, t) in taps.iter().enumerate() {
            sum += t * (at(m as isize - i as isize) + at((m + 1 + i) as isize));
        }
        y.push(2.0 * sum);
    }
    Ok(y)
}

/// Takes away what lies below `cut_hz`, without moving anything in time.
///
/// A second-order Butterworth section, run forwards and backwards: at frequency f the gain is
/// 1/(1 + (cut/f)⁴). Coefficients by the bilinear transform (Oppenheim & Schafer, ch. 7).
/// Errors: `Cancelled`.
pub fn high_pass(x: &[f32], cut_hz: f64, rate: f64, poll: &Poll) -> Result<Vec<f32>> {
    let k = (std::f64::consts::PI * cut_hz / rate).tan();
    let norm = 1.0 / (1.0 + std::f64::consts::SQRT_2 * k + k * k);
    let (a1, a2) = (2.0 * (k * k - 1.0) * norm, (1.0 - std::f64::consts::SQRT_2 * k + k * k) * norm);
    let run = |s: &mut [f64; 2], v: f64| {
        // Transposed direct form II with b = norm·(1, −2, 1).
        let y = norm * v + s[0];
        s[0] = -2.0 * norm * v - a1 * y + s[1];
        s[1] = norm * v - a2 * y;
        y
    };
    // Starting as if the first (last) sample had stood there for ever keeps a DC offset from ringing.
    let start = |v: f64| [-norm * v, norm * v];
    let mut y = x.to_vec();
    let mut s = start(y.first().copied().unwrap_or(0.0).into());
    for piece in y.chunks_mut(PIECE) {
        poll.worked(piece.len())?;
        for v in piece {
            *v = run(&mut s, f64::from(*v)) as f32;
        }
    }
    let mut s = start(y.last().copied().unwrap_or(0.0).into());
    for piece in y.rchunks_mut(PIECE) {
        poll.worked(piece.len())?;
        for v in piece.iter_mut().rev() {
            *v = run(&mut s, f64::from(*v)) as f32;
        }
    }
    Ok(y)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::signals;

    /// A sine keeps its phase and its amplitude at every level: compared with the sine computed at
    /// the level's own rate.
    #[test]
    fn levels_keep_time_and_amplitude() {
        for rate in [8_000.0, 44_100.0, 48_000.0, 192_000.0] {
            let f = 300.0;
            let x = signals::sine(f, 0.5, rate, rate as usize / 2);
            let rates = Rates::new(&x, rate, 3, &Poll::new(&|| true)).unwrap();
            for l in 0..=3 {
                let r = rates.rate(l);
                let want = signals::sine(f, 0.5, r, rates.level(l).len());
                let edge = (0.03 * r) as usize;
                let end = want.len() - edge;
                let worst = (edge..end).map(|i| (want[i] - rates.level(l)[i]).abs()).fold(0.0, f32::max);
                // 80 dB of stop band leave 1e-4 of ripple per step, five steps at most.
                assert!(worst < 0.5 * 5e-4, "rate {rate} level {l}: {worst}");
            }
        }
    }

    #[test]
    fn high_pass_has_its_formula() {
        let rate = 48_000.0;
        for f in [90.0, 180.0, 360.0, 1440.0] {
            let y =
                high_pass(&signals::sine(f, 1.0, rate, 48_000), 180.0, rate, &Poll::new(&|| true)).unwrap();
            let rms = crate::audio::level::rms(&y[12_000..36_000]) * 2f64.sqrt();
            let want = 1.0 / (1.0 + (180.0f64 / f).powi(4));
            assert!((rms - want).abs() < 2e-3, "{f} Hz: {rms} against {want}");
        }
        let steady = high_pass(&[0.3; 4_800], 25.0, rate, &Poll::new(&|| true)).unwrap();
        assert!(steady.iter().all(|v| v.abs() < 1e-5));
    }
}
