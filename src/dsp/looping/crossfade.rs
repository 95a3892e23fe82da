//! The crossfade before a loop end: gains that keep the power level whatever the two sides share.

use super::check_range;
use crate::audio::AudioBuf;
use crate::error::{Error, Result};
use crate::units::FrameRange;

/// Correlations below this are treated as this. Both gains are then 1/√(2·0.1) = 2.24 in the middle; a
/// still lower correlation would need ever higher gains (infinite at −1) and lift whatever is not
/// shared.
const LOWEST_CORRELATION: f64 = -0.9;

/// How far a frame of a crossfade can rise above the higher of its two sides, dB: both at the gain
/// 1/√(2(1+r)) of the lowest correlation that is followed, and alike there by chance.
pub const MOST_RISE_DB: f64 = 13.1;

/// Length of one stretch over which the correlation is measured, in seconds; longer crossfades are
/// measured in several stretches that overlap by half.
const STRETCH_S: f64 = 0.05;

/// Gains (outgoing, incoming) at `position` 0 to 1 through a crossfade of two signals of equal
/// power whose correlation is `correlation` (−1 to 1; below −0.9 it is taken as −0.9).
///
/// The shape is a raised cosine w = ½ − ½·cos(π·position); the gains (1 − w, w) are divided by
/// √((1−w)² + w² + 2·r·w·(1−w)), so that g₁² + g₂² + 2·r·g₁·g₂ = 1 everywhere and
/// g = 1/√(2(1+r)) in the middle. Source: Fink, Holters & Zölzer, "Signal-matched power-complementary
/// cross-fading and dry-wet mixing", DAFx-16. Deviation: the lower bound of r.
pub fn crossfade_gains(position: f64, correlation: f64) -> (f64, f64) {
    let r = correlation.clamp(LOWEST_CORRELATION, 1.0);
    let w = 0.5 - 0.5 * (std::f64::consts::PI * position.clamp(0.0, 1.0)).cos();
    let (out, inn) = (1.0 - w, w);
    let power = out * out + inn * inn + 2.0 * r * out * inn;
    let scale = power.sqrt().recip();
    (out * scale, inn * scale)
}

/// The frames of the crossfade before a loop end, one vector a channel: what stands at
/// `end − crossfade .. end` once it is baked.
///
/// Frame i is x[end−c+i]·g₁ + x[start−c+i]·g₂, the same gains for all channels. They are those of
/// [`crossfade_gains`] (equal gain for sides that match, r = 1; equal power for sides that share
/// nothing, r = 0), for the correlation r measured over all channels together, multiplied by what
/// sides of unequal power need on top: g₁²P₁ + g₂²P₂ + 2·r·g₁g₂·√(P₁P₂) = P₁^(1−w)·P₂^w, so that the
/// level goes straight from the one to the other. r and the powers are measured over the whole fade;
/// over fades longer than 100 ms in stretches of 50 ms, with straight lines between, so that they
/// follow signals that drift apart. At the last frame the incoming side is full: what plays there is
/// x[start−1], which start follows.
///
/// `crossfade` is in frames; 0 gives empty vectors. Errors: `InvalidParameter` when the loop does not
/// lie in the audio or the crossfade is longer than the loop or than what lies before its start.
pub fn crossfade_frames(audio: &AudioBuf, range: FrameRange, crossfade: u64) -> Result<Vec<Vec<f32>>> {
    check_range(audio, range)?;
    check_crossfade(range, crossfade)?;
    let c = crossfade as usize;
    let (start, end) = (range.start.0 as usize, range.end.0 as usize);
    let pairs: Vec<(&[f32], &[f32])> =
        audio.channels().map(|x| (&x[end - c..end], &x[start - c..start])).collect();
    let curve = ShareCurve::measure(&pairs, c, audio.rate().as_f64());
    let gains: Vec<(f64, f64)> = (0..c).map(|i| gains_of(&curve.at(i), (i + 1) as f64 / c as f64)).collect();
    Ok(pairs
        .iter()
        .map(|(out, inn)| {
            let sides = out.iter().zip(*inn);
            sides
                .zip(&gains)
                .map(|((o, n), (g_out, g_in))| (f64::from(*o) * g_out + f64::from(*n) * g_in) as f32)
                .collect()
        })
        .collect())
}

/// `audio` with the crossfade written into it: exactly the frames of [`crossfade_frames`], nothing
/// else is changed. Errors as there.
pub fn bake(audio: &AudioBuf, range: FrameRange, crossfade: u64) -> Result<AudioBuf> {
    let faded = crossfade_frames(audio, range, crossfade)?;
    if crossfade == 0 {
        return Ok(audio.clone());
    }
    let (from, to) = ((range.end.0 - crossfade) as usize, range.end.0 as usize);
    let planes = audio
        .channels()
        .zip(faded)
        .map(|(x, f)| {
            let mut plane = x.to_vec();
            plane[from..to].copy_from_slice(&f);
            plane
        })
        .collect();
    AudioBuf::new(planes, audio.rate())
}

/// What the two sides of a stretch have and share: mean Σo², Σn², Σon, over all channels.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Share {
    pub(super) out: f64,
    pub(super) inn: f64,
    pub(super) both: f64,
}

impl Share {
    /// Adds another stretch's.
    pub(super) fn add(&mut self, other: &Self) {
        self.out += other.out;
        self.inn += other.inn;
        self.both += other.both;
    }
}

/// The gains (outgoing, incoming) at `position` through a fade of two sides with these powers and
/// this product; see [`crossfade_frames`].
pub(super) fn gains_of(share: &Share, position: f64) -> (f64, f64) {
    let norm = (share.out * share.inn).sqrt();
    // Where a side is silent plain gains do no harm.
    if norm <= 1e-20 {
        return crossfade_gains(position, 1.0);
    }
    let r = (share.both / norm).clamp(LOWEST_CORRELATION, 1.0);
    let (a, b) = crossfade_gains(position, r);
    let power = a * a * share.out + b * b * share.inn + 2.0 * r * a * b * norm;
    let w = 0.5 - 0.5 * (std::f64::consts::PI * position.clamp(0.0, 1.0)).cos();
    let wanted = share.out.powf(1.0 - w) * share.inn.powf(w);
    // A quarter to four times the power covers sides 20 dB apart at equal gain; more is an
    // attack or an end inside the fade, which no gain should follow.
    let scale = (wanted / power).clamp(0.25, 4.0).sqrt();
    (a * scale, b * scale)
}

/// [`Share`] along the crossfade, at evenly spaced frames.
struct ShareCurve {
    spacing: f64,
    values: Vec<Share>,
}

impl ShareCurve {
    fn measure(pairs: &[(&[f32], &[f32])], c: usize, rate: f64) -> Self {
        let stretch = (STRETCH_S * rate) as usize;
        if c <= 2 * stretch || stretch < 4 {
            return Self { spacing: 1.0, values: vec![share(pairs, 0, &hann(c))] };
        }
        // Knots half a stretch apart, the outermost at the ends of the crossfade.
        let knots = 2 * c / stretch;
        let spacing = c as f64 / knots as f64;
        let weights = hann(stretch);
        let values = (0..=knots)
            .map(|k| {
                let centre = (k as f64 * spacing) as usize;
                let from = centre.saturating_sub(stretch / 2).min(c - stretch);
                share(pairs, from, &weights)
            })
            .collect();
        Self { spacing, values }
    }

    fn at(&self, i: usize) -> Share {
        let x = i as f64 / self.spacing;
        let k = (x as usize).min(self.values.len() - 1);
        let next = (k + 1).min(self.values.len() - 1);
        let t = (x - k as f64).clamp(0.0, 1.0);
        let (a, b) = (self.values[k], self.values[next]);
        let between = |a: f64, b: f64| a * (1.0 - t) + b * t;
        Share { out: between(a.out, b.out), inn: between(a.inn, b.inn), both: between(a.both, b.both) }
    }
}

/// Powers and product of the two sides from frame `from`, weighted so that whole periods need not
/// fit, over all channels.
fn share(pairs: &[(&[f32], &[f32])], from: usize, weights: &[f64]) -> Share {
    let mut sum = Share::default();
    for (a, b) in pairs {
        for ((a, b), w) in a[from..].iter().zip(&b[from..]).zip(weights) {
            let (a, b) = (f64::from(*a), f64::from(*b));
            sum.add(&Share { out: w * a * a, inn: w * b * b, both: w * a * b });
        }
    }
    sum
}

/// A Hann window whose sum is ½.
fn hann(n: usize) -> Vec<f64> {
    (0..n)
        .map(|i| (0.5 - 0.5 * (std::f64::consts::TAU * (i as f64 + 0.5) / n as f64).cos()) / n as f64)
        .collect()
}

/// Refuses a crossfade that is longer than the loop or than what lies before its start.
pub(super) fn check_crossfade(range: FrameRange, crossfade: u64) -> Result<()> {
    let most = range.count().0.min(range.start.0);
    if crossfade > most {
        return Err(Error::invalid(
            "crossfade",
            format!("{crossfade} frames"),
            &format!("0 to {most} frames: not longer than the loop, nor than what lies before its start"),
        ));
    }
    Ok(())
}
