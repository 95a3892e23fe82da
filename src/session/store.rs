//! The session file: versioned JSON, written whole or not at all, locked while open, with the last
//! good autosave beside it.

use std::path::{Path, PathBuf};

use super::document::Document;
use crate::error::Result;

/// The ending of session files.
pub const ENDING: &str = "seamwright";

/// What opening a session found.
#[derive(Debug)]
pub struct Opened {
    /// The document.
    pub document: Document,
    /// The lock; none: another program holds it, so this one must not write.
    pub lock: Option<Lock>,
    /// Sources that are gone or changed, with a sentence each.
    pub problems: Vec<String>,
}

/// Keeps other programs from writing the session; released when dropped.
#[derive(Debug)]
pub struct Lock {
    _file: std::fs::File,
}

/// The session file of a folder: the one there is, or the name a new one gets.
pub fn path_for_folder(_folder: &Path) -> PathBuf {
    todo!()
}

/// Opens a session file. Errors: `SessionNewer`, `SessionDamaged` (the text says whether
/// [`autosave_of`] has one to offer); the file is left as it is.
pub fn open(_path: &Path) -> Result<Opened> {
    todo!()
}

/// Takes the lock of a session that is not saved yet; none: another program has it.
pub fn lock(_path: &Path) -> Result<Option<Lock>> {
    todo!()
}

/// Saves to `path`, keeping the version before as autosave.
pub fn save(_path: &Path, _document: &Document) -> Result<()> {
    todo!()
}

/// The last good version beside a session file, if there is one that can be read.
pub fn autosave_of(_path: &Path) -> Option<PathBuf> {
    todo!()
}

/// The path of a source on this machine.
pub fn source_path(session_path: &Path, relative: &Path) -> PathBuf {
    session_path.parent().unwrap_or(Path::new("")).join(relative)
}
