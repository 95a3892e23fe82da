//! The buffer that all sound travels in.

use std::borrow::Cow;
use std::sync::Arc;

use super::level;
use crate::error::{Error, ErrorKind, Result};
use crate::units::{Frame, FrameCount, FrameRange, SampleRate};

/// Planar samples, full scale ±1, immutable and shared: a clone costs a few pointers, an edit
/// makes a new buffer.
#[derive(Debug, Clone, PartialEq)]
pub struct AudioBuf {
    channels: Arc<[Arc<[f32]>]>,
    rate: SampleRate,
}

impl AudioBuf {
    /// A buffer from one vector a channel. Errors: no channel, channels of different lengths, or a
    /// sample that is not a finite number.
    pub fn new(planes: Vec<Vec<f32>>, rate: SampleRate) -> Result<Self> {
        let Some(first) = planes.first() else {
            return Err(Error::invalid("channel count", 0, "at least 1"));
        };
        let frames = first.len();
        if planes.iter().any(|p| p.len() != frames) {
            return Err(Error::new(ErrorKind::Internal, "channels of one buffer differ in length"));
        }
        for (c, plane) in planes.iter().enumerate() {
            if let Some(i) = plane.iter().position(|s| !s.is_finite()) {
                return Err(Error::new(
                    ErrorKind::Decode,
                    format!(
                        "sample {i} of channel {} is {}, not a finite number; export the file again from where it was made",
                        c + 1,
                        plane[i]
                    ),
                ));
            }
        }
        Ok(Self { channels: planes.into_iter().map(Arc::from).collect(), rate })
    }

    /// One channel. Errors as [`AudioBuf::new`].
    pub fn mono(samples: Vec<f32>, rate: SampleRate) -> Result<Self> {
        Self::new(vec![samples], rate)
    }

    /// Frames a second.
    pub fn rate(&self) -> SampleRate {
        self.rate
    }

    /// Length.
    pub fn frames(&self) -> FrameCount {
        FrameCount(self.channels[0].len() as u64)
    }

    /// Length as an index.
    pub fn len(&self) -> usize {
        self.channels[0].len()
    }

    /// Whether it has no frames.
    pub fn is_empty(&self) -> bool {
        self.channels[0].is_empty()
    }

    /// How many channels.
    pub fn channel_count(&self) -> usize {
        self.channels.len()
    }

    /// Samples of channel `c` (0 is the first). Panics when there is no such channel.
    pub fn channel(&self, c: usize) -> &[f32] {
        &self.channels[c]
    }

    /// All channels in order.
    pub fn channels(&self) -> impl ExactSizeIterator<Item = &[f32]> + Clone {
        self.channels.iter().map(AsRef::as_ref)
    }

    /// Largest absolute sample of all channels (full scale 1); 0 for nothing.
    pub fn peak(&self) -> f32 {
        self.channels().map(level::peak).fold(0.0, f32::max)
    }

    /// The mean of the channels; borrowed where there is only one.
    pub fn mixed(&self) -> Cow<'_, [f32]> {
        mean(&self.channels().collect::<Vec<_>>())
    }

    /// One channel to hear the pitch in: the mean of the channels, or the loudest where they cancel
    /// each other (one of them inverted).
    pub fn mixed_or_loudest(&self) -> Cow<'_, [f32]> {
        let (mix, loudest) = mean_and_loudest(&self.channels().collect::<Vec<_>>());
        loudest.map_or(mix, |c| Cow::Borrowed(self.channel(c)))
    }

    /// A copy with every sample times `gain`. Errors: a gain that is not a finite number.
    pub fn scaled(&self, gain: f32) -> Result<Self> {
        if gain == 1.0 {
            return Ok(self.clone());
        }
        Self::new(self.channels().map(|c| c.iter().map(|s| s * gain).collect()).collect(), self.rate)
    }

    /// A copy of the part of `range` that exists.
    pub fn part(&self, range: FrameRange) -> Self {
        let end = (range.end.0 as usize).min(self.len());
        let start = (range.start.0 as usize).min(end);
        Self { channels: self.channels.iter().map(|c| Arc::from(&c[start..end])).collect(), rate: self.rate }
    }
}

/// A decoded stretch of a source file that remembers where in the file it lies.
#[derive(Debug, Clone, PartialEq)]
pub struct Clip {
    /// The samples.
    pub audio: AudioBuf,
    /// The source frame that the first sample was read from.
    pub offset: Frame,
}

impl Clip {
    /// The source frames it covers.
    pub fn range(&self) -> FrameRange {
        FrameRange { start: self.offset, end: self.offset.plus(self.audio.frames()) }
    }

    /// Index into the clip of a source position (may lie outside: the caller clamps).
    pub fn local(&self, source_frame: f64) -> f64 {
        source_frame - self.offset.0 as f64
    }

    /// Source position of an index into the clip.
    pub fn source(&self, local: f64) -> f64 {
        local + self.offset.0 as f64
    }
}

/// The mean of channels of equal length, and of those that cancel each other in it (one of them inverted)
/// which is the loudest.
pub fn mean_and_loudest<'a>(channels: &[&'a [f32]]) -> (Cow<'a, [f32]>, Option<usize>) {
    let mix = mean(channels);
    let level = |c: &usize| level::rms(channels[*c]);
    let loudest = (0..channels.len()).max_by(|a, b| level(a).total_cmp(&level(b)));
    // One sounding channel of n makes the mean 1/n of it; less than half of that is a cancellation.
    let cancel = |c: &usize| level::rms(&mix) < 0.5 * level(c) / channels.len() as f64;
    let loudest = loudest.filter(cancel);
    (mix, loudest)
}

/// The mean of channels of equal length; borrowed where there is only one.
pub fn mean<'a>(channels: &[&'a [f32]]) -> Cow<'a, [f32]> {
    if let [one] = channels {
        return Cow::Borrowed(one);
    }
    let share = 1.0 / channels.len().max(1) as f32;
    let mut mean = vec![0f32; channels.first().map_or(0, |c| c.len())];
    channels.iter().for_each(|c| mean.iter_mut().zip(*c).for_each(|(m, v)| *m += v * share));
    Cow::Owned(mean)
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: SampleRate = SampleRate::DELIVERY;

    #[test]
    fn refuses_what_is_no_sound() {
        assert!(AudioBuf::new(vec![], RATE).is_err());
        assert!(AudioBuf::new(vec![vec![0.0], vec![]], RATE).is_err());
        let e = AudioBuf::new(vec![vec![0.0; 3], vec![0.0, 0.0, f32::NAN]], RATE).unwrap_err();
        assert!(e.to_string().starts_with("sample 2 of channel 2 is NaN"), "{e}");
        assert!(AudioBuf::mono(vec![f32::INFINITY], RATE).is_err());
    }

    #[test]
    fn mix_and_part() {
        let b = AudioBuf::new(vec![vec![1.0, 0.5, 0.0], vec![0.0, 0.5, -1.0]], RATE).unwrap();
        assert_eq!(b.mixed().as_ref(), [0.5, 0.5, -0.5]);
        let p = b.part(FrameRange::new(1, 99));
        assert_eq!(p.channel(1), [0.5, -1.0]);
        assert!(b.part(FrameRange::new(7, 9)).is_empty());
    }

    /// The mean where both channels sound or one is silent, the louder where they cancel.
    #[test]
    fn channels_that_cancel_are_heard_by_the_loudest() {
        let rate = SampleRate::DELIVERY;
        let of = |l: [f32; 2], r: [f32; 2]| AudioBuf::new(vec![l.to_vec(), r.to_vec()], rate).unwrap();
        assert_eq!(of([0.5, -0.5], [-0.4, 0.4]).mixed_or_loudest().as_ref(), [0.5, -0.5]);
        assert_eq!(of([0.5, -0.5], [0.5, -0.5]).mixed_or_loudest().as_ref(), [0.5, -0.5]);
        assert_eq!(of([0.0, 0.0], [0.5, -0.5]).mixed_or_loudest().as_ref(), [0.25, -0.25]);
        assert_eq!(of([0.0, 0.0], [0.0, 0.0]).mixed_or_loudest().as_ref(), [0.0, 0.0]);
    }
}
