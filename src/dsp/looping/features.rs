//! What is compared: short-time spectra in the ear's bands, level, pitch movement, partials.

use std::sync::Arc;

use realfft::{RealFftPlanner, RealToComplex, num_complex::Complex};

use super::crossfade::crossfade_gains;
use crate::audio::AudioBuf;
use crate::units::FrameRange;

/// Bands of the spectrum.
pub(super) const BANDS: usize = 24;
/// Numbers in one row: the bands, level, its slope, pitch, its slope.
pub(super) const DIMS: usize = BANDS + 4;
/// Partials whose phase is kept, at most.
pub(super) const PARTIALS: usize = 16;
/// Rows at most: bounds the work on long takes.
const MOST_ROWS: usize = 1500;

/// ERB-number scale. Source: Glasberg & Moore, Hearing Research 47 (1990): 21.4·log10(4.37·f/1000 + 1).
fn erb_number(hz: f64) -> f64 {
    21.4 * (4.37 * hz / 1000.0 + 1.0).log10()
}

/// Inverse of [`erb_number`].
fn hz_of_erb_number(e: f64) -> f64 {
    (10f64.powf(e / 21.4) - 1.0) / 4.37 * 1000.0
}

/// Power of a short window: in the ear's bands and K-weighted in all.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Spectrum {
    pub(super) bands: [f32; BANDS],
    pub(super) level: f32,
}

impl Spectrum {
    /// Adds another's powers.
    pub(super) fn add(&mut self, other: &Self) {
        self.bands.iter_mut().zip(&other.bands).for_each(|(s, o)| *s += o);
        self.level += other.level;
    }
}

/// Makes [`Spectrum`]s, one window after another, with one set of tables.
pub(super) struct Analyser {
    fft: Arc<dyn RealToComplex<f32>>,
    window: Vec<f32>,
    edges: [usize; BANDS + 1],
    k_weight: Vec<f32>,
    partial_bins: Vec<usize>,
    input: Vec<f32>,
    output: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
}

impl Analyser {
    /// Tables for a note at `f0_hz`: the window is a power of two of at least three periods (then
    /// the Hann window's zeros lie on the neighbouring partials) and 32 ms.
    pub(super) fn new(rate: f64, f0_hz: f64) -> Self {
        let wanted = (3.0 * rate / f0_hz).max(0.032 * rate) as usize;
        let n = wanted.next_power_of_two().clamp(256, 32_768);
        let fft = RealFftPlanner::<f32>::new().plan_fft_forward(n);
        let window = (0..n)
            .map(|i| (0.5 - 0.5 * (std::f64::consts::TAU * i as f64 / n as f64).cos()) as f32)
            .collect();
        let (low, high) = (erb_number(40.0), erb_number((0.45 * rate).min(16_000.0)));
        let mut edges = [0; BANDS + 1];
        for (b, edge) in edges.iter_mut().enumerate() {
            let hz = hz_of_erb_number(low + (high - low) * b as f64 / BANDS as f64);
            *edge = (hz * n as f64 / rate).round() as usize;
        }
        for b in 1..=BANDS {
            edges[b] = edges[b].max(edges[b - 1] + 1).min(n / 2 + 1);
        }
        let k_weight = (0..=n / 2).map(|b| k_power(b as f64 * rate / n as f64) as f32).collect();
        let partial_bins = (1..=PARTIALS)
            .map(|k| (k as f64 * f0_hz * n as f64 / rate).round() as usize)
            .take_while(|b| *b < n * 9 / 20)
            .collect();
        Self {
            input: fft.make_input_vec(),
            output: fft.make_output_vec(),
            scratch: fft.make_scratch_vec(),
            fft,
            window,
            edges,
            k_weight,
            partial_bins,
        }
    }

    /// Frames of one window.
    pub(super) fn size(&self) -> usize {
        self.window.len()
    }

    /// How many partials are kept a channel.
    pub(super) fn partial_count(&self) -> usize {
        self.partial_bins.len()
    }

    /// The spectrum around `centre`, powers summed over the channels. Only frames of `usable` are
    /// read, the rest counts as silence. `partials`, when given, gets the partials' complex
    /// amplitudes (phase at `centre`), channel by channel.
    pub(super) fn spectrum(
        &mut self,
        channels: &[&[f32]],
        centre: i64,
        usable: std::ops::Range<i64>,
        mut partials: Option<&mut [Complex<f32>]>,
    ) -> Spectrum {
        let mut sum = Spectrum::default();
        for (c, x) in channels.iter().enumerate() {
            self.transform(x, centre, &usable);
            self.add_powers(&mut sum);
            if let Some(p) = partials.as_deref_mut() {
                let count = self.partial_bins.len();
                for (slot, b) in p[c * count..].iter_mut().zip(&self.partial_bins) {
                    // The window starts n/2 before its centre: e^{jπb} turns the phase to the centre.
                    *slot = if b % 2 == 0 { self.output[*b] } else { -self.output[*b] };
                }
            }
        }
        sum
    }

    /// Fills `output` with the transform of one channel around `centre`; frames that are not usable
    /// count as silence.
    fn transform(&mut self, x: &[f32], centre: i64, usable: &std::ops::Range<i64>) {
        let n = self.window.len();
        let first = centre - (n / 2) as i64;
        let from = usable.start.max(first).max(0);
        let to = usable.end.min(first + n as i64).min(x.len() as i64);
        self.input.fill(0.0);
        if from < to {
            let at = (from - first) as usize;
            let x = &x[from as usize..to as usize];
            let windowed = self.input[at..].iter_mut().zip(&self.window[at..]);
            windowed.zip(x).for_each(|((i, w), x)| *i = w * x);
        }
        // The buffers were made by this very plan; a wrong length is the only error there is.
        let done = self.fft.process_with_scratch(&mut self.input, &mut self.output, &mut self.scratch);
        if done.is_err() {
            self.output.fill(Complex::new(0.0, 0.0));
        }
    }

    /// What a fade from around `out` to around `inn` gives where it has come to `position` (0 to 1),
    /// with the gains of [`crossfade_gains`] for the correlation there: the powers of the mixture, and
    /// those that lie as far between the two sides' powers.
    pub(super) fn mixture(
        &mut self,
        channels: &[&[f32]],
        out: i64,
        inn: i64,
        position: f64,
    ) -> (Spectrum, Spectrum) {
        let all = 0..i64::MAX;
        let mut sides: Vec<[Vec<Complex<f32>>; 2]> = Vec::with_capacity(channels.len());
        let (mut ab, mut aa, mut bb) = (0f64, 0f64, 0f64);
        for x in channels {
            self.transform(x, out, &all);
            let a = self.output.clone();
            self.transform(x, inn, &all);
            for (a, b) in a.iter().zip(&self.output) {
                ab += f64::from((a * b.conj()).re);
                aa += f64::from(a.norm_sqr());
                bb += f64::from(b.norm_sqr());
            }
            sides.push([a, self.output.clone()]);
        }
        let norm = (aa * bb).sqrt();
        let r = if norm > 1e-18 { ab / norm } else { 1.0 };
        let (g_out, g_in) = crossfade_gains(position, r);
        let share = (position * std::f64::consts::FRAC_PI_2).sin().powi(2) as f32;
        let (mut mixed, mut wanted) = (Spectrum::default(), Spectrum::default());
        for [a, b] in sides {
            for (o, (a, b)) in self.output.iter_mut().zip(a.iter().zip(&b)) {
                *o = a * g_out as f32 + b * g_in as f32;
            }
            self.add_powers(&mut mixed);
            for (o, (a, b)) in self.output.iter_mut().zip(a.iter().zip(&b)) {
                let power = a.norm_sqr() * (1.0 - share) + b.norm_sqr() * share;
                *o = Complex::new(power.sqrt(), 0.0);
            }
            self.add_powers(&mut wanted);
        }
        (mixed, wanted)
    }

    fn add_powers(&self, sum: &mut Spectrum) {
        // A sine of amplitude A gives power A²/2 summed over its bins (Hann: Σw² = 3n/8).
        let n = self.window.len() as f32;
        let scale = 2.0 / (0.375 * n * n);
        for (b, band) in sum.bands.iter_mut().enumerate() {
            let (from, to) = (self.edges[b], self.edges[b + 1]);
            let bins = self.output[from..to].iter().zip(&self.k_weight[from..to]);
            let (mut power, mut weighted) = (0f32, 0f32);
            for (z, k) in bins {
                let p = z.norm_sqr();
                power += p;
                weighted += p * k;
            }
            *band += power * scale;
            sum.level += weighted * scale;
        }
    }
}

/// Power gain of the K-weighting at a frequency. Source: ITU-R BS.1770-5, tables 1 and 2 (the
/// coefficients for 48 kHz, whose response is meant for every rate).
fn k_power(hz: f64) -> f64 {
    let turn = std::f64::consts::TAU * hz.min(23_900.0) / 48_000.0;
    let gain = |b: [f64; 3], a: [f64; 3]| {
        let at = |c: [f64; 3]| {
            let re = c[0] + c[1] * turn.cos() + c[2] * (2.0 * turn).cos();
            let im = c[1] * turn.sin() + c[2] * (2.0 * turn).sin();
            re * re + im * im
        };
        at(b) / at(a)
    };
    gain(
        [1.535_124_859_586_97, -2.691_696_189_406_38, 1.198_392_810_852_85],
        [1.0, -1.690_659_293_182_41, 0.732_480_774_215_85],
    ) * gain([1.0, -2.0, 1.0], [1.0, -1.990_047_454_833_98, 0.990_072_250_366_21])
}

/// Decibels of a power.
pub(super) fn power_db(p: f32) -> f32 {
    10.0 * p.max(1e-20).log10()
}

/// How much a band's difference counts: loudness grows as the 0.3rd power of intensity (Stevens'
/// law; from memory). `mean` is the mean power of each band; the weights sum to 1.
pub(super) fn loudness_weights(mean: &[f32; BANDS]) -> [f32; BANDS] {
    let mut w = mean.map(|p| p.max(0.0).powf(0.3));
    let sum: f32 = w.iter().sum();
    w.iter_mut().for_each(|w| *w = if sum > 0.0 { *w / sum } else { 0.0 });
    w
}

/// Rows of numbers along the sustain whose Euclidean distance is about "dB of audible difference".
pub(super) struct Features {
    /// Frames from row to row.
    pub(super) hop: usize,
    /// Frame that row 0 stands for.
    pub(super) first: usize,
    /// Row-major, `DIMS` a row.
    pub(super) rows: Vec<[f32; DIMS]>,
    /// Row-major, `partials_a_row` a row.
    pub(super) partials: Vec<Complex<f32>>,
    /// Channels times partials of each.
    pub(super) partials_a_row: usize,
    /// Partials of one channel.
    pub(super) partial_count: usize,
    /// Level of the loudest row, dB.
    pub(super) loudest_db: f32,
}

impl Features {
    /// Reads `within` of `audio` every 10 ms or so (coarser for long stretches and long windows).
    pub(super) fn read(audio: &AudioBuf, analyser: &mut Analyser, f0_hz: f64, within: FrameRange) -> Self {
        let rate = audio.rate().as_f64();
        let channels: Vec<&[f32]> = audio.channels().collect();
        let span = within.count().0 as usize;
        let hop = ((0.01 * rate) as usize).max(analyser.size() / 6).max(span / MOST_ROWS + 1);
        let count = span / hop + 1;
        let first = within.start.0 as usize;
        let a_row = analyser.partial_count() * channels.len();
        let mut partials = vec![Complex::new(0f32, 0f32); a_row * count];
        let all = 0..audio.len() as i64;
        let spectra: Vec<Spectrum> = (0..count)
            .map(|i| {
                let slots = &mut partials[i * a_row..(i + 1) * a_row];
                analyser.spectrum(&channels, (first + i * hop) as i64, all.clone(), Some(slots))
            })
            .collect();
        let loudest = spectra.iter().map(|s| s.level).fold(0f32, f32::max);
        let mut made = Self {
            hop,
            first,
            rows: Vec::new(),
            partials,
            partials_a_row: a_row,
            partial_count: analyser.partial_count(),
            loudest_db: power_db(loudest),
        };
        let pitch = made.pitch_cents(count, f0_hz, rate);
        made.rows = rows_of(&spectra, &pitch, hop as f32 / rate as f32);
        made
    }

    /// The partials of a row.
    pub(super) fn partials_of(&self, row: usize) -> &[Complex<f32>] {
        &self.partials[row * self.partials_a_row..(row + 1) * self.partials_a_row]
    }

    /// How far the level moves within a loop besides a steady fall or rise, dB: from the lowest to the
    /// highest distance from the line that fits best.
    pub(super) fn swell(&self, start: usize, end: usize) -> f32 {
        let row = |frame: usize| (frame.saturating_sub(self.first) / self.hop).min(self.rows.len());
        // Windows overlap by half and more: every other row will do.
        let levels = || self.rows[row(start)..row(end).max(row(start))].iter().step_by(2).map(|r| r[BANDS]);
        let n = levels().len().max(1) as f32;
        let place = |i: usize| i as f32 - 0.5 * (n - 1.0);
        let along: f32 = levels().enumerate().map(|(i, l)| place(i) * l).sum();
        // Σ(i − mean)² = n(n² − 1)/12.
        let slope = along / (n * (n * n - 1.0) / 12.0).max(1e-6);
        let none = (f32::INFINITY, f32::NEG_INFINITY);
        let (low, high) = levels().enumerate().fold(none, |(low, high), (i, l)| {
            let off = l - slope * place(i);
            (low.min(off), high.max(off))
        });
        (high - low).max(0.0)
    }

    /// Rate of the vibrato in Hz, 2 to 10; None where the pitch has none: under 4 cents to each side, or
    /// less than a third of all its movement faster than 2 Hz (design's border to drift).
    pub(super) fn vibrato_hz(&self, rate: f64) -> Option<f64> {
        let hop_s = self.hop as f64 / rate;
        let count = self.rows.len();
        let seconds = count as f64 * hop_s;
        if seconds < 0.5 || hop_s > 0.05 {
            return None;
        }
        // The row holds a fifth of the cents. Differences over a quarter second take the drift out.
        let cents: Vec<f64> = self.rows.iter().map(|r| f64::from(r[BANDS + 2]) * 5.0).collect();
        let reach = (0.25 / hop_s) as usize;
        let fast: Vec<f64> = (0..count)
            .map(|i| {
                let around = &cents[i.saturating_sub(reach)..(i + reach + 1).min(count)];
                cents[i] - around.iter().sum::<f64>() / around.len() as f64
            })
            .collect();
        let all: f64 = fast.iter().map(|v| v * v).sum::<f64>() / count as f64;
        let amplitude = |hz: f64| {
            let mut sum = Complex::new(0f64, 0.0);
            for (i, v) in fast.iter().enumerate() {
                let w = 1.0 - (std::f64::consts::TAU * i as f64 / count as f64).cos();
                sum += Complex::from_polar(w * v, -std::f64::consts::TAU * hz * i as f64 * hop_s);
            }
            2.0 * sum.norm() / count as f64
        };
        // A quarter of the spectrum's own width, then finer around the highest.
        let step = (0.5 / seconds).clamp(0.02, 0.25);
        let steps = (8.0 / step) as usize;
        let rough = (0..=steps)
            .map(|i| 2.0 + i as f64 * step)
            .map(|hz| (hz, amplitude(hz)))
            .max_by(|a, b| a.1.total_cmp(&b.1))?;
        let best = (-4..=4)
            .map(|i| rough.0 + f64::from(i) * step / 5.0)
            .map(|hz| (hz, amplitude(hz)))
            .max_by(|a, b| a.1.total_cmp(&b.1))?;
        (best.1 >= 4.0 && best.1 * best.1 / 2.0 >= all / 3.0).then_some(best.0)
    }

    /// Deviation from f0 at every row in cents, from the phase advance of the first three partials
    /// from row to row (weighted by power). Deviations that turn the phase by more than half a cycle
    /// a hop fold back: the same pitch still gives the same number.
    fn pitch_cents(&self, count: usize, f0_hz: f64, rate: f64) -> Vec<f32> {
        let hop_s = self.hop as f64 / rate;
        let mut raw = vec![0f32; count];
        for (i, slot) in raw.iter_mut().enumerate().take(count.saturating_sub(1)) {
            let (now, next) = (self.partials_of(i), self.partials_of(i + 1));
            let (mut sum, mut weight) = (0.0, 1e-30);
            for (p, (a, b)) in now.iter().zip(next).enumerate() {
                let k = p % self.partial_count + 1;
                if k > 3 {
                    continue;
                }
                let turns =
                    f64::from((b * a.conj()).arg()) / std::f64::consts::TAU - k as f64 * f0_hz * hop_s;
                let power = f64::from(a.norm_sqr());
                sum += power * (turns - turns.round()) / (k as f64 * hop_s);
                weight += power;
            }
            *slot = (1200.0 * (1.0 + sum / weight / f0_hz).max(0.5).log2()) as f32;
        }
        if count > 1 {
            raw[count - 1] = raw[count - 2];
        }
        // Row i−1's step ends where row i's begins: their mean is the pitch at row i.
        (0..count).map(|i| 0.5 * (raw[i] + raw[i.saturating_sub(1)])).collect()
    }
}

/// Scales spectra, level and pitch so that one unit is about one decibel of difference.
fn rows_of(spectra: &[Spectrum], pitch: &[f32], hop_s: f32) -> Vec<[f32; DIMS]> {
    let count = spectra.len();
    let mut mean = [0f32; BANDS];
    for s in spectra {
        mean.iter_mut().zip(&s.bands).for_each(|(m, b)| *m += b / count as f32);
    }
    let root = loudness_weights(&mean).map(f32::sqrt);
    // What lies 60 dB below the whole is not heard beside it.
    let floor = mean.iter().sum::<f32>() * 1e-6;
    let level: Vec<f32> = spectra.iter().map(|s| power_db(s.level + floor)).collect();
    // Slopes over about ±50 ms, in units a 100 ms.
    let reach = ((0.05 / hop_s).round() as usize).max(1);
    let slope = |x: &[f32], i: usize| {
        let (a, b) = (i.saturating_sub(reach), (i + reach).min(count - 1));
        if a == b { 0.0 } else { (x[b] - x[a]) / ((b - a) as f32 * hop_s) * 0.1 }
    };
    (0..count)
        .map(|i| {
            let mut row = [0f32; DIMS];
            for b in 0..BANDS {
                row[b] = root[b] * power_db(spectra[i].bands[b] + floor);
            }
            row[BANDS] = level[i];
            row[BANDS + 1] = 0.5 * slope(&level, i);
            // Five cents count as one decibel.
            row[BANDS + 2] = 0.2 * pitch[i];
            row[BANDS + 3] = 0.1 * slope(pitch, i);
            row
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: Glasberg & Moore (1990): the ERB at 1 kHz is 24.7(4.37 + 1) = 132.6 Hz; the scale's
    /// slope there is its reciprocal. The factor 21.4 is rounded: 21.4·0.4343·4.37e-3·24.7 = 1.0032.
    #[test]
    fn erb_scale_has_the_published_bandwidth() {
        let slope = (erb_number(1000.5) - erb_number(999.5)).recip();
        assert!((slope / 132.6 - 1.0).abs() < 0.005, "{slope}");
        assert!((hz_of_erb_number(erb_number(440.0)) - 440.0).abs() < 1e-9);
    }

    /// Source: ITU-R BS.1770-5: the 997 Hz sine reads −3.01 with the offset −0.691, so the filter
    /// gains 0.691 dB there.
    #[test]
    fn k_weighting_gains_its_offset_at_997_hz() {
        assert!((10.0 * k_power(997.0).log10() - 0.691).abs() < 0.01);
    }
}
