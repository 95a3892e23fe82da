//! What is known of each frame before its gains: where partials may lie, how strong they are, and what
//! sounds between them.

use std::ops::Range;

use super::gain::{fast_exp2, fast_log2, mean_log2};
use super::layer::Shape;
use super::pitch_lines::PitchLines;
use crate::dsp::stft::Stft;

/// Bins where the smoothed power is above this many times the level around them are peaks.
const PEAK: f32 = 5.0;

/// Cells that the level around a cell's bins is the mean of: this many to either side.
const AROUND: usize = 2;

/// Bands that a note's breath is followed in as it dies away.
const FOLLOWED: usize = 4;

/// Independent values to one bin of one frame: Hann windows overlapping by three quarters are correlated by
/// 0.66 and 0.17 in time, neighbouring bins by 0.67 and 0.17: 1/(1 + 2Σρ²) of each (Welch, IEEE Trans.
/// Audio Electroacoust. 15(2), 1967).
const INDEPENDENT: f32 = 0.27;

/// The level over the time of a note is a mean over so many more cells to either side.
const WIDER: usize = 2;

/// A frame that stands this far out of those around it, in octaves of power, holds a click or a chiff.
const OUTLIER: f32 = 0.25;

/// Mean level over the whole spectrum re the room's, in octaves of power, from which on something
/// sounds. The room's own is a little below 0 and varies by less than 0.05.
const SOUNDS: f32 = 0.2;

/// Power and count of what lies between the partials.
type Sum = [f32; 2];

/// What is known of all frames, a frame a row.
pub(super) struct Levels {
    bins: usize,
    /// Power re the room's.
    gamma: Vec<f32>,
    /// The same, smoothed over three frames and three bins.
    pub(super) smooth: Vec<f32>,
    /// Which bins a partial may lie in.
    pub(super) partial: Vec<bool>,
    /// Whether anything sounds in a frame.
    pub(super) sounding: Vec<bool>,
    /// The pitch in each frame.
    pub(super) pitch: Vec<Option<f64>>,
    /// Level between the partials re the room's, cell by cell.
    pub(super) between: Vec<f32>,
    /// The same over the longer time of a note.
    pub(super) lasting: Vec<f32>,
    pub(super) cells: usize,
}

impl Levels {
    /// Of the powers `gamma` re the room's, `bins` a frame, that `stft` gave at `rate`; in `quiet` frames they
    /// are the room's own.
    pub(super) fn new(
        gamma: Vec<f32>,
        (bins, shape, rate): (usize, Shape, f64),
        stft: &Stft<f32>,
        quiet: &[bool],
        pitch: &PitchLines,
    ) -> Self {
        let size = stft.size() as f64;
        let mut partial = vec![false; gamma.len()];
        let pitch = partial
            .chunks_exact_mut(bins)
            .enumerate()
            .map(|(t, row)| pitch.mark((stft.first(t) as f64 + size / 2.0) / rate, size / rate, row))
            .collect();
        let mut levels = Self {
            bins,
            smooth: smoothed(&gamma, bins),
            gamma,
            partial,
            pitch,
            sounding: Vec::new(),
            between: Vec::new(),
            lasting: Vec::new(),
            cells: bins.div_ceil(shape.cell),
        };
        levels.level_between(quiet, shape);
        levels
    }

    /// The powers' room in memory, for what comes in their place.
    pub(super) fn take_gamma(&mut self) -> Vec<f32> {
        std::mem::take(&mut self.gamma)
    }

    /// Mean power re the room's over bins that are neither partials nor peaks; 1 where there are none, and in
    /// `quiet` frames.
    fn level_between(&mut self, quiet: &[bool], shape: Shape) {
        let cells = self.cells;
        let mut sums = vec![[0f32; 2]; cells * quiet.len()];
        let mut limits = Limits::new(cells);
        for (t, (sums, quiet)) in sums.chunks_exact_mut(cells).zip(quiet).enumerate() {
            match (quiet, shape.cell) {
                (true, cell) => sums.iter_mut().enumerate().for_each(|(c, s)| {
                    *s = [(((c + 1) * cell).min(self.bins) - c * cell) as f32; 2];
                }),
                // What the compiler knows the length of it works out several times as fast.
                (_, 3) => self.sum_up::<3>(t, &mut limits, sums),
                (_, 6) => self.sum_up::<6>(t, &mut limits, sums),
                (_, _) => self.sum_up::<12>(t, &mut limits, sums),
            }
        }
        over_bins(&mut sums, cells, shape.reach.0);
        let mean = |v: &[Sum]| v.iter().map(|[sum, count]| (sum + 2.0) / (count + 2.0)).collect();
        let now = over_time(&sums, cells, shape.reach.1);
        self.between = mean(&now);
        // What sounds before the note and after it says nothing of the note's breath, nor do clicks.
        let calm = self.calm(&sums, shape.note_reach);
        for (row, calm) in sums.chunks_exact_mut(cells).zip(&calm) {
            if !calm {
                row.fill([0.0; 2]);
            }
        }
        over_bins(&mut sums, cells, WIDER);
        self.lasting = mean(&over_time(&sums, cells, shape.note_reach));
        self.follow(&now, shape);
    }

    /// Sums over each cell of frame `t`, `CELL` bins wide, leaving out partials and peaks.
    fn sum_up<const CELL: usize>(&self, t: usize, limits: &mut Limits, sums: &mut [Sum]) {
        let row = t * self.bins..(t + 1) * self.bins;
        let (smooth, gamma, partial) =
            (&self.smooth[row.clone()], &self.gamma[row.clone()], &self.partial[row]);
        limits.work_out::<CELL>(smooth);
        let cells = gamma.chunks(CELL).zip(smooth.chunks(CELL)).zip(partial.chunks(CELL));
        for ((sum, limit), ((g, s), p)) in sums.iter_mut().zip(&limits.of).zip(cells) {
            *sum = match (g.first_chunk::<CELL>(), s.first_chunk::<CELL>(), p.first_chunk::<CELL>()) {
                (Some(g), Some(s), Some(p)) => counted(*limit, g, s, p),
                // The last cell may be cut off.
                _ => counted(*limit, g, s, p),
            };
        }
    }

    /// Lowers the lasting level between the partials where the note dies away: over each of a few wide
    /// bands, to the part of it that the frames around (sums `now`) still hold.
    fn follow(&mut self, now: &[Sum], shape: Shape) {
        let cells = self.cells;
        // Each cell was counted in so many sums.
        let overlap = (2 * shape.reach.0 + 1) as f32;
        // The lowest sixteenth of the cells, and octaves above.
        let edge = |b: usize| if b == 0 { 0 } else { (cells >> (FOLLOWED - b)).max(1) };
        for (row, lasting) in now.chunks_exact(cells).zip(self.lasting.chunks_exact_mut(cells)) {
            for band in (0..FOLLOWED).map(|b| edge(b)..edge(b + 1)) {
                let (mut excess, mut expected, mut count) = (0f32, 0f32, 0f32);
                for (n, l) in row[band.clone()].iter().zip(&lasting[band.clone()]) {
                    excess += n[0] - n[1];
                    expected += (l - 1.0).max(0.0) * n[1];
                    count += n[1];
                }
                if expected <= 0.0 {
                    continue;
                }
                // More than was found by one and a half deviations: what is uncertain is left as it lasts.
                let unsure = 1.5 * (count * overlap / INDEPENDENT).sqrt();
                let part = ((excess + unsure) / expected).clamp(0.0, 1.0);
                lasting[band].iter_mut().for_each(|l| *l = 1.0 + (*l - 1.0) * part);
            }
        }
    }

    /// Which frames of a note do not stand out, over the whole spectrum, of those around them. Fills
    /// [`Levels::sounding`] on the way.
    fn calm(&mut self, sums: &[Sum], reach: usize) -> Vec<bool> {
        let levels: Vec<f32> = sums
            .chunks_exact(self.cells)
            .map(|row| {
                let known = row.iter().filter(|[_, count]| *count > 0.0);
                let (sum, count) =
                    known.fold((0f32, 0f32), |(sum, n), c| (sum + fast_log2(c[0] / c[1]), n + 1.0));
                sum / count.max(1.0)
            })
            .collect();
        self.sounding = levels.iter().zip(&self.pitch).map(|(l, p)| p.is_some() || *l > SOUNDS).collect();
        let levels: Vec<Option<f32>> = levels.iter().zip(&self.pitch).map(|(l, p)| p.map(|_| *l)).collect();
        // About twenty frames give the median well enough.
        let step = (reach / 10).max(1);
        let mut around = Vec::new();
        (0..levels.len())
            .map(|t| {
                let Some(level) = levels[t] else { return false };
                around.clear();
                let part = &levels[t.saturating_sub(reach)..(t + reach + 1).min(levels.len())];
                around.extend(part.iter().step_by(step).flatten());
                let middle = around.len() / 2;
                level < *around.select_nth_unstable_by(middle, f32::total_cmp).1 + OUTLIER
            })
            .collect()
    }

    /// Makes of `sum`, the smoothed powers of frame `t`, at the bins of `runs` the mean over `reach` frames to
    /// either side, each read where the pitch has moved the bin to. `sum` is as it was elsewhere.
    pub(super) fn steady(&self, t: usize, reach: usize, runs: &[Range<usize>], sum: &mut [f32]) {
        let bins = self.bins;
        let Some(pitch) = self.pitch[t] else { return };
        let mut count = 1f32;
        for u in t.saturating_sub(reach)..(t + reach + 1).min(self.pitch.len()) {
            let Some(other) = self.pitch[u] else { continue };
            let ratio = (other / pitch) as f32;
            if u == t || (ratio - 1.0).abs() > 0.03 {
                continue;
            }
            count += 1.0;
            let there = &self.smooth[u * bins..(u + 1) * bins];
            for run in runs {
                // Over the few bins of a partial the pitch has moved all by the same.
                let moved = ((run.start + run.end) as f32 * 0.5 * (ratio - 1.0)).round() as i64;
                let from = (run.start as i64 + moved).clamp(0, (bins - run.len()) as i64) as usize;
                let there = &there[from..from + run.len()];
                sum[run.clone()].iter_mut().zip(there).for_each(|(s, v)| *s += v);
            }
        }
        let share = 1.0 / count;
        runs.iter().for_each(|r| sum[r.clone()].iter_mut().for_each(|s| *s *= share));
    }
}

/// From which power on a bin is a peak, cell by cell.
struct Limits {
    /// Mean logarithm of each cell's powers.
    logs: Vec<f32>,
    of: Vec<f32>,
}

impl Limits {
    fn new(cells: usize) -> Self {
        Self { logs: vec![0.0; cells], of: vec![0.0; cells] }
    }

    /// [`PEAK`] times the geometric mean of `smooth` over each cell and its neighbours.
    fn work_out<const CELL: usize>(&mut self, smooth: &[f32]) {
        for (l, s) in self.logs.iter_mut().zip(smooth.chunks(CELL)) {
            *l = s.first_chunk::<CELL>().map_or_else(|| mean_log2(s), |s| mean_log2(s));
        }
        let (logs, cells) = (&self.logs, self.logs.len());
        let mean = |part: &[f32]| part.iter().sum::<f32>() / part.len() as f32;
        let inside = AROUND.min(cells)..cells.saturating_sub(AROUND).max(AROUND.min(cells));
        for c in (0..inside.start).chain(inside.end..cells) {
            self.of[c] = mean(&logs[c.saturating_sub(AROUND)..(c + AROUND + 1).min(cells)]);
        }
        for (l, around) in self.of[inside].iter_mut().zip(logs.windows(2 * AROUND + 1)) {
            *l = mean(around);
        }
        self.of.iter_mut().for_each(|l| *l = PEAK * fast_exp2(*l));
    }
}

/// Sum and count of the powers `g` where their smoothed ones `s` lie below `limit` and no partial may lie.
#[inline(always)]
fn counted(limit: f32, g: &[f32], s: &[f32], partial: &[bool]) -> Sum {
    let mut sum = [0f32; 2];
    for ((g, s), partial) in g.iter().zip(s).zip(partial) {
        let counts = f32::from(u8::from(!partial & (*s < limit)));
        sum[0] += g * counts;
        sum[1] += counts;
    }
    sum
}

/// Weighted means over three frames and three bins (weights 1, 2, 1).
fn smoothed(gamma: &[f32], bins: usize) -> Vec<f32> {
    let frames = gamma.len() / bins;
    let mut out = vec![0f32; gamma.len()];
    let mut row = vec![0f32; bins];
    for t in 0..frames {
        let at = |t: usize| &gamma[t * bins..(t + 1) * bins];
        let (a, b, c) = (at(t.saturating_sub(1)), at(t), at((t + 1).min(frames - 1)));
        for (((r, a), b), c) in row.iter_mut().zip(a).zip(b).zip(c) {
            *r = 0.25 * (a + c) + 0.5 * b;
        }
        let o = &mut out[t * bins..(t + 1) * bins];
        for k in 1..bins - 1 {
            o[k] = 0.25 * (row[k - 1] + row[k + 1]) + 0.5 * row[k];
        }
        // At either end a spectrum is real, or its window's lobe is: too restless to be judged alone.
        for k in 0..2 {
            o[k] = o[2];
            o[bins - 1 - k] = o[bins - 3];
        }
    }
    out
}

/// Where `flags` are set, as ranges.
pub(super) fn runs_of(flags: &[bool], runs: &mut Vec<Range<usize>>) {
    runs.clear();
    let mut k = 0;
    while k < flags.len() {
        if flags[k] {
            let from = k;
            while k < flags.len() && flags[k] {
                k += 1;
            }
            runs.push(from..k);
        }
        k += 1;
    }
}

/// Sums over `reach` entries to either side in each row, in place.
fn over_bins(v: &mut [Sum], columns: usize, reach: usize) {
    let add = |to: &mut [Sum], from: &[Sum]| {
        to.iter_mut().zip(from).for_each(|(t, f)| *t = [t[0] + f[0], t[1] + f[1]]);
    };
    let mut row = vec![[0f32; 2]; columns];
    for sums in v.chunks_exact_mut(columns) {
        row.copy_from_slice(sums);
        for d in 1..(reach + 1).min(columns) {
            add(&mut sums[d..], &row);
            add(sums, &row[d..]);
        }
    }
}

/// Sums over `reach` rows to either side, kept up by adding the row that comes and taking off the one
/// that goes (in double precision: nothing builds up).
fn over_time(v: &[Sum], columns: usize, reach: usize) -> Vec<Sum> {
    let rows = v.len() / columns;
    let row = |t: usize| &v[t * columns..(t + 1) * columns];
    let mut sum = vec![[0f64; 2]; columns];
    let add = |t: usize, sign: f64, sum: &mut [[f64; 2]]| {
        for (s, v) in sum.iter_mut().zip(row(t)) {
            s[0] += sign * f64::from(v[0]);
            s[1] += sign * f64::from(v[1]);
        }
    };
    (0..reach.min(rows)).for_each(|t| add(t, 1.0, &mut sum));
    let mut out = Vec::with_capacity(v.len());
    for t in 0..rows {
        if t + reach < rows {
            add(t + reach, 1.0, &mut sum);
        }
        if t > reach {
            add(t - reach - 1, -1.0, &mut sum);
        }
        out.extend(sum.iter().map(|s| [s[0].max(0.0) as f32, s[1].max(0.0) as f32]));
    }
    out
}
