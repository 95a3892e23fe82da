//! Takes for the tests, written by an independent WAV writer, and ways to run the program.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use seamwright::audio::signals;
use serde_json::Value;

pub const RATE: u32 = 48_000;

/// A note as a microphone hears it: room tone, an attack, a drifting sustain, a release, room tone.
/// `cents(t)` is the deviation from `hz` at `t` seconds after the onset.
pub fn take(hz: f64, seconds: f64, cents: impl Fn(f64) -> f64, seed: u64) -> Vec<f32> {
    let rate = f64::from(RATE);
    let lead = (0.5 * rate) as usize;
    let n = (seconds * rate) as usize;
    let tone = signals::harmonic(|t| hz * (cents(t) / 1200.0).exp2(), &[0.2, 0.08, 0.05, 0.02], rate, n);
    let mut x = signals::white_noise(0.0003, n + 2 * lead, seed);
    for (i, s) in tone.iter().enumerate() {
        let t = i as f64 / rate;
        let rise = (t / 0.03).min(1.0);
        let fall = ((seconds - t) / 0.15).clamp(0.0, 1.0);
        x[lead + i] += (f64::from(*s) * rise * fall) as f32;
    }
    x
}

pub fn steady(hz: f64, seconds: f64, seed: u64) -> Vec<f32> {
    take(hz, seconds, |t| 6.0 * (2.0 * std::f64::consts::PI * 0.4 * t).sin(), seed)
}

/// Writes mono 24-bit WAV by `hound`.
pub fn write(path: &Path, x: &[f32]) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: RATE,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut w = hound::WavWriter::create(path, spec).unwrap();
    for s in x {
        w.write_sample((f64::from(*s) * 8_388_607.0).round() as i32).unwrap();
    }
    w.finalize().unwrap();
}

/// A folder with three good takes: C4, D4, E4.
pub fn folder_of_three() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    for (name, hz, seed) in [("C4", 261.6256, 1), ("D4", 293.6648, 2), ("E4", 329.6276, 3)] {
        write(&dir.path().join(format!("{name}.wav")), &steady(hz, 3.0, seed));
    }
    dir
}

pub struct Ran {
    pub code: i32,
    pub out: String,
    pub err: String,
}

impl Ran {
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.out)
            .unwrap_or_else(|e| panic!("no JSON ({e}): {}\nstderr: {}", self.out, self.err))
    }
}

/// Runs the program.
pub fn run(args: &[&str]) -> Ran {
    ran(Command::new(env!("CARGO_BIN_EXE_seamwright")).args(args).output().unwrap())
}

pub fn ran(o: Output) -> Ran {
    Ran {
        code: o.status.code().unwrap_or(-1),
        out: String::from_utf8(o.stdout).unwrap(),
        err: String::from_utf8_lossy(&o.stderr).into_owned(),
    }
}

pub fn s(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// Proposes and accepts whatever has a loop, then gives the session file.
pub fn accepted(folder: &Path) -> PathBuf {
    let r = run(&["propose", s(folder), "--accept", "1", "--json"]);
    assert_eq!(r.code, 0, "{}", r.err);
    PathBuf::from(r.json()["session"].as_str().unwrap())
}

/// Names of what stands in a folder, hidden files left out, sorted.
pub fn visible(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = std::fs::read_dir(folder)
        .map(|d| d.flatten().map(|e| e.file_name().to_string_lossy().into_owned()).collect())
        .unwrap_or_default();
    names.retain(|n| !n.starts_with('.'));
    names.sort();
    names
}

/// Names of the sound files in a folder, sorted: not the map and the report beside them.
pub fn sounds(folder: &Path) -> Vec<String> {
    let endings = [".wav", ".flac", ".aif"];
    visible(folder).into_iter().filter(|n| endings.iter().any(|e| n.ends_with(e))).collect()
}

/// The file that says what a delivery folder holds.
pub const MANIFEST: &str = ".seamwright-delivery.json";

/// Paths below a folder with `/`, hidden files left out.
pub fn all_files(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = walkdir::WalkDir::new(folder)
        .into_iter()
        .flatten()
        .filter(|e| e.file_type().is_file() && !e.file_name().to_string_lossy().starts_with('.'))
        .map(|e| e.path().strip_prefix(folder).unwrap().to_string_lossy().replace('\\', "/"))
        .collect();
    names.sort();
    names
}
