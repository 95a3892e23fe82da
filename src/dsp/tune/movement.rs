//! How much a note moves, in three numbers.

use std::f64::consts::TAU;

use serde::{Deserialize, Serialize};

use crate::dsp::tune::Deviation;

/// Left out at each end of the note, or a quarter of it where it is short.
const ENDS_S: f64 = 0.15;
/// Where a vibrato's rate is looked for, in Hz: drift lies below, the tracker's noise above.
const RATES_HZ: (f64, f64) = (2.5, 10.0);
/// Steps of the search, before a parabola through the highest three.
const STEP_HZ: f64 = 0.05;
/// Shallower is no vibrato, in cents.
const LEAST_DEPTH: f64 = 1.0;
/// Least part of the fast movement's power that stands at one rate.
const LEAST_SHARE: f64 = 0.4;

/// How a note moves over its sustain.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Movement {
    /// RMS of the movement below 2 Hz, in cents.
    pub drift_rms: f64,
    /// Rate of the vibrato in Hz; none where the fast movement has no rate of its own.
    pub vibrato_rate_hz: Option<f64>,
    /// Depth of the fast movement to either side, in cents: √2 times its RMS, the amplitude where it
    /// is a sine.
    pub vibrato_depth_cents: f64,
}

/// The movement of a note over its sustain: the voiced part without its first and last 150 ms (a
/// quarter where it is short). All zero where nothing is voiced.
///
/// The rate is the highest peak from 2.5 to 10 Hz of the Hann-weighted spectrum of the fast
/// movement (P. D. Welch, IEEE Trans. Audio 15(2), 1967), with a parabola through the logarithms of
/// its three highest values (J. O. Smith, *Spectral Audio Signal Processing*, CCRMA, 2011). It is
/// none where the depth is below 1 cent, where fewer than two periods are heard, or where a sine of
/// that rate makes less than 40 % of the power.
pub fn movement(d: &Deviation) -> Movement {
    let (Some(first), Some(last)) = (d.voiced.iter().position(|v| *v), d.voiced.iter().rposition(|v| *v))
    else {
        return Movement::default();
    };
    let ends = ((ENDS_S / d.hop_s).round() as usize).min((last + 1 - first) / 4);
    let inside = first + ends..last + 1 - ends;
    let part = |x: &[f64]| x.get(inside.clone()).unwrap_or_default().to_vec();
    let (drift, vibrato) = (part(&d.drift), part(&d.vibrato));
    let depth = std::f64::consts::SQRT_2 * rms(&vibrato);
    Movement {
        drift_rms: rms(&drift),
        vibrato_rate_hz: if depth < LEAST_DEPTH { None } else { rate(&vibrato, d.hop_s) },
        vibrato_depth_cents: depth,
    }
}

fn rms(x: &[f64]) -> f64 {
    (x.iter().map(|v| v * v).sum::<f64>() / x.len().max(1) as f64).sqrt()
}

/// The rate that most of `x` goes with.
fn rate(x: &[f64], hop_s: f64) -> Option<f64> {
    let n = x.len() as f64;
    let window: Vec<f64> = (0..x.len()).map(|i| 0.5 - 0.5 * (TAU * (i as f64 + 0.5) / n).cos()).collect();
    let sum: f64 = window.iter().sum();
    // Amplitude of a sine at `hz`.
    let at = |hz: f64| {
        let (mut re, mut im) = (0.0, 0.0);
        for (i, (v, w)) in x.iter().zip(&window).enumerate() {
            let (sin, cos) = (TAU * hz * hop_s * i as f64).sin_cos();
            re += v * w * cos;
            im += v * w * sin;
        }
        2.0 * f64::hypot(re, im) / sum
    };
    let steps = ((RATES_HZ.1 - RATES_HZ.0) / STEP_HZ).round() as usize;
    let values: Vec<f64> = (0..=steps).map(|k| at(RATES_HZ.0 + k as f64 * STEP_HZ)).collect();
    let top = (1..steps).max_by(|a, b| values[*a].total_cmp(&values[*b]))?;
    if values[top] < values[top - 1] || values[top] < values[top + 1] {
        return None;
    }
    let [a, b, c] = [top - 1, top, top + 1].map(|k| values[k].max(1e-12).ln());
    let bend = a - 2.0 * b + c;
    let off = if bend < 0.0 { 0.5 * (a - c) / bend } else { 0.0 };
    let hz = RATES_HZ.0 + (top as f64 + off) * STEP_HZ;
    let share = values[top].powi(2) / 2.0 / rms(x).powi(2);
    (hz * n * hop_s >= 2.0 && share >= LEAST_SHARE).then_some(hz)
}
