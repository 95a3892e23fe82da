//! The crossfade before a loop end: gains that keep the power level whatever the two sides share.

use super::check_range;
use crate::audio::AudioBuf;
use crate::error::{Error, Result};
use crate::units::FrameRange;

/// Correlations below this are treated as this. At −0.5 both gains are 1 in the middle; a still
/// lower correlation would need ever higher gains (infinite at −1) and lift whatever is not shared.
const LOWEST_CORRELATION: f64 = -0.5;

/// Length of one stretch over which the correlation is measured, in seconds; longer crossfades are
/// measured in several stretches that overlap by half.
const STRETCH_S: f64 = 0.05;

/// Gains (outgoing, incoming) at `position` 0 to 1 through a crossfade of two signals of equal
/// power whose correlation is `correlation` (−1 to 1; below −0.5 it is taken as −0.5).
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
/// Frame i is x[end−c+i]·g₁ + x[start−c+i]·g₂ with the gains of [`crossfade_gains`], the same for
/// all channels. The correlation r is measured over all channels together; over crossfades longer
/// than 100 ms in stretches of 50 ms, with straight lines between, so that it follows signals that
/// drift apart. At the last frame the incoming side is full: what plays there is x[start−1], which
/// start follows.
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
    let curve = CorrelationCurve::measure(&pairs, c, audio.rate().as_f64());
    let gains: Vec<(f64, f64)> =
        (0..c).map(|i| crossfade_gains((i + 1) as f64 / c as f64, curve.at(i))).collect();
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

/// Correlation along the crossfade, at evenly spaced frames.
struct CorrelationCurve {
    spacing: f64,
    values: Vec<f64>,
}

impl CorrelationCurve {
    fn measure(pairs: &[(&[f32], &[f32])], c: usize, rate: f64) -> Self {
        let stretch = (STRETCH_S * rate) as usize;
        if c <= 2 * stretch || stretch < 4 {
            return Self { spacing: 1.0, values: vec![correlation(pairs, 0, c)] };
        }
        // Knots half a stretch apart, the outermost at the ends of the crossfade.
        let knots = 2 * c / stretch;
        let spacing = c as f64 / knots as f64;
        let values = (0..=knots)
            .map(|k| {
                let centre = (k as f64 * spacing) as usize;
                let from = centre.saturating_sub(stretch / 2).min(c - stretch);
                correlation(pairs, from, from + stretch)
            })
            .collect();
        Self { spacing, values }
    }

    fn at(&self, i: usize) -> f64 {
        let x = i as f64 / self.spacing;
        let k = (x as usize).min(self.values.len() - 1);
        let next = (k + 1).min(self.values.len() - 1);
        let t = (x - k as f64).clamp(0.0, 1.0);
        self.values[k] * (1.0 - t) + self.values[next] * t
    }
}

/// Correlation of the two sides over frames `from..to`, Hann-weighted so that whole periods need not
/// fit, over all channels; 1 where a side is silent (then plain gains do no harm).
fn correlation(pairs: &[(&[f32], &[f32])], from: usize, to: usize) -> f64 {
    let n = (to - from) as f64;
    let (mut ab, mut aa, mut bb) = (0.0, 0.0, 0.0);
    for i in from..to {
        let turn = std::f64::consts::TAU * ((i - from) as f64 + 0.5) / n;
        let w = 0.5 - 0.5 * turn.cos();
        for (a, b) in pairs {
            let (a, b) = (f64::from(a[i]), f64::from(b[i]));
            ab += w * a * b;
            aa += w * a * a;
            bb += w * b * b;
        }
    }
    let norm = (aa * bb).sqrt();
    if norm > 1e-20 { (ab / norm).clamp(-1.0, 1.0) } else { 1.0 }
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
