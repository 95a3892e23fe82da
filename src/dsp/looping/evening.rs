//! Level drift inside a loop, evened out by a slow gain.

use super::check_range;
use crate::audio::AudioBuf;
use crate::error::{Error, Result};
use crate::units::{Decibels, FrameRange};

/// The gain moves no more than this over the loop, dB, and no faster, dB a second: what is more is no
/// drift but a note that swells or dies, and stays as it was played.
pub const MOST_EVENING_DB: f64 = 3.0;
const MOST_DB_A_SECOND: f64 = 3.0;
/// Level is taken over so many seconds to both sides of both ends, at most a quarter of the loop.
const SPAN_S: f64 = 0.2;

/// The gain at the loop end, in dB, that makes the level there what it is at the loop start: RMS of
/// all channels over 200 ms to each side of both (a quarter of shorter loops; what of it lies in the
/// audio), bounded to ±3 dB and ±3 dB a second of loop; 0 where either is silent.
///
/// Errors: as [`super::score_loop`].
pub fn evening_gain(audio: &AudioBuf, range: FrameRange) -> Result<Decibels> {
    check_range(audio, range)?;
    let rate = audio.rate().as_f64();
    let (start, end) = (range.start.0 as usize, range.end.0 as usize);
    let span = ((SPAN_S * rate) as usize).min((end - start) / 4).max(1);
    // The same stretch around both ends, so that what both hold cancels.
    let before = span.min(start);
    let after = span.min(audio.len() - end);
    if before + after == 0 {
        return Ok(Decibels(0.0));
    }
    let power = |at: usize| -> f64 {
        let stretches = audio.channels().map(|x| &x[at - before..at + after]);
        stretches.flat_map(|x| x.iter()).map(|v| f64::from(*v).powi(2)).sum()
    };
    let (first, last) = (power(start), power(end));
    if first.min(last) <= 1e-12 {
        return Ok(Decibels(0.0));
    }
    let most = MOST_EVENING_DB.min(MOST_DB_A_SECOND * (end - start) as f64 / rate);
    Ok(Decibels((10.0 * (first / last).log10()).clamp(-most, most)))
}

/// `audio` with a gain that goes from 0 dB at the loop start evenly (in dB) to `gain` at the loop end
/// and stays there: the first step of a loop whose ends are to meet in level. Nothing but the level
/// is changed; pitch and phase stay as they are. Crossfades are baked afterwards.
///
/// `gain`: −12 to 12 dB, usually [`evening_gain`]. 0 dB gives the same samples. Errors:
/// `InvalidParameter`; else as [`super::score_loop`].
pub fn even_out(audio: &AudioBuf, range: FrameRange, gain: Decibels) -> Result<AudioBuf> {
    check_range(audio, range)?;
    if !(gain.0.is_finite() && gain.0.abs() <= 12.0) {
        return Err(Error::invalid("evening gain", format!("{} dB", gain.0), "−12 to 12 dB"));
    }
    if gain.0 == 0.0 {
        return Ok(audio.clone());
    }
    let (start, end) = (range.start.0 as usize, range.end.0 as usize);
    let length = (end - start) as f64;
    let factors: Vec<f32> =
        (0..=end - start).map(|i| 10f64.powf(gain.0 * i as f64 / length / 20.0) as f32).collect();
    let last = factors[end - start];
    let planes = audio
        .channels()
        .map(|x| {
            let mut plane = x.to_vec();
            plane[start..end].iter_mut().zip(&factors).for_each(|(v, f)| *v *= f);
            plane[end..].iter_mut().for_each(|v| *v *= last);
            plane
        })
        .collect();
    AudioBuf::new(planes, audio.rate())
}
