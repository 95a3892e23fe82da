//! Short sounds by which an ear judges a loop: its seam again and again, and the loop beside the
//! take's own sustain. Made whole and of bounded length, so that they can be played like any sound.

use super::chain::{Rendered, finished};
use crate::audio::AudioBuf;
use crate::error::{Error, ErrorKind, Result};
use crate::units::FrameRange;

/// Seconds before and after the seam.
const SEAM_SIDE_S: f64 = 1.0;
/// Silence before it comes again.
const GAP_S: f64 = 0.35;
/// Fades at both ends, so that neither is a click.
const EDGE_S: f64 = 0.008;
/// The take and its loop are compared over no more than this.
const LONGEST_S: f64 = 12.0;
/// So much of the take's own sustain has to follow the loop end for the two to begin as one.
const LEAST_AFTER_S: f64 = 0.5;

/// The word for a part of a seam's audit ([`crate::dsp::looping::SeamAudit::parts`]): the same as for that part of
/// the loop's score.
pub fn part_word(part: &'static str) -> &'static str {
    if part == "colour" { "spectrum" } else { part }
}

/// What is to be judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Judged {
    /// The seam: what comes before it, the join, what comes after.
    Seam,
    /// The loop going round, beside the take played straight on.
    Sustain,
}

/// A sound for judging a loop. It goes round from its first frame to its last.
#[derive(Debug, Clone)]
pub struct Audition {
    /// The loop going round, then silence.
    pub looped: AudioBuf,
    /// The take played straight on over the same time, at the level of `looped`; none for the seam.
    pub straight: Option<AudioBuf>,
    /// Rendered frame that `looped` begins at.
    first: u64,
    /// Rendered frame that `straight` begins at.
    straight_first: u64,
    looping: FrameRange,
}

impl Audition {
    /// The sound for judging the loop of `r`.
    ///
    /// The seam: a second before the join and a second after it, as it is heard going round. The
    /// sustain: up to 12 s. Where half a second or more of the sustain follows the loop end, both sides
    /// are the same up to there, then one goes round and the other goes straight on. Else the take is
    /// played from the loop start to the end of its sustain, and the loop so that its seam falls into
    /// the middle of that time. Their levels are matched: RMS over the whole time, all channels.
    ///
    /// Errors: `Nothing` without a loop; else as [`finished`].
    pub fn of(r: &Rendered, what: Judged) -> Result<Self> {
        let l = r.looping.ok_or_else(|| Error::new(ErrorKind::Nothing, "this take has no loop yet"))?;
        let file = finished(r)?;
        let (start, end) = (l.range.start.0, l.range.end.0);
        let rate = file.rate().as_f64();
        let length = l.range.count().0;
        let span = |seconds: f64| (seconds * rate) as u64;
        match what {
            Judged::Seam => {
                let side = span(SEAM_SIDE_S);
                let first = end - 1 - (side - 1) % length;
                let looped = edged(&file, 2 * side, rate, 1.0, |i| round(first + i, start, length))?;
                Ok(Self { looped, straight: None, first, straight_first: first, looping: l.range })
            }
            Judged::Sustain => {
                let last = r.sustain.map_or(file.frames().0, |s| s.end.0).clamp(end, file.frames().0);
                let most = span(LONGEST_S);
                let (frames, straight_first, first) = if last - end >= span(LEAST_AFTER_S) {
                    let from = start.max(end.saturating_sub(most / 2));
                    ((last - from).min(most), from, from)
                } else {
                    let frames = (last - start).min(most);
                    (frames, start, end - 1 - (frames / 2).max(1).wrapping_sub(1) % length)
                };
                let own = r.uneven.as_ref().unwrap_or(&r.audio);
                let at = |i: u64| round(first + i, start, length);
                let straight_at = |i: u64| straight_first + i;
                let gain = (power(&file, frames, at) / power(own, frames, straight_at).max(1e-20)).sqrt();
                let looped = edged(&file, frames, rate, 1.0, at)?;
                // More than 12 dB apart they are no longer the same note.
                let straight = edged(own, frames, rate, gain.clamp(0.25, 4.0) as f32, straight_at)?;
                Ok(Self { looped, straight: Some(straight), first, straight_first, looping: l.range })
            }
        }
    }

    /// The rendered frame that sounds at `frame` of the audition.
    pub fn place(&self, frame: u64, straight: bool) -> u64 {
        if straight {
            self.straight_first + frame
        } else {
            round(self.first + frame, self.looping.start.0, self.looping.count().0)
        }
    }
}

/// A frame counted straight on, folded back into the loop where it lies beyond its end.
fn round(frame: u64, start: u64, length: u64) -> u64 {
    if frame < start + length { frame } else { start + (frame - start) % length }
}

fn power(audio: &AudioBuf, frames: u64, at: impl Fn(u64) -> u64) -> f64 {
    let of = |x: &[f32]| -> f64 { (0..frames).map(|i| f64::from(x[at(i) as usize]).powi(2)).sum() };
    audio.channels().map(of).sum()
}

/// `frames` frames read at `at`, times `gain`, faded at both ends, and the silence after them.
fn edged(audio: &AudioBuf, frames: u64, rate: f64, gain: f32, at: impl Fn(u64) -> u64) -> Result<AudioBuf> {
    let edge = (EDGE_S * rate).max(1.0);
    let gap = (GAP_S * rate) as usize;
    let planes = audio
        .channels()
        .map(|x| {
            let faded = (0..frames).map(|i| {
                let near = (i + 1).min(frames - i) as f64 / edge;
                let w = 0.5 - 0.5 * (std::f64::consts::PI * near.min(1.0)).cos();
                x[at(i) as usize] * gain * w as f32
            });
            faded.chain(std::iter::repeat_n(0.0, gap)).collect()
        })
        .collect();
    AudioBuf::new(planes, audio.rate())
}

#[cfg(test)]
mod tests {
    use super::round;

    #[test]
    fn beyond_the_end_the_loop_begins_again() {
        let all: Vec<u64> = (8..16).map(|f| round(f, 10, 3)).collect();
        assert_eq!(all, [8, 9, 10, 11, 12, 10, 11, 12]);
    }
}
