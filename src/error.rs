//! The one error type: a kind to choose a reaction by, a sentence to show, the context it met on
//! its way up.
//!
//! A sentence says what was wrong, what is allowed and what to do. An error is handled once:
//! passed on (with [`Error::context`]) or shown, never both.

use std::path::Path;

/// What sort of thing went wrong; callers decide by this, never by the text.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum ErrorKind {
    /// Reading or writing failed.
    Io,
    /// A file or folder is not there (any more).
    NotFound,
    /// The system does not allow it.
    Permission,
    /// No room left on the disk.
    DiskFull,
    /// The bytes are not what the file claims to be.
    Decode,
    /// A sound format, or a variety of one, that is not read.
    UnsupportedFormat,
    /// There is nothing in it to work with (no frames, silence, no note).
    Nothing,
    /// A folder or a session without anything to begin with (no sound file, no accepted take).
    NothingHere,
    /// A value outside its range.
    InvalidParameter,
    /// A session file that is damaged.
    SessionDamaged,
    /// A session file of a later version of this program.
    SessionNewer,
    /// Another program has the session open.
    Locked,
    /// Two files would get one name, or a name is not allowed.
    NameClash,
    /// Stopped because the user asked.
    Cancelled,
    /// The sound device, or the lack of one.
    Device,
    /// The program broke one of its own rules; worth a bug report.
    Internal,
}

/// An error with its kind, what happened, and where.
#[derive(Debug, Clone, thiserror::Error)]
#[error("{}", self.sentence())]
pub struct Error {
    kind: ErrorKind,
    message: String,
    /// Outermost last.
    context: Vec<String>,
}

/// Result with this crate's error.
pub type Result<T> = std::result::Result<T, Error>;

impl Error {
    /// An error of `kind` that says `message`.
    pub fn new(kind: ErrorKind, message: impl Into<String>) -> Self {
        Self { kind, message: message.into(), context: Vec::new() }
    }

    /// A parameter outside its range; `allowed` names the range and, where it helps, a value that
    /// would work.
    pub fn invalid(name: &str, given: impl std::fmt::Display, allowed: &str) -> Self {
        Self::new(ErrorKind::InvalidParameter, format!("{name} is {given}; allowed: {allowed}"))
    }

    /// The user asked to stop.
    pub fn cancelled() -> Self {
        Self::new(ErrorKind::Cancelled, "stopped on request")
    }

    /// An error of the file system while doing `what` (such as "read") with `path`.
    pub fn io(what: &str, path: &Path, source: &std::io::Error) -> Self {
        use std::io::ErrorKind as Os;
        let name = path.display();
        let (kind, text) = match source.kind() {
            Os::NotFound => (
                ErrorKind::NotFound,
                format!("cannot {what} {name}: it is not there; was it moved or renamed?"),
            ),
            Os::PermissionDenied | Os::ReadOnlyFilesystem => (
                ErrorKind::Permission,
                format!(
                    "cannot {what} {name}: the system does not allow it; check the rights or choose another folder"
                ),
            ),
            Os::StorageFull | Os::QuotaExceeded => (
                ErrorKind::DiskFull,
                format!("cannot {what} {name}: the disk is full; make room or choose another folder"),
            ),
            Os::AlreadyExists | Os::NotADirectory => (
                ErrorKind::NameClash,
                format!(
                    "cannot {what} {name}: a file of that name stands there; name a folder, or another one"
                ),
            ),
            Os::IsADirectory => {
                (ErrorKind::NameClash, format!("cannot {what} {name}: it is a folder; name a file"))
            }
            Os::FileTooLarge => (
                ErrorKind::DiskFull,
                format!(
                    "cannot {what} {name}: files of that size are not allowed here; lift the limit or choose another folder"
                ),
            ),
            Os::InvalidFilename | Os::ArgumentListTooLong => (
                ErrorKind::InvalidParameter,
                format!(
                    "cannot {what} {name}: the system takes no such name (too long, or with a character that it refuses); choose another one"
                ),
            ),
            _ => (ErrorKind::Io, format!("cannot {what} {name}: the system says \"{source}\"")),
        };
        Self::new(kind, text)
    }

    /// The kind.
    pub fn kind(&self) -> ErrorKind {
        self.kind
    }

    /// Whether it is only a stop that was asked for.
    pub fn is_cancelled(&self) -> bool {
        self.kind == ErrorKind::Cancelled
    }

    /// The same error, met while doing `what`.
    #[must_use]
    pub fn context(mut self, what: impl Into<String>) -> Self {
        self.context.push(what.into());
        self
    }

    /// The same error, met in the file at `path`; it is not named twice.
    #[must_use]
    pub fn in_file(self, path: &Path) -> Self {
        let name = path.display().to_string();
        if self.sentence().contains(&name) { self } else { self.context(name) }
    }

    fn sentence(&self) -> String {
        let mut text = String::new();
        for c in self.context.iter().rev() {
            text.push_str(c);
            text.push_str(": ");
        }
        text + &self.message
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sentence_runs_from_outside_in() {
        let e = Error::invalid("hop", "0 ms", "1 to 20 ms").context("take 3").context("folder");
        assert_eq!(e.to_string(), "folder: take 3: hop is 0 ms; allowed: 1 to 20 ms");
        assert_eq!(e.kind(), ErrorKind::InvalidParameter);
    }

    #[test]
    fn a_file_is_named_once() {
        let p = Path::new("dir/x.wav");
        let gone = Error::io("read", p, &std::io::Error::from(std::io::ErrorKind::NotFound)).in_file(p);
        assert_eq!(gone.to_string().matches("dir/x.wav").count(), 1);
        let bad = Error::new(ErrorKind::Decode, "it is no sound file").in_file(p);
        assert_eq!(bad.to_string(), "dir/x.wav: it is no sound file");
    }

    #[test]
    fn full_disk_and_missing_file_are_told_apart() {
        let p = Path::new("x.wav");
        let full = Error::io("write", p, &std::io::Error::from(std::io::ErrorKind::StorageFull));
        assert_eq!(full.kind(), ErrorKind::DiskFull);
        let gone = Error::io("read", p, &std::io::Error::from(std::io::ErrorKind::NotFound));
        assert_eq!(gone.kind(), ErrorKind::NotFound);
    }

    /// No word of the system's own stands in what it says often.
    #[test]
    fn the_system_is_put_into_words() {
        use std::io::ErrorKind as Os;
        for (os, kind, words) in [
            (Os::IsADirectory, ErrorKind::NameClash, "name a file"),
            (Os::NotADirectory, ErrorKind::NameClash, "name a folder"),
            (Os::FileTooLarge, ErrorKind::DiskFull, "lift the limit"),
            (Os::InvalidFilename, ErrorKind::InvalidParameter, "choose another one"),
            (Os::ReadOnlyFilesystem, ErrorKind::Permission, "check the rights"),
        ] {
            let e = Error::io("write", Path::new("x.wav"), &std::io::Error::from(os));
            assert_eq!(e.kind(), kind, "{e}");
            assert!(e.to_string().contains(words) && !e.to_string().contains("os error"), "{e}");
        }
    }
}
