//! Partials brought down to rest: what remains of each when the tracked note is turned away.
//!
//! Multiplied by e^{−jkφ(t)}, where φ is the phase of the note tracked so far, partial k becomes a
//! slow complex signal whose phase is just what the track still misses. It is gathered in blocks;
//! every value belongs to a block's border exactly.

use std::f64::consts::TAU;

use realfft::num_complex::Complex;

use crate::dsp::poll::Poll;
use crate::error::Result;

/// Lanes that are summed side by side.
const LANES: usize = 8;

/// A fundamental at equal steps of time, a smooth curve between.
pub struct PhaseTrack<'a> {
    /// Frequency at each step, in hertz.
    pub f_hz: &'a [f64],
    /// Time of the first step, in seconds.
    pub t0: f64,
    /// Seconds between steps.
    pub step: f64,
}

/// The partials' slow signals.
pub struct Baseband {
    /// Time of the first value, in seconds.
    pub t0: f64,
    /// Seconds between values.
    pub step: f64,
    /// Values a partial.
    pub len: usize,
    /// Partial 1's values, then partial 2's …
    values: Vec<Complex<f32>>,
    /// Cycles of the fundamental run through at each value.
    pub cycles: Vec<f64>,
}

impl Baseband {
    /// Values of partial `k` (from 1).
    pub fn partial(&self, k: usize) -> &[Complex<f32>] {
        &self.values[(k - 1) * self.len..k * self.len]
    }

    /// Values of partial `k`, to be changed.
    pub fn partial_mut(&mut self, k: usize) -> &mut [Complex<f32>] {
        &mut self.values[(k - 1) * self.len..k * self.len]
    }
}

/// The phase of a track at any time: exact integral of the curve, going on level outside.
struct Phase<'a> {
    track: &'a PhaseTrack<'a>,
    /// Cycles at each step.
    cycles: Vec<f64>,
    /// From each step to the next: f(v) = f_i + a·v + b·v² + c·v³ with v from 0 to 1.
    curve: Vec<[f64; 3]>,
}

impl<'a> Phase<'a> {
    /// Cubic through the steps with slopes from their neighbours (Catmull & Rom 1974). Straight
    /// lines would cut vibrato's corners: at 5 Hz and 5 ms by 0.2 % of its depth.
    fn new(track: &'a PhaseTrack<'a>) -> Self {
        let f = track.f_hz;
        let last = f.len() - 1;
        let slope = |i: usize| {
            let (a, b) = (i.saturating_sub(1), (i + 1).min(last));
            if b > a { (f[b] - f[a]) / (b - a) as f64 } else { 0.0 }
        };
        let mut cycles = vec![0.0];
        let mut curve = Vec::with_capacity(last);
        let mut sum = 0.0;
        for i in 0..last {
            let (rise, s0, s1) = (f[i + 1] - f[i], slope(i), slope(i + 1));
            let c = [s0, 3.0 * rise - 2.0 * s0 - s1, s0 + s1 - 2.0 * rise];
            sum += (f[i] + c[0] / 2.0 + c[1] / 3.0 + c[2] / 4.0) * track.step;
            cycles.push(sum);
            curve.push(c);
        }
        Self { track, cycles, curve }
    }

    fn at(&self, t: f64) -> f64 {
        let f = self.track.f_hz;
        let (last, u) = (f.len() - 1, (t - self.track.t0) / self.track.step);
        if u <= 0.0 {
            return f[0] * (t - self.track.t0);
        }
        let i = u as usize;
        if i >= last {
            return self.cycles[last] + f[last] * (u - last as f64) * self.track.step;
        }
        let (v, [a, b, c]) = (u - i as f64, self.curve[i]);
        self.cycles[i] + (f[i] + (a / 2.0 + (b / 3.0 + c / 4.0 * v) * v) * v) * v * self.track.step
    }
}

/// Demodulates partials 1 to `partials` of `x` (rate `rate` hertz) along `track`, between `from_s`
/// and `until_s` seconds, one value every `block` samples.
///
/// Each value is a mean weighted by a cubic B-spline over ±2·`block` samples: its fourfold zeros lie
/// where blocks would fold other partials back (de Boor, A Practical Guide to Splines, 1978, ch. IX).
/// Errors: `Cancelled`.
pub fn demodulate(
    x: &[f32],
    rate: f64,
    track: &PhaseTrack,
    (from_s, until_s): (f64, f64),
    partials: usize,
    block: usize,
    poll: &Poll,
) -> Result<Baseband> {
    let first = (from_s * rate / block as f64).floor().max(0.0) as usize;
    let last = ((until_s * rate).max(0.0) as usize).min(x.len()) / block;
    let len = (last + 1).saturating_sub(first);
    let phase = Phase::new(track);
    let mut out = Baseband {
        t0: (first * block) as f64 / rate,
        step: block as f64 / rate,
        len,
        values: vec![Complex::default(); len * partials],
        cycles: (0..len).map(|m| phase.at(((first + m) * block) as f64 / rate)).collect(),
    };
    let splines = Splines::new(block);
    let padded = block.next_multiple_of(LANES);
    let (mut cos, mut sin) = (vec![0f32; padded], vec![0f32; padded]);
    let (mut re, mut im) = (vec![0f32; padded], vec![0f32; padded]);
    // A block counts for the two borders before its end and the two after its start.
    for b in first.saturating_sub(2)..last + 2 {
        let start = b * block;
        if len == 0 || start >= x.len() {
            break;
        }
        // Turned and summed partial by partial.
        poll.worked(padded * (partials + 1))?;
        let here = (x.len() - start).min(block);
        re.fill(0.0);
        im.fill(0.0);
        re[..here].copy_from_slice(&x[start..start + here]);
        phasors(&phase, start as f64 / rate, block as f64 / rate, &mut cos[..block], &mut sin[..block]);
        for k in 0..partials {
            let sums = turn_and_sum(&mut re, &mut im, &cos, &sin, &splines);
            for (i, sum) in sums.iter().enumerate() {
                // Border b − 1 + i, counted from the first.
                if let Some(m) = (b + i).checked_sub(first + 1)
                    && m < len
                {
                    out.values[k * len + m] += sum / block as f32;
                }
            }
        }
    }
    Ok(out)
}

/// The pieces of the cubic B-spline over the samples of a block.
struct Splines {
    /// The weights for the border before the block's start, for its start, and for the one after its
    /// end; what is missing from 1 is the weight for its end.
    weights: [Vec<f32>; 3],
}

impl Splines {
    fn new(block: usize) -> Self {
        let padded = block.next_multiple_of(LANES);
        let piece = |p: fn(f64) -> f64| {
            (0..padded).map(|i| if i < block { p(i as f64 / block as f64) as f32 } else { 0.0 }).collect()
        };
        let before = piece(|u| (1.0 - u).powi(3) / 6.0);
        let start = piece(|u| (4.0 + u * u * (3.0 * u - 6.0)) / 6.0);
        let after = piece(|u| u.powi(3) / 6.0);
        Self { weights: [before, start, after] }
    }
}

/// e^{j2πφ} at the samples of a block that begins at `t` and lasts `lasts` seconds.
///
/// The phase is taken as a parabola through the block's start, middle and end (a block lasts at
/// most some milliseconds), which two multiplications a sample run through.
fn phasors(phase: &Phase, t: f64, lasts: f64, cos: &mut [f32], sin: &mut [f32]) {
    let n = cos.len() as f64;
    let (p0, p1, p2) = (phase.at(t), phase.at(t + 0.5 * lasts), phase.at(t + lasts));
    // p(i) = p0 + b·i + c·i².
    let c = 2.0 * (p2 - 2.0 * p1 + p0) / (n * n);
    let b = (p2 - p0) / n - c * n;
    let unit = |turns: f64| {
        let (s, c) = ((turns - turns.floor()) * TAU).sin_cos();
        Complex::new(c, s)
    };
    let (mut here, mut step, bend) = (unit(p0), unit(b + c), unit(2.0 * c));
    for (cos, sin) in cos.iter_mut().zip(sin) {
        *cos = here.re as f32;
        *sin = here.im as f32;
        here *= step;
        step *= bend;
    }
}

/// Turns the values back by one more multiple of the phase; their sums weighted for the four borders
/// nearest to the block.
fn turn_and_sum(
    re: &mut [f32],
    im: &mut [f32],
    cos: &[f32],
    sin: &[f32],
    splines: &Splines,
) -> [Complex<f32>; 4] {
    let mut sums = [[0f32; LANES]; 8];
    let [before, start, after] = &splines.weights;
    let chunks = re
        .chunks_exact_mut(LANES)
        .zip(im.chunks_exact_mut(LANES))
        .zip(cos.chunks_exact(LANES).zip(sin.chunks_exact(LANES)))
        .zip(before.chunks_exact(LANES).zip(start.chunks_exact(LANES)).zip(after.chunks_exact(LANES)));
    for (((re, im), (cos, sin)), ((w0, w1), w3)) in chunks {
        for i in 0..LANES {
            let (a, b) = (re[i] * cos[i] + im[i] * sin[i], im[i] * cos[i] - re[i] * sin[i]);
            re[i] = a;
            im[i] = b;
            for (s, v) in [a, b, a * w0[i], b * w0[i], a * w1[i], b * w1[i], a * w3[i], b * w3[i]]
                .into_iter()
                .enumerate()
            {
                sums[s][i] += v;
            }
        }
    }
    let total = |s: usize| sums[s].iter().sum::<f32>();
    let sum = |s: usize| Complex::new(total(2 * s), total(2 * s + 1));
    let (plain, before, start, after) = (sum(0), sum(1), sum(2), sum(3));
    [before, start, plain - before - start - after, after]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::signals;

    /// A partial that is off the track by δ turns at exactly δ, and stands at half its amplitude.
    #[test]
    fn what_is_left_turns_at_the_difference() {
        let (rate, f, off) = (12_000.0, 300.0, 0.7);
        let x = signals::harmonic(|_| f + off, &[0.5, 0.25], rate, 6_000);
        let hz = vec![f; 101];
        let track = PhaseTrack { f_hz: &hz, t0: 0.0, step: 0.005 };
        let z = demodulate(&x, rate, &track, (0.0, 0.5), 2, 40, &Poll::new(&|| true)).unwrap();
        for k in 1..=2 {
            let p = z.partial(k);
            // Means over a whole period of the fundamental (one block) leave only the partial.
            for m in [20, 70, 120] {
                let turn = (p[m + 10] * p[m].conj()).arg() as f64;
                let want = TAU * off * k as f64 * 10.0 * z.step;
                assert!((turn - want).abs() < 5e-3, "partial {k}: {turn} against {want}");
                assert!((f64::from(p[m].norm()) - [0.25, 0.125][k - 1]).abs() < 2e-3);
            }
        }
    }
}
