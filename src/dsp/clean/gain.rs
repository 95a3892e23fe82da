//! From the power in a bin to its gain.

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
/// first, fully from the second on. Outside a note it is a mean over some 20 independent values,
/// deviation 0.22, and noise must hardly ever pass (2.7 deviations); in a note some of it may.
const BREATH: (f32, f32) = (1.6, 2.6);
const BREATH_IN_NOTE: (f32, f32) = (1.3, 1.9);
/// The same for the mean over the longer time of a note.
const LASTING: (f32, f32) = (1.05, 1.3);
/// Where a bin's power (re what lies between the partials) counts as a tone: at a partial of the
/// tracked note, elsewhere in a note, and where there is no note.
const AT_PARTIAL: (f32, f32) = (1.1, 2.0);
const IN_NOTE: (f32, f32) = (4.0, 8.0);
const IN_ROOM: (f32, f32) = (10.0, 20.0);

/// 0 below the first of `limits`, 1 above the second, smooth between.
fn presence(ratio: f32, (low, high): (f32, f32)) -> f32 {
    let x = ((ratio - low) / (high - low)).clamp(0.0, 1.0);
    x * x * (3.0 - 2.0 * x)
}

/// What is known of a bin.
#[derive(Debug, Clone, Copy)]
pub(super) struct Evidence {
    /// Power in it re the room's.
    pub(super) power: f32,
    /// Power between the partials re the room's, over a short time.
    pub(super) around: f32,
    /// The same over the longer time of a note.
    pub(super) lasting: f32,
    /// A partial of the tracked note may lie in it.
    pub(super) partial: bool,
    /// There is a note.
    pub(super) pitched: bool,
}

/// The gain of a bin without a floor, 0 to 1, from its prior ratio ξ of note to room: G =
/// ξ^1.5/(1 + ξ^1.5).
///
/// ξ is weighted by the probability that something sounds there, as Cohen & Berdugo (Signal Processing
/// 81, 2001) weight their gain. The Wiener gain ξ/(1 + ξ) takes 1.9 dB off what stands 6 dB above
/// the room; the power 1.5 takes 1 dB, comes nearer to 1 above, and costs less than 5 % more error
/// at any ξ. (The log-spectral-amplitude gain, [`log_spectral_amplitude`], lets more of the room
/// through at low ξ: it expects a single unsmoothed periodogram, which is not what stands here.)
pub(super) fn gain_of(e: Evidence) -> f32 {
    let excess = (e.around - 1.0).max(0.0);
    let breath = if e.pitched {
        let lasting = (e.lasting - 1.0).max(0.0) * presence(e.lasting, LASTING);
        lasting.max(excess * presence(e.around, BREATH_IN_NOTE))
    } else {
        excess * presence(e.around, BREATH)
    };
    let limits = match (e.partial, e.pitched) {
        (true, _) => AT_PARTIAL,
        (false, true) => IN_NOTE,
        (false, false) => IN_ROOM,
    };
    let p = presence(e.power / (1.0 + breath), limits);
    let xi = breath + p * (e.power - 1.0 - breath).max(0.0);
    let x = xi * xi.sqrt();
    x / (1.0 + x)
}
