//! The layers of a note sounding together: when their joins come, and loops chosen so that they stay
//! apart.
//!
//! All times are in seconds after the note begins; every layer begins with it. A layer that is spread
//! up in pitch plays faster by `speed` and all its times shrink by it.

mod choose;
mod dips;

use serde::{Deserialize, Serialize};

use crate::error::{Error, Result};

pub use choose::{StackParams, StackPlan, choose_apart};
pub use dips::{Dip, level_dips};

/// Joins come back to one another when whole rounds of two loops meet within this: 20 ms, about where
/// two clicks begin to be heard one after the other (Hirsh, JASA 31, 1959; from memory).
const SAME_TIME_S: f64 = 0.02;
/// Shortest loop that is counted, seconds: a loop of no length has joins without end.
const LEAST_LENGTH_S: f64 = 1e-4;

/// A loop as the stack sees it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct StackLoop {
    /// When the loop's first frame is played for the first time, seconds after the note begins.
    pub entry_s: f64,
    /// How long one round lasts, seconds.
    pub length_s: f64,
    /// 0 to 100, as [`super::score_loop`].
    pub score: f64,
}

impl StackLoop {
    /// Refuses times that are no numbers, or a loop of no length.
    fn check(&self) -> Result<()> {
        if !(self.length_s.is_finite() && self.length_s >= LEAST_LENGTH_S) {
            return Err(Error::invalid(
                "loop length",
                format!("{} s", self.length_s),
                &format!("{LEAST_LENGTH_S} s or more"),
            ));
        }
        if !(self.entry_s.is_finite() && self.entry_s >= 0.0 && self.score.is_finite()) {
            return Err(Error::invalid(
                "loop entry and score",
                format!("{} s, {}", self.entry_s, self.score),
                "0 s or more after the note begins, and a score of 0 to 100",
            ));
        }
        Ok(())
    }

    /// Times up to `until_s` at which the end meets the start: entry + length, and every length from
    /// there.
    pub fn joins(&self, until_s: f64) -> Vec<f64> {
        self.times_of(0.0, until_s)
    }

    /// Times up to `until_s` at which the frame `into_s` seconds after the loop start is played
    /// again and again; `into_s` 0 gives the joins. A place in the loop is played on the first way
    /// through as well, the join is not.
    pub fn times_of(&self, into_s: f64, until_s: f64) -> Vec<f64> {
        if self.check().is_err() || !until_s.is_finite() {
            return Vec::new();
        }
        let first = if into_s > 0.0 { self.entry_s + into_s } else { self.entry_s + self.length_s };
        let count = ((until_s - first) / self.length_s).floor();
        if count < 0.0 {
            return Vec::new();
        }
        (0..=count as usize).map(|k| first + k as f64 * self.length_s).collect()
    }
}

/// Two events of two layers that come nearly together.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct NearMiss {
    /// When the later of the two comes, seconds after the note begins.
    pub time_s: f64,
    /// Which layers, the earlier event's first.
    pub layers: (usize, usize),
    /// How far apart they come, seconds.
    pub gap_s: f64,
}

/// When whole rounds of two loops last equally long.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CommonBeat {
    /// After so many seconds the two layers' joins stand to each other as before.
    pub seconds: f64,
    /// Which layers.
    pub layers: (usize, usize),
    /// Rounds of either.
    pub rounds: (u32, u32),
}

/// What the joins of a stack do over time.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct StackReport {
    /// Times of the joins of each layer; empty for layers without a loop.
    pub joins: Vec<Vec<f64>>,
    /// The first time that joins of two layers come nearly together.
    pub first_near: Option<NearMiss>,
    /// How often they do.
    pub near_count: usize,
    /// The shortest common beat of two layers.
    pub common_beat: Option<CommonBeat>,
}

/// What the chosen loops of the layers do together: joins up to `until_s`, the first two that come
/// closer than `apart_s`, the shortest common beat. None stands for a layer without a loop.
///
/// Errors: `InvalidParameter` for loops of no length and times that are no numbers.
pub fn report(loops: &[Option<StackLoop>], until_s: f64, apart_s: f64) -> Result<StackReport> {
    check_times(until_s, apart_s)?;
    loops.iter().flatten().try_for_each(StackLoop::check)?;
    let joins: Vec<Vec<f64>> = loops.iter().map(|l| l.map_or_else(Vec::new, |l| l.joins(until_s))).collect();
    let near = near_misses(&joins, apart_s);
    let mut common_beat: Option<CommonBeat> = None;
    for (i, a) in loops.iter().enumerate() {
        for (j, b) in loops.iter().enumerate().skip(i + 1) {
            let (Some(a), Some(b)) = (a, b) else { continue };
            if let Some((seconds, rounds)) = beat_of(a.length_s, b.length_s, until_s)
                && common_beat.is_none_or(|c| seconds < c.seconds)
            {
                common_beat = Some(CommonBeat { seconds, layers: (i, j), rounds });
            }
        }
    }
    Ok(StackReport { joins, first_near: near.first().copied(), near_count: near.len(), common_beat })
}

fn check_times(until_s: f64, apart_s: f64) -> Result<()> {
    // An hour of joins is more than anybody holds a key; it bounds memory.
    if !(until_s.is_finite() && (0.0..=3600.0).contains(&until_s)) {
        return Err(Error::invalid("time looked at", format!("{until_s} s"), "0 to 3600 s"));
    }
    if !(apart_s.is_finite() && (0.0..=10.0).contains(&apart_s)) {
        return Err(Error::invalid("least distance of joins", format!("{apart_s} s"), "0 to 10 s"));
    }
    Ok(())
}

/// All pairs of events of different layers closer than `apart_s`, in time. `events` are times of
/// each layer, ascending.
pub fn near_misses(events: &[Vec<f64>], apart_s: f64) -> Vec<NearMiss> {
    let mut all: Vec<(f64, usize)> =
        events.iter().enumerate().flat_map(|(layer, t)| t.iter().map(move |t| (*t, layer))).collect();
    all.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut found = Vec::new();
    for (i, (later, second)) in all.iter().enumerate() {
        let near = all[..i].iter().rev().take_while(|(earlier, _)| later - earlier < apart_s);
        for (earlier, first) in near.filter(|(_, first)| first != second) {
            found.push(NearMiss { time_s: *later, layers: (*first, *second), gap_s: later - earlier });
        }
    }
    found
}

/// The first time up to `until_s` at which whole rounds of both lengths last equally long, within
/// 20 ms, and how many rounds of each. Lengths of 2 and 3 s: after 6 s, 3 and 2 rounds.
pub fn beat_of(a_s: f64, b_s: f64, until_s: f64) -> Option<(f64, (u32, u32))> {
    if !(a_s >= LEAST_LENGTH_S && b_s >= LEAST_LENGTH_S && until_s.is_finite()) {
        return None;
    }
    (1..=(until_s / a_s) as u32).find_map(|p| {
        let seconds = f64::from(p) * a_s;
        let q = (seconds / b_s).round();
        (q >= 1.0 && (seconds - q * b_s).abs() <= SAME_TIME_S.min(0.25 * a_s.min(b_s)))
            .then_some((seconds, (p, q as u32)))
    })
}
