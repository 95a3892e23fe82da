//! Band-limited reading at fractional positions: the one interpolation of the program, and the
//! only user of rubato.
//!
//! Shannon's series with a window: every output sample is the scalar product of the input around
//! its position with a windowed sinc (J. O. Smith, *Digital Audio Resampling Home Page*, CCRMA,
//! 2002; the window: F. J. Harris, Proc. IEEE 66(1), 1978, squared). The kernel is tabulated at
//! 96 positions between two frames; between those, third-order Lagrange interpolation.
//! Everything is summed in double precision and rounded to f32 once.

use std::sync::OnceLock;

use rubato::WindowFunction;
use rubato::sinc_interpolator::{AnyInterpolator, SincInterpolator, make_interpolator};

use crate::error::{Error, Result};

/// Length of the kernel in frames of the slower side. With the squared Blackman-Harris window,
/// whose main lobe reaches 8/length to either side, and [`CUTOFF`], the gain is within 0.001 dB up
/// to 0.466 of the rate (20.5 kHz at 44.1 kHz) and below −120 dB from half the rate on.
const POINTS: usize = 352;

/// Middle of the transition band, as a part of half the rate.
const CUTOFF: f32 = 0.963;

/// Tabulated kernels from one frame to the next. Lagrange's cubic between points h apart is off
/// by at most 3/128·(ωh)⁴ for a wave of angular frequency ω (remainder term, Abramowitz & Stegun
/// 25.2.14): 2.7e-8, that is −151 dB, at half the rate, and 24 dB less for each octave below.
const PHASES: usize = 96;

/// Fewest tabulated kernels for one frame, reached where the kernel is very long.
const FEWEST_PHASES: usize = 4;

/// Greatest (and, inverted, least) speed.
const MAX_SPEED: f64 = 64.0;

/// Frames of input that are held in double precision beyond the kernel's own length.
const BLOCK: usize = 4096;

/// Reads `x` at `positions` (fractional indices, increasing; outside `x` there is silence).
///
/// `speed` is the greatest step between positions; above 1 the pass band narrows so that nothing
/// aliases. Returns one sample a position. Where all positions are whole numbers one apart, the
/// samples come back bit for bit. Errors: `InvalidParameter` for a speed that is not finite or not
/// in 1/64..=64, and for a position that is not finite.
///
/// The pass band (±0.001 dB) reaches to 0.466 of the slower rate. See the module for the method.
pub fn read_at(x: &[f32], positions: &[f64], speed: f64) -> Result<Vec<f32>> {
    check_speed(speed)?;
    if let Some(p) = positions.iter().find(|p| !p.is_finite()) {
        return Err(Error::invalid("reading position", p, "any finite number of frames"));
    }
    if let Some(start) = whole_start(positions) {
        return Ok(copy_from(x, start, positions.len()));
    }
    let mut out = Vec::with_capacity(positions.len());
    with_reader(speed, |r| r.read(x, positions, &mut out))?;
    Ok(out)
}

/// Calls `f` with a reader for `speed`: the shared one where the pass band is not narrowed.
///
/// Errors as [`read_at`] for the speed.
pub(crate) fn with_reader<T>(speed: f64, f: impl FnOnce(&Reader) -> T) -> Result<T> {
    static FULL_BAND: OnceLock<Reader> = OnceLock::new();
    check_speed(speed)?;
    if speed <= 1.0 { Ok(f(FULL_BAND.get_or_init(|| Reader::new(1.0)))) } else { Ok(f(&Reader::new(speed))) }
}

/// `frames` samples of `x` from index `start` on, silence outside.
pub(crate) fn copy_from(x: &[f32], start: i64, frames: usize) -> Vec<f32> {
    let mut out = vec![0.0; frames];
    let before = start.min(0).unsigned_abs().min(frames as u64) as usize;
    let from = (start.max(0) as u64).min(x.len() as u64) as usize;
    let n = (x.len() - from).min(frames - before);
    out[before..before + n].copy_from_slice(&x[from..from + n]);
    out
}

/// A kernel table for one bandwidth; reading with it is a pure function.
pub(crate) struct Reader {
    sincs: AnyInterpolator<f64>,
    points: usize,
    phases: i64,
}

impl Reader {
    /// Tabulates the kernel for steps of up to `speed` (1 to 64: checked by the caller).
    fn new(speed: f64) -> Self {
        let narrow = speed.max(1.0);
        // The kernel is stretched with the speed and so needs the fewer phases.
        let points = ((POINTS as f64 * narrow).ceil() as usize).next_multiple_of(16);
        let phases = ((PHASES as f64 / narrow).ceil() as usize).max(FEWEST_PHASES);
        let cutoff = CUTOFF / narrow as f32;
        let sincs = make_interpolator(points, 1.0, Some(cutoff), phases, WindowFunction::BlackmanHarris2);
        Self { points: sincs.nbr_points(), phases: phases as i64, sincs }
    }

    /// Appends the value of `x` at each of `positions` (finite) to `out`.
    pub(crate) fn read(&self, x: &[f32], positions: &[f64], out: &mut Vec<f32>) {
        let reach = self.points as f64 / 2.0 + 2.0;
        let end = x.len() as f64 + reach;
        let mut wave: Vec<f64> = vec![0.0; self.points + BLOCK];
        // Index into `x` of wave[0]; none while nothing is loaded.
        let mut loaded: Option<i64> = None;
        for &p in positions {
            if p < -reach || p > end {
                out.push(0.0);
                continue;
            }
            let fine = p * self.phases as f64;
            let grid = fine.floor();
            // rubato gives the wave at index + points/2 − 1 + (sub + 1)/phases; the first of the
            // four neighbours is at (grid − 1)/phases.
            let first = grid as i64 - 2 - (self.points as i64 / 2 - 1) * self.phases;
            let index = first.div_euclid(self.phases);
            let start = match loaded {
                // Four neighbours touch at most one more frame; rubato wants one beyond that.
                Some(s) if s <= index && index + 3 + self.points as i64 <= s + wave.len() as i64 => s,
                _ => {
                    load(x, index, &mut wave);
                    loaded = Some(index);
                    index
                }
            };
            out.push(self.value(&wave, first - start * self.phases, fine - grid) as f32);
        }
    }

    /// The value `frac` of a phase after the second of four neighbours, of which `first` is the
    /// first, counted in phases.
    fn value(&self, wave: &[f64], first: i64, frac: f64) -> f64 {
        lagrange_weights(frac)
            .iter()
            .zip(first..)
            .map(|(w, q)| {
                let (index, sub) = (q.div_euclid(self.phases), q.rem_euclid(self.phases));
                w * self.sincs.get_sinc_interpolated(wave, index as usize, sub as usize)
            })
            .sum()
    }
}

/// Length of the short kernel in frames. With the Blackman window, whose main lobe reaches 3/length to
/// either side (Harris), it is flat up to [`SHORT_FLAT`] and 75 dB down from half the rate on.
const SHORT_POINTS: usize = 128;

/// Middle of its transition band, as a part of half the rate.
const SHORT_CUTOFF: f32 = 0.953;

/// Its tabulated kernels from one frame to the next, of which the nearest is read: half a step off at the
/// most, a wave of angular frequency ω is off by ω/2048. −56 dB at half the rate, 6 dB less for each octave
/// below; what lies there is the softest of a sound.
const SHORT_PHASES: usize = 1024;

/// Up to here the short kernel is flat, as a part of the rate.
pub(crate) const SHORT_FLAT: f64 = 0.453;

/// Positions this close to a frame are that frame's: half the rate is off by −110 dB there.
const SAME_FRAME: f64 = 1e-6;

/// A short kernel, a tenth of the work: for what is taken off a sound, of which little need be exact.
pub(crate) struct ShortReader {
    sincs: AnyInterpolator<f32>,
    points: usize,
}

impl ShortReader {
    /// The one there is.
    pub(crate) fn get() -> &'static Self {
        static READER: OnceLock<ShortReader> = OnceLock::new();
        READER.get_or_init(|| {
            let window = WindowFunction::Blackman;
            let sincs = make_interpolator(SHORT_POINTS, 1.0, Some(SHORT_CUTOFF), SHORT_PHASES, window);
            Self { points: sincs.nbr_points(), sincs }
        })
    }

    /// `x` (silence outside) at `positions`, which are finite; far outside there is silence too. Frames that
    /// are met exactly are copied.
    pub(crate) fn read(&self, x: &[f32], positions: &[f64]) -> Vec<f32> {
        let pad = self.points + 2;
        let mut wave = vec![0f32; x.len() + 2 * pad];
        wave[pad..pad + x.len()].copy_from_slice(x);
        let reach = self.points as f64 / 2.0;
        let within = -reach..x.len() as f64 + reach;
        // As in `Reader::read`: rubato counts from points/2 − 1 frames and a phase before.
        let ahead = 1 + (self.points / 2 - 1) * SHORT_PHASES;
        let read = |p: &f64| {
            if !within.contains(p) {
                return 0.0;
            }
            // Above 0 from here on: rounded by cutting off.
            let p = p + pad as f64;
            let nearest = (p + 0.5) as usize;
            if (p - nearest as f64).abs() < SAME_FRAME {
                return wave[nearest];
            }
            let q = (p * SHORT_PHASES as f64 + 0.5) as usize - ahead;
            self.sincs.get_sinc_interpolated(&wave, q / SHORT_PHASES, q % SHORT_PHASES)
        };
        positions.iter().map(read).collect()
    }
}

/// Lagrange's weights for the value at `t` of points at −1, 0, 1, 2 (Abramowitz & Stegun 25.2.13).
fn lagrange_weights(t: f64) -> [f64; 4] {
    let (a, b, c) = (t + 1.0, t - 1.0, t - 2.0);
    [-t * b * c / 6.0, a * b * c / 2.0, -a * t * c / 2.0, a * t * b / 6.0]
}

/// Fills `wave` with `x` from index `start` on, zeros outside.
fn load(x: &[f32], start: i64, wave: &mut [f64]) {
    wave.fill(0.0);
    let skip = (-start).max(0) as usize;
    let from = (start.max(0) as usize).min(x.len());
    if let Some(to) = wave.get_mut(skip..) {
        for (w, s) in to.iter_mut().zip(&x[from..]) {
            *w = f64::from(*s);
        }
    }
}

/// The first position, when all are whole numbers one apart.
fn whole_start(positions: &[f64]) -> Option<i64> {
    let first = *positions.first()?;
    // Beyond 2^53 not every whole number has a double, so "one apart" cannot be told.
    if first.fract() != 0.0 || first.abs() > 9e15 {
        return None;
    }
    let even = positions.iter().enumerate().all(|(i, p)| *p == first + i as f64);
    even.then_some(first as i64)
}

fn check_speed(speed: f64) -> Result<()> {
    if speed.is_finite() && (1.0 / MAX_SPEED..=MAX_SPEED).contains(&speed) {
        Ok(())
    } else {
        Err(Error::invalid("reading speed", speed, "1/64 to 64 source frames a frame"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weights_reproduce_cubics() {
        for t in [0.0, 0.25, 0.5, 0.9, 1.0] {
            let cubic = |x: f64| 2.0 - x + 0.5 * x * x + 3.0 * x * x * x;
            let at: f64 =
                lagrange_weights(t).iter().zip([-1.0, 0.0, 1.0, 2.0]).map(|(w, x)| w * cubic(x)).sum();
            assert!((at - cubic(t)).abs() < 1e-14, "{t}: {at}");
        }
    }

    #[test]
    fn the_short_kernel_reads_where_it_is_told() {
        let reader = ShortReader::get();
        // The window's −70 dB and half a step between kernels; see the constants.
        for cycles in [0.01, 0.2, 0.4, SHORT_FLAT] {
            let wave = |p: f64| (std::f64::consts::TAU * cycles * p + 0.3).sin();
            let x: Vec<f32> = (0..4_000).map(|n| wave(f64::from(n)) as f32).collect();
            let positions: Vec<f64> = (0..3_000).map(|m| 200.0 + 1.013 * f64::from(m)).collect();
            let read = reader.read(&x, &positions);
            let error = read.iter().zip(&positions).map(|(y, p)| (f64::from(*y) - wave(*p)).abs());
            let worst = error.fold(0.0, f64::max);
            let bound = 10f64.powf(-70.0 / 20.0) + std::f64::consts::PI * cycles / SHORT_PHASES as f64;
            assert!(worst < bound, "{cycles}: {worst} of {bound}");
            // Frames that are met are copied, even where the kernel would take something.
            let met: Vec<f64> = (300..400).map(f64::from).collect();
            assert_eq!(reader.read(&x, &met), x[300..400]);
        }
        // Silence outside.
        assert_eq!(reader.read(&[1.0; 8], &[-1e9, -100.0, 100.0, 1e12]), [0.0; 4]);
    }

    #[test]
    fn copies_and_pads() {
        let x = [1.0, 2.0, 3.0];
        assert_eq!(copy_from(&x, -2, 6), [0.0, 0.0, 1.0, 2.0, 3.0, 0.0]);
        assert_eq!(copy_from(&x, 2, 3), [3.0, 0.0, 0.0]);
        assert_eq!(copy_from(&x, i64::MIN, 2), [0.0, 0.0]);
        assert_eq!(copy_from(&x, i64::MAX, 2), [0.0, 0.0]);
    }

    #[test]
    fn whole_positions_are_told_from_fractions() {
        assert_eq!(whole_start(&[-1.0, 0.0, 1.0]), Some(-1));
        assert_eq!(whole_start(&[0.0, 1.0, 3.0]), None);
        assert_eq!(whole_start(&[0.5, 1.5]), None);
        assert_eq!(whole_start(&[]), None);
    }
}
