//! Files that lie, that are cut off, damaged or no sound at all: a clear error or the frames that are
//! there, never a panic.

mod io_support;

use std::fs;
use std::path::{Path, PathBuf};

use io_support::*;
use proptest::prelude::*;
use seamwright::audio::Clip;
use seamwright::error::ErrorKind;
use seamwright::io::decode::{decode, decode_ranges, for_each_block, probe};
use seamwright::io::riff::read_marks;
use seamwright::units::FrameRange;

/// A WAV of `frames` 16-bit stereo frames that count up.
fn counting(frames: u16) -> Vec<u8> {
    let data: Vec<u8> = (0..frames).flat_map(|n| [n.to_le_bytes(), n.to_le_bytes()]).flatten().collect();
    riff(&[fmt(1, 2, 48_000, 16), chunk(b"data", &data)])
}

fn with_u16(mut bytes: Vec<u8>, at: usize, value: u16) -> Vec<u8> {
    bytes[at..at + 2].copy_from_slice(&value.to_le_bytes());
    bytes
}

fn with_u32(mut bytes: Vec<u8>, at: usize, value: u32) -> Vec<u8> {
    bytes[at..at + 4].copy_from_slice(&value.to_le_bytes());
    bytes
}

/// Every error says which file, what was wrong, and what to do.
#[test]
fn lying_heads_and_what_is_no_sound() {
    let folder = tempfile::tempdir().unwrap();
    let good = counting(100);
    use ErrorKind::{Decode, Nothing, UnsupportedFormat};
    let cases: Vec<(&str, Vec<u8>, ErrorKind, &[&str])> = vec![
        ("empty", vec![], Nothing, &["0 bytes", "again"]),
        (
            "text",
            b"Take 1 was good.\nTake 2 not.\n".to_vec(),
            UnsupportedFormat,
            &["a text", "FLAC", "export"],
        ),
        (
            "noise",
            (0..=255).cycle().skip(1).step_by(7).take(600).collect(),
            UnsupportedFormat,
            &["unknown", "WAV"],
        ),
        ("two bytes", b"RI".to_vec(), UnsupportedFormat, &["WAV", "export"]),
        ("head cut off", good[..11].to_vec(), UnsupportedFormat, &["cut off"]),
        (
            "another kind",
            riff(&[]).iter().map(|b| if *b == b'V' { b'X' } else { *b }).collect(),
            UnsupportedFormat,
            &["another kind"],
        ),
        ("reverse", [b"RIFX", &good[4..]].concat(), UnsupportedFormat, &["reverse order"]),
        ("no fmt", riff(&[chunk(b"data", &[0; 8])]), Decode, &["no fmt chunk", "export"]),
        (
            "short fmt",
            riff(&[chunk(b"fmt ", &[1, 0, 1, 0]), chunk(b"data", &[0; 8])]),
            Decode,
            &["4 bytes", "16 or more"],
        ),
        ("no data", riff(&[fmt(1, 2, 48_000, 16)]), Decode, &["no data chunk"]),
        ("no frames", riff(&[fmt(1, 2, 48_000, 16), chunk(b"data", &[])]), Nothing, &["not one whole frame"]),
        ("half a frame", good[..46].to_vec(), Nothing, &["not one whole frame"]),
        ("0 channels", with_u16(good.clone(), 22, 0), Decode, &["0 channels", "1 to 256", "export"]),
        ("65535 channels", with_u16(good.clone(), 22, 65_535), Decode, &["65535 channels", "1 to 256"]),
        ("0 Hz", with_u32(good.clone(), 24, 0), Decode, &["0 Hz", "8000 to 192000", "export"]),
        ("384 kHz", with_u32(good.clone(), 24, 384_000), UnsupportedFormat, &["384000 Hz", "convert it"]),
        (
            "block align",
            with_u16(good.clone(), 32, 6),
            Decode,
            &["2 channels of 16 bits make 4", "says 6", "export"],
        ),
        ("0 bits", with_u16(good.clone(), 34, 0), UnsupportedFormat, &["0-bit", "8- to 32-bit PCM"]),
        ("ADPCM", with_u16(good.clone(), 20, 2), UnsupportedFormat, &["ADPCM", "24-bit PCM"]),
        ("format 0x1234", with_u16(good.clone(), 20, 0x1234), UnsupportedFormat, &["0x1234"]),
        ("short extensible", with_u16(good.clone(), 20, 0xFFFE), Decode, &["16 bytes", "40 or more"]),
        ("AIFF without COMM", form(b"AIFF", &[big_chunk(b"SSND", &[0; 20])]), Decode, &["no COMM"]),
        (
            "FLAC head only",
            fs::read(fixture("tone.flac")).unwrap()[..30].to_vec(),
            Decode,
            &["within its head", "backup"],
        ),
        (
            "Ogg head only",
            fs::read(fixture("tone.ogg")).unwrap()[..40].to_vec(),
            Decode,
            &["damaged", "backup"],
        ),
    ];
    for (name, bytes, kind, words) in cases {
        let path = put(folder.path(), "take.wav", &bytes);
        for e in [
            decode(&path).unwrap_err(),
            for_each_block(&path, &mut |_| true).unwrap_err(),
            decode_ranges(&path, &[FrameRange::new(0, 5)], &mut |_, _| true).unwrap_err(),
        ] {
            assert_eq!(e.kind(), kind, "{name}: {e}");
            for word in words.iter().chain(&["take.wav"]) {
                assert!(e.to_string().contains(word), "{name}: \"{word}\" is not in \"{e}\"");
            }
        }
        // Looking for marks is harmless.
        read_marks(&path).unwrap();
    }
}

#[test]
fn files_that_cannot_be_opened() {
    let folder = tempfile::tempdir().unwrap();
    let gone = folder.path().join("gone.wav");
    for e in [probe(&gone).unwrap_err(), decode(&gone).unwrap_err(), read_marks(&gone).unwrap_err()] {
        assert_eq!(e.kind(), ErrorKind::NotFound);
        assert!(e.to_string().contains("gone.wav"), "{e}");
    }
    let e = probe(folder.path()).unwrap_err();
    assert_eq!(e.kind(), ErrorKind::InvalidParameter);
    assert!(e.to_string().contains("it is a folder"), "{e}");
}

#[cfg(unix)]
#[test]
fn an_unreadable_file_names_the_rights() {
    use std::os::unix::fs::PermissionsExt as _;
    let folder = tempfile::tempdir().unwrap();
    let path = put(folder.path(), "locked.wav", &counting(10));
    fs::set_permissions(&path, fs::Permissions::from_mode(0o000)).unwrap();
    // The administrator may read everything: then there is nothing to see here.
    if fs::File::open(&path).is_err() {
        assert_eq!(probe(&path).unwrap_err().kind(), ErrorKind::Permission);
    }
}

/// Lengths that lie: what is there counts, and every way of reading says the same.
#[test]
fn frames_that_are_there_are_used() {
    let folder = tempfile::tempdir().unwrap();
    let good = counting(100);
    let streamed = with_u32(with_u32(good.clone(), 4, u32::MAX), 40, u32::MAX);
    let unfinished = with_u32(with_u32(good.clone(), 4, 0), 40, 0);
    let mut ragged = good.clone();
    ragged.truncate(44 + 4 * 60 + 3);
    for (name, bytes, frames) in [
        ("cut off", good[..44 + 4 * 70].to_vec(), 70),
        ("cut off within a frame", ragged, 60),
        ("length never filled in (streamed)", streamed, 100),
        ("length never filled in (recorder cut off)", unfinished, 100),
        ("length too long", with_u32(good.clone(), 40, 0x7FFF_FFFF), 100),
        ("length not whole frames", with_u32(good.clone(), 40, 4 * 50 + 1), 50),
        ("outer length too short", with_u32(good.clone(), 4, 36), 100),
    ] {
        let path = put(folder.path(), "x.wav", &bytes);
        assert_eq!(probe(&path).unwrap().frames, Some(frames), "{name}");
        let (info, planes) = by_blocks(&path).unwrap();
        assert_eq!(info.frames, Some(frames), "{name}");
        assert_eq!(planes[0].len() as u64, frames, "{name}");
        assert!(planes[1].iter().enumerate().all(|(n, s)| *s == n as f32 / 32_768.0), "{name}");
    }
}

#[test]
fn compressed_files_that_end_early_give_what_they_have() {
    let folder = tempfile::tempdir().unwrap();
    for name in ["tone.flac", "tone-tagged.mp3", "tone-untagged.mp3", "tone-pages.ogg"] {
        let bytes = fs::read(fixture(name)).unwrap();
        let whole = decode(&fixture(name)).unwrap();
        let path = put(folder.path(), name, &bytes[..bytes.len() * 9 / 10]);
        if name == "tone-pages.ogg" {
            // Its sound lies in one page: without the end of that there is none.
            assert!(matches!(decode(&path).unwrap_err().kind(), ErrorKind::Nothing | ErrorKind::Decode));
            continue;
        }
        let (info, planes) = by_blocks(&path).unwrap();
        let n = planes[0].len();
        assert_eq!(info.frames, Some(n as u64));
        assert!(n > 0 && n < whole.len(), "{name}: {n}");
        assert!(whole.channels().zip(&planes).all(|(w, p)| w[..n] == p[..]), "{name}");
    }
}

/// A FLAC with a hole: the frames behind it would stand in the wrong place.
#[test]
fn a_hole_in_the_middle_is_an_error_with_its_place() {
    let folder = tempfile::tempdir().unwrap();
    // Two packets, of 4096 and 704 frames: the first is lost, the second says where it belongs.
    let mut bytes = fs::read(fixture("tone.flac")).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle..middle + 40].fill(0x55);
    let path = put(folder.path(), "x.flac", &bytes);
    let Err(e) = for_each_block(&path, &mut |_| true) else { panic!("the hole went unnoticed") };
    assert_eq!(e.kind(), ErrorKind::Decode);
    for word in ["at 0.000 s (frame 0)", "frame 4096", "damaged", "backup"] {
        assert!(e.to_string().contains(word), "{e}");
    }
}

#[test]
fn a_sample_that_is_no_number_is_named() {
    let folder = tempfile::tempdir().unwrap();
    for (bits, bad, shown) in [
        (32, f32::NAN.to_le_bytes().to_vec(), "NaN"),
        (32, f32::NEG_INFINITY.to_le_bytes().to_vec(), "-inf"),
        (64, f64::NAN.to_le_bytes().to_vec(), "NaN"),
        // Finite, but beyond what 32 bits hold.
        (64, 1e300f64.to_le_bytes().to_vec(), "inf"),
    ] {
        let width = bits as usize / 8;
        // Behind the first block.
        let mut data = vec![0u8; 50_000 * 2 * width];
        let at = (40_000 * 2 + 1) * width;
        data[at..at + width].copy_from_slice(&bad);
        let path = put(folder.path(), "x.wav", &riff(&[fmt(3, 2, 48_000, bits), chunk(b"data", &data)]));
        let range = |a, b| decode_ranges(&path, &[FrameRange::new(a, b)], &mut |_, _| true);
        for e in [
            for_each_block(&path, &mut |_| true).unwrap_err(),
            decode(&path).unwrap_err(),
            range(39_990, 40_010).unwrap_err(),
        ] {
            assert_eq!(e.kind(), ErrorKind::Decode);
            assert!(e.to_string().contains(&format!("sample 40000 of channel 2 is {shown},")), "{e}");
        }
        // What was not asked for does not matter.
        range(40_001, 40_010).unwrap();
        range(39_000, 40_000).unwrap();
    }
}

#[test]
fn a_file_that_shrinks_or_vanishes_while_read() {
    let folder = tempfile::tempdir().unwrap();
    let data = vec![0u8; 1 << 20];
    let path = put(folder.path(), "x.wav", &riff(&[fmt(1, 1, 48_000, 16), chunk(b"data", &data)]));
    let e = for_each_block(&path, &mut |_| {
        fs::OpenOptions::new().write(true).open(&path).unwrap().set_len(200_000).unwrap();
        true
    })
    .unwrap_err();
    assert_eq!(e.kind(), ErrorKind::Io);
    assert!(e.to_string().contains("became shorter"), "{e}");
    fs::remove_file(&path).unwrap();
    assert_eq!(decode(&path).unwrap_err().kind(), ErrorKind::NotFound);
}

/// Sound files of every kind that is read, small.
fn seeds() -> Vec<Vec<u8>> {
    let mut seeds = vec![counting(50)];
    let loops: Vec<u8> =
        [0, 0, 20_833, 60, 7, 0, 0, 1, 0, 0, 0, 3, 40, 0, 0].into_iter().flat_map(u32::to_le_bytes).collect();
    seeds.push(riff(&[
        fmt_extensible(3, 3, 48_000, 32, 32, 7),
        chunk(b"smpl", &loops),
        chunk(b"inst", &[60, 3, 0, 0, 127, 0, 127]),
        chunk(b"LIST", &[b"INFO".to_vec(), chunk(b"INAM", b"a name\0")].concat()),
        chunk(b"data", &[0; 240]),
    ]));
    let mut rf64 = riff(&[chunk(b"ds64", &[0; 28]), fmt(1, 1, 8_000, 24), chunk(b"data", &[9; 60])]);
    rf64[..4].copy_from_slice(b"RF64");
    rf64[56 + 16..56 + 20].fill(0xFF);
    seeds.push(rf64);
    let mut comm = vec![0, 2, 0, 0, 0, 10, 0, 16, 0x40, 0x0E, 0xBB, 0x80, 0, 0, 0, 0, 0, 0];
    comm.extend(b"sowt\0\0");
    seeds.push(form(
        b"AIFC",
        &[
            big_chunk(b"COMM", &comm),
            big_chunk(b"MARK", &[0, 1, 0, 1, 0, 0, 0, 2, 1, b'x']),
            big_chunk(b"INST", &[60, 0, 0, 127, 1, 127, 0, 0, 0, 1, 0, 1, 0, 1, 0, 0, 0, 0, 0, 0]),
            big_chunk(b"SSND", &[0; 48]),
        ],
    ));
    let names = ["tone.flac", "tone-tagged.mp3", "tone-untagged.mp3", "tone.ogg", "tone-pages.ogg"];
    seeds.extend(names.map(|n| fs::read(fixture(n)).unwrap()));
    seeds
}

/// Reads a file in every way; whatever its bytes, the ways agree and none panics.
fn read_in_every_way(path: &Path) {
    let _ = read_marks(path);
    let head = probe(path);
    let blocks = by_blocks(path);
    let ranges =
        [FrameRange::new(0, u64::MAX), FrameRange::new(3, 7), FrameRange::new(u64::MAX - 1, u64::MAX)];
    let mut clips: Vec<Option<Clip>> = vec![None; 3];
    let done = decode_ranges(path, &ranges, &mut |i, clip| {
        clips[i] = Some(clip);
        true
    });
    match blocks {
        Ok((info, planes)) => {
            let head = head.unwrap();
            assert_eq!((head.rate, head.channels), (info.rate, info.channels));
            assert_eq!(info.frames, Some(planes[0].len() as u64));
            done.unwrap();
            let whole = clips[0].as_ref().unwrap();
            assert!(planes.iter().map(Vec::as_slice).eq(whole.audio.channels()));
            assert_eq!(clips[1].as_ref().unwrap().audio, whole.audio.part(ranges[1]));
            assert!(clips[2].as_ref().unwrap().audio.is_empty());
            assert!(info.marks.loops.iter().all(|l| l.end.0 <= planes[0].len() as u64));
        }
        Err(e) => {
            assert!(done.is_err(), "one way fails ({e}), the other does not");
            assert!(!matches!(e.kind(), ErrorKind::Internal | ErrorKind::Cancelled), "{e}");
        }
    }
}

fn in_a_file(bytes: &[u8]) -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = put(folder.path(), "x.wav", bytes);
    (folder, path)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 600, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn damaged_files_never_panic(
        seed in 0usize..9,
        keep in 0.0..1.3f64,
        flips in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 0..6),
        early in prop::collection::vec((0usize..120, any::<u8>()), 0..4),
    ) {
        let mut bytes = seeds().swap_remove(seed);
        for (at, value) in flips {
            let at = at.index(bytes.len());
            bytes[at] = value;
        }
        // Heads are where lies hurt most.
        for (at, value) in early {
            if let Some(b) = bytes.get_mut(at) {
                *b = value;
            }
        }
        bytes.truncate((bytes.len() as f64 * keep) as usize);
        let (_folder, path) = in_a_file(&bytes);
        read_in_every_way(&path);
    }

    #[test]
    fn any_bytes_behind_any_magic_never_panic(
        magic in prop::sample::select(vec![
            &b""[..], b"RIFF\xFF\xFF\xFF\xFFWAVEfmt \x10\0\0\0", b"RF64\xFF\xFF\xFF\xFFWAVEds64\x1C\0\0\0",
            b"FORM\0\0\0\xFFAIFFCOMM\0\0\0\x12", b"FORM\0\0\0\xFFAIFCCOMM\0\0\0\x16", b"fLaC\0\0\0\x22", b"OggS\0\x02",
            b"ID3\x04\0\0\0\0\x01\0", b"\xFF\xFB\x90\x44",
        ]),
        tail in prop::collection::vec(any::<u8>(), 0..2000),
    ) {
        let (_folder, path) = in_a_file(&[magic, &tail].concat());
        read_in_every_way(&path);
    }
}
