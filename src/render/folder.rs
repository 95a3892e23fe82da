//! The delivery folder itself: what must not be written over, and what may be cleared away.

use std::collections::BTreeSet;
use std::fs::File;
use std::path::{Path, PathBuf};

use super::manifest::Manifest;
use super::plan::Plan;
use crate::error::{Error, ErrorKind, Result};
use crate::session::delivery::DeliverySetup;
use crate::session::{Document, store};

/// Keeps a second delivery out of a folder; released when dropped.
#[derive(Debug)]
pub(super) struct FolderLock {
    _file: File,
    path: PathBuf,
}

const LOCK: &str = ".seamwright-delivery.lock";

impl FolderLock {
    pub(super) fn take(folder: &Path) -> Result<Self> {
        let path = folder.join(LOCK);
        let file = File::options()
            .create(true)
            .truncate(false)
            .write(true)
            .open(&path)
            .map_err(|e| Error::io("write", &path, &e))?;
        file.try_lock().map_err(|_| {
            Error::new(
                ErrorKind::Locked,
                format!(
                    "another delivery is at work in {}; wait until it is done, or deliver into another folder",
                    folder.display()
                ),
            )
        })?;
        Ok(Self { _file: file, path })
    }
}

impl Drop for FolderLock {
    fn drop(&mut self) {
        // Only tidiness: a lock file without a lock on it locks nobody out.
        let _ = std::fs::remove_file(&self.path);
    }
}

/// Makes the folder to deliver into, with all that it lies in. Errors: a file stands there or in the
/// way; the system makes none there.
pub(super) fn make(folder: &Path) -> Result<()> {
    let e = match std::fs::create_dir_all(folder) {
        Ok(()) => return Ok(()),
        Err(e) => e,
    };
    Err(cannot_make(folder, &e))
}

/// Whether [`make`] will do, as far as that can be told beforehand. Errors: as its.
pub(super) fn can_be_made(folder: &Path) -> Result<()> {
    let missing = folder.ancestors().take_while(|a| !a.exists()).last();
    let Some((missing, there)) = missing.and_then(|m| Some((m, m.parent()?))) else {
        return if folder.is_file() { make(folder) } else { Ok(()) };
    };
    let closed = std::fs::metadata(there).is_ok_and(|m| m.is_file() || m.permissions().readonly());
    if !closed {
        return Ok(());
    }
    // Some may make folders even where nobody may, so it is tried, and nothing is left of it.
    std::fs::create_dir(missing).map_err(|e| cannot_make(folder, &e))?;
    let _ = std::fs::remove_dir(missing);
    Ok(())
}

fn cannot_make(folder: &Path, e: &std::io::Error) -> Error {
    let in_the_way = folder.ancestors().find(|a| a.exists());
    match (in_the_way.filter(|a| a.is_file()), e.kind()) {
        (Some(file), _) => Error::new(
            ErrorKind::NameClash,
            format!(
                "cannot make the folder {}: {} is a file of that name; choose another folder",
                folder.display(),
                file.display()
            ),
        ),
        (None, std::io::ErrorKind::NotFound) => Error::new(
            ErrorKind::Permission,
            format!(
                "cannot make the folder {}: the system lets no folder be made there; choose another place",
                folder.display()
            ),
        ),
        _ => Error::io("make the folder", folder, e),
    }
}

/// Removes the parts that a killed delivery left behind; the folder is locked, so nobody writes them.
pub(super) fn clear_parts(folder: &Path) {
    let below = std::fs::read_dir(folder).into_iter().flatten().flatten();
    for entry in below {
        let name = entry.file_name().to_string_lossy().into_owned();
        let is_folder = entry.file_type().is_ok_and(|t| t.is_dir());
        if is_folder && name.starts_with("layer ") {
            clear_parts(&entry.path());
        } else if name.starts_with(".seamwright-") && name.ends_with(".part") {
            // What cannot be removed is in nobody's way.
            let _ = std::fs::remove_file(entry.path());
        }
    }
}

/// No delivery beside or over the sources: what is written there would be found as takes.
pub(super) fn refuse_sources(
    session_path: &Path,
    document: &Document,
    folder: &Path,
    plan: &Plan,
) -> Result<()> {
    let real = |p: &Path| std::fs::canonicalize(p).ok();
    let sources: BTreeSet<PathBuf> =
        document.sources.iter().filter_map(|s| real(&store::source_path(session_path, &s.path))).collect();
    let homes: BTreeSet<PathBuf> = sources.iter().filter_map(|s| s.parent().map(Path::to_path_buf)).collect();
    for name in plan.paths() {
        let path = folder.join(name);
        if real(&path).is_some_and(|p| sources.contains(&p)) {
            return Err(Error::new(
                ErrorKind::NameClash,
                format!("{} is a source; deliver into another folder", path.display()),
            ));
        }
    }
    let folders: BTreeSet<PathBuf> =
        plan.paths().filter_map(|n| real(folder.join(n).parent()?)).chain(real(folder)).collect();
    if folders.iter().any(|f| homes.contains(f)) {
        return Err(Error::new(
            ErrorKind::NameClash,
            format!(
                "{} holds the takes themselves; what is delivered there would be found as takes. Deliver into a folder of its own, such as {}",
                folder.display(),
                folder.join(DeliverySetup::FOLDER).display()
            ),
        ));
    }
    Ok(())
}

/// Nothing is written over that a delivery of ours did not write.
pub(super) fn refuse_stranger(folder: &Path, name: &str, known: &Manifest) -> Result<()> {
    let path = folder.join(name);
    // A link to nothing is somebody's too.
    if std::fs::symlink_metadata(&path).is_err() || known.files.contains_key(name) {
        return Ok(());
    }
    Err(Error::new(
        ErrorKind::NameClash,
        format!(
            "{} is there already and was not delivered by this program; it is left as it is. Deliver into another folder, or move that file away",
            path.display()
        ),
    ))
}

/// Removes files of earlier deliveries (as a [`super::batch::Delivery`] lists them) from `folder` and
/// from its manifest. Only what the manifest lists with the hash that the file still has is removed: a
/// file that somebody changed is kept. Returns what was removed. Errors: a file that cannot be
/// removed; what was removed before is.
pub fn remove_orphans(folder: &Path, orphans: &[String]) -> Result<Vec<String>> {
    let _lock = FolderLock::take(folder)?;
    let mut manifest = Manifest::read(folder);
    let mut removed = Vec::new();
    let mut failed = None;
    for name in orphans {
        let path = folder.join(name);
        let Some(entry) = manifest.files.get(name) else { continue };
        let ours = crate::io::hash::hash_file(&path, &|| true).is_ok_and(|(_, is)| is == entry.is);
        if !ours {
            continue;
        }
        if let Err(e) = std::fs::remove_file(&path) {
            failed = Some(Error::io("remove", &path, &e));
            break;
        }
        manifest.files.remove(name);
        removed.push(name.clone());
        // A layer's folder that is empty now; one that is not stays.
        if let Some(parent) = path.parent().filter(|p| *p != folder) {
            let _ = std::fs::remove_dir(parent);
        }
    }
    manifest.write(folder)?;
    failed.map_or(Ok(removed), Err)
}
