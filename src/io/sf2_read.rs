//! Reading SoundFont banks, ours and anybody's: their samples and where they sound.
//!
//! Source: SoundFont Technical Specification 2.04 (2006), sections 4 to 7.

use std::fs::File;
use std::io::{Read as _, Seek as _, SeekFrom};
use std::path::{Path, PathBuf};

use super::unreadable;
use crate::audio::AudioBuf;
use crate::error::{Error, ErrorKind, Result};
use crate::units::SampleRate;

/// What to do about a bank that is not read.
const EXPORT_AGAIN: &str = "export it again from where it was made";
/// Most bytes of one table: the longest there can be (65536 rows of 46 bytes) and more.
const MOST_TABLE: u64 = 1 << 23;
/// Most frames of one sample that are read at once.
const MOST_FRAMES: u64 = 1 << 28;
/// Generators that say which sample a zone has and whether it loops (8.1.2).
const SAMPLE_ID: u16 = 53;
const SAMPLE_MODES: u16 = 54;

/// A bank on disk.
#[derive(Debug, Clone)]
pub struct Bank {
    path: PathBuf,
    /// Place and length of the upper 16 bits, and of the lower 8 where there are any.
    upper: (u64, u64),
    lower: Option<(u64, u64)>,
    /// Its samples.
    pub samples: Vec<BankSample>,
    /// How many presets it has.
    pub presets: usize,
}

/// One sample of a bank; positions count frames of the whole bank, ends are exclusive.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BankSample {
    /// Its name.
    pub name: String,
    /// First frame.
    pub start: u64,
    /// First frame after it.
    pub end: u64,
    /// First frame of the loop.
    pub loop_start: u64,
    /// First frame after the loop.
    pub loop_end: u64,
    /// Frames a second.
    pub rate: u32,
    /// Root key; above 127 none.
    pub root: u8,
    /// Cents that bring it to its root key.
    pub correction: i8,
    /// Whether an instrument sounds it.
    pub used: bool,
    /// Whether an instrument loops it.
    pub looped: bool,
}

/// Reads the tables of a bank; the samples stay on disk. Errors: it cannot be read, or is damaged.
pub fn open(path: &Path) -> Result<Bank> {
    let mut file = File::open(path).map_err(|e| Error::io("read", path, &e))?;
    let io_error = |e: std::io::Error| Error::io("read", path, &e);
    let damaged = |what: &str| unreadable(ErrorKind::Decode, path, format!("{what}; {EXPORT_AGAIN}"));
    let end = file.seek(SeekFrom::End(0)).map_err(io_error)?;
    let mut head = [0; 12];
    file.seek(SeekFrom::Start(0)).map_err(io_error)?;
    if end < 12 || file.read_exact(&mut head).is_err() || &head[..4] != b"RIFF" || &head[8..] != b"sfbk" {
        return Err(damaged("it is no SoundFont"));
    }
    let mut found: Vec<([u8; 4], u64, u64)> = Vec::new();
    for (id, start, len) in chunks(&mut file, 12, end).map_err(io_error)? {
        if &id == b"LIST" && len >= 4 {
            found.extend(chunks(&mut file, start + 4, start + len).map_err(io_error)?);
        }
    }
    let place = |id: &[u8; 4]| found.iter().find(|c| c.0 == *id).map(|c| (c.1, c.2));
    let mut table = |id: &[u8; 4]| -> Result<Vec<u8>> {
        let (start, len) = place(id).ok_or_else(|| damaged("one of its tables is missing"))?;
        file.seek(SeekFrom::Start(start)).map_err(io_error)?;
        let mut bytes = Vec::new();
        (&file).take(len.min(MOST_TABLE)).read_to_end(&mut bytes).map_err(io_error)?;
        Ok(bytes)
    };
    let (phdr, ibag, igen, shdr) = (table(b"phdr")?, table(b"ibag")?, table(b"igen")?, table(b"shdr")?);
    let upper = place(b"smpl").ok_or_else(|| damaged("it holds no samples"))?;
    let mut samples: Vec<BankSample> = shdr.chunks_exact(46).map(sample).collect();
    // The last row only ends the table.
    samples.pop();
    mark_used(&mut samples, &ibag, &igen);
    let presets = (phdr.len() / 38).saturating_sub(1);
    Ok(Bank { path: path.to_path_buf(), upper, lower: place(b"sm24"), samples, presets })
}

/// Name, first byte and length of each chunk between two places, cut to what is there.
fn chunks(file: &mut File, from: u64, to: u64) -> std::io::Result<Vec<([u8; 4], u64, u64)>> {
    let mut list = Vec::new();
    let mut at = from;
    while to.saturating_sub(at) >= 8 && list.len() < 256 {
        let mut head = [0; 8];
        file.seek(SeekFrom::Start(at))?;
        file.read_exact(&mut head)?;
        let len = u64::from(u32::from_le_bytes([head[4], head[5], head[6], head[7]])).min(to - at - 8);
        list.push(([head[0], head[1], head[2], head[3]], at + 8, len));
        at += 8 + len + (len & 1);
    }
    Ok(list)
}

fn sample(row: &[u8]) -> BankSample {
    let u32_at = |i: usize| u64::from(u32::from_le_bytes([row[i], row[i + 1], row[i + 2], row[i + 3]]));
    let name = row[..20].split(|b| *b == 0).next().unwrap_or_default();
    BankSample {
        name: name.iter().map(|b| char::from(*b)).collect(),
        start: u32_at(20),
        end: u32_at(24),
        loop_start: u32_at(28),
        loop_end: u32_at(32),
        rate: u32_at(36) as u32,
        root: row[40],
        correction: row[41] as i8,
        used: false,
        looped: false,
    }
}

/// Goes through the zones of all instruments.
fn mark_used(samples: &mut [BankSample], ibag: &[u8], igen: &[u8]) {
    let u16_at = |b: &[u8], i: usize| b.get(i..i + 2).map(|b| u16::from_le_bytes([b[0], b[1]]));
    let bounds: Vec<usize> = ibag.chunks_exact(4).filter_map(|b| u16_at(b, 0)).map(usize::from).collect();
    for zone in bounds.windows(2) {
        let (mut id, mut modes) = (None, 0);
        for g in zone[0]..zone[1].max(zone[0]) {
            match u16_at(igen, 4 * g) {
                Some(SAMPLE_ID) => id = u16_at(igen, 4 * g + 2),
                Some(SAMPLE_MODES) => modes = u16_at(igen, 4 * g + 2).unwrap_or(0),
                _ => {}
            }
        }
        if let Some(s) = id.and_then(|id| samples.get_mut(usize::from(id))) {
            s.used = true;
            // 1 loops for ever, 3 until the key is let go (8.1.2, generator 54).
            s.looped |= modes & 3 == 1 || modes & 3 == 3;
        }
    }
}

impl Bank {
    /// How many frames of samples the bank holds.
    pub fn frames(&self) -> u64 {
        self.upper.1 / 2
    }

    /// The bits of its samples.
    pub fn bits(&self) -> u16 {
        if self.lower.is_some() { 24 } else { 16 }
    }

    /// Frames `from` to `to` of the bank. Errors: outside the bank, unreadable.
    pub fn read(&self, from: u64, to: u64, rate: SampleRate) -> Result<AudioBuf> {
        if from >= to || to > self.frames() || to - from > MOST_FRAMES {
            return Err(Error::invalid(
                "a sample's place",
                format!("{from} to {to}"),
                &format!("within the {} frames of the bank", self.frames()),
            ));
        }
        let io_error = |e: std::io::Error| Error::io("read", &self.path, &e);
        let mut file = File::open(&self.path).map_err(io_error)?;
        let mut part = |start: u64, width: u64| -> Result<Vec<u8>> {
            let mut bytes = vec![0; ((to - from) * width) as usize];
            file.seek(SeekFrom::Start(start + from * width)).map_err(io_error)?;
            file.read_exact(&mut bytes).map_err(io_error)?;
            Ok(bytes)
        };
        let upper = part(self.upper.0, 2)?;
        let lower = match self.lower {
            Some((start, len)) if to <= len => part(start, 1)?,
            _ => vec![0; (to - from) as usize],
        };
        let samples = upper.chunks_exact(2).zip(&lower).map(|(u, l)| {
            let step = i32::from_be_bytes([u[1], u[0], *l, 0]) >> 8;
            step as f32 / 8_388_608.0
        });
        AudioBuf::mono(samples.collect(), rate)
    }
}
