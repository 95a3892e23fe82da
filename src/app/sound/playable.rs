//! Renderings as the engine plays them: with their loops, from where playing begins.

use std::sync::Arc;

use super::From;
use crate::app::derived::{FromRecipe, FromSource};
use crate::audio::AudioBuf;
use crate::dsp::looping::crossfade_frames;
use crate::playback::message::{PlayLoop, Playable};
use crate::render::audition::Audition;
use crate::session::{LoopRecipe, Recipe, Take};
use crate::units::FrameRange;

/// How long before the loop end playing across the seam begins, in seconds.
const SEAM_LEAD_S: f64 = 1.0;
/// Least crossfade of what is only compared with, in seconds.
const LEAST_JOIN_S: f64 = 0.02;

/// Goes round as a whole.
pub(super) fn playable_audition(a: &Audition) -> Playable {
    let tail = Arc::new(vec![Vec::new(); a.looped.channel_count()]);
    let range = FrameRange::new(0, a.looped.frames().0);
    Playable {
        rendered: a.looped.clone(),
        source: a.straight.clone(),
        removed: None,
        looping: Some(PlayLoop { range, tail, compared: Default::default() }),
    }
}

/// A rendering as the engine plays it.
pub(super) fn playable(made: &FromRecipe) -> Playable {
    let looping = made.rendered.looping.as_ref().and_then(|l| play_loop(made, l.range, l.crossfade));
    Playable {
        rendered: made.rendered.audio.clone(),
        source: Some(made.plain.clone()),
        removed: made.cleaning.as_ref().map(|c| c.removed.clone()),
        looping,
    }
}

/// A loop ready to be played; a crossfade that does not fit is left out rather than the loop.
fn play_loop(made: &FromRecipe, range: FrameRange, crossfade: u64) -> Option<PlayLoop> {
    let audio = &made.rendered.audio;
    if range.is_empty() || range.end.0 > audio.frames().0 {
        return None;
    }
    let none = || vec![Vec::new(); audio.channel_count()];
    let tail = if crossfade == 0 {
        none()
    } else {
        crossfade_frames(audio, range, crossfade).unwrap_or_else(|_| none())
    };
    let removed = made.cleaning.as_ref().map(|c| &c.removed);
    let compared =
        [Some(&made.plain), removed].map(|x| x.map(|x| joined(x, range, crossfade)).unwrap_or_default());
    Some(PlayLoop { range, tail: Arc::new(tail), compared })
}

/// Crossfade of what is only compared with: the loop's own, but never so short that it clicks. The loop was made
/// for the rendering; here the waves on both sides need not meet.
fn joined(audio: &AudioBuf, range: FrameRange, crossfade: u64) -> Arc<Vec<Vec<f32>>> {
    let least = (LEAST_JOIN_S * audio.rate().as_f64()) as u64;
    let frames = crossfade.max(least).min(range.start.0).min(range.count().0);
    // It may be shorter than the loop: then it is silent there anyhow.
    Arc::new(crossfade_frames(audio, range, frames).unwrap_or_default())
}

/// Where a loop of the document lies in a rendering that was made with another loop.
pub(super) fn moved_loop(l: &LoopRecipe, made: &FromRecipe, source: &FromSource) -> Option<PlayLoop> {
    let clip = &source.analysed.clip;
    let frame = |p: f64| made.rendered.frame_of(clip, p).round().max(0.0) as u64;
    let range = FrameRange::new(frame(l.start), frame(l.end));
    play_loop(made, range, l.crossfade.frames(made.rendered.audio.rate()).0)
}

/// Whether two recipes sound alike but for the loop.
pub(super) fn only_loop_differs(a: &Recipe, b: &Recipe) -> bool {
    a.clean.does_as(&b.clean) && a.trim == b.trim && a.tune == b.tune && a.level == b.level
}

/// The rendered frame at which playing begins.
pub(super) fn start_frame(from: From, what: &Playable, take: &Take, source: Option<&FromSource>) -> u64 {
    let lead = (SEAM_LEAD_S * what.rendered.rate().as_f64()) as u64;
    match (from, &what.looping) {
        (From::LoopStart, Some(l)) => l.range.start.0,
        (From::BeforeSeam, Some(l)) => l.range.end.0.saturating_sub(lead),
        (From::Frame(f), _) => f.min(what.rendered.frames().0.saturating_sub(1)),
        _ if take.recipe.is_none() => {
            source.map_or(0, |s| s.analysed.clip.local(take.span.start.0 as f64).max(0.0) as u64)
        }
        _ => 0,
    }
}
