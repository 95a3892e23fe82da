//! What near-collisions remain after loops were chosen, why, and what would leave fewer.

use std::collections::BTreeMap;

use super::{LayerLoops, NoteApart};
use crate::dsp::looping::stack::{
    NearMiss, StackLoop, StackParams, StackReport, choose_apart, near_misses, report,
};
use crate::error::Result;
use crate::session::stack::GIVEN_UP;

/// How often the seams of two layers come near each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PairCount {
    /// Which layers, the lower first.
    pub layers: (usize, usize),
    /// Before loops were chosen.
    pub before: usize,
    /// Now.
    pub after: usize,
}

/// Why two layers still come near each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Why {
    /// Neither loop may be changed.
    BothLocked,
    /// Of all loops that score well enough (so many of either layer) no two stay apart for so long.
    NoneApart(usize, usize),
    /// Some stay apart, but the whole stack would be worse for it.
    WorseForTheRest,
}

/// What remains, and what would leave fewer.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Remains {
    /// Pairs of layers, the lower first, and why.
    pub pairs: Vec<((usize, usize), Why)>,
    /// With so many points given up so many near-collisions would be left.
    pub more_points: Option<(f64, usize)>,
    /// With no loop locked so many would be left.
    pub unlocked: Option<usize>,
}

/// How often each two layers come near each other, the lower first.
pub fn by_pair(near: &[NearMiss]) -> BTreeMap<(usize, usize), usize> {
    let mut count = BTreeMap::new();
    for n in near {
        let (a, b) = n.layers;
        *count.entry((a.min(b), a.max(b))).or_default() += 1;
    }
    count
}

/// The pairs that came or come near each other.
pub(super) fn pair_counts(before: &StackReport, after: &StackReport, apart_s: f64) -> Vec<PairCount> {
    let count = |r: &StackReport| by_pair(&near_misses(&r.joins, apart_s));
    let (before, after) = (count(before), count(after));
    let mut layers: Vec<_> = before.keys().chain(after.keys()).copied().collect();
    layers.sort_unstable();
    layers.dedup();
    let of = |m: &BTreeMap<_, usize>, k| m.get(&k).copied().unwrap_or_default();
    layers
        .into_iter()
        .map(|k| PairCount { layers: k, before: of(&before, k), after: of(&after, k) })
        .collect()
}

/// What remains of `told`, why, and what would help. Errors: as [`choose_apart`].
pub(super) fn remains(told: &NoteApart, layers: &[LayerLoops], params: &StackParams) -> Result<Remains> {
    if told.after.near_count == 0 {
        return Ok(Remains::default());
    }
    let loops: Vec<Vec<StackLoop>> =
        layers.iter().map(|l| l.loops.iter().map(|(s, _)| *s).collect()).collect();
    let locked: Vec<Option<usize>> = layers.iter().map(LayerLoops::locked).collect();
    let pairs = told.pairs.iter().filter(|p| p.after > 0);
    let pairs =
        pairs.map(|p| Ok((p.layers, why(p.layers, &loops, &locked, params)?))).collect::<Result<_>>()?;
    let fewer = |plan: &StackReport| Some(plan.near_count).filter(|n| *n < told.after.near_count);
    let mut remains = Remains { pairs, ..Remains::default() };
    if params.most_given_up < *GIVEN_UP.end() {
        let all = StackParams { most_given_up: *GIVEN_UP.end(), ..*params };
        let plan = choose_apart(&loops, &locked, &all)?;
        let points = plan.given_up.iter().copied().fold(0.0, f64::max).ceil();
        remains.more_points = fewer(&plan.report).map(|n| (points, n));
    }
    if locked.iter().any(Option::is_some) {
        remains.unlocked = fewer(&choose_apart(&loops, &[], params)?.report);
    }
    Ok(remains)
}

fn why(
    (a, b): (usize, usize),
    loops: &[Vec<StackLoop>],
    locked: &[Option<usize>],
    params: &StackParams,
) -> Result<Why> {
    if locked[a].is_some() && locked[b].is_some() {
        return Ok(Why::BothLocked);
    }
    let allowed = |i: usize| -> Vec<StackLoop> {
        let best = loops[i].iter().map(|l| l.score).fold(f64::NEG_INFINITY, f64::max);
        match locked[i] {
            Some(kept) => vec![loops[i][kept]],
            None => loops[i].iter().filter(|l| l.score >= best - params.most_given_up).copied().collect(),
        }
    };
    let (of_a, of_b) = (allowed(a), allowed(b));
    for x in &of_a {
        for y in &of_b {
            if report(&[Some(*x), Some(*y)], params.until_s, params.apart_s)?.near_count == 0 {
                return Ok(Why::WorseForTheRest);
            }
        }
    }
    Ok(Why::NoneApart(of_a.len(), of_b.len()))
}

impl Remains {
    /// In sentences; `number`: a layer's number as it is shown; `within`: how long is looked at.
    pub(super) fn words(
        &self,
        number: &dyn Fn(usize) -> u16,
        params: &StackParams,
        within: &str,
    ) -> Vec<String> {
        let mut lines: Vec<String> = self
            .pairs
            .iter()
            .map(|((a, b), why)| {
                let (a, b) = (number(*a), number(*b));
                let points = params.most_given_up;
                match why {
                    Why::BothLocked => format!("Layers {a} and {b}: both loops are locked."),
                    Why::NoneApart(1, 1) => {
                        format!("Layers {a} and {b}: there is one loop to take in either, and these two meet.")
                    }
                    Why::NoneApart(of_a, of_b) => format!(
                        "Layers {a} and {b}: no two of the loops at most {points:.0} points below the best \
                         ({of_a} and {of_b} of them) stay apart for {within}."
                    ),
                    Why::WorseForTheRest => format!(
                        "Layers {a} and {b}: loops that stay apart are there, but with them another layer is met \
                         sooner, or two loops come round together too soon."
                    ),
                }
            })
            .collect();
        if let Some((points, left)) = self.more_points {
            lines.push(format!("Giving up {points:.0} points of score would leave {left}."));
        }
        if let Some(left) = self.unlocked {
            lines.push(format!("With no loop locked {left} would be left."));
        }
        if self.more_points.is_none() && self.unlocked.is_none() && !self.pairs.is_empty() {
            lines.push("Fewer need other lengths of loops, looked for on the bench.".into());
        }
        lines
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn a_loop(length_s: f64, score: f64) -> StackLoop {
        StackLoop { entry_s: 0.5, length_s, score }
    }

    /// By hand: 1.0 and 1.0 s meet at every seam, 1.0 and 1.5 s at every third second; 1.0 s against 1.0 s entered
    /// 0.5 s later never.
    #[test]
    fn the_reason_is_found_among_the_loops_there_are() {
        let params = StackParams { until_s: 10.0, ..StackParams::default() };
        let loops = vec![vec![a_loop(1.0, 90.0)], vec![a_loop(1.0, 90.0), a_loop(1.5, 70.0)]];
        let why =
            |locked: &[Option<usize>], loops: &[Vec<StackLoop>]| why((0, 1), loops, locked, &params).unwrap();
        assert_eq!(why(&[Some(0), Some(0)], &loops), Why::BothLocked);
        assert_eq!(
            why(&[None, None], &loops),
            Why::NoneApart(1, 1),
            "20 points are more than may be given up"
        );
        let mut more = loops.clone();
        more[1].push(StackLoop { entry_s: 1.0, ..a_loop(1.0, 85.0) });
        assert_eq!(why(&[None, None], &more), Why::WorseForTheRest);
        assert_eq!(why(&[None, Some(0)], &more), Why::NoneApart(1, 1), "the locked one is all there is");
    }

    #[test]
    fn pairs_are_counted_whichever_comes_first() {
        let near = |layers| NearMiss { time_s: 1.0, layers, gap_s: 0.01 };
        let count = by_pair(&[near((0, 2)), near((2, 0)), near((1, 2))]);
        assert_eq!(count, BTreeMap::from([((0, 2), 2), ((1, 2), 1)]));
    }
}
