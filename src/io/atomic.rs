//! Writing a file so that it appears whole or not at all.

use std::fs;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use crate::error::{Error, ErrorKind, Result};

/// Bytes that are gathered before the system is asked to write.
const BUFFER_BYTES: usize = 1 << 17;

/// Lets `fill` write beside `path`, flushes to the disk, then renames over `path`. On any error
/// (also `fill`'s) nothing is left behind and what stood at `path` stands there still.
///
/// A link at `path` stays a link: what it points to is replaced. Errors: no such folder, no
/// right, `path` is a folder or write-protected, disk full, and whatever `fill` returns.
pub fn write(path: &Path, fill: impl FnOnce(&mut dyn Write) -> Result<()>) -> Result<()> {
    let target = target_of(path);
    check_target(&target)?;
    let folder = match target.parent() {
        Some(p) if !p.as_os_str().is_empty() => p.to_path_buf(),
        _ => PathBuf::from("."),
    };
    let mut builder = tempfile::Builder::new();
    builder.prefix(".seamwright-").suffix(".part");
    #[cfg(unix)]
    builder.permissions(ordinary_permissions());
    let mut part = builder.tempfile_in(&folder).map_err(|e| cannot_begin(path, &folder, &e))?;

    // Every early return drops `part`, which removes the file.
    fill_through(part.as_file_mut(), path, fill)?;
    part.as_file().sync_all().map_err(|e| Error::io("write", path, &e))?;
    part.persist(&target).map_err(|e| Error::io("write", path, &e.error))?;
    sync_folder(&folder);
    Ok(())
}

/// Why no file could be begun in `folder`.
fn cannot_begin(path: &Path, folder: &Path, e: &std::io::Error) -> Error {
    if e.kind() != std::io::ErrorKind::NotFound {
        return Error::io("write", path, e);
    }
    let (kind, why) = if folder.is_dir() {
        (ErrorKind::Permission, "the system lets no file be made in that folder; choose another")
    } else {
        (ErrorKind::NotFound, "its folder is not there; make the folder first or choose another")
    };
    Error::new(kind, format!("cannot write {}: {why}", path.display()))
}

/// Runs `fill` on a buffer before `out` and empties the buffer; errors name `path`.
fn fill_through(
    out: &mut dyn Write,
    path: &Path,
    fill: impl FnOnce(&mut dyn Write) -> Result<()>,
) -> Result<()> {
    let mut buffer = BufWriter::with_capacity(BUFFER_BYTES, out);
    let done = fill(&mut buffer).and_then(|()| buffer.flush().map_err(|e| Error::io("write", path, &e)));
    // After an error the rest must not be written once more by the buffer's drop.
    let _ = buffer.into_parts();
    done
}

/// Where the bytes go in the end: through a link to what it names.
fn target_of(path: &Path) -> PathBuf {
    let is_link = fs::symlink_metadata(path).is_ok_and(|m| m.file_type().is_symlink());
    // A link to nothing is replaced itself.
    if is_link { fs::canonicalize(path).unwrap_or_else(|_| path.to_path_buf()) } else { path.to_path_buf() }
}

fn check_target(target: &Path) -> Result<()> {
    if target.file_name().is_none() {
        return Err(Error::new(
            ErrorKind::InvalidParameter,
            format!("cannot write {}: it names no file; give a file name", target.display()),
        ));
    }
    let Ok(meta) = fs::metadata(target) else {
        return Ok(());
    };
    if meta.is_dir() {
        return Err(Error::new(
            ErrorKind::NameClash,
            format!("cannot write {}: a folder has this name; choose another name", target.display()),
        ));
    }
    // A rename would replace even what someone has protected against writing.
    if meta.permissions().readonly() {
        return Err(Error::new(
            ErrorKind::Permission,
            format!(
                "cannot write {}: the file there is write-protected; lift the protection or choose another name",
                target.display()
            ),
        ));
    }
    Ok(())
}

/// What any newly created file gets; the system takes the user's mask off.
#[cfg(unix)]
fn ordinary_permissions() -> fs::Permissions {
    use std::os::unix::fs::PermissionsExt as _;
    fs::Permissions::from_mode(0o666)
}

/// Makes the rename itself lasting. The file is in its place by now and whole, and some file
/// systems refuse to sync a folder, so a failure here is no failure of the writing.
fn sync_folder(folder: &Path) {
    #[cfg(unix)]
    if let Ok(f) = fs::File::open(folder) {
        let _ = f.sync_all();
    }
    #[cfg(not(unix))]
    let _ = folder;
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io;

    /// Takes `room` bytes, then has none left.
    struct Small {
        room: usize,
    }

    impl Write for Small {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            if self.room == 0 {
                return Err(io::Error::from(io::ErrorKind::StorageFull));
            }
            let n = bytes.len().min(self.room);
            self.room -= n;
            Ok(n)
        }
        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    fn fill_with(bytes: usize, path: &Path) -> impl FnOnce(&mut dyn Write) -> Result<()> {
        let path = path.to_path_buf();
        move |out| out.write_all(&vec![7u8; bytes]).map_err(|e| Error::io("write", &path, &e))
    }

    #[test]
    fn full_disk_is_named_whether_it_shows_early_or_at_the_flush() {
        let path = Path::new("set/C4.wav");
        for bytes in [100, BUFFER_BYTES - 1, BUFFER_BYTES * 3] {
            let e = fill_through(&mut Small { room: 50 }, path, fill_with(bytes, path)).unwrap_err();
            assert_eq!(e.kind(), ErrorKind::DiskFull, "{bytes}: {e}");
            assert!(e.to_string().contains("set/C4.wav") && e.to_string().contains("make room"), "{e}");
        }
        fill_through(&mut Small { room: 50 }, path, fill_with(50, path)).unwrap();
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn full_device_is_named() {
        let Ok(mut full) = fs::OpenOptions::new().write(true).open("/dev/full") else {
            return;
        };
        let path = Path::new("C4.wav");
        let e = fill_through(&mut full, path, fill_with(10, path)).unwrap_err();
        assert_eq!(e.kind(), ErrorKind::DiskFull);
    }
}
