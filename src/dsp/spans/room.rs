//! The stretch with nobody playing.

use super::envelope::{ALL, BANDS, Envelope, NO_HUM, NO_RUMBLE};
use super::levels::{db, quantile, raw_db, running_sum, steady_db};
use super::{FoundRoom, SpanParams};
use crate::units::Decibels;

/// Step between the windows that are judged, in seconds.
const STEP_S: f64 = 0.05;
/// A single hop this far above its window is a click, in dB.
const CLICK_DB: f32 = 10.0;
/// A sample this far above the RMS of its window is a click, in dB: noise stays within about 15 dB.
const CREST_DB: f32 = 20.0;
/// Levels below this are taken as this: 16-bit sound jumps about between its lowest steps.
const LOWEST_DB: f32 = -100.0;
/// Between the 10th and the 90th percentile of a steady stretch there are less than this many dB:
/// without rumble and in all.
const SPREAD_DB: (f32, f32) = (6.0, 9.0);
/// What changes faster than this for sure decays or swells, in dB a second.
const SLOPE_DB_PER_S: f64 = 2.0;
/// Stretches this far above the quietest are still the room, in dB.
const ALIKE_DB: f32 = 3.0;
/// Below this all is digital silence, in dB.
const SILENCE_DB: f32 = -120.0;
/// A room louder than this must lie twice [`SpanParams::rise_db`] below the sound, in dB; where
/// nothing rises at all it is a sound and no room.
const LOUD_ROOM_DB: f32 = -40.0;
/// Longer is not better from here on, in seconds.
const LONG_ENOUGH_S: f64 = 10.0;
/// Kept away from the edges of a stretch where there is room, in seconds.
const MARGIN_S: f64 = 0.02;

/// One window of the search.
struct Window {
    start: usize,
    /// Without rumble, in dB.
    level: f32,
    /// All of it, in dB.
    all: f32,
    /// No click in it, little spread.
    calm: bool,
    /// Neither decaying nor swelling for sure.
    flat: bool,
    /// Digital silence.
    silent: bool,
}

/// Levels of all hops in the forms that the windows are judged by.
struct Levels {
    raw: Vec<f32>,
    steady: [Vec<f32>; 2],
    sums: [Vec<f64>; BANDS],
}

/// The quietest steady stretch without clicks; none where the file is all sound.
///
/// Windows of [`SpanParams::room_s`] are judged every 50 ms: a window with a click, with a wide
/// spread of level or with a sure slope (the tail of a note) is no room. Of the stretches of windows
/// within 3 dB of the quietest the longest is taken (10 s is long enough; of those the quietest).
/// The level is the RMS over the stretch from 20 Hz up, re full scale.
///
/// A stretch is also refused that is louder than −40 dB and not clearly softer than the sound: then
/// it is more likely the note itself. Digital silence is taken only where there is no other.
pub fn find_room_tone(envelope: &Envelope, params: &SpanParams) -> Option<FoundRoom> {
    let width = envelope.hops_in(params.room_s).max(4);
    if envelope.hops() < width {
        return None;
    }
    let levels = Levels {
        raw: raw_db(envelope, NO_HUM),
        steady: [steady_db(envelope, NO_RUMBLE), steady_db(envelope, ALL)],
        sums: [ALL, NO_RUMBLE, NO_HUM].map(|b| running_sum(envelope.power(b))),
    };
    let step = envelope.hops_in(STEP_S).max(1);
    let windows: Vec<Window> = (0..=envelope.hops() - width)
        .step_by(step)
        .map(|start| judge(envelope, &levels, start, width))
        .collect();
    let loudest = loudest(&levels, width, step);
    let sounding = best_stretch(envelope, &windows, width, |w| !w.silent);
    let silent = || best_stretch(envelope, &windows, width, |w| w.silent);
    sounding
        .filter(|(start, end, level)| {
            let below = |b: usize| f64::from(loudest[b] - levels.mean_db(b, *start, *end));
            *level < LOUD_ROOM_DB || (0..BANDS).any(|b| below(b) >= 2.0 * params.rise_db)
        })
        .or_else(silent)
        .map(|(start, end, _)| found(envelope, &levels, start, end, width))
}

impl Levels {
    /// Mean level of a band over hops `start` to `end`, in dB.
    fn mean_db(&self, band: usize, start: usize, end: usize) -> f32 {
        db(((self.sums[band][end] - self.sums[band][start]) / (end - start) as f64) as f32)
    }
}

/// Level of the loudest window in each band, in dB.
fn loudest(levels: &Levels, width: usize, step: usize) -> [f32; BANDS] {
    [ALL, NO_RUMBLE, NO_HUM].map(|b| {
        (0..levels.raw.len() + 1 - width)
            .step_by(step)
            .map(|start| levels.mean_db(b, start, start + width))
            .fold(f32::NEG_INFINITY, f32::max)
    })
}

fn judge(envelope: &Envelope, levels: &Levels, start: usize, width: usize) -> Window {
    let end = start + width;
    let (level, all) = (levels.mean_db(NO_RUMBLE, start, end), levels.mean_db(ALL, start, end));
    let spread = |x: &[f32]| quantile(x, 0.9).max(LOWEST_DB) - quantile(x, 0.1).max(LOWEST_DB);
    let raw = &levels.raw[start..end];
    let highest = raw.iter().copied().fold(f32::NEG_INFINITY, f32::max).max(LOWEST_DB);
    let peak = envelope.peak()[start..end].iter().copied().fold(0f32, f32::max);
    let steady = &levels.steady[0][start..end];
    let calm = highest - quantile(raw, 0.5).max(LOWEST_DB) < CLICK_DB
        && db(peak * peak).max(LOWEST_DB) - all.max(LOWEST_DB) < CREST_DB
        && spread(steady) < SPREAD_DB.0
        && spread(&levels.steady[1][start..end]) < SPREAD_DB.1;
    let seconds = envelope.frames_of(start, end).count().lasts(envelope.rate()).0;
    Window { start, level, all, calm, flat: is_flat(steady, seconds), silent: all < SILENCE_DB }
}

/// Whether the two halves of a stretch of levels differ by no more than chance, or by a slow slope.
///
/// The standard error takes every seventh value as independent (they are medians over seven).
fn is_flat(levels: &[f32], seconds: f64) -> bool {
    let half = levels.len() / 2;
    let stats = |x: &[f32]| {
        let n = x.len() as f64;
        let mean = x.iter().map(|v| f64::from(v.max(LOWEST_DB))).sum::<f64>() / n;
        let variance = x.iter().map(|v| (f64::from(v.max(LOWEST_DB)) - mean).powi(2)).sum::<f64>() / n;
        (mean, variance / (n / 7.0).max(1.0))
    };
    let (a, b) = (stats(&levels[..half]), stats(&levels[half..]));
    let change = (b.0 - a.0).abs();
    change / (seconds / 2.0) < SLOPE_DB_PER_S || change < 3.0 * (a.1 + b.1).sqrt()
}

/// The best stretch of windows that `fits`: first and last hop (exclusive) and level in dB.
fn best_stretch(
    envelope: &Envelope,
    windows: &[Window],
    width: usize,
    fits: impl Fn(&Window) -> bool,
) -> Option<(usize, usize, f32)> {
    let quietest =
        windows.iter().filter(|w| w.calm && w.flat && fits(w)).min_by(|a, b| a.level.total_cmp(&b.level))?;
    let near = |a: f32, b: f32| a <= b + ALIKE_DB;
    let alike = |w: &Window| w.calm && fits(w) && near(w.level, quietest.level) && near(w.all, quietest.all);
    let long_enough = envelope.hops_in(LONG_ENOUGH_S);
    let mut best: Option<(usize, usize, f32)> = None;
    let worth = |(start, end, level): (usize, usize, f32)| ((end - start).min(long_enough), -level);
    for run in windows.chunk_by(|a, b| alike(a) == alike(b)) {
        // A slope by chance in a window or two does not end a stretch; a decay is all slope.
        let flat = run.iter().filter(|w| w.flat).count();
        if !alike(&run[0]) || 2 * flat < run.len() {
            continue;
        }
        let (start, end) = (run[0].start, run[run.len() - 1].start + width);
        let level = run.iter().map(|w| w.level).sum::<f32>() / run.len() as f32;
        let stretch = (start, end, level);
        if best.is_none_or(|b| worth(stretch) > worth(b)) {
            best = Some(stretch);
        }
    }
    best
}

fn found(envelope: &Envelope, levels: &Levels, start: usize, end: usize, width: usize) -> FoundRoom {
    let margin = envelope.hops_in(MARGIN_S);
    let roomy = end - start >= width + 2 * margin;
    let from = if roomy && start > 0 { start + margin } else { start };
    let to = if roomy && end < envelope.hops() { end - margin } else { end };
    let power = (levels.sums[ALL][to] - levels.sums[ALL][from]) / (to - from) as f64;
    FoundRoom { range: envelope.frames_of(from, to), level: Decibels::of_amplitude(power.max(0.0).sqrt()) }
}
