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

/// Level between the partials re the room's from which on it is told from the room's own unrest:
/// over a short time, and over the longer one of a note.
const UNREST: (f32, f32) = (0.35, 0.08);

fn presence(ratio: f32, low: f32, high: f32) -> f32 {
    let x = ((ratio - low) / (high - low)).clamp(0.0, 1.0);
    x * x * (3.0 - 2.0 * x)
}

/// The gain of a bin without a floor, 0 to 1. `power` is the power in it re the room's, `around` and
/// `lasting` that of the sound between the partials over a short and a longer time; `partial`: a
/// partial of the tracked note may lie in it; `pitched`: there is a note.
pub(super) fn gain_of(power: f32, around: f32, lasting: f32, partial: bool, pitched: bool) -> f32 {
    let mut breath = (around - 1.0 - UNREST.0).max(0.0);
    if pitched {
        breath = breath.max(lasting - 1.0 - UNREST.1);
    }
    let base = 1.0 + breath;
    let (low, high) = match (partial, pitched) {
        (true, _) => (1.2, 2.2),
        (false, true) => (4.0, 8.0),
        (false, false) => (6.0, 12.0),
    };
    let p = presence(power / base, low, high);
    let xi = breath + p * (power - 1.0 - breath).max(0.0);
    let x = xi * xi.sqrt();
    x / (1.0 + x)
}
