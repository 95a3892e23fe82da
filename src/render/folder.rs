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
    let Some(there) = missing.and_then(Path::parent) else {
        return if folder.is_file() { make(folder) } else { Ok(()) };
    };
    let closed = std::fs::metadata(there).is_ok_and(|m| m.is_file() || m.permissions().readonly());
    if !closed {
        return Ok(());
    }
    // Some may write even where nobody may, so it is tried: with a file without a name where the system has such
    // (nothing is seen of it, and nothing can be left), else with one that goes with this process.
    tempfile::tempfile_in(there).map(|_| ()).map_err(|e| cannot_make(folder, &e))
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Looking whether a folder can be made changes nothing, not even when its parent was changed last: any entry
    /// that came and went would (POSIX.1-2017, `open` and `mkdir`: they mark the parent's times for update).
    #[cfg(target_os = "linux")]
    #[test]
    fn looking_whether_a_folder_can_be_made_leaves_no_trace() {
        use std::os::unix::fs::PermissionsExt as _;
        let dir = tempfile::tempdir().unwrap();
        let closed = dir.path().join("closed");
        std::fs::create_dir(&closed).unwrap();
        std::fs::set_permissions(&closed, std::fs::Permissions::from_mode(0o555)).unwrap();
        let changed = || std::fs::metadata(&closed).unwrap().modified().unwrap();
        let before = changed();
        // Coarse clocks of file systems tick every few milliseconds.
        std::thread::sleep(std::time::Duration::from_millis(30));
        let told = can_be_made(&closed.join("a/b"));
        assert_eq!(changed(), before);
        assert_eq!(std::fs::read_dir(&closed).unwrap().count(), 0);
        // It tells the truth: who may write there all the same (an administrator) may make it.
        let made = make(&closed.join("a/b"));
        assert_eq!(told.is_ok(), made.is_ok(), "{told:?} {made:?}");
        std::fs::set_permissions(&closed, std::fs::Permissions::from_mode(0o755)).unwrap();
    }

    #[test]
    fn a_file_in_the_way_is_named() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("file");
        std::fs::write(&file, "x").unwrap();
        assert!(can_be_made(&dir.path().join("new/folder")).is_ok());
        let e = can_be_made(&file.join("below")).unwrap_err();
        assert!(e.kind() == ErrorKind::NameClash && e.to_string().contains("is a file of that name"), "{e}");
    }
}
