//! What a track says about the note as a whole.

use super::refine::CENTS;
use super::{F0Track, NoteSummary};
use crate::units::Hertz;

/// Gaps up to this long do not end a sustain, in seconds.
const GAP_S: f64 = 0.03;
/// Shorter sustains say too little, in seconds.
const SHORTEST_S: f64 = 0.08;
/// At its ends a sustain stays this close to its centre, in cents, or as close as most of it.
const STEADY_CENTS: f64 = 30.0;
/// Two values further apart than this are different notes, in cents.
const JUMP_CENTS: f64 = 80.0;

/// See [`super::summarise`].
pub fn summarise(track: &F0Track) -> Option<NoteSummary> {
    if track.hop_s.is_nan() || track.hop_s <= 0.0 {
        return None;
    }
    let (first, last) = longest_run(track)?;
    let (first, last) = without_scoops(track, first, last)?;
    if (last - first) as f64 * track.hop_s < SHORTEST_S {
        return None;
    }
    let f0 = weighted_median(track, first, last)?;
    let voiced = |i: &usize| track.f0_hz[*i].is_some();
    let inside = (first..=last).filter(voiced).count() as f64;
    let mean = (first..=last).filter(voiced).map(|i| f64::from(track.confidence[i])).sum::<f64>() / inside;
    let kept = inside / (last - first + 1) as f64;
    // Octave-sure: what the rest of the track calls an octave (or a twelfth) away counts against it.
    let strays = (0..track.f0_hz.len())
        .filter(|i| track.f0_hz[*i].is_some_and(|f| is_octave_off(f / f0)))
        .map(|i| f64::from(track.confidence[i]))
        .sum::<f64>();
    let octave = 1.0 - strays / (strays + mean * inside).max(1e-12);
    Some(NoteSummary {
        f0: Hertz(f0),
        confidence: (mean * kept * octave).clamp(0.0, 1.0),
        sustain_s: (first as f64 * track.hop_s, last as f64 * track.hop_s),
    })
}

/// Whether a ratio is 2, 3 or 4 up or down, to within a semitone.
fn is_octave_off(ratio: f64) -> bool {
    let up = ratio.max(1.0 / ratio);
    [2.0f64, 3.0, 4.0].iter().any(|n| (CENTS * (up / n).ln()).abs() < 100.0)
}

/// First and last index of the longest stretch that is voiced, without jumps, but for short gaps.
fn longest_run(track: &F0Track) -> Option<(usize, usize)> {
    let gap = (GAP_S / track.hop_s).round() as usize + 1;
    let mut best: Option<(usize, usize)> = None;
    let mut run: Option<(usize, usize, f64)> = None;
    for (i, f) in track.f0_hz.iter().enumerate() {
        let Some(f) = *f else { continue };
        run = match run {
            Some((a, b, g)) if i - b <= gap && (CENTS * (f / g).ln()).abs() < JUMP_CENTS => Some((a, i, f)),
            _ => Some((i, i, f)),
        };
        if let Some((a, b, _)) = run
            && best.is_none_or(|(c, d)| b - a > d - c)
        {
            best = Some((a, b));
        }
    }
    best
}

/// The stretch without what still slides into the note or out of it.
fn without_scoops(track: &F0Track, first: usize, last: usize) -> Option<(usize, usize)> {
    // The middle half knows where the note is.
    let quarter = (last - first) / 4;
    let centre = weighted_median(track, first + quarter, last - quarter)?;
    let off = |i: usize| track.f0_hz[i].map(|f| (CENTS * (f / centre).ln()).abs());
    let mut middle: Vec<f64> = (first + quarter..=last - quarter).filter_map(off).collect();
    let at = middle.len().saturating_sub(1) * 9 / 10;
    let most = *middle.select_nth_unstable_by(at, f64::total_cmp).1;
    let near = STEADY_CENTS.max(1.2 * most);
    let steady = |i: &usize| off(*i).is_some_and(|c| c <= near);
    Some(((first..=last).find(steady)?, (first..=last).rev().find(steady)?))
}

/// Median of the fundamental from `first` to `last`, each value weighted by its confidence.
fn weighted_median(track: &F0Track, first: usize, last: usize) -> Option<f64> {
    let mut values: Vec<(f64, f64)> = (first..=last)
        .filter_map(|i| track.f0_hz[i].map(|f| (f, f64::from(track.confidence[i]).max(1e-6))))
        .collect();
    values.sort_by(|a, b| a.0.total_cmp(&b.0));
    let half = values.iter().map(|v| v.1).sum::<f64>() / 2.0;
    let mut sum = 0.0;
    values
        .iter()
        .find(|v| {
            sum += v.1;
            sum >= half
        })
        .map(|v| v.0)
}
