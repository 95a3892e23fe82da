//! How much memory reading takes, as the system counts it. One test, alone in its process.

#![cfg(target_os = "linux")]

mod io_support;

use std::fs;
use std::path::PathBuf;

use io_support::*;
use seamwright::io::decode::{decode, decode_ranges, for_each_block, probe};
use seamwright::units::FrameRange;

/// A line of /proc/self/status in bytes. Source: proc_pid_status(5).
fn status(name: &str) -> u64 {
    let text = fs::read_to_string("/proc/self/status").unwrap();
    let line = text.lines().find(|l| l.starts_with(name)).unwrap();
    line.split_whitespace().nth(1).unwrap().parse::<u64>().unwrap() * 1024
}

const MIB: u64 = 1 << 20;

#[test]
fn memory_follows_what_is_asked_for() {
    let folder = tempfile::tempdir().unwrap();
    // Heads that claim gigabytes in files of a few bytes: even the reserved addresses stay few.
    let before = status("VmPeak:");
    for path in lying(folder.path()) {
        let _ = probe(&path);
        let _ = decode(&path);
        let _ = for_each_block(&path, &mut |_| true);
        let _ = decode_ranges(
            &path,
            &[FrameRange::new(0, u64::MAX), FrameRange::new(1 << 40, u64::MAX)],
            &mut |_, _| true,
        );
    }
    let grown = status("VmPeak:") - before;
    assert!(grown < 100 * MIB, "lying heads: {} MiB", grown / MIB);

    // Two hours of 8-bit mono at 8 kHz: 55 MiB in the file (sparse: mostly a hole).
    let frames = 2 * 3600 * 8_000u64;
    let head = riff(&[fmt(1, 1, 8_000, 8), chunk(b"data", &[])]);
    let long = put(folder.path(), "long.wav", &head[..40]);
    let file = fs::OpenOptions::new().append(true).open(&long).unwrap();
    std::io::Write::write_all(&mut &file, &(frames as u32).to_le_bytes()).unwrap();
    file.set_len(44 + frames).unwrap();
    let before = status("VmHWM:");
    let mut seen = 0;
    let info = for_each_block(&long, &mut |block| {
        seen += block[0].len() as u64;
        true
    })
    .unwrap();
    assert_eq!((info.frames, seen), (Some(frames), frames));
    // A second at each quarter of an hour, one clip at a time.
    let ranges: Vec<_> = (0..8).map(|q| q * 900 * 8_000).map(|s| FrameRange::new(s, s + 8_000)).collect();
    let mut found = 0;
    decode_ranges(&long, &ranges, &mut |i, clip| {
        assert_eq!(clip.range(), ranges[i]);
        found += 1;
        true
    })
    .unwrap();
    assert_eq!(found, 8);
    // A block of 128 KiB and its floats of 512 KiB, a clip of 31 KiB and its copy; the rest is room for
    // the allocator. The file as floats would be 220 MiB.
    let grown = status("VmHWM:") - before;
    assert!(grown < 8 * MIB, "a long file: {} KiB", grown / 1024);
}

fn lying(folder: &std::path::Path) -> Vec<PathBuf> {
    let mut paths = Vec::new();
    let mut save = |bytes: Vec<u8>| paths.push(put(folder, &format!("{}.wav", paths.len()), &bytes));
    for (channels, bits) in [(1u16, 8u16), (256, 32), (65_535, 8)] {
        let mut wav = riff(&[fmt(1, channels, 48_000, bits), chunk(b"data", &[1; 2048])]);
        wav[40..44].copy_from_slice(&[0xFE, 0xFF, 0xFF, 0x7F]);
        save(wav);
    }
    // Chunks of loops, texts and lengths that claim two gigabytes.
    for id in [b"smpl", b"LIST", b"inst", b"ds64"] {
        let mut wav = riff(&[chunk(id, &[0xEE; 100]), fmt(1, 1, 48_000, 8), chunk(b"data", &[1; 64])]);
        wav[16..20].copy_from_slice(&[0xFF, 0xFF, 0xFF, 0x7F]);
        save(wav);
    }
    // FLAC: a length of 2^36 − 1 frames in STREAMINFO, and a picture of 16 MiB behind it.
    let flac = fs::read(fixture("tone.flac")).unwrap();
    let mut long = flac.clone();
    long[21] |= 0x0F;
    long[22..26].fill(0xFF);
    save(long);
    let mut picture = flac[..42].to_vec();
    picture.extend([0x86, 0xFF, 0xFF, 0xFF]);
    picture.extend([0x7F; 60]);
    save(picture);
    // ID3v2 with a tag of 256 MiB.
    save([&b"ID3\x04\0\0\x7F\x7F\x7F\x7FAPIC\x0F\x7F\x7F\x7F\0\0"[..], &[1; 50]].concat());
    // Ogg whose comment header claims 4 GiB of text.
    let mut ogg = fs::read(fixture("tone.ogg")).unwrap();
    let at = ogg.windows(7).position(|w| w == b"\x03vorbis").unwrap() + 7;
    ogg[at..at + 4].fill(0xFF);
    save(ogg);
    paths
}
