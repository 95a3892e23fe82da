//! The level around a join once its crossfade is in it, foretold from short blocks: no samples are
//! mixed, the powers of both sides and what they share say what the mixture will have.

use super::crossfade::{Share, gains_of};
use super::periodicity::products;

/// Length of a block, seconds.
const BLOCK_S: f64 = 0.005;
/// Blocks on each side of the join.
const SIDE: usize = 80;
/// Blocks to each side over which the shares are taken together (25 ms).
const AROUND: usize = 5;
/// Spans of the level step, and of the bulge, in blocks: 50 and 200 ms, 20 and 80 ms.
const STEPS: [usize; 2] = [10, 40];
const BULGES: [usize; 2] = [2, 8];

/// Sums over the blocks around both ends: from `SIDE` blocks before to `SIDE` blocks after them.
pub(super) struct Joined {
    block: usize,
    /// Blocks that lie in the audio before both ends, and after the start.
    before: usize,
    after: usize,
    /// Shares of the block pairs before the ends, the last block first.
    pairs: Vec<Share>,
    /// Power of the blocks after the start.
    follows: Vec<f64>,
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
    /// Reads the blocks. `start` and `end` lie in the audio.
    pub(super) fn read(channels: &[&[f32]], rate: f64, start: usize, end: usize) -> Self {
        let length = end - start;
        // Short loops: blocks so short that a quarter of the loop holds the longest span.
        let block = ((BLOCK_S * rate) as usize).min(length / (4 * STEPS[1])).max(1);
        let before = SIDE.min(start / block);
        let after = SIDE.min(length / block);
        let pairs = (1..=before)
            .map(|k| {
                let mut sum = Share::default();
                for x in channels {
                    let (o, n) = (end - k * block, start - k * block);
                    let (both, out, inn) = products(&x[o..o + block], &x[n..n + block]);
                    sum.add(&Share { out, inn, both });
                }
                sum
            })
            .collect();
        let follows = (0..after)
            .map(|k| {
                let at = start + k * block;
                channels.iter().map(|x| products(&x[at..at + block], &x[at..at + block]).0).sum()
            })
            .collect();
        Self { block, before, after, pairs, follows }
    }

    /// Power of every block around the join with a fade of `crossfade` frames, in time.
    fn contour(&self, crossfade: usize) -> Vec<f64> {
        let mut all = Vec::with_capacity(self.before + self.after);
        for k in (0..self.before).rev() {
            let middle = (k as f64 + 0.5) * self.block as f64;
            let position = 1.0 - middle / (crossfade as f64).max(1e-9);
            let here = self.pairs[k];
            if position <= 0.0 {
                all.push(here.out);
                continue;
            }
            let (from, to) = (k.saturating_sub(AROUND), (k + AROUND + 1).min(self.before));
            let mut around = Share::default();
            self.pairs[from..to].iter().for_each(|s| around.add(s));
            let (a, b) = gains_of(&around, position);
            all.push((a * a * here.out + b * b * here.inn + 2.0 * a * b * here.both).max(0.0));
        }
        all.extend(&self.follows);
        all
    }

    /// Step and bulge at the join with a fade of `crossfade` frames.
    pub(super) fn level(&self, crossfade: usize) -> LevelAtJoin {
        let contour = self.contour(crossfade);
        let mut sums = vec![0f64];
        for p in &contour {
            sums.push(sums[sums.len() - 1] + p);
        }
        let join = self.before;
        let mean = |from: usize, to: usize| {
            (10.0 * ((sums[to] - sums[from]) / (to - from) as f64 / self.block as f64 + 1e-14).log10()).max(-140.0)
        };
        let mut found = LevelAtJoin::default();
        for span in STEPS {
            if self.before >= span && self.after >= span {
                let step = mean(join, join + span) - mean(join - span, join);
                found.step_db = found.step_db.max(step.abs());
            }
        }
        for half in BULGES {
            let (inner, outer) = (2 * half, 2 * half + (2 * half).max(10));
            // The bulge may lie some blocks before the join, where the fade is in its middle.
            let places = join.saturating_sub(6 * half)..=join + half;
            for i in places.filter(|i| *i >= outer && i + outer <= contour.len()) {
                let around = 0.5 * (mean(i - outer, i - inner) + mean(i + inner, i + outer));
                found.bulge_db = found.bulge_db.max((mean(i - half, i + half) - around).abs());
            }
        }
        found
    }
}
