//! The chunks that stand after the samples of a WAV: loops, keys, named positions, texts.
//!
//! Sources: as in [`super::riff`], of which this is the writing side.

use std::collections::BTreeMap;

use super::form::{Cue, FileMarks};
use super::riff::{self, SourceMarks};
use crate::error::{Error, Result};
use crate::units::SampleRate;

/// Unity note where there are loops but no root key: middle C, which readers take anyway when a
/// file says nothing (common practice, no source).
const UNITY_WITHOUT_ROOT: u32 = 60;

/// All chunks for `marks` of a sound of `frames` frames. Errors: what no chunk can hold
/// (`InvalidParameter`).
pub(super) fn all(rate: SampleRate, frames: u64, marks: &FileMarks) -> Result<Vec<u8>> {
    let mut bytes = smpl(rate, frames, &marks.sound)?;
    bytes.extend(inst(marks));
    // The texts first of the two lists: simple readers look no further.
    bytes.extend(info(&marks.sound.info)?);
    bytes.extend(cue(frames, &marks.cues)?);
    bytes.extend(labels(&marks.cues)?);
    Ok(bytes)
}

/// Refuses a fine tune that cannot be written.
pub(super) fn check_tune(marks: &SourceMarks) -> Result<()> {
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
    match marks.root {
        Some(root) if root.0 > 127 => Err(Error::invalid("root key", root.0, "0 to 127")),
        _ => Ok(()),
    }
}

/// Refuses loops outside the sound, or beyond what 32 bits count.
pub(super) fn check_loops(marks: &SourceMarks, frames: u64) -> Result<()> {
    for l in &marks.loops {
        if l.is_empty() || l.end.0 > frames || l.end.0 > u64::from(u32::MAX) {
            return Err(Error::invalid(
                "loop",
                format!("{} to {}", l.start.0, l.end.0),
                &format!("at least 1 frame within 0 to {}", frames.min(u64::from(u32::MAX))),
            ));
        }
    }
    Ok(())
}

/// `smpl`: 36 bytes and 24 a loop, or nothing where there is neither root key nor loop.
pub(super) fn smpl(rate: SampleRate, frames: u64, marks: &SourceMarks) -> Result<Vec<u8>> {
    check_tune(marks)?;
    check_loops(marks, frames)?;
    if marks.root.is_none() && marks.loops.is_empty() {
        return Ok(Vec::new());
    }
    let (unity, fraction) = match marks.root {
        None => (UNITY_WITHOUT_ROOT, 0),
        Some(root) => riff::root_to_smpl(root, marks.fine_tune)
            .ok_or_else(|| Error::invalid("fine tune", marks.fine_tune, "0 to 50 cents above key 0"))?,
    };
    // 48 kHz gives 20833.
    let period_ns = (1e9 / rate.as_f64()).round() as u32;
    let mut numbers = vec![0, 0, period_ns, unity, fraction, 0, 0, marks.loops.len() as u32, 0];
    for (i, l) in marks.loops.iter().enumerate() {
        // The published end is inclusive.
        numbers.extend([i as u32, 0, l.start.0 as u32, (l.end.0 - 1) as u32, 0, 0]);
    }
    Ok(chunk(*b"smpl", numbers.into_iter().flat_map(u32::to_le_bytes).collect()))
}

/// `inst`: unshifted note, fine tune, gain in dB, lowest and highest note, lowest and highest
/// velocity: 7 bytes. Nothing where no keys are given. The fine tune brings the sound to the note, so
/// it is the opposite of how far it is tuned (from memory).
fn inst(marks: &FileMarks) -> Vec<u8> {
    let (Some(root), Some(zone)) = (marks.sound.root, marks.zone) else { return Vec::new() };
    let tune = -marks.sound.fine_tune.0.round() as i8;
    let body =
        vec![root.0, tune as u8, 0, zone.keys.0.0, zone.keys.1.0, zone.velocities.0, zone.velocities.1];
    chunk(*b"inst", body)
}

/// `cue `: count, then per position number, place in play order, chunk, chunk start, block start,
/// frame: 24 bytes each.
fn cue(frames: u64, cues: &[Cue]) -> Result<Vec<u8>> {
    if cues.is_empty() {
        return Ok(Vec::new());
    }
    let mut body = (cues.len() as u32).to_le_bytes().to_vec();
    for (i, c) in cues.iter().enumerate() {
        let frame = u32::try_from(c.frame).ok().filter(|_| c.frame <= frames).ok_or_else(|| {
            Error::invalid("cue position", c.frame, &format!("0 to {}", frames.min(u64::from(u32::MAX))))
        })?;
        body.extend((i as u32 + 1).to_le_bytes());
        body.extend(frame.to_le_bytes());
        body.extend(b"data");
        body.extend([0; 8]);
        body.extend(frame.to_le_bytes());
    }
    Ok(chunk(*b"cue ", body))
}

/// `LIST` of kind `adtl` with a `labl` for each position: its number, then its name with a zero byte.
fn labels(cues: &[Cue]) -> Result<Vec<u8>> {
    if cues.is_empty() {
        return Ok(Vec::new());
    }
    let mut body = b"adtl".to_vec();
    for (i, c) in cues.iter().enumerate() {
        let mut text = (i as u32 + 1).to_le_bytes().to_vec();
        text.extend(zero_ended(&c.name)?);
        body.extend(chunk(*b"labl", text));
    }
    Ok(chunk(*b"LIST", body))
}

/// `LIST` of kind `INFO`: each text in UTF-8 with a zero byte after it.
fn info(texts: &BTreeMap<String, String>) -> Result<Vec<u8>> {
    if texts.is_empty() {
        return Ok(Vec::new());
    }
    let mut body = b"INFO".to_vec();
    for (name, text) in texts {
        let id = riff::text_name(name.as_bytes())
            .and_then(|n| <[u8; 4]>::try_from(n.into_bytes()).ok())
            .ok_or_else(|| Error::invalid("text name", name, "four ASCII characters, such as INAM"))?;
        body.extend(chunk(id, zero_ended(text)?));
    }
    if body.len() as u64 > riff::MOST_TEXT_BYTES {
        return Err(Error::invalid("texts", format!("{} bytes", body.len()), "up to 1 MiB"));
    }
    Ok(chunk(*b"LIST", body))
}

fn zero_ended(text: &str) -> Result<Vec<u8>> {
    if text.contains('\0') {
        return Err(Error::invalid("text", format!("{text:?}"), "text without zero characters"));
    }
    let mut bytes = text.as_bytes().to_vec();
    bytes.push(0);
    Ok(bytes)
}

/// A chunk with its head and, after an odd body, its byte of padding.
pub(super) fn chunk(id: [u8; 4], body: Vec<u8>) -> Vec<u8> {
    let mut bytes = id.to_vec();
    bytes.extend((body.len() as u32).to_le_bytes());
    bytes.extend(&body);
    bytes.resize(bytes.len() + (body.len() & 1), 0);
    bytes
}

/// The chunks that a FLAC file carries along: those with loops and keys.
pub(super) fn for_flac(rate: SampleRate, frames: u64, marks: &FileMarks) -> Result<Vec<Vec<u8>>> {
    let chunks =
        [smpl(rate, frames, &marks.sound)?, inst(marks), cue(frames, &marks.cues)?, labels(&marks.cues)?];
    Ok(chunks.into_iter().filter(|c| !c.is_empty()).collect())
}
