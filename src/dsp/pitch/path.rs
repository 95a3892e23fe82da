//! The cheapest way through the candidates of all moments, by dynamic programming.
//!
//! In the spirit of Mauch & Dixon 2014 (a hidden Markov model over pitches, voiced or not, decoded
//! by Viterbi's algorithm), with costs in place of probabilities and the candidates themselves in
//! place of a fixed grid of pitches.

use super::candidates::{Candidate, MOST};
use crate::dsp::poll::Poll;
use crate::error::Result;

/// Cost of having no note at one moment: what a note must be better than.
const UNVOICED: f64 = 0.34;
/// Cost of going from a note to none or back.
const SWITCH: f64 = 0.25;
/// Cost of a jump of an octave.
const JUMP: f64 = 2.5;
/// Movement that is free, in octaves per second (a fast scoop: about 35 cents in 5 ms).
const FREE_OCTAVES_PER_S: f64 = 6.0;

/// State 0 is "no note"; state 1 + i is candidate i.
const STATES: usize = MOST + 1;

/// The candidate chosen at every moment, or none.
///
/// `all` holds the candidates of moment i in `starts[i]..starts[i + 1]`; moments are `step_s`
/// seconds apart. Returns one value a moment. Errors: `Cancelled`.
pub fn best_path(
    all: &[Candidate],
    starts: &[usize],
    step_s: f64,
    poll: &Poll,
) -> Result<Vec<Option<Candidate>>> {
    let moments = starts.len().saturating_sub(1);
    let free = FREE_OCTAVES_PER_S * step_s;
    let mut cost = [0.0f64; STATES];
    let mut back = vec![[0u8; STATES]; moments];
    let mut before: &[Candidate] = &[];
    // log2 of the frequencies, now and before: each is needed up to nine times.
    let (mut logs, mut logs_before) = ([0.0f64; MOST], [0.0f64; MOST]);
    for (i, back) in back.iter_mut().enumerate() {
        poll.worked(STATES * STATES)?;
        let now = &all[starts[i]..starts[i + 1]];
        for (l, c) in logs.iter_mut().zip(now) {
            *l = c.f_hz.log2();
        }
        let mut next = [f64::MAX; STATES];
        for to in 0..=now.len() {
            let own = if to == 0 { UNVOICED } else { now[to - 1].cost };
            for (from, so_far) in cost.iter().enumerate().take(before.len() + 1) {
                let step = match (from, to) {
                    _ if i == 0 => 0.0,
                    (0, 0) => 0.0,
                    (0, _) | (_, 0) => SWITCH,
                    (a, b) => {
                        let jump = (logs[b - 1] - logs_before[a - 1]).abs() - free;
                        if jump > 0.0 { JUMP * jump } else { 0.0 }
                    }
                };
                let sum = so_far + step + own;
                if sum < next[to] {
                    next[to] = sum;
                    back[to] = from as u8;
                }
            }
        }
        cost = next;
        before = now;
        logs_before = logs;
    }
    let mut path = vec![None; moments];
    let mut state = (0..=before.len()).min_by(|a, b| cost[*a].total_cmp(&cost[*b])).unwrap_or(0);
    for i in (0..moments).rev() {
        if state > 0 {
            path[i] = Some(all[starts[i] + state - 1]);
        }
        state = usize::from(back[i][state]);
    }
    Ok(path)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn c(f_hz: f64, cost: f64) -> Candidate {
        Candidate { f_hz, cost, aperiodicity: cost }
    }

    /// One moment at which the octave looks better does not pull the path off its note; a stretch
    /// of hopeless candidates is no note.
    #[test]
    fn continuity_beats_a_single_better_candidate() {
        let mut all = Vec::new();
        let mut starts = vec![0];
        for i in 0..30 {
            match i {
                10 => all.extend([c(880.0, 0.01), c(440.0, 0.1)]),
                15..20 => all.extend([c(97.0, 0.6)]),
                _ => all.extend([c(440.0, 0.05), c(220.0, 0.08)]),
            }
            starts.push(all.len());
        }
        let poll = Poll::new(&|| true);
        let path = best_path(&all, &starts, 0.005, &poll).unwrap();
        assert_eq!(path.len(), 30);
        for (i, p) in path.iter().enumerate() {
            assert_eq!(p.map(|p| p.f_hz), if (15..20).contains(&i) { None } else { Some(440.0) }, "{i}");
        }
        assert!(best_path(&[], &[0], 0.005, &poll).unwrap().is_empty());
        assert_eq!(best_path(&[], &[0, 0, 0], 0.005, &poll).unwrap(), vec![None, None]);
    }
}
