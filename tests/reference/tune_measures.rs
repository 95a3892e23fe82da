//! Measures of a tuned take that have nothing in common with the program's own tuning.

use std::f64::consts::{PI, TAU};

use realfft::RealFftPlanner;

/// Modified Bessel function I₀ by its series (Abramowitz & Stegun 9.6.12).
fn bessel_i0(x: f64) -> f64 {
    let mut sum = 1.0;
    let mut term = 1.0;
    for k in 1..60 {
        term *= (x / 2.0 / f64::from(k)).powi(2);
        sum += term;
    }
    sum
}

/// `x` at the fractional position `p`: Shannon's series under a Kaiser window (β = 14, whose side
/// lobes are some 140 dB down; Kaiser & Schafer, IEEE TASSP 28(1), 1980), 256 terms to each side.
/// Slow, exact for what lies below 0.47 of the rate.
pub fn value_at(x: &[f32], p: f64) -> f64 {
    const HALF: i64 = 256;
    const BETA: f64 = 14.0;
    let centre = p.floor() as i64;
    let norm = bessel_i0(BETA);
    (centre - HALF + 1..=centre + HALF)
        .filter(|n| *n >= 0 && *n < x.len() as i64)
        .map(|n| {
            let d = p - n as f64;
            let r = d / HALF as f64;
            let window = bessel_i0(BETA * (1.0 - r * r).max(0.0).sqrt()) / norm;
            let sinc = if d == 0.0 { 1.0 } else { (PI * d).sin() / (PI * d) };
            f64::from(x[n as usize]) * sinc * window
        })
        .sum()
}

/// Ratio in dB of `a` to its difference from `b`.
pub fn null_db(a: &[f64], b: &[f64]) -> f64 {
    let rest: f64 = a.iter().zip(b).map(|(a, b)| (a - b).powi(2)).sum();
    let level: f64 = a.iter().map(|a| a * a).sum();
    10.0 * (rest.max(1e-30) / level).log10()
}

/// Scale-invariant signal-to-distortion ratio in dB (J. Le Roux et al., *SDR: half-baked or well
/// done?*, ICASSP 2019, eq. 5).
pub fn si_sdr_db(reference: &[f64], estimate: &[f64]) -> f64 {
    let dot: f64 = reference.iter().zip(estimate).map(|(a, b)| a * b).sum();
    let gain = dot / reference.iter().map(|a| a * a).sum::<f64>();
    let (mut kept, mut off) = (0.0, 0.0);
    for (r, e) in reference.iter().zip(estimate) {
        kept += (gain * r).powi(2);
        off += (gain * r - e).powi(2);
    }
    10.0 * (kept / f64::max(off, 1e-30)).log10()
}

/// Log-mel spectra in dB: 80 triangular bands from 30 Hz to 16 kHz, evenly spaced on the scale
/// m = 2595·log10(1 + f/700) (D. O'Shaughnessy, *Speech Communication*, 1987), from 2048-point Hann
/// frames centred on `centres`; powers are floored 80 dB below the loudest of the frame.
pub fn log_mel(x: &[f32], rate: f64, centres: &[f64]) -> Vec<Vec<f64>> {
    const SIZE: usize = 2048;
    const BANDS: usize = 80;
    let mel = |f: f64| 2595.0 * (1.0 + f / 700.0).log10();
    let hz = |m: f64| 700.0 * (10f64.powf(m / 2595.0) - 1.0);
    let (low, high) = (mel(30.0), mel(16_000.0));
    let edges: Vec<f64> =
        (0..BANDS + 2).map(|i| hz(low + (high - low) * i as f64 / (BANDS + 1) as f64)).collect();
    let fft = RealFftPlanner::<f64>::new().plan_fft_forward(SIZE);
    centres
        .iter()
        .map(|c| {
            let start = c.round() as i64 - SIZE as i64 / 2;
            let mut wave: Vec<f64> = (0..SIZE)
                .map(|i| {
                    let s = usize::try_from(start + i as i64).ok().and_then(|n| x.get(n)).copied();
                    f64::from(s.unwrap_or(0.0)) * (0.5 - 0.5 * (TAU * i as f64 / SIZE as f64).cos())
                })
                .collect();
            let mut bins = fft.make_output_vec();
            fft.process(&mut wave, &mut bins).expect("buffers of its own length");
            let power: Vec<f64> = (0..BANDS)
                .map(|b| {
                    let (l, m, h) = (edges[b], edges[b + 1], edges[b + 2]);
                    let step = rate / SIZE as f64;
                    let from = (l / step).ceil() as usize;
                    (from..=((h / step) as usize).min(SIZE / 2))
                        .map(|k| {
                            let f = k as f64 * step;
                            ((f - l) / (m - l)).min((h - f) / (h - m)).max(0.0) * bins[k].norm_sqr()
                        })
                        .sum()
                })
                .collect();
            let floor = power.iter().copied().fold(1e-20, f64::max) * 1e-8;
            power.iter().map(|p| 10.0 * p.max(floor).log10()).collect()
        })
        .collect()
}

/// RMS of the part of `x` (one value every `step_s`) above `hz`: Hann-weighted periodogram over the
/// whole stretch (P. D. Welch, IEEE Trans. Audio 15(2), 1967), the mean and the line taken out.
pub fn rms_above(x: &[f64], step_s: f64, hz: f64) -> f64 {
    let n = x.len();
    let (mean, half) = (x.iter().sum::<f64>() / n as f64, (n as f64 - 1.0) / 2.0);
    let slope = x.iter().enumerate().map(|(i, v)| (i as f64 - half) * v).sum::<f64>()
        / (0..n).map(|i| (i as f64 - half).powi(2)).sum::<f64>();
    let fft = RealFftPlanner::<f64>::new().plan_fft_forward(n);
    let mut wave: Vec<f64> = x
        .iter()
        .enumerate()
        .map(|(i, v)| {
            (v - mean - slope * (i as f64 - half)) * (0.5 - 0.5 * (TAU * (i as f64 + 0.5) / n as f64).cos())
        })
        .collect();
    let mut bins = fft.make_output_vec();
    fft.process(&mut wave, &mut bins).expect("buffers of its own length");
    // Σw² of the Hann window is 3n/8; both signs of the frequency count.
    let from = (hz * step_s * n as f64).ceil() as usize;
    let power: f64 = bins.iter().skip(from).map(|b| 2.0 * b.norm_sqr()).sum();
    (power / (n as f64 * 0.375 * n as f64)).sqrt()
}
