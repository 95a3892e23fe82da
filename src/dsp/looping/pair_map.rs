//! Every start against every end: the self-similarity of the sustain (Foote, ACM Multimedia 1999),
//! walked diagonal by diagonal so that memory stays linear.

use super::features::{DIMS, Features};

/// Cells across the starts, and across the lengths (in equal ratios).
const START_CELLS: usize = 48;
const LENGTH_CELLS: usize = 40;

/// A start and an end that sound alike, in rows.
#[derive(Debug, Clone, Copy)]
pub(super) struct Pair {
    pub(super) start: usize,
    pub(super) end: usize,
    /// Mean squared distance of the surroundings, about dB².
    pub(super) cost: f32,
}

/// The best pair of each neighbourhood in place and length, for lengths of `shortest..=longest`
/// rows. `context` rows to each side of both ends are compared along with them.
pub(super) fn islands(f: &Features, shortest: usize, longest: usize, context: usize) -> Vec<Pair> {
    let rows = f.rows.len();
    let shortest = shortest.max(1);
    let longest = longest.min(rows.saturating_sub(1));
    if shortest > longest {
        return Vec::new();
    }
    let mut cells: Vec<Option<Pair>> = vec![None; START_CELLS * LENGTH_CELLS];
    let ratio = (longest as f32 / shortest as f32).ln().max(1e-6);
    let mut sums: Vec<f32> = Vec::with_capacity(rows + 1);
    for lag in shortest..=longest {
        let across = ((lag as f32 / shortest as f32).ln() / ratio * LENGTH_CELLS as f32) as usize;
        let across = across.min(LENGTH_CELLS - 1);
        let count = rows - lag;
        sums.clear();
        sums.push(0.0);
        let mut sum = 0.0;
        for (a, b) in f.rows.iter().zip(&f.rows[lag..]) {
            sum += squared_distance(a, b);
            sums.push(sum);
        }
        for start in 0..count {
            let (from, to) = (start.saturating_sub(context), (start + context + 1).min(count));
            let cost = (sums[to] - sums[from]) / (to - from) as f32;
            let cell = &mut cells[across * START_CELLS + start * START_CELLS / count];
            if cell.is_none_or(|c| cost < c.cost) {
                *cell = Some(Pair { start, end: start + lag, cost });
            }
        }
    }
    cells.into_iter().flatten().collect()
}

/// Squared Euclidean distance, in four lanes so that the compiler may use them side by side.
fn squared_distance(a: &[f32; DIMS], b: &[f32; DIMS]) -> f32 {
    let mut lanes = [0f32; 4];
    for (a, b) in a.chunks_exact(4).zip(b.chunks_exact(4)) {
        for (lane, (a, b)) in lanes.iter_mut().zip(a.iter().zip(b)) {
            *lane += (a - b) * (a - b);
        }
    }
    lanes.iter().sum()
}
