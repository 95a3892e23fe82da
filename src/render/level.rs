//! Levels over a set: how loud each take is, and what gain brings the set to where it is wanted.

use ebur128::{EbuR128, Mode};

use crate::audio::AudioBuf;
use crate::error::{Error, ErrorKind, Result};
use crate::session::delivery::{LevelMode, LevelSetup};
use crate::units::{Decibels, MidiNote};

/// How loud a sound is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Loudness {
    /// Integrated loudness in LUFS; none for what is silent or stays below the gate.
    pub lufs: Option<f64>,
    /// True peak, dB re full scale.
    pub true_peak: Decibels,
}

/// A take with its place and its loudness.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Heard {
    /// Its root key.
    pub note: MidiNote,
    /// Its layer, from 0.
    pub layer: u16,
    /// How loud it is.
    pub loudness: Loudness,
}

/// Shortest stretch that the gate of BS.1770 works on, in seconds.
const GATE_S: f64 = 0.4;
/// Frames measured between two questions whether to go on.
const PART: usize = 1 << 16;
/// Most gain that evening or a loudness gives a take: more would only lift the room.
const MOST_GAIN_DB: f64 = 24.0;
/// Half the width of the smooth line's window, in semitones (common practice, no source): two
/// octaves together hold a register of most instruments.
const HALF_WINDOW: f64 = 12.0;
/// The window grows until it holds so many notes.
const LEAST_NOTES: usize = 5;
/// A median distance below this counts as this: nothing nearer is an outlier.
const NO_OUTLIER_DB: f64 = 0.1;
/// Rounds of weighting outliers down.
const ROUNDS: usize = 3;

/// Integrated loudness (LUFS) and true peak of `audio` by ITU-R BS.1770, one channel counted once.
///
/// A sound shorter than the gate's 0.4 s is measured as if repeated up to that length. Errors: a
/// channel count or rate that the measurement does not take.
pub fn loudness(audio: &AudioBuf) -> Result<Loudness> {
    loudness_while(audio, &|| true)
}

/// [`loudness`], asking `go_on` every 65 536 frames; the same result to the bit. Errors besides:
/// `Cancelled` once it says no.
pub fn loudness_while(audio: &AudioBuf, go_on: &dyn Fn() -> bool) -> Result<Loudness> {
    let failed = |e: ebur128::Error| {
        Error::new(ErrorKind::UnsupportedFormat, format!("the loudness cannot be measured: {e}"))
    };
    let planes: Vec<&[f32]> = audio.channels().collect();
    let mut meter =
        EbuR128::new(planes.len() as u32, audio.rate().hz(), Mode::I | Mode::TRUE_PEAK).map_err(failed)?;
    let gate = (GATE_S * audio.rate().as_f64()).ceil() as usize;
    // Once more for what the true-peak filter still holds back is not needed: it looks ahead by
    // less than a tenth of a millisecond, where a delivered file has faded.
    for _ in 0..gate.div_ceil(audio.len().max(1)).max(1) {
        for start in (0..audio.len()).step_by(PART) {
            if !go_on() {
                return Err(Error::cancelled());
            }
            let end = audio.len().min(start + PART);
            let part: Vec<&[f32]> = planes.iter().map(|p| &p[start..end]).collect();
            meter.add_frames_planar_f32(&part).map_err(failed)?;
        }
    }
    let lufs = meter.loudness_global().map_err(failed)?;
    let mut peak = 0f64;
    for c in 0..planes.len() as u32 {
        peak = peak.max(meter.true_peak(c).map_err(failed)?);
    }
    // The samples themselves are points of the wave between them.
    peak = peak.max(f64::from(audio.peak()));
    Ok(Loudness { lufs: lufs.is_finite().then_some(lufs), true_peak: Decibels::of_amplitude(peak) })
}

/// The gain of every take by `setup`, and by how much all (or the layer) had to be lowered for the
/// peak ceiling.
///
/// Where levels are evened, each take moves towards a smooth line over the notes (see
/// [`smooth_line`]) by the strength; a line that rises or falls over the notes stays. Takes without
/// a loudness keep theirs. As played: no gains.
pub fn gains(takes: &[Heard], setup: &LevelSetup) -> Vec<Decibels> {
    let mut gains = vec![Decibels(0.0); takes.len()];
    if setup.mode == LevelMode::AsPlayed {
        return gains;
    }
    for group in groups(takes, setup.per_layer) {
        let wanted = wanted_levels(takes, &group, setup.mode);
        for (i, wanted) in group.iter().zip(wanted) {
            let now = takes[*i].loudness.lufs;
            let gain = now.zip(wanted).map_or(0.0, |(now, wanted)| wanted - now);
            gains[*i] = Decibels(gain.clamp(-MOST_GAIN_DB, MOST_GAIN_DB));
        }
        // Lowered together: what was evened stays even.
        let over = group
            .iter()
            .map(|i| takes[*i].loudness.true_peak.0 + gains[*i].0 - setup.ceiling.0)
            .fold(0.0, f64::max);
        group.iter().for_each(|i| gains[*i].0 -= over);
    }
    gains
}

/// Indices of the takes that are evened together.
fn groups(takes: &[Heard], per_layer: bool) -> Vec<Vec<usize>> {
    let mut layers: Vec<u16> = takes.iter().map(|t| if per_layer { t.layer } else { 0 }).collect();
    layers.sort_unstable();
    layers.dedup();
    let of = |layer: u16| (0..takes.len()).filter(|i| !per_layer || takes[*i].layer == layer).collect();
    layers.into_iter().map(of).collect()
}

fn wanted_levels(takes: &[Heard], group: &[usize], mode: LevelMode) -> Vec<Option<f64>> {
    match mode {
        LevelMode::AsPlayed => vec![None; group.len()],
        LevelMode::Loudness(lufs) => vec![Some(lufs); group.len()],
        LevelMode::Even(strength) => {
            let points: Vec<(f64, f64)> = group
                .iter()
                .filter_map(|i| Some((f64::from(takes[*i].note.0), takes[*i].loudness.lufs?)))
                .collect();
            let robust = robust_weights(&points);
            let line = |note: f64| fit(&points, &robust, note);
            group
                .iter()
                .map(|i| {
                    let now = takes[*i].loudness.lufs?;
                    Some(now + strength * (line(f64::from(takes[*i].note.0))? - now))
                })
                .collect()
        }
    }
}

/// The smooth line through `points` (note number, level in dB) at `at`: a straight line fitted to
/// the neighbourhood, near points weighted by the tricube function and outliers weighted down by the
/// bisquare of their distance from the line (six median distances count as none). None without points.
///
/// Source: Cleveland, "Robust locally weighted regression and smoothing scatterplots", JASA 74(368),
/// 1979. Deviation: the window is 12 semitones to either side, wider only to hold five notes.
pub fn smooth_line(points: &[(f64, f64)], at: f64) -> Option<f64> {
    fit(points, &robust_weights(points), at)
}

/// How much each point counts after the rounds that weigh outliers down.
fn robust_weights(points: &[(f64, f64)]) -> Vec<f64> {
    let mut robust = vec![1.0; points.len()];
    for _ in 0..ROUNDS {
        let residuals: Vec<f64> =
            points.iter().map(|p| fit(points, &robust, p.0).map_or(0.0, |line| p.1 - line)).collect();
        let mut sizes: Vec<f64> = residuals.iter().map(|r| r.abs()).collect();
        sizes.sort_by(f64::total_cmp);
        let middle = sizes.get(sizes.len() / 2).copied().unwrap_or(0.0).max(NO_OUTLIER_DB);
        for (w, r) in robust.iter_mut().zip(&residuals) {
            let u = (r / (6.0 * middle)).abs().min(1.0);
            *w = (1.0 - u * u).powi(2);
        }
    }
    robust
}

/// The weighted straight line at `at`; the weighted mean where all points lie on one note.
fn fit(points: &[(f64, f64)], robust: &[f64], at: f64) -> Option<f64> {
    let mut distances: Vec<f64> = points.iter().map(|p| (p.0 - at).abs()).collect();
    distances.sort_by(f64::total_cmp);
    distances.dedup();
    let enough = distances.get(LEAST_NOTES - 1).or(distances.last())?;
    // A little wider than the furthest point, which would otherwise weigh nothing.
    let half = HALF_WINDOW.max(*enough) * 1.001 + 0.5;
    let (mut s, mut sx, mut sy, mut sxx, mut sxy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (p, r) in points.iter().zip(robust) {
        let (x, y) = (p.0 - at, p.1);
        let d = (x.abs() / half).min(1.0);
        let w = (1.0 - d.powi(3)).powi(3) * r.max(1e-6);
        s += w;
        sx += w * x;
        sy += w * y;
        sxx += w * x * x;
        sxy += w * x * y;
    }
    let spread = s * sxx - sx * sx;
    if s <= 0.0 {
        None
    } else if spread < 1e-9 * s * s {
        Some(sy / s)
    } else {
        Some((sxx * sy - sx * sxy) / spread)
    }
}
