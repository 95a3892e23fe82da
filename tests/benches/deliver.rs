//! How many times faster than it sounds a set is delivered (goal: 40 times on two cores), how much
//! memory that takes for few and many takes, and how long a delivery goes on after it was asked to
//! stop (goal: 0.2 s). Runs the program itself.

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

use seamwright::audio::signals::{harmonic, white_noise};
use seamwright::session::{Document, Take, TakeId, store};

const RATE: u32 = 48_000;
/// Sound of a take.
const SECONDS: usize = 14;
/// Room tone before and after.
const QUIET_S: f64 = 0.5;
/// Different recordings, which the takes share out among them.
const FILES: usize = 3;

/// A stereo take: drifting, with breath, each side its own noise.
fn write(path: &Path, hz: f64, seed: u64) {
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: RATE,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let rate = f64::from(RATE);
    let n = SECONDS * RATE as usize;
    let quiet = (QUIET_S * rate) as usize;
    let cents = |t: f64| 8.0 * (2.0 * std::f64::consts::PI * 0.3 * t).sin();
    let tone = harmonic(|t| hz * (cents(t) / 1200.0).exp2(), &[0.2, 0.1, 0.05, 0.02], rate, n);
    let sides = [2 * seed, 2 * seed + 1].map(|s| white_noise(4e-4, n + 2 * quiet, s));
    let mut out = hound::WavWriter::create(path, spec).expect("bench file");
    for i in 0..n + 2 * quiet {
        let t = (i as f64 - quiet as f64) / rate;
        let shape = (t / 0.05).clamp(0.0, 1.0) * ((SECONDS as f64 - t) / 0.3).clamp(0.0, 1.0);
        let sound = i.checked_sub(quiet).and_then(|i| tone.get(i)).copied().unwrap_or(0.0) * shape as f32;
        for side in &sides {
            out.write_sample(((sound + side[i]) * 8_388_607.0) as i32).expect("bench file");
        }
    }
    out.finalize().expect("bench file");
}

fn program() -> Command {
    let mut program = Command::new(env!("CARGO_BIN_EXE_seamwright"));
    program.stdout(Stdio::null()).stderr(Stdio::null());
    program
}

/// A session of the recordings in `folder`, with a recipe for each.
fn proposed(folder: &Path) -> (PathBuf, Document) {
    let ok = program().args(["propose", "--accept", "0"]).arg(folder).status().expect("the program runs");
    assert!(ok.success(), "the takes are proposed");
    let path = store::path_for_folder(folder);
    let document = store::read(&path).expect("a session");
    assert_eq!(document.takes.len(), FILES);
    (path, document)
}

/// The same session with `count` takes.
fn with_takes(path: &Path, document: &Document, count: usize) {
    let take = |i: usize| {
        let one = &document.takes[i % FILES];
        Arc::new(Take { id: TakeId(i as u32 + 1), layer: (i / FILES) as u16, ..(**one).clone() })
    };
    let many = Document { takes: (0..count).map(take).collect(), ..document.clone() };
    store::save(path, &many).expect("the session is saved");
}

fn begin(session: &Path, out: &Path) -> Child {
    let _ = std::fs::remove_dir_all(out);
    program().arg("deliver").arg(session).arg("--to").arg(out).spawn().expect("the program runs")
}

/// Largest memory that the process has held so far, in MB, where the system tells.
fn peak_mb(child: &Child) -> Option<f64> {
    let status = std::fs::read_to_string(format!("/proc/{}/status", child.id())).ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    Some(line.split_whitespace().nth(1)?.parse::<f64>().ok()? / 1024.0)
}

/// Seconds of one core that the process has used so far, where the system tells; Linux counts them in
/// hundredths (proc(5), fields 14 and 15; the hundredth is common practice, no source).
fn core_seconds(child: &Child) -> Option<f64> {
    let stat = std::fs::read_to_string(format!("/proc/{}/stat", child.id())).ok()?;
    // The second field is the name in brackets, which may hold spaces.
    let mut fields = stat.rsplit_once(") ")?.1.split_whitespace().skip(11);
    let mut next = || fields.next()?.parse::<f64>().ok();
    Some((next()? + next()?) / 100.0)
}

fn speed_and_memory(session: &Path, document: &Document, out: &Path) {
    for count in [30, 120] {
        with_takes(session, document, count);
        let began = Instant::now();
        let mut child = begin(session, out);
        let (mut peak, mut used) = (None, None);
        while child.try_wait().expect("the program runs").is_none() {
            peak = peak_mb(&child).or(peak);
            used = core_seconds(&child).or(used);
            std::thread::sleep(Duration::from_millis(20));
        }
        let took = began.elapsed().as_secs_f64();
        let sound = count as f64 * (SECONDS as f64 + 2.0 * QUIET_S);
        let files = std::fs::read_dir(out).expect("files").flatten();
        let sounds = files.filter(|f| f.path().extension().is_some_and(|e| e == "wav")).count();
        assert_eq!(sounds, count);
        println!(
            "{count} takes of {:.0} s stereo: {took:.1} s, {:.0} × real time ({} a core), peak memory {}",
            sound / count as f64,
            sound / took,
            used.map_or("not told".into(), |s| format!("{:.0} ×", sound / s)),
            peak.map_or("not told".into(), |mb| format!("{mb:.0} MB"))
        );
    }
}

fn stopping(session: &Path, out: &Path) {
    let mut waits = Vec::new();
    for i in 0..16 {
        let mut child = begin(session, out);
        // Moments spread by the golden ratio over the first seconds.
        std::thread::sleep(Duration::from_secs_f64(0.4 + 3.0 * (f64::from(i) * 0.618_034).fract()));
        let asked = Instant::now();
        let sent = Command::new("kill").args(["-INT", &child.id().to_string()]).status();
        if !sent.is_ok_and(|s| s.success()) {
            println!("stopping is not measured: no `kill` here");
            let _ = child.wait();
            return;
        }
        child.wait().expect("it ends");
        waits.push(1000.0 * asked.elapsed().as_secs_f64());
    }
    waits.sort_by(f64::total_cmp);
    println!(
        "asked to stop {} times: median {:.0} ms, longest {:.0} ms",
        waits.len(),
        waits[waits.len() / 2],
        waits[waits.len() - 1]
    );
}

fn main() {
    let folder = tempfile::tempdir().expect("a folder for the bench files");
    let takes = folder.path().join("takes");
    std::fs::create_dir(&takes).expect("a folder");
    for (i, (name, hz)) in [("A3", 220.0), ("C4", 261.6256), ("E4", 329.6276)].into_iter().enumerate() {
        write(&takes.join(format!("{name}.wav")), hz, i as u64);
    }
    let (session, document) = proposed(&takes);
    let out = folder.path().join("out");
    speed_and_memory(&session, &document, &out);
    stopping(&session, &out);
}
