//! Writing WAV: whole numbers of 16 and 24 bits and floating point, with root key, fine tune, loop,
//! keys, named positions and texts; above 4 GiB in the form RF64.

use std::io::{self, Write};
use std::path::Path;

use crate::audio::AudioBuf;
use crate::error::{Error, ErrorKind, Result};
use crate::units::{Decibels, SampleRate};

use super::form::{FileMarks, SoundForm};
use super::pcm::{GUID_TAIL, TAG_EXTENSIBLE, TAG_FLOAT, TAG_PCM};
use super::quantise::{BLOCK_FRAMES, Quantiser};
use super::riff::SourceMarks;
use super::{MOST_CHANNELS, atomic, wave_chunks};

/// Highest rate that the FLAC encoder takes.
pub const MOST_FLAC_HZ: u32 = 96_000;

/// Writes `audio` as 24-bit PCM to `path`, whole or not at all, with `marks` in `smpl` and
/// `LIST/INFO`. Errors as [`write()`].
pub fn write24(path: &Path, audio: &AudioBuf, marks: &SourceMarks) -> Result<()> {
    write(path, audio, SoundForm::Wav24, &FileMarks::from(marks.clone()), &|| true)
}

/// Writes `audio` as WAV to `path`, whole or not at all. `form` is one of the WAV forms.
///
/// Whole numbers are rounded to the nearest step after TPDF dither (see `quantise`); samples beyond
/// full scale are an error (`InvalidParameter`) then: the caller lowers the gain. `go_on` false ends
/// with `Cancelled`.
///
/// Further errors: no frames (`Nothing`); more channels or text than the form holds, loops outside
/// the sound, a fine tune outside ±50 cents or without a root key (`InvalidParameter`); and those of
/// [`atomic::write`].
pub fn write(
    path: &Path,
    audio: &AudioBuf,
    form: SoundForm,
    marks: &FileMarks,
    go_on: &dyn Fn() -> bool,
) -> Result<()> {
    let here = |e: Error| e.context(format!("cannot write {}", path.display()));
    check_audio(audio, form).map_err(here)?;
    let shape =
        Shape { channels: audio.channel_count() as u16, rate: audio.rate(), frames: audio.frames().0 };
    let framing = Framing::of(shape, form, marks).map_err(here)?;
    atomic::write(path, |out| {
        let io_error = |e: io::Error| Error::io("write", path, &e);
        out.write_all(&framing.head).map_err(io_error)?;
        write_samples(out, audio, form, go_on).map_err(|e| match e {
            Stop::Io(e) => io_error(e),
            Stop::Asked => Error::cancelled(),
        })?;
        // After the samples, so that the samples stand where the simplest readers look.
        out.write_all(&framing.tail).map_err(io_error)
    })
}

/// What the bytes around the samples depend on besides the marks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shape {
    /// Number of channels, 1 to 256.
    pub channels: u16,
    /// Frames a second.
    pub rate: SampleRate,
    /// Length in frames.
    pub frames: u64,
}

/// The bytes before and after the samples.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Framing {
    /// Everything up to the first sample.
    pub head: Vec<u8>,
    /// Bytes of the samples.
    pub data_len: u64,
    /// Everything after the last sample, with the byte of padding where the samples need one.
    pub tail: Vec<u8>,
}

impl Framing {
    /// The bytes around `shape.frames` frames in `form`.
    ///
    /// Where the whole does not fit the 32 bits of RIFF, it is RF64: the lengths stand in `ds64` and
    /// 0xFFFFFFFF where they would be. Source: EBU Tech 3306; ITU-R BS.2088.
    pub fn of(shape: Shape, form: SoundForm, marks: &FileMarks) -> Result<Self> {
        let fmt = fmt_chunk(shape, form);
        let width = u64::from(form.bits() / 8);
        let data_len = shape
            .frames
            .checked_mul(u64::from(shape.channels) * width)
            .filter(|n| *n < u64::MAX / 2)
            .ok_or_else(|| {
                Error::invalid("length", format!("{} frames", shape.frames), "less than 2^40 frames")
            })?;
        let pad = data_len & 1;
        let mut tail = vec![0; pad as usize];
        tail.extend(wave_chunks::all(shape.rate, shape.frames, marks)?);
        // From "WAVE" on, without ds64.
        let riff_len = 4 + fmt.len() as u64 + 8 + data_len + tail.len() as u64;
        let mut head = Vec::with_capacity(128);
        let mut data_len_said = data_len as u32;
        if let Ok(riff_len) = u32::try_from(riff_len) {
            head.extend(b"RIFF");
            head.extend(riff_len.to_le_bytes());
            head.extend(b"WAVE");
        } else {
            head.extend(b"RF64");
            head.extend(u32::MAX.to_le_bytes());
            head.extend(b"WAVE");
            // riffSize, dataSize, sampleCount, number of further lengths.
            head.extend(b"ds64");
            head.extend(28u32.to_le_bytes());
            head.extend((riff_len + 8 + 28).to_le_bytes());
            head.extend(data_len.to_le_bytes());
            head.extend(shape.frames.to_le_bytes());
            head.extend(0u32.to_le_bytes());
            data_len_said = u32::MAX;
        }
        head.extend(fmt);
        head.extend(b"data");
        head.extend(data_len_said.to_le_bytes());
        Ok(Self { head, data_len, tail })
    }
}

/// Refuses what no form can hold.
pub(super) fn check_audio(audio: &AudioBuf, form: SoundForm) -> Result<()> {
    if audio.is_empty() {
        return Err(Error::new(
            ErrorKind::Nothing,
            "there are no frames to write; widen the in and out points",
        ));
    }
    let channels = audio.channel_count();
    let most = if form == SoundForm::Flac { 8 } else { usize::from(MOST_CHANNELS) };
    if channels > most {
        return Err(Error::invalid("channel count", channels, &format!("1 to {most} in {}", form.words())));
    }
    if form == SoundForm::Flac && audio.rate().hz() > MOST_FLAC_HZ {
        return Err(Error::invalid(
            "sample rate",
            format!("{} Hz", audio.rate().hz()),
            &format!("up to {MOST_FLAC_HZ} Hz in FLAC; deliver as WAV or at a lower rate"),
        ));
    }
    let peak = audio.peak();
    if peak <= 1.0 || form.is_float() {
        return Ok(());
    }
    let over = Decibels::of_amplitude(f64::from(peak));
    let (c, i) = audio
        .channels()
        .enumerate()
        .find_map(|(c, x)| x.iter().position(|s| s.abs() > 1.0).map(|i| (c, i)))
        .unwrap_or_default();
    Err(Error::new(
        ErrorKind::InvalidParameter,
        format!(
            "the peak is {:.2} dB above full scale (first at sample {i} of channel {}); allowed: full scale (0 dB); lower the gain by {:.2} dB or more",
            over.0,
            c + 1,
            // Rounded up, so that following the advice is enough.
            (over.0 * 100.0).ceil() / 100.0
        ),
    ))
}

/// `fmt `: the plain form of 16 bytes; above two channels the extensible one of 40, with no channel
/// given a place (mask 0), since microphones have none. Floating point has the length of its (absent)
/// extension besides, and a `fact` chunk with the number of frames, as every coding but PCM must.
fn fmt_chunk(shape: Shape, form: SoundForm) -> Vec<u8> {
    let extensible = shape.channels > 2;
    let tag = if form.is_float() { TAG_FLOAT } else { TAG_PCM };
    let block = shape.channels * (form.bits() / 8);
    let rate = shape.rate.hz();
    let mut fmt = Vec::with_capacity(64);
    fmt.extend(b"fmt ");
    fmt.extend(u32::to_le_bytes(match (extensible, form.is_float()) {
        (true, _) => 40,
        (false, true) => 18,
        (false, false) => 16,
    }));
    fmt.extend((if extensible { TAG_EXTENSIBLE } else { tag }).to_le_bytes());
    fmt.extend(shape.channels.to_le_bytes());
    fmt.extend(rate.to_le_bytes());
    fmt.extend((rate * u32::from(block)).to_le_bytes());
    fmt.extend(block.to_le_bytes());
    fmt.extend(form.bits().to_le_bytes());
    if extensible {
        fmt.extend(22u16.to_le_bytes());
        fmt.extend(form.bits().to_le_bytes());
        fmt.extend(0u32.to_le_bytes());
        fmt.extend(tag.to_le_bytes());
        fmt.extend(GUID_TAIL);
    } else if form.is_float() {
        fmt.extend(0u16.to_le_bytes());
    }
    if form.is_float() {
        fmt.extend(b"fact");
        fmt.extend(4u32.to_le_bytes());
        fmt.extend(u32::try_from(shape.frames).unwrap_or(u32::MAX).to_le_bytes());
    }
    fmt
}

/// Why the writing of samples ended early.
enum Stop {
    Io(io::Error),
    Asked,
}

fn write_samples(
    out: &mut dyn Write,
    audio: &AudioBuf,
    form: SoundForm,
    go_on: &dyn Fn() -> bool,
) -> std::result::Result<(), Stop> {
    let channels = audio.channel_count();
    let width = usize::from(form.bits() / 8);
    let mut quantiser = (!form.is_float()).then(|| Quantiser::new(audio, form.bits()));
    let frame_bytes = channels * width;
    let mut block = vec![0u8; BLOCK_FRAMES.min(audio.len()) * frame_bytes];
    for start in (0..audio.len()).step_by(BLOCK_FRAMES) {
        if !go_on() {
            return Err(Stop::Asked);
        }
        let end = (start + BLOCK_FRAMES).min(audio.len());
        for (c, x) in audio.channels().enumerate() {
            let mut put = |i: usize, bytes: [u8; 4]| {
                let at = i * frame_bytes + c * width;
                block[at..at + width].copy_from_slice(&bytes[..width]);
            };
            match &mut quantiser {
                Some(q) => q.quantise(c, &x[start..end], |i, step| put(i, step.to_le_bytes())),
                None => x[start..end].iter().enumerate().for_each(|(i, s)| put(i, s.to_le_bytes())),
            }
        }
        out.write_all(&block[..(end - start) * frame_bytes]).map_err(Stop::Io)?;
    }
    Ok(())
}
