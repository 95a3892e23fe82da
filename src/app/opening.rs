//! From paths that somebody typed, dropped or chose to what is to be shown. Runs on a worker: a
//! folder may hold a great many files.

use std::collections::HashSet;
use std::ffi::OsStr;
use std::path::{Component, Path, PathBuf};

use super::surveying;
use crate::error::{Error, ErrorKind, Result};
use crate::render::intake;
use crate::session::store::{self, Lock};
use crate::session::{Document, Setup};
use crate::survey;

/// What opening leads to.
pub enum Outcome {
    /// A session to be shown.
    Session(Box<Opening>),
    /// The session that is open already, with these files to look through in it.
    Here(Vec<PathBuf>),
    /// A session file that cannot be read, with a good autosave beside it.
    Damaged(PathBuf, Error),
}

/// A session to be shown.
pub struct Opening {
    /// Its file.
    pub path: PathBuf,
    /// What stands in it.
    pub document: Document,
    /// The right to write it.
    pub lock: Option<Lock>,
    /// Why there is none.
    pub read_only_because: Option<String>,
    /// Sentences for the user.
    pub words: Vec<String>,
    /// Files and folders to look through.
    pub survey: Vec<PathBuf>,
    /// Sound files of its folder that it knows nothing of: a survey was stopped, or they came later.
    pub unknown: usize,
}

/// What `paths` lead to: a session file, a folder (its session, or a new one) or sound files (the
/// session of their folder, or a new one, with these files looked through). `current` is the session
/// that is open with the right to write it: opening it once more would find it locked by ourselves.
pub fn open(paths: Vec<PathBuf>, current: Option<&Path>) -> Result<Outcome> {
    let Some(first) = paths.first() else { return Ok(Outcome::Here(Vec::new())) };
    let first = plain_path(first)?;
    if !first.exists() {
        return Err(Error::io("open", &first, &std::io::Error::from(std::io::ErrorKind::NotFound)));
    }
    let is_current = |path: &Path| current.is_some_and(|c| place_of(c) == place_of(path));
    if first.is_file() && first.extension() == Some(OsStr::new(store::ENDING)) {
        return if is_current(&first) { Ok(Outcome::Here(Vec::new())) } else { stored(first, Vec::new()) };
    }
    let one_folder = paths.len() == 1 && first.is_dir();
    let folder = if one_folder { first.as_path() } else { first.parent().unwrap_or(&first) };
    let path = store::path_for_folder(folder);
    let folder = folder.to_path_buf();
    let files = if one_folder { vec![first] } else { paths };
    if is_current(&path) {
        Ok(Outcome::Here(files))
    } else if path.exists() {
        stored(path, if one_folder { Vec::new() } else { files })
    } else {
        fresh(&folder, path, files)
    }
}

/// What the last good autosave of the session at `path` leads to. The file itself is left as it is.
pub fn rescue(path: PathBuf) -> Result<Outcome> {
    let autosave = store::autosave_of(&path).ok_or_else(|| {
        Error::new(ErrorKind::NotFound, format!("there is no autosave beside {}", path.display()))
    })?;
    let opened = store::open(&autosave)?;
    let lock = store::lock(&path)?;
    let mut words = opened.problems;
    if lock.is_some() {
        let copy = store::keep_damaged(&path)?;
        words.push(format!(
            "This is the last good autosave. The next save puts it in the place of the damaged file, of which a copy is kept as {}.",
            copy.display()
        ));
    }
    Ok(Outcome::Session(Box::new(Opening {
        read_only_because: lock.is_none().then(|| store::OPEN_ELSEWHERE.into()),
        path,
        document: opened.document,
        lock,
        words,
        survey: Vec::new(),
        unknown: 0,
    })))
}

fn stored(path: PathBuf, also: Vec<PathBuf>) -> Result<Outcome> {
    let opened = match store::open(&path) {
        Ok(opened) => opened,
        Err(e) if e.kind() == ErrorKind::SessionDamaged && store::autosave_of(&path).is_some() => {
            return Ok(Outcome::Damaged(path, e));
        }
        Err(e) => return Err(e),
    };
    let mut document = opened.document;
    document.unread.retain(|u| intake::is_there(&path, u));
    let folder = path.parent().map(Path::to_path_buf);
    let unknown = folder
        .as_deref()
        .filter(|_| also.is_empty() && opened.lock.is_some())
        .map_or(0, |f| unknown_in(f, &path, &document));
    let survey = match folder {
        Some(folder) if also.is_empty() && document.takes.is_empty() => vec![folder],
        // What could not be read may be readable by now.
        _ if also.is_empty() => surveying::still_there(&path, &document),
        _ => also,
    };
    Ok(Outcome::Session(Box::new(Opening {
        path,
        document,
        lock: opened.lock,
        read_only_because: opened.read_only_because,
        words: opened.problems,
        survey,
        unknown,
    })))
}

/// How many sound files of a folder a session knows nothing of.
fn unknown_in(folder: &Path, session: &Path, document: &Document) -> usize {
    let sources = document.sources.iter().map(|s| &s.path);
    let known: HashSet<&PathBuf> = sources.chain(document.unread.iter().map(|u| &u.path)).collect();
    let files = survey::sound_files(&[folder.to_path_buf()]).unwrap_or_default();
    // As a session keeps names that are no text.
    let kept = |f: &PathBuf| store::path_in_session(session, Path::new(&*f.to_string_lossy()));
    files.iter().filter(|f| !known.contains(&kept(f))).count()
}

fn fresh(folder: &Path, path: PathBuf, files: Vec<PathBuf>) -> Result<Outcome> {
    // Says what is missing before anything changes.
    survey::sound_files(&files)?;
    // Where nothing can be kept, the takes can be looked at and heard all the same.
    let (lock, read_only_because) = match store::lock(&path) {
        Ok(Some(lock)) => (Some(lock), None),
        Ok(None) => (None, Some(store::OPEN_ELSEWHERE.into())),
        Err(e) => (None, Some(store::cannot_keep(&e))),
    };
    let title = folder.file_name().map_or_else(|| "set".into(), |n| n.to_string_lossy().into_owned());
    Ok(Outcome::Session(Box::new(Opening {
        read_only_because,
        path,
        document: Document { setup: Setup { title, ..Setup::default() }, ..Document::default() },
        lock,
        words: Vec::new(),
        survey: files,
        unknown: 0,
    })))
}

/// The path from the root on; steps back are walked, so that the last part is a name.
fn plain_path(path: &Path) -> Result<PathBuf> {
    let full = std::path::absolute(path).map_err(|e| Error::io("find", path, &e))?;
    if full.components().any(|c| c == Component::ParentDir) {
        return full.canonicalize().map_err(|e| Error::io("open", &full, &e));
    }
    Ok(full)
}

/// Where a file lies, whether it is there yet or not, whichever links lead there.
fn place_of(path: &Path) -> Option<PathBuf> {
    if let Ok(real) = path.canonicalize() {
        return Some(real);
    }
    Some(path.parent()?.canonicalize().ok()?.join(path.file_name()?))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A folder that nothing can be written into is opened to be looked at, and says what to do.
    #[test]
    fn a_folder_that_takes_no_session_is_opened_read_only() {
        let dir = tempfile::tempdir().unwrap();
        std::fs::write(dir.path().join("a.wav"), b"").unwrap();
        let session = store::path_for_folder(dir.path());
        let name = session.file_name().unwrap().to_string_lossy().into_owned();
        // Something stands where the lock would have to be written.
        std::fs::create_dir(session.with_file_name(format!(".{name}.lock"))).unwrap();
        let Ok(Outcome::Session(opening)) = open(vec![dir.path().to_path_buf()], None) else {
            panic!("it can be looked at")
        };
        assert!(opening.lock.is_none());
        assert_eq!(opening.survey, [dir.path()], "its takes are looked for");
        let why = opening.read_only_because.unwrap();
        assert!(why.contains("kept beside the takes") && why.contains("copy the folder"), "{why}");
    }

    #[test]
    fn the_open_session_is_known_by_any_of_its_paths() {
        let dir = tempfile::tempdir().unwrap();
        let folder = dir.path().join("takes");
        std::fs::create_dir(&folder).unwrap();
        std::fs::write(folder.join("a.wav"), b"").unwrap();
        // Not saved yet: there is no file to compare.
        let current = store::path_for_folder(&folder);
        for way in [folder.clone(), folder.join("."), folder.join("..").join("takes")] {
            let Ok(Outcome::Here(files)) = open(vec![way.clone()], Some(&current)) else {
                panic!("{} is another session", way.display());
            };
            assert_eq!(files.len(), 1);
        }
        assert!(!current.with_file_name(".takes.seamwright.lock").exists(), "nothing was locked");
    }
}
