//! `flatten` from outside: what it writes against what it says, read by an independent reader.

use std::f64::consts::TAU;
use std::path::Path;

use super::make::*;

/// Samples of all channels, interleaved, as steps.
fn steps(path: &Path) -> Vec<i32> {
    hound::WavReader::open(path).unwrap().samples::<i32>().map(Result::unwrap).collect()
}

/// A file of `channels` interleaved at 48 kHz with so many bits.
fn write_steps(path: &Path, channels: u16, bits: u16, x: &[i32]) {
    let sample_format = hound::SampleFormat::Int;
    let spec = hound::WavSpec { channels, sample_rate: RATE, bits_per_sample: bits, sample_format };
    let mut w = hound::WavWriter::create(path, spec).unwrap();
    x.iter().for_each(|s| w.write_sample(*s).unwrap());
    w.finalize().unwrap();
}

fn map_of(j: &serde_json::Value) -> Vec<(f64, f64)> {
    j["map"].as_array().unwrap().iter().map(|p| (p[0].as_f64().unwrap(), p[1].as_f64().unwrap())).collect()
}

/// Reads the straight lines between the points of a map.
fn along(map: &[(f64, f64)], m: f64) -> f64 {
    let i = map.partition_point(|p| p.0 <= m).clamp(1, map.len() - 1);
    let ((m0, p0), (m1, p1)) = (map[i - 1], map[i]);
    p0 + (p1 - p0) * (m - m0) / (m1 - m0)
}

#[test]
fn nothing_asked_for_gives_the_samples_back() {
    let dir = tempfile::tempdir().unwrap();
    let (path, to) = (dir.path().join("a.wav"), dir.path().join("b.wav"));
    let tone = take(261.9, 2.0, |t| 4.0 * t, 3);
    for (bits, scale) in [(24u16, 8_388_607.0), (16, 32_767.0)] {
        // Two channels that differ.
        let x: Vec<i32> = tone
            .iter()
            .flat_map(|s| [f64::from(*s) * scale, f64::from(*s) * scale * 0.7].map(|v| v.round() as i32))
            .collect();
        write_steps(&path, 2, bits, &x);
        let nothing = ["--centre", "0", "--drift", "0", "--vibrato", "0", "--json"];
        let r = run(&[&["flatten", s(&path), "--to", s(&to)], &nothing[..]].concat());
        assert_eq!(r.code, 0, "{}", r.err);
        let factor = 1 << (24 - bits);
        assert_eq!(steps(&to), x.iter().map(|s| s * factor).collect::<Vec<_>>(), "{bits} bits");
        let j = r.json();
        assert_eq!(j["frames"].as_u64().unwrap() as usize, tone.len());
        assert_eq!(map_of(&j), [(0.0, 0.0), (tone.len() as f64, tone.len() as f64)]);
    }
}

/// The map that is told is where the sound was read: a pair of slow waves a quarter period apart,
/// recorded in two further channels beside the note, tells by its angle.
#[test]
fn the_map_told_is_the_map_read() {
    let dir = tempfile::tempdir().unwrap();
    let (path, to) = (dir.path().join("a.wav"), dir.path().join("b.wav"));
    let tone = take(440.0, 2.0, |t| 18.0 + 30.0 * (TAU * 5.0 * t).sin() + 8.0 * (TAU * 0.6 * t).sin(), 4);
    let period = 6_000.0;
    let x: Vec<i32> = tone
        .iter()
        .enumerate()
        .flat_map(|(n, s)| {
            let a = TAU * n as f64 / period;
            // The slow pair is 40 dB below the note: the mix is tracked by the note.
            [f64::from(*s), 0.002 * a.cos(), 0.002 * a.sin()].map(|v| (v * 8_388_607.0).round() as i32)
        })
        .collect();
    write_steps(&path, 3, 24, &x);
    for rate in ["48000", "44100"] {
        let r = run(&["flatten", s(&path), "--to", s(&to), "--vibrato", "100", "--rate", rate, "--json"]);
        assert_eq!(r.code, 0, "{}", r.err);
        let j = r.json();
        let map = map_of(&j);
        assert_eq!(map[map.len() - 1].0, j["frames"].as_f64().unwrap());
        let y = steps(&to);
        assert_eq!(y.len(), 3 * j["frames"].as_u64().unwrap() as usize);
        let (mut sum, mut count, mut worst) = (0.0, 0.0, 0f64);
        // Away from the ends, where the slow pair begins and stops.
        for m in (2_000..y.len() / 3 - 2_000).step_by(7) {
            let (re, im) = (f64::from(y[3 * m + 1]), f64::from(y[3 * m + 2]));
            let turns = im.atan2(re) / TAU - along(&map, m as f64) / period;
            let off = (turns - turns.round()) * period;
            sum += off;
            count += 1.0;
            worst = worst.max(off.abs());
        }
        // The reader's own rounding to 24 bits (0.6 of a step rms on 16777 steps of amplitude) turns
        // the angle by 3.6e-5: 0.034 frames rms of this period, five times that at most among some
        // ten thousand values; the mean of them is told a hundred times better.
        let spread = 0.6 / 16_777.0 / TAU * period;
        assert!(worst < 5.5 * spread, "{rate}: {worst} frames");
        let mean: f64 = sum / count;
        assert!(mean.abs() < 1e-3 + 4.0 * spread / f64::sqrt(count), "{rate}: {mean} frames");
    }
}

#[test]
fn far_moves_and_several_sounds_are_told() {
    let dir = tempfile::tempdir().unwrap();
    let (path, to) = (dir.path().join("a.wav"), dir.path().join("b.wav"));
    // Sounds D4, is to be C4: a whole tone down, in one reading.
    write(&path, &take(293.6648, 2.0, |t| 3.0 * (TAU * 0.7 * t).sin(), 5));
    let r = run(&["flatten", s(&path), "--to", s(&to), "--target", "C4", "--json"]);
    assert_eq!(r.code, 0, "{}", r.err);
    assert!(r.err.contains("−2.0 semitones"), "{}", r.err);
    let j = run(&["check", s(&to), "--json"]).json();
    assert_eq!(j["files"][0]["root"], 60, "{j}");
    // The centre left alone: what sounds is told as what it is.
    let r = run(&["flatten", s(&path), "--to", s(&to), "--target", "C4", "--centre", "0", "--json"]);
    assert_eq!(r.code, 0, "{}", r.err);
    assert!(!r.err.contains("semitones"), "{}", r.err);
    assert_eq!(run(&["check", s(&to), "--json"]).json()["files"][0]["root"], 62);
    // Two octaves are somebody else's way of counting octaves.
    let r = run(&["flatten", s(&path), "--to", s(&to), "--target", "D6"]);
    assert_eq!(r.code, 2, "{}", r.err);
    assert!(r.err.contains("octave"), "{}", r.err);
    // Two notes in one file: along the longer one.
    let mut both = take(220.0, 2.6, |_| 12.0, 6);
    both.extend(take(329.6276, 1.2, |_| -9.0, 7));
    write(&path, &both);
    let r = run(&["flatten", s(&path), "--to", s(&to), "--json"]);
    assert_eq!(r.code, 0, "{}", r.err);
    assert!(r.err.contains("2 sounds"), "{}", r.err);
    let j = r.json();
    assert!((j["target_hz"].as_f64().unwrap() - 220.0).abs() < 1e-6, "{j}");
    assert!((j["deviation_cents_rms"]["before"].as_f64().unwrap() - 12.0).abs() < 0.3);
    assert!(j["deviation_cents_rms"]["after"].as_f64().unwrap() < 0.3);
}

#[test]
fn another_reference_pitch_moves_the_target() {
    let dir = tempfile::tempdir().unwrap();
    let (path, to) = (dir.path().join("a.wav"), dir.path().join("b.wav"));
    write(&path, &take(440.0, 2.0, |_| 0.0, 5));
    let j = run(&["flatten", s(&path), "--to", s(&to), "--a4", "443", "--json"]).json();
    assert!((j["target_hz"].as_f64().unwrap() - 443.0).abs() < 1e-9);
    // 1200·log2(443/440) = 11.76 cents faster.
    let map = map_of(&j);
    let pace = (along(&map, 80_000.0) - along(&map, 30_000.0)) / 50_000.0;
    assert!((pace - 443.0 / 440.0).abs() < 1e-5, "{pace}");
}

/// Samples at full scale stand below their own wave: read between them it must not be refused.
#[test]
fn a_wave_above_full_scale_is_lowered_and_told() {
    let dir = tempfile::tempdir().unwrap();
    let (path, to) = (dir.path().join("a.wav"), dir.path().join("b.wav"));
    // A quarter of the rate, sampled at 45 degrees: the wave is 3 dB above its samples.
    let mut x = vec![0f32; RATE as usize / 2];
    let n = 2 * RATE as usize;
    x.extend((0..n).map(|i| {
        let ends = (i.min(n - i) as f64 / 2_400.0).min(1.0);
        // A note of 1500 Hz whose eighth partial is the one at a quarter of the rate.
        let t = TAU * (i as f64 / 4.0 + 0.125);
        (ends * (0.25 * (t / 8.0).sin() + 1.05 * t.sin())).clamp(-0.999, 0.999) as f32
    }));
    x.extend(vec![0f32; RATE as usize / 2]);
    write(&path, &x);
    let r = run(&["flatten", s(&path), "--to", s(&to), "--target", "1503Hz", "--json"]);
    assert_eq!(r.code, 0, "{}", r.err);
    assert!(r.err.contains("lowered by"), "{}", r.err);
    assert!(steps(&to).iter().any(|v| v.abs() >= 8_388_600));
}
