//! What `pitch`, `flatten`, `loops` and `seam` need of a single file.

use std::path::Path;

use crate::audio::AudioBuf;
use crate::dsp::pitch::{F0Params, F0Track, NoteSummary, summarise, track_f0};
use crate::dsp::spans::{EnvelopeBuilder, SpanParams, find_room_tone, find_takes};
use crate::error::{Error, ErrorKind, Result};
use crate::io::decode;
use crate::units::{Frame, FrameRange, Seconds};

/// A whole file with its note.
pub struct OneTake {
    /// The samples.
    pub audio: AudioBuf,
    /// The fundamental over it.
    pub track: F0Track,
    /// The note; none: nothing steady was found.
    pub note: Option<NoteSummary>,
    /// Where the note begins to sound.
    pub onset: Frame,
}

/// Decodes and tracks a file that holds one note.
pub fn read(path: &Path) -> Result<OneTake> {
    let audio = decode::decode(path)?;
    let track = track_f0(&audio.mixed_or_loudest(), audio.rate(), &F0Params::default())?;
    let note = summarise(&track);
    let onset = onset_of(&audio, note.as_ref());
    Ok(OneTake { audio, track, note, onset })
}

/// The onset of the sound that holds the note's sustain; the file's start where there is none.
fn onset_of(audio: &AudioBuf, note: Option<&NoteSummary>) -> Frame {
    let mut builder = EnvelopeBuilder::new(audio.rate());
    let planes: Vec<&[f32]> = audio.channels().collect();
    builder.push(&planes);
    let envelope = builder.finish();
    let params = SpanParams::default();
    let takes = find_takes(&envelope, find_room_tone(&envelope, &params).as_ref(), &params);
    let sustain = note.map(|n| Frame(Seconds(n.sustain_s.0).frames(audio.rate()).0));
    takes
        .iter()
        .find(|t| sustain.is_none_or(|s| t.span.contains(s)))
        .or_else(|| takes.first())
        .map_or(Frame(0), |t| t.onset)
}

impl OneTake {
    /// The note, or an error in words.
    pub fn note(&self) -> Result<NoteSummary> {
        self.note.ok_or_else(|| {
            Error::new(
                ErrorKind::Nothing,
                "no steady note was found in this file; it takes a pitched sound of at least some tenths of a second",
            )
        })
    }

    /// The steady part in frames.
    pub fn sustain(&self) -> Result<FrameRange> {
        let (from, until) = self.note()?.sustain_s;
        let frame = |t: f64| Seconds(t).frames(self.audio.rate()).0.min(self.audio.frames().0);
        Ok(FrameRange::new(frame(from), frame(until)))
    }
}
