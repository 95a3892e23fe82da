//! Sine, powers of two and filters out of + − × ÷ √ and rounding down alone. Those are exact by
//! IEEE 754, so the invented takes have the same bits on every machine; a system's own `sin` or
//! `exp` may differ in the last place.

use std::f64::consts::{LN_2, PI, TAU};

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// sin(2π·x), error below 1e-13 for |x| < 1000. Taylor's series on a quarter turn: the first term
/// left out is (π/2)^21/21! = 3e-16.
pub fn sin_turns(x: f64) -> f64 {
    let r = x - (x + 0.5).floor();
    let r = if r > 0.25 {
        0.5 - r
    } else if r < -0.25 {
        -0.5 - r
    } else {
        r
    };
    // 1/(2·3), 1/(4·5) … 1/(18·19): the constants are divided when this is compiled.
    const C: [f64; 9] = reciprocals(2.0);
    let a = TAU * r;
    let a2 = a * a;
    // 1 − a²/(2·3)·(1 − a²/(4·5)·(…)), from the inside out.
    let mut sum = 1.0;
    for c in C.iter().rev() {
        sum = 1.0 - a2 * c * sum;
    }
    a * sum
}

const fn reciprocals(first: f64) -> [f64; 9] {
    let mut c = [0.0; 9];
    let (mut i, mut k) = (0, first);
    while i < 9 {
        c[i] = 1.0 / (k * (k + 1.0));
        k += 2.0;
        i += 1;
    }
    c
}

/// 1/k.
const INVERSE: [f64; 14] = {
    let mut c = [0.0; 14];
    let mut k = 1;
    while k < 14 {
        c[k] = 1.0 / k as f64;
        k += 1;
    }
    c
};

/// 2^x for |x| < 1000, relative error below 1e-14: whole powers by the exponent's bits, the rest
/// by the series of exp (first term left out: 0.35^14/14! = 5e-18).
pub fn exp2(x: f64) -> f64 {
    let whole = (x + 0.5).floor();
    let u = (x - whole) * LN_2;
    let mut sum = 1.0;
    for k in (1..=13u8).rev() {
        sum = 1.0 + u * INVERSE[usize::from(k)] * sum;
    }
    sum * f64::from_bits(((1023 + whole as i64) as u64) << 52)
}

/// e^x.
pub fn exp(x: f64) -> f64 {
    exp2(x / LN_2)
}

/// Amplitude of a level in dB: 10^(dB/20) = 2^(dB·log2(10)/20).
pub fn gain(db: f64) -> f64 {
    exp2(db * std::f64::consts::LOG2_10 / 20.0)
}

/// Ratio of an interval in cents.
pub fn ratio(cents: f64) -> f64 {
    exp2(cents / 1200.0)
}

/// 0 below 0, 1 above 1, 3t² − 2t³ between.
pub fn smooth(t: f64) -> f64 {
    let t = t.clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

/// A source of chance: the same numbers for the same seed and stream everywhere.
#[derive(Debug, Clone)]
pub struct Chance(ChaCha8Rng);

impl Chance {
    /// Stream `stream` of `seed`.
    pub fn new(seed: u64, stream: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(stream);
        Self(rng)
    }

    /// Evenly between `low` and `high`.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.0.random::<f64>()
    }

    /// White noise with RMS value 1, uniform on ±√3 (variance a²/3).
    pub fn noise(&mut self) -> f64 {
        self.between(-1.0, 1.0) * 1.732_050_807_568_877_2
    }
}

/// Low-pass of first order: y += a·(x − y), a = 1 − e^(−2π·f/rate).
#[derive(Debug, Clone, Copy)]
pub struct OnePole {
    a: f64,
    y: f64,
}

impl OnePole {
    /// Corner at `hz`.
    pub fn new(hz: f64, rate: f64) -> Self {
        Self { a: 1.0 - exp(-TAU * hz / rate), y: 0.0 }
    }

    /// The next sample.
    pub fn step(&mut self, x: f64) -> f64 {
        self.y += self.a * (x - self.y);
        self.y
    }

    /// What RMS it leaves of white noise with RMS 1: √(a/(2 − a)).
    pub fn noise_gain(&self) -> f64 {
        (self.a / (2.0 - self.a)).sqrt()
    }
}

/// Band-pass of second order with gain 1 at its centre. Source: R. Bristow-Johnson, Cookbook
/// formulae for audio EQ biquad filter coefficients (W3C note, 2021), "BPF, constant 0 dB peak gain".
#[derive(Debug, Clone, Copy)]
pub struct BandPass {
    b0: f64,
    a1: f64,
    a2: f64,
    x: [f64; 2],
    y: [f64; 2],
    noise_gain: f64,
}

impl BandPass {
    /// Centre at `hz`, quality `q` (centre over bandwidth).
    pub fn new(hz: f64, q: f64, rate: f64) -> Self {
        let turns = hz / rate;
        let alpha = sin_turns(turns) / (2.0 * q);
        let a0 = 1.0 + alpha;
        Self {
            b0: alpha / a0,
            a1: -2.0 * sin_turns(turns + 0.25) / a0,
            a2: (1.0 - alpha) / a0,
            x: [0.0; 2],
            y: [0.0; 2],
            // Noise bandwidth of a resonance: π/2 times its bandwidth, of the rate/2 there is.
            noise_gain: (PI * hz / q / rate).sqrt(),
        }
    }

    /// The next sample: y = b0·(x − x₋₂) − a1·y₋₁ − a2·y₋₂.
    pub fn step(&mut self, x: f64) -> f64 {
        let y = self.b0 * (x - self.x[1]) - self.a1 * self.y[0] - self.a2 * self.y[1];
        self.x = [x, self.x[0]];
        self.y = [y, self.y[0]];
        y
    }

    /// The next sample of white noise with RMS 1 through it, scaled to about RMS 1.
    pub fn noise(&mut self, chance: &mut Chance) -> f64 {
        let x = chance.noise();
        self.step(x) / self.noise_gain
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sine_and_powers_agree_with_the_systems_own() {
        for n in -5_000..5_000 {
            let x = f64::from(n) * 0.001_37;
            assert!((sin_turns(x) - (TAU * x).sin()).abs() < 1e-13, "{x}");
            assert!((exp2(x) / x.exp2() - 1.0).abs() < 1e-14, "{x}");
        }
        assert!((gain(-6.0) - 10f64.powf(-0.3)).abs() < 1e-14);
        assert!((ratio(100.0) - 2f64.powf(1.0 / 12.0)).abs() < 1e-14);
        assert!((exp(-3.0) - (-3f64).exp()).abs() < 1e-15);
    }

    #[test]
    fn band_pass_passes_its_centre_and_has_noise_of_its_level() {
        let mut f = BandPass::new(441.0, 5.0, 44_100.0);
        let y: Vec<f64> = (0..44_100).map(|n| f.step(sin_turns(f64::from(n) / 100.0))).collect();
        let peak = y[22_050..].iter().fold(0f64, |m, v| m.max(v.abs()));
        assert!((peak - 1.0).abs() < 1e-3, "{peak}");
        let (mut f, mut c) = (BandPass::new(441.0, 5.0, 44_100.0), Chance::new(1, 2));
        let n = 20 * 44_100;
        let power = (0..n).map(|_| f.noise(&mut c).powi(2)).sum::<f64>() / f64::from(n);
        // 20 s through a band of 139 Hz (π/2 · 88 Hz): 2·20·139 values are independent, so the power
        // is known to √(2/5560) = 2 %.
        assert!((power - 1.0).abs() < 0.06, "{power}");
        let (mut f, mut c) = (OnePole::new(5.0, 44_100.0), Chance::new(1, 3));
        let n = 200 * 44_100;
        let power = (0..n).map(|_| f.step(c.noise()).powi(2)).sum::<f64>() / f64::from(n);
        assert!((power / f.noise_gain().powi(2) - 1.0).abs() < 0.12, "{power}");
    }
}
