//! What `pitch`, `flatten`, `loops` and `seam` need of a single file.

use std::path::Path;

use crate::audio::AudioBuf;
use crate::dsp::pitch::{F0Params, F0Track, NoteSummary, summarise, track_f0};
use crate::dsp::spans::{EnvelopeBuilder, FoundSpan, SpanParams, find_room_tone, find_takes};
use crate::dsp::tune::onset_of;
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
    /// How many sounds stand out of the room.
    pub sounds: usize,
    /// The one of them that holds the note.
    pub within: Option<FrameRange>,
}

/// Decodes and tracks a file that holds one note.
pub fn read(path: &Path) -> Result<OneTake> {
    let audio = decode::decode(path)?;
    let rate = audio.rate();
    let mut track = track_f0(&audio.mixed_or_loudest(), rate, &F0Params::default())?;
    let note = summarise(&track);
    let found = spans(&audio);
    let onsets: Vec<f64> = found.iter().map(|t| t.onset.at(rate).0).collect();
    let onset = Frame(Seconds(onset_of(&track, &onsets)).frames(rate).0);
    // Where others sound too, only the strongest note's own pitch counts.
    let within = note.and_then(|n| {
        let begin = Frame(Seconds(n.sustain_s.0).frames(rate).0);
        found.iter().map(|t| t.span).find(|s| s.contains(begin))
    });
    if let Some(span) = within.filter(|_| found.len() > 1) {
        for (i, f0) in track.f0_hz.iter_mut().enumerate() {
            if !span.contains(Frame(Seconds(i as f64 * track.hop_s).frames(rate).0)) {
                *f0 = None;
            }
        }
    }
    Ok(OneTake { audio, track, note, onset, sounds: found.len(), within })
}

/// The sounds in a file, by their level.
fn spans(audio: &AudioBuf) -> Vec<FoundSpan> {
    let mut builder = EnvelopeBuilder::new(audio.rate());
    let planes: Vec<&[f32]> = audio.channels().collect();
    builder.push(&planes);
    let envelope = builder.finish();
    let params = SpanParams::default();
    find_takes(&envelope, find_room_tone(&envelope, &params).as_ref(), &params)
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
