//! A whole recording, section by section.

use super::{CleanParams, NoiseProfile, Plan};
use crate::audio::AudioBuf;
use crate::dsp::pitch::F0Track;
use crate::dsp::poll::Poll;
use crate::error::Result;
use crate::units::FrameRange;

/// Length of a section, in seconds: bounds the memory that long files take.
const SECTION_S: u64 = 30;
/// What is looked at around a section, in seconds: hum is followed over 1.6 s to either side.
const AROUND_S: u64 = 2;
/// Neighbouring sections are faded into one another over this part of a second.
const FADE: u64 = 20;

/// A cleaned recording.
#[derive(Debug, Clone)]
pub struct Cleaned {
    /// The source less what was removed; as long as the source, frame for frame.
    pub audio: AudioBuf,
    /// What was removed.
    pub removed: AudioBuf,
}

/// Takes the room of `profile` out of `source`.
///
/// `track` is the fundamental over the source (of `dsp::pitch::track_f0`, from its first frame on);
/// without one nothing is known of partials, and little is left of what is as soft as the room.
/// Channels get the same gains, so the stereo image stays. Returns two buffers as long as the source,
/// and aligned to it. Both stand on 24-bit steps where the source does.
///
/// Errors: `InvalidParameter` as [`CleanParams::check`].
pub fn clean(
    source: &AudioBuf,
    profile: &NoiseProfile,
    track: Option<&F0Track>,
    params: &CleanParams,
) -> Result<Cleaned> {
    clean_while(source, profile, track, params, &|| true)
}

/// [`clean`] as long as `go_on` says so, which is asked every few milliseconds of work.
///
/// Errors: as [`clean`]; `Cancelled` once `go_on` says no.
pub fn clean_while(
    source: &AudioBuf,
    profile: &NoiseProfile,
    track: Option<&F0Track>,
    params: &CleanParams,
    go_on: &dyn Fn() -> bool,
) -> Result<Cleaned> {
    params.check()?;
    let poll = Poll::new(go_on);
    let len = source.frames().0;
    let mut removed = vec![vec![0f32; len as usize]; source.channel_count()];
    if params.amount > 0.0 && len > 0 {
        let rate = u64::from(source.rate().hz());
        for start in (0..len).step_by((SECTION_S * rate) as usize) {
            let scene = (source, profile, track, params);
            section(scene, start, &mut removed, &poll)?;
        }
    }
    let step = f64::from(1u32 << 23);
    for x in removed.iter_mut().flatten() {
        *x = ((f64::from(*x) * step).round() / step) as f32;
    }
    let kept =
        source.channels().zip(&removed).map(|(x, r)| x.iter().zip(r).map(|(x, r)| x - r).collect()).collect();
    Ok(Cleaned {
        audio: AudioBuf::new(kept, source.rate())?,
        removed: AudioBuf::new(removed, source.rate())?,
    })
}

/// Adds what is removed of the section from `start` on.
fn section(
    (source, profile, track, params): (&AudioBuf, &NoiseProfile, Option<&F0Track>, &CleanParams),
    start: u64,
    removed: &mut [Vec<f32>],
    poll: &Poll,
) -> Result<()> {
    let rate = u64::from(source.rate().hz());
    let len = source.frames().0;
    let fade = rate / FADE;
    let end = (start + SECTION_S * rate).min(len);
    let from = start.saturating_sub(AROUND_S * rate);
    let part = source.part(FrameRange::new(from, (end + AROUND_S * rate).min(len)));
    let begins_s = from as f64 / rate as f64;
    let plan = Plan::new_while(&part, profile, track, begins_s, params, poll)?;
    // The fade into the next section lies after the end.
    let stop = (end + fade).min(len);
    for (c, removed) in removed.iter_mut().enumerate() {
        let taken = plan.removed_from_while(c, poll)?;
        for n in start..stop {
            let rise = if start > 0 { ((n - start) as f32 / fade as f32).min(1.0) } else { 1.0 };
            let fall = if n >= end { (n - end) as f32 / fade as f32 } else { 0.0 };
            removed[n as usize] += taken[(n - from) as usize] * (rise - fall);
        }
    }
    Ok(())
}
