//! Uncompressed samples, read straight from the bytes of WAV and AIFF files.
//!
//! Our own reader rather than a library's, because it knows RF64, odd layouts and any number of
//! channels, counts frames by what is really there, and can jump to a frame.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use crate::error::{Error, ErrorKind, Result};
use crate::units::SampleRate;

use super::riff::{self, Layout};
use super::{EXPORT_AGAIN, channels_from_header, rate_from_header, unreadable};

/// How one sample is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Coding {
    /// One byte, 128 is zero.
    Unsigned8,
    /// Two's complement, 1 to 4 bytes, lowest first.
    IntLittle(u8),
    /// Two's complement, 1 to 4 bytes, highest first.
    IntBig(u8),
    /// IEEE 754, 4 or 8 bytes, lowest first.
    FloatLittle(u8),
    /// IEEE 754, 4 or 8 bytes, highest first.
    FloatBig(u8),
}

impl Coding {
    pub(super) fn bytes(self) -> u8 {
        match self {
            Self::Unsigned8 => 1,
            Self::IntLittle(n) | Self::IntBig(n) | Self::FloatLittle(n) | Self::FloatBig(n) => n,
        }
    }
}

/// Where the samples lie and how they are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct PcmHead {
    pub(super) rate: SampleRate,
    pub(super) channels: u16,
    pub(super) coding: Coding,
    /// First byte of the first frame.
    pub(super) start: u64,
    /// Whole frames that are really in the file.
    pub(super) frames: u64,
    /// Frames that the head announces besides: the file breaks off.
    pub(super) missing: u64,
}

impl PcmHead {
    fn frame_bytes(&self) -> usize {
        usize::from(self.channels) * usize::from(self.coding.bytes())
    }
}

/// Format tags of the `fmt ` chunk. Source: Microsoft/IBM, New Multimedia Data Types and Data
/// Techniques, rev. 3.0 (1994), the list of registered formats.
pub(super) const TAG_PCM: u16 = 1;
pub(super) const TAG_FLOAT: u16 = 3;
pub(super) const TAG_EXTENSIBLE: u16 = 0xFFFE;
/// Bytes 2 to 15 of the sub-format of an extensible header; the first two are the format tag.
pub(super) const GUID_TAIL: [u8; 14] =
    [0x00, 0x00, 0x00, 0x00, 0x10, 0x00, 0x80, 0x00, 0x00, 0xAA, 0x00, 0x38, 0x9B, 0x71];

/// Reads the `fmt ` chunk of a WAV file and finds its samples.
pub(super) fn wave_head(file: &mut File, path: &Path, layout: &Layout) -> Result<PcmHead> {
    let bad = |what: String| unreadable(ErrorKind::Decode, path, format!("{what}; {EXPORT_AGAIN}"));
    let fmt = layout
        .find(*b"fmt ")
        .ok_or_else(|| bad("it has no fmt chunk, so nothing says how its samples are written".into()))?;
    let fmt = riff::body(file, fmt, 64).map_err(|e| Error::io("read", path, &e))?;
    if fmt.len() < 16 {
        return Err(bad(format!("its fmt chunk has {} bytes; allowed: 16 or more", fmt.len())));
    }
    let u16_at = |i: usize| u16::from_le_bytes([fmt[i], fmt[i + 1]]);
    let channels = channels_from_header(path, u16_at(2))?;
    let rate = rate_from_header(path, u32::from_le_bytes([fmt[4], fmt[5], fmt[6], fmt[7]]))?;
    let (block_align, bits) = (u16_at(12), u16_at(14));
    let mut tag = u16_at(0);
    if tag == TAG_EXTENSIBLE {
        if fmt.len() < 40 {
            return Err(bad(format!(
                "its extensible fmt chunk has {} bytes; allowed: 40 or more",
                fmt.len()
            )));
        }
        if fmt[26..40] != GUID_TAIL {
            return Err(unsupported(path, "a sub-format of its own"));
        }
        tag = u16_at(24);
    }
    let coding = wave_coding(path, tag, bits)?;
    let frame_bytes = usize::from(channels) * usize::from(coding.bytes());
    if usize::from(block_align) != frame_bytes {
        return Err(bad(format!(
            "its header contradicts itself: {channels} channels of {bits} bits make {frame_bytes} bytes a frame, but it says {block_align}"
        )));
    }
    let data = layout.data().ok_or_else(|| bad("it has no data chunk, so no samples".into()))?;
    let frames = data.len / frame_bytes as u64;
    let missing = data.missing / frame_bytes as u64;
    Ok(PcmHead { rate, channels, coding, start: data.start, frames, missing })
}

/// Samples with fewer bits than their bytes hold are written at the upper end (published with the
/// PCM format: "left-justified"), so only the bytes matter.
fn wave_coding(path: &Path, tag: u16, bits: u16) -> Result<Coding> {
    match (tag, bits) {
        (TAG_PCM, 1..=8) => Ok(Coding::Unsigned8),
        (TAG_PCM, 9..=32) => Ok(Coding::IntLittle(bits.div_ceil(8) as u8)),
        (TAG_FLOAT, 32) => Ok(Coding::FloatLittle(4)),
        (TAG_FLOAT, 64) => Ok(Coding::FloatLittle(8)),
        (TAG_PCM, _) => Err(unsupported(path, &format!("{bits}-bit whole numbers"))),
        (TAG_FLOAT, _) => Err(unsupported(path, &format!("{bits}-bit floating point"))),
        (2 | 0x11, _) => Err(unsupported(path, "ADPCM (compressed)")),
        (6 | 7, _) => Err(unsupported(path, "A-law or µ-law (compressed)")),
        (0x50 | 0x55, _) => Err(unsupported(path, "MPEG audio inside a WAV")),
        _ => Err(unsupported(path, &format!("format {tag:#06x}"))),
    }
}

/// The sentence for samples that are written in a way that is not read.
pub(super) fn unsupported(path: &Path, what: &str) -> Error {
    unreadable(
        ErrorKind::UnsupportedFormat,
        path,
        format!(
            "its samples are {what}; allowed: 8- to 32-bit PCM, 32- or 64-bit floating point; {EXPORT_AGAIN}"
        ),
    )
}

/// Reads blocks of frames in order, with jumps.
pub(super) struct PcmReader {
    file: File,
    path: PathBuf,
    head: PcmHead,
    /// The frame that the next block starts at.
    at: u64,
    /// Whether the file stands where `at` lies.
    in_place: bool,
    bytes: Vec<u8>,
    block_frames: u64,
}

/// Bytes read at once; small enough for the processor's cache.
const BLOCK_BYTES: usize = 1 << 17;

impl PcmReader {
    pub(super) fn new(file: File, path: &Path, head: PcmHead) -> Self {
        let block_frames = (BLOCK_BYTES / head.frame_bytes()).max(1) as u64;
        Self { file, path: path.to_path_buf(), head, at: 0, in_place: false, bytes: Vec::new(), block_frames }
    }

    pub(super) fn head(&self) -> &PcmHead {
        &self.head
    }

    /// Lets the next block start at `frame` (or at the end, if that is earlier).
    pub(super) fn skip_to(&mut self, frame: u64) {
        let frame = frame.min(self.head.frames);
        if frame != self.at {
            self.at = frame;
            self.in_place = false;
        }
    }

    /// Puts the next block into `planes` (one a channel) and tells its first frame; `None` at the end.
    pub(super) fn next_block(&mut self, planes: &mut Vec<Vec<f32>>) -> Result<Option<u64>> {
        let frames = self.block_frames.min(self.head.frames - self.at);
        if frames == 0 {
            return Ok(None);
        }
        let frame_bytes = self.head.frame_bytes();
        if !self.in_place {
            let place = self.head.start + self.at * frame_bytes as u64;
            self.file.seek(SeekFrom::Start(place)).map_err(|e| Error::io("read", &self.path, &e))?;
            self.in_place = true;
        }
        self.bytes.resize(frames as usize * frame_bytes, 0);
        self.file.read_exact(&mut self.bytes).map_err(|e| self.read_error(&e))?;
        planes.resize_with(usize::from(self.head.channels), Vec::new);
        spread(&self.bytes, self.head.coding, planes);
        let start = self.at;
        self.at += frames;
        Ok(Some(start))
    }

    fn read_error(&self, e: &std::io::Error) -> Error {
        if e.kind() != std::io::ErrorKind::UnexpectedEof {
            return Error::io("read", &self.path, e);
        }
        unreadable(
            ErrorKind::Io,
            &self.path,
            "it became shorter while being read; wait until the program that writes it is done, then open it again",
        )
    }
}

/// Takes interleaved bytes apart into one plane a channel; whole numbers become their fraction of
/// full scale, 2^(bits−1).
fn spread(bytes: &[u8], coding: Coding, planes: &mut [Vec<f32>]) {
    // A whole number moved to the upper end of 32 bits has full scale 2^31 whatever its width.
    const FULL: f32 = 1.0 / 2_147_483_648.0;
    let int = |upper: [u8; 4]| i32::from_be_bytes(upper) as f32 * FULL;
    match coding {
        Coding::Unsigned8 => fill(bytes, planes, |[a]| int([a ^ 0x80, 0, 0, 0])),
        Coding::IntLittle(1) | Coding::IntBig(1) => fill(bytes, planes, |[a]| int([a, 0, 0, 0])),
        Coding::IntLittle(2) => fill(bytes, planes, |[a, b]| int([b, a, 0, 0])),
        Coding::IntBig(2) => fill(bytes, planes, |[a, b]| int([a, b, 0, 0])),
        Coding::IntLittle(3) => fill(bytes, planes, |[a, b, c]| int([c, b, a, 0])),
        Coding::IntBig(3) => fill(bytes, planes, |[a, b, c]| int([a, b, c, 0])),
        Coding::IntLittle(_) => fill(bytes, planes, |[a, b, c, d]| int([d, c, b, a])),
        Coding::IntBig(_) => fill(bytes, planes, int),
        Coding::FloatLittle(4) => fill(bytes, planes, f32::from_le_bytes),
        Coding::FloatBig(4) => fill(bytes, planes, f32::from_be_bytes),
        Coding::FloatLittle(_) => fill(bytes, planes, |b| f64::from_le_bytes(b) as f32),
        Coding::FloatBig(_) => fill(bytes, planes, |b| f64::from_be_bytes(b) as f32),
    }
}

fn fill<const WIDTH: usize>(bytes: &[u8], planes: &mut [Vec<f32>], value: impl Fn([u8; WIDTH]) -> f32) {
    let frame_bytes = planes.len() * WIDTH;
    for (c, plane) in planes.iter_mut().enumerate() {
        plane.clear();
        plane.extend(bytes.chunks_exact(frame_bytes).map(|frame| {
            let mut sample = [0; WIDTH];
            sample.copy_from_slice(&frame[c * WIDTH..(c + 1) * WIDTH]);
            value(sample)
        }));
    }
}
