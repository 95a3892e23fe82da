//! From samples to a track: search, path, which stretches are notes, refinement, confidence.

use super::candidates::{Candidate, Search};
use super::path::best_path;
use super::rates::Rates;
use super::refine::{CENTS, Refined, Stretch, refine};
use super::{F0Params, F0Track};
use crate::dsp::poll::Poll;
use crate::error::{Error, Result};
use crate::units::SampleRate;

/// Longest step of the analysis, in seconds; longer hops are made of several.
const LONGEST_STEP_S: f64 = 0.005;
/// Halvings of the working rate.
const HALVINGS: usize = 4;
/// What the recording's rate carries: part of the rate.
const CARRIED: f64 = 0.45;
/// Two values further apart than this belong to different notes, in octaves (100 cents).
const APART: f64 = 100.0 / 1200.0;
/// Shorter stretches are no notes: seconds and periods.
const SHORTEST_S: f64 = 0.04;
const SHORTEST_PERIODS: f64 = 4.0;
/// A note rises at least this far above the quiet parts, in dB.
const RISE_DB: f64 = 8.0;
/// A stretch over more than this part of a recording leaves no quiet parts.
const FILLED: f64 = 0.9;
/// A recording that nothing rises out of and that is this quiet is a room, in dB re full scale.
const ROOM_DB: f64 = -42.0;
/// Highest fundamental that a machine in a room is taken to hum at, in hertz.
const HUM_TOP_HZ: f64 = 400.0;
/// The refined value may differ from the rough one by this, in cents.
const TRUST_CENTS: f64 = 60.0;
/// A value less sure than this is none, in cents.
const UNSURE_CENTS: f64 = 15.0;
/// Standard error that halves the confidence, in cents.
const HALF_SURE_CENTS: f64 = 5.0;
/// d' of a note that is believed without any word of its partials.
const CLEARLY_PERIODIC: f64 = 0.1;
/// d' at which a frame is no more periodic than noise may be.
const NO_PERIOD: f64 = 0.6;

impl F0Params {
    /// Checks the ranges. Errors: `InvalidParameter`, with the legal range and a value that works.
    pub fn check(&self) -> Result<()> {
        let within = |name: &str, v: f64, low: f64, high: f64, text: &str| {
            if v.is_finite() && v >= low && v <= high { Ok(()) } else { Err(Error::invalid(name, v, text)) }
        };
        within("hop", self.hop_s, 0.001, 0.02, "0.001 to 0.02 s, such as 0.005")?;
        within("lowest fundamental", self.fmin_hz, 15.0, 2_000.0, "15 to 2000 Hz, such as 25")?;
        within("highest fundamental", self.fmax_hz, 60.0, 8_000.0, "60 to 8000 Hz, such as 4500")?;
        if self.fmax_hz < 2.0 * self.fmin_hz {
            let text = format!(
                "at least twice the lowest fundamental ({} Hz), such as {}",
                self.fmin_hz,
                4.0 * self.fmin_hz
            );
            return Err(Error::invalid("highest fundamental", self.fmax_hz, &text));
        }
        Ok(())
    }
}

/// The steps of the analysis: every `per_hop`-th is a value of the track, the search runs on every
/// `coarse`-th.
struct Grid {
    step: f64,
    per_hop: usize,
    coarse: usize,
    steps: usize,
}

impl Grid {
    fn new(hop_s: f64, values: usize) -> Self {
        let per_hop = (hop_s / LONGEST_STEP_S - 1e-9).ceil().max(1.0) as usize;
        let step = hop_s / per_hop as f64;
        let coarse = ((LONGEST_STEP_S / step + 1e-9) as usize).max(1);
        Self { step, per_hop, coarse, steps: (values - 1) * per_hop + 1 }
    }
}

/// A stretch of steps that may be a note.
struct Note {
    first: usize,
    f_hz: Vec<f64>,
    aperiodicity: Vec<f64>,
}

/// See [`super::track_f0`].
pub fn track(x: &[f32], rate: SampleRate, params: &F0Params, poll: &Poll) -> Result<F0Track> {
    params.check()?;
    // One value a hop; the small addition keeps a last hop that rounding would lose.
    let seconds = x.len() as f64 / rate.as_f64();
    let values = (seconds / params.hop_s + 1e-9) as usize + 1;
    let mut track = F0Track { hop_s: params.hop_s, f0_hz: vec![None; values], confidence: vec![0.0; values] };
    let rates = Rates::new(x, rate.as_f64(), HALVINGS, poll)?;
    let top_hz = CARRIED * rate.as_f64();
    let mut search = Search::new(&rates, params, top_hz, poll)?;
    if !search.is_possible() {
        return Ok(track);
    }
    let grid = Grid::new(params.hop_s, values);
    let mut all = Vec::new();
    let mut starts = vec![0];
    for c in 0..=(grid.steps - 1) / grid.coarse {
        search.at((c * grid.coarse) as f64 * grid.step, &mut all, poll)?;
        starts.push(all.len());
    }
    let path = best_path(&all, &starts, grid.step * grid.coarse as f64, poll)?;
    let levels = Levels::new(&search, &grid);
    for note in notes(&path, &grid) {
        if !levels.is_note(&note) {
            continue;
        }
        let t0 = note.first as f64 * grid.step;
        let end = t0 + (note.f_hz.len() - 1) as f64 * grid.step;
        // A step of the search may be voiced a little before the sound or after it.
        let reach = 2.0 * LONGEST_STEP_S;
        let stretch = Stretch {
            f_hz: &note.f_hz,
            t0,
            step: grid.step,
            sound_s: ((t0 - reach).max(0.0), (end + reach).min(seconds)),
            top_hz,
        };
        let mut refined = refine(&rates, &stretch, poll)?;
        refined.fill(&stretch, |i| note.aperiodicity[i] < CLEARLY_PERIODIC, poll)?;
        write(&mut track, &note, &refined, &grid, params);
    }
    Ok(track)
}

/// Cuts the path into stretches without jumps and fills the steps between its moments.
fn notes(path: &[Option<Candidate>], grid: &Grid) -> Vec<Note> {
    let mut found = Vec::new();
    let mut run: Vec<Candidate> = Vec::new();
    for c in 0..=path.len() {
        let now = path.get(c).copied().flatten();
        let joined =
            matches!((run.last(), now), (Some(a), Some(b)) if (a.f_hz / b.f_hz).log2().abs() < APART);
        if !joined && !run.is_empty() {
            let low = run.iter().map(|r| r.f_hz).fold(f64::MAX, f64::min);
            let lasts = run.len() as f64 * grid.coarse as f64 * grid.step;
            if lasts >= SHORTEST_S.max(SHORTEST_PERIODS / low) {
                found.push(spread_out(&run, (c - run.len()) * grid.coarse, grid));
            }
            run.clear();
        }
        run.extend(now);
    }
    found
}

/// The note of `run`, whose first moment is step `first`, with straight lines between its moments.
fn spread_out(run: &[Candidate], first: usize, grid: &Grid) -> Note {
    let steps = ((run.len() - 1) * grid.coarse + 1).min(grid.steps - first);
    let at = |i: usize, value: fn(&Candidate) -> f64| {
        let (a, part) = (i / grid.coarse, (i % grid.coarse) as f64 / grid.coarse as f64);
        let b = (a + 1).min(run.len() - 1);
        value(&run[a]) * (1.0 - part) + value(&run[b]) * part
    };
    Note {
        first,
        f_hz: (0..steps).map(|i| at(i, |c| c.f_hz)).collect(),
        aperiodicity: (0..steps).map(|i| at(i, |c| c.aperiodicity)).collect(),
    }
}

/// Levels of the recording, to tell a note from a room that hums.
struct Levels {
    /// Level at each step, in dB.
    db: Vec<f64>,
    quiet_db: f64,
    loud_db: f64,
}

impl Levels {
    fn new(search: &Search, grid: &Grid) -> Self {
        let db: Vec<f64> = (0..grid.steps)
            .map(|i| 10.0 * search.power(i as f64 * grid.step, 0.03).max(1e-16).log10())
            .collect();
        let part = |p| percentile(&db, p);
        Self { quiet_db: part(0.05), loud_db: part(0.95), db }
    }

    /// Whether `note` rises out of the recording's quiet parts. Mains hum and machines are as
    /// periodic as any note; what tells them apart is that they never begin. Where nothing in the
    /// recording rises, a deep and very quiet tone is taken for the room, anything else for a note.
    fn is_note(&self, note: &Note) -> bool {
        let own = percentile(&self.db[note.first..note.first + note.f_hz.len()], 0.8);
        // A note from end to end has no quiet parts to rise from, however much it swells.
        let fills = note.f_hz.len() as f64 > FILLED * self.db.len() as f64;
        if self.loud_db - self.quiet_db >= RISE_DB && !fills {
            return own >= self.quiet_db + RISE_DB;
        }
        let deep = percentile(&note.f_hz, 0.5) < HUM_TOP_HZ;
        own >= self.loud_db - RISE_DB && !(deep && own < ROOM_DB)
    }
}

/// The value below which part `p` of `v` lies.
fn percentile(v: &[f64], p: f64) -> f64 {
    let mut sorted = v.to_vec();
    let i = ((sorted.len() - 1) as f64 * p) as usize;
    *sorted.select_nth_unstable_by(i, f64::total_cmp).1
}

/// Puts a refined note into the track.
fn write(track: &mut F0Track, note: &Note, refined: &Refined, grid: &Grid, params: &F0Params) {
    for i in 0..refined.f_hz.len() {
        let step = note.first + i;
        if !step.is_multiple_of(grid.per_hop) {
            continue;
        }
        let (f, sigma) = (refined.f_hz[i], refined.sigma_cents[i]);
        // An octave's correction is no disagreement: compare with the nearest multiple.
        let times = (f / note.f_hz[i]).round().max(1.0);
        let off = CENTS * (f / (times * note.f_hz[i])).ln();
        let fits = f >= params.fmin_hz && f <= params.fmax_hz;
        if !(sigma < UNSURE_CENTS && off.abs() < TRUST_CENTS && fits) {
            continue;
        }
        let periodic = (1.0 - note.aperiodicity[i] / NO_PERIOD).clamp(0.0, 1.0);
        let v = step / grid.per_hop;
        track.f0_hz[v] = Some(f);
        track.confidence[v] = (periodic / (1.0 + sigma / HALF_SURE_CENTS)) as f32;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::signals;
    use crate::dsp::poll::PIECE;
    use std::cell::Cell;

    /// A low note, whose windows are the longest, and a hop that makes the most steps of the refinement.
    fn deep(seconds: usize) -> Vec<f32> {
        signals::harmonic(|_| 41.2, &[0.2, 0.15, 0.1, 0.1, 0.05, 0.05], 48_000.0, 48_000 * seconds)
    }

    /// However long the sound, no more than two pieces of work lie between two questions; and the work
    /// that is counted is that of all passes, so that none goes by unasked.
    #[test]
    fn asks_all_the_way_through() {
        let params = F0Params { hop_s: 0.001, ..F0Params::default() };
        let rate = SampleRate::DELIVERY;
        let mut totals = Vec::new();
        for seconds in [2, 4] {
            let x = deep(seconds);
            let asked = Cell::new(0u64);
            let go_on = || {
                asked.set(asked.get() + 1);
                true
            };
            let poll = Poll::new(&go_on);
            let found = track(&x, rate, &params, &poll).unwrap();
            assert_eq!(found, super::super::track_f0(&x, rate, &params).unwrap());
            assert!(found.f0_hz.iter().filter(|f| f.is_some()).count() > 800 * seconds);
            assert!(poll.longest() < 2 * PIECE, "{} steps without a question", poll.longest());
            assert!(asked.get() >= poll.total() / (2 * PIECE as u64));
            // A second of it: 200 searches with 8 steps for each of some 1300 samples of three windows,
            // 2.0 million; 1000 values measured twice with 40 numbers of 17 partials and more, 1.4; settled
            // over 73 to 200 values to each side, twelve times, 5.5; filters and turning away, 0.6. Without
            // any of the large three it is less than this.
            let least = 9_000_000 * seconds as u64;
            assert!(poll.total() > least, "{} of {least}", poll.total());
            totals.push(poll.total() as f64);
        }
        // Twice the sound, twice the work, but for the clip's ends.
        assert!((1.8..2.2).contains(&(totals[1] / totals[0])), "{totals:?}");
    }

    /// Whenever the answer is no, it ends there: not one question more.
    #[test]
    fn the_first_no_ends_it() {
        let x = deep(1);
        let params = F0Params::default();
        let count = |no_at: u64| {
            let asked = Cell::new(0u64);
            let go_on = || {
                asked.set(asked.get() + 1);
                asked.get() != no_at
            };
            let result = track(&x, SampleRate::DELIVERY, &params, &Poll::new(&go_on));
            (asked.get(), result.err().map(|e| e.is_cancelled()))
        };
        let (all, none) = count(u64::MAX);
        assert!(none.is_none() && all > 20, "{all} questions");
        for no_at in 1..=all {
            assert_eq!(count(no_at), (no_at, Some(true)));
        }
    }
}
