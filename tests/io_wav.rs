//! Writing 24-bit WAV: the bytes against the published layout, an independent reader, the noise of
//! quantisation against its formula; and that files appear whole or not at all.

mod io_support;

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use seamwright::audio::{AudioBuf, signals};
use seamwright::error::{Error, ErrorKind};
use seamwright::io::{atomic, decode, riff::SourceMarks, riff::read_marks, wav::write24};
use seamwright::units::{Cents, FrameRange, MidiNote, SampleRate};

const RATE: SampleRate = SampleRate::DELIVERY;

fn marks() -> SourceMarks {
    SourceMarks {
        root: Some(MidiNote(61)),
        fine_tune: Cents(-25.0),
        loops: vec![FrameRange::new(2, 5)],
        info: BTreeMap::from([("INAM".into(), "Cellar bottle ♯1".into()), ("ISFT".into(), "x".into())]),
    }
}

fn sine(frames: usize) -> AudioBuf {
    AudioBuf::mono(signals::sine(440.0, 0.5, 48_000.0, frames), RATE).unwrap()
}

/// Microsoft/IBM, Multimedia Programming Interface and Data Specifications 1.0 (1991) for the frame
/// and `fmt `; New Multimedia Data Types and Data Techniques, rev. 3.0 (1994) for `smpl`.
#[test]
fn every_byte_stands_where_the_specification_puts_it() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.wav");
    write24(&path, &sine(5), &marks()).unwrap();
    let b = fs::read(&path).unwrap();
    let u16_at = |i: usize| u16::from_le_bytes([b[i], b[i + 1]]);
    let u32_at = |i: usize| u32::from_le_bytes(b[i..i + 4].try_into().unwrap());
    assert_eq!((&b[..4], &b[8..16]), (&b"RIFF"[..], &b"WAVEfmt "[..]));
    assert_eq!(u32_at(4) as usize, b.len() - 8);
    assert_eq!((u32_at(16), u16_at(20), u16_at(22)), (16, 1, 1));
    assert_eq!((u32_at(24), u32_at(28), u16_at(32), u16_at(34)), (48_000, 144_000, 3, 24));
    assert_eq!((&b[36..40], u32_at(40)), (&b"data"[..], 15));
    assert_eq!(b[59], 0, "an odd body is padded");
    // smpl: manufacturer, product, period in ns, unity note, fraction, SMPTE format and offset,
    // number of loops, extra bytes.
    let s = 60;
    assert_eq!((&b[s..s + 4], u32_at(s + 4)), (&b"smpl"[..], 36 + 24));
    let head: Vec<u32> = (0..9).map(|i| u32_at(s + 8 + 4 * i)).collect();
    assert_eq!(head, [0, 0, 20_833, 60, 0xC000_0000, 0, 0, 1, 0]);
    // Loop: id, type (0 forward), start, end (the last frame that sounds), fraction, count (0 for ever).
    let l: Vec<u32> = (0..6).map(|i| u32_at(s + 44 + 4 * i)).collect();
    assert_eq!(l, [0, 0, 2, 4, 0, 0]);
    let i = s + 8 + 60;
    assert_eq!((&b[i..i + 4], &b[i + 8..i + 16]), (&b"LIST"[..], &b"INFOINAM"[..]));
    let text = "Cellar bottle ♯1\0".as_bytes();
    assert_eq!(u32_at(i + 16) as usize, text.len());
    assert_eq!(&b[i + 20..i + 20 + text.len()], text);
    assert_eq!(u32_at(i + 4) as usize, b.len() - (i + 8));
}

#[test]
fn marks_come_back() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.wav");
    for (root, tune, loops) in [
        (Some(MidiNote(60)), 49.9, vec![FrameRange::new(0, 100)]),
        (Some(MidiNote(127)), -49.9, vec![]),
        (Some(MidiNote(0)), 0.0, vec![FrameRange::new(10, 11), FrameRange::new(3, 99)]),
        (None, 0.0, vec![]),
    ] {
        let marks = SourceMarks { root, fine_tune: Cents(tune), loops, ..marks() };
        write24(&path, &sine(100), &marks).unwrap();
        let back = read_marks(&path).unwrap();
        // The fraction's step is 100/2^32 cents.
        assert!((back.fine_tune.0 - tune).abs() <= 100.0 / 2f64.powi(32));
        assert_eq!(SourceMarks { fine_tune: Cents(tune), ..back }, marks);
    }
}

#[test]
fn an_independent_reader_sees_the_same_samples() {
    let folder = tempfile::tempdir().unwrap();
    for channels in [1, 2, 3, 8] {
        let path = folder.path().join("a.wav");
        // Not a multiple of the writer's blocks.
        let planes: Vec<_> = (0..channels).map(|c| signals::white_noise(0.2, 10_007, c)).collect();
        let audio = AudioBuf::new(planes, SampleRate::new(96_000).unwrap()).unwrap();
        write24(&path, &audio, &marks_within(10_007)).unwrap();
        let mut reader = hound::WavReader::open(&path).unwrap();
        let spec = reader.spec();
        assert_eq!(
            (u64::from(spec.channels), spec.sample_rate, spec.bits_per_sample),
            (channels, 96_000, 24)
        );
        let samples: Vec<i32> = reader.samples::<i32>().map(Result::unwrap).collect();
        assert_eq!(samples.len() as u64, channels * 10_007);
        let back = decode::decode(&path).unwrap();
        for (c, (x, y)) in audio.channels().zip(back.channels()).enumerate() {
            for i in 0..x.len() {
                let step = samples[i * channels as usize + c];
                assert_eq!(f64::from(y[i]) * 8_388_608.0, f64::from(step));
                // Half a step of rounding and less than one of dither.
                assert!((f64::from(x[i]) * 8_388_608.0 - f64::from(step)).abs() <= 1.5);
            }
        }
    }
}

fn marks_within(frames: u64) -> SourceMarks {
    SourceMarks { loops: vec![FrameRange::new(0, frames)], ..marks() }
}

/// The total error of TPDF-dithered quantisation has mean 0 and power Δ²/4 for any signal. Source:
/// Lipshitz, Wannamaker & Vanderkooy, JAES 40(5), 1992.
#[test]
fn quantisation_noise_is_a_quarter_step_squared_whatever_the_signal() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.wav");
    let n = 400_000;
    let step = 2f32.powi(-23);
    for (name, x) in [
        ("nearly silence", (0..n).map(|i| if i == 7 { 0.25 * step } else { 0.0 }).collect()),
        ("a constant 0.3 of a step", vec![0.3 * step; n]),
        ("a constant half a step", vec![0.5 * step; n]),
        ("a sine of one step", signals::sine(997.0, f64::from(step), 48_000.0, n)),
        // Full-scale floats lie on half steps: their own grid must not bend the result.
        ("a loud sine", signals::sine(997.0, 0.9, 48_000.0, n)),
    ] {
        let audio = AudioBuf::mono(x, RATE).unwrap();
        write24(&path, &audio, &SourceMarks::default()).unwrap();
        let back = decode::decode(&path).unwrap();
        let errors: Vec<f64> = audio
            .channel(0)
            .iter()
            .zip(back.channel(0))
            .map(|(a, b)| f64::from(b - a) * 8_388_608.0)
            .collect();
        let mean = errors.iter().sum::<f64>() / n as f64;
        let power = errors.iter().map(|e| e * e).sum::<f64>() / n as f64;
        // Standard error of the mean: 0.5/√n = 0.0008. Of the power: no error is above 1.5 steps, so
        // E e⁴ ≤ 1.5²·¼ and the standard error is below √(0.5625 − 0.0625)/√n = 0.0011. Five of each:
        assert!(mean.abs() < 0.004, "{name}: mean {mean}");
        assert!((power - 0.25).abs() < 0.0056, "{name}: power {power}");
    }
}

/// Where nothing has to be rounded nothing is dithered: read by an independent reader, 24-bit and
/// 16-bit values come out as they were, the lowest and highest among them.
#[test]
fn whole_steps_come_out_unchanged() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.wav");
    let noise = signals::white_noise(0.2, 5_000, 3);
    let steps = |scale: f64| -> Vec<i32> {
        let mut v: Vec<i32> = noise.iter().map(|s| (f64::from(*s) * scale) as i32).collect();
        v.extend([-8_388_608, 8_388_607, 0, 1, -1].map(|s| (f64::from(s) * scale / 8_388_608.0) as i32));
        v
    };
    for (name, wanted) in [
        ("24 bits", steps(8_388_608.0)),
        ("16 bits", steps(32_768.0).into_iter().map(|s| s * 256).collect()),
        ("silence", vec![0; 4_000]),
    ] {
        let x: Vec<f32> = wanted.iter().map(|s| (f64::from(*s) / 8_388_608.0) as f32).collect();
        write24(&path, &AudioBuf::new(vec![x.clone(), x.clone()], RATE).unwrap(), &SourceMarks::default())
            .unwrap();
        let read: Vec<i32> =
            hound::WavReader::open(&path).unwrap().samples::<i32>().map(Result::unwrap).collect();
        assert_eq!(read.len(), 2 * wanted.len(), "{name}");
        assert!(read.chunks(2).zip(&wanted).all(|(frame, s)| frame == [*s, *s]), "{name}");
        // One sample between two steps: the whole file, in both channels, is dithered.
        let mut between = x.clone();
        between[100] = 0.3 / 8_388_608.0;
        write24(&path, &AudioBuf::new(vec![between, x], RATE).unwrap(), &SourceMarks::default()).unwrap();
        let read: Vec<i32> =
            hound::WavReader::open(&path).unwrap().samples::<i32>().map(Result::unwrap).collect();
        // TPDF of ±1 step rounds away with probability ¼ (the area beyond half a step).
        for channel in 0..2 {
            let changed = wanted.iter().enumerate().filter(|(i, s)| read[2 * i + channel] != **s).count();
            let expected = 0.25 * wanted.len() as f64;
            let spread = (wanted.len() as f64 * 0.25 * 0.75).sqrt();
            assert!((changed as f64 - expected).abs() < 5.0 * spread, "{name}: {changed}");
        }
    }
}

#[test]
fn the_same_audio_gives_the_same_bits_and_other_audio_other_dither() {
    let folder = tempfile::tempdir().unwrap();
    let bytes = |name: &str, x: Vec<Vec<f32>>| {
        let path = folder.path().join(name);
        write24(&path, &AudioBuf::new(x, RATE).unwrap(), &SourceMarks::default()).unwrap();
        fs::read(path).unwrap()
    };
    let a = bytes("a.wav", vec![vec![1e-8; 1000]; 2]);
    assert_eq!(a, bytes("b.wav", vec![vec![1e-8; 1000]; 2]));
    let mut other = vec![vec![1e-8; 1000]; 2];
    other[0][999] = 0.5;
    assert_ne!(a[44..4000], bytes("c.wav", other)[44..4000]);
    // The channels do not share their dither.
    assert!(a[44..].chunks_exact(6).any(|f| f[..3] != f[3..]));
}

#[test]
fn full_scale_fits_and_beyond_is_refused_with_the_gain_that_would_do() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.wav");
    let full = AudioBuf::mono([1.0, -1.0].repeat(500), RATE).unwrap();
    write24(&path, &full, &SourceMarks::default()).unwrap();
    let back = decode::decode(&path).unwrap();
    assert!(back.channel(0).iter().all(|s| s.abs() >= 1.0 - 3.0 * 2f32.powi(-23)));

    let over = AudioBuf::new(vec![vec![0.0; 9], [vec![0.0; 7], vec![-2.0, 1.5]].concat()], RATE).unwrap();
    let e = write24(&path, &over, &SourceMarks::default()).unwrap_err();
    assert_eq!(e.kind(), ErrorKind::InvalidParameter);
    // 20·log10(2) = 6.0206 dB.
    assert!(e.to_string().contains("sample 7 of channel 2"), "{e}");
    assert!(e.to_string().contains("lower the gain by 6.03 dB"), "{e}");
    // What stood there stands there still.
    assert_eq!(decode::decode(&path).unwrap().len(), 1000);
}

#[test]
fn impossible_marks_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.wav");
    let text = |name: &str, t: &str| BTreeMap::from([(name.to_owned(), t.to_owned())]);
    for (bad, word) in [
        (SourceMarks { loops: vec![FrameRange::new(0, 101)], ..marks() }, "0 to 100"),
        (SourceMarks { loops: vec![FrameRange::new(5, 5)], ..marks() }, "at least 1 frame"),
        (SourceMarks { fine_tune: Cents(50.1), ..marks() }, "-50 to 50"),
        (SourceMarks { fine_tune: Cents(f64::NAN), ..marks() }, "-50 to 50"),
        (SourceMarks { root: None, ..marks() }, "root key"),
        (SourceMarks { root: Some(MidiNote(128)), ..marks() }, "0 to 127"),
        (SourceMarks { root: Some(MidiNote(0)), ..marks() }, "above key 0"),
        (SourceMarks { info: text("TOOLONG", "x"), ..marks() }, "four ASCII"),
        (SourceMarks { info: text("INAM", "a\0b"), ..marks() }, "zero characters"),
    ] {
        let e = write24(&path, &sine(100), &bad).unwrap_err();
        assert_eq!(e.kind(), ErrorKind::InvalidParameter);
        assert!(e.to_string().contains(word) && e.to_string().contains("a.wav"), "{e}");
    }
    let empty = AudioBuf::mono(vec![], RATE).unwrap();
    assert_eq!(write24(&path, &empty, &SourceMarks::default()).unwrap_err().kind(), ErrorKind::Nothing);
    assert!(!path.exists() && leftovers(folder.path()) == 0);
}

fn leftovers(folder: &Path) -> usize {
    fs::read_dir(folder)
        .unwrap()
        .filter(|e| e.as_ref().unwrap().path().extension().is_some_and(|x| x == "part"))
        .count()
}

#[test]
fn a_file_appears_whole_or_not_at_all() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.bin");
    atomic::write(&path, |out| {
        out.write_all(&[1; 300_000]).unwrap();
        // Neither there nor under its own name yet.
        assert!(!path.exists());
        assert_eq!(leftovers(folder.path()), 1);
        Ok(())
    })
    .unwrap();
    assert_eq!(fs::read(&path).unwrap(), vec![1; 300_000]);

    let e = atomic::write(&path, |out| {
        out.write_all(&[2; 300_000]).unwrap();
        Err(Error::cancelled())
    });
    assert!(e.unwrap_err().is_cancelled());
    assert_eq!(fs::read(&path).unwrap(), vec![1; 300_000]);

    let panicked = std::panic::catch_unwind(|| atomic::write(&path, |_| panic!("on purpose")));
    assert!(panicked.is_err());
    assert_eq!((fs::read(&path).unwrap()[0], leftovers(folder.path())), (1, 0));

    atomic::write(&path, |out| out.write_all(b"new").map_err(|e| Error::io("write", &path, &e))).unwrap();
    assert_eq!((fs::read(&path).unwrap(), leftovers(folder.path())), (b"new".to_vec(), 0));
}

#[test]
fn places_that_cannot_be_written_are_named() {
    let folder = tempfile::tempdir().unwrap();
    let fails = |path: &Path| atomic::write(path, |_| Ok(())).unwrap_err();
    assert_eq!(fails(&folder.path().join("no/such/a.wav")).kind(), ErrorKind::NotFound);
    assert_eq!(fails(folder.path()).kind(), ErrorKind::NameClash);
    assert_eq!(fails(Path::new("/")).kind(), ErrorKind::InvalidParameter);
    let guarded = folder.path().join("guarded.wav");
    fs::write(&guarded, "x").unwrap();
    let mut rights = fs::metadata(&guarded).unwrap().permissions();
    rights.set_readonly(true);
    fs::set_permissions(&guarded, rights).unwrap();
    assert_eq!(fails(&guarded).kind(), ErrorKind::Permission);
    assert_eq!(fs::read(&guarded).unwrap(), b"x");
    assert_eq!(leftovers(folder.path()), 0);
}

#[cfg(unix)]
#[test]
fn rights_are_those_of_any_new_file_and_links_stay() {
    use std::os::unix::fs::PermissionsExt as _;
    let folder = tempfile::tempdir().unwrap();
    let (ours, any) = (folder.path().join("ours"), folder.path().join("any"));
    atomic::write(&ours, |_| Ok(())).unwrap();
    fs::write(&any, "").unwrap();
    let mode = |p: &Path| fs::metadata(p).unwrap().permissions().mode();
    assert_eq!(mode(&ours), mode(&any));

    let link = folder.path().join("link");
    std::os::unix::fs::symlink(&any, &link).unwrap();
    atomic::write(&link, |out| out.write_all(b"through").map_err(|e| Error::io("write", &link, &e))).unwrap();
    assert!(fs::symlink_metadata(&link).unwrap().file_type().is_symlink());
    assert_eq!(fs::read(&any).unwrap(), b"through");
}
