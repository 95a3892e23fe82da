//! What a finished loop measures when it goes round. Shares no measure with the search: it plays the
//! loop round and asks whether the join stands out from the rest of what is played.

mod excitation;
mod k_weighting;
mod level;
mod pitch;
mod unrolled;

use super::{SeamAudit, check_range};
use crate::audio::AudioBuf;
use crate::error::Result;
use crate::units::{Decibels, FrameRange};
use excitation::Excitation;
use level::Level;
use unrolled::Unrolled;

/// Rise of the excitation that is just heard, dB RMS over the bands. An excitation that changes by
/// 1 dB in one band is just heard when it lasts (Zwicker's criterion; Moore, An Introduction to the
/// Psychology of Hearing; from memory); one of 5 ms has to rise more: 2 dB (our choice, no source).
const HEARD_CLICK_DB: f64 = 2.0;
/// Change of the spectrum that is just heard, dB RMS over the bands: the same criterion of 1 dB, and
/// as much in profile analysis (Green, Profile Analysis, 1988; both from memory).
const HEARD_FLUX_DB: f64 = 1.0;
/// Level step that is just heard. Jesteadt, Wier & Green, JASA 61, 1977 (from memory):
/// ΔI/I = 0.463·(I/I₀)^−0.072, which at 60 dB above threshold is 0.171, or 0.69 dB.
pub const HEARD_LEVEL_DB: f64 = 0.69;
/// Pitch step that is just heard, cents: 0.2 % near 1 kHz (Moore, as above; from memory).
const HEARD_PITCH_CENTS: f64 = 3.5;
/// Modulation that is just heard, dB from trough to crest: m = 0.05, or −26 dB, at the slow rates
/// (Viemeister, JASA 66, 1979; from memory): 20·log10(1.05/0.95).
const HEARD_THUMP_DB: f64 = 0.87;
/// Points of a seam that is just heard.
const JUST_HEARD: f64 = 20.0;

/// Measures the loop as it will be played, round and round (crossfade already baked).
///
/// The loop is unrolled to 1.5 s on each side of the join (loops under 0.4 s: to 0.8 s at the most).
/// Measured there, at the join and at every other place of the loop:
/// - `click_db`: excitation in bands one ERB wide (Glasberg & Moore 1990) over 5 ms, as far as it rises
///   above that just before and just after; RMS over the bands, dB, beyond what 19 of 20 other places
///   show. What lies 60 dB below the loudest band counts as masked;
/// - `flux_db`: loudness-weighted RMS difference of the bands from before to after, over 20 and over
///   100 ms, dB, beyond what 19 of 20 other places show;
/// - `level_step_db`: K-weighted (ITU-R BS.1770-5) over 50 and 200 ms before and after, the larger;
///   in short loops over a quarter of the loop; spans of whole periods. What three of four other places show is no step;
/// - `pitch_step_cents`: period over 80 ms before and after (half of shorter loops), by
///   autocorrelation. What three of four other places show is no step;
/// - `thump_db`: modulation of the level at 1/T and its multiples from 1 to 20 Hz (in loops under 0.2 s
///   up to 150 Hz or half the fundamental), from trough to crest, dB, as far as it exceeds the
///   modulation that the sustain has at the same rates (within the loop and in up to two loop lengths
///   before it, but for a steady fall or rise there; the lesser); or the bulge or dip over 20 or 80 ms at the
///   join against its surroundings beyond what 19 of 20 other places show; whichever is more.
///
/// `audibility`: each part is divided by what is just heard of it (2 dB click, 1 dB flux, 0.69 dB
/// level, 3.5 cents, 0.87 dB thump; sources beside the constants), the squares are added as those of
/// independent cues are (d′² adds; Green & Swets 1966, from memory), and the sum s gives
/// 100·(1 − 0.8^s): 0 where nothing stands out, 20 where one part is just heard, 59 at twice that,
/// 87 at three times.
///
/// Errors: as [`super::score_loop`].
pub fn audit(audio: &AudioBuf, range: FrameRange) -> Result<SeamAudit> {
    check_range(audio, range)?;
    let unrolled = Unrolled::new(audio, range);
    let excitation = Excitation::new(&unrolled);
    let (pitch_step_cents, pitch_beyond, period) = pitch::step(&unrolled);
    let level = Level::new(&unrolled, audio, range);
    let (step, step_beyond) = level.step(period);
    let found = SeamAudit {
        click_db: Decibels(excitation.click()),
        level_step_db: Decibels(step),
        level_beyond_db: step_beyond,
        flux_db: excitation.flux(),
        pitch_step_cents,
        pitch_beyond_cents: pitch_beyond,
        thump_db: level.thump(period),
        audibility: 0.0,
    };
    Ok(SeamAudit { audibility: points(found.cues().iter().map(|(_, v)| v * v).sum()), ..found })
}

/// Points for a sum of squared cues.
fn points(sum: f64) -> f64 {
    let kept: f64 = 1.0 - JUST_HEARD / 100.0;
    (100.0 * (1.0 - kept.powf(sum))).clamp(0.0, 100.0)
}

impl SeamAudit {
    /// Every part by name, as multiples of what is just heard of it.
    fn cues(&self) -> [(&'static str, f64); 5] {
        [
            ("click", self.click_db.0 / HEARD_CLICK_DB),
            ("spectrum", self.flux_db / HEARD_FLUX_DB),
            ("level", self.level_beyond_db / HEARD_LEVEL_DB),
            ("pitch", self.pitch_beyond_cents / HEARD_PITCH_CENTS),
            ("thump", self.thump_db / HEARD_THUMP_DB),
        ]
    }

    /// The parts by name (click, spectrum, level, pitch, thump) with the points each would have alone.
    pub fn parts(&self) -> [(&'static str, f64); 5] {
        self.cues().map(|(name, v)| (name, points(v * v)))
    }

    /// The name of the part that is heard most; None when nothing stands out.
    pub fn worst(&self) -> Option<&'static str> {
        let worst = self.cues().into_iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
        (worst.1 > 0.0).then_some(worst.0)
    }
}
