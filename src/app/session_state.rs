//! The open session: its history, its file, its lock, and when it is saved.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::error::{Error, ErrorKind, Result};
use crate::session::store::{self, Lock};
use crate::session::{Document, Edit, History, Sheet};

/// Seconds of quiet after the last change before it is saved.
const AUTOSAVE_AFTER_S: f64 = 1.5;

/// The open session, or none.
#[derive(Debug)]
pub struct SessionState {
    history: History,
    sheet: Sheet,
    sheet_revision: u64,
    path: Option<PathBuf>,
    lock: Option<Lock>,
    read_only: bool,
    saved_revision: u64,
    /// A save that failed is not tried again before the next change.
    tried_revision: u64,
    seen_revision: u64,
    seen_at: f64,
}

impl Default for SessionState {
    fn default() -> Self {
        Self::with(Document::default(), None, None, false)
    }
}

impl SessionState {
    fn with(document: Document, path: Option<PathBuf>, lock: Option<Lock>, read_only: bool) -> Self {
        let history = History::new(document);
        let revision = history.revision();
        Self {
            sheet: Sheet::of(history.document()),
            history,
            sheet_revision: revision,
            path,
            lock,
            read_only,
            saved_revision: revision,
            tried_revision: revision,
            seen_revision: revision,
            seen_at: 0.0,
        }
    }

    /// A session that was read from, or will be saved at, `path`. Without the lock it can be
    /// looked at but not changed.
    pub fn open(document: Document, path: PathBuf, lock: Option<Lock>) -> Self {
        let read_only = lock.is_none();
        Self::with(document, Some(path), lock, read_only)
    }

    /// A session at `path` that is changed without a lock and so must not be saved (for tests).
    pub fn unlocked(document: Document, path: PathBuf) -> Self {
        Self::with(document, Some(path), None, false)
    }

    /// The document as it is now.
    pub fn document(&self) -> &Arc<Document> {
        self.history.document()
    }

    /// Its sheet.
    pub fn sheet(&self) -> &Sheet {
        &self.sheet
    }

    /// The history.
    pub fn history(&self) -> &History {
        &self.history
    }

    /// The session file; none before anything is open.
    pub fn path(&self) -> Option<&Path> {
        self.path.as_deref()
    }

    /// The folder of the session file.
    pub fn folder(&self) -> Option<&Path> {
        self.path.as_deref().and_then(Path::parent)
    }

    /// Another program has the session.
    pub fn read_only(&self) -> bool {
        self.read_only
    }

    fn writable(&self) -> Result<()> {
        if self.read_only {
            return Err(Error::new(
                ErrorKind::Locked,
                "this session is open in another program, so nothing can be changed here; close it there and open it here again",
            ));
        }
        Ok(())
    }

    fn refresh(&mut self) {
        if self.sheet_revision != self.history.revision() {
            self.sheet = Sheet::of(self.history.document());
            self.sheet_revision = self.history.revision();
        }
    }

    fn change<T>(&mut self, f: impl FnOnce(&mut History) -> Result<T>) -> Result<T> {
        self.writable()?;
        let result = f(&mut self.history);
        self.refresh();
        result
    }

    /// One step.
    pub fn apply(&mut self, label: &str, edit: &Edit) -> Result<()> {
        self.change(|h| h.apply(label, edit))
    }

    /// A step of a background job; all of one `group` are undone together.
    pub fn apply_grouped(&mut self, label: &str, edit: &Edit, group: u64) -> Result<()> {
        self.change(|h| h.apply_grouped(label, edit, Some(group)))
    }

    /// Facts, not a step.
    pub fn amend(&mut self, edit: &Edit) -> Result<()> {
        self.change(|h| h.amend(edit))
    }

    /// Part of a gesture.
    pub fn preview(&mut self, edit: &Edit) -> Result<()> {
        self.change(|h| h.preview(edit))
    }

    /// Ends the gesture as one step.
    pub fn commit(&mut self, label: &str) -> Result<()> {
        self.change(|h| {
            h.commit(label);
            Ok(())
        })
    }

    /// Ends the gesture as if it had not been.
    pub fn abort(&mut self) {
        self.history.abort();
        self.refresh();
    }

    /// Takes the last step back.
    pub fn undo(&mut self) -> Result<Option<String>> {
        self.change(|h| Ok(h.undo()))
    }

    /// Makes it again.
    pub fn redo(&mut self) -> Result<Option<String>> {
        self.change(|h| Ok(h.redo()))
    }

    /// Whether something is not on disk yet and may be put there.
    pub fn is_dirty(&self) -> bool {
        self.lock.is_some() && self.history.revision() != self.saved_revision
    }

    /// Whether the time to save has come at `now` (seconds), or how long to wait for it.
    pub fn autosave(&mut self, now: f64) -> Autosave {
        let revision = self.history.revision();
        if revision != self.seen_revision {
            self.seen_revision = revision;
            self.seen_at = now;
        }
        if !self.is_dirty() || revision == self.tried_revision || self.history.in_gesture() {
            return Autosave::Nothing;
        }
        let left = self.seen_at + AUTOSAVE_AFTER_S - now;
        if left > 0.0 { Autosave::In(left) } else { Autosave::Now }
    }

    /// What to save, and where; notes that it was tried.
    pub fn to_save(&mut self) -> Option<(PathBuf, Arc<Document>, u64)> {
        if !self.is_dirty() {
            return None;
        }
        self.tried_revision = self.history.revision();
        Some((self.path.clone()?, Arc::clone(self.document()), self.tried_revision))
    }

    /// The state at `revision` is on disk.
    pub fn saved(&mut self, revision: u64) {
        self.saved_revision = revision;
    }

    /// Saves at once, on this thread (at the end of the program or of the session).
    pub fn save_now(&mut self) -> Result<()> {
        if self.history.in_gesture() {
            self.abort();
        }
        let Some((path, document, revision)) = self.to_save() else { return Ok(()) };
        store::save(&path, &document)?;
        self.saved(revision);
        Ok(())
    }
}

/// What is to be done about saving.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Autosave {
    /// All is on disk.
    Nothing,
    /// Look again after so many seconds.
    In(f64),
    /// Save.
    Now,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::session::Setup;

    fn titled(title: &str) -> Edit {
        Edit::SetSetup(Box::new(Setup { title: title.into(), ..Setup::default() }))
    }

    #[test]
    fn read_only_refuses_and_says_what_to_do() {
        let mut s = SessionState::open(Document::default(), PathBuf::from("a.seamwright"), None);
        let e = s.apply("Title", &titled("x")).unwrap_err();
        assert_eq!(e.kind(), ErrorKind::Locked);
        assert!(e.to_string().contains("close it there"));
        assert_eq!(s.document().setup.title, "set");
        assert!(!s.is_dirty());
    }

    #[test]
    fn a_session_without_a_lock_is_never_saved() {
        let mut s = SessionState::unlocked(Document::default(), PathBuf::from("a.seamwright"));
        s.apply("Title", &titled("x")).unwrap();
        assert_eq!(s.autosave(100.0), Autosave::Nothing);
        assert!(s.to_save().is_none());
    }
}
