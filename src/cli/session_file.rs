//! Opening, filling and saving sessions from the command line.

use std::path::{Path, PathBuf};
use std::sync::Mutex;

use super::output::Output;
use crate::error::{Error, ErrorKind, Result};
use crate::io::decode::has_sound_ending;
use crate::jobs::Job;
use crate::render::propose::Proposal;
use crate::render::{intake, settling};
use crate::session::{Document, Edit, TakeId, store};
use crate::survey::{self, SurveyOptions};

/// A session that this process may write.
pub struct OpenSession {
    /// The session file.
    pub path: PathBuf,
    /// The document.
    pub document: Document,
    _lock: store::Lock,
}

/// The session file that a folder or session argument names. Where a folder holds several, says which.
pub fn path_of(given: &Path, output: &Output) -> Result<PathBuf> {
    if given.is_dir() {
        let path = store::path_for_folder(given);
        let sessions = store::sessions_in(given).len();
        if sessions > 1 {
            output.say(&format!(
                "note: {} holds {} sessions; this is about {}. To work on another, give its file instead of the folder",
                given.display(),
                sessions,
                path.file_name().unwrap_or_default().to_string_lossy()
            ));
        }
        Ok(path)
    } else if has_sound_ending(given) {
        Err(Error::invalid(
            "SESSION or FOLDER",
            format!("{}, a sound file", given.display()),
            "a session (its name ends in .seamwright), or the folder that it lies in",
        ))
    } else if given.exists() {
        Ok(given.to_path_buf())
    } else {
        Err(Error::io("open", given, &std::io::Error::from(std::io::ErrorKind::NotFound)))
    }
}

/// Opens the session of a folder for writing, or begins one.
pub fn open_or_new(folder: &Path, output: &Output) -> Result<OpenSession> {
    let path = path_of(folder, output)?;
    if path.exists() {
        let opened = store::open(&path)?;
        for problem in &opened.problems {
            output.say(problem);
        }
        // The window can show it all the same; a command has to write.
        let lock = match opened.lock {
            Some(lock) => lock,
            None => store::lock(&path)?.ok_or_else(|| in_use(&path))?,
        };
        return Ok(OpenSession { path, document: opened.document, _lock: lock });
    }
    let lock = store::lock(&path)?.ok_or_else(|| in_use(&path))?;
    let mut document = Document::default();
    if let Some(stem) = path.file_stem() {
        // A hidden folder's dot is no part of the set's name.
        let title = stem.to_string_lossy();
        document.setup.title = title.trim_start_matches('.').trim().to_owned();
    }
    Ok(OpenSession { path, document, _lock: lock })
}

fn in_use(path: &Path) -> Error {
    Error::new(
        ErrorKind::Locked,
        format!(
            "another program has {} open, which may be this one's window; nothing was changed. Close it there first",
            path.display()
        ),
    )
}

impl OpenSession {
    /// Surveys a folder into the session. Returns the files that failed, in words.
    pub fn survey(&mut self, folder: &Path, options: &SurveyOptions, output: &Output) -> Result<Vec<String>> {
        self.document.setup.a4 = options.a4;
        self.document.setup.middle_c = options.middle_c;
        self.document.setup.layout = options.layout;
        let files = survey::sound_files(&[folder.to_path_buf()])?;
        let job = Job::new();
        let found = output.with_progress(&job, || survey::survey_files(&files, options, &job, &|_| {}))?;
        self.document = intake::found(&self.path, &found.files).apply(&self.document)?;
        let settled = settling::settle(&self.document, &self.path, &found.files);
        let unread = intake::settle_unread(&self.path, &self.document, &found, true);
        for edit in settled.into_iter().chain(unread) {
            self.document = edit.apply(&self.document)?;
        }
        for c in &found.concerns {
            output.say(&c.text);
        }
        Ok(found.failed.iter().map(|(p, e)| e.clone().in_file(p).to_string()).collect())
    }

    /// Proposes recipes for all new takes. Returns the takes that failed, in words.
    pub fn propose(&mut self, output: &Output) -> Result<Vec<String>> {
        let job = Job::new();
        let takes = intake::to_propose(&self.document);
        let results: Mutex<Vec<(TakeId, Result<Proposal>)>> = Mutex::new(Vec::new());
        output.with_progress(&job, || {
            intake::propose_takes(&self.path, &self.document, &takes, &job, &|id, result| {
                results.lock().unwrap_or_else(std::sync::PoisonError::into_inner).push((id, result));
            })
        })?;
        let mut results = results.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner);
        results.sort_by_key(|(id, _)| *id);
        let mut failed = Vec::new();
        let mut edits = Vec::new();
        for (take, result) in results {
            match result {
                Ok(p) => edits.push(Edit::Propose { take, recipe: Box::new(p.recipe), concerns: p.concerns }),
                Err(e) => {
                    let what =
                        self.document.take(take).map(|t| crate::render::names::described(&self.document, t));
                    failed.push(format!("{}: {e}", what.unwrap_or_default()));
                }
            }
        }
        self.document = Edit::Many(edits).apply(&self.document)?;
        Ok(failed)
    }

    /// Accepts what passes at `score`; returns how many.
    pub fn accept(&mut self, score: f64) -> Result<usize> {
        let before = self.document.takes.clone();
        if let Some(edit) = intake::accept_passing(&self.document, score) {
            self.document = edit.apply(&self.document)?;
        }
        Ok(before.iter().zip(&self.document.takes).filter(|(a, b)| a.state != b.state).count())
    }

    /// Saves it.
    pub fn save(&self) -> Result<()> {
        store::save(&self.path, &self.document)
    }
}
