//! Peak, RMS and DC of a stretch of samples.

use crate::units::Decibels;

/// Largest absolute sample of `x` (full scale 1); 0 for nothing.
pub fn peak(x: &[f32]) -> f32 {
    x.iter().fold(0f32, |m, s| m.max(s.abs()))
}

/// Root mean square of `x`, summed in double precision; 0 for nothing.
pub fn rms(x: &[f32]) -> f64 {
    if x.is_empty() {
        return 0.0;
    }
    (x.iter().map(|s| f64::from(*s).powi(2)).sum::<f64>() / x.len() as f64).sqrt()
}

/// Level of `x` in dB re full scale (a full-scale square is 0, a full-scale sine −3.01), not below −200.
pub fn rms_db(x: &[f32]) -> Decibels {
    Decibels::of_amplitude(rms(x))
}

/// Mean of `x`; 0 for nothing.
pub fn dc(x: &[f32]) -> f64 {
    if x.is_empty() { 0.0 } else { x.iter().map(|s| f64::from(*s)).sum::<f64>() / x.len() as f64 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::signals;

    #[test]
    fn sine_has_the_textbook_levels() {
        let x = signals::sine(1000.0, 1.0, 48_000.0, 48_000);
        assert!((rms_db(&x).0 + 3.0103).abs() < 1e-3);
        assert!((peak(&x) - 1.0).abs() < 1e-6 && dc(&x).abs() < 1e-7);
        assert_eq!(rms_db(&[]).0, -200.0);
    }
}
