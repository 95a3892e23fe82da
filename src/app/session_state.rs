//! The open session: its history, its file, its lock, and when it is saved.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use crate::dsp::looping::LoopParts;
use crate::error::{Error, ErrorKind, Result};
use crate::session::store::{self, Lock};
use crate::session::{Document, Edit, History, Sheet, TakeId};

/// Seconds of quiet after the last change before it is saved.
const QUIET_S: f64 = 1.5;
/// Seconds after the first change that is not on disk when it is saved at the latest, however many
/// more come in.
const LATEST_S: f64 = 3.0;
/// Seconds until a save that failed is tried again.
const RETRY_S: f64 = 5.0;

/// One state of a session on its way to the disk.
#[derive(Debug, Clone)]
pub struct Snapshot {
    path: PathBuf,
    document: Arc<Document>,
    /// Its revision in the history.
    pub revision: u64,
    /// The latest revision on disk, shared by all snapshots of one session: they may be written from
    /// several threads.
    written: Arc<Mutex<u64>>,
}

impl Snapshot {
    /// Writes it, unless a later one was written meanwhile.
    pub fn write(&self) -> Result<()> {
        let mut written = self.written.lock().unwrap_or_else(PoisonError::into_inner);
        if self.revision > *written {
            store::save(&self.path, &self.document)?;
            *written = self.revision;
        }
        Ok(())
    }
}

/// The open session, or none.
#[derive(Debug)]
pub struct SessionState {
    history: History,
    sheet: Sheet,
    sheet_revision: u64,
    path: Option<PathBuf>,
    lock: Option<Lock>,
    /// Why nothing may be changed.
    read_only: Option<String>,
    saved_revision: u64,
    written: Arc<Mutex<u64>>,
    /// A save is on its way.
    saving: bool,
    /// The last save failed; when it is tried again.
    retry_at: Option<f64>,
    /// When the first change came that is not on disk.
    unsaved_since: Option<f64>,
    seen_revision: u64,
    seen_at: f64,
    /// The time when [`SessionState::autosave`] was last asked.
    now: f64,
}

impl Default for SessionState {
    fn default() -> Self {
        Self::with(Document::default(), None, None, None)
    }
}

impl SessionState {
    fn with(
        document: Document,
        path: Option<PathBuf>,
        lock: Option<Lock>,
        read_only: Option<String>,
    ) -> Self {
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
            written: Arc::default(),
            saving: false,
            retry_at: None,
            unsaved_since: None,
            seen_revision: revision,
            seen_at: 0.0,
            now: 0.0,
        }
    }

    /// A session that was read from, or will be saved at, `path`. Without the lock it can be
    /// looked at but not changed.
    pub fn open(document: Document, path: PathBuf, lock: Option<Lock>) -> Self {
        let read_only = lock.is_none().then(|| store::OPEN_ELSEWHERE.to_owned());
        Self::with(document, Some(path), lock, read_only)
    }

    /// The same, with the reason why there is no lock.
    #[must_use]
    pub fn because(mut self, reason: Option<String>) -> Self {
        if self.read_only.is_some() && reason.is_some() {
            self.read_only = reason;
        }
        self
    }

    /// A session at `path` that is changed without a lock and so must not be saved (for tests).
    pub fn unlocked(document: Document, path: PathBuf) -> Self {
        Self::with(document, Some(path), None, None)
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

    /// Another program has the session, or the system does not let it be written.
    pub fn read_only(&self) -> bool {
        self.read_only.is_some()
    }

    fn writable(&self) -> Result<()> {
        if let Some(why) = &self.read_only {
            return Err(Error::new(ErrorKind::Locked, format!("nothing can be changed here: {why}")));
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

    /// Opens the step of a background job.
    pub fn open_step(&mut self, label: &str, job: u64) -> Result<()> {
        self.change(|h| {
            h.open_step(label, job);
            Ok(())
        })
    }

    /// Adds to the step of a background job, as [`History::join`] does.
    pub fn join(&mut self, job: u64, change: impl Fn(&Document) -> Option<Edit>) -> Result<bool> {
        self.change(|h| h.join(job, change))
    }

    /// A background job has ended; a step that nothing came into goes.
    pub fn close_step(&mut self, job: u64) {
        self.history.close_step(job);
        self.refresh();
    }

    /// Facts, not a step. They are entered also where nothing may be changed, so that the takes of a folder
    /// that cannot be written to can be looked at; without the lock they are never saved.
    pub fn amend(&mut self, edit: &Edit) -> Result<()> {
        let result = self.history.amend(edit);
        self.refresh();
        result
    }

    /// The score of a take's loop in its present sound; no step, see [`History::judge`].
    pub fn judge(&mut self, take: TakeId, judged: (f64, LoopParts)) -> Result<()> {
        self.change(|h| h.judge(take, judged))
    }

    /// Why nothing may be changed, if so.
    pub fn read_only_because(&self) -> Option<&str> {
        self.read_only.as_deref()
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

    /// Takes steps back or makes them again until `place` steps stand.
    pub fn go_to(&mut self, place: usize) -> Result<()> {
        self.change(|h| {
            h.go_to(place);
            Ok(())
        })
    }

    /// Whether something is not on disk yet and may be put there.
    pub fn is_dirty(&self) -> bool {
        self.lock.is_some() && self.history.revision() != self.saved_revision
    }

    /// The last save failed, and none has succeeded since.
    pub fn save_failed(&self) -> bool {
        self.retry_at.is_some()
    }

    /// Whether the time to save has come at `now` (seconds), or how long to wait for it.
    pub fn autosave(&mut self, now: f64) -> Autosave {
        self.now = now;
        let revision = self.history.revision();
        if revision != self.seen_revision {
            self.seen_revision = revision;
            self.seen_at = now;
        }
        if !self.is_dirty() {
            self.unsaved_since = None;
            return Autosave::Nothing;
        }
        let since = *self.unsaved_since.get_or_insert(now);
        if self.saving || self.history.in_gesture() {
            return Autosave::Nothing;
        }
        let due = self.retry_at.unwrap_or_else(|| (self.seen_at + QUIET_S).min(since + LATEST_S));
        if due > now { Autosave::In(due - now) } else { Autosave::Now }
    }

    /// What to save, on its way from now on: it ends with [`SessionState::saved`] or
    /// [`SessionState::not_saved`].
    pub fn to_save(&mut self) -> Option<Snapshot> {
        let snapshot = self.snapshot()?;
        self.saving = true;
        Some(snapshot)
    }

    fn snapshot(&self) -> Option<Snapshot> {
        if !self.is_dirty() {
            return None;
        }
        Some(Snapshot {
            path: self.path.clone()?,
            document: Arc::clone(self.document()),
            revision: self.history.revision(),
            written: Arc::clone(&self.written),
        })
    }

    /// The state at `revision` is on disk; whether that mends a save that failed before.
    pub fn saved(&mut self, revision: u64) -> bool {
        self.saving = false;
        self.saved_revision = self.saved_revision.max(revision);
        self.unsaved_since = self.is_dirty().then_some(self.now);
        self.retry_at.take().is_some()
    }

    /// The save failed; it will be tried again.
    pub fn not_saved(&mut self) {
        self.saving = false;
        self.retry_at = Some(self.now + RETRY_S);
    }

    /// Saves at once, on this thread (at the end of the program or of the session).
    pub fn save_now(&mut self) -> Result<()> {
        if self.history.in_gesture() {
            self.abort();
        }
        let Some(snapshot) = self.snapshot() else { return Ok(()) };
        snapshot.write()?;
        self.saved(snapshot.revision);
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
        assert!(e.to_string().contains("another program has this session open. Close it there"), "{e}");
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
    #[test]
    fn an_older_state_never_lands_on_a_newer_one() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.seamwright");
        let lock = store::lock(&path).unwrap();
        let mut s = SessionState::open(Document::default(), path.clone(), lock);
        s.apply("Title", &titled("old")).unwrap();
        let late = s.to_save().unwrap();
        s.apply("Title", &titled("new")).unwrap();
        s.save_now().unwrap();
        // The worker that was to write the old state only comes round now.
        late.write().unwrap();
        assert_eq!(store::read(&path).unwrap().setup.title, "new");
        s.saved(late.revision);
        assert!(!s.is_dirty());
    }

    #[test]
    fn a_stream_of_changes_is_saved_all_the_same() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.seamwright");
        let lock = store::lock(&path).unwrap();
        let mut s = SessionState::open(Document::default(), path, lock);
        let due = (0..100).map(|i| 0.1 * f64::from(i)).find(|now| {
            s.apply("Title", &titled(&now.to_string())).unwrap();
            s.autosave(*now) == Autosave::Now
        });
        assert!(due.is_some_and(|t| (LATEST_S..LATEST_S + 0.2).contains(&t)), "{due:?}");
    }

    #[test]
    fn a_save_that_failed_is_tried_again_without_another_change() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.seamwright");
        let lock = store::lock(&path).unwrap();
        let mut s = SessionState::open(Document::default(), path, lock);
        s.apply("Title", &titled("x")).unwrap();
        assert_eq!(s.autosave(10.0), Autosave::In(QUIET_S));
        assert_eq!(s.autosave(12.0), Autosave::Now);
        let snapshot = s.to_save().unwrap();
        assert_eq!(s.autosave(12.1), Autosave::Nothing, "it is on its way");
        s.not_saved();
        assert!(matches!(s.autosave(12.2), Autosave::In(_)));
        assert_eq!(s.autosave(20.0), Autosave::Now);
        assert!(s.saved(snapshot.revision));
        assert_eq!(s.autosave(21.0), Autosave::Nothing);
    }
}
