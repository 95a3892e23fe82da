//! From files to found takes: what is in each file, which note it sounds, which note and layer it
//! is named, how the files are laid out, what is wrong.

pub mod concerns;
pub mod file;
pub mod layout;
pub mod names;
mod set_concerns;
mod telling;

use std::cmp::Ordering;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use rayon::prelude::*;

use crate::dsp::peaks::Column;
use crate::dsp::spans::{FoundRoom, FoundSpan};
use crate::dsp::tune::Movement;
use crate::error::{Error, ErrorKind, Result};
use crate::io::DELIVERY_MANIFEST;
use crate::io::decode::{ENDINGS, has_sound_ending};
use crate::io::riff::SourceMarks;
use crate::jobs::Job;
use crate::session::document::Layout;
use crate::session::{Concern, Named};
use crate::units::{Cents, Decibels, Hertz, MiddleC, MidiNote, STANDARD_A4_HZ, SampleRate};
use telling::Telling;

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
    /// How the pitch moves over the sustain.
    pub movement: Option<Movement>,
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
    /// How far a long file has come, about ten times a second.
    Heard {
        /// Which.
        path: PathBuf,
        /// Which part of the work on it is done, 0 to 1.
        done: f64,
        /// Its wave, as far as it was read, in equal parts of the whole; none: as told before.
        wave: Option<Arc<[Column]>>,
    },
}

/// The sound files named by `paths`: files as they are, folders with everything below them
/// (hidden files and folders left out, and folders that hold a delivery: what came out must not go
/// in again), in natural order, each once. A sound file that leads nowhere is listed: reading it
/// says so.
/// Errors: `NotFound` for a path that is not there; `NothingHere` with words that say what was looked
/// for when there is no sound file.
pub fn sound_files(paths: &[PathBuf]) -> Result<Vec<PathBuf>> {
    let mut files = Vec::new();
    for path in paths {
        if !path.is_dir() {
            path.metadata().map_err(|e| Error::io("read", path, &e))?;
            files.push(path.clone());
            continue;
        }
        let inside = walkdir::WalkDir::new(path).follow_links(true).into_iter();
        let visible =
            |e: &walkdir::DirEntry| e.depth() == 0 || !(is_hidden(e.path()) || is_delivery(e.path()));
        files.extend(inside.filter_entry(visible).filter_map(sound_file));
    }
    if files.is_empty() {
        let names: Vec<String> = paths.iter().map(|p| p.display().to_string()).collect();
        return Err(Error::new(
            ErrorKind::NothingHere,
            format!(
                "no sound file in {}; looked for files that end in {}",
                names.join(", "),
                ENDINGS.join(", ")
            ),
        ));
    }
    files.sort_by(|a, b| natural_order(a, b));
    files.dedup();
    Ok(files)
}

/// The path of an entry that is a sound file, or was to be one.
fn sound_file(entry: walkdir::Result<walkdir::DirEntry>) -> Option<PathBuf> {
    let path = match entry {
        Ok(e) if e.file_type().is_file() => e.into_path(),
        Ok(_) => return None,
        Err(e) => e.path()?.to_path_buf(),
    };
    has_sound_ending(&path).then_some(path)
}

fn is_delivery(folder: &Path) -> bool {
    folder.join(DELIVERY_MANIFEST).exists()
}

fn is_hidden(path: &Path) -> bool {
    path.file_name().is_some_and(|n| n.to_string_lossy().starts_with('.'))
}

/// Folder by folder, numbers by their value, capitals like small letters (unless that is all they
/// differ in).
fn natural_order(a: &Path, b: &Path) -> Ordering {
    let parts = |p: &Path| -> Vec<String> {
        p.components().map(|c| c.as_os_str().to_string_lossy().into_owned()).collect()
    };
    let (left, right) = (parts(a), parts(b));
    left.iter()
        .zip(&right)
        .map(|(l, r)| natord::compare_ignore_case(l, r))
        .find(|o| o.is_ne())
        .unwrap_or_else(|| left.len().cmp(&right.len()))
        .then_with(|| a.cmp(b))
}

/// Surveys `files`, several at once, then places the takes over the whole set.
///
/// `report` hears of every file as soon as it is done, in any order, from any thread. Progress
/// counts files. Errors: only `Cancelled`; a file that fails is in [`SetSurvey::failed`].
pub fn survey_files(
    files: &[PathBuf],
    options: &SurveyOptions,
    job: &Job,
    report: &(dyn Fn(SurveyEvent) + Sync),
) -> Result<SetSurvey> {
    job.begin("survey", files.len() as u64);
    let mut order: Vec<&PathBuf> = files.iter().collect();
    order.sort_by(|a, b| natural_order(a, b));
    order.dedup();
    let results: Vec<Result<FileSurvey>> =
        order.par_iter().map(|path| survey_and_report(path, options, job, report)).collect();
    job.check()?;
    let mut set = SetSurvey::default();
    for (path, result) in order.into_iter().zip(results) {
        match result {
            Ok(file) => set.files.push(file),
            Err(e) => set.failed.push((path.clone(), e)),
        }
    }
    (set.layout, set.concerns) = layout::place(&mut set.files, options);
    Ok(set)
}

fn survey_and_report(
    path: &Path,
    options: &SurveyOptions,
    job: &Job,
    report: &(dyn Fn(SurveyEvent) + Sync),
) -> Result<FileSurvey> {
    job.check()?;
    let result = match path.to_str() {
        Some(_) => survey_guarded(path, options, job, report),
        None => Err(Error::new(
            ErrorKind::UnsupportedFormat,
            format!(
                "the name of {} holds bytes that are no text (not Unicode), which a session cannot keep; rename the file",
                path.display()
            ),
        )),
    };
    job.advance(1);
    match &result {
        Ok(file) => {
            let mut alone = [file.clone()];
            layout::place(&mut alone, options);
            let [file] = alone;
            report(SurveyEvent::File(Box::new(file)));
        }
        Err(e) if e.is_cancelled() => {}
        Err(e) => report(SurveyEvent::Failed(path.to_path_buf(), e.clone())),
    }
    result
}

fn survey_guarded(
    path: &Path,
    options: &SurveyOptions,
    job: &Job,
    report: &(dyn Fn(SurveyEvent) + Sync),
) -> Result<FileSurvey> {
    let telling = Telling::new(path, report);
    let step = |n| telling.step(n);
    // One file must not take the others with it, whatever is in it.
    let survey = || file::survey_one(path, options, job, &step, Some(&telling));
    catch_unwind(AssertUnwindSafe(survey)).unwrap_or_else(|_| {
        Err(Error::new(
            ErrorKind::Internal,
            format!("cannot survey {}: it failed in an unforeseen way; please report it", path.display()),
        ))
    })
}

/// The path as shown to a user: relative to `base` where it lies below it.
pub fn shown<'a>(path: &'a Path, base: &Path) -> &'a Path {
    path.strip_prefix(base).unwrap_or(path)
}
