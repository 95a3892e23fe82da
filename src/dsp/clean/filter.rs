//! The high-pass: forwards and backwards, so that nothing moves in time.

use std::f64::consts::{SQRT_2, TAU};

/// Power response of one way of the filter at `hz`: Butterworth of second order, r⁴/(1 + r⁴).
pub(super) fn power_at(corner_hz: f64, hz: f64) -> f64 {
    let r = (hz / corner_hz).powi(4);
    r / (1.0 + r)
}

/// `x` without what lies below `corner_hz` (12 dB down there, 24 dB an octave below). Analog
/// prototype s²/(s² + √2 s + 1) by the bilinear transform.
pub(super) fn high_pass(x: &[f32], corner_hz: f64, rate: f64) -> Vec<f32> {
    let k = (TAU * corner_hz / rate / 2.0).tan();
    let norm = 1.0 / (1.0 + SQRT_2 * k + k * k);
    let (a1, a2) = (2.0 * (k * k - 1.0) * norm, (1.0 - SQRT_2 * k + k * k) * norm);
    let pass = |y: &mut [f64], backwards: bool| {
        let (mut s1, mut s2) = (0.0, 0.0);
        let n = y.len();
        for i in 0..n {
            let v = &mut y[if backwards { n - 1 - i } else { i }];
            let x = *v;
            let out = norm * x + s1;
            s1 = -2.0 * norm * x - a1 * out + s2;
            s2 = norm * x - a2 * out;
            *v = out;
        }
    };
    let mut y: Vec<f64> = x.iter().map(|v| f64::from(*v)).collect();
    pass(&mut y, false);
    pass(&mut y, true);
    y.into_iter().map(|v| v as f32).collect()
}

/// The mean of `x`.
pub(super) fn mean(x: &[f32]) -> f32 {
    crate::audio::level::dc(x) as f32
}
