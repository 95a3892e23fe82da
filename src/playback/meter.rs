//! What a level meter shows: up at once, down slowly.

use crate::units::{Decibels, Seconds};

/// How fast the meter falls, in decibels a second (common practice, no source).
pub const FALL_DB_PER_S: f64 = 20.0;
/// The lowest level shown.
pub const FLOOR: Decibels = Decibels(-72.0);

/// The level to show now, after `elapsed` since `shown` was shown, when `peak` (amplitude, full
/// scale 1) was the largest since then: the peak, or 20 dB a second below what was shown,
/// whichever is higher; never below [`FLOOR`]. A peak that is not a finite number counts as none.
pub fn fall(shown: Decibels, peak: f32, elapsed: Seconds) -> Decibels {
    let now = if peak.is_finite() { Decibels::of_amplitude(f64::from(peak)).0 } else { FLOOR.0 };
    let before = if shown.0.is_finite() { shown.0 } else { FLOOR.0 };
    Decibels(now.max(before - FALL_DB_PER_S * elapsed.0.max(0.0)).max(FLOOR.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn up_at_once_and_down_by_the_second() {
        let s = fall(FLOOR, 0.5, Seconds(0.016));
        assert!((s.0 + 6.0206).abs() < 1e-3);
        let s = fall(s, 0.0, Seconds(1.0));
        assert!((s.0 + 26.0206).abs() < 1e-3);
        // Many small steps fall as far as one long one.
        let many = (0..100).fold(s, |s, _| fall(s, 0.0, Seconds(0.01)));
        assert!((many.0 - fall(s, 0.0, Seconds(1.0)).0).abs() < 1e-9);
        assert_eq!(fall(s, 0.0, Seconds(60.0)), FLOOR);
        assert_eq!(fall(FLOOR, f32::NAN, Seconds(0.0)), FLOOR);
    }
}
