//! Sound files to samples; the only user of symphonia.
//!
//! WAV and AIFF are read by `pcm`; FLAC, MP3 and Ogg by symphonia (`packed`). A file's frame n is the
//! same frame in every function here: encoders' priming and padding are cut off before counting.

mod packed;

use std::fs::{self, File};
use std::io::{Read, Seek, SeekFrom};
use std::path::Path;

use crate::audio::{AudioBuf, Clip};
use crate::error::{Error, ErrorKind, Result};
use crate::units::{Frame, FrameCount, FrameRange, SampleRate};

use super::pcm::{self, PcmReader};
use super::riff::{self, Form, SourceMarks};
use super::{EXPORT_AGAIN, aiff, flac_marks, unreadable};
use packed::{Packed, damaged};

/// File name endings that are looked at, lower case.
pub const ENDINGS: &[&str] = &["wav", "wave", "aif", "aiff", "aifc", "flac", "mp3", "ogg", "oga"];

/// Whether a path has one of these endings, in any case.
pub fn has_ending(path: &Path, endings: &[&str]) -> bool {
    path.extension().is_some_and(|e| endings.iter().any(|x| e.eq_ignore_ascii_case(x)))
}

/// Whether a path ends as a sound file's does, in any case.
pub fn has_sound_ending(path: &Path) -> bool {
    has_ending(path, ENDINGS)
}

/// What a file says of itself before it is decoded.
#[derive(Debug, Clone, PartialEq)]
pub struct SoundInfo {
    /// Frames a second.
    pub rate: SampleRate,
    /// Number of channels.
    pub channels: u16,
    /// Frames, where the format says.
    pub frames: Option<u64>,
    /// Frames that the head announces besides those that are there: the file was cut short. 0 where nothing is
    /// missing or nothing says so. Of FLAC it is known only once the file is decoded.
    pub missing: u64,
    /// Loop, root key and INFO that the file brings along.
    pub marks: SourceMarks,
}

/// Opens `path` and reads its head.
///
/// WAV and AIFF tell the frames that are really there, whatever their heads claim; FLAC, Ogg and
/// MP3 tell what their heads say (MP3 only with a tag that names the encoder's priming), which a
/// truncated file does not keep.
///
/// Errors: not there, not allowed, a folder; empty or without a frame (`Nothing`); damaged
/// (`Decode`); a kind of sound that is not read (`UnsupportedFormat`).
pub fn probe(path: &Path) -> Result<SoundInfo> {
    Ok(open(path)?.info)
}

/// Decodes `path` block by block: `block` gets one slice a channel and says whether to go on
/// (false ends with `Cancelled`). Returns the head with the number of frames really decoded.
///
/// Holds one block in memory. Errors as [`probe`]; further a sample that is not a finite number,
/// and damage in the middle (`Decode`). A file that merely ends early gives what it has. MP3 and Ogg
/// do not number their packets: damage that hides a whole packet goes unnoticed there, and what
/// follows moves forward (by the same amount in every function here).
pub fn for_each_block(path: &Path, block: &mut dyn FnMut(&[&[f32]]) -> bool) -> Result<SoundInfo> {
    let mut opened = open(path)?;
    let mut planes = Vec::new();
    let mut frames = 0;
    while let Some(start) = opened.source.next_block(&mut planes)? {
        for (c, plane) in planes.iter().enumerate() {
            check_finite(path, plane, c, start)?;
        }
        let views: Vec<&[f32]> = planes.iter().map(Vec::as_slice).collect();
        frames = start + views[0].len() as u64;
        if !block(&views) {
            return Err(Error::cancelled());
        }
    }
    if frames == 0 {
        return Err(opened.source.nothing(path));
    }
    let missing = opened.info.missing.max(opened.source.missing(opened.info.frames, frames));
    Ok(SoundInfo { frames: Some(frames), missing, ..opened.info })
}

/// Decodes the whole of `path`. Errors as [`for_each_block`].
pub fn decode(path: &Path) -> Result<AudioBuf> {
    decode_while(path, &|| true)
}

/// [`decode`], asking `go_on` before each block. Errors besides: `Cancelled` once it says no.
pub fn decode_while(path: &Path, go_on: &dyn Fn() -> bool) -> Result<AudioBuf> {
    let mut whole = None;
    decode_ranges_while(path, &[FrameRange::new(0, u64::MAX)], go_on, &mut |_, clip| {
        whole = Some(clip.audio);
        true
    })?;
    match whole {
        Some(audio) if !audio.is_empty() => Ok(audio),
        _ => Err(no_frames(path)),
    }
}

/// Decodes stretches of `path` (in any order, may overlap, cut to what exists) in one pass; `found`
/// gets the index of each and its clip as soon as it is complete and says whether to go on (false
/// ends with `Cancelled`).
///
/// Every range is reported once; one with nothing in it, or behind the end, as an empty clip. Holds
/// the clips not yet complete and one block; reads WAV and AIFF only where a range lies. Errors as
/// [`for_each_block`], for the stretches asked for.
pub fn decode_ranges(
    path: &Path,
    ranges: &[FrameRange],
    found: &mut dyn FnMut(usize, Clip) -> bool,
) -> Result<()> {
    decode_ranges_while(path, ranges, &|| true, found)
}

/// [`decode_ranges`], asking `go_on` before each block: a long range, or a packed file before its first
/// range, takes its time. Errors besides: `Cancelled` once it says no.
pub fn decode_ranges_while(
    path: &Path,
    ranges: &[FrameRange],
    go_on: &dyn Fn() -> bool,
    found: &mut dyn FnMut(usize, Clip) -> bool,
) -> Result<()> {
    let Opened { mut source, info } = open(path)?;
    let mut waiting: Vec<usize> = (0..ranges.len()).collect();
    // The earliest last, so that it is popped first.
    waiting.sort_by_key(|i| std::cmp::Reverse((ranges[*i].start, *i)));
    let mut growing: Vec<Growing> = Vec::new();
    let mut planes = Vec::new();
    let mut decoded = 0;
    while let Some(first) = waiting.last().or(growing.first().map(|g| &g.index)) {
        if !go_on() {
            return Err(Error::cancelled());
        }
        if growing.is_empty() {
            source.skip_to(ranges[*first].start.0);
        }
        let Some(start) = source.next_block(&mut planes)? else {
            if source.certain_frames().unwrap_or(decoded) == 0 {
                return Err(source.nothing(path));
            }
            break;
        };
        let end = start + planes[0].len() as u64;
        decoded = end;
        while let Some(index) = waiting.pop_if(|i| ranges[*i].start.0 < end) {
            growing.push(Growing::new(index, ranges[index], info.channels, source.certain_frames()));
        }
        for g in &mut growing {
            g.take(path, &planes, start)?;
        }
        for g in growing.extract_if(.., |g| g.range.end.0 <= end) {
            g.report(info.rate, u64::MAX, found)?;
        }
    }
    // What reaches beyond the end, and what lies behind it.
    for index in waiting.into_iter().rev() {
        growing.push(Growing::new(index, ranges[index], info.channels, source.certain_frames()));
    }
    let total = source.certain_frames().unwrap_or(decoded);
    growing.into_iter().try_for_each(|g| g.report(info.rate, total, found))
}

/// A clip that is being collected.
struct Growing {
    index: usize,
    range: FrameRange,
    planes: Vec<Vec<f32>>,
}

impl Growing {
    /// `length` of the file, where it is certain: room is made only for frames that exist.
    fn new(index: usize, range: FrameRange, channels: u16, length: Option<u64>) -> Self {
        let room = range.end.0.min(length.unwrap_or(0)).saturating_sub(range.start.0);
        let planes = (0..channels).map(|_| Vec::with_capacity(room as usize)).collect();
        Self { index, range, planes }
    }

    /// Takes what belongs to it of a block that starts at frame `start`.
    fn take(&mut self, path: &Path, block: &[Vec<f32>], start: u64) -> Result<()> {
        for (c, (plane, from)) in self.planes.iter_mut().zip(block).enumerate() {
            let local = |frame: Frame| frame.0.saturating_sub(start).min(from.len() as u64) as usize;
            let (a, b) = (local(self.range.start), local(self.range.end));
            let part = &from[a.min(b)..b];
            check_finite(path, part, c, start + a as u64)?;
            plane.extend_from_slice(part);
        }
        Ok(())
    }

    /// Hands the clip over; an empty one lies no later than `total`.
    fn report(self, rate: SampleRate, total: u64, found: &mut dyn FnMut(usize, Clip) -> bool) -> Result<()> {
        let clip =
            Clip { audio: AudioBuf::new(self.planes, rate)?, offset: Frame(self.range.start.0.min(total)) };
        if found(self.index, clip) { Ok(()) } else { Err(Error::cancelled()) }
    }
}

/// Refuses a NaN or an infinite sample; `start` is the file's frame at the plane's first sample.
fn check_finite(path: &Path, plane: &[f32], channel: usize, start: u64) -> Result<()> {
    // Asked block by block first: one pass without a branch in it.
    if plane.iter().fold(true, |all, s| all & s.is_finite()) {
        return Ok(());
    }
    let i = plane.iter().position(|s| !s.is_finite()).unwrap_or_default();
    let number = start + i as u64;
    Err(unreadable(
        ErrorKind::Decode,
        path,
        format!(
            "sample {number} of channel {} is {}, not a finite number; {EXPORT_AGAIN}",
            channel + 1,
            plane[i]
        ),
    ))
}

fn no_frames(path: &Path) -> Error {
    unreadable(
        ErrorKind::Nothing,
        path,
        "there is not one whole frame of sound in it; record or export it again",
    )
}

/// A file of which nothing but the head is there.
fn nothing_left(path: &Path, head: &pcm::PcmHead) -> Error {
    let promised = FrameCount(head.missing).lasts(head.rate).0;
    let text = format!(
        "it is cut short: not one whole frame is there of the {promised:.2} s that its head promises; copy it or export it again"
    );
    unreadable(ErrorKind::Nothing, path, text)
}

/// A file that has been recognised.
struct Opened {
    source: Source,
    info: SoundInfo,
}

/// Where blocks come from.
enum Source {
    Pcm(PcmReader),
    Packed(Box<Packed>),
}

impl Source {
    /// Puts the next block (at least one frame) into `planes` and tells its first frame.
    fn next_block(&mut self, planes: &mut Vec<Vec<f32>>) -> Result<Option<u64>> {
        match self {
            Self::Pcm(reader) => reader.next_block(planes),
            Self::Packed(reader) => reader.next_block(planes),
        }
    }

    /// Says that nothing before `frame` is wanted.
    fn skip_to(&mut self, frame: u64) {
        // Packed files are decoded from the start: a jump would not be exact to the frame in all
        // of them.
        if let Self::Pcm(reader) = self {
            reader.skip_to(frame);
        }
    }

    /// The length, where it is certain before the last block is read.
    fn certain_frames(&self) -> Option<u64> {
        match self {
            Self::Pcm(reader) => Some(reader.head().frames),
            Self::Packed(_) => None,
        }
    }

    /// How many frames fewer than the head announces were decoded, where its count is exact.
    fn missing(&self, announced: Option<u64>, decoded: u64) -> u64 {
        let exact = matches!(self, Self::Packed(reader) if reader.is_flac());
        announced.filter(|_| exact).map_or(0, |n| n.saturating_sub(decoded))
    }

    /// The error for a file that gave no frame.
    fn nothing(&self, path: &Path) -> Error {
        match self {
            Self::Packed(reader) => match &reader.damage {
                Some(damage) => damaged(path, damage),
                None => no_frames(path),
            },
            Self::Pcm(_) => no_frames(path),
        }
    }
}

fn open(path: &Path) -> Result<Opened> {
    let io_error = |e: std::io::Error| Error::io("read", path, &e);
    let meta = fs::metadata(path).map_err(io_error)?;
    if !meta.is_file() {
        // A folder in the place of a file is no file of an unknown kind: it was named by mistake.
        let (kind, what) = if meta.is_dir() {
            (ErrorKind::InvalidParameter, "a folder")
        } else {
            (ErrorKind::UnsupportedFormat, "no ordinary file")
        };
        return Err(unreadable(
            kind,
            path,
            format!("it is {what}; allowed: sound files ({}); name one", ENDINGS.join(", ")),
        ));
    }
    let mut file = File::open(path).map_err(io_error)?;
    if meta.len() == 0 {
        let text = "it is empty (0 bytes); record or export it again, or fetch it from a backup";
        return Err(unreadable(ErrorKind::Nothing, path, text));
    }
    let Some(layout) = riff::walk(&mut file).map_err(io_error)? else {
        recognise(&mut file, path)?;
        let marks = flac_marks::read(&mut file, u64::MAX).map_err(io_error)?;
        let mut opened = Packed::open(file, path)?;
        if let (Some(mut marks), Some(frames)) = (marks, opened.info.frames) {
            marks.loops.retain(|l| l.end.0 <= frames);
            opened.info.marks = marks;
        }
        return Ok(opened);
    };
    let head = match layout.form {
        Form::Wave => pcm::wave_head(&mut file, path, &layout)?,
        Form::Aiff | Form::Aifc => aiff::aiff_head(&mut file, path, &layout)?,
    };
    if head.frames == 0 {
        return Err(if head.missing > 0 { nothing_left(path, &head) } else { no_frames(path) });
    }
    let marks = riff::marks(&mut file, &layout, head.frames).map_err(io_error)?;
    let info = SoundInfo {
        rate: head.rate,
        channels: head.channels,
        frames: Some(head.frames),
        missing: head.missing,
        marks,
    };
    Ok(Opened { source: Source::Pcm(PcmReader::new(file, path, head)), info })
}

/// Lets pass what begins like FLAC, Ogg or MP3 (or is named so); says of the rest what it is.
fn recognise(file: &mut File, path: &Path) -> Result<()> {
    let mut start = Vec::new();
    let read = file.seek(SeekFrom::Start(0)).and_then(|_| file.by_ref().take(512).read_to_end(&mut start));
    read.and_then(|_| file.seek(SeekFrom::Start(0))).map_err(|e| Error::io("read", path, &e))?;
    let begins = |with: &[u8]| start.starts_with(with);
    // Eleven ones, then (after the version) 01 for layer III: ISO/IEC 11172-3, frame header.
    let is_mpeg_sync = matches!(start[..], [0xFF, b, ..] if b & 0xE6 == 0xE2);
    if begins(b"fLaC") || begins(b"OggS") || begins(b"ID3") || is_mpeg_sync {
        return Ok(());
    }
    let is_text = start.iter().all(|b| matches!(b, b'\t' | b'\n' | b'\r' | 0x0C | 0x20..=0x7E | 0x80..));
    let what = if begins(b"RIFF") || begins(b"RF64") || begins(b"BW64") || begins(b"FORM") {
        if start.len() < 12 { "a sound file cut off in its head" } else { "a chunk file of another kind" }
    } else if begins(b"RIFX") {
        "a WAV with its bytes in reverse order (RIFX)"
    } else if is_text {
        "a text, not sound"
    } else if has_ending(path, &["mp3"]) {
        // An MP3 may begin with anything.
        return Ok(());
    } else {
        "of an unknown kind"
    };
    Err(unreadable(
        ErrorKind::UnsupportedFormat,
        path,
        format!("it is {what}; allowed: WAV, AIFF, FLAC, MP3, Ogg Vorbis; {EXPORT_AGAIN}"),
    ))
}
