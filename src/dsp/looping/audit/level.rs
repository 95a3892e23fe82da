//! Level across the join, and its modulation at the rate of the loop.

use realfft::{RealFftPlanner, num_complex::Complex};

use super::k_weighting::k_power;
use super::unrolled::Unrolled;
use crate::audio::AudioBuf;
use crate::units::FrameRange;

/// Spans on each side of the join, seconds.
const SPANS_S: [f64; 2] = [0.05, 0.2];
/// Modulation faster than this is not heard as beats, Hz; in loops under 0.2 s it is heard as
/// roughness up to [`ROUGH_HZ`] (Zwicker & Fastl, Psychoacoustics; from memory).
const BEATS_HZ: f64 = 20.0;
const ROUGH_HZ: f64 = 150.0;
const SHORT_S: f64 = 0.2;
/// Slower modulation than this is no thump but a swell of the sound, Hz; of loops over 1 s.
const SWELL_HZ: f64 = 1.0;
/// What is looked at before the loop at most, seconds.
const BEFORE_S: f64 = 4.0;
/// Spans over which a bulge or dip at the join is looked for, seconds.
const BULGES_S: [f64; 2] = [0.02, 0.08];
/// Blocks a second in which the power of one round is summed before its modulation is analysed.
const BLOCKS_A_SECOND: f64 = 2000.0;

/// K-weighted power of the unrolled loop, and of one whole round.
pub(super) struct Level<'a> {
    unrolled: &'a Unrolled,
    /// Running sum of the power, one entry more than frames.
    sums: Vec<f64>,
    /// Power of one round in blocks of equal length.
    round: Vec<f64>,
    /// The same of what lies before the loop start: twice the loop ([`BEFORE_S`] at most), if it can be, or
    /// else three quarters of that at the least, so that a swell of one loop length is no straight line in it.
    before: Option<Vec<f64>>,
}

impl<'a> Level<'a> {
    pub(super) fn new(unrolled: &'a Unrolled, audio: &AudioBuf, range: FrameRange) -> Self {
        let rate = unrolled.rate;
        let mut sums = vec![0.0];
        let mut sum = 0.0;
        k_power(unrolled.planes.iter().map(|x| (tail(x, rate), &x[..])), rate, |p| {
            sum += p;
            sums.push(sum);
        });
        let r = range.as_usize();
        let round = if unrolled.length <= unrolled.side {
            let once = &sums[unrolled.side..=unrolled.side + unrolled.length];
            blocks_of(once.windows(2).map(|s| s[1] - s[0]), rate)
        } else {
            let planes = audio.channels().map(|x| (tail(&x[r.clone()], rate), &x[r.clone()]));
            let mut blocks = Blocks::new(r.len(), rate);
            k_power(planes, rate, |p| blocks.add(p));
            blocks.means()
        };
        // Of long loops not all of it: nothing slower than SWELL_HZ is asked.
        let most = ((BEFORE_S * rate) as usize).max(1);
        let length = r.len().min(most / 2);
        let from = r.start.saturating_sub(2 * length);
        let planes = audio.channels().map(|x| (tail(&x[..from], rate), &x[from..r.start]));
        let mut power = Vec::with_capacity(r.start - from);
        k_power(planes, rate, |p| power.push(p));
        let before = before_loop(&power, &round, length, rate);
        Self { unrolled, sums, round, before }
    }

    /// Level step across the join (signed, the larger of 50 and 200 ms), dB, and how far it exceeds
    /// what three of four other places show. `period` of the tone in frames, where it is known.
    pub(super) fn step(&self, period: Option<f64>) -> (f64, f64) {
        let u = self.unrolled;
        let (mut step, mut beyond) = (0f64, 0f64);
        for span_s in SPANS_S {
            // In short loops a quarter: half a loop before and half a loop after are the whole.
            let span = (span_s * u.rate).min(u.length as f64 / 4.0);
            // Whole periods where some fit: part ones would step with the wave itself.
            let span = period.filter(|p| *p <= span).map_or(span, |p| (span / p).floor() * p);
            let span = (span.round() as usize).max(1);
            let at = |i: usize| {
                let (a, b, c) = (self.sums[i - span], self.sums[i], self.sums[i + span]);
                10.0 * ((c - b + 1e-12) / (b - a + 1e-12)).log10()
            };
            let here = at(u.side);
            let gap = ((0.005 * u.rate) as usize).min(span / 4).max(1);
            let mut others: Vec<f64> = (span..2 * u.side - span)
                .step_by(gap)
                .filter(|i| u.join_distance(*i) > span)
                .map(|i| at(i).abs())
                .collect();
            others.sort_by(f64::total_cmp);
            let usual = others.get(others.len() * 3 / 4).copied().unwrap_or(0.0);
            if here.abs() > step.abs() {
                step = here;
            }
            beyond = beyond.max(here.abs() - usual);
        }
        (step, beyond.max(0.0))
    }

    /// Modulation at the loop rate, or the bulge at the join, in dB: the larger. `period` of the
    /// tone in frames, where it is known.
    pub(super) fn thump(&self, period: Option<f64>) -> f64 {
        self.modulation(period).max(self.bulge())
    }

    /// Modulation at multiples of the loop rate beyond the sustain's own, dB from trough to crest:
    /// the largest over octaves of rate.
    ///
    /// The looped level repeats exactly, so its spectrum over one round, unweighted, is all there
    /// is. What the sustain has at the same rates anyhow is taken from the same round under a Hann
    /// window, which does not see the join, and from a stretch before the loop: the lesser, or the fall
    /// and rise that a loop makes of a decaying sound would count as the sound's own. A steady fall or
    /// rise there is no modulation. Two spectra of n lines each of one random process differ by chance:
    /// by two standard deviations, 2·√(2/n) of the power, they may.
    fn modulation(&self, period: Option<f64>) -> f64 {
        let seconds = self.unrolled.length as f64 / self.unrolled.rate;
        let blocks = self.round.len();
        let most_hz = if seconds < SHORT_S { ROUGH_HZ } else { BEATS_HZ };
        let most_hz = period.map_or(most_hz, |p| most_hz.min(0.5 * self.unrolled.rate / p));
        let lines = ((most_hz * seconds) as usize).min(blocks / 2);
        let mean = self.round.iter().sum::<f64>() / blocks as f64;
        if lines == 0 || mean <= 1e-14 {
            return 0.0;
        }
        let scale = 1.0 / (mean * blocks as f64);
        let before = self.before.as_deref().and_then(steady_spectrum);
        let stretch = self.before.as_ref().map_or(1.0, |x| x.len() as f64 / blocks as f64);
        let hann = hann(blocks);
        let (Some(looped), Some(inside)) = (
            // |X_k| of the power's swing is half its amplitude, and the amplitude's swing half of that
            // again: m = |X_k|.
            spectrum(self.round.iter().map(|p| (p - mean) * scale)),
            under_window(&self.round, &hann, scale),
        ) else {
            return 0.0;
        };
        // Mean square of the Hann window: 3/8.
        let own_share = 8.0 / 3.0;
        let octave = |k: usize| (k as f64 / seconds).log2().floor() as i32;
        let mut most = 0f64;
        let mut k = ((SWELL_HZ * seconds).ceil() as usize).max(1);
        while k <= lines {
            let band: Vec<usize> = (k..=lines).take_while(|l| octave(*l) == octave(k)).collect();
            let power = |s: &[Complex<f64>]| band.iter().map(|l| s[*l].norm_sqr()).sum::<f64>();
            let chance = 1.0 + 2.0 * (2.0 / band.len() as f64).sqrt();
            // The window spreads every line over its neighbours: they belong to the sustain's own.
            let sum = |s: &[Complex<f64>], first: usize, last: usize| -> f64 {
                s.iter().take(last + 1).skip(first.max(1)).map(|z| z.norm_sqr()).sum()
            };
            let at = |line: usize| line as f64 * stretch;
            let own = before.as_ref().map_or(f64::INFINITY, |s| {
                sum(s, (at(k) as usize).saturating_sub(1), at(k + band.len() - 1).ceil() as usize + 1)
            });
            let own = own.min(sum(&inside, k.saturating_sub(1), k + band.len()));
            let beyond = power(&looped) - chance * own_share * own;
            most = most.max(beyond.max(0.0).sqrt());
            k += band.len();
        }
        let m = most.min(0.9);
        20.0 * ((1.0 + m) / (1.0 - m)).log10()
    }

    /// Bulge or dip at the join over 20 or 80 ms against what lies before and after, beyond what 19 of
    /// 20 other places show, dB; the larger.
    fn bulge(&self) -> f64 {
        let u = self.unrolled;
        let level = |from: usize, to: usize| {
            10.0 * ((self.sums[to] - self.sums[from]) / (to - from) as f64 + 1e-14).log10()
        };
        let mut most = 0f64;
        for span_s in BULGES_S {
            let half = ((0.5 * span_s * u.rate) as usize).max(1);
            // Sides of 50 ms, or as long as the span, that begin a span away from the middle.
            let (inner, outer) = (2 * half, 2 * half + (0.05f64.max(span_s) * u.rate) as usize);
            let (places, values): (Vec<usize>, Vec<f64>) = (outer..2 * u.side - outer)
                .step_by(((0.0025 * u.rate) as usize).min(u.length / 24).max(1))
                .map(|i| {
                    let around = 0.5 * (level(i - outer, i - inner) + level(i + inner, i + outer));
                    (i, (level(i - half, i + half) - around).abs())
                })
                .unzip();
            let near = ((0.05 * u.rate) as usize).max(2 * half);
            let (join, usual) = u.join_and_elsewhere(&places, &values, near);
            most = most.max(join - usual);
        }
        most
    }
}

/// Of the power before a loop what is sustain, in blocks: from where it is first within 6 dB of the
/// loop's; None where that is under one and a half times `length` frames.
fn before_loop(power: &[f64], round: &[f64], length: usize, rate: f64) -> Option<Vec<f64>> {
    if power.is_empty() {
        return None;
    }
    let mean = round.iter().sum::<f64>() / round.len() as f64;
    let step = ((0.01 * rate) as usize).max(1);
    let attack = power.chunks(step).take_while(|c| c.iter().sum::<f64>() < 0.25 * mean * c.len() as f64);
    let sustain = &power[(attack.count() * step).min(power.len())..];
    (2 * sustain.len() >= 3 * length).then(|| blocks_of(sustain.iter().copied(), rate))
}

/// The modulation of block powers under a Hann window against their steady fall or rise, which is a
/// line in decibels: lines scaled as a share of the mean.
fn steady_spectrum(powers: &[f64]) -> Option<Vec<Complex<f64>>> {
    let hann = hann(powers.len());
    let falls: Vec<f64> = powers.iter().map(|p| (p + 1e-14).ln()).collect();
    let steady: Vec<f64> = without_line(&falls, &hann).iter().map(|v| v.exp()).collect();
    under_window(&steady, &hann, 1.0 / (weighted_mean(&steady, &hann) * powers.len() as f64))
}

/// The spectrum of `x` less its mean under `window`, times `scale`.
fn under_window(x: &[f64], window: &[f64], scale: f64) -> Option<Vec<Complex<f64>>> {
    spectrum(without_mean(x, window).iter().zip(window).map(|(p, w)| p * w * scale))
}

fn hann(n: usize) -> Vec<f64> {
    (0..n).map(|i| 0.5 - 0.5 * (std::f64::consts::TAU * (i as f64 + 0.5) / n as f64).cos()).collect()
}

fn weighted_mean(x: &[f64], weights: &[f64]) -> f64 {
    let sum: f64 = x.iter().zip(weights).map(|(x, w)| x * w).sum();
    sum / weights.iter().sum::<f64>().max(1e-30)
}

/// Less its mean under `weights`: then the constant leaves nothing in the weighted spectrum.
fn without_mean(x: &[f64], weights: &[f64]) -> Vec<f64> {
    let mean = weighted_mean(x, weights);
    x.iter().map(|v| v - mean).collect()
}

/// Less the straight line that fits best under `weights`, which lie evenly about the middle.
fn without_line(x: &[f64], weights: &[f64]) -> Vec<f64> {
    let flat = without_mean(x, weights);
    let place = |i: usize| i as f64 - 0.5 * (x.len() - 1) as f64;
    let weighted =
        |f: &dyn Fn(usize) -> f64| -> f64 { weights.iter().enumerate().map(|(i, w)| w * f(i)).sum() };
    let slope = weighted(&|i| flat[i] * place(i)) / weighted(&|i| place(i) * place(i)).max(1e-30);
    flat.iter().enumerate().map(|(i, v)| v - slope * place(i)).collect()
}

/// Mean power in blocks of equal length, of a stretch whose powers come one by one.
struct Blocks {
    frames: usize,
    sums: Vec<f64>,
    /// Frames that have come, and the first one that belongs to the next block.
    come: usize,
    next: usize,
    at: usize,
}

impl Blocks {
    fn new(frames: usize, rate: f64) -> Self {
        let blocks = ((frames as f64 / rate * BLOCKS_A_SECOND) as usize).clamp(frames.min(64), frames);
        Self { frames, sums: vec![0.0; blocks], come: 0, next: frames / blocks.max(1), at: 0 }
    }

    fn edge(&self, block: usize) -> usize {
        block * self.frames / self.sums.len()
    }

    fn add(&mut self, power: f64) {
        if self.come == self.next && self.at + 1 < self.sums.len() {
            self.at += 1;
            self.next = self.edge(self.at + 1);
        }
        self.sums[self.at] += power;
        self.come += 1;
    }

    fn means(self) -> Vec<f64> {
        let frames = |b: usize| (self.edge(b + 1) - self.edge(b)) as f64;
        self.sums.iter().enumerate().map(|(b, sum)| sum / frames(b)).collect()
    }
}

fn blocks_of(powers: impl ExactSizeIterator<Item = f64>, rate: f64) -> Vec<f64> {
    let mut blocks = Blocks::new(powers.len(), rate);
    powers.for_each(|p| blocks.add(p));
    blocks.means()
}

/// The last 0.2 s: what goes before a stretch that repeats.
fn tail(x: &[f32], rate: f64) -> &[f32] {
    &x[x.len() - ((0.2 * rate) as usize).min(x.len())..]
}

fn spectrum(x: impl Iterator<Item = f64>) -> Option<Vec<Complex<f64>>> {
    let mut input: Vec<f64> = x.collect();
    let fft = RealFftPlanner::<f64>::new().plan_fft_forward(input.len());
    let mut output = fft.make_output_vec();
    fft.process(&mut input, &mut output).ok()?;
    Some(output)
}
