//! The spectrum of a stretch of sound, for looking at.

use realfft::RealFftPlanner;

/// Levels below this are told as this, dB.
pub const FLOOR_DB: f32 = -140.0;

/// Magnitude spectrum of all of `x` under a Hann window: `x.len()/2 + 1` values in dB re a sine of full
/// scale, bin k at k·rate/`x.len()` Hz; no value lies under −140 dB. Empty for fewer than 4 samples.
///
/// The window's coherent gain (its mean, ½) is divided out, so that a sine on a bin of amplitude A reads
/// 20·log10(A), one between two bins up to 1.42 dB less. Source: Harris, Proc. IEEE 66(1), 1978, table 1.
pub fn spectrum_db(x: &[f32]) -> Vec<f32> {
    let n = x.len();
    if n < 4 {
        return Vec::new();
    }
    let forward = RealFftPlanner::<f32>::new().plan_fft_forward(n);
    let mut windowed: Vec<f32> = x
        .iter()
        .enumerate()
        .map(|(i, s)| s * (0.5 - 0.5 * (std::f64::consts::TAU * i as f64 / n as f64).cos()) as f32)
        .collect();
    let mut spectrum = forward.make_output_vec();
    // The lengths are the plan's own.
    if forward.process(&mut windowed, &mut spectrum).is_err() {
        return Vec::new();
    }
    // A sine's energy lies half in the negative frequencies: 2/N, and 1/½ for the window.
    let scale = 4.0 / n as f32;
    spectrum.iter().map(|c| (20.0 * (c.norm() * scale).max(1e-12).log10()).max(FLOOR_DB)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Analytic: a sine on a bin reads its amplitude; between bins Harris's scalloping loss of 1.42 dB.
    #[test]
    fn a_sine_reads_its_amplitude() {
        let n = 4096;
        let sine = |bin: f64| -> Vec<f32> {
            let turn = std::f64::consts::TAU * bin / n as f64;
            (0..n).map(|i| (0.5 * (turn * i as f64 + 0.3).sin()) as f32).collect()
        };
        let half = 20.0 * 0.5f32.log10();
        let on = spectrum_db(&sine(100.0));
        assert_eq!(on.len(), n / 2 + 1);
        assert!((on[100] - half).abs() < 0.01, "{}", on[100]);
        // A Hann window has three bins; beyond them only rounding is left.
        assert!(on[104] < -100.0 && on[50] < -100.0);
        let between = spectrum_db(&sine(100.5));
        assert!((between[100] - (half - 1.42)).abs() < 0.02, "{}", between[100]);
        assert!(spectrum_db(&[0.0; 64]).iter().all(|v| *v == FLOOR_DB));
        assert!(spectrum_db(&[0.0; 3]).is_empty());
    }
}
