//! Writing SoundFont 2.04 banks, 16 and 24 bits.
//!
//! Source: SoundFont Technical Specification 2.04 (2006). Section numbers below are of it.

use std::fs::File;
use std::io::{BufWriter, Read as _, Seek as _, SeekFrom, Write};
use std::path::{Path, PathBuf};

use super::quantise::Quantiser;
use super::sf2_hydra::{self, Preset};
use super::{atomic, wave_chunks};
use crate::audio::AudioBuf;
use crate::error::{Error, ErrorKind, Result};
use crate::units::{Cents, FrameRange, MidiNote};

/// Frames of silence after each sample (6.1, 7.10).
const ZEROS_AFTER: usize = 46;
/// Frames that must be there before a loop and go on after it (7.10).
const AROUND_LOOP: usize = 8;
/// Shortest loop (7.10).
const SHORTEST_LOOP: usize = 32;

/// One sample as its header describes it (7.10). Positions count frames of the whole bank.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SampleHead {
    pub(super) name: String,
    pub(super) start: u32,
    pub(super) end: u32,
    pub(super) loop_start: u32,
    pub(super) loop_end: u32,
    pub(super) rate: u32,
    pub(super) root: u8,
    pub(super) correction: i8,
    /// The other channel of a pair.
    pub(super) link: u16,
    /// 1 mono, 2 right, 4 left.
    pub(super) kind: u16,
    /// Whether it has a loop.
    pub(super) looped: bool,
}

/// Names one sound of a bank: a sample, or a left and a right one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SoundIndex {
    pub(super) first: u16,
    pub(super) channels: u16,
}

/// A bank in the making. The samples go to files beside the bank as they come, so the memory used
/// does not grow with their number.
pub struct Sf2Writer {
    path: PathBuf,
    upper: Part,
    lower: Option<Part>,
    frames: u64,
    heads: Vec<SampleHead>,
}

/// A file that is gone when this is dropped.
struct Part {
    file: BufWriter<tempfile::NamedTempFile>,
}

/// Texts of a bank (5.4 to 5.10): empty ones are left out.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct BankTexts {
    /// Name of the bank.
    pub name: String,
    /// Who made it.
    pub engineer: String,
    /// When.
    pub date: String,
    /// Copyright.
    pub copyright: String,
    /// Anything else.
    pub comment: String,
}

impl Sf2Writer {
    /// Begins a bank that will stand at `path`, with 24 bits or 16. Errors: no file can be made there.
    pub fn new(path: &Path, bits24: bool) -> Result<Self> {
        let lower = if bits24 { Some(Part::beside(path)?) } else { None };
        Ok(Self { path: path.to_path_buf(), upper: Part::beside(path)?, lower, frames: 0, heads: Vec::new() })
    }

    /// Adds a sound: one channel as it is, two as a left and a right sample, of more the first two.
    ///
    /// `fine_tune` is how far above `root` it is tuned; whole cents are written. With a loop, what
    /// lies after it is left out (the loop never ends) but for the frames that a player interpolates
    /// over; a loop that lies too near the start or is too short is written later or several times
    /// round, which sounds the same. Errors: those of writing, more than the form holds.
    pub fn add(
        &mut self,
        name: &str,
        audio: &AudioBuf,
        looping: Option<FrameRange>,
        root: MidiNote,
        fine_tune: Cents,
    ) -> Result<SoundIndex> {
        let (audio, looping) = unrolled(audio, looping)?;
        let channels = audio.channel_count().min(2);
        let first = self.heads.len() as u16;
        let bits = if self.lower.is_some() { 24 } else { 16 };
        let mut quantiser = Quantiser::new(&audio, bits);
        for c in 0..channels {
            let start = self.frames;
            self.write_channel(&mut quantiser, c, audio.channel(c))?;
            self.frames += (audio.len() + ZEROS_AFTER) as u64;
            if self.frames > u64::from(u32::MAX) / 2 || self.heads.len() >= usize::from(u16::MAX) - 2 {
                return Err(Error::invalid(
                    "the SoundFont",
                    format!("longer than {} frames or {} samples", u32::MAX / 2, u16::MAX),
                    "shorter; deliver fewer takes, or the text map alone",
                ));
            }
            let at = |frame: u64| (start + frame) as u32;
            let (kind, link) = match (channels, c) {
                (1, _) => (1, 0),
                (_, 0) => (4, first + 1),
                _ => (2, first),
            };
            self.heads.push(SampleHead {
                name: name.to_owned(),
                start: at(0),
                end: at(audio.len() as u64),
                loop_start: at(looping.map_or(0, |l| l.start.0)),
                loop_end: at(looping.map_or(0, |l| l.end.0)),
                rate: audio.rate().hz(),
                root: root.0,
                correction: (-fine_tune.0.round()).clamp(-99.0, 99.0) as i8,
                link,
                kind,
                looped: looping.is_some(),
            });
        }
        Ok(SoundIndex { first, channels: channels as u16 })
    }

    fn write_channel(&mut self, quantiser: &mut Quantiser, c: usize, x: &[f32]) -> Result<()> {
        let mut upper = Vec::with_capacity(2 * (x.len() + ZEROS_AFTER));
        let mut lower = Vec::new();
        let with_lower = self.lower.is_some();
        quantiser.quantise(c, x, |_, step| {
            let bytes = step.to_le_bytes();
            if with_lower {
                lower.push(bytes[0]);
                upper.extend(&bytes[1..3]);
            } else {
                upper.extend(&bytes[..2]);
            }
        });
        upper.resize(upper.len() + 2 * ZEROS_AFTER, 0);
        let io_error = |e: std::io::Error| Error::io("write", &self.path, &e);
        self.upper.file.write_all(&upper).map_err(io_error)?;
        if let Some(part) = &mut self.lower {
            lower.resize(lower.len() + ZEROS_AFTER, 0);
            part.file.write_all(&lower).map_err(io_error)?;
        }
        Ok(())
    }

    /// Writes the bank, whole or not at all. Errors: those of writing; a bank without samples.
    pub fn finish(self, texts: &BankTexts, presets: &[Preset]) -> Result<()> {
        self.finish_while(texts, presets, &|| true)
    }

    /// [`Self::finish`], asking `go_on` before every 128 KiB: a bank may be gigabytes. Errors besides:
    /// `Cancelled` once it says no.
    pub fn finish_while(self, texts: &BankTexts, presets: &[Preset], go_on: &dyn Fn() -> bool) -> Result<()> {
        if self.heads.is_empty() {
            return Err(Error::new(ErrorKind::Nothing, "there is nothing to put into the SoundFont"));
        }
        let info = info(texts, self.lower.is_some());
        let hydra = sf2_hydra::chunks(presets, &self.heads)?;
        let Self { path, upper, lower, frames, .. } = self;
        let smpl_len = 2 * frames;
        let sm24_len = if lower.is_some() { frames + (frames & 1) } else { 0 };
        let sdta_len = 4 + 8 + smpl_len + if lower.is_some() { 8 + sm24_len } else { 0 };
        let whole = 4 + info.len() as u64 + 8 + sdta_len + hydra.len() as u64;
        let too_long = |_| Error::invalid("the SoundFont", format!("{whole} bytes"), "less than 4 GiB");
        let whole = u32::try_from(whole).map_err(too_long)?;
        let target = path.clone();
        atomic::write(&path, |out| {
            let io_error = |e: std::io::Error| Error::io("write", &target, &e);
            let mut put = |bytes: &[u8]| out.write_all(bytes).map_err(io_error);
            put(b"RIFF")?;
            put(&whole.to_le_bytes())?;
            put(b"sfbk")?;
            put(&info)?;
            // Both fit: they are less than the whole.
            put(b"LIST")?;
            put(&(sdta_len as u32).to_le_bytes())?;
            put(b"sdtasmpl")?;
            put(&(smpl_len as u32).to_le_bytes())?;
            upper.copy_to(&mut put, &target, go_on)?;
            if let Some(lower) = lower {
                put(b"sm24")?;
                put(&(sm24_len as u32).to_le_bytes())?;
                lower.copy_to(&mut put, &target, go_on)?;
                put(&[0][..(frames & 1) as usize])?;
            }
            put(&hydra)
        })
    }
}

impl Part {
    fn beside(path: &Path) -> Result<Self> {
        let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let file = tempfile::Builder::new()
            .prefix(".seamwright-")
            .suffix(".part")
            .tempfile_in(folder)
            .map_err(|e| Error::io("write", path, &e))?;
        Ok(Self { file: BufWriter::with_capacity(1 << 17, file) })
    }

    fn copy_to(
        self,
        put: &mut dyn FnMut(&[u8]) -> Result<()>,
        path: &Path,
        go_on: &dyn Fn() -> bool,
    ) -> Result<()> {
        let io_error = |e: std::io::Error| Error::io("write", path, &e);
        let part = self.file.into_inner().map_err(|e| io_error(e.into_error()))?;
        let mut file: File = part.reopen().map_err(io_error)?;
        file.seek(SeekFrom::Start(0)).map_err(io_error)?;
        let mut block = vec![0; 1 << 17];
        loop {
            if !go_on() {
                return Err(Error::cancelled());
            }
            let n = file.read(&mut block).map_err(io_error)?;
            if n == 0 {
                return Ok(());
            }
            put(&block[..n])?;
        }
    }
}

/// The sound as a bank must hold it: with a loop of at least 32 frames that begins at frame 8 or
/// later and goes on for 8 frames after its end. The loop is read round instead of being changed: frame
/// `end + i` is frame `start + i`.
fn unrolled(audio: &AudioBuf, looping: Option<FrameRange>) -> Result<(AudioBuf, Option<FrameRange>)> {
    let Some(l) = looping else { return Ok((audio.clone(), None)) };
    let length = l.count().0 as usize;
    if length == 0 || l.end.0 > audio.frames().0 {
        return Err(Error::invalid(
            "loop",
            format!("{} to {}", l.start.0, l.end.0),
            &format!("at least 1 frame within 0 to {}", audio.frames().0),
        ));
    }
    let (start, end) = (l.start.0 as usize, l.end.0 as usize);
    let later = AROUND_LOOP.saturating_sub(start);
    let rounds = SHORTEST_LOOP.div_ceil(length);
    let new = FrameRange::new((start + later) as u64, (start + later + rounds * length) as u64);
    let whole = new.end.0 as usize + AROUND_LOOP;
    let planes = audio
        .channels()
        .map(|x| (0..whole).map(|i| if i < end { x[i] } else { x[start + (i - start) % length] }).collect())
        .collect();
    Ok((AudioBuf::new(planes, audio.rate())?, Some(new)))
}

/// `LIST` of kind `INFO`: version, target engine, name, then the texts (5.1 to 5.10). Each text ends
/// with one or two zero bytes so that its length is even.
fn info(texts: &BankTexts, bits24: bool) -> Vec<u8> {
    let mut body = b"INFO".to_vec();
    let version = if bits24 { [2u16, 4] } else { [2, 1] };
    body.extend(wave_chunks::chunk(*b"ifil", version.into_iter().flat_map(u16::to_le_bytes).collect()));
    let software = super::PROGRAM;
    let name = if texts.name.is_empty() { "set" } else { &texts.name };
    // The engine that the specification names as the default for unknown ones (5.2).
    let rows: [([u8; 4], &str, usize); 7] = [
        (*b"isng", "EMU8000", 255),
        (*b"INAM", name, 255),
        (*b"ICRD", &texts.date, 255),
        (*b"IENG", &texts.engineer, 255),
        (*b"ICOP", &texts.copyright, 255),
        (*b"ICMT", &texts.comment, 65_535),
        (*b"ISFT", software, 255),
    ];
    for (id, text, most) in rows {
        if !text.is_empty() {
            let mut end = text.len().min(most);
            while !text.is_char_boundary(end) {
                end -= 1;
            }
            let mut bytes = text.as_bytes()[..end].to_vec();
            bytes.push(0);
            bytes.resize(bytes.len().next_multiple_of(2), 0);
            body.extend(wave_chunks::chunk(id, bytes));
        }
    }
    wave_chunks::chunk(*b"LIST", body)
}
