//! Reading what a FLAC file says besides its samples: chunks of a WAV that it carries along, texts.
//!
//! Source: RFC 9639, sections 8.1 (metadata blocks), 8.4 (application), 8.6 (texts) and 12.2.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};

use super::riff::{self, Chunk, Form, Layout, MOST_TEXT_BYTES, SourceMarks};

/// Numbers of the kinds of metadata block.
pub(super) const APPLICATION: u8 = 2;
pub(super) const TEXTS: u8 = 4;
/// Texts by their name in INFO and in FLAC. Source of the latter: RFC 9639, section 8.6, and the
/// minimal list of field names it refers to.
pub(super) const NAMES: [(&str, &str); 7] = [
    ("INAM", "TITLE"),
    ("IPRD", "ALBUM"),
    ("IART", "ARTIST"),
    ("ICOP", "COPYRIGHT"),
    ("ICMT", "DESCRIPTION"),
    ("ICRD", "DATE"),
    ("ISFT", "ENCODER"),
];
/// No file has more blocks than this.
const MOST_BLOCKS: usize = 256;

/// The marks of a FLAC file of `frames` frames; none when it is no FLAC file. Blocks that are
/// damaged are passed over. Leaves the file at its start.
pub(super) fn read(file: &mut File, frames: u64) -> io::Result<Option<SourceMarks>> {
    let marks = read_blocks(file, frames)?;
    file.seek(SeekFrom::Start(0))?;
    Ok(marks)
}

fn read_blocks(file: &mut File, frames: u64) -> io::Result<Option<SourceMarks>> {
    let end = file.seek(SeekFrom::End(0))?;
    file.seek(SeekFrom::Start(0))?;
    let mut magic = [0; 4];
    if end < 8 || file.read_exact(&mut magic).is_err() || &magic != b"fLaC" {
        return Ok(None);
    }
    let mut layout = Layout { form: Form::Wave, chunks: Vec::new() };
    let mut texts = BTreeMap::new();
    let mut at = 4;
    for _ in 0..MOST_BLOCKS {
        if end - at < 4 {
            break;
        }
        file.seek(SeekFrom::Start(at))?;
        let mut head = [0; 4];
        file.read_exact(&mut head)?;
        let len = u64::from(u32::from_be_bytes([0, head[1], head[2], head[3]])).min(end - at - 4);
        let block = Chunk { id: [head[0] & 0x7F, 0, 0, 0], start: at + 4, len, missing: 0 };
        match block.id[0] {
            APPLICATION => layout.chunks.extend(carried(file, &block)?),
            TEXTS => texts = read_texts(&riff::body(file, &block, MOST_TEXT_BYTES)?),
            _ => {}
        }
        at = block.start + len;
        if head[0] & 0x80 != 0 {
            break;
        }
    }
    let mut marks = riff::marks(file, &layout, frames)?;
    marks.info.extend(texts);
    Ok(Some(marks))
}

/// The chunk in an application block of the kind `riff`.
fn carried(file: &mut File, block: &Chunk) -> io::Result<Option<Chunk>> {
    let head = riff::body(file, block, 12)?;
    let [b'r', b'i', b'f', b'f', a, b, c, d, n0, n1, n2, n3] = head[..] else { return Ok(None) };
    let len = u64::from(u32::from_le_bytes([n0, n1, n2, n3])).min(block.len - 12);
    Ok(Some(Chunk { id: [a, b, c, d], start: block.start + 12, len, missing: 0 }))
}

/// Vendor, number of texts, texts as `NAME=text`; lengths with the lowest byte first.
fn read_texts(bytes: &[u8]) -> BTreeMap<String, String> {
    let mut found = BTreeMap::new();
    let mut rest = bytes;
    let mut next = |with_text: bool| -> Option<&[u8]> {
        let (len, after) = rest.split_at_checked(4)?;
        let len = if with_text { u32::from_le_bytes([len[0], len[1], len[2], len[3]]) as usize } else { 0 };
        let (text, after) = after.split_at_checked(len)?;
        rest = after;
        Some(text)
    };
    if next(true).is_none() || next(false).is_none() {
        return found;
    }
    while let Some(text) = next(true) {
        let text = String::from_utf8_lossy(text);
        let Some((name, value)) = text.split_once('=') else { continue };
        if let Some((info, _)) = NAMES.iter().find(|(_, n)| n.eq_ignore_ascii_case(name)) {
            found.insert((*info).to_owned(), value.to_owned());
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn damaged_texts_are_passed_over() {
        let with_length = |t: &str| [&(t.len() as u32).to_le_bytes(), t.as_bytes()].concat();
        let good =
            [with_length("v"), 3u32.to_le_bytes().into(), with_length("title=a=b"), with_length("junk")]
                .concat();
        assert_eq!(read_texts(&good)["INAM"], "a=b");
        for cut in 0..good.len() {
            let _ = read_texts(&good[..cut]);
        }
        assert!(read_texts(&[0xFF; 40]).is_empty());
    }
}
