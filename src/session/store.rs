//! The session file: versioned JSON, written whole or not at all, locked while open, with the last
//! good autosave beside it.
//!
//! The file form is `{"format": "seamwright session", "version": 1, "document": …}`. A file that
//! cannot be understood is refused and left as it is.

use std::collections::HashMap;
use std::fs::{File, TryLockError};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::document::Document;
use super::take::{Concern, ConcernKind, Source, SourceId};
use crate::error::{Error, ErrorKind, Result};
use crate::io::decode::has_ending;
use crate::io::{atomic, decode, hash};

/// The ending of session files.
pub const ENDING: &str = "seamwright";
const FORMAT: &str = "seamwright session";
/// Why a session that another program has is read only, and the way out of it.
pub const OPEN_ELSEWHERE: &str =
    "another program has this session open. Close it there and open it here again";
/// Raised when a file of this version cannot be read by the version before.
const VERSION: u32 = 1;

/// What opening a session found.
#[derive(Debug)]
pub struct Opened {
    /// The document.
    pub document: Document,
    /// The lock; none: this program must not write, see `read_only_because`.
    pub lock: Option<Lock>,
    /// Why it must not write.
    pub read_only_because: Option<String>,
    /// Sources that are gone or moved, with a sentence each.
    pub problems: Vec<String>,
}

/// Keeps other programs from writing the session; released when dropped.
#[derive(Debug)]
pub struct Lock {
    _file: File,
    path: PathBuf,
}

impl Drop for Lock {
    fn drop(&mut self) {
        // Only tidiness: a lock file without a lock on it locks nobody out.
        let _ = std::fs::remove_file(&self.path);
    }
}

#[derive(Deserialize)]
struct Head {
    format: String,
    version: u32,
}

#[derive(Serialize)]
struct FileForm<'a> {
    format: &'a str,
    version: u32,
    document: &'a Document,
}

#[derive(Deserialize)]
struct Body {
    document: Document,
}

/// The session file of a folder: the one there is (the first by name), or the name a new one gets.
pub fn path_for_folder(folder: &Path) -> PathBuf {
    sessions_in(folder).into_iter().next().unwrap_or_else(|| {
        let full = std::path::absolute(folder).unwrap_or_else(|_| folder.to_path_buf());
        let name = full.file_name().map_or_else(|| "takes".into(), |n| n.to_string_lossy().into_owned());
        folder.join(format!("{name}.{ENDING}"))
    })
}

/// The session files in a folder, by name; none where it cannot be read.
pub fn sessions_in(folder: &Path) -> Vec<PathBuf> {
    let mut there: Vec<PathBuf> = std::fs::read_dir(folder)
        .map(|entries| entries.filter_map(|e| e.ok().map(|e| e.path())).collect())
        .unwrap_or_default();
    there.retain(|p| is_session(p) && !is_hidden(p));
    there.sort();
    there
}

/// Whether `path` has the ending of a session file.
pub fn is_session(path: &Path) -> bool {
    has_ending(path, &[ENDING])
}

fn is_hidden(path: &Path) -> bool {
    path.file_name().is_some_and(|n| n.to_string_lossy().starts_with('.'))
}

fn beside(path: &Path, what: &str) -> PathBuf {
    let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    path.with_file_name(format!(".{name}.{what}"))
}

/// Reads a session file without locking it or looking for its sources. Errors: `SessionNewer`,
/// `SessionDamaged`, and those of reading.
pub fn read(path: &Path) -> Result<Document> {
    let bytes = std::fs::read(path).map_err(|e| Error::io("read", path, &e))?;
    let name = path.display();
    let damaged = |why: String| damaged(path, &why);
    if bytes.is_empty() {
        return Err(damaged("it is empty (0 bytes)".into()));
    }
    let head: Head = serde_json::from_slice(&bytes).map_err(|e| damaged(in_words(&e)))?;
    if head.format != FORMAT {
        return Err(damaged(format!("it calls itself \"{}\", not \"{FORMAT}\"", head.format)));
    }
    if head.version > VERSION {
        return Err(Error::new(
            ErrorKind::SessionNewer,
            format!(
                "{name} was saved by a later version of this program (file version {}, this program reads up to {VERSION}); it was left as it is. Open it with the later version",
                head.version
            ),
        ));
    }
    let body: Body = serde_json::from_slice(&bytes).map_err(|e| damaged(in_words(&e)))?;
    validate(&body.document).map_err(damaged)?;
    Ok(body.document)
}

/// What is wrong with a session file, that nothing was done to it, and the way out of it.
fn damaged(path: &Path, why: &str) -> Error {
    let name = path.display();
    let kind = if is_session(path) { "is a damaged session" } else { "is no session, or a damaged one" };
    let way_out = match autosave_of(path) {
        Some(auto) => format!(
            "A good autosave of it is {}: the window offers to open it, and for a command it can be copied into its place",
            auto.display()
        ),
        None => "No good autosave lies beside it; fetch the file from a backup, or move it away and propose the folder anew".into(),
    };
    Error::new(ErrorKind::SessionDamaged, format!("{name} {kind}: {why}; it was left as it is. {way_out}"))
}

/// Why a session's text cannot be read, without the words of the reader.
fn in_words(e: &serde_json::Error) -> String {
    use serde_json::error::Category;
    match e.classify() {
        Category::Eof => {
            format!("it ends too early, in line {}; it was cut off, as by a full disk", e.line())
        }
        _ if (e.line(), e.column()) <= (1, 1) => "it does not begin as a session does".into(),
        Category::Data => {
            format!("what stands before line {}, column {} is not what belongs there", e.line(), e.column())
        }
        Category::Syntax | Category::Io => {
            format!("it cannot be understood from line {}, column {} on", e.line(), e.column())
        }
    }
}

/// What JSON cannot say: ids are unique and takes lie in their sources.
fn validate(d: &Document) -> std::result::Result<(), String> {
    let mut ids: Vec<u32> = d.takes.iter().map(|t| t.id.0).collect();
    ids.sort_unstable();
    if ids.windows(2).any(|w| w[0] == w[1]) {
        return Err("two takes carry one number".into());
    }
    for t in &d.takes {
        let Some(source) = d.source(t.source) else {
            return Err(format!("take {} lies in a file that is not listed", t.id.0));
        };
        if t.span.is_empty() || t.span.end.0 > source.frames {
            return Err(format!("take {} does not lie inside its file", t.id.0));
        }
    }
    Ok(())
}

/// Opens a session file. Errors as [`read`]; the file is left as it is.
///
/// Sources that are not where they were are looked for below the session's folder, by size and
/// hash; those found are entered at their new place, the others get the concern `SourceChanged`.
pub fn open(path: &Path) -> Result<Opened> {
    let mut document = read(path)?;
    let (lock, read_only_because) = match lock(path) {
        Ok(Some(lock)) => (Some(lock), None),
        Ok(None) => (None, Some(OPEN_ELSEWHERE.into())),
        Err(e) => (None, Some(cannot_keep(&e))),
    };
    let problems = find_sources(path, &mut document);
    Ok(Opened { document, lock, read_only_because, problems })
}

/// Why a session that cannot be locked is read only, and the way out of it.
pub fn cannot_keep(e: &Error) -> String {
    format!(
        "nothing can be kept, for the session is kept beside the takes, and nothing can be written there ({e}). To work on them, copy the folder to a place of your own, or get the right to write in it, and open it again"
    )
}

/// Takes the lock of a session, saved yet or not; none: another program has it.
pub fn lock(path: &Path) -> Result<Option<Lock>> {
    let lock_path = beside(path, "lock");
    let file = File::options()
        .create(true)
        .truncate(false)
        .write(true)
        .open(&lock_path)
        .map_err(|e| Error::io("write", &lock_path, &e))?;
    match file.try_lock() {
        Ok(()) => Ok(Some(Lock { _file: file, path: lock_path })),
        Err(TryLockError::WouldBlock) => Ok(None),
        Err(TryLockError::Error(e)) => Err(Error::io("lock", &lock_path, &e)),
    }
}

/// Saves to `path`, and the same beside it as autosave, each whole or not at all.
pub fn save(path: &Path, document: &Document) -> Result<()> {
    let mut bytes = serde_json::to_vec_pretty(&FileForm { format: FORMAT, version: VERSION, document })
        .map_err(|e| Error::new(ErrorKind::Internal, format!("the session cannot be written: {e}")))?;
    bytes.push(b'\n');
    for target in [beside(path, "autosave"), path.to_path_buf()] {
        atomic::write(&target, |w| w.write_all(&bytes).map_err(|e| Error::io("write", path, &e)))?;
    }
    Ok(())
}

/// The last good version beside a session file, if there is one that can be read.
pub fn autosave_of(path: &Path) -> Option<PathBuf> {
    let auto = beside(path, "autosave");
    let bytes = std::fs::read(&auto).ok()?;
    let head: Head = serde_json::from_slice(&bytes).ok()?;
    let body: Body = serde_json::from_slice(&bytes).ok()?;
    (head.format == FORMAT && head.version <= VERSION && validate(&body.document).is_ok()).then_some(auto)
}

/// Keeps a copy of a session file that cannot be read, beside it as `….damaged`, before a good one
/// takes its place; where the copy stands.
pub fn keep_damaged(path: &Path) -> Result<PathBuf> {
    let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let bytes = std::fs::read(path).map_err(|e| Error::io("read", path, &e))?;
    let mut copy = path.with_file_name(format!("{name}.damaged"));
    let mut n = 2;
    // An earlier one is not written over, but the same is not kept twice.
    while copy.exists() && std::fs::read(&copy).ok().as_ref() != Some(&bytes) {
        copy.set_file_name(format!("{name}.damaged{n}"));
        n += 1;
    }
    if !copy.exists() {
        atomic::write(&copy, |w| w.write_all(&bytes).map_err(|e| Error::io("write", &copy, &e)))?;
    }
    Ok(copy)
}

/// The path of a source on this machine.
pub fn source_path(session_path: &Path, relative: &Path) -> PathBuf {
    session_path.parent().unwrap_or(Path::new("")).join(relative)
}

/// How the session file names a source: relative to its own folder where the source lies below it.
pub fn path_in_session(session_path: &Path, source: &Path) -> PathBuf {
    let absolute = |p: &Path| std::path::absolute(p).unwrap_or_else(|_| p.to_path_buf());
    let base = absolute(session_path.parent().unwrap_or(Path::new("")));
    let full = absolute(source);
    full.strip_prefix(&base).map(Path::to_path_buf).unwrap_or(full)
}

/// Enters moved sources at their new place and marks the takes of those that are gone.
fn find_sources(session_path: &Path, document: &mut Document) -> Vec<String> {
    let gone: Vec<Arc<Source>> = document
        .sources
        .iter()
        .filter(|s| {
            std::fs::metadata(source_path(session_path, &s.path)).map(|m| m.len()).ok() != Some(s.bytes)
        })
        .cloned()
        .collect();
    let by_size = if gone.is_empty() { HashMap::new() } else { sound_files_by_size(session_path) };
    let mut problems = Vec::new();
    let mut lost = Vec::new();
    for source in gone {
        let found = by_size
            .get(&source.bytes)
            .into_iter()
            .flatten()
            .find(|p| hash::hash_file(p, &|| true).is_ok_and(|(_, h)| h == source.hash));
        if let Some(path) = found {
            problems.push(format!("{} was found again as {}", source.path.display(), path.display()));
            let moved = Source { path: path_in_session(session_path, path), ..(*source).clone() };
            if let Some(s) = document.sources.iter_mut().find(|s| s.id == source.id) {
                *s = Arc::new(moved);
            }
        } else {
            let there = source_path(session_path, &source.path).exists();
            let text = changed_text(&source, there);
            problems.push(text.clone());
            lost.push((source.id, text));
        }
    }
    mark_changed(document, &lost);
    problems
}

fn changed_text(source: &Source, there: bool) -> String {
    if there {
        format!(
            "{} is not the file it was when it was surveyed; survey again to use it as it is now, or put the old one back",
            source.path.display()
        )
    } else {
        format!("{} is gone; put it back or below the session's folder", source.path.display())
    }
}

fn mark_changed(document: &mut Document, lost: &[(SourceId, String)]) {
    for take in &mut document.takes {
        let text = lost.iter().find(|(id, _)| *id == take.source).map(|(_, t)| t);
        let marked = take.concerns.iter().any(|c| c.kind == ConcernKind::SourceChanged);
        if text.is_none() && !marked {
            continue;
        }
        let take = Arc::make_mut(take);
        take.concerns.retain(|c| c.kind != ConcernKind::SourceChanged);
        if let Some(text) = text {
            take.concerns.insert(0, Concern::new(ConcernKind::SourceChanged, text.clone()));
        }
    }
}

fn sound_files_by_size(session_path: &Path) -> HashMap<u64, Vec<PathBuf>> {
    let folder = match session_path.parent() {
        Some(p) if !p.as_os_str().is_empty() => p,
        _ => Path::new("."),
    };
    let mut map: HashMap<u64, Vec<PathBuf>> = HashMap::new();
    for entry in walkdir::WalkDir::new(folder).sort_by_file_name().into_iter().flatten() {
        let is_sound = decode::has_sound_ending(entry.path());
        if let (true, Ok(meta)) = (is_sound && entry.file_type().is_file(), entry.metadata()) {
            map.entry(meta.len()).or_default().push(entry.into_path());
        }
    }
    map
}

/// Compares every source with its hash (reads them all). Returns those that are gone or changed,
/// with a sentence each. `go_on` false ends with `Cancelled`.
pub fn verify_sources(
    session_path: &Path,
    document: &Document,
    go_on: &(dyn Fn() -> bool + Sync),
) -> Result<Vec<(SourceId, String)>> {
    let changed: Vec<Option<(SourceId, String)>> = document
        .sources
        .par_iter()
        .map(|s| match hash::hash_file(&source_path(session_path, &s.path), go_on) {
            Ok((_, hash)) if hash == s.hash => Ok(None),
            Ok(_) => Ok(Some((s.id, changed_text(s, true)))),
            Err(e) if e.is_cancelled() => Err(e),
            Err(e) => Ok(Some((s.id, e.to_string()))),
        })
        .collect::<Result<_>>()?;
    Ok(changed.into_iter().flatten().collect())
}
