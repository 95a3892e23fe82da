//! The guard at the output: nothing leaves louder than −1 dBFS.

/// Below this amplitude (−6 dBFS) nothing is touched.
pub const KNEE: f32 = 0.5;
/// Nothing leaves above this amplitude: a hair below −1 dBFS (0.89125), so that rounding stays below it.
pub const CEILING: f32 = 0.891;
/// What is louder is cut to this before anything is computed with it.
const LOUDEST: f32 = 1e6;
/// How long the gain takes to come back by 1 − 1/e, in seconds (common practice, no source).
const RELEASE_S: f64 = 0.1;

/// A peak limiter without look-ahead: the gain falls at once with the sample that needs it, both
/// channels together, and comes back slowly. A sudden peak is bent rather than ducked (that is the
/// price of no delay); what stays loud is turned down and keeps its shape.
#[derive(Debug, Clone)]
pub struct Limiter {
    /// In double precision: in single the last ten-thousandth would never be gained back.
    gain: f64,
    back: f64,
    worked: bool,
}

impl Limiter {
    /// For `rate` frames a second.
    pub fn new(rate: f64) -> Self {
        Self { gain: 1.0, back: 1.0 - (-1.0 / (RELEASE_S * rate)).exp(), worked: false }
    }

    /// One frame through. What is not a finite number becomes silence.
    #[inline]
    pub fn next(&mut self, frame: [f32; 2]) -> [f32; 2] {
        let [l, r] = frame.map(|x| if x.is_finite() { x.clamp(-LOUDEST, LOUDEST) } else { 0.0 });
        if self.gain < 1.0 {
            self.gain += (1.0 - self.gain) * self.back;
            if self.gain > 0.999_99 {
                self.gain = 1.0;
            }
        }
        let peak = l.abs().max(r.abs());
        if peak > KNEE {
            self.gain = self.gain.min(f64::from(bend(peak)) / f64::from(peak));
            self.worked = true;
        }
        if self.gain == 1.0 { [l, r] } else { [l, r].map(|x| (f64::from(x) * self.gain) as f32) }
    }

    /// Whether it worked since the last question.
    pub fn take_worked(&mut self) -> bool {
        std::mem::take(&mut self.worked)
    }
}

/// Amplitude `peak` > KNEE as it may leave: KNEE + u/(1 + u/w) with u what is above the knee and w
/// the width up to the ceiling. Slope 1 at the knee, CEILING for ever louder input.
fn bend(peak: f32) -> f32 {
    let width = CEILING - KNEE;
    let u = (peak - KNEE) / width;
    KNEE + width * (u / (1.0 + u))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::signals;

    #[test]
    fn soft_sound_passes_bit_for_bit() {
        let mut g = Limiter::new(48_000.0);
        for x in signals::white_noise(0.288, 20_000, 3) {
            assert!(x.abs() <= KNEE);
            assert_eq!(g.next([x, -x]), [x, -x]);
        }
        assert!(!g.take_worked());
    }

    #[test]
    fn nothing_leaves_above_minus_one_decibel() {
        let ceiling = 10f32.powf(-1.0 / 20.0);
        let mut g = Limiter::new(48_000.0);
        for x in [0.6, 1.0, 4.0, 1e4, 1e30, f32::MAX, f32::MIN, f32::NAN, f32::INFINITY, 0.5] {
            for y in g.next([x, -0.3 * x]) {
                assert!(y.is_finite() && y.abs() <= ceiling, "{x} gave {y}");
            }
        }
        assert!(g.take_worked() && !g.take_worked());
    }

    #[test]
    fn comes_back_to_exactly_one() {
        let mut g = Limiter::new(48_000.0);
        g.next([2.0, 2.0]);
        // From a gain of 0.4 to within 1e-5 of 1 takes ln(0.6/1e-5) = 11 time constants.
        for _ in 0..(0.1 * 48_000.0 * 11.5) as usize {
            g.next([0.1, 0.1]);
        }
        assert_eq!(g.next([0.123, 0.2]), [0.123, 0.2]);
    }
}
