//! One resolution of the analysis: a gain for every frame and bin, and what error it is expected
//! to leave.

use std::ops::Range;

use super::bands::{self, BANDS};
use super::filter;
use super::gain::{Breath, Evidence, Gains, fast_exp2, fast_log2, mean_log2};
use super::low_band::dot;
use super::pitch_lines::PitchLines;
use super::{CleanParams, NoiseProfile};
use crate::dsp::poll::Poll;
use crate::dsp::stft::Stft;
use crate::error::Result;

/// Shape of one layer.
#[derive(Debug, Clone, Copy)]
pub(super) struct Shape {
    /// Frames of the transform at 48 kHz.
    pub(super) at_48k: usize,
    /// Bins of a cell, over which the level between the partials is taken.
    pub(super) cell: usize,
    /// Cells to either side, and frames to either side, that it is the mean of.
    pub(super) reach: (usize, usize),
    /// The same in frames where there is a note.
    pub(super) note_reach: usize,
    /// Frames to either side that a partial's level is the mean of.
    pub(super) partial_reach: usize,
}

/// A gain for every frame and bin.
pub(super) struct Layer {
    /// The transform that frames and bins are of.
    pub(super) stft: Stft<f32>,
    pub(super) size: usize,
    pub(super) bins: usize,
    pub(super) frames: usize,
    /// Row-major, a frame a row.
    pub(super) gains: Vec<f32>,
    /// Expected power of the error in a frame and a [`bands`] band, re full scale.
    pub(super) cost: Vec<[f32; BANDS]>,
    /// How much of each bin belongs to each band.
    pub(super) weights: [Vec<f32>; BANDS],
    /// Which bins have any weight in each band.
    weighed: [Range<usize>; BANDS],
    /// Whether anything sounds in a frame.
    pub(super) sounding: Vec<bool>,
    /// Gain of a frame above what a reading along the pitch holds, of the finest layer; empty elsewhere and
    /// where there is no reading.
    pub(super) above: Vec<f32>,
}

/// What all layers need.
pub(super) struct Scene<'a> {
    pub(super) channels: &'a [&'a [f32]],
    pub(super) rate: f64,
    pub(super) profile: &'a NoiseProfile,
    pub(super) pitch: &'a PitchLines,
    pub(super) params: &'a CleanParams,
    pub(super) poll: &'a Poll<'a>,
}

impl Scene<'_> {
    /// The room's power density at `hz` after the high-pass.
    fn density(&self, hz: f64) -> f64 {
        // The filter runs forwards and backwards: its power response counts twice.
        let left = self.params.high_pass_hz.map_or(1.0, |corner| filter::power_at(corner, hz).powi(2));
        self.profile.at(hz) * left.max(1e-8)
    }
}

/// Bins where the smoothed power is above this many times the level around them are peaks.
const PEAK: f32 = 6.0;

/// Under a note the room is lowered by no more than this, as an amplitude (−24 dB): what lies below is not
/// heard there, and of a breath softer than the room nothing is known; without it the note would be left
/// with silence where there was some.
const LEAST_IN_NOTE: f32 = 0.06;

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

/// Cost of a frame that was not looked at, re full scale: more than any sound has.
const UNKNOWN_COST: f32 = 1e6;

/// What is the same for all frames of a layer, and room to work in.
struct Rows {
    /// Least gain of each bin.
    floor: Vec<f32>,
    /// The room's power in each bin.
    power: Vec<f32>,
    table: Gains,
    /// See [`Work::steady`].
    steady: Vec<f32>,
    runs: Vec<Range<usize>>,
    /// The cell whose middle lies below a bin's, and how far it is from there to the next, 0 to 1.
    between: Vec<(usize, f32)>,
    /// What sounds between the partials, cell by cell.
    breath: Vec<Breath>,
    /// Gain of each bin without its floor.
    bare: Vec<f32>,
    /// Expected error in each bin.
    error: Vec<f32>,
}

struct Work {
    /// Power re the room's, frame by frame.
    gamma: Vec<f32>,
    /// The same, smoothed over three frames and three bins.
    smooth: Vec<f32>,
    /// Which bins a partial may lie in.
    partial: Vec<bool>,
    /// Whether anything sounds in a frame.
    sounding: Vec<bool>,
    /// The pitch in each frame.
    pitch: Vec<Option<f64>>,
    /// Level between the partials re the room's, cell by cell.
    between: Vec<f32>,
    /// The same over the longer time of a note.
    lasting: Vec<f32>,
    cells: usize,
}

impl Layer {
    /// One that changes nothing.
    pub(super) fn empty() -> Self {
        let stft = Stft::new(8, 2);
        Self {
            stft,
            size: 8,
            bins: 5,
            frames: 0,
            gains: Vec::new(),
            cost: Vec::new(),
            weights: Default::default(),
            weighed: Default::default(),
            sounding: Vec::new(),
            above: Vec::new(),
        }
    }

    /// Analyses `scene` at `shape` from 0 to `top_hz`. Frames over whose time (from and to, in seconds)
    /// `quiet` knows of nothing but the room are not looked at and cost more than any that are.
    /// Errors: `Cancelled`.
    pub(super) fn new(
        scene: &Scene,
        shape: Shape,
        top_hz: f64,
        quiet: &dyn Fn(f64, f64) -> bool,
    ) -> Result<Self> {
        let size = super::noise_profile::size_for(scene.rate, shape.at_48k);
        let mut stft = Stft::<f32>::new(size, size / 4);
        let frames = stft.frames(scene.channels[0].len());
        let bin_hz = scene.rate / size as f64;
        // Enough bins for the means over them, whatever the top.
        let bins = ((top_hz / bin_hz) as usize + 1).clamp(8 * shape.cell, stft.bins());
        let density: Vec<f64> = (0..bins).map(|k| scene.density(k as f64 * bin_hz)).collect();
        let scale = stft.noise_power() * scene.rate / 2.0 * scene.channels.len() as f64;
        let inverse: Vec<f32> = density.iter().map(|d| (1.0 / (d * scale)) as f32).collect();
        let mut gamma = vec![0f32; bins * frames];
        let mut spectrum = stft.spectrum();
        let quiet: Vec<bool> = (0..frames)
            .map(|t| stft.first(t) as f64 / scene.rate)
            .map(|from_s| quiet(from_s, from_s + size as f64 / scene.rate))
            .collect();
        for (t, row) in gamma.chunks_exact_mut(bins).enumerate() {
            if quiet[t] {
                // The room's own, as it is on the average.
                row.fill(1.0);
                continue;
            }
            for x in scene.channels {
                scene.poll.worked(size)?;
                stft.forward(x, t, &mut spectrum);
                for ((g, z), i) in row.iter_mut().zip(&spectrum).zip(&inverse) {
                    *g += z.norm_sqr() * i;
                }
            }
        }
        let smooth = smoothed(&gamma, bins);
        let mut partial = vec![false; bins * frames];
        let pitch = partial
            .chunks_exact_mut(bins)
            .enumerate()
            .map(|(t, row)| {
                let centre = stft.first(t) as f64 + size as f64 / 2.0;
                scene.pitch.mark(centre / scene.rate, size as f64 / scene.rate, row)
            })
            .collect();
        let cells = bins.div_ceil(shape.cell);
        let mut work = Work {
            gamma,
            smooth,
            partial,
            pitch,
            sounding: Vec::new(),
            between: Vec::new(),
            lasting: Vec::new(),
            cells,
        };
        work.level_between(bins, &quiet, shape);
        let floor: Vec<f32> = (0..bins).map(|k| scene.params.room_gain(k as f64 * bin_hz) as f32).collect();
        let power: Vec<f32> = density.iter().map(|d| (d * bin_hz) as f32).collect();
        // The powers are not needed any more: the gains come in their place.
        let (gains, cost) = (std::mem::take(&mut work.gamma), vec![[0.0; BANDS]; frames]);
        let weights = bands::weights_of(bins, bin_hz);
        let weighed = weights.each_ref().map(|w| {
            let first = w.iter().position(|v| *v > 0.0).unwrap_or(0);
            first..w.iter().rposition(|v| *v > 0.0).map_or(first, |last| last + 1)
        });
        let (sounding, above) = (Vec::new(), Vec::new());
        let mut layer = Self { stft, size, bins, frames, gains, cost, weights, weighed, sounding, above };
        let between = |k: usize| {
            let x = (k as f32 + 0.5) / shape.cell as f32 - 0.5;
            let c = (x.max(0.0) as usize).min(work.cells - 1);
            (c, (x - c as f32).clamp(0.0, 1.0))
        };
        let mut rows = Rows {
            floor,
            power,
            table: Gains::new(),
            steady: vec![0.0; bins],
            runs: Vec::new(),
            between: (0..bins).map(between).collect(),
            breath: Vec::new(),
            bare: vec![0.0; bins],
            error: vec![0.0; bins],
        };
        for (t, quiet) in quiet.into_iter().enumerate() {
            if quiet {
                layer.gains[t * bins..(t + 1) * bins].copy_from_slice(&rows.floor);
                layer.cost[t] = [UNKNOWN_COST; BANDS];
                continue;
            }
            scene.poll.worked(bins)?;
            layer.cost[t] = layer.gains_of(t, &work, shape, &mut rows);
        }
        layer.sounding = work.sounding;
        Ok(layer)
    }

    /// Fills a frame's gains; its expected error.
    fn gains_of(&mut self, t: usize, work: &Work, shape: Shape, rows: &mut Rows) -> [f32; BANDS] {
        let range = t * self.bins..(t + 1) * self.bins;
        let row = t * work.cells..(t + 1) * work.cells;
        let partial = &work.partial[range.clone()];
        let pitched = work.sounding[t];
        runs_of(partial, &mut rows.runs);
        work.steady(t, self.bins, shape.partial_reach, &rows.runs, &mut rows.steady);
        let levels = work.between[row.clone()].iter().zip(&work.lasting[row]);
        rows.breath.clear();
        rows.breath.extend(levels.map(|(around, lasting)| Breath::new(*around, *lasting, pitched)));
        if !pitched {
            hold_lowest(&mut rows.breath, shape.reach.0 + 1);
        }
        let Rows { floor, power, table, steady, between, breath, bare, error, .. } = rows;
        let least = if work.pitch[t].is_some() { LEAST_IN_NOTE } else { 0.0 };
        let smooth = &work.smooth[range.clone()];
        for (k, bare) in bare.iter_mut().enumerate() {
            let (cell, part) = between[k];
            let (a, b) = (breath[cell], breath[(cell + 1).min(breath.len() - 1)]);
            let known = if partial[k] { steady[k] } else { smooth[k] };
            *bare = table.of(Evidence {
                power: known,
                breath: a.level + (b.level - a.level) * part,
                lasts: if part < 0.5 { a.lasts } else { b.lasts },
                partial: partial[k],
                pitched,
            });
        }
        for ((gain, g), f) in self.gains[range].iter_mut().zip(&*bare).zip(&*floor) {
            let f = f.max(least);
            *gain = f + (1.0 - f) * g;
        }
        for (((e, g), p), s) in error.iter_mut().zip(&*bare).zip(&*power).zip(smooth) {
            *e = p * (g * g + (1.0 - g) * (1.0 - g) * (s - 1.0).max(0.0));
        }
        std::array::from_fn(|b| {
            let bins = self.weighed[b].clone();
            dot(&error[bins.clone()], &self.weights[b][bins])
        })
    }
}

/// Holds the lowest `count` cells to what the next one has: at the end of the spectrum a mean is over few
/// bins, and where the room rumbles below them all hold the same.
fn hold_lowest(breath: &mut [Breath], count: usize) {
    let Some(next) = breath.get(count).map(|b| b.level) else { return };
    breath[..count].iter_mut().for_each(|b| b.level = b.level.min(next));
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

impl Work {
    /// Mean power re the room's over bins that are neither partials nor peaks; 1 where there are none, and in
    /// `quiet` frames.
    fn level_between(&mut self, bins: usize, quiet: &[bool], shape: Shape) {
        let (cells, frames) = (self.cells, quiet.len());
        let mut sums = vec![[0f32; 2]; cells * frames];
        let mut logs = vec![0f32; cells];
        for (t, quiet) in quiet.iter().enumerate() {
            let row = t * bins..(t + 1) * bins;
            if *quiet {
                let room = |c: usize| [(((c + 1) * shape.cell).min(bins) - c * shape.cell) as f32; 2];
                sums[t * cells..(t + 1) * cells].iter_mut().enumerate().for_each(|(c, s)| *s = room(c));
                continue;
            }
            let (smooth, gamma, partial) =
                (&self.smooth[row.clone()], &self.gamma[row.clone()], &self.partial[row]);
            for (l, s) in logs.iter_mut().zip(smooth.chunks(shape.cell)) {
                *l = mean_log2(s);
            }
            for c in 0..cells {
                let (a, b) = (c.saturating_sub(2), (c + 3).min(cells));
                let limit = PEAK * fast_exp2(logs[a..b].iter().sum::<f32>() / (b - a) as f32);
                let sum = &mut sums[t * cells + c];
                let cell = c * shape.cell..((c + 1) * shape.cell).min(bins);
                let each = gamma[cell.clone()].iter().zip(&smooth[cell.clone()]).zip(&partial[cell]);
                for ((g, s), partial) in each {
                    let counts = f32::from(u8::from(!partial & (*s < limit)));
                    sum[0] += g * counts;
                    sum[1] += counts;
                }
            }
        }
        let mut sums = over_bins(&sums, cells, shape.reach.0);
        let mean = |v: &[[f32; 2]]| v.iter().map(|[sum, count]| (sum + 2.0) / (count + 2.0)).collect();
        let now = over_time(&sums, cells, shape.reach.1);
        self.between = mean(&now);
        // What sounds before the note and after it says nothing of the note's breath, nor do clicks.
        let calm = self.calm(&sums, shape.note_reach);
        for (row, calm) in sums.chunks_exact_mut(cells).zip(&calm) {
            if !calm {
                row.fill([0.0; 2]);
            }
        }
        let wide = over_bins(&sums, cells, WIDER);
        self.lasting = mean(&over_time(&wide, cells, shape.note_reach));
        self.follow(&now, shape);
    }

    /// Lowers the lasting level between the partials where the note dies away: over each of a few wide
    /// bands, to the part of it that the frames around (sums `now`) still hold.
    fn follow(&mut self, now: &[[f32; 2]], shape: Shape) {
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
                // Two deviations more than was found: what is uncertain is left as it lasts.
                let unsure = 2.0 * (count * overlap / INDEPENDENT).sqrt();
                let part = ((excess + unsure) / expected).clamp(0.0, 1.0);
                lasting[band].iter_mut().for_each(|l| *l = 1.0 + (*l - 1.0) * part);
            }
        }
    }

    /// Which frames of a note do not stand out, over the whole spectrum, of those around them. Fills
    /// [`Work::sounding`] on the way.
    fn calm(&mut self, sums: &[[f32; 2]], reach: usize) -> Vec<bool> {
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

    /// Into `sum`, at the bins of `runs`: power of a frame's bins over `reach` frames to either side,
    /// each read where the pitch has moved the bin to. `sum` is as it was elsewhere.
    fn steady(&self, t: usize, bins: usize, reach: usize, runs: &[Range<usize>], sum: &mut [f32]) {
        let row = &self.smooth[t * bins..(t + 1) * bins];
        let Some(pitch) = self.pitch[t] else { return };
        runs.iter().for_each(|r| sum[r.clone()].copy_from_slice(&row[r.clone()]));
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

/// Where `flags` are set, as ranges.
fn runs_of(flags: &[bool], runs: &mut Vec<Range<usize>>) {
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

/// Sums over `reach` entries to either side in each row.
fn over_bins(v: &[[f32; 2]], columns: usize, reach: usize) -> Vec<[f32; 2]> {
    let mut out = v.to_vec();
    let add = |to: &mut [[f32; 2]], from: &[[f32; 2]]| {
        to.iter_mut().zip(from).for_each(|(t, f)| *t = [t[0] + f[0], t[1] + f[1]]);
    };
    for (sums, row) in out.chunks_exact_mut(columns).zip(v.chunks_exact(columns)) {
        for d in 1..(reach + 1).min(columns) {
            add(&mut sums[d..], row);
            add(sums, &row[d..]);
        }
    }
    out
}

/// Sums over `reach` rows to either side, kept up by adding the row that comes and taking off the one
/// that goes (in double precision: nothing builds up).
fn over_time(v: &[[f32; 2]], columns: usize, reach: usize) -> Vec<[f32; 2]> {
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
