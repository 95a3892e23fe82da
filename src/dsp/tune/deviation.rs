//! A track's deviation from its target, split into centre, drift and vibrato.

use crate::dsp::pitch::F0Track;
use crate::dsp::tune::Deviation;
use crate::dsp::tune::extend::extended;
use crate::dsp::tune::smooth::Smoother;
use crate::error::{Error, ErrorKind, Result};
use crate::units::Hertz;

/// Movement up to here is drift. The sharpened gain is ½ here, 0.999 at 1 Hz, 5e-5 at 5 Hz.
const DRIFT_HZ: f64 = 2.0;
const DRIFT_ORDER: usize = 3;
const DRIFT_SHARP: u32 = 1;

/// Half gain of the fit that tells wrong values from right ones and bridges gaps. It follows what a
/// player does, scoops included, to a thousandth up to 7 Hz, so that these are not taken for errors.
const FOLLOW_HZ: f64 = 18.0;
const FOLLOW_ORDER: usize = 4;

/// Half gain of what is taken for movement of the pitch at all: 0.9985 at 7 Hz, 0.006 at 12 Hz,
/// less above. What is faster is the tracker's noise and must not be written into the sound.
const MOVEMENT_HZ: f64 = 9.4;
const MOVEMENT_ORDER: usize = 4;
const MOVEMENT_SHARP: u32 = 3;

/// Farther than this from the median a value is a wrong octave or fifth, not a movement.
const MISTRACKED_CENTS: f64 = 500.0;
/// A silence longer than this parts two notes; the longer of them is the take's.
const PARTING_S: f64 = 0.5;
/// A gap longer than this is filled by a straight line, a shorter one by the smoothest curve.
const SMOOTH_GAP_S: f64 = 0.06;
/// Stretch at each side of a long gap whose median the straight line starts from.
const GAP_SIDE_S: f64 = 0.1;
/// Residuals that are never held against a value, in cents.
const TOLERATED_CENTS: f64 = 8.0;
/// Least weight of a value that the tracker was unsure of.
const LEAST_WEIGHT: f64 = 0.02;
/// The first and last values of a note are heard through a window half outside it: they weigh less.
const UNSURE_ENDS_S: f64 = 0.02;
/// What the movement leaves of the follow-up fit passes where it stands this many times above its
/// usual level, fully from twice that; the usual level is held to these cents.
const STANDS_OUT: f64 = 3.5;
const USUAL_CENTS: (f64, f64) = (0.08, 2.0);
/// Half the width of the window that level is taken over.
const LEVEL_S: f64 = 0.08;
/// The movement is continued by this beyond the note's ends before it is filtered.
const REACH_S: f64 = 0.5;
/// Passes of robust weighting.
const ROBUST_PASSES: usize = 3;
/// Left out at each end of the note for the centre, or a quarter of it where it is short.
const ATTACK_S: f64 = 0.15;
/// Vibrato fades to nothing over this time beyond the ends of the note.
const FADE_S: f64 = 0.1;
/// Shorter pieces at a note's ends, parted from it by a gap, are its reverberation or the room's.
const PIECE_S: f64 = 0.1;
/// Least that must be voiced.
const LEAST_S: f64 = 0.1;
const LEAST_VALUES: usize = 8;

/// Splits `track`'s deviation from `target` into centre, drift (below 2 Hz) and vibrato (2 to
/// 12 Hz), in cents, one value a hop of the track.
///
/// The movement is a robust penalised least-squares fit to the voiced values (see `smooth`;
/// robust weights: W. S. Cleveland, J. Amer. Stat. Assoc. 74, 1979, bisquare at six times the
/// median residual), so single wrong values carry no weight, gaps are bridged and there is no
/// delay. The drift is the slow part of it. The centre is the median of centre + drift over the
/// sustain, which is the voiced part without its first and last 150 ms (a quarter where it is
/// short): the median of the smoothed rather than of the raw values, as half a period of vibrato
/// more or less would move that. Before and after the note the drift stays as it was at its ends
/// and the vibrato fades within 100 ms.
///
/// Errors: `InvalidParameter` for a target or hop that is not a positive number; `Nothing` where
/// fewer than 100 ms (or eight values) of one note are voiced.
pub fn deviation(track: &F0Track, target: Hertz) -> Result<Deviation> {
    for (name, value) in [("target pitch", target.0), ("hop", track.hop_s)] {
        if !(value.is_finite() && value > 0.0) {
            return Err(Error::invalid(name, value, "a positive number"));
        }
    }
    let cents: Vec<Option<f64>> = track
        .f0_hz
        .iter()
        .map(|f| f.filter(|f| f.is_finite() && *f > 0.0).map(|f| Hertz(f).cents_above(target).0))
        .collect();
    let voiced: Vec<bool> = cents.iter().map(Option::is_some).collect();
    let (usable, rough) = usable_values(&cents, track.hop_s)?;
    let (first, end) = span(&usable);
    let note: Vec<Option<f64>> =
        (first..end).map(|i| cents[i].filter(|_| usable[i]).map(|c| c - rough)).collect();

    let sure: Vec<f64> =
        (first..end).map(|i| track.confidence.get(i).map_or(1.0, |c| f64::from(*c))).collect();
    let (movement, slow) = movement_and_drift(&followed(&note, &sure, track.hop_s), track.hop_s);
    let at_ends = ((ATTACK_S / track.hop_s).round() as usize).min(slow.len() / 4);
    let offset = median(slow[at_ends..slow.len() - at_ends].to_vec());

    let mut drift = vec![slow[0] - offset; cents.len()];
    drift[end..].fill(slow[slow.len() - 1] - offset);
    let mut vibrato = vec![0.0; cents.len()];
    for (i, (m, s)) in movement.iter().zip(&slow).enumerate() {
        drift[first + i] = s - offset;
        vibrato[first + i] = m - s;
    }
    fade_out_beyond(&mut vibrato, first, end, track.hop_s);
    Ok(Deviation { hop_s: track.hop_s, centre: rough + offset, drift, vibrato, voiced })
}

/// RMS of centre + drift + vibrato over the voiced part from `from_s` to `until_s` (seconds after
/// the first sample, `until_s` excluded), in cents; 0 where nothing is voiced.
pub fn deviation_rms(d: &Deviation, from_s: f64, until_s: f64) -> f64 {
    let (mut sum, mut count) = (0.0, 0u64);
    for (i, ((drift, vibrato), voiced)) in d.drift.iter().zip(&d.vibrato).zip(&d.voiced).enumerate() {
        let t = i as f64 * d.hop_s;
        if *voiced && from_s <= t && t < until_s {
            sum += (d.centre + drift + vibrato).powi(2);
            count += 1;
        }
    }
    if count == 0 { 0.0 } else { (sum / count as f64).sqrt() }
}

/// Which values belong to the note, and their median: near the median of all, and in the stretch
/// with most values among those that longer silences part.
fn usable_values(cents: &[Option<f64>], hop_s: f64) -> Result<(Vec<bool>, f64)> {
    let least = LEAST_VALUES.max((LEAST_S / hop_s).round() as usize);
    let too_little = |found: usize| {
        Error::new(
            ErrorKind::Nothing,
            format!(
                "no note to tune: {:.0} ms of it have a pitch, {:.0} ms are needed; widen the take or set its pitch range",
                found as f64 * hop_s * 1e3,
                least as f64 * hop_s * 1e3
            ),
        )
    };
    let all: Vec<f64> = cents.iter().copied().flatten().collect();
    if all.len() < least {
        return Err(too_little(all.len()));
    }
    let rough = median(all);
    let near = |c: &Option<f64>| c.is_some_and(|c| (c - rough).abs() <= MISTRACKED_CENTS);
    let mut best = (0, 0..0);
    let mut run: (usize, std::ops::Range<usize>) = (0, 0..0);
    for i in cents.iter().enumerate().filter(|(_, c)| near(c)).map(|(i, _)| i) {
        if run.0 == 0 || (i - run.1.end) as f64 * hop_s > PARTING_S {
            run = (0, i..i);
        }
        run = (run.0 + 1, run.1.start..i + 1);
        if run.0 > best.0 {
            best = run.clone();
        }
    }
    if best.0 < least {
        return Err(too_little(best.0));
    }
    let usable: Vec<bool> = cents.iter().enumerate().map(|(i, c)| best.1.contains(&i) && near(c)).collect();
    let least = (PIECE_S / hop_s).round() as usize;
    Ok((without_end_pieces(usable, least), rough))
}

/// `usable` from the first to the last of its runs of at least `least`; all of it where none is so long.
fn without_end_pieces(mut usable: Vec<bool>, least: usize) -> Vec<bool> {
    let (mut first, mut end, mut length) = (None, 0, 0);
    for (i, u) in usable.iter().enumerate() {
        length = if *u { length + 1 } else { 0 };
        if length >= least.max(1) {
            first.get_or_insert(i + 1 - length);
            end = i + 1;
        }
    }
    if let Some(first) = first {
        usable[..first].fill(false);
        usable[end..].fill(false);
    }
    usable
}

/// The first usable index and the one after the last (at least one is usable).
fn span(usable: &[bool]) -> (usize, usize) {
    let first = usable.iter().position(|u| *u).unwrap_or(0);
    let end = usable.iter().rposition(|u| *u).map_or(usable.len(), |i| i + 1);
    (first, end)
}

/// The movement in `z` (one value a hop, no gaps) and the slow part of it.
///
/// Filters this steep ring where a scoop or a release cuts the movement off. What they leave of `z`
/// is therefore let through where it stands out of its usual level, and only there.
fn movement_and_drift(z: &[f64], hop_s: f64) -> (Vec<f64>, Vec<f64>) {
    let reach = (REACH_S / hop_s).round() as usize;
    let long = extended(z, reach, hop_s);
    let even = || vec![1.0; long.len()];
    let calm = Smoother::new(even(), MOVEMENT_ORDER, MOVEMENT_HZ, hop_s).sharp(&long, MOVEMENT_SHARP);
    let inside = reach..reach + z.len();
    let rest: Vec<f64> = z.iter().zip(&calm[inside.clone()]).map(|(z, c)| z - c).collect();
    let passed = standing_out(&rest, hop_s);
    let mut movement = calm;
    for (m, p) in movement[inside.clone()].iter_mut().zip(passed) {
        *m += p;
    }
    let slow = Smoother::new(even(), DRIFT_ORDER, DRIFT_HZ, hop_s).sharp(&movement, DRIFT_SHARP);
    (movement[inside.clone()].to_vec(), slow[inside].to_vec())
}

/// `x` where its level stands out, nothing elsewhere, with soft edges.
fn standing_out(x: &[f64], hop_s: f64) -> Vec<f64> {
    let half = (LEVEL_S / hop_s).round().max(1.0) as usize;
    let window: Vec<f64> = (0..=2 * half)
        .map(|i| (std::f64::consts::PI * (i as f64 + 1.0) / (2 * half + 2) as f64).sin().powi(2))
        .collect();
    let level: Vec<f64> = (0..x.len())
        .map(|i| {
            let (mut power, mut weight) = (0.0, 0.0);
            for k in i.saturating_sub(half)..x.len().min(i + half + 1) {
                let w = window[k + half - i];
                power += w * x[k] * x[k];
                weight += w;
            }
            (power / weight).sqrt()
        })
        .collect();
    let usual = median(level.clone()).clamp(USUAL_CENTS.0, USUAL_CENTS.1);
    let gate = |level: f64| {
        let t = (level / usual / STANDS_OUT - 1.0).clamp(0.0, 1.0);
        t * t * (3.0 - 2.0 * t)
    };
    x.iter().zip(level).map(|(x, l)| x * gate(l)).collect()
}

/// `note` without what does not fit: each value weighs by how `sure` (0 to 1) the tracker was of it
/// and by how near the fit it lies; gaps are bridged.
fn followed(note: &[Option<f64>], sure: &[f64], hop_s: f64) -> Vec<f64> {
    let (y, mut base) = bridged(note, hop_s);
    let ends = 1 + (UNSURE_ENDS_S / hop_s).round() as usize;
    for (i, (b, s)) in base.iter_mut().zip(sure).enumerate() {
        let from_end = (i + 1).min(y.len() - i);
        let inside = (from_end as f64 / ends as f64).min(1.0).powi(2);
        *b *= (s * inside).clamp(LEAST_WEIGHT, 1.0);
    }
    let fit = |weights| Smoother::new(weights, FOLLOW_ORDER, FOLLOW_HZ, hop_s).smooth(&y);
    let mut z = fit(base.clone());
    for _ in 0..ROBUST_PASSES {
        let residual: Vec<f64> = y.iter().zip(&z).map(|(y, z)| (y - z).abs()).collect();
        let voiced = residual.iter().zip(note).filter(|(_, v)| v.is_some()).map(|(r, _)| *r).collect();
        let limit = (6.0 * median(voiced)).max(TOLERATED_CENTS);
        // Cleveland's bisquare: (1 − (r/6s)²)² inside, 0 outside.
        let weights: Vec<f64> = residual
            .iter()
            .zip(&base)
            .map(|(r, b)| b * (1.0 - (r / limit).min(1.0).powi(2)).powi(2))
            .collect();
        // With too few values left the fit would be free to go anywhere.
        if weights.iter().sum::<f64>() < LEAST_VALUES as f64 / 2.0 {
            break;
        }
        z = fit(weights);
    }
    z
}

/// Values and weights for the fit: short gaps weigh nothing, the inside of long ones is a straight
/// line from the median before to the median after (a free curve would swing out there).
fn bridged(note: &[Option<f64>], hop_s: f64) -> (Vec<f64>, Vec<f64>) {
    let mut y: Vec<f64> = note.iter().map(|c| c.unwrap_or(0.0)).collect();
    let mut w: Vec<f64> = note.iter().map(|c| if c.is_some() { 1.0 } else { 0.0 }).collect();
    let side = ((GAP_SIDE_S / hop_s).round() as usize).max(1);
    let margin = ((SMOOTH_GAP_S / 2.0 / hop_s).round() as usize).max(1);
    let mut i = 0;
    while i < note.len() {
        if note[i].is_some() {
            i += 1;
            continue;
        }
        let end = (i..note.len()).find(|k| note[*k].is_some()).unwrap_or(note.len());
        let before = median(note[i.saturating_sub(side)..i].iter().copied().flatten().collect());
        let after = median(note[end..note.len().min(end + side)].iter().copied().flatten().collect());
        for k in (i + margin)..end.saturating_sub(margin) {
            let part = (k + 1 - i) as f64 / (end + 1 - i) as f64;
            y[k] = before + part * (after - before);
            w[k] = 1.0;
        }
        i = end;
    }
    (y, w)
}

/// Lets `x` go from its values at the ends of `first..end` to 0 along half a cosine.
fn fade_out_beyond(x: &mut [f64], first: usize, end: usize, hop_s: f64) {
    let length = (FADE_S / hop_s).round().max(1.0);
    let gain = |steps: usize| 0.5 + 0.5 * (std::f64::consts::PI * (steps as f64 / length).min(1.0)).cos();
    let (at_first, at_last) = (x[first], x[end - 1]);
    for (steps, v) in x[..first].iter_mut().rev().enumerate() {
        *v = at_first * gain(steps + 1);
    }
    for (steps, v) in x[end..].iter_mut().enumerate() {
        *v = at_last * gain(steps + 1);
    }
}

/// Median; 0 of nothing.
fn median(mut x: Vec<f64>) -> f64 {
    if x.is_empty() {
        return 0.0;
    }
    let even = x.len().is_multiple_of(2);
    let mid = x.len() / 2;
    let (low, upper, _) = x.select_nth_unstable_by(mid, f64::total_cmp);
    if !even {
        return *upper;
    }
    0.5 * (low.iter().copied().fold(f64::NEG_INFINITY, f64::max) + *upper)
}
