//! What a finished loop measures when it goes round. Shares no measure with the search: it unrolls
//! the loop and asks whether the join stands out from the rest of what is played.

use realfft::RealFftPlanner;

use super::{SeamAudit, check_range};
use crate::audio::AudioBuf;
use crate::error::Result;
use crate::units::{Decibels, FrameRange};

/// Seconds looked at on each side of the join.
const SIDE_S: f64 = 1.5;
/// What lies this far below the whole is masked by it (common practice, no source).
const MASKED_DB: f64 = 55.0;

/// Measures the loop as it will be played, round and round (crossfade already baked).
///
/// The loop is unrolled to 1.5 s on each side of the join. Measured there, and everywhere else in it:
/// - click: excitation in bands one ERB wide (Glasberg & Moore 1990) over short windows, as far as it
///   rises above the windows before and after; mean over the bands in dB, beyond what 9 of 10 other
///   places show;
/// - flux: RMS difference over the bands, weighted by loudness, between the windows before and after;
/// - level: K-weighted (ITU-R BS.1770-5) over 50 and 200 ms before and after;
/// - pitch: period before and after, by autocorrelation;
/// - thump: level over 20 ms at the join against that 100 ms before and after.
///
/// `audibility` joins them as 100·(1 − Π exp(−(vᵢ/hᵢ)²)), with hᵢ = 5 dB click, 5 dB flux, 2.5 dB level,
/// 20 cents pitch, 2.5 dB thump (our choice, no source), each beyond what is usual elsewhere in the loop.
///
/// Errors: as [`super::score_loop`].
pub fn audit(audio: &AudioBuf, range: FrameRange) -> Result<SeamAudit> {
    check_range(audio, range)?;
    let unrolled = Unrolled::new(audio, range);
    let (click_db, flux_db) = unrolled.click_and_flux();
    let weighted = unrolled.k_weighted();
    let (step, step_beyond) = unrolled.level_step(&weighted);
    let thump_db = unrolled.thump(&weighted);
    let (pitch_step_cents, pitch_beyond) = unrolled.pitch_step();
    let heard = |value: f64, half: f64| (-(value / half).powi(2)).exp();
    let missed = heard(click_db, 5.0)
        * heard(flux_db, 5.0)
        * heard(step_beyond, 2.5)
        * heard((pitch_beyond - 2.0).max(0.0), 20.0)
        * heard(thump_db, 2.5);
    Ok(SeamAudit {
        click_db: Decibels(click_db),
        level_step_db: Decibels(step),
        flux_db,
        pitch_step_cents,
        thump_db,
        audibility: (100.0 * (1.0 - missed)).clamp(0.0, 100.0),
    })
}

/// The loop played round, with joins at `side` and every loop length from there.
struct Unrolled {
    planes: Vec<Vec<f32>>,
    side: usize,
    length: usize,
    rate: f64,
}

impl Unrolled {
    fn new(audio: &AudioBuf, range: FrameRange) -> Self {
        let rate = audio.rate().as_f64();
        let side = (SIDE_S * rate) as usize;
        let (start, length) = (range.start.0 as usize, range.count().0 as usize);
        // The join lies at `side`: index i plays start + (i − side) mod length.
        let offset = length - side % length;
        let planes = audio
            .channels()
            .map(|x| (0..2 * side).map(|i| x[start + (i + offset) % length]).collect())
            .collect();
        Self { planes, side, length, rate }
    }

    /// Frames from `i` to the nearest join.
    fn from_join(&self, i: usize) -> usize {
        let past = i.abs_diff(self.side) % self.length;
        past.min(self.length - past)
    }

    /// Largest of `values` within `near` frames of the join, and the value that nine of ten maxima
    /// over stretches of the same length elsewhere stay below (0 when there is no elsewhere).
    fn join_and_elsewhere(&self, places: &[usize], values: &[f64], near: usize) -> (f64, f64) {
        let mut join = 0f64;
        for (p, v) in places.iter().zip(values) {
            if p.abs_diff(self.side) <= near {
                join = join.max(*v);
            }
        }
        // Stretches that keep clear of every join, each as wide as the one looked at.
        let mut maxima: Vec<f64> = Vec::new();
        let mut from = 0;
        while from + 2 * near < 2 * self.side {
            let inside = places.iter().zip(values).filter(|(p, _)| (from..=from + 2 * near).contains(*p));
            let (mut most, mut clear, mut any) = (0f64, true, false);
            for (p, v) in inside {
                clear &= self.from_join(*p) > near;
                most = most.max(*v);
                any = true;
            }
            if clear && any {
                maxima.push(most);
            }
            from += near.max(1);
        }
        maxima.sort_by(f64::total_cmp);
        let elsewhere = maxima.get(maxima.len() * 9 / 10).or(maxima.last()).copied();
        (join, elsewhere.unwrap_or(0.0))
    }

    /// Click and flux at the join beyond what is usual, in dB.
    fn click_and_flux(&self) -> (f64, f64) {
        let click = self.beyond(0.005, false);
        let flux = self.beyond(0.02, true);
        (click, flux)
    }

    /// One excitation measure over windows of about `window_s`.
    fn beyond(&self, window_s: f64, flux: bool) -> f64 {
        let n = ((window_s * self.rate) as usize).next_power_of_two().max(64);
        let hop = (n / 4).max(1);
        let bands = Bands::new(self.rate, n);
        let powers = bands.excitation(&self.planes, hop);
        let count = powers.len() / bands.count();
        let width = bands.count();
        let row = |i: usize| &powers[i * width..(i + 1) * width];
        let mut mean = vec![0f64; width];
        for i in 0..count {
            mean.iter_mut().zip(row(i)).for_each(|(m, p)| *m += p / count as f64);
        }
        let loudest = mean.iter().copied().fold(1e-20, f64::max);
        let floor = loudest * 10f64.powf(-MASKED_DB / 10.0);
        let db = |p: f64| 10.0 * (p + floor).log10();
        let loud: Vec<f64> = mean.iter().map(|m| m.powf(0.3)).collect();
        let loud_sum: f64 = loud.iter().sum::<f64>().max(1e-30);
        // A window apart: before, at, after do not share more than their edges.
        let apart = 4;
        let places: Vec<usize> = (apart..count.saturating_sub(apart)).map(|i| i * hop + n / 2).collect();
        let values: Vec<f64> = (apart..count.saturating_sub(apart))
            .map(|i| {
                let sides = row(i - apart).iter().zip(row(i + apart)).zip(row(i)).zip(&loud);
                if flux {
                    let sum: f64 = sides.map(|(((a, b), _), w)| w * (db(*a) - db(*b)).powi(2)).sum();
                    (sum / loud_sum).sqrt()
                } else {
                    let sum: f64 = sides.map(|(((a, b), at), _)| (db(*at) - db(a.max(*b))).max(0.0)).sum();
                    sum / width as f64
                }
            })
            .collect();
        let (join, usual) = self.join_and_elsewhere(&places, &values, n);
        (join - usual).max(0.0)
    }

    /// The power of all channels, K-weighted, frame by frame. Source: ITU-R BS.1770-5 (two filters in
    /// series; their coefficients at other rates by the bilinear transform of the same prototypes).
    fn k_weighted(&self) -> Vec<f64> {
        let mut power = vec![0f64; 2 * self.side];
        for x in &self.planes {
            let mut filters = k_filters(self.rate);
            // The first frames twice: the filters' own start is no part of the sound.
            let lead = (0.2 * self.rate) as usize;
            for v in &x[..lead.min(x.len())] {
                filters.iter_mut().fold(f64::from(*v), |v, f| f.step(v));
            }
            for (p, v) in power.iter_mut().zip(x) {
                let y = filters.iter_mut().fold(f64::from(*v), |v, f| f.step(v));
                *p += y * y;
            }
        }
        power
    }

    /// Level step across the join (signed, the larger of 50 and 200 ms) and how far it exceeds what
    /// three of four other places show.
    fn level_step(&self, power: &[f64]) -> (f64, f64) {
        let sums = running_sum(power);
        let (mut step, mut beyond) = (0f64, 0f64);
        for span_s in [0.05, 0.2] {
            let span = (span_s * self.rate) as usize;
            let at = |i: usize| {
                let (a, b, c) = (sums[i - span], sums[i], sums[i + span]);
                10.0 * ((c - b + 1e-12) / (b - a + 1e-12)).log10()
            };
            let here = at(self.side);
            let gap = (0.02 * self.rate) as usize;
            let mut others: Vec<f64> = (span..2 * self.side - span)
                .step_by(gap.max(1))
                .filter(|i| self.from_join(*i) > span)
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

    /// Bulge or dip of the level at the join beyond what nine of ten other places show.
    fn thump(&self, power: &[f64]) -> f64 {
        let sums = running_sum(power);
        let (half, apart) = ((0.01 * self.rate) as usize, (0.1 * self.rate) as usize);
        let level = |i: usize| 10.0 * (sums[i + half] - sums[i - half] + 1e-12).log10();
        let places: Vec<usize> =
            (apart + half..2 * self.side - apart - half).step_by((0.005 * self.rate) as usize).collect();
        let values: Vec<f64> =
            places.iter().map(|i| (level(*i) - 0.5 * (level(i - apart) + level(i + apart))).abs()).collect();
        let (join, usual) = self.join_and_elsewhere(&places, &values, (0.05 * self.rate) as usize);
        (join - usual).max(0.0)
    }

    /// Cents from the 80 ms before the join to the 80 ms after (0 without a clear pitch), and how far
    /// they exceed what three of four other places show.
    fn pitch_step(&self) -> (f64, f64) {
        let n = (0.08 * self.rate) as usize;
        let Some(here) = self.pitch_step_at(self.side, n) else { return (0.0, 0.0) };
        let mut others: Vec<f64> = (n..2 * self.side - n)
            .step_by((0.11 * self.rate) as usize)
            .filter(|i| self.from_join(*i) > n)
            .filter_map(|i| self.pitch_step_at(i, n))
            .map(f64::abs)
            .collect();
        others.sort_by(f64::total_cmp);
        let usual = others.get(others.len() * 3 / 4).copied().unwrap_or(0.0);
        (here, (here.abs() - usual).max(0.0))
    }

    /// Cents from the `n` frames before `at` to those after.
    fn pitch_step_at(&self, at: usize, n: usize) -> Option<f64> {
        let before = self.period(at - n, n, None)?;
        let after = self.period(at, n, Some(before))?;
        let before = self.period(at - n, n, Some(after))?;
        Some(1200.0 * (before / after).log2())
    }

    /// Period of `n` frames from `from`: the first peak of the autocorrelation that is nearly as high
    /// as the highest, or the peak within 5 % of `near`; None where it is below 0.6.
    fn period(&self, from: usize, n: usize, near: Option<f64>) -> Option<f64> {
        let r = self.autocorrelation(from, n)?;
        let peak = |i: usize| r[i] >= r[i - 1] && r[i] > r[i + 1];
        let (low, high) = match near {
            Some(p) => ((0.95 * p) as usize, (1.05 * p) as usize + 2),
            // 4 kHz down to 25 Hz or half of the stretch.
            None => ((self.rate / 4000.0) as usize, (self.rate / 25.0) as usize),
        };
        let (low, high) = (low.max(2), high.min(n / 2));
        if low >= high {
            return None;
        }
        let most = (low..high).filter(|i| peak(*i)).map(|i| r[i]).fold(0.0, f64::max);
        let at = (low..high).find(|i| peak(*i) && r[*i] >= 0.95 * most && most > 0.6)?;
        // A multiple of the period shows it more finely.
        let fine = |at: usize| {
            let (a, b, c) = (r[at - 1], r[at], r[at + 1]);
            let bend = a - 2.0 * b + c;
            at as f64 + if bend < 0.0 { (0.5 * (a - c) / bend).clamp(-0.5, 0.5) } else { 0.0 }
        };
        let mut period = fine(at);
        for times in 2..=4usize {
            let guess = (period * times as f64).round() as usize;
            if guess + 2 >= n / 2 {
                break;
            }
            let best = (guess - 1..=guess + 1).max_by(|a, b| r[*a].total_cmp(&r[*b]))?;
            if r[best] < 0.6 {
                break;
            }
            period = fine(best) / times as f64;
        }
        Some(period)
    }

    /// Autocorrelation of a stretch, summed over the channels; each lag over the frames that both
    /// copies have, 1 at lag 0.
    fn autocorrelation(&self, from: usize, n: usize) -> Option<Vec<f64>> {
        let size = (2 * n).next_power_of_two();
        let mut planner = RealFftPlanner::<f64>::new();
        let (forward, inverse) = (planner.plan_fft_forward(size), planner.plan_fft_inverse(size));
        let mut spectrum = forward.make_output_vec();
        let mut power = forward.make_output_vec();
        let mut energy = vec![0f64; n];
        for x in &self.planes {
            let mut input = forward.make_input_vec();
            input.iter_mut().zip(&x[from..from + n]).for_each(|(i, v)| *i = f64::from(*v));
            energy.iter_mut().zip(&x[from..from + n]).for_each(|(e, v)| *e += f64::from(*v).powi(2));
            forward.process(&mut input, &mut spectrum).ok()?;
            power.iter_mut().zip(&spectrum).for_each(|(p, s)| p.re += s.norm_sqr());
        }
        let mut raw = inverse.make_output_vec();
        inverse.process(&mut power, &mut raw).ok()?;
        let sums = running_sum(&energy);
        (sums[n] > 1e-12).then(|| {
            (0..n)
                .map(|lag| {
                    let both = (sums[n - lag] * (sums[n] - sums[lag])).sqrt();
                    raw[lag] / size as f64 / both.max(1e-12)
                })
                .collect()
        })
    }
}

fn running_sum(x: &[f64]) -> Vec<f64> {
    let mut sums = Vec::with_capacity(x.len() + 1);
    let mut sum = 0.0;
    sums.push(sum);
    for v in x {
        sum += v;
        sums.push(sum);
    }
    sums
}

/// Bands one ERB wide over the bins of one window length.
struct Bands {
    edges: Vec<usize>,
    n: usize,
}

impl Bands {
    fn new(rate: f64, n: usize) -> Self {
        let top = (0.45 * rate).min(16_000.0);
        let mut edges = vec![1];
        let mut hz = 50.0;
        while hz < top {
            // Source: Glasberg & Moore (1990): ERB = 24.7·(4.37·f/1000 + 1) Hz.
            hz += 24.7 * (4.37 * hz / 1000.0 + 1.0);
            let bin = (hz.min(top) * n as f64 / rate).round() as usize;
            if edges.last().is_some_and(|last| bin > *last) {
                edges.push(bin);
            }
        }
        Self { edges, n }
    }

    fn count(&self) -> usize {
        self.edges.len() - 1
    }

    /// Power in every band, window after window (row-major), summed over the channels.
    fn excitation(&self, planes: &[Vec<f32>], hop: usize) -> Vec<f64> {
        let fft = RealFftPlanner::<f32>::new().plan_fft_forward(self.n);
        let (mut input, mut output) = (fft.make_input_vec(), fft.make_output_vec());
        let mut scratch = fft.make_scratch_vec();
        let window: Vec<f32> = (0..self.n)
            .map(|i| (0.5 - 0.5 * (std::f64::consts::TAU * (i as f64 + 0.5) / self.n as f64).cos()) as f32)
            .collect();
        let len = planes.first().map_or(0, Vec::len);
        let count = if len < self.n { 0 } else { (len - self.n) / hop + 1 };
        let mut powers = vec![0f64; count * self.count()];
        for x in planes {
            for (i, row) in powers.chunks_mut(self.count()).enumerate() {
                let part = &x[i * hop..i * hop + self.n];
                input.iter_mut().zip(part).zip(&window).for_each(|((i, v), w)| *i = v * w);
                // Buffers made by this very plan cannot have a wrong length.
                if fft.process_with_scratch(&mut input, &mut output, &mut scratch).is_err() {
                    continue;
                }
                for (b, band) in row.iter_mut().enumerate() {
                    let bins = &output[self.edges[b]..self.edges[b + 1]];
                    *band += bins.iter().map(|z| f64::from(z.norm_sqr())).sum::<f64>();
                }
            }
        }
        powers
    }
}

/// A second-order filter in direct form 2, transposed.
struct Biquad {
    b: [f64; 3],
    a: [f64; 2],
    z: [f64; 2],
}

impl Biquad {
    fn step(&mut self, x: f64) -> f64 {
        let y = self.b[0] * x + self.z[0];
        self.z[0] = self.b[1] * x - self.a[0] * y + self.z[1];
        self.z[1] = self.b[2] * x - self.a[1] * y;
        y
    }
}

/// The two filters of the K-weighting. The prototypes' frequencies, gain and Q are those that give
/// the coefficients of ITU-R BS.1770-5, tables 1 and 2, at 48 kHz (from memory; the test compares).
fn k_filters(rate: f64) -> [Biquad; 2] {
    let shelf = {
        let (f, gain, q) = (1_681.974_450_955_533, 3.999_843_853_973_347, 0.707_175_236_955_419_6);
        let k = (std::f64::consts::PI * f / rate).tan();
        let high = 10f64.powf(gain / 20.0);
        let band = high.powf(0.499_666_774_154_541_6);
        let a0 = 1.0 + k / q + k * k;
        Biquad {
            b: [
                (high + band * k / q + k * k) / a0,
                2.0 * (k * k - high) / a0,
                (high - band * k / q + k * k) / a0,
            ],
            a: [2.0 * (k * k - 1.0) / a0, (1.0 - k / q + k * k) / a0],
            z: [0.0; 2],
        }
    };
    let high_pass = {
        let (f, q) = (38.135_470_876_024_44, 0.500_327_037_323_877_3);
        let k = (std::f64::consts::PI * f / rate).tan();
        let a0 = 1.0 + k / q + k * k;
        Biquad { b: [1.0, -2.0, 1.0], a: [2.0 * (k * k - 1.0) / a0, (1.0 - k / q + k * k) / a0], z: [0.0; 2] }
    };
    [shelf, high_pass]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: ITU-R BS.1770-5, tables 1 and 2 (48 kHz).
    #[test]
    fn k_filters_have_the_published_coefficients() {
        let [shelf, high_pass] = k_filters(48_000.0);
        let pairs = [
            (shelf.b[0], 1.535_124_859_586_97),
            (shelf.b[1], -2.691_696_189_406_38),
            (shelf.b[2], 1.198_392_810_852_85),
            (shelf.a[0], -1.690_659_293_182_41),
            (shelf.a[1], 0.732_480_774_215_85),
            (high_pass.a[0], -1.990_047_454_833_98),
            (high_pass.a[1], 0.990_072_250_366_21),
        ];
        for (got, published) in pairs {
            assert!((got - published).abs() < 1e-9, "{got} against {published}");
        }
    }
}
