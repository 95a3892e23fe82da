//! Maps that other programs play: SFZ text parsed by an independent library, SoundFonts laid out as
//! published and played by an independent synthesizer.

mod io_support;

use std::f64::consts::PI;
use std::fs;
use std::io::Cursor;
use std::path::Path;
use std::sync::Arc;

use rustysynth::{SoundFont, Synthesizer, SynthesizerSettings};
use seamwright::audio::{AudioBuf, signals};
use seamwright::error::ErrorKind;
use seamwright::io::form::Zone;
use seamwright::io::sf2::{BankTexts, Sf2Writer};
use seamwright::io::sf2_hydra::{Instrument, Preset};
use seamwright::io::sfz::{self, SfzGroup, SfzRegion};
use seamwright::units::{Cents, FrameRange, MidiNote, SampleRate, Seconds};

const RATE: SampleRate = SampleRate::DELIVERY;
/// Holds 1, 2, 4, 5, 8, 10… whole periods of what follows: the loop is exact.
const SECOND: u64 = 48_000;

fn zone(low: u8, high: u8, velocities: (u8, u8)) -> Zone {
    Zone { keys: (MidiNote(low), MidiNote(high)), velocities }
}

fn tone(hz: f64, channels: usize) -> AudioBuf {
    let x = signals::sine(hz, 0.25, 48_000.0, 2 * SECOND as usize);
    AudioBuf::new(vec![x; channels], RATE).unwrap()
}

const TEXTS: fn() -> BankTexts =
    || BankTexts { name: "bottles".into(), copyright: "CC0".into(), ..Default::default() };
const RELEASE: Seconds = Seconds(0.3);

/// A bank of one preset from (tone, root, fine tune, loop, zone).
fn bank(path: &Path, bits24: bool, sounds: &[(AudioBuf, u8, f64, Option<FrameRange>, Zone)]) {
    let mut w = Sf2Writer::new(path, bits24).unwrap();
    let zones = sounds
        .iter()
        .map(|(audio, root, fine, l, zone)| {
            (w.add("bottle", audio, *l, MidiNote(*root), Cents(*fine)).unwrap(), *zone)
        })
        .collect();
    let instrument = Instrument { name: "bottles".into(), zones, release: RELEASE };
    w.finish(&TEXTS(), &[Preset { name: "bottles".into(), program: 0, instruments: vec![instrument] }])
        .unwrap();
}

fn synthesizer(path: &Path) -> Synthesizer {
    let font = SoundFont::new(&mut Cursor::new(fs::read(path).unwrap())).unwrap();
    let mut settings = SynthesizerSettings::new(48_000);
    settings.enable_reverb_and_chorus = false;
    Synthesizer::new(&Arc::new(font), &settings).unwrap()
}

fn played(path: &Path, key: i32, velocity: i32, seconds: f64) -> (Vec<f32>, Vec<f32>) {
    let mut s = synthesizer(path);
    s.note_on(0, key, velocity);
    let n = (seconds * 48_000.0) as usize;
    let (mut left, mut right) = (vec![0.0; n], vec![0.0; n]);
    s.render(&mut left, &mut right);
    (left, right)
}

/// The frequency of a sine from its first to its last rising zero crossing, each found between two
/// samples by a straight line.
fn hz(x: &[f32]) -> f64 {
    let crossings: Vec<f64> = x
        .windows(2)
        .enumerate()
        .filter(|(_, w)| w[0] < 0.0 && w[1] >= 0.0)
        .map(|(i, w)| i as f64 + f64::from(w[0]) / f64::from(w[0] - w[1]))
        .collect();
    let span = crossings.last().unwrap() - crossings[0];
    (crossings.len() - 1) as f64 * 48_000.0 / span
}

fn note_hz(key: f64) -> f64 {
    440.0 * ((key - 69.0) / 12.0).exp2()
}

/// Each key sounds the sample that the map says, in both velocities, at its pitch. Every sample is
/// a tone that no other could be taken for: its distance from its root key is told as fine tune.
#[test]
fn every_key_sounds_its_sample_within_a_cent() {
    let folder = tempfile::tempdir().unwrap();
    for bits24 in [false, true] {
        let path = folder.path().join("b.sf2");
        let parts = [
            (57, 61, 60, 21.0, (1, 63)),
            (62, 66, 64, -34.0, (1, 63)),
            (57, 61, 60, 8.0, (64, 127)),
            (62, 66, 64, 0.0, (64, 127)),
        ];
        let sounds: Vec<_> = parts
            .iter()
            .map(|(low, high, root, fine, velocities)| {
                let tone = tone(note_hz(f64::from(*root) + fine / 100.0), 1);
                (tone, *root, *fine, None, zone(*low, *high, *velocities))
            })
            .collect();
        bank(&path, bits24, &sounds);
        for velocity in [30, 100] {
            for key in 57..=66 {
                let (left, _) = played(&path, key, velocity, 0.6);
                // With its fine tune taken out, whatever sounds is at the key's own pitch.
                let off = 1200.0 * (hz(&left[4800..]) / note_hz(f64::from(key))).log2();
                assert!(off.abs() < 1.0, "key {key}, velocity {velocity}: {off} cents");
            }
            assert!(played(&path, 56, velocity, 0.1).0.iter().all(|s| *s == 0.0), "no key below");
            assert!(played(&path, 67, velocity, 0.1).0.iter().all(|s| *s == 0.0), "no key above");
        }
        // Without fine tune the tones tell which sample it is: each at another distance from its key.
        let raw: Vec<_> = sounds.iter().map(|(a, r, _, l, z)| (a.clone(), *r, 0.0, *l, *z)).collect();
        bank(&path, bits24, &raw);
        for (low, high, _, fine, velocities) in parts {
            for key in [low, high] {
                // The softest strokes are cut off by the player as not to be heard.
                let (left, _) = played(&path, i32::from(key), i32::from(velocities.1), 0.6);
                let off = 1200.0 * (hz(&left[4800..]) / note_hz(f64::from(key))).log2();
                assert!((off - fine).abs() < 1.0, "key {key}: {off}, not {fine}");
            }
        }
    }
}

/// A loop of whole periods held for a minute: no step at any join. The second difference of a sine is
/// at most A·w²; a step of d would stand out by d.
#[test]
fn a_loop_sounds_for_a_minute_without_a_step() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("b.sf2");
    // 440 periods in the loop of one second. And loops that the form cannot hold as they are: of 8
    // frames (one period of 6 kHz), and from the very first frame.
    for (f, root, l) in [
        (440.0, 69, FrameRange::new(10_000, 10_000 + SECOND)),
        (6000.0, 114, FrameRange::new(800, 808)),
        (6000.0, 114, FrameRange::new(0, 8)),
    ] {
        let fine = 1200.0 * (f / note_hz(f64::from(root))).log2();
        bank(&path, true, &[(tone(f, 1), root, fine, Some(l), zone(0, 127, (1, 127)))]);
        let (left, _) = played(&path, i32::from(root), 127, 60.0);
        let peak = left[48_000..].iter().fold(0f32, |p, s| p.max(s.abs()));
        assert!(peak > 0.01, "it sounds on");
        let w = 2.0 * PI * f / 48_000.0;
        let bend = left[4800..]
            .windows(3)
            .map(|x| (f64::from(x[2]) - 2.0 * f64::from(x[1]) + f64::from(x[0])).abs())
            .fold(0.0, f64::max);
        // The player interpolates in straight lines, whose corners are as bent as the sine itself: twice.
        assert!(bend < 2.0 * f64::from(peak) * w * w + 2e-4, "{l:?}: {bend} of {peak}");
        let last = &left[left.len() - 48_000..];
        let last_peak = last.iter().fold(0f32, |p, s| p.max(s.abs()));
        assert!((last_peak / peak - 1.0).abs() < 0.01, "as loud as at first: {last_peak} of {peak}");
    }
}

#[test]
fn two_channels_come_out_left_and_right() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("b.sf2");
    let left = signals::sine(400.0, 0.25, 48_000.0, 48_000);
    let right = signals::sine(600.0, 0.25, 48_000.0, 48_000);
    let audio = AudioBuf::new(vec![left, right], RATE).unwrap();
    bank(&path, false, &[(audio, 67, 0.0, None, zone(0, 127, (1, 127)))]);
    let (l, r) = played(&path, 67, 100, 0.5);
    assert!((hz(&l[4800..]) - 400.0).abs() < 0.1 && (hz(&r[4800..]) - 600.0).abs() < 0.1);
}

fn u32_at(b: &[u8], i: usize) -> u32 {
    u32::from_le_bytes(b[i..i + 4].try_into().unwrap())
}

/// Chunks between `from` and `to`: name, place of the body, length.
fn chunks(b: &[u8], mut from: usize, to: usize) -> Vec<(String, usize, usize)> {
    let mut found = Vec::new();
    while from < to {
        let len = u32_at(b, from + 4) as usize;
        found.push((String::from_utf8_lossy(&b[from..from + 4]).into(), from + 8, len));
        from += 8 + len + len % 2;
    }
    assert_eq!(from, to);
    found
}

/// SoundFont 2.04: three lists in order; the nine tables in order with their row sizes; 46 zero
/// frames after each sample; 8 frames around a loop of 32 or more; in `sm24` the lowest bytes.
#[test]
fn the_layout_is_the_published_one() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("b.sf2");
    let sounds: Vec<_> = [FrameRange::new(3, 20), FrameRange::new(1000, 1500)]
        .map(|l| (tone(440.0, 1), 69, -12.4, Some(l), zone(60, 72, (1, 127))))
        .into();
    bank(&path, true, &sounds);
    let b = fs::read(&path).unwrap();
    assert_eq!((&b[..4], u32_at(&b, 4) as usize + 8, &b[8..12]), (&b"RIFF"[..], b.len(), &b"sfbk"[..]));
    let lists = chunks(&b, 12, b.len());
    let kinds: Vec<&[u8]> = lists.iter().map(|(_, at, _)| &b[*at..at + 4]).collect();
    assert_eq!(kinds, [b"INFO", b"sdta", b"pdta"]);
    let info = chunks(&b, lists[0].1 + 4, lists[0].1 + lists[0].2);
    assert_eq!((info[0].0.as_str(), &b[info[0].1..info[0].1 + 4]), ("ifil", &[2, 0, 4, 0][..]));
    assert!(info.iter().all(|(_, _, len)| len % 2 == 0));
    assert!(["isng", "INAM", "ICOP", "ISFT"].iter().all(|id| info.iter().any(|(n, _, _)| n == id)));
    let sdta = chunks(&b, lists[1].1 + 4, lists[1].1 + lists[1].2);
    let (smpl, sm24) = (&sdta[0], &sdta[1]);
    assert_eq!((smpl.0.as_str(), sm24.0.as_str()), ("smpl", "sm24"));
    let frames = smpl.2 / 2;
    assert_eq!(sm24.2, frames + frames % 2);
    let pdta = chunks(&b, lists[2].1 + 4, lists[2].1 + lists[2].2);
    let names: Vec<&str> = pdta.iter().map(|c| c.0.as_str()).collect();
    assert_eq!(names, ["phdr", "pbag", "pmod", "pgen", "inst", "ibag", "imod", "igen", "shdr"]);
    for ((name, _, len), size) in pdta.iter().zip([38, 4, 10, 4, 22, 4, 10, 4, 46]) {
        assert_eq!(len % size, 0, "{name}");
    }
    let (_, shdr, len) = &pdta[8];
    assert_eq!(len / 46, 3, "two samples and the row that ends the table");
    let mut end_before = 0;
    for i in 0..2 {
        let h = &b[shdr + 46 * i..shdr + 46 * (i + 1)];
        let [start, end, loop_start, loop_end, rate] = [20, 24, 28, 32, 36].map(|at| u32_at(h, at) as usize);
        assert!(start >= end_before && loop_start >= start + 8 && end >= loop_end + 8, "{i}");
        assert!(loop_end - loop_start >= 32);
        assert_eq!((loop_end - loop_start) % [17, 500][i], 0, "whole rounds");
        // Root key, correction in cents (the sound is 12.4 flat), no link, mono.
        assert_eq!((rate, h[40], h[41] as i8, &h[42..46]), (48_000, 69, 12, &[0, 0, 1, 0][..]));
        let zeros = &b[smpl.1 + 2 * end..smpl.1 + 2 * (end + 46)];
        assert!(zeros.iter().all(|z| *z == 0) && b[sm24.1 + end..sm24.1 + end + 46].iter().all(|z| *z == 0));
        // Both halves together are the sound: within a step and a half of 24 bits of what went in.
        let at = |f: usize| {
            let upper = i16::from_le_bytes([b[smpl.1 + 2 * f], b[smpl.1 + 2 * f + 1]]);
            f64::from(i32::from(upper) << 8 | i32::from(b[sm24.1 + f])) / 8_388_608.0
        };
        let tone = tone(440.0, 1);
        for f in 0..20 {
            assert!((at(start + f) - f64::from(tone.channel(0)[f])).abs() <= 1.5 / 8_388_608.0);
        }
        // What follows the loop is what follows its start, dither aside.
        for k in 0..8 {
            assert!((at(loop_end + k) - at(loop_start + k)).abs() <= 3.0 / 8_388_608.0);
        }
        end_before = end + 46;
    }
    assert_eq!(end_before, frames);
}

/// A cancel while the bank is put together leaves nothing behind; it is asked for every 128 KiB.
#[test]
fn putting_it_together_can_be_stopped() {
    let folder = tempfile::tempdir().unwrap();
    let whole = |go_on: &dyn Fn() -> bool| {
        let mut w = Sf2Writer::new(&folder.path().join("b.sf2"), true).unwrap();
        let long = AudioBuf::mono(signals::sine(440.0, 0.2, 48_000.0, 400_000), RATE).unwrap();
        let index = w.add("x", &long, None, MidiNote(69), Cents(0.0)).unwrap();
        let zones = vec![(index, zone(0, 127, (1, 127)))];
        let i = Instrument { name: "x".into(), zones, release: RELEASE };
        w.finish_while(&TEXTS(), &[Preset { name: "x".into(), program: 0, instruments: vec![i] }], go_on)
    };
    let asked = std::cell::Cell::new(0u64);
    let count = |no_at: u64| {
        asked.set(0);
        whole(&|| {
            asked.set(asked.get() + 1);
            asked.get() != no_at
        })
    };
    for no_at in [1, 3, 7] {
        assert!(count(no_at).unwrap_err().is_cancelled());
        assert_eq!(asked.get(), no_at);
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
    }
    count(u64::MAX).unwrap();
    // 400 046 frames of three bytes.
    assert!(asked.get() >= 3 * 400_046 / (1 << 17), "{}", asked.get());
}

#[test]
fn sixteen_bits_have_no_lower_half_and_nothing_is_left_behind() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("b.sf2");
    bank(&path, false, &[(tone(440.0, 1), 69, 0.0, None, zone(0, 127, (1, 127)))]);
    let b = fs::read(&path).unwrap();
    assert!(!b.windows(4).any(|w| w == b"sm24"));
    let mut w = Sf2Writer::new(&folder.path().join("c.sf2"), true).unwrap();
    w.add("x", &tone(440.0, 1), None, MidiNote(69), Cents(0.0)).unwrap();
    let outside = w.add("x", &tone(440.0, 1), Some(FrameRange::new(0, 1 << 20)), MidiNote(69), Cents(0.0));
    assert_eq!(outside.unwrap_err().kind(), ErrorKind::InvalidParameter);
    drop(w);
    let empty = Sf2Writer::new(&folder.path().join("d.sf2"), true).unwrap().finish(&TEXTS(), &[]);
    assert_eq!(empty.unwrap_err().kind(), ErrorKind::Nothing);
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
}

// ---------------------------------------------------------------- SFZ

fn groups() -> Vec<SfzGroup> {
    let region = |sample: &str, layer: u8| SfzRegion {
        sample: sample.into(),
        zone: zone(58, 61, if layer == 0 { (1, 63) } else { (64, 127) }),
        root: MidiNote(60),
        fine_tune: Cents(-12.4),
        looping: (layer == 0).then(|| FrameRange::new(1000, 5000)),
        turn: (2, 3),
    };
    vec![
        SfzGroup { name: "layer 1".into(), regions: vec![region("layer 1/bottles C4 1.wav", 0)] },
        SfzGroup { name: "layer 2".into(), regions: vec![region("layer 2/bottles C#4 2.wav", 1)] },
    ]
}

/// An independent parser finds the opcodes of version 1.0 where they belong. It leaves out some that
/// it lists (`seq_length`, `loop_start`, `loop_end`): those are looked for in the text.
#[test]
fn an_independent_parser_reads_the_text_map() {
    let folder = tempfile::tempdir().unwrap();
    let text = sfz::text("bottles", &groups(), RELEASE).unwrap();
    fs::create_dir(folder.path().join("layer 1")).unwrap();
    let path = folder.path().join("b.sfz");
    fs::write(&path, &text).unwrap();
    let instrument = sofiza::Instrument::from_file(&path).unwrap();
    assert_eq!((instrument.groups(), instrument.regions()), (2, 2));
    let all = format!("{instrument:?}");
    for word in [
        "lokey(58)",
        "hikey(61)",
        "pitch_keycenter(60)",
        "tune(12)",
        "lovel(1)",
        "hivel(63)",
        "lovel(64)",
        "hivel(127)",
        "seq_position(2)",
        "loop_continuous",
        "no_loop",
        "ampeg_release(0.3)",
        "bottles C#4 2.wav",
    ] {
        assert!(all.contains(word), "{word} in {all}");
    }
    for word in [" seq_length=3 ", " loop_start=1000 loop_end=4999 "] {
        assert!(text.contains(word), "{word} in {text}");
    }
    // And our own reader finds the same.
    let back = sfz::regions(&text);
    assert_eq!(back.len(), 2);
    assert_eq!(back[0].get("sample"), Some("layer 1/bottles C4 1.wav"));
    assert_eq!((back[0].looping(), back[1].looping()), (Some((1000, 5000)), None));
    assert_eq!((back[1].number("lovel"), back[1].get("ampeg_release")), (Some(64), Some("0.3")));
}

/// Only opcodes of the published list of version 1.0 are used.
#[test]
fn only_published_opcodes_are_written() {
    const PUBLISHED: &[&str] = &[
        "sample",
        "lokey",
        "hikey",
        "key",
        "lovel",
        "hivel",
        "pitch_keycenter",
        "tune",
        "seq_length",
        "seq_position",
        "loop_mode",
        "loop_start",
        "loop_end",
        "ampeg_release",
    ];
    for region in sfz::regions(&sfz::text("x", &groups(), RELEASE).unwrap()) {
        for (name, _) in &region.opcodes {
            assert!(PUBLISHED.contains(&name.as_str()), "{name}");
        }
    }
}

#[test]
fn paths_that_would_be_misread_are_refused() {
    for bad in ["a=b.wav", "x//y.wav", "<z>.wav"] {
        let mut g = groups();
        g[0].regions[0].sample = bad.into();
        assert_eq!(sfz::text("x", &g, RELEASE).unwrap_err().kind(), ErrorKind::NameClash, "{bad}");
    }
}
