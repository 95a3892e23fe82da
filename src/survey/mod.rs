//! From files to found takes: what is in each file, which note it sounds, which note and layer it
//! is named, how the files are laid out, what is wrong.

pub mod concerns;
pub mod file;
pub mod layout;
pub mod names;

use std::path::{Path, PathBuf};

use crate::dsp::spans::{FoundRoom, FoundSpan};
use crate::error::{Error, Result};
use crate::io::riff::SourceMarks;
use crate::jobs::Job;
use crate::session::document::Layout;
use crate::session::{Concern, Named};
use crate::units::{Cents, Decibels, Hertz, MiddleC, MidiNote, STANDARD_A4_HZ, SampleRate};

/// How to survey.
#[derive(Debug, Clone, PartialEq)]
pub struct SurveyOptions {
    /// Frequency of A4.
    pub a4: Hertz,
    /// How note names in file names count octaves.
    pub middle_c: MiddleC,
    /// How the takes lie in the files; none: detect.
    pub layout: Option<Layout>,
}

impl Default for SurveyOptions {
    fn default() -> Self {
        Self { a4: Hertz(STANDARD_A4_HZ), middle_c: MiddleC::C4, layout: None }
    }
}

/// One take found in a file.
#[derive(Debug, Clone, PartialEq)]
pub struct FoundTake {
    /// Where.
    pub span: FoundSpan,
    /// Nearest note to what sounds; none: no pitch.
    pub sounds: Option<MidiNote>,
    /// Deviation from it.
    pub cents: Cents,
    /// Fundamental over the sustain.
    pub f0: Option<Hertz>,
    /// 0 to 1.
    pub confidence: f64,
    /// RMS level of the sustain re full scale.
    pub level: Decibels,
    /// Level above the room; none without room tone.
    pub snr: Option<Decibels>,
    /// What the name (and the order in the file) claims; filled by [`layout::place`].
    pub named: Option<Named>,
    /// The note it counts as; filled by [`layout::place`].
    pub note: Option<MidiNote>,
    /// The layer it counts as, from 0; filled by [`layout::place`].
    pub layer: u16,
    /// What is wrong.
    pub concerns: Vec<Concern>,
}

/// What was found in one file.
#[derive(Debug, Clone, PartialEq)]
pub struct FileSurvey {
    /// The file.
    pub path: PathBuf,
    /// Its size in bytes.
    pub bytes: u64,
    /// BLAKE3 of its bytes, hexadecimal.
    pub hash: String,
    /// Frames a second.
    pub rate: SampleRate,
    /// Number of channels.
    pub channels: u16,
    /// Length in frames.
    pub frames: u64,
    /// The room, where one was found.
    pub room: Option<FoundRoom>,
    /// The takes in order of time.
    pub takes: Vec<FoundTake>,
    /// Loop, root key and texts that the file brings along.
    pub marks: SourceMarks,
}

/// What was found in a set of files.
#[derive(Debug, Clone, Default)]
pub struct SetSurvey {
    /// Files that could be read, in natural order of their paths.
    pub files: Vec<FileSurvey>,
    /// Files that could not, and why.
    pub failed: Vec<(PathBuf, Error)>,
    /// The layout that was detected or given.
    pub layout: Option<Layout>,
    /// Problems of the set as a whole (missing cells).
    pub concerns: Vec<Concern>,
}

/// What a survey tells while it runs.
#[derive(Debug, Clone)]
pub enum SurveyEvent {
    /// A file is done. Its takes are placed as far as its own name tells; the final placing of the
    /// whole set comes with the result.
    File(Box<FileSurvey>),
    /// A file could not be read.
    Failed(PathBuf, Error),
}

/// The sound files named by `paths`: files as they are, folders with everything below them
/// (hidden files and folders left out), in natural order. Errors: `NotFound` for a path that is not
/// there; `Nothing` with words that say what was looked for when there is no sound file.
pub fn sound_files(_paths: &[PathBuf]) -> Result<Vec<PathBuf>> {
    todo!()
}

/// Surveys `files`, several at once, then places the takes over the whole set.
///
/// Errors: only `Cancelled`; a file that fails is in [`SetSurvey::failed`].
pub fn survey_files(
    _files: &[PathBuf],
    _options: &SurveyOptions,
    _job: &Job,
    _report: &(dyn Fn(SurveyEvent) + Sync),
) -> Result<SetSurvey> {
    todo!()
}

/// The path as shown to a user: relative to `base` where it lies below it.
pub fn shown<'a>(path: &'a Path, base: &Path) -> &'a Path {
    path.strip_prefix(base).unwrap_or(path)
}
