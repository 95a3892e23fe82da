//! Telling whether a file is the one it was.

use std::fs::File;
use std::io::Read as _;
use std::path::Path;

use crate::error::{Error, Result};

/// Size in bytes and BLAKE3 hash (hexadecimal) of the file at `path`. `go_on` is asked every
/// megabyte; false ends with `Cancelled`.
pub fn hash_file(path: &Path, go_on: &dyn Fn() -> bool) -> Result<(u64, String)> {
    let io = |e: std::io::Error| Error::io("read", path, &e);
    let mut file = File::open(path).map_err(io)?;
    let mut hasher = blake3::Hasher::new();
    let mut block = vec![0u8; 1 << 20];
    let mut bytes = 0u64;
    loop {
        if !go_on() {
            return Err(Error::cancelled());
        }
        let n = match file.read(&mut block) {
            Ok(0) => break,
            Ok(n) => n,
            Err(e) if e.kind() == std::io::ErrorKind::Interrupted => continue,
            Err(e) => return Err(io(e)),
        };
        hasher.update(&block[..n]);
        bytes += n as u64;
    }
    Ok((bytes, hasher.finalize().to_hex().to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Test vector: BLAKE3 of the empty input, from the BLAKE3 paper's published test vectors.
    #[test]
    fn empty_file_has_the_published_hash() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("empty");
        std::fs::write(&path, b"").unwrap();
        let (bytes, hash) = hash_file(&path, &|| true).unwrap();
        assert_eq!(bytes, 0);
        assert_eq!(hash, "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262");
        assert!(hash_file(&path, &|| false).unwrap_err().is_cancelled());
        assert!(hash_file(&dir.path().join("none"), &|| true).is_err());
    }
}
