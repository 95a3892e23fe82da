//! A loop whose length is given: only its place is looked for.

use super::features::Analyser;
use super::refine::Ground;
use super::seam_score::Scorer;
use super::{LoopCandidate, SHORTEST_LOOP, check_f0};
use crate::audio::AudioBuf;
use crate::error::{Error, ErrorKind, Result};
use crate::units::{FrameRange, Hertz};

/// Starts that are tried.
const STARTS: usize = 64;
/// Of those, so many are scored.
const SCORED: usize = 12;

/// The best loop of exactly `length` frames whose start lies within `reach_s` seconds (0.005 to 2) of
/// `start`, both ends in `within`: of starts a period apart (further where that would be more than 64)
/// those twelve whose waveforms agree best with what follows their end, set to the zero crossing next
/// to them (up to a period away) and scored by [`super::score_loop`] with the crossfade that suits
/// them.
///
/// `f0` is the note's fundamental; a length of whole periods is the caller's business. Errors:
/// `InvalidParameter` for a reach or length out of range; `Nothing` when a loop of that length does
/// not fit into `within` near there.
pub fn best_of_length(
    audio: &AudioBuf,
    f0: Hertz,
    within: FrameRange,
    start: u64,
    length: u64,
    reach_s: f64,
) -> Result<LoopCandidate> {
    check_f0(audio, f0)?;
    if !(0.005..=2.0).contains(&reach_s) {
        return Err(Error::invalid("reach", format!("{reach_s} s"), "0.005 to 2 s"));
    }
    if length < SHORTEST_LOOP {
        return Err(Error::invalid(
            "loop length",
            format!("{length} frames"),
            &format!("{SHORTEST_LOOP} frames or more"),
        ));
    }
    let rate = audio.rate().as_f64();
    let reach = (reach_s * rate) as u64;
    let until = within.end.0.min(audio.frames().0);
    let first = start.saturating_sub(reach).max(within.start.0);
    let last = (start + reach).min(until.saturating_sub(length));
    if until < length || first > last {
        return Err(Error::new(
            ErrorKind::Nothing,
            format!(
                "no loop of {:.3} s fits there: the steady part ends too soon; choose a shorter loop to copy",
                length as f64 / rate
            ),
        ));
    }
    let channels: Vec<&[f32]> = audio.channels().collect();
    let period = rate / f0.0;
    let ground = Ground {
        channels: &channels,
        rate,
        period,
        within: within.start.0 as usize..until as usize,
        lengths: 1..=until as usize,
    };
    let step = period.max((last - first) as f64 / STARTS as f64).max(1.0);
    let count = ((last - first) as f64 / step) as usize;
    let mut starts: Vec<(f64, usize)> = (0..=count)
        .map(|i| first as usize + (i as f64 * step) as usize)
        .map(|s| (ground.agreement(s, s + length as usize).unwrap_or(0.0), s))
        .collect();
    starts.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut scorer = Scorer::new(&channels, rate, f0.0, Analyser::new(rate, f0.0));
    starts
        .into_iter()
        .take(SCORED)
        .map(|(_, s)| {
            let (start, end) = ground.settle(s, s + length as usize);
            let measures = scorer.measure(start, end);
            let fade = scorer.crossfade_for(&measures, start, end);
            scorer.best_fade(&measures, FrameRange::new(start as u64, end as u64), fade)
        })
        .max_by(|a, b| a.score.total_cmp(&b.score))
        .ok_or_else(|| Error::new(ErrorKind::Nothing, "no loop of that length fits there"))
}
