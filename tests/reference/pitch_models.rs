//! Sounding bodies as digital waveguides, whose pitch is measured in their own noise-free sound.
//!
//! Equations: J. O. Smith, Physical Audio Signal Processing (online book, CCRMA 2010), chapters on
//! single-reed, bowed-string and plucked-string synthesis; McIntyre, Schumacher & Woodhouse, JASA
//! 74(5), 1983 (one nonlinearity, one delay line); the jet of the flute after Cook, ICMC 1992; the
//! plucked string after Karplus & Strong, Computer Music Journal 7(2), 1983. Values are invented.

use std::f64::consts::{PI, TAU};

/// What sounds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Body {
    Reed,
    Flute,
    Bow,
    Pluck,
}

/// A delay line of any length, read between its samples by a cubic (Lagrange) polynomial.
struct Delay {
    line: Vec<f64>,
    at: usize,
    whole: usize,
    taps: [f64; 4],
}

impl Delay {
    fn new(length: f64) -> Self {
        let whole = (length.floor() as usize).max(2) - 1;
        let d = length - whole as f64;
        let tap = |i: usize| {
            (0..4).filter(|j| *j != i).map(|j| (d - j as f64) / (i as f64 - j as f64)).product::<f64>()
        };
        Self { line: vec![0.0; whole + 8], at: 0, whole, taps: [tap(0), tap(1), tap(2), tap(3)] }
    }

    /// The value that went in `length` ticks before the next [`Delay::push`].
    fn read(&self) -> f64 {
        let n = self.line.len();
        (0..4).map(|i| self.taps[i] * self.line[(self.at + 2 * n - self.whole - i) % n]).sum()
    }

    fn push(&mut self, v: f64) {
        self.line[self.at] = v;
        self.at = (self.at + 1) % self.line.len();
    }
}

/// One-pole low-pass of gain 1 at DC: y = (1 − a)·x + a·y₁.
struct Pole {
    a: f64,
    y: f64,
}

impl Pole {
    fn tick(&mut self, x: f64) -> f64 {
        self.y = (1.0 - self.a) * x + self.a * self.y;
        self.y
    }

    /// Its phase delay at `w` radians a sample, in samples.
    fn delay(&self, w: f64) -> f64 {
        (self.a * w.sin()).atan2(1.0 - self.a * w.cos()) / w
    }
}

/// `frames` samples of `body` sounding near `hz`; `force` (0 to 1) is how hard it is blown or bowed.
pub fn sound(body: Body, hz: f64, force: f64, rate: f64, frames: usize) -> Vec<f64> {
    let w = TAU * hz / rate;
    // Blown and bowed sounds swell within 40 ms.
    let swell = |n: usize| (n as f64 / (0.04 * rate)).min(1.0);
    let mut out = vec![0.0; frames];
    match body {
        Body::Reed => {
            // A cylindrical bore closed at the reed: half a period there and back.
            let mut bore = Delay::new(rate / hz / 2.0 - 0.5);
            let mut last = 0.0;
            for (n, o) in out.iter_mut().enumerate() {
                let breath = swell(n) * (0.60 + 0.35 * force);
                let back = bore.read();
                let reflected = -0.95 * 0.5 * (back + last);
                last = back;
                let across = reflected - breath;
                let reed = (0.7 - 0.3 * across).clamp(-1.0, 1.0);
                let v = breath + across * reed;
                bore.push(v);
                *o = v;
            }
        }
        Body::Flute => {
            let mut loss = Pole { a: 0.6, y: 0.0 };
            // It sounds on the second mode of its bore, one and a half times above its length.
            let length = 1.5 * rate / hz - loss.delay(w) - 1.0;
            let (mut bore, mut jet) = (Delay::new(length), Delay::new(0.32 * length));
            let (mut x1, mut y1) = (0.0, 0.0);
            for (n, o) in out.iter_mut().enumerate() {
                let breath = swell(n) * (1.05 + 0.3 * force);
                let v = -loss.tick(bore.read());
                // Takes the steady pressure away.
                let back = v - x1 + 0.995 * y1;
                (x1, y1) = (v, back);
                let delayed = jet.read();
                jet.push(breath - 0.5 * back);
                let bent = (delayed * (delayed * delayed - 1.0)).clamp(-1.0, 1.0);
                bore.push(bent + 0.5 * back);
                *o = bent + 0.5 * back;
            }
        }
        Body::Bow => {
            let mut loss = Pole { a: 0.55, y: 0.0 };
            let length = rate / hz - loss.delay(w) - 1.0;
            let beta = 0.115 + 0.03 * force;
            let (mut bridge, mut neck) = (Delay::new(length * beta), Delay::new(length * (1.0 - beta)));
            for (n, o) in out.iter_mut().enumerate() {
                let bow = swell(n) * (0.1 + 0.12 * force);
                let (from_bridge, from_nut) = (-0.95 * loss.tick(bridge.read()), -neck.read());
                let slip = bow - (from_bridge + from_nut);
                let friction = ((slip + 0.001).abs() * 3.0 + 0.75).powi(-4).clamp(0.01, 0.98);
                let push = slip * friction;
                neck.push(from_bridge + push);
                bridge.push(from_nut + push);
                *o = from_bridge;
            }
        }
        Body::Pluck => {
            // The mean of two neighbours delays by half a sample at every frequency.
            let mut string = Delay::new(rate / hz - 0.5);
            let period = (rate / hz) as usize;
            // 60 dB in 4 to 8 s, besides what the mean takes from the upper partials.
            let keep = 10f64.powf(-3.0 / (hz * (4.0 + 4.0 * force)));
            let mut noise = 1u32;
            let mut last = 0.0;
            for (n, o) in out.iter_mut().enumerate() {
                noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let u = n as f64 / period.max(1) as f64;
                let rough = f64::from(noise >> 8) / f64::from(1u32 << 24) - 0.5;
                // A shove with a bit of roughness for one period.
                let pluck =
                    if u < 1.0 { (PI * u).sin().powi(2) * (TAU * u).sin() + 0.2 * rough } else { 0.0 };
                let v = string.read();
                let back = keep * 0.5 * (v + last);
                last = v;
                string.push(pluck + back);
                *o = back;
            }
        }
    }
    let mean = out.iter().sum::<f64>() / frames.max(1) as f64;
    out.iter_mut().for_each(|v| *v -= mean);
    out
}

/// Frequency of the first partial between two moments (seconds) of a noise-free sound near `hz`.
///
/// Independent of the tracker: the phase of one partial (the strongest of the first three) in two
/// long windows, at growing distance; the window is that of Blackman & Harris (four terms, −92 dB).
pub fn measure(x: &[f64], rate: f64, hz: f64, from_s: f64, until_s: f64) -> f64 {
    let part = &x[(from_s * rate) as usize..((until_s * rate) as usize).min(x.len())];
    let mut f = by_correlation(part, rate, hz);
    let phasor = |f: f64, from: usize, len: usize| {
        let (mut re, mut im) = (0.0, 0.0);
        for i in 0..len {
            let u = TAU * (i as f64 + 0.5) / len as f64;
            let w = 0.35875 - 0.48829 * u.cos() + 0.14128 * (2.0 * u).cos() - 0.01168 * (3.0 * u).cos();
            let (s, c) = (TAU * (f * (from + i) as f64 / rate).fract()).sin_cos();
            re += w * part[from + i] * c;
            im -= w * part[from + i] * s;
        }
        (re, im)
    };
    let strength = |k: f64| {
        let (re, im) = phasor(k * f, 0, part.len() / 2);
        re.hypot(im)
    };
    let k = [1.0, 2.0, 3.0].into_iter().max_by(|a, b| strength(*a).total_cmp(&strength(*b))).unwrap_or(1.0);
    for share in [8, 3, 2, 2] {
        let len = part.len() / 2;
        let apart = len / share * 2;
        let (a, b) = (phasor(k * f, 0, len), phasor(k * f, apart, len));
        let turned = (b.1 * a.0 - b.0 * a.1).atan2(b.0 * a.0 + b.1 * a.1);
        f += turned / TAU * rate / apart as f64 / k;
    }
    f
}

/// The lag of the highest autocorrelation within 15 % of a period, by a parabola.
fn by_correlation(x: &[f64], rate: f64, hz: f64) -> f64 {
    let (low, high) = ((rate / hz / 1.15) as usize, (rate / hz * 1.15) as usize + 2);
    let n = (x.len() - high).min(8 * high);
    let r: Vec<f64> = (low..=high).map(|l| (0..n).map(|i| x[i] * x[i + l]).sum()).collect();
    let best = (1..r.len() - 1).max_by(|a, b| r[*a].total_cmp(&r[*b])).unwrap_or(1);
    let (a, b, c) = (r[best - 1], r[best], r[best + 1]);
    rate / ((low + best) as f64 + 0.5 * (a - c) / (a - 2.0 * b + c))
}

/// `x` read at `positions` (in samples) by a Kaiser-windowed sinc of ±24 samples (β = 10: −100 dB
/// of error for what lies below 0.4 of the rate).
pub fn read(x: &[f64], positions: impl Iterator<Item = f64>) -> Vec<f64> {
    const SIDE: isize = 24;
    let bessel = |v: f64| {
        let mut term = 1.0;
        (1..30).fold(1.0, |sum, k| {
            term *= (v / (2.0 * f64::from(k))).powi(2);
            sum + term
        })
    };
    let peak = bessel(10.0);
    // The window changes slowly: a table of it will do.
    let table: Vec<f64> =
        (0..=4096).map(|i| bessel(10.0 * (1.0 - (f64::from(i) / 4096.0).powi(2)).sqrt()) / peak).collect();
    positions
        .map(|p| {
            let whole = p.floor();
            let (part, at) = (p - whole, whole as isize);
            let s = (PI * part).sin();
            (1 - SIDE..=SIDE)
                .map(|j| {
                    let d = part - j as f64;
                    let Some(v) = usize::try_from(at + j).ok().and_then(|i| x.get(i)) else { return 0.0 };
                    let sinc =
                        if d.abs() < 1e-9 { 1.0 } else { s * [1.0, -1.0][(j & 1) as usize] / (PI * d) };
                    let u = (d.abs() / SIDE as f64).min(1.0) * 4096.0;
                    let (i, r) = (u as usize, u.fract());
                    v * sinc * (table[i] * (1.0 - r) + table[(i + 1).min(4096)] * r)
                })
                .sum()
        })
        .collect()
}
