//! Writing AIFF with 24 bits, root key, fine tune, loop, keys, named positions and texts.
//!
//! Source: Audio Interchange File Format 1.3 (1989).

use std::path::Path;

use super::form::{FileMarks, SoundForm};
use super::quantise::{BLOCK_FRAMES, Quantiser};
use super::{atomic, wav, wave_chunks};
use crate::audio::AudioBuf;
use crate::error::{Error, Result};

/// Bytes of one sample.
const WIDTH: usize = 3;

/// Writes `audio` as 24-bit AIFF to `path`, whole or not at all.
///
/// The first loop becomes the sustain loop; further loops keep their positions as markers. `go_on`
/// false ends with `Cancelled`. Errors: as [`wav::write`], and more than 2 GiB, which the form cannot
/// hold.
pub fn write(path: &Path, audio: &AudioBuf, marks: &FileMarks, go_on: &dyn Fn() -> bool) -> Result<()> {
    let here = |e: Error| e.context(format!("cannot write {}", path.display()));
    wav::check_audio(audio, SoundForm::Aiff).map_err(here)?;
    let (head, pad) = head(audio, marks).map_err(here)?;
    atomic::write(path, |out| {
        let io_error = |e: std::io::Error| Error::io("write", path, &e);
        out.write_all(&head).map_err(io_error)?;
        let mut quantiser = Quantiser::new(audio, 24);
        let frame_bytes = audio.channel_count() * WIDTH;
        let mut block = vec![0u8; BLOCK_FRAMES.min(audio.len()) * frame_bytes];
        for start in (0..audio.len()).step_by(BLOCK_FRAMES) {
            if !go_on() {
                return Err(Error::cancelled());
            }
            let end = (start + BLOCK_FRAMES).min(audio.len());
            for (c, x) in audio.channels().enumerate() {
                quantiser.quantise(c, &x[start..end], |i, step| {
                    let at = i * frame_bytes + c * WIDTH;
                    block[at..at + WIDTH].copy_from_slice(&step.to_be_bytes()[1..]);
                });
            }
            out.write_all(&block[..(end - start) * frame_bytes]).map_err(io_error)?;
        }
        out.write_all(&[0][..pad]).map_err(io_error)
    })
}

/// Everything before the samples, and how many bytes of padding come after them. The samples stand
/// last, so that a reader has met all marks before them.
fn head(audio: &AudioBuf, marks: &FileMarks) -> Result<(Vec<u8>, usize)> {
    wave_chunks::check_tune(&marks.sound)?;
    wave_chunks::check_loops(&marks.sound, audio.frames().0)?;
    let mut body = b"AIFF".to_vec();
    body.extend(comm(audio));
    let (markers, sustain) = markers(marks);
    body.extend(mark_chunk(&markers)?);
    body.extend(inst(marks, sustain));
    for (info, id) in [("INAM", *b"NAME"), ("IART", *b"AUTH"), ("ICOP", *b"(c) "), ("ICMT", *b"ANNO")] {
        if let Some(text) = marks.sound.info.get(info) {
            body.extend(chunk(id, text.as_bytes()));
        }
    }
    for (info, word) in [("ICRD", "Date"), ("ISFT", "Software")] {
        if let Some(text) = marks.sound.info.get(info) {
            body.extend(chunk(*b"ANNO", format!("{word}: {text}").as_bytes()));
        }
    }
    let samples = audio.len() as u64 * (audio.channel_count() * WIDTH) as u64;
    let whole = body.len() as u64 + 16 + samples + (samples & 1);
    let whole = i32::try_from(whole).map_err(|_| {
        Error::invalid(
            "length",
            format!("{samples} bytes of samples"),
            "less than 2 GiB in AIFF; deliver as WAV",
        )
    })?;
    let mut head = b"FORM".to_vec();
    head.extend(whole.to_be_bytes());
    head.extend(body);
    head.extend(b"SSND");
    // Fits: it is less than the whole. Then offset and block size, both 0.
    head.extend((8 + samples as u32).to_be_bytes());
    head.extend([0; 8]);
    Ok((head, (samples & 1) as usize))
}

/// `COMM`: channels, frames, bits, rate as an 80-bit extended number.
fn comm(audio: &AudioBuf) -> Vec<u8> {
    let mut body = (audio.channel_count() as u16).to_be_bytes().to_vec();
    body.extend((audio.len() as u32).to_be_bytes());
    body.extend(24u16.to_be_bytes());
    body.extend(extended(audio.rate().hz()));
    chunk(*b"COMM", &body)
}

/// `hz` (not 0) as IEEE 754 extended: exponent biased by 16383, mantissa with its leading one.
fn extended(hz: u32) -> [u8; 10] {
    let zeros = u64::from(hz).leading_zeros();
    let exponent = 16383 + 63 - zeros as u16;
    let mut bytes = [0; 10];
    bytes[..2].copy_from_slice(&exponent.to_be_bytes());
    bytes[2..].copy_from_slice(&(u64::from(hz) << zeros).to_be_bytes());
    bytes
}

/// A marker: its number from 1, the frame it stands before, its name.
struct Marker {
    id: i16,
    frame: u64,
    name: String,
}

/// Markers for loops and named positions, and those of the sustain loop. Markers lie between
/// frames, so a loop's exclusive end is written as it is.
fn markers(marks: &FileMarks) -> (Vec<Marker>, Option<(i16, i16)>) {
    let mut list: Vec<Marker> = Vec::new();
    let mut add = |frame: u64, name: &str| {
        let id = list.len() as i16 + 1;
        list.push(Marker { id, frame, name: name.into() });
        id
    };
    let mut sustain = None;
    for l in &marks.sound.loops {
        let ids = (add(l.start.0, "loop start"), add(l.end.0, "loop end"));
        sustain.get_or_insert(ids);
    }
    let at_loop = |frame: u64| marks.sound.loops.iter().any(|l| l.start.0 == frame || l.end.0 == frame);
    for c in marks.cues.iter().filter(|c| !at_loop(c.frame)) {
        add(c.frame, &c.name);
    }
    (list, sustain)
}

/// `MARK`: count, then per marker its number, position and name, which with its length is even.
fn mark_chunk(markers: &[Marker]) -> Result<Vec<u8>> {
    if markers.is_empty() {
        return Ok(Vec::new());
    }
    let mut body = (markers.len() as u16).to_be_bytes().to_vec();
    for m in markers {
        let frame =
            u32::try_from(m.frame).map_err(|_| Error::invalid("marker", m.frame, "a frame below 2^32"))?;
        body.extend(m.id.to_be_bytes());
        body.extend(frame.to_be_bytes());
        let mut end = m.name.len().min(255);
        while !m.name.is_char_boundary(end) {
            end -= 1;
        }
        body.push(end as u8);
        body.extend(&m.name.as_bytes()[..end]);
        body.resize(body.len() + usize::from(end % 2 == 0), 0);
    }
    Ok(chunk(*b"MARK", &body))
}

/// `INST`: base note, detune (what brings the sound to the note, so the opposite of how far it is
/// tuned), lowest and highest note and velocity, gain, sustain loop, release loop. A loop is its mode
/// (0 none, 1 forward) and two markers.
fn inst(marks: &FileMarks, sustain: Option<(i16, i16)>) -> Vec<u8> {
    if marks.sound.root.is_none() && sustain.is_none() {
        return Vec::new();
    }
    let root = marks.sound.root.map_or(60, |n| n.0);
    let detune = -marks.sound.fine_tune.0.round() as i8;
    let (keys, velocities) =
        marks.zone.map_or(((0, 127), (1, 127)), |z| ((z.keys.0.0, z.keys.1.0), z.velocities));
    let mut body = vec![root, detune as u8, keys.0, keys.1, velocities.0, velocities.1, 0, 0];
    let (mode, begin, end) = sustain.map_or((0i16, 0, 0), |(b, e)| (1, b, e));
    for n in [mode, begin, end, 0, 0, 0] {
        body.extend(n.to_be_bytes());
    }
    chunk(*b"INST", &body)
}

/// A chunk with its head and, after an odd body, its byte of padding.
fn chunk(id: [u8; 4], body: &[u8]) -> Vec<u8> {
    let mut bytes = id.to_vec();
    bytes.extend((body.len() as u32).to_be_bytes());
    bytes.extend(body);
    bytes.resize(bytes.len() + (body.len() & 1), 0);
    bytes
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 44 100 = 0xAC44 · 2^0 is 0x400E AC44 0000 0000 0000 by IEEE 754 [derived].
    #[test]
    fn extended_numbers() {
        assert_eq!(extended(44_100), [0x40, 0x0E, 0xAC, 0x44, 0, 0, 0, 0, 0, 0]);
        assert_eq!(extended(48_000), [0x40, 0x0E, 0xBB, 0x80, 0, 0, 0, 0, 0, 0]);
        assert_eq!(extended(1), [0x3F, 0xFF, 0x80, 0, 0, 0, 0, 0, 0, 0]);
    }
}
