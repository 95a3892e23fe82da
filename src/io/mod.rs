//! Files in and out. Sources are opened for reading only; what is written appears whole or not at
//! all.

use std::path::Path;

use crate::audio::AudioBuf;
use crate::error::{Error, ErrorKind};
use crate::units::SampleRate;

mod aiff;
pub mod aiff_write;
pub mod atomic;
pub mod decode;
pub mod flac;
mod flac_marks;
pub mod form;
pub mod hash;
mod pcm;
mod quantise;
pub mod riff;
pub mod sf2;
pub mod sf2_hydra;
pub mod sf2_read;
pub mod sfz;
pub mod wav;
mod wave_chunks;

pub use form::SoundForm;

/// The file that marks a folder as a delivery and says what stands in it. A survey passes such
/// folders by: what came out must not go in again.
pub const DELIVERY_MANIFEST: &str = ".seamwright-delivery.json";

/// The program and its version, as the files that it writes name it.
pub const PROGRAM: &str = concat!("Seamwright ", env!("CARGO_PKG_VERSION"));

/// What to do about a file that is not read.
const EXPORT_AGAIN: &str = "export it again from where it was made, best as 24-bit PCM WAV";

/// Most channels that are read: enough for any array of microphones, few enough that a lying
/// header cannot ask for much.
const MOST_CHANNELS: u16 = 256;

/// Writes `audio` in `form` with `marks` to `path`, whole or not at all; `go_on` false ends with
/// `Cancelled`. Errors: those of [`wav::write`], [`flac::write`] and [`aiff_write::write`].
pub fn write_sound(
    path: &Path,
    audio: &AudioBuf,
    form: SoundForm,
    marks: &form::FileMarks,
    go_on: &dyn Fn() -> bool,
) -> Result<(), Error> {
    match form {
        SoundForm::Wav16 | SoundForm::Wav24 | SoundForm::Wav32f => {
            wav::write(path, audio, form, marks, go_on)
        }
        SoundForm::Flac => flac::write(path, audio, marks, go_on),
        SoundForm::Aiff => aiff_write::write(path, audio, marks, go_on),
    }
}

/// An error about the bytes of `path`: what was wrong, what is allowed, what to do.
fn unreadable(kind: ErrorKind, path: &Path, what: impl std::fmt::Display) -> Error {
    Error::new(kind, format!("cannot read {}: {what}", path.display()))
}

/// The rate that a header names, if it is one that is worked on.
fn rate_from_header(path: &Path, hz: u32) -> Result<SampleRate, Error> {
    SampleRate::new(hz).map_err(|_| {
        let (kind, cure) = if hz == 0 {
            (ErrorKind::Decode, EXPORT_AGAIN)
        } else {
            (ErrorKind::UnsupportedFormat, "convert it to 48000 Hz first")
        };
        unreadable(
            kind,
            path,
            format!(
                "its header says {hz} Hz; allowed: {} to {} Hz; {cure}",
                SampleRate::MIN_HZ,
                SampleRate::MAX_HZ
            ),
        )
    })
}

/// The channel count that a header names, if it is one that is worked on.
fn channels_from_header(path: &Path, channels: u16) -> Result<u16, Error> {
    if (1..=MOST_CHANNELS).contains(&channels) {
        return Ok(channels);
    }
    Err(unreadable(
        ErrorKind::Decode,
        path,
        format!("its header says {channels} channels; allowed: 1 to {MOST_CHANNELS}; {EXPORT_AGAIN}"),
    ))
}
