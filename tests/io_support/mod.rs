//! Sound files made by hand, byte by byte, for the tests of reading and writing.

#![allow(dead_code)] // Each test binary uses its own part.

use std::path::{Path, PathBuf};

use seamwright::error::Result;
use seamwright::io::decode::{self, SoundInfo};

/// A chunk in the byte order of RIFF, padded to an even length.
pub fn chunk(id: &[u8; 4], body: &[u8]) -> Vec<u8> {
    let mut bytes = id.to_vec();
    bytes.extend((body.len() as u32).to_le_bytes());
    bytes.extend(body);
    bytes.resize(bytes.len().next_multiple_of(2), 0);
    bytes
}

/// A chunk in the byte order of AIFF, padded to an even length.
pub fn big_chunk(id: &[u8; 4], body: &[u8]) -> Vec<u8> {
    let mut bytes = chunk(id, body);
    bytes[4..8].copy_from_slice(&(body.len() as u32).to_be_bytes());
    bytes
}

/// `RIFF` … `WAVE` around chunks.
pub fn riff(chunks: &[Vec<u8>]) -> Vec<u8> {
    let mut body = b"WAVE".to_vec();
    chunks.iter().for_each(|c| body.extend(c));
    chunk(b"RIFF", &body)
}

/// `FORM` around chunks.
pub fn form(kind: &[u8; 4], chunks: &[Vec<u8>]) -> Vec<u8> {
    let mut body = kind.to_vec();
    chunks.iter().for_each(|c| body.extend(c));
    big_chunk(b"FORM", &body)
}

/// The plain `fmt ` chunk of 16 bytes.
pub fn fmt(tag: u16, channels: u16, rate: u32, bits: u16) -> Vec<u8> {
    let block = channels.wrapping_mul(bits / 8);
    let mut body = Vec::new();
    body.extend(tag.to_le_bytes());
    body.extend(channels.to_le_bytes());
    body.extend(rate.to_le_bytes());
    body.extend(rate.wrapping_mul(u32::from(block)).to_le_bytes());
    body.extend(block.to_le_bytes());
    body.extend(bits.to_le_bytes());
    chunk(b"fmt ", &body)
}

/// The extensible `fmt ` chunk of 40 bytes with sub-format `tag`, `valid` of `bits` bits in use.
pub fn fmt_extensible(tag: u16, channels: u16, rate: u32, bits: u16, valid: u16, mask: u32) -> Vec<u8> {
    let mut body = fmt(0xFFFE, channels, rate, bits)[8..].to_vec();
    body.extend(22u16.to_le_bytes());
    body.extend(valid.to_le_bytes());
    body.extend(mask.to_le_bytes());
    body.extend(tag.to_le_bytes());
    body.extend([0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xAA, 0, 0x38, 0x9B, 0x71]);
    chunk(b"fmt ", &body)
}

/// Writes `bytes` as `name` into `folder`.
pub fn put(folder: &Path, name: &str, bytes: &[u8]) -> PathBuf {
    let path = folder.join(name);
    std::fs::write(&path, bytes).unwrap();
    path
}

/// The path of a fixture.
pub fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures").join(name)
}

/// A file decoded block by block, glued together.
pub fn by_blocks(path: &Path) -> Result<(SoundInfo, Vec<Vec<f32>>)> {
    let mut planes: Vec<Vec<f32>> = Vec::new();
    let info = decode::for_each_block(path, &mut |block| {
        planes.resize_with(block.len(), Vec::new);
        planes.iter_mut().zip(block).for_each(|(p, b)| p.extend_from_slice(b));
        true
    })?;
    Ok((info, planes))
}
