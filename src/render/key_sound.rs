//! The sound of a take as a player of the delivered set has it under a key.

use std::path::Path;

use super::room::Rooms;
use super::take_file::{self, Item};
use crate::audio::AudioBuf;
use crate::error::{Error, ErrorKind, Result};
use crate::jobs::Job;
use crate::session::{Document, TakeId};
use crate::units::{Cents, Decibels, Frame, FrameRange, MidiNote};

/// What a key plays.
#[derive(Debug, Clone)]
pub struct KeySound {
    /// The samples of the file, without the delivery's gain and before rounding.
    pub audio: AudioBuf,
    /// Its loop.
    pub looping: Option<FrameRange>,
    /// Its onset.
    pub onset: Frame,
    /// Frames of one period; 0: not known.
    pub period: f64,
    /// Root key.
    pub root: MidiNote,
    /// How far above the root key it is tuned.
    pub fine_tune: Cents,
}

impl KeySound {
    /// Speed at which a key reads it: 2^((key − root) / 12) less the fine tuning, so that the key
    /// sounds in equal temperament (MIDI note numbers are semitones; 1200 cents an octave).
    pub fn ratio(&self, key: MidiNote) -> f64 {
        let cents = 100.0 * (f64::from(key.0) - f64::from(self.root.0)) - self.fine_tune.0;
        (cents / 1200.0).exp2()
    }
}

/// Renders a take as a delivery of `document` writes it, whatever its state. `rooms` keeps the rooms that
/// were learned for the next take. Errors: no such take, no
/// recipe, what decoding and rendering say, a cancel.
pub fn key_sound(
    session_path: &Path,
    document: &Document,
    take: TakeId,
    rooms: &Rooms,
    job: &Job,
) -> Result<KeySound> {
    let (take, source) = document
        .take_and_source(take)
        .ok_or_else(|| Error::new(ErrorKind::Nothing, "this take is not in the session any more"))?;
    let item = Item { take, source, name: "", region: None, gain: Decibels(0.0), heard: None };
    let (rendered, shaped, _) = take_file::render_item(session_path, document, &item, rooms, job)?;
    Ok(KeySound {
        period: rendered.f0.map_or(0.0, |f0| shaped.audio.rate().as_f64() / f0.0),
        audio: shaped.audio,
        looping: shaped.looping,
        onset: shaped.onset,
        root: rendered.root,
        fine_tune: rendered.fine_tune,
    })
}
