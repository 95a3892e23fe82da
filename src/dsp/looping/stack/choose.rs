//! Choosing loops that stay apart, all layers of a note at once.

use serde::{Deserialize, Serialize};

use super::{StackLoop, StackReport, beat_of, check_times, near_misses, report};
use crate::error::{Error, Result};

/// How many partial choices are looked at before the best so far is taken. Six layers of twenty
/// candidates are usually settled in some thousands.
const MOST_STEPS: usize = 400_000;
/// A common beat of no length counts like so many near-collisions at once.
const BEAT_COUNTS: f64 = 2.0;
/// All the score that may be given up counts like so many near-collisions at once: of choices that
/// stay equally far apart, the better score is taken.
const SCORE_COUNTS: f64 = 0.01;

/// What staying apart means.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct StackParams {
    /// Joins of two layers closer than this collide, seconds.
    pub apart_s: f64,
    /// How long after the note begins that is looked at, seconds.
    pub until_s: f64,
    /// Common beats shorter than this count against a choice, seconds.
    pub least_beat_s: f64,
    /// A layer gives up no more points of score than this against its best candidate.
    pub most_given_up: f64,
}

impl Default for StackParams {
    /// 80 ms, three minutes, common beats under 12 s (one breath or bow), 10 points.
    fn default() -> Self {
        Self { apart_s: 0.08, until_s: 180.0, least_beat_s: 12.0, most_given_up: 10.0 }
    }
}

/// Which candidate each layer takes.
#[derive(Debug, Clone, PartialEq)]
pub struct StackPlan {
    /// Index of the candidate for each layer; None where a layer has none.
    pub chosen: Vec<Option<usize>>,
    /// Points given up against the best candidate, layer by layer; 0 for locked ones.
    pub given_up: Vec<f64>,
    /// What the choice does over time.
    pub report: StackReport,
}

/// Chooses one of each layer's candidates so that the joins of different layers stay apart.
///
/// `layers`: the candidates of each layer (any order; none: the layer has no loop); `locked`: index of
/// the candidate a layer keeps, whatever its score, where it is locked (missing entries: not locked).
/// Of the candidates of an unlocked layer those count that score at most `most_given_up` less than
/// its best.
///
/// The choice has the least sum over all pairs of layers of: every near-collision, counted from 1 at
/// once down to 0 at `until_s`; the shortest common beat, from 2 at none down to 0 at `least_beat_s`;
/// and a hundredth of the share of score given up. It is exact (branch and bound) up to 400 000 steps
/// and the best found from there on. Same input, same choice.
///
/// Errors: `InvalidParameter` for times out of range, candidates of no length, or a locked index that
/// does not exist.
pub fn choose_apart(
    layers: &[Vec<StackLoop>],
    locked: &[Option<usize>],
    params: &StackParams,
) -> Result<StackPlan> {
    check(layers, locked, params)?;
    let allowed: Vec<Vec<usize>> = layers
        .iter()
        .enumerate()
        .map(|(i, candidates)| match locked.get(i).copied().flatten() {
            Some(kept) => vec![kept],
            None => worth_taking(candidates, params.most_given_up),
        })
        .collect();
    let sounding: Vec<usize> = (0..layers.len()).filter(|i| !allowed[*i].is_empty()).collect();
    let costs = Costs::new(layers, &allowed, &sounding, params);
    let picks = costs.least();
    let mut chosen = vec![None; layers.len()];
    for (layer, pick) in sounding.iter().zip(&picks) {
        chosen[*layer] = Some(allowed[*layer][*pick]);
    }
    let loops: Vec<Option<StackLoop>> =
        chosen.iter().zip(layers).map(|(c, l)| c.map(|c: usize| l[c])).collect();
    let given_up = chosen
        .iter()
        .enumerate()
        .map(|(i, c)| match c {
            Some(c) if locked.get(i).copied().flatten().is_none() => {
                best_score(&layers[i]) - layers[i][*c].score
            }
            _ => 0.0,
        })
        .collect();
    Ok(StackPlan { chosen, given_up, report: report(&loops, params.until_s, params.apart_s)? })
}

fn check(layers: &[Vec<StackLoop>], locked: &[Option<usize>], params: &StackParams) -> Result<()> {
    check_times(params.until_s, params.apart_s)?;
    if !(params.most_given_up >= 0.0 && params.least_beat_s >= 0.0) {
        return Err(Error::invalid(
            "score given up and shortest common beat",
            format!("{}, {} s", params.most_given_up, params.least_beat_s),
            "0 or more",
        ));
    }
    for (i, candidates) in layers.iter().enumerate() {
        candidates.iter().try_for_each(StackLoop::check)?;
        if let Some(kept) = locked.get(i).copied().flatten()
            && kept >= candidates.len()
        {
            return Err(Error::invalid(
                "locked loop",
                format!("number {kept} of layer {i}"),
                &format!("one of its {} candidates", candidates.len()),
            ));
        }
    }
    Ok(())
}

fn best_score(candidates: &[StackLoop]) -> f64 {
    candidates.iter().map(|c| c.score).fold(f64::NEG_INFINITY, f64::max)
}

/// Indices of those that give up little enough, best first.
fn worth_taking(candidates: &[StackLoop], most_given_up: f64) -> Vec<usize> {
    let least = best_score(candidates) - most_given_up;
    let mut kept: Vec<usize> = (0..candidates.len()).filter(|i| candidates[*i].score >= least).collect();
    kept.sort_by(|a, b| candidates[*b].score.total_cmp(&candidates[*a].score));
    kept
}

/// What every candidate and every pair of candidates costs.
struct Costs {
    /// By layer and candidate.
    own: Vec<Vec<f64>>,
    /// By layer, earlier layer, candidate, candidate of the earlier layer.
    pair: Vec<Vec<Vec<Vec<f64>>>>,
}

impl Costs {
    fn new(
        layers: &[Vec<StackLoop>],
        allowed: &[Vec<usize>],
        sounding: &[usize],
        params: &StackParams,
    ) -> Self {
        let joins: Vec<Vec<(StackLoop, Vec<f64>)>> = sounding
            .iter()
            .map(|l| {
                allowed[*l].iter().map(|c| (layers[*l][*c], layers[*l][*c].joins(params.until_s))).collect()
            })
            .collect();
        let own = sounding
            .iter()
            .map(|l| {
                let best = best_score(&layers[*l]);
                let share = |c: &usize| (best - layers[*l][*c].score) / params.most_given_up.max(1e-9);
                allowed[*l].iter().map(|c| SCORE_COUNTS * share(c).clamp(0.0, 1.0)).collect()
            })
            .collect();
        let pair = (0..joins.len())
            .map(|i| {
                (0..i)
                    .map(|j| {
                        let row = |a| joins[j].iter().map(|b| pair_cost(a, b, params)).collect();
                        joins[i].iter().map(row).collect()
                    })
                    .collect()
            })
            .collect();
        Self { own, pair }
    }

    /// Cost that `pick` of layer `i` adds to the picks of the layers before it.
    fn added(&self, picks: &[usize], i: usize, pick: usize) -> f64 {
        self.own[i][pick] + picks[..i].iter().enumerate().map(|(j, p)| self.pair[i][j][pick][*p]).sum::<f64>()
    }

    fn total(&self, picks: &[usize]) -> f64 {
        (0..picks.len()).map(|i| self.added(picks, i, picks[i])).sum()
    }

    /// The picks of least cost.
    fn least(&self) -> Vec<usize> {
        let mut best = self.descended(vec![0; self.own.len()]);
        let mut limit = self.total(&best);
        let mut steps = 0;
        self.branch(&mut Vec::new(), 0.0, &mut best, &mut limit, &mut steps);
        best
    }

    /// One layer after another takes what is best given the others, until nothing changes.
    fn descended(&self, mut picks: Vec<usize>) -> Vec<usize> {
        let mut least = self.total(&picks);
        for _ in 0..20 {
            let before = least;
            for i in 0..picks.len() {
                for candidate in 0..self.own[i].len() {
                    let old = std::mem::replace(&mut picks[i], candidate);
                    let cost = self.total(&picks);
                    if cost < least {
                        least = cost;
                    } else {
                        picks[i] = old;
                    }
                }
            }
            if least >= before {
                break;
            }
        }
        picks
    }

    fn branch(
        &self,
        picks: &mut Vec<usize>,
        cost: f64,
        best: &mut Vec<usize>,
        limit: &mut f64,
        steps: &mut usize,
    ) {
        let i = picks.len();
        if i == self.own.len() {
            if cost < *limit {
                *limit = cost;
                best.clone_from(picks);
            }
            return;
        }
        let mut next: Vec<(f64, usize)> =
            (0..self.own[i].len()).map(|p| (cost + self.added(picks, i, p), p)).collect();
        next.sort_by(|a, b| a.0.total_cmp(&b.0));
        for (cost, pick) in next {
            *steps += 1;
            if cost >= *limit || *steps > MOST_STEPS {
                return;
            }
            picks.push(pick);
            self.branch(picks, cost, best, limit, steps);
            picks.pop();
        }
    }
}

fn pair_cost(a: &(StackLoop, Vec<f64>), b: &(StackLoop, Vec<f64>), params: &StackParams) -> f64 {
    let near = near_misses(&[a.1.clone(), b.1.clone()], params.apart_s);
    let until = params.until_s.max(1e-9);
    let collisions: f64 = near.iter().map(|n| 1.0 - n.time_s / until).sum();
    let beat = beat_of(a.0.length_s, b.0.length_s, params.least_beat_s);
    collisions + beat.map_or(0.0, |(s, _)| BEAT_COUNTS * (1.0 - s / params.least_beat_s.max(1e-9)))
}
