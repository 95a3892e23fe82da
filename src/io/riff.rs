//! The chunks of a RIFF/WAVE file that carry loops, root key and texts.
//!
//! Sources: Microsoft/IBM, Multimedia Programming Interface and Data Specifications 1.0 (1991) and
//! New Multimedia Data Types and Data Techniques, rev. 3.0 (1994); for files above 4 GiB EBU Tech
//! 3306 (RF64) and ITU-R BS.2088 (BW64).

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::Path;

use crate::error::{Error, Result};
use crate::units::{Cents, FrameRange, MidiNote};

use super::{aiff, flac_marks, pcm};

/// What a source brings along besides its samples.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SourceMarks {
    /// Root key.
    pub root: Option<MidiNote>,
    /// How far above the root key it is tuned: −50 to +50.
    pub fine_tune: Cents,
    /// Loops, end exclusive.
    pub loops: Vec<FrameRange>,
    /// INFO texts by their four letters (`INAM`, `ICMT`…).
    pub info: BTreeMap<String, String>,
}

/// Reads the marks of a WAV (RIFF or RF64), AIFF or FLAC file; other formats have none.
///
/// Only loops that run forward and lie inside the sound are taken. A chunk that is damaged is
/// passed over. Errors: the file cannot be opened or read.
pub fn read_marks(path: &Path) -> Result<SourceMarks> {
    let mut file = File::open(path).map_err(|e| Error::io("read", path, &e))?;
    let Some(layout) = walk(&mut file).map_err(|e| Error::io("read", path, &e))? else {
        let marks = flac_marks::read(&mut file, u64::MAX).map_err(|e| Error::io("read", path, &e))?;
        return Ok(marks.unwrap_or_default());
    };
    let head = match layout.form {
        Form::Wave => pcm::wave_head(&mut file, path, &layout),
        Form::Aiff | Form::Aifc => aiff::aiff_head(&mut file, path, &layout),
    };
    marks(&mut file, &layout, head.map_or(u64::MAX, |h| h.frames)).map_err(|e| Error::io("read", path, &e))
}

/// The loops of a WAV or AIFF file as they are written, whether they lie in the sound or not. None of other
/// formats. Errors: the file cannot be opened or read.
pub fn written_loops(path: &Path) -> Result<Vec<FrameRange>> {
    let read = || {
        let mut file = File::open(path)?;
        let Some(layout) = walk(&mut file)? else { return Ok(Vec::new()) };
        written_marks(&mut file, &layout).map(|m| m.loops)
    };
    read().map_err(|e: io::Error| Error::io("read", path, &e))
}

/// How many bytes the head of a RIFF or AIFF file promises, and how many are there, where more are promised:
/// it was cut short. None of files that promise nothing (RF64, or written by a stream). Source: Multimedia
/// Programming Interface and Data Specifications 1.0 (1991), and AIFF 1.3 (1989): 4 letters, then the size
/// of all that follows.
pub fn cut_short(path: &Path) -> Result<Option<(u64, u64)>> {
    let read = || {
        let mut file = File::open(path)?;
        let there = file.metadata()?.len();
        let mut head = [0u8; 8];
        if there < 8 {
            return Ok(None);
        }
        file.read_exact(&mut head)?;
        let size = [head[4], head[5], head[6], head[7]];
        let promised = match &head[..4] {
            b"RIFF" => u32::from_le_bytes(size),
            b"FORM" => u32::from_be_bytes(size),
            _ => return Ok(None),
        };
        let promised_in_all = u64::from(promised) + 8;
        Ok((promised != u32::MAX && promised_in_all > there).then_some((promised_in_all, there)))
    };
    read().map_err(|e: io::Error| Error::io("read", path, &e))
}

fn written_marks(file: &mut File, layout: &Layout) -> io::Result<SourceMarks> {
    match layout.form {
        Form::Wave => wave_marks(file, layout),
        Form::Aiff | Form::Aifc => aiff::aiff_marks(file, layout),
    }
}

/// The marks of a file that has been walked and has `frames` frames.
pub(super) fn marks(file: &mut File, layout: &Layout, frames: u64) -> io::Result<SourceMarks> {
    let mut marks = written_marks(file, layout)?;
    marks.loops.retain(|l| !l.is_empty() && l.end.0 <= frames);
    Ok(marks)
}

/// Which kind of chunk file it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Form {
    /// RIFF, RF64 or BW64 with WAVE inside: lowest byte first.
    Wave,
    /// FORM with AIFF inside: highest byte first.
    Aiff,
    /// FORM with AIFC inside: highest byte first.
    Aifc,
}

/// One chunk: its letters and the bytes after its head.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Chunk {
    pub(super) id: [u8; 4],
    /// First byte of its body in the file.
    pub(super) start: u64,
    /// Bytes of its body that are really in the file.
    pub(super) len: u64,
    /// Bytes that its head claims besides.
    pub(super) missing: u64,
}

/// The chunks of a file in order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Layout {
    pub(super) form: Form,
    pub(super) chunks: Vec<Chunk>,
}

impl Layout {
    /// The first chunk of that name.
    pub(super) fn find(&self, id: [u8; 4]) -> Option<&Chunk> {
        self.chunks.iter().find(|c| c.id == id)
    }

    /// The chunk with the samples of a WAV.
    pub(super) fn data(&self) -> Option<&Chunk> {
        self.find(*b"data")
    }
}

/// A file of nothing but empty chunks must not fill the memory; no sound file has this many.
const MOST_CHUNKS: usize = 4096;
/// Stands where a length is kept elsewhere (in `ds64`) or was never filled in.
const LENGTH_ELSEWHERE: u32 = u32::MAX;
/// From here on a length is none (common practice, no source).
const NO_LENGTH: u32 = 0x7FFF_0000;

/// Lists the chunks of `file`; `None` when it is no WAVE or AIFF.
///
/// The length in the outermost head is not trusted (it is wrong in many files); every chunk is cut
/// to what the file really has.
pub(super) fn walk<R: Read + Seek>(file: &mut R) -> io::Result<Option<Layout>> {
    let file_len = file.seek(SeekFrom::End(0))?;
    file.seek(SeekFrom::Start(0))?;
    let mut head = [0; 12];
    if file_len < 12 {
        return Ok(None);
    }
    file.read_exact(&mut head)?;
    let form = match (&head[..4], &head[8..]) {
        (b"RIFF" | b"RF64" | b"BW64", b"WAVE") => Form::Wave,
        (b"FORM", b"AIFF") => Form::Aiff,
        (b"FORM", b"AIFC") => Form::Aifc,
        _ => return Ok(None),
    };
    let outer_len = number(form, [head[4], head[5], head[6], head[7]]);
    let mut long = LongLengths::default();
    let mut chunks = Vec::new();
    let mut at = 12;
    // Checked by subtraction from what is left: a sum with a lying length could wrap.
    while file_len - at >= 8 && chunks.len() < MOST_CHUNKS {
        let mut head = [0; 8];
        file.seek(SeekFrom::Start(at))?;
        file.read_exact(&mut head)?;
        let id = [head[0], head[1], head[2], head[3]];
        let claimed = number(form, [head[4], head[5], head[6], head[7]]);
        let start = at + 8;
        let left = file_len - start;
        let mut len = u64::from(claimed);
        if form == Form::Wave && claimed == LENGTH_ELSEWHERE {
            len = long.of(id).unwrap_or(left);
        }
        // A recorder that was cut off leaves the lengths of an empty file: the rest is sound.
        if id == *b"data" && claimed == 0 && u64::from(outer_len) <= at {
            len = left;
        }
        // Programs that cannot go back to the head (pipes) write next to the most that fits.
        let missing = if claimed < NO_LENGTH { len.saturating_sub(left) } else { 0 };
        let chunk = Chunk { id, start, len: len.min(left), missing };
        if form == Form::Wave && id == *b"ds64" && chunks.is_empty() {
            long = LongLengths::read(&body(file, &chunk, 28 + 12 * 64)?);
        }
        chunks.push(chunk);
        // An odd body is followed by one byte of padding, which the length leaves out.
        at = start + (chunk.len + (chunk.len & 1)).min(left);
    }
    Ok(Some(Layout { form, chunks }))
}

fn number(form: Form, bytes: [u8; 4]) -> u32 {
    if form == Form::Wave { u32::from_le_bytes(bytes) } else { u32::from_be_bytes(bytes) }
}

/// Lengths that 32 bits cannot hold. Source: EBU Tech 3306, the `ds64` chunk.
#[derive(Debug, Default)]
struct LongLengths {
    lengths: Vec<([u8; 4], u64)>,
}

impl LongLengths {
    /// `riffSize` u64, `dataSize` u64, `sampleCount` u64, `tableLength` u32, then per entry a chunk
    /// name and its u64 length.
    fn read(ds64: &[u8]) -> Self {
        let u64_at =
            |i: usize| ds64.get(i..i + 8).map(|b| b.iter().rev().fold(0, |v, b| v << 8 | u64::from(*b)));
        let mut lengths: Vec<_> = u64_at(8).map(|n| (*b"data", n)).into_iter().collect();
        let table = ds64.get(28..).unwrap_or_default();
        lengths.extend(table.chunks_exact(12).enumerate().filter_map(|(i, entry)| {
            Some(([entry[0], entry[1], entry[2], entry[3]], u64_at(28 + 12 * i + 4)?))
        }));
        Self { lengths }
    }

    fn of(&self, id: [u8; 4]) -> Option<u64> {
        self.lengths.iter().find(|(name, _)| *name == id).map(|(_, len)| *len)
    }
}

/// The body of a chunk, at most `limit` bytes of it.
pub(super) fn body<R: Read + Seek>(file: &mut R, chunk: &Chunk, limit: u64) -> io::Result<Vec<u8>> {
    file.seek(SeekFrom::Start(chunk.start))?;
    let mut bytes = Vec::new();
    file.by_ref().take(chunk.len.min(limit)).read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// Most bytes of loops that are looked at: 2700 loops.
const MOST_SMPL_BYTES: u64 = 1 << 16;
/// Most bytes of texts that are looked at.
pub(super) const MOST_TEXT_BYTES: u64 = 1 << 20;

fn wave_marks(file: &mut File, layout: &Layout) -> io::Result<SourceMarks> {
    let mut marks = SourceMarks::default();
    let mut has_smpl_root = false;
    for chunk in &layout.chunks {
        match &chunk.id {
            b"smpl" => {
                has_smpl_root |= read_smpl(&body(file, chunk, MOST_SMPL_BYTES)?, &mut marks);
            }
            b"inst" if !has_smpl_root => read_inst(&body(file, chunk, 7)?, &mut marks),
            b"LIST" => read_info(&body(file, chunk, MOST_TEXT_BYTES)?, &mut marks.info),
            _ => {}
        }
    }
    Ok(marks)
}

/// `smpl`: 36 bytes, then 24 a loop. Tells whether it named a root key.
fn read_smpl(bytes: &[u8], marks: &mut SourceMarks) -> bool {
    let Some((head, loops)) = bytes.split_at_checked(36) else {
        return false;
    };
    let u32_at = |b: &[u8], i: usize| u32::from_le_bytes([b[i], b[i + 1], b[i + 2], b[i + 3]]);
    let root = root_from_smpl(u32_at(head, 12), u32_at(head, 16));
    if let Some((note, above)) = root {
        (marks.root, marks.fine_tune) = (Some(note), above);
    }
    let count = u32_at(head, 28) as usize;
    for l in loops.chunks_exact(24).take(count) {
        // Type 0 runs forward; 1 runs back and forth, 2 backward: other loops, not ours.
        if u32_at(l, 4) == 0 {
            // The published end is the last frame that sounds; ours is the first that does not.
            marks.loops.push(FrameRange::new(u64::from(u32_at(l, 8)), u64::from(u32_at(l, 12)) + 1));
        }
    }
    root.is_some()
}

/// The root key and the cents above it for a unity note and a pitch fraction, which is counted up
/// from the unity note in units of 2^−32 semitone (0x80000000 is 50 cents). More than 50 cents
/// above a key is less than 50 below the next.
fn root_from_smpl(unity: u32, fraction: u32) -> Option<(MidiNote, Cents)> {
    let note = u8::try_from(unity).ok().filter(|n| *n <= 127)?;
    let cents = f64::from(fraction) * 100.0 / 4_294_967_296.0;
    if cents <= 50.0 {
        Some((MidiNote(note), Cents(cents)))
    } else if note < 127 {
        Some((MidiNote(note + 1), Cents(cents - 100.0)))
    } else {
        // There is no key above 127.
        Some((MidiNote(note), Cents(50.0)))
    }
}

/// The reverse of [`root_from_smpl`]; `None` when it lies below the lowest key.
///
/// Exactly 50 below a key is written, and so read back, as 50 above the key before it.
pub(super) fn root_to_smpl(root: MidiNote, above: Cents) -> Option<(u32, u32)> {
    let steps = (above.0 / 100.0 * 4_294_967_296.0).round() as i64;
    let total = (i64::from(root.0) << 32) + steps;
    (total >= 0).then_some(((total >> 32) as u32, (total & 0xFFFF_FFFF) as u32))
}

/// `inst`: unshifted note, then the adjustment in cents that brings the sound to that note (so it
/// is tuned as far the other way), gain and ranges. The sign is quoted from memory.
fn read_inst(bytes: &[u8], marks: &mut SourceMarks) {
    if let [note @ 0..=127, adjustment, ..] = *bytes {
        marks.root = Some(MidiNote(note));
        marks.fine_tune = Cents(-f64::from((adjustment as i8).clamp(-50, 50)));
    }
}

/// `LIST` of kind `INFO`: chunks of text, each ended by a zero byte.
fn read_info(bytes: &[u8], info: &mut BTreeMap<String, String>) {
    let Some(mut rest) = bytes.strip_prefix(b"INFO") else {
        return;
    };
    while let Some((head, after)) = rest.split_at_checked(8) {
        let len = u32::from_le_bytes([head[4], head[5], head[6], head[7]]) as usize;
        let text = &after[..len.min(after.len())];
        if let Some(name) = text_name(&head[..4]) {
            info.insert(name, text_from(text));
        }
        rest = after.get(text.len() + (text.len() & 1)..).unwrap_or_default();
    }
}

/// The four letters of a text, if they are letters.
pub(super) fn text_name(id: &[u8]) -> Option<String> {
    let fits = id.len() == 4 && id.iter().all(|b| b.is_ascii_graphic() || *b == b' ');
    fits.then(|| id.iter().map(|b| char::from(*b)).collect())
}

/// A text up to its first zero byte: UTF-8, or where it is not, Latin-1 (older programs).
pub(super) fn text_from(bytes: &[u8]) -> String {
    let end = bytes.iter().position(|b| *b == 0).unwrap_or(bytes.len());
    match std::str::from_utf8(&bytes[..end]) {
        Ok(text) => text.to_owned(),
        Err(_) => bytes[..end].iter().map(|b| char::from(*b)).collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 0x80000000 is 50 cents above the unity note. Source: New Multimedia Data Types and Data
    /// Techniques, rev. 3.0 (1994), `smpl`, dwMIDIPitchFraction.
    #[test]
    fn pitch_fraction_counts_up_from_the_unity_note() {
        assert_eq!(root_from_smpl(60, 0), Some((MidiNote(60), Cents(0.0))));
        assert_eq!(root_from_smpl(60, 0x8000_0000), Some((MidiNote(60), Cents(50.0))));
        assert_eq!(root_from_smpl(60, 0x4000_0000), Some((MidiNote(60), Cents(25.0))));
        assert_eq!(root_from_smpl(60, 0xC000_0000), Some((MidiNote(61), Cents(-25.0))));
        assert_eq!(root_from_smpl(127, 0xC000_0000), Some((MidiNote(127), Cents(50.0))));
        assert_eq!(root_from_smpl(128, 0), None);
        assert_eq!(root_to_smpl(MidiNote(61), Cents(-25.0)), Some((60, 0xC000_0000)));
        assert_eq!(root_to_smpl(MidiNote(60), Cents(50.0)), Some((60, 0x8000_0000)));
        // Too little to write is the key itself, not 2^32 above the one below.
        assert_eq!(root_to_smpl(MidiNote(60), Cents(-1e-12)), Some((60, 0)));
        assert_eq!(root_to_smpl(MidiNote(0), Cents(-1.0)), None);
    }

    #[test]
    fn damaged_texts_and_heads_are_passed_over() {
        let mut info = BTreeMap::new();
        read_info(b"INFOINAM\xFF\xFF\xFF\xFFcut", &mut info);
        assert_eq!(info["INAM"], "cut");
        read_info(b"INFO\x01\x02\x03\x04\x02\0\0\0ab", &mut info);
        read_info(b"adtlINAM\x02\0\0\0no", &mut info);
        assert_eq!((info.len(), info["INAM"].as_str()), (1, "cut"));
        assert_eq!(text_from(b"f\xFCnf\0rest"), "fünf");
        let mut marks = SourceMarks::default();
        assert!(!read_smpl(&[0; 35], &mut marks));
        read_inst(&[200, 0], &mut marks);
        assert_eq!(marks, SourceMarks::default());
    }
}
