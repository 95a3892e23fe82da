//! The level around a join once its crossfade is in it, foretold from short blocks: no samples are
//! mixed, the powers of both sides and what they share say what the mixture will have.

use super::crossfade::{Share, gains_of};
use super::periodicity::{energy, products};

/// Length of a block, seconds, as nearly as whole periods allow: then the wave itself leaves no ripple.
const BLOCK_S: f64 = 0.005;
/// What is read on each side of the join, seconds.
const SIDE_S: f64 = 0.42;
/// To each side of a block, over which the shares are taken together, seconds.
const AROUND_S: f64 = 0.025;
/// Spans of the level step, and of the bulge, seconds.
const STEPS_S: [f64; 2] = [0.05, 0.2];
const BULGES_S: [f64; 2] = [0.02, 0.08];

/// Sums over the blocks around both ends.
pub(super) struct Joined {
    /// Frames of a block.
    block: f64,
    /// Blocks a second.
    blocks_a_second: f64,
    /// Shares of the block pairs before the ends, the last block first.
    pairs: Vec<Share>,
    /// Power of the blocks after the start.
    follows: Vec<f64>,
    /// What level does in the blocks after the start anyhow.
    usual: LevelAtJoin,
}

/// What the level does at the join.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct LevelAtJoin {
    /// The larger step over 50 and 200 ms, dB.
    pub(super) step_db: f64,
    /// The larger bulge or dip over 20 and 80 ms, dB.
    pub(super) bulge_db: f64,
}

impl Joined {
    /// Reads the blocks of a tone whose period is so many frames. `start` and `end` lie in the audio.
    pub(super) fn read(channels: &[&[f32]], rate: f64, period: f64, start: usize, end: usize) -> Self {
        let length = end - start;
        // Short loops: blocks so short that a quarter of the loop holds the longest span.
        let wanted = (BLOCK_S * rate).min(length as f64 * BLOCK_S / (4.0 * STEPS_S[1]));
        let block = if wanted >= 0.6 * period || length as f64 >= 16.0 * period {
            period * (wanted / period).round().max(1.0)
        } else {
            wanted.max(1.0)
        };
        let side = SIDE_S * rate / block;
        let before = side.min(start as f64 / block) as usize;
        let after = side.min(length as f64 / block) as usize;
        let edge = |k: usize| (k as f64 * block).round() as usize;
        let pairs = (0..before)
            .map(|k| {
                let (near, far) = (edge(k), edge(k + 1));
                let mut sum = Share::default();
                for x in channels {
                    let sides = products(&x[end - far..end - near], &x[start - far..start - near]);
                    sum.add(&Share { both: sides.0, out: sides.1, inn: sides.2 });
                }
                sum
            })
            .collect();
        let follows = (0..after)
            .map(|k| {
                let stretch = start + edge(k)..start + edge(k + 1);
                channels.iter().map(|x| energy(&x[stretch.clone()])).sum()
            })
            .collect();
        let usual = LevelAtJoin::default();
        let mut made = Self { block, blocks_a_second: rate / block, pairs, follows, usual };
        made.usual = made.usual_after_start();
        made
    }

    fn blocks(&self, seconds: f64) -> usize {
        ((seconds * self.blocks_a_second).round() as usize).max(1)
    }

    /// Power of every block around the join with a fade of `crossfade` frames, in time.
    fn contour(&self, crossfade: usize) -> Vec<f64> {
        let mut all = Vec::with_capacity(self.pairs.len() + self.follows.len());
        let around = self.blocks(AROUND_S);
        for k in (0..self.pairs.len()).rev() {
            let middle = (k as f64 + 0.5) * self.block;
            let position = 1.0 - middle / (crossfade as f64).max(1e-9);
            let here = self.pairs[k];
            if position <= 0.0 {
                all.push(here.out);
                continue;
            }
            let (from, to) = (k.saturating_sub(around), (k + around + 1).min(self.pairs.len()));
            let mut nearby = Share::default();
            self.pairs[from..to].iter().for_each(|s| nearby.add(s));
            let (a, b) = gains_of(&nearby, position);
            all.push((a * a * here.out + b * b * here.inn + 2.0 * a * b * here.both).max(0.0));
        }
        all.extend(&self.follows);
        all
    }

    /// Step and bulge at the join with a fade of `crossfade` frames, beyond what the sound after the
    /// start shows at its median place.
    pub(super) fn level(&self, crossfade: usize) -> LevelAtJoin {
        let levels = Levels::new(&self.contour(crossfade));
        let join = self.pairs.len();
        let beyond = |v: f64, usual: f64| (v * v - usual * usual).max(0.0).sqrt();
        let step = STEPS_S.map(|s| levels.step(join, self.blocks(s)).unwrap_or(0.0));
        let mut bulge = 0f64;
        for span_s in BULGES_S {
            let half = self.blocks(0.5 * span_s);
            // The bulge may lie some blocks before the join, where the fade is in its middle.
            for i in join.saturating_sub(6 * half)..=join + half {
                bulge = bulge.max(levels.bulge(i, half, self.blocks(0.05)).unwrap_or(0.0));
            }
        }
        LevelAtJoin {
            step_db: beyond(step[0], self.usual.step_db).max(step[1]),
            bulge_db: beyond(bulge, self.usual.bulge_db),
        }
    }

    /// Medians of the short step, and of what the largest bulge among as many places as are looked at
    /// around a join is, after the start.
    fn usual_after_start(&self) -> LevelAtJoin {
        let levels = Levels::new(&self.follows);
        let places = 0..self.follows.len();
        let mut steps: Vec<f64> =
            places.clone().filter_map(|i| levels.step(i, self.blocks(STEPS_S[0]))).collect();
        let half = self.blocks(0.5 * BULGES_S[0]);
        let bulges: Vec<f64> = places.filter_map(|i| levels.bulge(i, half, self.blocks(0.05))).collect();
        let mut most: Vec<f64> =
            bulges.windows(7 * half + 1).map(|w| w.iter().copied().fold(0.0, f64::max)).collect();
        let median = |x: &mut Vec<f64>| {
            x.sort_by(f64::total_cmp);
            x.get(x.len() / 2).copied().unwrap_or(0.0)
        };
        LevelAtJoin { step_db: median(&mut steps), bulge_db: median(&mut most) }
    }
}

/// Levels of stretches of blocks.
struct Levels {
    sums: Vec<f64>,
}

impl Levels {
    fn new(powers: &[f64]) -> Self {
        let mut sums = vec![0f64];
        for p in powers {
            sums.push(sums[sums.len() - 1] + p);
        }
        Self { sums }
    }

    fn mean_db(&self, from: usize, to: usize) -> f64 {
        10.0 * ((self.sums[to] - self.sums[from]).max(0.0) / (to - from) as f64 + 1e-12).log10()
    }

    /// From the `span` blocks before `i` to those after; None where they do not lie in the contour.
    fn step(&self, i: usize, span: usize) -> Option<f64> {
        (i >= span && i + span < self.sums.len())
            .then(|| (self.mean_db(i, i + span) - self.mean_db(i - span, i)).abs())
    }

    /// The `half` blocks to each side of `i` against at least `least` blocks on both sides, which begin
    /// as far away as the bulge is wide.
    fn bulge(&self, i: usize, half: usize, least: usize) -> Option<f64> {
        let (inner, outer) = (2 * half, 2 * half + least.max(2 * half));
        if i < outer || i + outer >= self.sums.len() {
            return None;
        }
        let around = 0.5 * (self.mean_db(i - outer, i - inner) + self.mean_db(i + inner, i + outer));
        Some((self.mean_db(i - half, i + half) - around).abs())
    }
}
