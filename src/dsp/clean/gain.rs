//! From the power in a bin to its gain.

use super::smooth_step;

/// The exponential integral E₁(x) = ∫ₓ^∞ e^(−t)/t dt for x > 0.
///
/// Series for x ≤ 1, continued fraction above; absolute error below 1e-9. Not a number for x < 0.
/// Source: Abramowitz & Stegun, 5.1.11 and 5.1.22.
pub fn exponential_integral(x: f64) -> f64 {
    if x < 0.0 || x.is_nan() {
        return f64::NAN;
    }
    if x <= 1.0 {
        // −γ − ln x − Σ (−x)^k/(k·k!)
        let (mut sum, mut term) = (-0.577_215_664_901_532_9 - x.ln(), 1.0);
        for k in 1..20 {
            term *= -x / f64::from(k);
            sum -= term / f64::from(k);
        }
        return sum;
    }
    // e^(−x)/(x + 1/(1 + 1/(x + 2/(1 + 2/(x + …
    let mut f = 0.0;
    for k in (1..=60).rev() {
        let k = f64::from(k);
        f = k / (1.0 + k / (x + f));
    }
    (-x).exp() / (x + f)
}

/// The log-spectral-amplitude gain of a prior and a posterior ratio of signal to noise power:
/// G = ξ/(1+ξ)·exp(½E₁(v)), v = ξγ/(1+ξ). Source: Ephraim & Malah, IEEE TASSP 33(2), 1985, eq. 20.
pub fn log_spectral_amplitude(xi: f64, gamma: f64) -> f64 {
    let v = (xi * gamma / (1.0 + xi)).max(1e-12);
    xi / (1.0 + xi) * (0.5 * exponential_integral(v)).exp()
}

/// Where a level between the partials (re the room's) counts as breath: not at all below the
/// first, fully from the second on. Outside a note it is a mean over some 30 independent values,
/// deviation 0.18, and noise must never pass (six deviations); in a note some of it may.
const BREATH: (f32, f32) = (2.1, 3.1);
const BREATH_IN_NOTE: (f32, f32) = (1.3, 1.9);
/// The same for the mean over the longer time of a note: a profile learned from two seconds is some
/// 5 % off, and what is believed for too little is let through for as long as the note lasts.
const LASTING: (f32, f32) = (1.1, 1.25);
/// Where a bin's power (re what lies between the partials) counts as a tone: at a partial of the
/// tracked note (a mean over some ten independent values, deviation 0.3: under a low note most bins
/// may hold a partial, and most hold none), elsewhere in a note, and where there is no note.
const AT_PARTIAL: (f32, f32) = (1.8, 3.3);
const IN_NOTE: (f32, f32) = (6.0, 12.0);
/// (A mean of some two independent exponential values: e^−40 for noise.)
const IN_ROOM: (f32, f32) = (20.0, 40.0);

/// 0 below the first of `limits`, 1 above the second, smooth between.
fn presence(ratio: f32, (low, high): (f32, f32)) -> f32 {
    smooth_step((ratio - low) / (high - low))
}

/// Where a bin's power counts as a tone.
#[inline]
fn limits(partial: bool, pitched: bool) -> (f32, f32) {
    match (partial, pitched) {
        (true, _) => AT_PARTIAL,
        (false, true) => IN_NOTE,
        (false, false) => IN_ROOM,
    }
}

/// What sounds between the partials.
#[derive(Debug, Clone, Copy)]
pub(super) struct Breath {
    /// Its power re the room's.
    pub(super) level: f32,
    /// Whether the note has it all along.
    pub(super) lasts: bool,
}

/// What lasts accounts for what comes where it is at least this part of it.
const SAME: f32 = 0.7;

impl Breath {
    /// Of the power between the partials re the room's over a short time, `around`, and over the longer
    /// time of a note; `pitched` where there is one.
    pub(super) fn new(around: f32, lasting: f32, pitched: bool) -> Self {
        let excess = (around - 1.0).max(0.0);
        if !pitched {
            return Self { level: excess * presence(around, BREATH), lasts: false };
        }
        let lasting = (lasting - 1.0).max(0.0) * presence(lasting, LASTING);
        let sudden = excess * presence(around, BREATH_IN_NOTE);
        Self { level: lasting.max(sudden), lasts: lasting >= SAME * sudden }
    }
}

/// What is known of a bin.
#[derive(Debug, Clone, Copy)]
pub(super) struct Evidence {
    /// Power in it re the room's.
    pub(super) power: f32,
    /// [`Breath::level`] there.
    pub(super) breath: f32,
    /// [`Breath::lasts`] there.
    pub(super) lasts: bool,
    /// A partial of the tracked note may lie in it.
    pub(super) partial: bool,
    /// There is a note.
    pub(super) pitched: bool,
}

/// Gains over ξ, by eighths of an octave from 2^−12 to 2^4.
pub(super) struct GainTable {
    gains: Vec<f32>,
    steepness: f32,
    firmness: f32,
}

const LOWEST_OCTAVE: i32 = -12;
const OCTAVES: i32 = 16;

impl GainTable {
    /// The log-spectral-amplitude gain for a posterior ratio of 1 + ξ, its expectation, and `steepness` of
    /// the way from there to ξ²/(1 + ξ²) where that is larger; all of it times `firmness` in dB. The former
    /// is right for what lies below the room; what stands 6 dB above the room loses 1.9 dB by it, 0.5 dB by
    /// the latter, at 12 % more error in those bins. A firmness below 1 harms the note less and leaves more
    /// of the room.
    fn new((steepness, firmness): (f32, f32)) -> Self {
        let gain = |i: i32| {
            let xi = 2f64.powf(f64::from(LOWEST_OCTAVE) + f64::from(i) / 8.0);
            let soft = log_spectral_amplitude(xi, 1.0 + xi);
            let both = soft + f64::from(steepness) * (xi * xi / (1.0 + xi * xi) - soft).max(0.0);
            both.powf(f64::from(firmness)) as f32
        };
        Self { gains: (0..=8 * OCTAVES).map(gain).collect(), steepness, firmness }
    }

    /// The gain at ξ: a straight line over log ξ between the entries; 0 below the table.
    #[inline]
    fn at(&self, xi: f32) -> f32 {
        if xi >= 16.0 {
            // The exponential is 1 here.
            let (soft, steep) = (xi / (1.0 + xi), xi * xi / (1.0 + xi * xi));
            return (soft + self.steepness * (steep - soft)).powf(self.firmness);
        }
        let x = (fast_log2(xi) - LOWEST_OCTAVE as f32) * 8.0;
        if x < 0.0 {
            return 0.0;
        }
        let i = (x as usize).min(self.gains.len() - 2);
        let part = x - i as f32;
        self.gains[i] + (self.gains[i + 1] - self.gains[i]) * part
    }
}

/// Gains by evidence.
pub(super) struct Gains {
    /// Of what lasts: partials and the breath of a note.
    lasting: GainTable,
    /// Of what comes suddenly in a note.
    sudden: GainTable,
    /// Of what sounds where there is no note.
    alone: GainTable,
}

/// Steepness and firmness of the gains of what lasts: a long window and a long mean tell its level well; what
/// is taken of the note by mistake is heard before the room under it is.
const LASTS: (f32, f32) = (0.6, 0.9);
/// Of what comes suddenly in a note: what stands 6 dB above the room (ξ = 4: 0.802 and 0.941) loses 1 dB.
const COMES: (f32, f32) = (0.65, 1.0);
/// Of what sounds alone, whose level is known least: 0.5 dB there.
const ALONE: (f32, f32) = (1.0, 1.0);

impl Gains {
    pub(super) fn new() -> Self {
        let [lasting, sudden, alone] = [LASTS, COMES, ALONE].map(GainTable::new);
        Self { lasting, sudden, alone }
    }

    /// Whether a bin of such a power may hold a tone; without breath its gain is 0 if not.
    #[inline]
    pub(super) fn stands_out(power: f32, partial: bool, pitched: bool) -> bool {
        power > limits(partial, pitched).0
    }

    /// The gain of a bin without a floor, 0 to 1. ξ is weighted by the probability that something
    /// sounds there, as Cohen & Berdugo (Signal Processing 81, 2001) weight their gain; it comes from
    /// means over neighbours in time and frequency before and after, which the decision-directed
    /// prior of the textbook replaces where nothing is known of what comes.
    #[inline]
    pub(super) fn of(&self, e: Evidence) -> f32 {
        let limits = limits(e.partial, e.pitched);
        if e.breath == 0.0 && e.power <= limits.0 {
            return 0.0;
        }
        let p = presence(e.power / (1.0 + e.breath), limits);
        let table = match (e.pitched, e.partial || e.lasts) {
            (false, _) => &self.alone,
            (true, true) => &self.lasting,
            (true, false) => &self.sudden,
        };
        table.at(e.breath + p * (e.power - 1.0 - e.breath).max(0.0))
    }
}

/// Base-2 logarithm to within 0.09: the exponent and a straight line through the mantissa.
pub(super) fn fast_log2(x: f32) -> f32 {
    let bits = x.max(1e-30).to_bits();
    (bits >> 23) as f32 - 127.0 + (bits & 0x007f_ffff) as f32 / 8_388_608.0
}

/// The inverse of [`fast_log2`], for −126 to 127.
pub(super) fn fast_exp2(x: f32) -> f32 {
    // Signed, as vectors convert it; the highest is below 2^31.
    f32::from_bits(((x + 127.0).clamp(1.0, 254.0) * 8_388_608.0) as i32 as u32)
}

/// The mean of [`fast_log2`] over `values`, which are positive: a float's bits are that logarithm.
#[inline]
pub(super) fn mean_log2(values: &[f32]) -> f32 {
    // Read as a number the bits lose their last seven: 1e-5 of an octave.
    let sum: f32 = values.iter().map(|v| v.max(1e-30).to_bits() as i32 as f32).sum();
    sum / (values.len() as f32 * 8_388_608.0) - 127.0
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A burst of breath 6 dB above the room loses at most 1 dB, in a note and without one.
    #[test]
    fn sudden_breath_stays() {
        let gains = Gains::new();
        for pitched in [false, true] {
            let breath = Breath::new(5.0, 1.0, pitched);
            assert!(!breath.lasts && (breath.level - 4.0).abs() < 1e-6);
            let g = gains.of(Evidence {
                power: 5.0,
                breath: breath.level,
                lasts: false,
                partial: false,
                pitched,
            });
            // The table's straight lines over eighths of an octave are 0.01 dB off.
            assert!(20.0 * g.log10() > -1.02 && g < 1.0, "{pitched}: {g}");
        }
        // The room itself: nothing stands out, nothing is left but the floor.
        let room = Breath::new(1.0, 1.0, true);
        let e = Evidence { power: 1.0, breath: room.level, lasts: room.lasts, partial: true, pitched: true };
        assert_eq!(gains.of(e), 0.0);
    }

    #[test]
    fn the_mean_of_logarithms_is_that_of_each() {
        let values: Vec<f32> = (0..12).map(|i| 3f32.powi(i - 6) * 1.1).collect();
        let each = values.iter().map(|v| fast_log2(*v)).sum::<f32>() / 12.0;
        assert!((mean_log2(&values) - each).abs() < 1e-5, "{each}");
        assert_eq!(mean_log2(&[0.0]), fast_log2(0.0));
        for x in [1e-6, 0.3, 1.0, 5.0, 1e9] {
            assert!((fast_exp2(fast_log2(x)) / x - 1.0).abs() < 1e-5, "{x}");
        }
    }
}
