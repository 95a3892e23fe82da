//! Every form that sound is written in, read back by an independent reader; the bytes of marks
//! against the published layouts; files above 4 GiB by their arithmetic.

mod io_support;

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use proptest::prelude::*;
use seamwright::audio::{AudioBuf, signals};
use seamwright::error::ErrorKind;
use seamwright::io::form::{Cue, FileMarks, Zone};
use seamwright::io::riff::{SourceMarks, read_marks};
use seamwright::io::wav::{Framing, Shape};
use seamwright::io::{SoundForm, decode, write_sound};
use seamwright::units::{Cents, FrameRange, MidiNote, SampleRate};
use symphonia::core::codecs::audio::AudioDecoderOptions;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatOptions, TrackType};
use symphonia::core::io::{MediaSourceStream, MediaSourceStreamOptions};
use symphonia::core::meta::MetadataOptions;

const RATE: SampleRate = SampleRate::DELIVERY;

fn marks(frames: u64) -> FileMarks {
    let text = |n: &str, t: &str| (n.to_owned(), t.to_owned());
    FileMarks {
        sound: SourceMarks {
            root: Some(MidiNote(61)),
            fine_tune: Cents(12.0),
            loops: vec![FrameRange::new(frames / 4, frames / 2)],
            info: BTreeMap::from([
                text("INAM", "Bottle ♯1"),
                text("IART", "a player"),
                text("ICOP", "CC0"),
                text("ICMT", "blown softly"),
                text("ICRD", "2024-05-18"),
                text("ISFT", "Seamwright"),
            ]),
        },
        cues: vec![Cue { frame: 3, name: "onset".into() }],
        zone: Some(Zone { keys: (MidiNote(60), MidiNote(63)), velocities: (1, 64) }),
    }
}

fn noise(channels: u64, frames: usize, rate: SampleRate) -> AudioBuf {
    let planes = (0..channels).map(|c| signals::white_noise(0.2, frames, c)).collect();
    AudioBuf::new(planes, rate).unwrap()
}

fn write(folder: &Path, audio: &AudioBuf, form: SoundForm, marks: &FileMarks) -> std::path::PathBuf {
    let path = folder.join(format!("{form:?}.{}", form.ending()));
    write_sound(&path, audio, form, marks, &|| true).unwrap();
    path
}

/// Samples by the library, which knows nothing of our reader; whole numbers as 32-bit steps.
fn by_symphonia(path: &Path) -> (u32, usize, Vec<Vec<f64>>) {
    let stream =
        MediaSourceStream::new(Box::new(fs::File::open(path).unwrap()), MediaSourceStreamOptions::default());
    let mut hint = Hint::new();
    hint.with_extension(path.extension().unwrap().to_str().unwrap());
    let mut format = symphonia::default::get_probe()
        .probe(&hint, stream, FormatOptions::default(), MetadataOptions::default())
        .unwrap();
    let params = format
        .default_track(TrackType::Audio)
        .unwrap()
        .codec_params
        .as_ref()
        .unwrap()
        .audio()
        .unwrap()
        .clone();
    // The FLAC decoder compares the sound with its MD5 then.
    let options = AudioDecoderOptions::default().verify(true);
    let mut decoder = symphonia::default::get_codecs().make_audio_decoder(&params, &options).unwrap();
    let mut planes: Vec<Vec<f64>> = Vec::new();
    while let Some(packet) = format.next_packet().unwrap() {
        let mut block: Vec<Vec<f64>> = Vec::new();
        decoder.decode(&packet).unwrap().copy_to_vecs_planar(&mut block);
        planes.resize_with(block.len(), Vec::new);
        planes.iter_mut().zip(block).for_each(|(p, b)| p.extend(b));
    }
    assert_ne!(decoder.finalize().verify_ok, Some(false), "the MD5 in the file is that of its samples");
    (params.sample_rate.unwrap(), planes.len(), planes)
}

fn by_hound(path: &Path) -> (u32, usize, Vec<Vec<f64>>) {
    let mut r = hound::WavReader::open(path).unwrap();
    let spec = r.spec();
    let channels = spec.channels as usize;
    let all: Vec<f64> = match spec.sample_format {
        hound::SampleFormat::Float => r.samples::<f32>().map(|s| f64::from(s.unwrap())).collect(),
        hound::SampleFormat::Int => {
            let full = 2f64.powi(i32::from(spec.bits_per_sample) - 1);
            r.samples::<i32>().map(|s| f64::from(s.unwrap()) / full).collect()
        }
    };
    let planes = (0..channels).map(|c| all.iter().skip(c).step_by(channels).copied().collect()).collect();
    (spec.sample_rate, channels, planes)
}

#[test]
fn independent_readers_hear_what_was_written() {
    let folder = tempfile::tempdir().unwrap();
    for form in SoundForm::ALL {
        for (channels, frames, hz) in
            [(1, 10_007, 48_000), (2, 4096, 96_000), (1, 40, 44_100), (6, 9_000, 88_200)]
        {
            let audio = noise(channels, frames, SampleRate::new(hz).unwrap());
            let path = write(folder.path(), &audio, form, &marks(frames as u64));
            let wav = path.extension().unwrap() == "wav";
            let (rate, count, planes) = if wav { by_hound(&path) } else { by_symphonia(&path) };
            assert_eq!((rate, count as u64), (hz, channels), "{form:?}");
            // Half a step of rounding and less than one of dither; floating point is exact.
            let step = if form.is_float() { 0.0 } else { 2f64.powi(1 - i32::from(form.bits())) };
            for (x, y) in audio.channels().zip(&planes) {
                assert_eq!(x.len(), y.len(), "{form:?} {channels} {frames}");
                assert!(x.iter().zip(y).all(|(a, b)| (f64::from(*a) - b).abs() <= 1.5 * step), "{form:?}");
            }
            // And our own reader hears the same as the independent one.
            let ours = decode::decode(&path).unwrap();
            for (x, y) in ours.channels().zip(&planes) {
                assert!(x.iter().zip(y).all(|(a, b)| f64::from(*a) == *b), "{form:?}");
            }
        }
    }
}

#[test]
fn marks_come_back_from_every_form() {
    let folder = tempfile::tempdir().unwrap();
    let audio = noise(1, 8001, RATE);
    for form in SoundForm::ALL {
        let path = write(folder.path(), &audio, form, &marks(8001));
        let back = read_marks(&path).unwrap();
        assert_eq!(
            (back.root, back.loops),
            (Some(MidiNote(61)), vec![FrameRange::new(2000, 4000)]),
            "{form:?}"
        );
        // AIFF keeps whole cents, the others finer.
        assert!((back.fine_tune.0 - 12.0).abs() < 1e-6, "{form:?}");
        for (name, text) in [("INAM", "Bottle ♯1"), ("IART", "a player"), ("ICOP", "CC0")] {
            assert_eq!(back.info[name], text, "{form:?}");
        }
        assert_eq!(decode::probe(&path).unwrap().marks.loops.len(), 1, "{form:?}");
    }
}

/// The chunks of a file, walked by the layout published for RIFF (lowest byte first) or AIFF.
fn chunks(bytes: &[u8], little: bool) -> Vec<(String, Vec<u8>)> {
    let number = |at: usize| {
        let b: [u8; 4] = bytes[at..at + 4].try_into().unwrap();
        if little { u32::from_le_bytes(b) } else { u32::from_be_bytes(b) }
    };
    assert_eq!(number(4) as usize + 8, bytes.len(), "the outermost length tells the truth");
    let mut at = 12;
    let mut found = Vec::new();
    while at < bytes.len() {
        let len = number(at + 4) as usize;
        found
            .push((String::from_utf8_lossy(&bytes[at..at + 4]).into(), bytes[at + 8..at + 8 + len].to_vec()));
        at += 8 + len + len % 2;
    }
    assert_eq!(at, bytes.len());
    found
}

fn find(chunks: &[(String, Vec<u8>)], id: &str) -> Vec<u8> {
    chunks.iter().find(|(i, _)| i == id).unwrap_or_else(|| panic!("{id}")).1.clone()
}

/// Microsoft/IBM, Multimedia Programming Interface and Data Specifications 1.0 (1991): `cue `, `LIST`
/// of kind `adtl` with `labl`; New Multimedia Data Types and Data Techniques, rev. 3.0 (1994): `inst`.
#[test]
fn positions_labels_and_keys_stand_where_riff_puts_them() {
    let folder = tempfile::tempdir().unwrap();
    let mut m = marks(100);
    m.cues.push(Cue { frame: 25, name: "loop start".into() });
    let bytes = fs::read(write(folder.path(), &noise(1, 100, RATE), SoundForm::Wav16, &m)).unwrap();
    let all = chunks(&bytes, true);
    assert_eq!(find(&all, "inst"), [61, 12u8.wrapping_neg(), 0, 60, 63, 1, 64]);
    let cue = find(&all, "cue ");
    let word = |i: usize| u32::from_le_bytes(cue[4 * i..4 * i + 4].try_into().unwrap());
    assert_eq!((cue.len(), word(0)), (4 + 2 * 24, 2));
    // Number, place, "data", chunk start, block start, frame.
    assert_eq!((word(1), word(2), &cue[12..16], word(4), word(5), word(6)), (1, 3, &b"data"[..], 0, 0, 3));
    assert_eq!((word(7), word(8), word(12)), (2, 25, 25));
    let list = &all.iter().find(|(id, b)| id == "LIST" && b.starts_with(b"adtl")).unwrap().1;
    assert_eq!(&list[4..], b"labl\x0a\0\0\0\x01\0\0\0onset\0labl\x0f\0\0\0\x02\0\0\0loop start\0\0");
    let info = &all.iter().find(|(id, b)| id == "LIST" && b.starts_with(b"INFO")).unwrap().1;
    for id in ["INAM", "IART", "ICOP", "ICMT", "ICRD", "ISFT"] {
        assert!(info.windows(4).any(|w| w == id.as_bytes()), "{id}");
    }
}

/// Floating point needs the length of its extension in `fmt ` and a `fact` chunk (rev. 3.0, 1994).
#[test]
fn floating_point_has_its_format_and_fact_and_no_full_scale() {
    let folder = tempfile::tempdir().unwrap();
    let audio = AudioBuf::mono(vec![2.5, -3.0, 0.1], RATE).unwrap();
    let path = write(folder.path(), &audio, SoundForm::Wav32f, &FileMarks::default());
    let all = chunks(&fs::read(&path).unwrap(), true);
    let fmt = find(&all, "fmt ");
    assert_eq!((fmt.len(), &fmt[..2], &fmt[14..18]), (18, &[3, 0][..], &[32, 0, 0, 0][..]));
    assert_eq!(find(&all, "fact"), 3u32.to_le_bytes());
    assert_eq!(by_hound(&path).2[0], [2.5, -3.0, f64::from(0.1f32)]);
    let e = write_sound(&path, &audio, SoundForm::Wav16, &FileMarks::default(), &|| true).unwrap_err();
    assert_eq!(e.kind(), ErrorKind::InvalidParameter);
}

/// Audio Interchange File Format 1.3 (1989): COMM, MARK, INST, SSND.
#[test]
fn aiff_stands_as_published() {
    let folder = tempfile::tempdir().unwrap();
    let bytes = fs::read(write(folder.path(), &noise(1, 101, RATE), SoundForm::Aiff, &marks(101))).unwrap();
    assert_eq!((&bytes[..4], &bytes[8..12]), (&b"FORM"[..], &b"AIFF"[..]));
    let all = chunks(&bytes, false);
    let comm = find(&all, "COMM");
    assert_eq!(comm[..8], [0, 1, 0, 0, 0, 101, 0, 24]);
    // 48000 = 0xBB80 as IEEE 754 extended: exponent 16383 + 15 [derived].
    assert_eq!(comm[8..], [0x40, 0x0E, 0xBB, 0x80, 0, 0, 0, 0, 0, 0]);
    let mark = find(&all, "MARK");
    assert_eq!(mark[..2], [0, 3]);
    assert_eq!(mark[2..20], *b"\0\x01\0\0\0\x19\x0aloop start\0");
    assert_eq!(mark[20..36], *b"\0\x02\0\0\0\x32\x08loop end\0");
    assert_eq!(mark[36..], *b"\0\x03\0\0\0\x03\x05onset");
    let inst = find(&all, "INST");
    assert_eq!(inst[..8], [61, 12u8.wrapping_neg(), 60, 63, 1, 64, 0, 0]);
    assert_eq!(inst[8..14], [0, 1, 0, 1, 0, 2], "forward between markers 1 and 2");
    let ssnd = find(&all, "SSND");
    assert_eq!((ssnd.len(), &ssnd[..8]), (8 + 303, &[0; 8][..]));
}

/// RFC 9639: the marker, STREAMINFO first, application blocks of the registered kind `riff`.
#[test]
fn flac_blocks_stand_as_published() {
    let folder = tempfile::tempdir().unwrap();
    let bytes = fs::read(write(folder.path(), &noise(2, 5000, RATE), SoundForm::Flac, &marks(5000))).unwrap();
    assert_eq!(&bytes[..8], b"fLaC\0\0\0\x22", "the marker, then 34 bytes of STREAMINFO");
    // Rate 20 bits, channels − 1 3 bits, bits − 1 5 bits, frames 36 bits.
    let packed = u64::from_be_bytes(bytes[18..26].try_into().unwrap());
    assert_eq!(
        (packed >> 44, packed >> 41 & 7, packed >> 36 & 31, packed & 0xF_FFFF_FFFF),
        (48_000, 1, 23, 5000)
    );
    let mut at = 4;
    let mut kinds = Vec::new();
    loop {
        let len = u32::from_be_bytes([0, bytes[at + 1], bytes[at + 2], bytes[at + 3]]) as usize;
        let kind = bytes[at] & 0x7F;
        if kind == 2 {
            assert_eq!(&bytes[at + 4..at + 8], b"riff");
        }
        kinds.push(kind);
        at += 4 + len;
        if bytes[at - 4 - len] & 0x80 != 0 {
            break;
        }
    }
    assert_eq!(kinds, [0, 2, 2, 2, 2, 4], "STREAMINFO, smpl, inst, cue, labels, texts");
    // 14 ones, a zero, the strategy bit: a frame begins.
    assert_eq!((bytes[at], bytes[at + 1] & 0xFE), (0xFF, 0xF8));
}

// ---------------------------------------------------------------- above 4 GiB

fn number(bytes: &[u8]) -> u64 {
    bytes.iter().rev().fold(0, |v, b| v << 8 | u64::from(*b))
}

/// EBU Tech 3306: RF64 with 0xFFFFFFFF for the lengths, `ds64` first with riffSize, dataSize and
/// sampleCount of 64 bits; riffSize leaves out the first 8 bytes, as in RIFF.
#[test]
fn above_four_gib_the_lengths_move_to_ds64() {
    let frames = 1u64 << 31;
    let shape = Shape { channels: 2, rate: RATE, frames };
    let f = Framing::of(shape, SoundForm::Wav24, &marks(1000)).unwrap();
    let h = &f.head;
    assert_eq!((&h[..4], number(&h[4..8]), &h[8..16]), (&b"RF64"[..], 0xFFFF_FFFF, &b"WAVEds64"[..]));
    assert_eq!(number(&h[16..20]), 28);
    let whole = h.len() as u64 + f.data_len + f.tail.len() as u64;
    assert_eq!((number(&h[20..28]), number(&h[28..36]), number(&h[36..44])), (whole - 8, frames * 6, frames));
    assert_eq!(number(&h[44..48]), 0, "no table");
    assert_eq!(&h[48..52], b"fmt ");
    assert_eq!((&h[h.len() - 8..h.len() - 4], number(&h[h.len() - 4..])), (&b"data"[..], 0xFFFF_FFFF));
}

#[test]
fn the_longest_riff_is_riff_and_one_frame_more_is_not() {
    // "WAVE", fmt and the head of data are 36 bytes; what is left of 2^32 − 1 holds whole frames of 2.
    let most = (u64::from(u32::MAX) - 36) / 2;
    for (frames, id) in [(most, b"RIFF"), (most + 1, b"RF64")] {
        let shape = Shape { channels: 1, rate: RATE, frames };
        let f = Framing::of(shape, SoundForm::Wav16, &FileMarks::default()).unwrap();
        assert_eq!(&f.head[..4], id);
        if id == b"RIFF" {
            assert_eq!(number(&f.head[4..8]), f.head.len() as u64 - 8 + f.data_len);
        }
    }
}

/// The bytes around a hole instead of samples: a file of more than 4 GiB that takes no room.
#[test]
fn a_file_above_four_gib_is_read_back() {
    use std::io::{Seek as _, SeekFrom, Write as _};
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("long.wav");
    let frames = 750_000_000;
    let shape = Shape { channels: 2, rate: RATE, frames };
    let m = FileMarks {
        sound: SourceMarks { loops: vec![FrameRange::new(7, frames)], ..marks(9).sound },
        ..marks(9)
    };
    let f = Framing::of(shape, SoundForm::Wav24, &m).unwrap();
    let mut file = fs::File::create(&path).unwrap();
    file.write_all(&f.head).unwrap();
    if file.seek(SeekFrom::Current(f.data_len as i64)).and_then(|_| file.write_all(&f.tail)).is_err() {
        eprintln!("left out: this disk holds no file of 4.2 GiB, not even an empty one");
        return;
    }
    let info = decode::probe(&path).unwrap();
    assert_eq!((info.frames, info.channels), (Some(frames), 2));
    assert_eq!((info.marks.root, info.marks.loops), (Some(MidiNote(61)), vec![FrameRange::new(7, frames)]));
}

// ---------------------------------------------------------------- dither

/// Lipshitz, Wannamaker & Vanderkooy, JAES 40(5), 1992: with TPDF dither of 2 steps the error has
/// mean 0 and power Δ²/4 for any signal, and its first two moments do not follow the signal.
#[test]
fn dither_to_16_and_24_bits_has_the_published_moments() {
    let folder = tempfile::tempdir().unwrap();
    let n = 300_000;
    for form in [SoundForm::Wav16, SoundForm::Wav24, SoundForm::Aiff, SoundForm::Flac] {
        let full = 2f64.powi(i32::from(form.bits()) - 1);
        // A tone of one step: without dither its error would be a distorted tone.
        let tone = signals::sine(997.0, 1.0 / full, 48_000.0, n);
        let audio = AudioBuf::mono(tone.clone(), RATE).unwrap();
        let back = decode::decode(&write(folder.path(), &audio, form, &FileMarks::default())).unwrap();
        let errors: Vec<f64> =
            tone.iter().zip(back.channel(0)).map(|(a, b)| f64::from(b - a) * full).collect();
        let mean = errors.iter().sum::<f64>() / n as f64;
        let power = errors.iter().map(|e| e * e).sum::<f64>() / n as f64;
        // Standard errors: of the mean 0.5/√n = 0.0009; of the power below √(0.5625 − 0.0625)/√n =
        // 0.0013 (no error is above 1.5 steps). Five of each:
        assert!(mean.abs() < 0.0046, "{form:?}: mean {mean}");
        assert!((power - 0.25).abs() < 0.0065, "{form:?}: power {power}");
        // The error shares nothing with the tone or its third harmonic: each projection on a unit
        // sine of n frames has standard deviation 0.5·√(2/n) = 0.0013. Five of them:
        for k in [1.0, 3.0] {
            let w = 2.0 * std::f64::consts::PI * 997.0 * k / 48_000.0;
            let along: f64 = errors.iter().enumerate().map(|(i, e)| e * (w * i as f64).sin()).sum();
            assert!((2.0 * along / n as f64).abs() < 0.0065, "{form:?}: harmonic {k}");
        }
    }
}

#[test]
fn a_cancel_leaves_no_file() {
    let folder = tempfile::tempdir().unwrap();
    for form in SoundForm::ALL {
        let path = folder.path().join("x");
        let e =
            write_sound(&path, &noise(1, 20_000, RATE), form, &FileMarks::default(), &|| false).unwrap_err();
        assert!(e.is_cancelled(), "{form:?}: {e}");
    }
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
}

#[test]
fn what_a_form_cannot_hold_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x");
    let refused = |audio: &AudioBuf, form, marks: &FileMarks, word: &str| {
        let e = write_sound(&path, audio, form, marks, &|| true).unwrap_err();
        assert_eq!(e.kind(), ErrorKind::InvalidParameter);
        assert!(e.to_string().contains(word), "{form:?}: {e}");
    };
    refused(&noise(9, 100, RATE), SoundForm::Flac, &FileMarks::default(), "1 to 8");
    let fast = noise(1, 100, SampleRate::new(192_000).unwrap());
    refused(&fast, SoundForm::Flac, &FileMarks::default(), "96000 Hz");
    write_sound(&folder.path().join("fast"), &fast, SoundForm::Wav16, &FileMarks::default(), &|| true)
        .unwrap();
    for form in SoundForm::ALL {
        let outside = FileMarks {
            sound: SourceMarks { loops: vec![FrameRange::new(0, 101)], ..marks(8).sound },
            ..marks(8)
        };
        refused(&noise(1, 100, RATE), form, &outside, "0 to 100");
    }
    let late = FileMarks { cues: vec![Cue { frame: 101, name: "x".into() }], ..FileMarks::default() };
    refused(&noise(1, 100, RATE), SoundForm::Wav24, &late, "0 to 100");
    assert!(!path.exists());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    /// A file cut or with a flipped byte never brings the reader down.
    #[test]
    fn no_damaged_file_breaks_the_reader(form in 0usize..5, cut in 0usize..3000, flip in 0usize..3000, with in 1u8..) {
        let folder = tempfile::tempdir().unwrap();
        let path = write(folder.path(), &noise(1, 300, RATE), SoundForm::ALL[form], &marks(300));
        let mut bytes = fs::read(&path).unwrap();
        let at = flip % bytes.len();
        bytes[at] ^= with;
        bytes.truncate(bytes.len().saturating_sub(cut % bytes.len()));
        fs::write(&path, bytes).unwrap();
        let _ = read_marks(&path);
        let _ = decode::decode(&path);
    }
}
