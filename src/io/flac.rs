//! Writing FLAC with 24 bits and texts. The only user of the encoder library.
//!
//! The format itself knows no loops. They go into an application block of the registered kind
//! `riff`, whose body is a chunk of a WAV (here `smpl` and `inst`). Source: RFC 9639, sections 8.4 (the
//! block), 8.6 (the texts) and 12.2 (the registry).

use std::path::Path;

use flacenc::bitsink::ByteSink;
use flacenc::component::{BitRepr as _, MetadataBlockData};
use flacenc::error::{SourceError, SourceErrorReason, Verify as _};
use flacenc::source::{Fill, Source};

use super::flac_marks::{APPLICATION, NAMES, TEXTS};
use super::form::{FileMarks, SoundForm};
use super::quantise::{BLOCK_FRAMES, Quantiser};
use super::{atomic, wav, wave_chunks};
use crate::audio::AudioBuf;
use crate::error::{Error, ErrorKind, Result};

/// Writes `audio` as 24-bit FLAC to `path`, whole or not at all.
///
/// `go_on` false ends with `Cancelled`. Errors: as [`wav::write`], more than 8 channels, more texts
/// than a block holds.
pub fn write(path: &Path, audio: &AudioBuf, marks: &FileMarks, go_on: &dyn Fn() -> bool) -> Result<()> {
    let here = |e: Error| e.context(format!("cannot write {}", path.display()));
    wav::check_audio(audio, SoundForm::Flac).map_err(here)?;
    let bytes = encode(audio, marks, go_on).map_err(here)?;
    atomic::write(path, |out| out.write_all(&bytes).map_err(|e| Error::io("write", path, &e)))
}

fn encode(audio: &AudioBuf, marks: &FileMarks, go_on: &dyn Fn() -> bool) -> Result<Vec<u8>> {
    let failed =
        |e: &dyn std::fmt::Display| Error::new(ErrorKind::Internal, format!("the FLAC encoder failed: {e}"));
    let config = flacenc::config::Encoder::default().into_verified().map_err(|(_, e)| failed(&e))?;
    let mut source = Steps { audio, quantiser: Quantiser::new(audio, 24), at: 0, block: Vec::new(), go_on };
    let encoded = flacenc::encode_with_fixed_block_size(&config, &mut source, BLOCK_FRAMES);
    if !go_on() {
        return Err(Error::cancelled());
    }
    let mut stream = encoded.map_err(|e| failed(&e))?;
    // The encoder counts the last, shorter block as the shortest; RFC 9639, section 8.2, leaves it
    // out, and readers take different lengths for a stream of variable blocks.
    stream.stream_info_mut().set_block_sizes(BLOCK_FRAMES, BLOCK_FRAMES).map_err(|e| failed(&e))?;
    let mut block = |kind: u8, body: &[u8]| -> Result<()> {
        // The length of a block has 24 bits.
        if body.len() >= 1 << 24 {
            return Err(Error::invalid("texts", format!("{} bytes", body.len()), "less than 16 MiB"));
        }
        stream.add_metadata_block(MetadataBlockData::new_unknown(kind, body).map_err(|e| failed(&e))?);
        Ok(())
    };
    for chunk in wave_chunks::for_flac(audio.rate(), audio.frames().0, marks)? {
        block(APPLICATION, &[b"riff", chunk.as_slice()].concat())?;
    }
    block(TEXTS, &texts(marks))?;
    let mut sink = ByteSink::new();
    stream.write(&mut sink).map_err(|e| failed(&e))?;
    Ok(sink.into_inner())
}

/// Vendor, then the number of texts and each `NAME=text`, all lengths with the lowest byte first.
fn texts(marks: &FileMarks) -> Vec<u8> {
    let with_length = |text: &str| [&(text.len() as u32).to_le_bytes(), text.as_bytes()].concat();
    let list: Vec<Vec<u8>> = NAMES
        .iter()
        .filter_map(|(info, name)| {
            marks.sound.info.get(*info).map(|text| with_length(&format!("{name}={text}")))
        })
        .collect();
    let mut body = with_length(super::PROGRAM);
    body.extend((list.len() as u32).to_le_bytes());
    body.extend(list.concat());
    body
}

/// The sound as the encoder reads it: block by block, quantised on the way.
struct Steps<'a> {
    audio: &'a AudioBuf,
    quantiser: Quantiser,
    at: usize,
    block: Vec<i32>,
    go_on: &'a dyn Fn() -> bool,
}

impl Source for Steps<'_> {
    fn channels(&self) -> usize {
        self.audio.channel_count()
    }
    fn bits_per_sample(&self) -> usize {
        24
    }
    fn sample_rate(&self) -> usize {
        self.audio.rate().hz() as usize
    }
    fn read_samples<F: Fill>(
        &mut self,
        block_size: usize,
        dest: &mut F,
    ) -> std::result::Result<usize, SourceError> {
        if !(self.go_on)() {
            return Err(SourceError::by_reason(SourceErrorReason::IO(None)));
        }
        let channels = self.audio.channel_count();
        let end = (self.at + block_size).min(self.audio.len());
        self.block.resize((end - self.at) * channels, 0);
        for (c, x) in self.audio.channels().enumerate() {
            let block = &mut self.block;
            self.quantiser.quantise(c, &x[self.at..end], |i, step| block[i * channels + c] = step);
        }
        let count = end - self.at;
        if count > 0 {
            dest.fill_interleaved(&self.block)?;
        }
        self.at = end;
        Ok(count)
    }
    fn len_hint(&self) -> Option<usize> {
        Some(self.audio.len())
    }
}
