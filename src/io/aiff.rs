//! The chunks of an AIFF or AIFC file.
//!
//! Sources: Audio Interchange File Format 1.3 (1989); its AIFC extension (draft of 1991), whose
//! later compression types (`sowt`, `in24`, `fl64`…) are common practice, no source.

use std::collections::BTreeMap;
use std::fs::File;
use std::io;
use std::path::Path;

use crate::error::{Error, ErrorKind, Result};
use crate::units::{Cents, FrameRange, MidiNote};

use super::pcm::{Coding, PcmHead, unsupported};
use super::riff::{self, Form, Layout, MOST_TEXT_BYTES, SourceMarks};
use super::{EXPORT_AGAIN, channels_from_header, rate_from_header, unreadable};

/// Reads the `COMM` chunk and finds the samples in `SSND`.
pub(super) fn aiff_head(file: &mut File, path: &Path, layout: &Layout) -> Result<PcmHead> {
    let bad = |what: String| unreadable(ErrorKind::Decode, path, format!("{what}; {EXPORT_AGAIN}"));
    let io_error = |e: io::Error| Error::io("read", path, &e);
    let comm = layout
        .find(*b"COMM")
        .ok_or_else(|| bad("it has no COMM chunk, so nothing says how its samples are written".into()))?;
    let comm = riff::body(file, comm, 22).map_err(io_error)?;
    let needed = if layout.form == Form::Aifc { 22 } else { 18 };
    if comm.len() < needed {
        return Err(bad(format!("its COMM chunk has {} bytes; allowed: {needed} or more", comm.len())));
    }
    let channels = channels_from_header(path, u16::from_be_bytes([comm[0], comm[1]]))?;
    let said_frames = u32::from_be_bytes([comm[2], comm[3], comm[4], comm[5]]);
    let bits = u16::from_be_bytes([comm[6], comm[7]]);
    let rate = rate_from_header(path, extended_to_hz(&comm[8..18]))?;
    let kind = if layout.form == Form::Aifc { [comm[18], comm[19], comm[20], comm[21]] } else { *b"NONE" };
    let coding = aiff_coding(path, kind, bits)?;

    let ssnd = layout.find(*b"SSND").ok_or_else(|| bad("it has no SSND chunk, so no samples".into()))?;
    let head = riff::body(file, ssnd, 8).map_err(io_error)?;
    // `SSND` starts with the offset of its first frame and the size of blocks it is aligned to.
    let [a, b, c, d, _, _, _, _] = head[..] else {
        return Err(bad(format!("its SSND chunk has {} bytes; allowed: 8 or more", head.len())));
    };
    let offset = u64::from(u32::from_be_bytes([a, b, c, d]));
    let there = (ssnd.len - 8).saturating_sub(offset) / (u64::from(channels) * u64::from(coding.bytes()));
    // A recorder that was cut off leaves a count of zero.
    let frames = if said_frames == 0 { there } else { there.min(u64::from(said_frames)) };
    let missing = if ssnd.missing > 0 { u64::from(said_frames).saturating_sub(frames) } else { 0 };
    Ok(PcmHead { rate, channels, coding, start: ssnd.start + 8 + offset.min(ssnd.len - 8), frames, missing })
}

fn aiff_coding(path: &Path, kind: [u8; 4], bits: u16) -> Result<Coding> {
    let bytes = bits.div_ceil(8) as u8;
    match &kind {
        b"NONE" | b"twos" if (1..=32).contains(&bits) => Ok(Coding::IntBig(bytes)),
        b"sowt" if (1..=32).contains(&bits) => Ok(Coding::IntLittle(bytes)),
        b"raw " if (1..=8).contains(&bits) => Ok(Coding::Unsigned8),
        b"in24" => Ok(Coding::IntBig(3)),
        b"in32" => Ok(Coding::IntBig(4)),
        b"fl32" | b"FL32" => Ok(Coding::FloatBig(4)),
        b"fl64" | b"FL64" => Ok(Coding::FloatBig(8)),
        b"NONE" | b"twos" | b"sowt" | b"raw " => Err(unsupported(path, &format!("{bits}-bit whole numbers"))),
        other => Err(unsupported(path, &format!("of the kind \"{}\"", other.escape_ascii()))),
    }
}

/// The rate from an IEEE 754 extended number of 80 bits: sign, 15 bits of exponent (16383 is 2^0),
/// 64 bits of mantissa with its leading one written out; rounded to whole hertz, 0 for what is
/// negative or no number.
fn extended_to_hz(bytes: &[u8]) -> u32 {
    let exponent = i32::from(u16::from_be_bytes([bytes[0], bytes[1]]));
    let mantissa = bytes[2..10].iter().fold(0u64, |v, b| v << 8 | u64::from(*b));
    // Above 2^32 (and with the sign in front) it is no rate anyway.
    if exponent > 16383 + 32 {
        return 0;
    }
    (mantissa as f64 * 2f64.powi(exponent - 16383 - 63)).round() as u32
}

/// Root key, fine tune and sustain loop (`INST`, `MARK`) and texts.
pub(super) fn aiff_marks(file: &mut File, layout: &Layout) -> io::Result<SourceMarks> {
    let mut marks = SourceMarks::default();
    let mut markers = BTreeMap::new();
    let mut sustain = None;
    for chunk in &layout.chunks {
        let info = match &chunk.id {
            b"MARK" => {
                markers = read_markers(&riff::body(file, chunk, MOST_TEXT_BYTES)?);
                continue;
            }
            b"INST" => {
                sustain = read_inst(&riff::body(file, chunk, 20)?, &mut marks);
                continue;
            }
            b"NAME" => "INAM",
            b"AUTH" => "IART",
            b"(c) " => "ICOP",
            b"ANNO" => "ICMT",
            _ => continue,
        };
        let text = riff::text_from(&riff::body(file, chunk, MOST_TEXT_BYTES)?);
        marks.info.entry(info.to_owned()).or_insert(text);
    }
    if let Some((begin, end)) = sustain
        && let (Some(begin), Some(end)) = (markers.get(&begin), markers.get(&end))
    {
        // Markers lie between frames: position n is before frame n, so the end is exclusive.
        marks.loops.push(FrameRange::new(u64::from(*begin), u64::from(*end)));
    }
    Ok(marks)
}

/// `MARK`: count u16, then per marker id i16, position u32, name with its length before it,
/// padded to an even number of bytes.
fn read_markers(bytes: &[u8]) -> BTreeMap<i16, u32> {
    let mut markers = BTreeMap::new();
    let Some((count, mut rest)) = bytes.split_at_checked(2) else {
        return markers;
    };
    for _ in 0..u16::from_be_bytes([count[0], count[1]]) {
        let Some((m, after)) = rest.split_at_checked(7) else {
            break;
        };
        markers.insert(i16::from_be_bytes([m[0], m[1]]), u32::from_be_bytes([m[2], m[3], m[4], m[5]]));
        // The length byte and the name together are even.
        let name = usize::from(m[6]);
        rest = after.get(name + usize::from(name % 2 == 0)..).unwrap_or_default();
    }
    markers
}

/// `INST`: base note, detune (cents by which playback is to be altered, so the sound is tuned as far
/// the other way), ranges and gain, sustain loop (mode, begin marker, end marker), release loop.
/// Gives the markers of a sustain loop that runs forward.
fn read_inst(bytes: &[u8], marks: &mut SourceMarks) -> Option<(i16, i16)> {
    if bytes.len() < 20 {
        return None;
    }
    if bytes[0] <= 127 {
        marks.root = Some(MidiNote(bytes[0]));
        marks.fine_tune = Cents(-f64::from((bytes[1] as i8).clamp(-50, 50)));
    }
    let i16_at = |i: usize| i16::from_be_bytes([bytes[i], bytes[i + 1]]);
    (i16_at(8) == 1).then(|| (i16_at(10), i16_at(12)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 44 100 = 0xAC44 · 2^0 is 0x400E AC44 0000 0000 0000 by IEEE 754 [derived].
    #[test]
    fn extended_numbers() {
        assert_eq!(extended_to_hz(&[0x40, 0x0E, 0xAC, 0x44, 0, 0, 0, 0, 0, 0]), 44_100);
        assert_eq!(extended_to_hz(&[0x40, 0x0E, 0xBB, 0x80, 0, 0, 0, 0, 0, 0]), 48_000);
        assert_eq!(extended_to_hz(&[0xC0, 0x0E, 0xBB, 0x80, 0, 0, 0, 0, 0, 0]), 0);
        assert_eq!(extended_to_hz(&[0x7F, 0xFF, 0x80, 0, 0, 0, 0, 0, 0, 0]), 0);
        assert_eq!(extended_to_hz(&[0; 10]), 0);
    }
}
