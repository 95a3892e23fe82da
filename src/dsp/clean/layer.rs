//! One resolution of the analysis: a gain for every frame and bin, and what error it is expected
//! to leave.

use std::ops::Range;

use super::bands::{self, BANDS};
use super::filter;
use super::gain::{Breath, Evidence, Gains};
use super::levels::{Levels, runs_of};
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
    /// Power in a frame and a band, re full scale; none in frames that were not looked at.
    pub(super) level: Vec<[f32; BANDS]>,
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

    /// Power re the room's of every frame and bin of `stft` that there is a `density` of, channels added up; 1
    /// in `quiet` frames. Errors: `Cancelled`.
    fn powers(&self, stft: &mut Stft<f32>, density: &[f64], quiet: &[bool]) -> Result<Vec<f32>> {
        let scale = stft.noise_power() * self.rate / 2.0 * self.channels.len() as f64;
        let inverse: Vec<f32> = density.iter().map(|d| (1.0 / (d * scale)) as f32).collect();
        let mut gamma = vec![0f32; density.len() * quiet.len()];
        let mut spectrum = stft.spectrum();
        for (t, row) in gamma.chunks_exact_mut(density.len()).enumerate() {
            if quiet[t] {
                // The room's own, as it is on the average.
                row.fill(1.0);
                continue;
            }
            for x in self.channels {
                self.poll.worked(stft.size())?;
                stft.forward(x, t, &mut spectrum);
                for ((g, z), i) in row.iter_mut().zip(&spectrum).zip(&inverse) {
                    *g += z.norm_sqr() * i;
                }
            }
        }
        Ok(gamma)
    }
}

/// Under a note the room is lowered by no more than this, as an amplitude (−24 dB; under a loud one −14):
/// what lies below is not heard there, and of a breath softer than the room nothing is known; without it the
/// note would be left with silence where there was some.
const LEAST_IN_NOTE: (f32, f32) = (0.06, 0.2);

/// A note's own noise is taken to lie this far below it, as a ratio of powers (−62 dB): above the room it is
/// seen, and where the room is still lower, so much of the room is left in its place.
const UNSEEN: f32 = 6e-7;

/// Cost of a frame that was not looked at, re full scale: more than any sound has.
const UNKNOWN_COST: f32 = 1e6;

/// What is the same for all frames of a layer, and room to work in.
struct Rows {
    /// Least gain of each bin.
    floor: Vec<f32>,
    /// The room's power in each bin, and in all.
    power: Vec<f32>,
    whole: f32,
    table: Gains,
    /// Power that is known of each bin, re the room's.
    known: Vec<f32>,
    runs: Vec<Range<usize>>,
    /// The bins from each cell's middle to the next one's, the first from 0 and the last to the end.
    stretches: Vec<Range<usize>>,
    /// How far a bin is on its way from one middle to the next, 0 to 1.
    part: Vec<f32>,
    /// What sounds between the partials, cell by cell.
    breath: Vec<Breath>,
    /// Gain of each bin without its floor.
    bare: Vec<f32>,
    /// Expected error in each bin.
    error: Vec<f32>,
}

impl Rows {
    fn new(scene: &Scene, density: &[f64], bin_hz: f64, cell: usize) -> Self {
        let bins = density.len();
        let cells = bins.div_ceil(cell);
        // A bin's place among the middles of the cells.
        let at = |k: usize| ((k as f32 + 0.5) / cell as f32 - 0.5).clamp(0.0, (cells - 1) as f32);
        let last = cells - 1;
        let mut from = 0;
        let stretches = (0..cells)
            .map(|c| {
                let to =
                    if c == last { bins } else { (from..bins).find(|k| at(*k) as usize > c).unwrap_or(bins) };
                let stretch = from..to;
                from = to;
                stretch
            })
            .collect();
        let power: Vec<f32> = density.iter().map(|d| (d * bin_hz) as f32).collect();
        Self {
            floor: (0..bins).map(|k| scene.params.room_gain(k as f64 * bin_hz) as f32).collect(),
            whole: power.iter().sum(),
            power,
            table: Gains::new(),
            known: vec![0.0; bins],
            runs: Vec::new(),
            stretches,
            part: (0..bins).map(|k| at(k).fract()).collect(),
            breath: Vec::new(),
            bare: vec![0.0; bins],
            error: vec![0.0; bins],
        }
    }

    /// Fills [`Rows::bare`] from what is known of frame `t`.
    fn gains_of(&mut self, t: usize, levels: &Levels) {
        let pitched = levels.sounding[t];
        let partial = &levels.partial[t * self.bare.len()..(t + 1) * self.bare.len()];
        for (c, stretch) in self.stretches.iter().enumerate() {
            let (a, b) = (self.breath[c], self.breath[(c + 1).min(self.breath.len() - 1)]);
            let silent = a.level == 0.0 && b.level == 0.0;
            for k in stretch.clone() {
                let (power, partial, part) = (self.known[k], partial[k], self.part[k]);
                self.bare[k] = if silent && !Gains::stands_out(power, partial, pitched) {
                    0.0
                } else {
                    let breath = a.level + (b.level - a.level) * part;
                    let lasts = if part < 0.5 { a.lasts } else { b.lasts };
                    self.table.of(Evidence { power, breath, lasts, partial, pitched })
                };
            }
        }
    }
}

impl Layer {
    /// One that changes nothing.
    pub(super) fn empty() -> Self {
        Self::blank(Stft::kept(8, 2), 5, 8.0)
    }

    /// One without gains, `bins` a frame, for signals at `rate`.
    pub(super) fn blank(stft: Stft<f32>, bins: usize, rate: f64) -> Self {
        let size = stft.size();
        let weights = bands::weights_of(bins, rate / size as f64);
        let weighed = weights.each_ref().map(|w| {
            let first = w.iter().position(|v| *v > 0.0).unwrap_or(0);
            first..w.iter().rposition(|v| *v > 0.0).map_or(first, |last| last + 1)
        });
        Self {
            stft,
            size,
            bins,
            frames: 0,
            gains: Vec::new(),
            cost: Vec::new(),
            level: Vec::new(),
            weights,
            weighed,
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
        let mut stft = Stft::kept(size, size / 4);
        let bin_hz = scene.rate / size as f64;
        // Enough bins for the means over them, whatever the top.
        let bins = ((top_hz / bin_hz) as usize + 1).clamp(8 * shape.cell, stft.bins());
        let quiet: Vec<bool> = (0..stft.frames(scene.channels[0].len()))
            .map(|t| stft.first(t) as f64 / scene.rate)
            .map(|from_s| quiet(from_s, from_s + size as f64 / scene.rate))
            .collect();
        let density: Vec<f64> = (0..bins).map(|k| scene.density(k as f64 * bin_hz)).collect();
        let gamma = scene.powers(&mut stft, &density, &quiet)?;
        let mut levels = Levels::new(gamma, (bins, shape, scene.rate), &stft, &quiet, scene.pitch);
        let mut layer = Self::blank(stft, bins, scene.rate);
        layer.frames = quiet.len();
        // The powers are not needed any more: the gains come in their place.
        layer.gains = levels.take_gamma();
        let mut rows = Rows::new(scene, &density, bin_hz, shape.cell);
        for (t, quiet) in quiet.into_iter().enumerate() {
            let [cost, level] = if quiet {
                layer.gains[t * bins..(t + 1) * bins].copy_from_slice(&rows.floor);
                [[UNKNOWN_COST; BANDS], [0.0; BANDS]]
            } else {
                scene.poll.worked(bins)?;
                layer.gains_of(t, &levels, shape, &mut rows)
            };
            layer.cost.push(cost);
            layer.level.push(level);
        }
        layer.sounding = levels.sounding;
        Ok(layer)
    }

    /// Fills a frame's gains; its expected error and its power.
    fn gains_of(&mut self, t: usize, levels: &Levels, shape: Shape, rows: &mut Rows) -> [[f32; BANDS]; 2] {
        let range = t * self.bins..(t + 1) * self.bins;
        let row = t * levels.cells..(t + 1) * levels.cells;
        let smooth = &levels.smooth[range.clone()];
        runs_of(&levels.partial[range.clone()], &mut rows.runs);
        rows.known.copy_from_slice(smooth);
        levels.steady(t, shape.partial_reach, &rows.runs, &mut rows.known);
        let pitched = levels.sounding[t];
        let cells = levels.between[row.clone()].iter().zip(&levels.lasting[row]);
        rows.breath.clear();
        rows.breath.extend(cells.map(|(around, lasting)| Breath::new(*around, *lasting, pitched)));
        if !pitched {
            hold_lowest(&mut rows.breath, shape.reach.0 + 1);
        }
        rows.gains_of(t, levels);
        let Rows { floor, power, whole, bare, error, .. } = rows;
        let least = levels.pitch[t].map_or(0.0, |_| least_under(dot(smooth, power) / *whole));
        for ((gain, g), f) in self.gains[range].iter_mut().zip(&*bare).zip(&*floor) {
            let f = f.max(least);
            *gain = f + (1.0 - f) * g;
        }
        for (((e, g), p), s) in error.iter_mut().zip(&*bare).zip(&*power).zip(smooth) {
            *e = p * (g * g + (1.0 - g) * (1.0 - g) * (s - 1.0).max(0.0));
        }
        let by_band = |v: &[f32]| {
            std::array::from_fn(|b| {
                let bins = self.weighed[b].clone();
                dot(&v[bins.clone()], &self.weights[b][bins])
            })
        };
        let cost = by_band(error);
        error.iter_mut().zip(&*power).zip(smooth).for_each(|((e, p), s)| *e = p * s);
        [cost, by_band(error)]
    }
}

/// Least gain under a note whose power is `over` times the room's.
fn least_under(over: f32) -> f32 {
    (UNSEEN * over).sqrt().clamp(LEAST_IN_NOTE.0, LEAST_IN_NOTE.1)
}

/// Holds the lowest `count` cells to what the next one has: at the end of the spectrum a mean is over few
/// bins, and where the room rumbles below them all hold the same.
fn hold_lowest(breath: &mut [Breath], count: usize) {
    let Some(next) = breath.get(count).map(|b| b.level) else { return };
    breath[..count].iter_mut().for_each(|b| b.level = b.level.min(next));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_lowest_cells_are_held_to_the_next_one() {
        let held = |levels: &[f32], count: usize| {
            let mut breath: Vec<Breath> =
                levels.iter().map(|level| Breath { level: *level, lasts: false }).collect();
            hold_lowest(&mut breath, count);
            breath.iter().map(|b| b.level).collect::<Vec<f32>>()
        };
        assert_eq!(held(&[5.0, 0.5, 3.0, 1.0, 9.0], 3), [1.0, 0.5, 1.0, 1.0, 9.0]);
        assert_eq!(held(&[5.0, 4.0], 3), [5.0, 4.0]);
    }
    /// 24 dB as a rule; a note 62 − 20 = 42 dB above the room leaves it 20 dB lower, and none more than a fifth.
    #[test]
    fn under_a_loud_note_more_of_the_room_stays() {
        for (db, least) in [(0.0, 0.06), (25.0, 0.06), (42.22, 0.1), (80.0, 0.2)] {
            let is = least_under(10f32.powf(db / 10.0));
            assert!((is - least).abs() < 1e-4, "{db} dB: {is}");
        }
    }
}
