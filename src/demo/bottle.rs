//! One blown bottle: a resonance that sings its fundamental, with breath around it.

use super::maths::{BandPass, Chance, OnePole, exp, gain, ratio, sin_turns, smooth};
use super::plan::{RATE, SEED, TakePlan};

/// Half the width of a swell, in seconds.
const SWELL_S: f64 = 0.32;
/// Amplitude that a swell reaches: a fifth above full scale.
const SWELL_TO: f64 = 1.2;

impl TakePlan {
    /// Deviation from [`TakePlan::hz`] in cents, `t` seconds after the onset.
    pub fn cents(&self, t: f64) -> f64 {
        // The jet needs a moment to reach its speed: the note begins low.
        let scoop = -28.0 * exp(-t / 0.045);
        let mut cents = scoop + self.slope * t;
        cents += self.drift(t);
        // Vibrato comes when the note stands.
        let w = self.waves[3];
        cents += w.cents * smooth((t - 0.35) / 0.5) * sin_turns(w.hz * t + w.phase);
        cents - self.droop_cents * smooth((t - self.release_at_s + 0.08) / 0.4)
    }

    /// The slow part of it.
    fn drift(&self, t: f64) -> f64 {
        self.waves[..3].iter().map(|w| w.cents * sin_turns(w.hz * t + w.phase)).sum()
    }

    /// Fundamental `t` seconds after the onset, in hertz.
    pub fn f0(&self, t: f64) -> f64 {
        self.hz * ratio(self.cents(t))
    }

    /// Envelope of the tone, 0 to 1 (a swell excepted).
    fn envelope(&self, t: f64) -> f64 {
        // Breath that grows stronger sounds louder and sharper at once, and it runs out at the end.
        let tired = 1.0 - 0.22 * smooth((t - self.release_at_s + 0.7) / 0.7);
        let mut e = smooth((t - 0.015) / self.attack_s) * (1.0 + 0.009 * self.drift(t)) * tired;
        if t > self.release_at_s {
            let after = t - self.release_at_s;
            // The bottle rings on and dies down; the last part goes to nothing at all.
            e *= exp(-after / self.decay_s) * smooth((6.5 * self.decay_s - after) / (2.0 * self.decay_s));
        }
        if let Some(at) = self.swell_at_s {
            let bump = smooth(1.0 - (t - at).abs() / SWELL_S);
            e *= 1.0 + bump * (SWELL_TO / self.amplitude - 1.0);
        }
        e
    }

    /// How hard the breath blows, 0 to 1.
    fn breath_envelope(&self, t: f64) -> f64 {
        smooth(t / 0.04) * smooth((self.release_at_s + 0.06 - t) / 0.12)
    }
}

/// The sound of a take, from its onset on.
///
/// A bottle is a Helmholtz resonator: one strong resonance, so the fundamental carries nearly
/// everything and the jet adds weak second and third partials; partial k follows the k-th power of
/// the envelope, as a jet blown harder is brighter. The breath is noise through the resonance and
/// a broad hiss above it.
pub fn blow(plan: &TakePlan) -> Vec<f64> {
    let mut chance = Chance::new(SEED, plan.stream);
    let mut body = BandPass::new(plan.hz, 5.0, RATE);
    let mut body2 = BandPass::new(2.6 * plan.hz, 2.5, RATE);
    let mut hiss = BandPass::new(1_900.0, 0.7, RATE);
    let mut chiff = BandPass::new(1_100.0 + plan.hz, 1.1, RATE);
    let mut wander = OnePole::new(2.5, RATE);
    let wander_scale = 0.022 / wander.noise_gain();
    let mut turns = 0.0f64;
    let mut curve = Curve::new(plan);
    (0..plan.frames)
        .map(|n| {
            let Moment { f0, envelope, air, tremolo, burst } = curve.at(n);
            let unsteady = wander.step(chance.noise()) * wander_scale + tremolo;
            let level = envelope * (1.0 + unsteady);
            let bright = level.min(1.5);
            let tone = sin_turns(turns)
                + plan.partials[0] * bright * sin_turns(2.0 * turns + 0.13)
                + plan.partials[1] * bright * bright * sin_turns(3.0 * turns + 0.29);
            turns += f0 / RATE;
            turns -= turns.floor();
            let noise = 0.75 * body.noise(&mut chance)
                + 0.35 * body2.noise(&mut chance)
                + 0.45 * hiss.noise(&mut chance);
            let breath = plan.breath * air * (1.0 + 2.0 * unsteady) * noise;
            let spit = if burst > 1e-6 { burst * chiff.noise(&mut chance) } else { 0.0 };
            plan.amplitude * (level * tone + breath + spit)
        })
        .collect()
}

/// Everything slow about a take at one moment.
#[derive(Debug, Clone, Copy)]
struct Moment {
    f0: f64,
    envelope: f64,
    air: f64,
    tremolo: f64,
    burst: f64,
}

/// The slow curves, computed every [`Curve::STEP`] frames and drawn straight between (a third of a
/// millisecond: the fastest of them, the attack of the burst, is eighteen times as long).
struct Curve<'a> {
    plan: &'a TakePlan,
    from: Moment,
    to: Moment,
}

impl<'a> Curve<'a> {
    const STEP: usize = 16;

    fn new(plan: &'a TakePlan) -> Self {
        let begin = Self::exact(plan, 0);
        Self { plan, from: begin, to: begin }
    }

    fn exact(plan: &TakePlan, frame: usize) -> Moment {
        let t = frame as f64 / RATE;
        let wave = plan.waves[3];
        Moment {
            f0: plan.f0(t),
            envelope: plan.envelope(t),
            air: plan.breath_envelope(t),
            tremolo: plan.tremolo * smooth((t - 0.3) / 0.5) * sin_turns(wave.hz * t + wave.phase + 0.1),
            burst: plan.chiff * smooth(t / 0.006) * exp(-t / plan.chiff_s),
        }
    }

    /// The moment of frame `n`; to be asked for every frame in order.
    fn at(&mut self, n: usize) -> Moment {
        let part = n % Self::STEP;
        if part == 0 {
            self.from = self.to;
            self.to = Self::exact(self.plan, n + Self::STEP);
        }
        let between = |a: f64, b: f64| a + (b - a) * (part as f64 / Self::STEP as f64);
        Moment {
            f0: between(self.from.f0, self.to.f0),
            envelope: between(self.from.envelope, self.to.envelope),
            air: between(self.from.air, self.to.air),
            tremolo: between(self.from.tremolo, self.to.tremolo),
            burst: between(self.from.burst, self.to.burst),
        }
    }
}

/// An intake of breath: 0.35 s of soft noise.
pub fn intake(chance: &mut Chance) -> Vec<f64> {
    let mut band = BandPass::new(1_500.0, 0.8, RATE);
    let n = (0.35 * RATE) as usize;
    (0..n)
        .map(|i| {
            let t = i as f64 / n as f64;
            gain(-58.0) * smooth(t / 0.6) * smooth((1.0 - t) / 0.25) * band.noise(chance)
        })
        .collect()
}

/// Glass set down on wood: a click of a few milliseconds.
pub fn knock() -> Vec<f64> {
    (0..(0.04 * RATE) as usize)
        .map(|i| {
            let t = i as f64 / RATE;
            let ring =
                exp(-t / 0.004) * sin_turns(1_750.0 * t) + 0.6 * exp(-t / 0.008) * sin_turns(310.0 * t);
            gain(-38.0) * smooth(t / 0.000_5) * ring
        })
        .collect()
}
