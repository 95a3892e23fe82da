//! Writing 24-bit WAV with root key, fine tune, loop and INFO.

use std::io::{self, Write};
use std::path::Path;

use rand::{RngCore, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::audio::AudioBuf;
use crate::error::{Error, ErrorKind, Result};
use crate::units::Decibels;

use super::pcm::GUID_TAIL;
use super::riff::{self, SourceMarks};
use super::{MOST_CHANNELS, atomic};

/// Bytes of one sample.
const WIDTH: u64 = 3;
/// Full scale of 24 bits: 2^23.
const FULL_SCALE: f64 = 8_388_608.0;
/// Unity note where there are loops but no root key: middle C, which readers take anyway when a
/// file says nothing (common practice, no source).
const UNITY_WITHOUT_ROOT: u32 = 60;

/// Writes `audio` as 24-bit PCM to `path`, whole or not at all, with `marks` in `smpl` and
/// `LIST/INFO`. Samples beyond full scale are an error (`InvalidParameter`): the caller lowers the gain.
///
/// Samples are rounded to the nearest step after TPDF dither of 2 steps peak to peak, which makes
/// the error's power Δ²/4 whatever the signal. Source: Lipshitz, Wannamaker & Vanderkooy, JAES
/// 40(5), 1992. The dither's seed is drawn from the samples: the same audio gives the same bits, and
/// two files do not share their dither. +1 itself is written as the highest step, 1 − 2^−23.
///
/// Further errors: no frames (`Nothing`); more channels, frames or text than the form holds, loops
/// outside the sound, a fine tune outside ±50 cents or without a root key (`InvalidParameter`); and
/// those of [`atomic::write`].
pub fn write24(path: &Path, audio: &AudioBuf, marks: &SourceMarks) -> Result<()> {
    write(path, audio, marks, true)
}

/// As [`write24`], for samples that stand on 24-bit steps already: nothing is rounded, so there is
/// nothing to dither. Samples that stand between two steps go to the nearer one.
pub fn write24_on_steps(path: &Path, audio: &AudioBuf, marks: &SourceMarks) -> Result<()> {
    write(path, audio, marks, false)
}

fn write(path: &Path, audio: &AudioBuf, marks: &SourceMarks, dithered: bool) -> Result<()> {
    let here = |e: Error| e.context(format!("cannot write {}", path.display()));
    check_audio(audio).map_err(here)?;
    let smpl = smpl_chunk(audio, marks).map_err(here)?;
    let info = info_chunk(marks).map_err(here)?;
    let fmt = fmt_chunk(audio);
    let data_len = audio.frames().0 * audio.channel_count() as u64 * WIDTH;
    let pad = data_len & 1;
    let after = [smpl, info].concat();
    let riff_len =
        u32::try_from(4 + fmt.len() as u64 + 8 + data_len + pad + after.len() as u64).map_err(|_| {
            here(Error::invalid(
                "length",
                format!("{data_len} bytes of samples"),
                "less than 4 GiB; deliver shorter takes",
            ))
        })?;

    atomic::write(path, |out| {
        let write = |out: &mut dyn Write| -> io::Result<()> {
            out.write_all(b"RIFF")?;
            out.write_all(&riff_len.to_le_bytes())?;
            out.write_all(b"WAVE")?;
            out.write_all(&fmt)?;
            out.write_all(b"data")?;
            // Fits: it is less than the length of the whole.
            out.write_all(&(data_len as u32).to_le_bytes())?;
            write_samples(out, audio, dithered)?;
            out.write_all(&[0][..pad as usize])?;
            // After the samples, so that the samples stand where the simplest readers look.
            out.write_all(&after)
        };
        write(out).map_err(|e| Error::io("write", path, &e))
    })
}

fn check_audio(audio: &AudioBuf) -> Result<()> {
    if audio.is_empty() {
        return Err(Error::new(
            ErrorKind::Nothing,
            "there are no frames to write; widen the in and out points",
        ));
    }
    let channels = audio.channel_count();
    if channels > usize::from(MOST_CHANNELS) {
        return Err(Error::invalid("channel count", channels, &format!("1 to {MOST_CHANNELS}")));
    }
    let peak = audio.peak();
    if peak <= 1.0 {
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
/// given a place (mask 0), since microphones have none.
fn fmt_chunk(audio: &AudioBuf) -> Vec<u8> {
    let channels = audio.channel_count() as u16;
    let rate = audio.rate().hz();
    let extensible = channels > 2;
    let block = channels * WIDTH as u16;
    let mut fmt = Vec::with_capacity(48);
    fmt.extend(b"fmt ");
    fmt.extend(u32::to_le_bytes(if extensible { 40 } else { 16 }));
    fmt.extend(u16::to_le_bytes(if extensible { 0xFFFE } else { 1 }));
    fmt.extend(channels.to_le_bytes());
    fmt.extend(rate.to_le_bytes());
    fmt.extend((rate * u32::from(block)).to_le_bytes());
    fmt.extend(block.to_le_bytes());
    fmt.extend(24u16.to_le_bytes());
    if extensible {
        fmt.extend(22u16.to_le_bytes());
        fmt.extend(24u16.to_le_bytes());
        fmt.extend(0u32.to_le_bytes());
        fmt.extend(1u16.to_le_bytes());
        fmt.extend(GUID_TAIL);
    }
    fmt
}

/// `smpl`: 36 bytes and 24 a loop, or nothing where there is neither root key nor loop. Source:
/// New Multimedia Data Types and Data Techniques, rev. 3.0 (1994).
fn smpl_chunk(audio: &AudioBuf, marks: &SourceMarks) -> Result<Vec<u8>> {
    let tune = marks.fine_tune.0;
    // Written so that a NaN is refused too.
    if !(-50.0..=50.0).contains(&tune) {
        return Err(Error::invalid(
            "fine tune",
            marks.fine_tune,
            "-50 to 50 cents; choose the nearest root key",
        ));
    }
    if marks.root.is_none() && tune != 0.0 {
        return Err(Error::invalid("fine tune", marks.fine_tune, "0 without a root key; give a root key"));
    }
    if marks.root.is_none() && marks.loops.is_empty() {
        return Ok(Vec::new());
    }
    let (unity, fraction) = match marks.root {
        None => (UNITY_WITHOUT_ROOT, 0),
        Some(root) if root.0 > 127 => return Err(Error::invalid("root key", root.0, "0 to 127")),
        Some(root) => riff::root_to_smpl(root, marks.fine_tune)
            .ok_or_else(|| Error::invalid("fine tune", marks.fine_tune, "0 to 50 cents above key 0"))?,
    };
    // 48 kHz gives 20833.
    let period_ns = (1e9 / audio.rate().as_f64()).round() as u32;
    let mut numbers = vec![0, 0, period_ns, unity, fraction, 0, 0, marks.loops.len() as u32, 0];
    for (i, l) in marks.loops.iter().enumerate() {
        if l.is_empty() || l.end.0 > audio.frames().0 {
            return Err(Error::invalid(
                "loop",
                format!("{} to {}", l.start.0, l.end.0),
                &format!("at least 1 frame within 0 to {}", audio.frames().0),
            ));
        }
        // Frames fit 32 bits: more would not fit the file. The published end is inclusive.
        numbers.extend([i as u32, 0, l.start.0 as u32, (l.end.0 - 1) as u32, 0, 0]);
    }
    Ok(chunk(*b"smpl", numbers.into_iter().flat_map(u32::to_le_bytes).collect()))
}

/// `LIST` of kind `INFO`: each text in UTF-8 with a zero byte after it.
fn info_chunk(marks: &SourceMarks) -> Result<Vec<u8>> {
    if marks.info.is_empty() {
        return Ok(Vec::new());
    }
    let mut body = b"INFO".to_vec();
    for (name, text) in &marks.info {
        let id = <[u8; 4]>::try_from(name.as_bytes()).ok().filter(|id| riff::text_name(id).is_some());
        let id =
            id.ok_or_else(|| Error::invalid("INFO name", name, "four ASCII characters, such as INAM"))?;
        if text.contains('\0') {
            return Err(Error::invalid("INFO text", name, "texts without zero characters"));
        }
        body.extend(chunk(id, [text.as_bytes(), &[0]].concat()));
    }
    if body.len() as u64 > riff::MOST_TEXT_BYTES {
        return Err(Error::invalid("INFO", format!("{} bytes", body.len()), "1 MiB; shorten the texts"));
    }
    Ok(chunk(*b"LIST", body))
}

/// A chunk with its head and, after an odd body, its byte of padding.
fn chunk(id: [u8; 4], body: Vec<u8>) -> Vec<u8> {
    let mut bytes = id.to_vec();
    bytes.extend((body.len() as u32).to_le_bytes());
    bytes.extend(&body);
    bytes.resize(bytes.len() + (body.len() & 1), 0);
    bytes
}

/// Frames that are gathered before they are handed on.
const BLOCK_FRAMES: usize = 4096;

fn write_samples(out: &mut dyn Write, audio: &AudioBuf, dithered: bool) -> io::Result<()> {
    let channels = audio.channel_count();
    let seed = seed_of(audio);
    let mut dither: Vec<_> = (0..channels as u64)
        .map(|c| {
            let mut rng = ChaCha8Rng::from_seed(seed);
            rng.set_stream(c);
            rng
        })
        .collect();
    let frame_bytes = channels * WIDTH as usize;
    let mut block = vec![0u8; BLOCK_FRAMES.min(audio.len()) * frame_bytes];
    for start in (0..audio.len()).step_by(BLOCK_FRAMES) {
        let end = (start + BLOCK_FRAMES).min(audio.len());
        for (c, (x, rng)) in audio.channels().zip(&mut dither).enumerate() {
            for (sample, frame) in x[start..end].iter().zip(block.chunks_exact_mut(frame_bytes)) {
                // The middle of the dither's range is no dither.
                let random = if dithered { rng.next_u64() } else { NO_DITHER };
                let step = quantise24(*sample, random).to_le_bytes();
                frame[c * 3..c * 3 + 3].copy_from_slice(&step[..3]);
            }
        }
        out.write_all(&block[..(end - start) * frame_bytes])?;
    }
    Ok(())
}

/// Random bits whose dither is nothing: both halves are half of 2^32.
const NO_DITHER: u64 = 0x8000_0000_8000_0000;

/// The nearest 24-bit step to a sample with dither from 64 random bits: the sum of two uniform
/// variables, triangular on ±1 step (Lipshitz et al. 1992, non-subtractive TPDF).
fn quantise24(sample: f32, random: u64) -> i32 {
    let (a, b) = (random >> 32, random & 0xFFFF_FFFF);
    let triangular = (a + b) as f64 / 4_294_967_296.0 - 1.0;
    let step = (f64::from(sample) * FULL_SCALE + triangular).round();
    step.clamp(-FULL_SCALE, FULL_SCALE - 1.0) as i32
}

fn seed_of(audio: &AudioBuf) -> [u8; 32] {
    let mut hash = blake3::Hasher::new();
    let mut bytes = [0u8; 4 * BLOCK_FRAMES];
    for x in audio.channels() {
        for part in x.chunks(BLOCK_FRAMES) {
            for (b, s) in bytes.chunks_exact_mut(4).zip(part) {
                b.copy_from_slice(&s.to_le_bytes());
            }
            hash.update(&bytes[..4 * part.len()]);
        }
    }
    *hash.finalize().as_bytes()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_stay_within_24_bits() {
        for random in [0, u64::MAX, 0x8000_0000_8000_0000] {
            assert!((8_388_606..=8_388_607).contains(&quantise24(1.0, random)));
            assert!((-8_388_608..=-8_388_607).contains(&quantise24(-1.0, random)));
        }
        // Two halves make a triangular value of zero: pure rounding.
        assert_eq!(quantise24(0.5, 0x8000_0000_8000_0000), 4_194_304);
    }
}
