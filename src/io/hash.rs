//! The fingerprint of a file's bytes.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use crate::error::{Error, Result};

/// Bytes read at a time: as much as the hash works on at once at full speed.
const BLOCK: usize = 1 << 17;

/// BLAKE3 hash of the bytes of `path` (64 hexadecimal digits) and how many there are. `go_on` is
/// asked once a block; false ends with `Cancelled`. Errors: as reading.
pub fn blake3_of(path: &Path, go_on: &mut dyn FnMut() -> bool) -> Result<(String, u64)> {
    let io_error = |e: std::io::Error| Error::io("read", path, &e);
    let mut file = File::open(path).map_err(io_error)?;
    let mut hasher = blake3::Hasher::new();
    let mut block = vec![0; BLOCK];
    loop {
        if !go_on() {
            return Err(Error::cancelled());
        }
        match file.read(&mut block) {
            Ok(0) => return Ok((hasher.finalize().to_hex().to_string(), hasher.count())),
            Ok(n) => {
                hasher.update(&block[..n]);
            }
            Err(e) if e.kind() == std::io::ErrorKind::Interrupted => {}
            Err(e) => return Err(io_error(e)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: BLAKE3 test vectors (BLAKE3-team, test_vectors.json): input bytes count 0, 1, …, 250
    /// and start again; first 32 bytes of `hash` for lengths 0 and 1.
    #[test]
    fn published_vectors() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("x");
        for (bytes, hash) in [
            (&[][..], "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262"),
            (&[0][..], "2d3adedff11b61f14c886e35afa036736dcd87a74d27b5c1510225d0f592e213"),
        ] {
            std::fs::write(&path, bytes).unwrap();
            assert_eq!(blake3_of(&path, &mut || true).unwrap(), (hash.into(), bytes.len() as u64));
        }
        assert!(blake3_of(&path, &mut || false).unwrap_err().is_cancelled());
    }
}
