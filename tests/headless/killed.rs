//! Deliveries that are killed at random moments: what is left is whole and told truthfully, and going on
//! from there comes to the same bytes as a delivery that nobody disturbed.

use std::collections::{BTreeMap, HashSet};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant, SystemTime};

use serde_json::Value;

use super::make::*;

const KILLS: usize = 48;
/// How many files a delivery of this set begins at most: three takes, two maps, three reports, and the
/// manifest before and after most of them.
const PARTS: u64 = 18;
/// Names a seed to see a failure again.
const SEED: &str = "SEAMWRIGHT_KILL_SEED";

/// Numbers by splitmix64 (Steele, Lea & Flood, OOPSLA 2014): any seed gives another series.
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    fn below(&mut self, n: u64) -> u64 {
        self.next() % n
    }

    /// 0 to 1.
    fn part(&mut self) -> f64 {
        self.next() as f64 / u64::MAX as f64
    }
}

/// What every file of a folder holds.
fn contents(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    all_files(folder).into_iter().map(|n| (n.clone(), std::fs::read(folder.join(n)).unwrap())).collect()
}

/// What holds at every moment: under its own name a file is, byte for byte, one of those that a delivery
/// that nobody disturbs writes; the manifest is whole, knows every file, and each of its claims is so.
/// Gives the number of files that it does not claim.
fn tells_the_truth(out: &Path, wholes: &[BTreeMap<String, Vec<u8>>], when: &str) -> usize {
    let there = contents(out);
    let Ok(bytes) = std::fs::read(out.join(MANIFEST)) else {
        assert!(there.is_empty(), "{when}: files without a manifest");
        return 0;
    };
    let manifest: Value = serde_json::from_slice(&bytes).unwrap_or_else(|e| panic!("{when}: {e}"));
    let entries = manifest["files"].as_object().unwrap();
    for (name, bytes) in &there {
        assert!(wholes.iter().any(|w| w.get(name) == Some(bytes)), "{when}: {name} is not whole");
        assert!(entries.contains_key(name), "{when}: {name} is not known as ours");
    }
    let claims = entries.iter().map(|(name, e)| (name, e["is"].as_str().unwrap()));
    let (empty, full): (Vec<_>, Vec<_>) = claims.partition(|(_, is)| is.is_empty());
    for (name, is) in full {
        let bytes = there.get(name).unwrap_or_else(|| panic!("{when}: {name} is claimed and not there"));
        assert_eq!(blake3::hash(bytes).to_hex().as_str(), is, "{when}: {name}");
    }
    empty.len()
}

fn begin(session: &Path, out: &Path, form: &str) -> Child {
    let mut command = Command::new(env!("CARGO_BIN_EXE_seamwright"));
    command.args(["deliver", s(session), "--to", s(out), "--resume", "--format", form, "--title", "set"]);
    command.args(["--map", "sfz,sf2-24"]).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap()
}

fn whole(session: &Path, out: &Path, form: &str) -> BTreeMap<String, Vec<u8>> {
    assert!(begin(session, out, form).wait().unwrap().success());
    contents(out)
}

/// Waits until so many files were seen while they were being written, or the delivery is over.
fn until_part(child: &mut Child, out: &Path, count: u64) {
    let mut seen = HashSet::new();
    while child.try_wait().unwrap().is_none() {
        let names = std::fs::read_dir(out).into_iter().flatten().flatten().map(|e| e.file_name());
        seen.extend(names.filter(|n| n.to_string_lossy().ends_with(".part")));
        if seen.len() as u64 >= count {
            return;
        }
    }
}

fn copy(from: &Path, to: &Path) {
    let _ = std::fs::remove_dir_all(to);
    std::fs::create_dir(to).unwrap();
    for entry in std::fs::read_dir(from).into_iter().flatten().flatten() {
        std::fs::copy(entry.path(), to.join(entry.file_name())).unwrap();
    }
}

fn seed() -> u64 {
    let given = std::env::var(SEED).ok().and_then(|s| s.parse().ok());
    let now = || SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).unwrap().as_nanos() as u64;
    given.unwrap_or_else(now)
}

/// Three short takes: what is cheap can be killed often.
fn short_takes(dir: &Path) -> PathBuf {
    for (name, hz, n) in [("C4", 261.6256, 1), ("D4", 293.6648, 2), ("E4", 329.6276, 3)] {
        write(&dir.join(format!("{name}.wav")), &steady(hz, 1.0, n));
    }
    accepted(dir)
}

#[test]
fn killed_at_any_moment_nothing_but_whole_files_and_the_truth() {
    let dir = tempfile::tempdir().unwrap();
    let takes = dir.path().join("takes");
    std::fs::create_dir(&takes).unwrap();
    let session = short_takes(&takes);
    let began = Instant::now();
    let first = whole(&session, &dir.path().join("24"), "wav24");
    let lasts = began.elapsed();
    let wholes = [first, whole(&session, &dir.path().join("16"), "wav16")];
    assert_eq!(wholes[0].len(), 3 + 2 + 3);
    let (out, resumed) = (dir.path().join("out"), dir.path().join("resumed"));
    let seed = seed();
    let mut random = Random(seed);
    let (mut kills, mut unfinished) = (0, 0);
    for i in 0..5 * KILLS {
        if kills == KILLS {
            break;
        }
        // Every third time from the beginning, else going on; now and then in another form.
        if i % 3 == 0 {
            let _ = std::fs::remove_dir_all(&out);
        }
        let form = if random.below(5) == 4 { "wav16" } else { "wav24" };
        // Half of the moments lie anywhere, half where a file is being written: most of these files are
        // the manifest.
        let when = if i % 2 == 0 {
            let moment = lasts.mul_f64(random.part());
            let mut child = begin(&session, &out, form);
            std::thread::sleep(moment);
            kills += usize::from(kill(&mut child));
            format!("{SEED}={seed}, kill {i} after {moment:?}")
        } else {
            let (part, more) = (1 + random.below(PARTS), Duration::from_micros(random.below(2000)));
            let mut child = begin(&session, &out, form);
            until_part(&mut child, &out, part);
            std::thread::sleep(more);
            kills += usize::from(kill(&mut child));
            format!("{SEED}={seed}, kill {i} at file {part} and {more:?}")
        };
        unfinished += usize::from(tells_the_truth(&out, &wholes, &when) > 0);
        copy(&out, &resumed);
        assert!(whole(&session, &resumed, "wav24") == wholes[0], "{when}: resumed, it is something else");
        let hidden = std::fs::read_dir(&resumed).unwrap().flatten().map(|e| e.file_name());
        let hidden: Vec<_> = hidden.filter(|n| n.to_string_lossy().starts_with('.')).collect();
        assert_eq!(hidden, [MANIFEST], "{when}: parts of killed deliveries are cleared away");
    }
    assert_eq!(kills, KILLS, "{SEED}={seed}: the deliveries ended before they could be killed");
    assert!(unfinished >= KILLS / 4, "{SEED}={seed}: only {unfinished} were killed while they wrote");
}

/// Kills it; whether it was still at work.
fn kill(child: &mut Child) -> bool {
    let at_work = child.try_wait().unwrap().is_none();
    child.kill().unwrap();
    child.wait().unwrap();
    at_work
}
