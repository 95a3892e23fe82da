//! Reading sound files: every variety, made by hand or by independent programs, and the frame
//! numbers that all ways of reading must agree on.

mod io_support;

use std::f64::consts::TAU;
use std::path::Path;

use io_support::*;
use seamwright::audio::{Clip, signals};
use seamwright::error::ErrorKind;
use seamwright::io::decode::{decode, decode_ranges, probe};
use seamwright::io::riff::read_marks;
use seamwright::units::{Cents, Frame, FrameRange, MidiNote};

/// Two channels of whole numbers in 24 bits that differ everywhere, full scale at both ends.
fn numbers24(frames: usize) -> Vec<[i32; 2]> {
    let mut x: Vec<_> = signals::white_noise(0.3, frames * 2, 5)
        .chunks_exact(2)
        .map(|c| [(c[0] * 8_388_607.0) as i32, (c[1] * 8_388_607.0) as i32])
        .collect();
    x[0] = [8_388_607, -8_388_608];
    x
}

#[test]
fn hound_written_whole_numbers_of_every_depth() {
    let folder = tempfile::tempdir().unwrap();
    for bits in [8u16, 16, 24, 32] {
        let path = folder.path().join(format!("{bits}.wav"));
        let spec = hound::WavSpec {
            channels: 2,
            sample_rate: 44_100,
            bits_per_sample: bits,
            sample_format: hound::SampleFormat::Int,
        };
        // More than one block of 128 KiB at every depth.
        let frames = numbers24(100_000);
        let at_depth = |s: i32| if bits == 32 { s << 8 } else { s >> (24 - bits) };
        let mut out = hound::WavWriter::create(&path, spec).unwrap();
        frames.iter().flatten().for_each(|s| out.write_sample(at_depth(*s)).unwrap());
        out.finalize().unwrap();

        let audio = decode(&path).unwrap();
        assert_eq!((audio.channel_count(), audio.len(), audio.rate().hz()), (2, frames.len(), 44_100));
        for (c, x) in audio.channels().enumerate() {
            for (i, s) in x.iter().enumerate() {
                // Exact: up to 24 bits fit a float's mantissa.
                let expected = f64::from(at_depth(frames[i][c])) / 2f64.powi(i32::from(bits) - 1);
                assert_eq!(f64::from(*s), expected, "{bits} bits, channel {c}, frame {i}");
            }
        }
    }
}

#[test]
fn hound_written_floats_and_many_channels() {
    let folder = tempfile::tempdir().unwrap();
    for channels in [1u16, 2, 5, 17] {
        let path = folder.path().join(format!("{channels}.wav"));
        let spec = hound::WavSpec {
            channels,
            sample_rate: 192_000,
            bits_per_sample: 32,
            sample_format: hound::SampleFormat::Float,
        };
        let x = signals::white_noise(0.8, 700 * usize::from(channels), 3);
        let mut out = hound::WavWriter::create(&path, spec).unwrap();
        x.iter().for_each(|s| out.write_sample(*s).unwrap());
        out.finalize().unwrap();
        let audio = decode(&path).unwrap();
        assert_eq!((audio.channel_count(), audio.len()), (usize::from(channels), 700));
        for (c, plane) in audio.channels().enumerate() {
            assert!(plane.iter().enumerate().all(|(i, s)| *s == x[i * usize::from(channels) + c]));
        }
    }
}

#[test]
fn hand_made_varieties() {
    let folder = tempfile::tempdir().unwrap();
    let f64s: Vec<u8> = [0.25f64, -1.5, 1e-3].iter().flat_map(|v| v.to_le_bytes()).collect();
    let cases = [
        // 8-bit WAV is unsigned with 128 for zero (1991 specification, PCM format).
        ("8 bit", fmt(1, 1, 8_000, 8), vec![0, 128, 192, 255], vec![-1.0, 0.0, 0.5, 127.0 / 128.0]),
        ("64-bit float", fmt(3, 1, 96_000, 64), f64s, vec![0.25, -1.5, 1e-3]),
        (
            "extensible, 20 bits at the upper end of 24",
            fmt_extensible(1, 1, 48_000, 24, 20, 4),
            vec![0, 0, 0x40, 0, 0, 0x80],
            vec![0.5, -1.0],
        ),
        (
            "extensible float",
            fmt_extensible(3, 1, 48_000, 32, 32, 0),
            0.375f32.to_le_bytes().to_vec(),
            vec![0.375],
        ),
    ];
    for (name, fmt, data, expected) in cases {
        // An unknown chunk of odd length stands in the way.
        let bytes = riff(&[chunk(b"junk", &[1; 7]), fmt, chunk(b"data", &data)]);
        let path = put(folder.path(), "x.wav", &bytes);
        assert_eq!(decode(&path).unwrap().channel(0), expected, "{name}");
        assert_eq!(probe(&path).unwrap().frames, Some(expected.len() as u64), "{name}");
    }
}

/// RF64 and BW64: 32-bit lengths of 2^32−1, the real ones in `ds64`. Source: EBU Tech 3306, ITU-R BS.2088.
#[test]
fn rf64_and_bw64() {
    let folder = tempfile::tempdir().unwrap();
    for name in [b"RF64", b"BW64"] {
        let data: Vec<u8> = (1..=6i16).flat_map(|v| (v * 4096).to_le_bytes()).collect();
        let mut ds64 = Vec::new();
        ds64.extend(0u64.to_le_bytes());
        ds64.extend((data.len() as u64).to_le_bytes());
        ds64.extend(3u64.to_le_bytes());
        ds64.extend(0u32.to_le_bytes());
        let mut bytes = riff(&[
            chunk(b"ds64", &ds64),
            fmt(1, 2, 48_000, 16),
            chunk(b"data", &data),
            chunk(b"smpl", &smpl(64, 0, &[(0, 1, 2)])),
        ]);
        bytes[..4].copy_from_slice(name);
        bytes[4..8].copy_from_slice(&[0xFF; 4]);
        let at = bytes.windows(4).position(|w| w == b"data").unwrap() + 4;
        bytes[at..at + 4].copy_from_slice(&[0xFF; 4]);
        let path = put(folder.path(), "x.wav", &bytes);
        let audio = decode(&path).unwrap();
        assert_eq!(audio.channel(1), [0.25, 0.5, 0.75]);
        let marks = probe(&path).unwrap().marks;
        // The chunk behind the data is found only with the length from ds64.
        assert_eq!((marks.root, marks.loops), (Some(MidiNote(64)), vec![FrameRange::new(1, 3)]));
    }
}

/// A `smpl` body: 36 bytes, then 24 a loop of (type, start, inclusive end).
fn smpl(unity: u32, fraction: u32, loops: &[(u32, u32, u32)]) -> Vec<u8> {
    let mut numbers = vec![0, 0, 20_833, unity, fraction, 0, 0, loops.len() as u32, 0];
    for (kind, start, end) in loops {
        numbers.extend([0, *kind, *start, *end, 0, 0]);
    }
    numbers.into_iter().flat_map(u32::to_le_bytes).collect()
}

#[test]
fn marks_of_a_wav() {
    let folder = tempfile::tempdir().unwrap();
    let info =
        [b"INFO".to_vec(), chunk(b"INAM", "Flaschen, groß\0".as_bytes()), chunk(b"ICMT", b"\0")].concat();
    // `inst`: note, fine tune (the adjustment that brings it to the note), gain, ranges.
    let inst = chunk(b"inst", &[40, (-12i8) as u8, 0, 0, 127, 1, 127]);
    let sound = [fmt(1, 1, 48_000, 16), chunk(b"data", &[0; 2000])];
    let with = |more: &[Vec<u8>]| put(folder.path(), "x.wav", &riff(&[&sound[..], more].concat()));

    let loops = [(0, 100, 899), (1, 5, 50), (0, 900, 999), (0, 900, 1000), (0, 7, 6)];
    let path = with(&[inst.clone(), chunk(b"smpl", &smpl(60, 0xC000_0000, &loops)), chunk(b"LIST", &info)]);
    let marks = read_marks(&path).unwrap();
    assert_eq!(marks.root, Some(MidiNote(61)));
    assert_eq!(marks.fine_tune, Cents(-25.0));
    // Back-and-forth loops, loops past the end and loops with nothing in them are not taken.
    assert_eq!(marks.loops, [FrameRange::new(100, 900), FrameRange::new(900, 1000)]);
    assert_eq!(marks.info["INAM"], "Flaschen, groß");
    assert_eq!(marks.info["ICMT"], "");
    assert_eq!(probe(&path).unwrap().marks, marks);

    let marks = read_marks(&with(&[inst])).unwrap();
    assert_eq!((marks.root, marks.fine_tune), (Some(MidiNote(40)), Cents(12.0)));
}

/// AIFF 1.3 (1989): highest byte first; the rate as an 80-bit number; markers between frames.
#[test]
fn aiff_and_aifc() {
    let folder = tempfile::tempdir().unwrap();
    let comm = |frames: u32, bits: u16, more: &[u8]| {
        let mut b = 1u16.to_be_bytes().to_vec();
        b.extend(frames.to_be_bytes());
        b.extend(bits.to_be_bytes());
        b.extend([0x40, 0x0E, 0xBB, 0x80, 0, 0, 0, 0, 0, 0]);
        b.extend(more);
        big_chunk(b"COMM", &b)
    };
    let ssnd = |data: &[u8]| big_chunk(b"SSND", &[&[0u8; 8][..], data].concat());
    let mut mark = vec![0, 2];
    mark.extend([0, 1, 0, 0, 0, 1, 4]);
    mark.extend(b"here\0"); // length byte and name: 5 bytes, one of padding
    mark.extend([0, 2, 0, 0, 0, 3, 3]);
    mark.extend(b"end");
    // Base note 57, detune +10 (play it higher: it is flat), ranges, gain, forward loop 1 to 2.
    let inst = [57, 10, 0, 127, 1, 127, 0, 0, 0, 1, 0, 1, 0, 2, 0, 0, 0, 0, 0, 0];
    let aiff = form(
        b"AIFF",
        &[
            comm(3, 24, &[]),
            big_chunk(b"MARK", &mark),
            ssnd(&[0x40, 0, 0, 0xC0, 0, 0, 0x80, 0, 0]),
            big_chunk(b"INST", &inst),
            big_chunk(b"NAME", b"odd"),
        ],
    );
    let path = put(folder.path(), "x.aif", &aiff);
    let audio = decode(&path).unwrap();
    assert_eq!((audio.rate().hz(), audio.channel(0)), (48_000, &[0.5f32, -0.5, -1.0][..]));
    let marks = probe(&path).unwrap().marks;
    assert_eq!((marks.root, marks.fine_tune), (Some(MidiNote(57)), Cents(-10.0)));
    assert_eq!((marks.loops, marks.info["INAM"].as_str()), (vec![FrameRange::new(1, 3)], "odd"));

    for (kind, bits, data, expected) in [
        (b"NONE", 8u16, vec![0x40u8, 0x80], vec![0.5f32, -1.0]),
        (b"sowt", 16, vec![0, 0x40, 0, 0x80], vec![0.5, -1.0]),
        (b"fl32", 32, [0.3f32.to_be_bytes(), (-2f32).to_be_bytes()].concat(), vec![0.3, -2.0]),
        (b"fl64", 64, [0.5f64.to_be_bytes(), (-2f64).to_be_bytes()].concat(), vec![0.5, -2.0]),
    ] {
        let c = comm(2, bits, &[&kind[..], &[0, 0]].concat());
        let path = put(folder.path(), "x.aifc", &form(b"AIFC", &[c, ssnd(&data)]));
        assert_eq!(decode(&path).unwrap().channel(0), expected, "{}", kind.escape_ascii());
    }
    let c = comm(2, 16, b"ulaw\0\0");
    let e = decode(&put(folder.path(), "x.aifc", &form(b"AIFC", &[c, ssnd(&[0; 4])]))).unwrap_err();
    assert_eq!(e.kind(), ErrorKind::UnsupportedFormat);
    assert!(e.to_string().contains("ulaw") && e.to_string().contains("24-bit PCM"), "{e}");
}

/// How many frames late `x` is against sin(2π·hz·n/rate), and its amplitude, by projection on sine
/// and cosine (a least-squares fit, Rife & Boorstyn 1974) over the middle of it.
fn late_by(x: &[f32], hz: f64, rate: f64) -> (f64, f64) {
    let margin = x.len() / 10;
    let (mut sine, mut cosine) = (0.0, 0.0);
    for (n, s) in x.iter().enumerate().take(x.len() - margin).skip(margin) {
        let phase = TAU * hz * n as f64 / rate;
        sine += f64::from(*s) * phase.sin();
        cosine += f64::from(*s) * phase.cos();
    }
    let amplitude = 2.0 * sine.hypot(cosine) / (x.len() - 2 * margin) as f64;
    (-cosine.atan2(sine) / (TAU * hz / rate), amplitude)
}

#[test]
fn flac_is_the_sine_to_the_last_bit() {
    let path = fixture("tone.flac");
    assert_eq!(probe(&path).unwrap().frames, Some(4_800));
    let audio = decode(&path).unwrap();
    assert_eq!((audio.channel_count(), audio.len(), audio.rate().hz()), (2, 4_800, 48_000));
    for (x, hz) in audio.channels().zip([440.0, 660.0]) {
        for (n, s) in x.iter().enumerate() {
            let exact = 0.5 * (TAU * hz * n as f64 / 48_000.0).sin();
            // Rounded twice on its way to 24 bits (the generator works in 32): one step at most.
            assert!((f64::from(*s) - exact).abs() <= 2f64.powi(-23), "{hz} Hz, frame {n}");
        }
    }
}

/// The coders are lossy, but their phase must be right to a tenth of a frame. The tone repeats every
/// 100 (or 18.1) frames, no priming in use (1105 = 529 + 576 frames of MP3, half a block of Vorbis) is a
/// multiple of that, and the count of frames is checked too.
#[test]
fn mp3_and_vorbis_keep_their_place_to_the_frame() {
    for (name, frames, rate) in [
        ("tone-tagged.mp3", 13_230, 44_100.0),
        ("tone.ogg", 13_230, 44_100.0),
        ("tone-pages.ogg", 32_000, 8_000.0),
    ] {
        let path = fixture(name);
        assert_eq!(probe(&path).unwrap().frames, Some(frames as u64), "{name}");
        let audio = decode(&path).unwrap();
        assert_eq!(audio.len(), frames, "{name}");
        let (late, amplitude) = late_by(audio.channel(0), 441.0, rate);
        assert!(late.abs() < 0.1, "{name}: {late} frames late");
        // Within 1 dB of the amplitude that went in.
        assert!((0.445..0.561).contains(&amplitude), "{name}: {amplitude}");
        // The tone lasts from the first frame to the last: neither end is silence.
        let period = (rate / 441.0) as usize + 1;
        for end in [&audio.channel(0)[..period], &audio.channel(0)[frames - period..]] {
            assert!(end.iter().any(|s| s.abs() > 0.25), "{name}: {end:?}");
        }
    }
}

/// Without the tag nobody knows the priming: all packets count, 1152 frames each (ISO/IEC 11172-3).
#[test]
fn mp3_without_tag_says_no_length_and_loses_nothing() {
    let path = fixture("tone-untagged.mp3");
    assert_eq!(probe(&path).unwrap().frames, None);
    let (info, planes) = by_blocks(&path).unwrap();
    assert_eq!(info.frames, Some(planes[0].len() as u64));
    assert_eq!(planes[0].len() % 1152, 0);
    assert!(planes[0].len() >= 13_230 + 1105, "{}", planes[0].len());
}

fn ranges_of(path: &Path, ranges: &[FrameRange]) -> Vec<Clip> {
    let mut clips = vec![None; ranges.len()];
    decode_ranges(path, ranges, &mut |i, clip| {
        assert!(clips[i].replace(clip).is_none(), "reported twice: {i}");
        true
    })
    .unwrap();
    clips.into_iter().map(Option::unwrap).collect()
}

#[test]
fn blocks_ranges_and_the_whole_agree() {
    let folder = tempfile::tempdir().unwrap();
    let data: Vec<u8> =
        numbers24(90_000).iter().flatten().flat_map(|s| s.to_le_bytes()[..3].to_vec()).collect();
    let wav = put(folder.path(), "x.wav", &riff(&[fmt(1, 2, 48_000, 24), chunk(b"data", &data)]));
    let mut paths = vec![wav];
    paths.extend(
        ["tone.flac", "tone-tagged.mp3", "tone-untagged.mp3", "tone.ogg", "tone-pages.ogg"].map(fixture),
    );
    for path in paths {
        let whole = decode(&path).unwrap();
        let n = whole.frames().0;
        let (info, planes) = by_blocks(&path).unwrap();
        assert_eq!(info.frames, Some(n));
        assert!(planes.iter().map(Vec::as_slice).eq(whole.channels()));
        let ranges = [
            FrameRange::new(n / 2, n / 2 + 700),
            FrameRange::new(0, 1),
            FrameRange::new(n - 1, n + 50),
            FrameRange::new(10, n - 10),
            FrameRange::new(n / 2 + 100, n / 2 + 101),
            FrameRange::new(n / 2, n / 2),
            FrameRange::new(n + 5, n + 9),
            FrameRange::new(0, u64::MAX),
        ];
        for (clip, range) in ranges_of(&path, &ranges).iter().zip(ranges) {
            assert_eq!(clip.audio, whole.part(range), "{}: {range:?}", path.display());
            assert_eq!(clip.offset, Frame(range.start.0.min(n)));
        }
        assert!(ranges_of(&path, &[]).is_empty());
    }
}

#[test]
fn stops_when_told() {
    let path = fixture("tone.flac");
    let e = seamwright::io::decode::for_each_block(&path, &mut |_| false).unwrap_err();
    assert!(e.is_cancelled());
    let e = decode_ranges(&path, &[FrameRange::new(0, 9)], &mut |_, _| false).unwrap_err();
    assert!(e.is_cancelled());
}
