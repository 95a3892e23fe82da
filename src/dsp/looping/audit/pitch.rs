//! Pitch across the join.

use std::sync::Arc;

use realfft::{ComplexToReal, RealFftPlanner, RealToComplex, num_complex::Complex};

use super::unrolled::Unrolled;

/// Window on each side of the join, seconds: at most.
const WINDOW_S: f64 = 0.08;
/// Less periodic than this, a stretch has no pitch to speak of.
const CLEAR: f64 = 0.6;

/// Cents from the window before the join to the window after (0 without a clear pitch), how far they
/// exceed what three of four other places show, and the period in frames.
pub(super) fn step(u: &Unrolled) -> (f64, f64, Option<f64>) {
    let Some(period) = played_period(u) else { return (0.0, 0.0, None) };
    // A window longer than half the loop would hold the join's other side as well.
    let n = ((WINDOW_S * u.rate) as usize).min(u.length / 2);
    if n < 64 {
        return (0.0, 0.0, Some(period));
    }
    let correlator = Correlator::new(n);
    let gap = n / 2;
    // Windows half a window apart; number `at_join` begins with the join.
    let (first, at_join) = (u.side % gap, u.side / gap);
    let count = (2 * u.side - first - n) / gap + 1;
    let curves: Vec<Option<Vec<f32>>> =
        (0..count).map(|i| correlator.curve(&u.planes, first + i * gap)).collect();
    let periods: Vec<Option<f64>> =
        curves.iter().map(|c| c.as_ref().and_then(|c| fine_period(c, period))).collect();
    let cents = |i: usize| -> Option<f64> {
        let (before, after) = (periods.get(i.checked_sub(2)?)?.as_ref()?, periods.get(i)?.as_ref()?);
        Some(1200.0 * (before / after).log2())
    };
    let Some(here) = cents(at_join) else { return (0.0, 0.0, Some(period)) };
    let mut others: Vec<f64> = (2..count)
        .filter(|i| u.join_distance(first + i * gap) >= n)
        .filter_map(cents)
        .map(f64::abs)
        .collect();
    others.sort_by(f64::total_cmp);
    let usual = others.get(others.len() * 3 / 4).copied().unwrap_or(0.0);
    (here, (here.abs() - usual).max(0.0), Some(period))
}

/// The period of what is played, in frames, over whole windows at eight places, joins or not.
fn played_period(u: &Unrolled) -> Option<f64> {
    let n = ((WINDOW_S * u.rate) as usize).min(u.side);
    if n < 64 {
        return None;
    }
    let correlator = Correlator::new(n);
    let mut mean = vec![0f32; n];
    for i in 0..8 {
        if let Some(curve) = correlator.curve(&u.planes, (2 * u.side - n) * i / 7) {
            mean.iter_mut().zip(&curve).for_each(|(m, c)| *m += c);
        }
    }
    coarse_period(&mean, u.rate)
}

/// The first peak of a correlation curve that is nearly as high as the highest, 4 kHz down to 25 Hz
/// or half the window.
fn coarse_period(curve: &[f32], rate: f64) -> Option<f64> {
    let low = ((rate / 4000.0) as usize).max(2);
    let high = ((rate / 25.0) as usize).min(curve.len() / 2);
    let peak = |i: &usize| curve[*i] >= curve[i - 1] && curve[*i] > curve[i + 1];
    let most = (low..high).filter(peak).map(|i| curve[i]).fold(0.0, f32::max);
    let at = (low..high).filter(peak).find(|i| curve[*i] >= 0.9 * most)?;
    Some(vertex(curve, at))
}

/// Position of the parabola's vertex through three neighbouring points.
fn vertex(curve: &[f32], at: usize) -> f64 {
    let (a, b, c) = (f64::from(curve[at - 1]), f64::from(curve[at]), f64::from(curve[at + 1]));
    let bend = a - 2.0 * b + c;
    at as f64 + if bend < 0.0 { (0.5 * (a - c) / bend).clamp(-0.5, 0.5) } else { 0.0 }
}

/// The period near `period`: at its multiples up to half the window, where it shows more finely.
/// None where the correlation is below [`CLEAR`].
fn fine_period(curve: &[f32], period: f64) -> Option<f64> {
    let mut found = period;
    let mut times = 1.0;
    while times * period < 0.5 * curve.len() as f64 - 2.0 {
        let guess = times * found;
        // A semitone to both sides at first, then what the last multiple leaves open.
        let reach =
            if times < 2.0 { (0.06 * guess).max(1.0) } else { (0.3 * period).min(2.0 + 0.01 * guess) };
        let (from, to) = ((guess - reach).floor().max(1.0) as usize, (guess + reach).ceil() as usize);
        let to = to.min(curve.len() - 2);
        let best = (from..=to).max_by(|a, b| curve[*a].total_cmp(&curve[*b]))?;
        if f64::from(curve[best]) < CLEAR {
            return (times > 1.0).then_some(found);
        }
        found = vertex(curve, best) / times;
        times *= 2.0;
    }
    (times > 1.0).then_some(found)
}

/// Autocorrelations of windows of one length.
struct Correlator {
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    weight: Vec<f32>,
    /// What dividing by the weights' own autocorrelation multiplies by, lag by lag.
    lift: Vec<f32>,
}

impl Correlator {
    fn new(n: usize) -> Self {
        let size = (2 * n).next_power_of_two();
        let mut planner = RealFftPlanner::<f32>::new();
        let weight = (0..n)
            .map(|i| (0.5 - 0.5 * (std::f64::consts::TAU * (i as f64 + 0.5) / n as f64).cos()) as f32)
            .collect();
        let mut made = Self {
            forward: planner.plan_fft_forward(size),
            inverse: planner.plan_fft_inverse(size),
            weight,
            lift: vec![1.0; n],
        };
        let ones = vec![1.0; n];
        let shape = made.curve(&[ones], 0).unwrap_or_default();
        made.lift = shape.iter().map(|s| s.max(1e-6).recip()).collect();
        made
    }

    /// Autocorrelation of the window that begins at `from`, summed over the channels, divided by that
    /// of the weights; 1 at lag 0, None where it is silent. The weighting keeps part periods at the
    /// ends from moving the peaks.
    fn curve(&self, planes: &[Vec<f32>], from: usize) -> Option<Vec<f32>> {
        let (mut input, mut spectrum) = (self.forward.make_input_vec(), self.forward.make_output_vec());
        let mut power = vec![Complex::new(0f32, 0f32); spectrum.len()];
        for x in planes {
            input.fill(0.0);
            let part = x[from..from + self.weight.len()].iter().zip(&self.weight);
            input.iter_mut().zip(part).for_each(|(i, (v, w))| *i = v * w);
            self.forward.process(&mut input, &mut spectrum).ok()?;
            power.iter_mut().zip(&spectrum).for_each(|(p, s)| p.re += s.norm_sqr());
        }
        self.inverse.process(&mut power, &mut input).ok()?;
        // The inverse transform is not divided by its size.
        let whole = input[0];
        let silent = whole <= 1e-12 * input.len() as f32;
        (!silent).then(|| input.iter().zip(&self.lift).map(|(r, lift)| r / whole * lift).collect())
    }
}
