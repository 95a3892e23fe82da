//! Steady lines of the room: mains hum with its multiples, a fan's whine. A line keeps its
//! frequency, so it can be followed over seconds and taken off as the wave it is: the rest of the
//! sound keeps even what it has at the same frequency.

use realfft::num_complex::Complex;
use serde::{Deserialize, Serialize};

use super::low_band::{dot, top_hz};
use crate::dsp::stft::Stft;

/// Step of a line's phasor, in seconds.
const STEP_S: f64 = 0.025;
/// Window of a phasor (Hann), in steps.
const WINDOW_STEPS: usize = 8;
/// A phasor is a mean with a Gaussian weight of this deviation, in seconds.
const MEMORY_S: f64 = 0.45;
/// A line stands this far above what lies beside it, as a power ratio at the window's resolution
/// (noise exceeds it once in e^12 bins; [`settle`] asks further).
const STANDS_OUT: f64 = 12.0;
/// Beside it: this far to either side, in hertz.
const BESIDE_HZ: f64 = 14.0;
/// Lowest line, in hertz.
const LOWEST_HZ: f64 = 15.0;
/// Most lines.
const MOST: usize = 24;
/// Shortest room tone that lines are looked for in, in seconds.
const SHORTEST_S: f64 = 0.7;
/// How far a phasor may be from what is expected, as a part of its size.
const TOLERANCE: f64 = 0.3;

/// A steady line in a room.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Line {
    /// Frequency in hertz.
    pub hz: f64,
    /// Amplitude re full scale.
    pub amplitude: f64,
    /// Standard deviation of one of its phasors in the room, as an amplitude.
    pub unrest: f64,
}

/// The lines in the band `low` of a room tone, at `rate` frames a second, strongest first.
pub(super) fn find(low: &[f32], rate: f64) -> Vec<Line> {
    if (low.len() as f64) < SHORTEST_S * rate {
        return Vec::new();
    }
    // One window over all, padded to twice its length so that a peak has bins beside it.
    let size = low.len() & !1;
    let mut stft = Stft::<f32>::new(size, size / 2);
    let mut spectrum = stft.spectrum();
    stft.forward_at(low, 0, &mut spectrum);
    let power: Vec<f64> = spectrum.iter().map(|z| f64::from(z.norm_sqr())).collect();
    let bin_hz = rate / stft.size() as f64;
    let reach = (BESIDE_HZ / bin_hz) as usize;
    let lowest = ((LOWEST_HZ / bin_hz) as usize).max(3);
    let top = (top_hz(rate) / bin_hz) as usize;
    let mut found = Vec::new();
    for k in lowest..top.min(power.len().saturating_sub(3)) {
        let p = power[k];
        if p < power[k - 1] || p <= power[k + 1] || p < power[k - 2] || p < power[k + 2] {
            continue;
        }
        let (a, b) = (k.saturating_sub(reach).max(1), (k + reach).min(power.len() - 1));
        let mut beside: Vec<f64> = (a..=b).filter(|i| i.abs_diff(k) > 3).map(|i| power[i]).collect();
        let middle = beside.len() / 2;
        let level = *beside.select_nth_unstable_by(middle, f64::total_cmp).1;
        // The median of noise power is ln 2 of its mean.
        if p > STANDS_OUT * level / std::f64::consts::LN_2 {
            // Hann: the peak from the ratio of the two largest bins, (2r − 1)/(1 + r) beside the larger.
            let next = if power[k + 1] > power[k - 1] { k + 1 } else { k - 1 };
            let r = (power[next] / p).sqrt();
            let offset = ((2.0 * r - 1.0) / (1.0 + r)).clamp(-0.5, 0.5);
            let at = k as f64 + if next > k { offset } else { -offset };
            found.push(Line { hz: at * bin_hz, amplitude: p.sqrt(), unrest: 0.0 });
        }
    }
    found.sort_by(|a, b| b.amplitude.total_cmp(&a.amplitude));
    found.truncate(MOST);
    found.iter().filter_map(|l| settle(low, rate, l.hz)).collect()
}

/// Frequency and size of a line near `hz` from its phasors; none when they do not hang together.
fn settle(low: &[f32], rate: f64, hz: f64) -> Option<Line> {
    let c = phasors(low, rate, hz);
    let inner = c.get(WINDOW_STEPS / 2..c.len().saturating_sub(WINDOW_STEPS / 2))?;
    if inner.len() < 4 {
        return None;
    }
    // Mean advance from phasor to phasor four steps on.
    let lag = 4.min(inner.len() / 2);
    let turn: Complex<f64> = inner.iter().zip(&inner[lag..]).map(|(a, b)| b * a.conj()).sum();
    let hz = hz + turn.arg() / (std::f64::consts::TAU * lag as f64 * step_s(rate));
    let c = phasors(low, rate, hz);
    let inner = &c[WINDOW_STEPS / 2..c.len() - WINDOW_STEPS / 2];
    let n = inner.len() as f64;
    let mean = inner.iter().sum::<Complex<f64>>() / n;
    let rest = inner.iter().map(|z| (z - mean).norm_sqr()).sum::<f64>() / n;
    (rest < 0.6 * mean.norm_sqr()).then(|| Line { hz, amplitude: mean.norm(), unrest: rest.sqrt() })
}

/// Frames from phasor to phasor.
fn step_frames(rate: f64) -> usize {
    ((STEP_S * rate).round() as usize).max(1)
}

fn step_s(rate: f64) -> f64 {
    step_frames(rate) as f64 / rate
}

/// How many turned phases are kept, from which those of a long wave are made piece by piece.
const TURNS: usize = 512;

/// The unit phase at 0..`count` frames of a wave of `cycles` a frame; rounding adds up to some
/// 1e-16 a frame.
fn turns(cycles: f64, count: usize) -> Vec<Complex<f32>> {
    let turn = Complex::from_polar(1.0, std::f64::consts::TAU * cycles);
    let mut phase = Complex::new(1.0, 0.0);
    (0..count)
        .map(|_| {
            let now = Complex::new(phase.re as f32, phase.im as f32);
            phase *= turn;
            now
        })
        .collect()
}

/// The unit phase after `cycles`.
fn start(cycles: f64) -> Complex<f32> {
    let phase = Complex::from_polar(1.0, std::f64::consts::TAU * cycles.fract());
    Complex::new(phase.re as f32, phase.im as f32)
}

/// Complex amplitude of `x` at `hz` every step, with the phase of frame 0.
fn phasors(x: &[f32], rate: f64, hz: f64) -> Vec<Complex<f64>> {
    let step = step_frames(rate);
    let half = WINDOW_STEPS / 2 * step;
    let window: Vec<f32> = (0..2 * half)
        .map(|i| (0.5 - 0.5 * (std::f64::consts::PI * (i as f64 + 0.5) / half as f64).cos()) as f32)
        .collect();
    let turns = turns(-hz / rate, TURNS);
    let (mut re, mut im) = (Vec::with_capacity(x.len()), Vec::with_capacity(x.len()));
    for (b, piece) in x.chunks(TURNS).enumerate() {
        let start = start(-hz * (TURNS * b) as f64 / rate);
        re.extend(piece.iter().zip(&turns).map(|(v, t)| v * (start.re * t.re - start.im * t.im)));
        im.extend(piece.iter().zip(&turns).map(|(v, t)| v * (start.re * t.im + start.im * t.re)));
    }
    (0..=x.len() / step)
        .map(|j| {
            let first = (j * step) as i64 - half as i64;
            let from = first.max(0) as usize;
            let to = ((first + 2 * half as i64) as usize).min(x.len());
            let w = &window[(from as i64 - first) as usize..][..to - from];
            let weight: f32 = if to - from == 2 * half { half as f32 } else { w.iter().sum() };
            // A real wave has half its amplitude at the positive frequency.
            let scale = 2.0 / f64::from(weight.max(1e-9));
            Complex::new(f64::from(dot(&re[from..to], w)) * scale, f64::from(dot(&im[from..to], w)) * scale)
        })
        .collect()
}

/// How far each phasor of a take is believed to be the room's line alone (0 or 1).
pub(super) struct Trust {
    line: Line,
    weight: Vec<f64>,
}

/// Looks at each line in the band `low` of a recording.
pub(super) fn trust(low: &[f32], rate: f64, lines: &[Line]) -> Vec<Trust> {
    lines
        .iter()
        .map(|line| {
            let c = phasors(low, rate, line.hz);
            let limit = TOLERANCE * line.amplitude + 3.0 * line.unrest;
            let mut weight: Vec<f64> =
                c.iter().map(|z| f64::from(u8::from((z.norm() - line.amplitude).abs() < limit))).collect();
            for _ in 0..2 {
                let (mean, known) = smoothed(&c, &weight, rate);
                for (i, w) in weight.iter_mut().enumerate() {
                    let off = (c[i] - mean[i]).norm();
                    *w = f64::from(u8::from(known[i] > 0.05 && off < limit));
                }
            }
            // Windows overlap: what stands beside a disturbed one is disturbed too.
            let shrunk = (0..weight.len())
                .map(|i| {
                    let (a, b) = (i.saturating_sub(2), (i + 3).min(weight.len()));
                    weight[a..b].iter().copied().fold(1.0, f64::min)
                })
                .collect();
            Trust { line: *line, weight: shrunk }
        })
        .collect()
}

/// Weighted means over [`MEMORY_S`], and how much of the weight was there (0 to 1).
fn smoothed(c: &[Complex<f64>], weight: &[f64], rate: f64) -> (Vec<Complex<f64>>, Vec<f64>) {
    let sigma = MEMORY_S / step_s(rate);
    let reach = (3.5 * sigma) as usize;
    let kernel: Vec<f64> = (0..=reach).map(|d| (-0.5 * (d as f64 / sigma).powi(2)).exp()).collect();
    let all = 2.0 * kernel.iter().sum::<f64>() - 1.0;
    (0..c.len())
        .map(|i| {
            let (from, to) = (i.saturating_sub(reach), (i + reach + 1).min(c.len()));
            let (mut sum, mut mass) = (Complex::new(0.0, 0.0), 0.0);
            for j in from..to {
                let w = kernel[i.abs_diff(j)] * weight[j];
                sum += c[j] * w;
                mass += w;
            }
            (sum / mass.max(1e-12), mass / all)
        })
        .unzip()
}

/// The waves of the trusted lines in the band `low` (linear in it): what is to be taken off.
pub(super) fn waves(low: &[f32], rate: f64, trusted: &[Trust]) -> Vec<f32> {
    let mut out = vec![0f32; low.len()];
    let step = step_frames(rate);
    for t in trusted {
        let c = phasors(low, rate, t.line.hz);
        let (mean, known) = smoothed(&c, &t.weight, rate);
        // Believed less the less of it was heard nearby, and not at all where nothing was.
        let c: Vec<Complex<f64>> = mean.iter().zip(&known).map(|(c, k)| c * (k / (k + 0.02))).collect();
        let turns = turns(t.line.hz / rate, step);
        let narrow = |z: Complex<f64>| Complex::new(z.re as f32, z.im as f32);
        for (j, piece) in out.chunks_mut(step).enumerate() {
            // Turned to the phase of the piece's first frame.
            let from = start((j * step) as f64 * t.line.hz / rate);
            let (a, b) = (c[j], c.get(j + 1).copied().unwrap_or(c[j]));
            let (a, rise) = (narrow(a) * from, narrow((b - a) / step as f64) * from);
            for ((i, o), turn) in piece.iter_mut().enumerate().zip(&turns) {
                let i = i as f32;
                *o += (a.re + rise.re * i) * turn.re - (a.im + rise.im * i) * turn.im;
            }
        }
    }
    out
}
