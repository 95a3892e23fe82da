//! Excitation of the ear's bands over short windows: clicks and changes of colour.

use realfft::RealFftPlanner;

use super::unrolled::Unrolled;

/// Window of the click measure and of the shorter colour measure, seconds.
const CLICK_S: f64 = 0.005;
const COLOUR_S: f64 = 0.02;
/// The longer colour measure takes the mean power over so many windows of the shorter on each side.
const COLOUR_WINDOWS: usize = 9;
/// What lies this far below the loudest band is masked by it or not heard at all: a note at 75 dB
/// SPL, and 15 dB SPL as the threshold in quiet for sounds of some milliseconds (ISO 226 and 10 dB
/// for their shortness; from memory).
const MASKED_DB: f64 = 60.0;

/// The two measures of one unrolled loop.
pub(super) struct Excitation<'a> {
    unrolled: &'a Unrolled,
}

/// Powers in the bands, window after window.
struct Rows {
    powers: Vec<f64>,
    width: usize,
    /// Frames from row to row, and of one window.
    hop: usize,
    n: usize,
    /// Power that is masked.
    floor: f64,
    mean: Vec<f64>,
}

impl Rows {
    fn new(u: &Unrolled, window_s: f64) -> Self {
        let n = ((window_s * u.rate) as usize).next_power_of_two().max(64);
        // Fine enough, in short loops as well, that the highest of some periods is hit within a little.
        let hop = (n / 8).min(u.length / 96).clamp(2, n / 8);
        let bands = Bands::new(u.rate, n);
        let powers = bands.excitation(&u.planes, hop);
        let width = bands.count();
        let count = powers.len() / width;
        let mut mean = vec![0f64; width];
        for row in powers.chunks_exact(width) {
            mean.iter_mut().zip(row).for_each(|(m, p)| *m += p / count.max(1) as f64);
        }
        let floor = mean.iter().copied().fold(1e-20, f64::max) * 10f64.powf(-MASKED_DB / 10.0);
        Self { powers, width, hop, n, floor, mean }
    }

    fn count(&self) -> usize {
        self.powers.len() / self.width
    }

    fn row(&self, i: usize) -> &[f64] {
        &self.powers[i * self.width..(i + 1) * self.width]
    }

    /// Decibels of all rows, above the floor.
    fn decibels(&self) -> Vec<f32> {
        self.powers.iter().map(|p| (10.0 * (p + self.floor).log10()) as f32).collect()
    }

    /// The frame that row `i` stands for.
    fn place(&self, i: usize) -> usize {
        i * self.hop + self.n / 2
    }

    /// Loudness grows as the 0.3rd power of intensity (Stevens' law; from memory), less that of what
    /// is masked.
    fn loudness(&self) -> Vec<f64> {
        let masked = self.floor.powf(0.3);
        let w: Vec<f64> = self.mean.iter().map(|m| (m.powf(0.3) - masked).max(0.0)).collect();
        let sum = w.iter().sum::<f64>().max(1e-30);
        w.iter().map(|v| v / sum).collect()
    }
}

impl<'a> Excitation<'a> {
    pub(super) fn new(unrolled: &'a Unrolled) -> Self {
        Self { unrolled }
    }

    /// Rise of the excitation at the join beyond what is usual, dB RMS over the bands.
    pub(super) fn click(&self) -> f64 {
        let rows = Rows::new(self.unrolled, CLICK_S);
        let db = rows.decibels();
        // A window apart: before, at and after share no more than their edges.
        let (apart, width) = (rows.n / rows.hop, rows.width);
        let at = |i: usize| &db[i * width..(i + 1) * width];
        let inner = apart..rows.count().saturating_sub(apart);
        let (places, values): (Vec<usize>, Vec<f64>) = inner
            .map(|i| {
                let sides = at(i - apart).iter().zip(at(i + apart)).zip(at(i));
                let sum: f32 = sides.map(|((a, b), at)| (at - a.max(*b)).max(0.0).powi(2)).sum();
                (rows.place(i), f64::from(sum / width as f32).sqrt())
            })
            .unzip();
        let (join, usual) = self.unrolled.join_and_elsewhere(&places, &values, rows.n);
        (join - usual).max(0.0)
    }

    /// Change of the bands across the join beyond what is usual, dB RMS weighted by loudness; the
    /// larger of the two spans.
    pub(super) fn flux(&self) -> f64 {
        let rows = Rows::new(self.unrolled, COLOUR_S);
        let weights = rows.loudness();
        let sums = running_rows(&rows);
        let apart = rows.n / rows.hop;
        let mut most = 0f64;
        for windows in [1, COLOUR_WINDOWS] {
            // Windows overlap by half at least; the nearest one ends where the place is.
            let span = (windows - 1) * (rows.n / 2) / rows.hop + 1;
            // In short loops no more than a quarter of the loop on each side.
            if windows > 1 && 4 * (span * rows.hop + rows.n) > self.unrolled.length {
                continue;
            }
            let half = apart.div_ceil(2);
            let first = half + span - 1;
            let (places, values): (Vec<usize>, Vec<f64>) = (first..rows.count().saturating_sub(first))
                .map(|i| {
                    let mean = |from: usize, b: usize| {
                        let width = rows.width;
                        (sums[(from + span) * width + b] - sums[from * width + b]).max(0.0) / span as f64
                    };
                    let (before, after) = (i + 1 - half - span, i + half);
                    let sum: f64 = (0..rows.width)
                        .map(|b| {
                            let (p, q) = (mean(before, b) + rows.floor, mean(after, b) + rows.floor);
                            weights[b] * (10.0 * (q / p).log10()).powi(2)
                        })
                        .sum();
                    (rows.place(i), sum.sqrt())
                })
                .unzip();
            let (join, usual) = self.unrolled.join_and_elsewhere(&places, &values, rows.n);
            most = most.max(join - usual);
        }
        most
    }
}

/// Running sums of the rows: entry i is the sum of the rows before i.
fn running_rows(rows: &Rows) -> Vec<f64> {
    let width = rows.width;
    let mut sums = vec![0f64; (rows.count() + 1) * width];
    for i in 0..rows.count() {
        for (b, p) in rows.row(i).iter().enumerate() {
            sums[(i + 1) * width + b] = sums[i * width + b] + p;
        }
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
            for (i, row) in powers.chunks_exact_mut(self.count()).enumerate() {
                let part = &x[i * hop..i * hop + self.n];
                input.iter_mut().zip(part).zip(&window).for_each(|((i, v), w)| *i = v * w);
                // Buffers made by this very plan cannot have a wrong length.
                if fft.process_with_scratch(&mut input, &mut output, &mut scratch).is_err() {
                    continue;
                }
                for (b, band) in row.iter_mut().enumerate() {
                    let bins = &output[self.edges[b]..self.edges[b + 1]];
                    *band += f64::from(bins.iter().map(|z| z.norm_sqr()).sum::<f32>());
                }
            }
        }
        powers
    }
}
