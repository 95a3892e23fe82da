//! Every start against every end: the self-similarity of the sustain (Foote, ACM Multimedia 1999),
//! walked diagonal by diagonal so that memory stays linear.

use super::features::{DIMS, Features};

/// Cells across the starts, and across the lengths (in equal ratios).
const START_CELLS: usize = 48;
const LENGTH_CELLS: usize = 40;

/// Share of a start's own unrest that counts against it.
const UNSTEADY: f32 = 0.3;

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
    each_pair(f, shortest..=longest, 0..rows, context, |pair| {
        let lag = pair.end - pair.start;
        let across = ((lag as f32 / shortest as f32).ln() / ratio * LENGTH_CELLS as f32) as usize;
        let cell =
            &mut cells[across.min(LENGTH_CELLS - 1) * START_CELLS + pair.start * START_CELLS / (rows - lag)];
        if cell.is_none_or(|c| pair.cost < c.cost) {
            *cell = Some(pair);
        }
    });
    cells.into_iter().flatten().collect()
}

/// The least cost in every cell of a map of starts (across) by ends, row-major.
pub(super) fn cells_of(
    f: &Features,
    shortest: usize,
    longest: usize,
    context: usize,
    across: usize,
) -> Vec<Option<f32>> {
    let rows = f.rows.len();
    let mut cells: Vec<Option<f32>> = vec![None; across * across];
    each_pair(f, shortest..=longest.min(rows.saturating_sub(1)), 0..rows, context, |pair| {
        let cell = &mut cells[pair.end * across / rows * across + pair.start * across / rows];
        *cell = Some(cell.map_or(pair.cost, |c: f32| c.min(pair.cost)));
    });
    cells
}

/// What a sound that does not change is from itself: the median mean squared distance of rows so far
/// apart (`window` rows) that they share no frames, which is what its breath comes to.
pub(super) fn usual_distance(f: &Features, window: usize) -> f32 {
    let mut all: Vec<f32> =
        f.rows.iter().zip(f.rows.iter().skip(window.max(1))).map(|(a, b)| squared_distance(a, b)).collect();
    all.sort_by(f32::total_cmp);
    all.get(all.len() / 2).copied().unwrap_or(0.0)
}

/// The pairs within `reach` rows of a start and an end, cheapest first, forty at most.
pub(super) fn pairs_near(f: &Features, near: (usize, usize), reach: usize) -> Vec<Pair> {
    let (start, end) = near;
    let least = (end.saturating_sub(reach)).saturating_sub(start + reach).max(1);
    let most = (end + reach).saturating_sub(start.saturating_sub(reach)).min(f.rows.len().saturating_sub(1));
    let mut found = Vec::new();
    let starts = start.saturating_sub(reach)..(start + reach + 1).min(f.rows.len());
    each_pair(f, least..=most, starts, reach.clamp(1, 6), |pair| {
        if pair.end.abs_diff(end) <= reach {
            found.push(pair);
        }
    });
    found.sort_by(|a, b| a.cost.total_cmp(&b.cost));
    found.truncate(40);
    found
}

/// Calls `each` with every pair of a start in `starts` and a length in `lags`, diagonal by diagonal.
fn each_pair(
    f: &Features,
    lags: std::ops::RangeInclusive<usize>,
    starts: std::ops::Range<usize>,
    context: usize,
    mut each: impl FnMut(Pair),
) {
    let rows = f.rows.len();
    let unsteady = unsteadiness(f, context);
    let mut sums: Vec<f32> = Vec::with_capacity(rows + 1);
    for lag in lags {
        let count = rows.saturating_sub(lag);
        // Context reaches beyond the starts asked for.
        let first = starts.start.saturating_sub(context);
        let last = (starts.end + context).min(count);
        sums.clear();
        sums.push(0.0);
        let mut sum = 0.0;
        for i in first..last {
            sum += squared_distance(&f.rows[i], &f.rows[i + lag]);
            sums.push(sum);
        }
        let held = unsteady.iter().enumerate().take(starts.end.min(count)).skip(starts.start);
        for (start, unrest) in held {
            let (from, to) = (start.saturating_sub(context), (start + context + 1).min(count));
            let distance = sums[to.min(last) - first] - sums[from - first];
            let cost = distance / (to - from) as f32 + unrest;
            each(Pair { start, end: start + lag, cost });
        }
    }
}

/// What is held against a start because the sound changes there anyhow: a share of the squared
/// distance between what comes before and what comes after. A join is best hidden where all is calm.
fn unsteadiness(f: &Features, context: usize) -> Vec<f32> {
    let last = f.rows.len() - 1;
    (0..f.rows.len())
        .map(|i| {
            UNSTEADY * squared_distance(&f.rows[i.saturating_sub(context)], &f.rows[(i + context).min(last)])
        })
        .collect()
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Rows that hold one number each.
    fn toy(values: &[f32]) -> Features {
        let rows = values
            .iter()
            .map(|v| {
                let mut row = [0f32; DIMS];
                row[3] = *v;
                row
            })
            .collect();
        Features {
            hop: 1,
            first: 0,
            rows,
            partials: Vec::new(),
            partials_a_row: 0,
            partial_count: 0,
            loudest_db: 0.0,
        }
    }

    /// Source: Foote, ACM Multimedia 1999: S(i, j) = 1/w · Σₖ D(vᵢ₊ₖ, vⱼ₊ₖ), here with the squared
    /// Euclidean distance and k to both sides. Recomputed from the definition for a toy sequence; what
    /// the start's own unrest adds is taken off.
    #[test]
    fn costs_are_foote_s_windowed_self_similarity() {
        let v = [0.0f32, 1.0, 4.0, 9.0, 0.0, 1.0, 4.0, 9.0, 0.0, 1.0, 5.0, 9.0];
        let f = toy(&v);
        let context = 1;
        let unsteady = unsteadiness(&f, context);
        let mut seen = 0;
        each_pair(&f, 1..=8, 0..12, context, |pair| {
            let (mut sum, mut count) = (0.0, 0.0);
            for k in -1i32..=1 {
                let (i, j) = (pair.start as i32 + k, pair.end as i32 + k);
                if i >= 0 && j < 12 {
                    sum += (v[i as usize] - v[j as usize]).powi(2);
                    count += 1.0;
                }
            }
            assert!((pair.cost - unsteady[pair.start] - sum / count).abs() < 1e-4, "{pair:?}");
            seen += 1;
        });
        // 11 pairs one apart, 10 two apart, … 4 eight apart.
        assert_eq!(seen, (4..=11).sum::<usize>());
        // The sequence repeats every four: the first eight rows are at distance 0 from the next.
        let four = |start: usize| {
            let mut cost = f32::NAN;
            each_pair(&f, 4..=4, start..start + 1, context, |p| cost = p.cost - unsteady[start]);
            cost
        };
        assert_eq!((four(1), four(4)), (0.0, 0.0));
        assert!((four(5) - 1.0 / 3.0).abs() < 1e-6, "{}", four(5));
    }

    /// The map's cells hold the least cost of their pairs, and nothing where no length is allowed.
    #[test]
    fn cells_hold_the_best_pair() {
        let f = toy(&[0.0, 1.0, 4.0, 9.0, 0.0, 1.0, 4.0, 9.0, 0.0, 1.0, 4.0, 9.0]);
        let cells = cells_of(&f, 3, 9, 0, 12);
        for (end, row) in cells.chunks(12).enumerate() {
            for (start, cell) in row.iter().enumerate() {
                let length = end as i64 - start as i64;
                assert_eq!(cell.is_some(), (3..=9).contains(&length), "{start} {end}");
                if length == 4 || length == 8 {
                    assert_eq!(*cell, Some(0.0), "{start} {end}");
                }
            }
        }
    }
}
