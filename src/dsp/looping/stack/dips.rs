//! Breaths and dips of the level inside a loop: they come back as regularly as the joins.

use serde::{Deserialize, Serialize};

use super::super::check_range;
use crate::audio::AudioBuf;
use crate::error::Result;
use crate::units::FrameRange;

/// Span over which the level is taken, and step, seconds.
const SPAN_S: f64 = 0.06;
const STEP_S: f64 = 0.01;
/// The level round about is the median over so many seconds to each side.
const AROUND_S: f64 = 0.5;
/// What lies this far below it is a dip, dB: twice the just noticeable difference of about 0.7 dB
/// (Jesteadt, Wier & Green, JASA 61, 1977; from memory).
const LEAST_DEPTH_DB: f64 = 1.4;

/// A dip of the level.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Dip {
    /// Its deepest place, seconds after the loop start.
    pub into_s: f64,
    /// How far the level falls below its surroundings, dB.
    pub depth_db: f64,
    /// How long it stays below half of that, seconds.
    pub length_s: f64,
}

/// The dips of the level in a loop (a breath taken, a change of bow, a beat between partials), in
/// time, the loop going round.
///
/// Level: RMS of all channels over 60 ms, every 10 ms; surroundings: its median over half a second to
/// each side (half the loop at the most). What lies 1.4 dB or more below is a dip. Dips longer than
/// about half a second are swells and not told. Times are good to the step, 10 ms. Loops under 0.3 s
/// have none: what comes back so fast is the sound itself.
///
/// Errors: as [`crate::dsp::looping::score_loop`].
pub fn level_dips(audio: &AudioBuf, range: FrameRange) -> Result<Vec<Dip>> {
    check_range(audio, range)?;
    let rate = audio.rate().as_f64();
    let length_s = range.count().0 as f64 / rate;
    if length_s < 0.3 {
        return Ok(Vec::new());
    }
    let level = levels(audio, range);
    let n = level.len();
    let reach = ((AROUND_S / STEP_S) as usize).min(n / 2);
    let below: Vec<f64> = (0..n)
        .map(|i| {
            let mut around: Vec<f64> = (0..=2 * reach).map(|k| level[(i + n + k - reach) % n]).collect();
            around.sort_by(f64::total_cmp);
            around[reach] - level[i]
        })
        .collect();
    let step_s = length_s / n as f64;
    let deepest =
        |i: usize| (1..=3).all(|k| below[i] > below[(i + n - k) % n] && below[i] >= below[(i + k) % n]);
    Ok((0..n)
        .filter(|i| below[*i] >= LEAST_DEPTH_DB && deepest(*i))
        .map(|i| {
            let half = |forward: bool| {
                (1..n)
                    .take_while(|k| below[(if forward { i + k } else { i + n - k }) % n] > 0.5 * below[i])
                    .count()
            };
            Dip {
                into_s: (i as f64 + 0.5) * step_s,
                depth_db: below[i],
                length_s: (half(true) + half(false) + 1) as f64 * step_s,
            }
        })
        .collect())
}

/// Level in dB around evenly spaced places of the loop, the loop going round.
fn levels(audio: &AudioBuf, range: FrameRange) -> Vec<f64> {
    let rate = audio.rate().as_f64();
    let r = range.as_usize();
    let frames = r.len();
    let n = (frames as f64 / rate / STEP_S).round().max(1.0) as usize;
    let mut sums = vec![0f64; 2 * frames + 1];
    for i in 0..2 * frames {
        let power: f64 = audio.channels().map(|x| f64::from(x[r.start + i % frames]).powi(2)).sum();
        sums[i + 1] = sums[i] + power;
    }
    let span = ((SPAN_S * rate) as usize).clamp(1, frames);
    (0..n)
        .map(|i| {
            let centre = (2 * i + 1) * frames / (2 * n);
            let from = (centre + frames - span / 2) % frames;
            10.0 * ((sums[from + span] - sums[from]) / span as f64 + 1e-14).log10()
        })
        .collect()
}
