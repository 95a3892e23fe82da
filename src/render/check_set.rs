//! Reading a delivered folder back, or anybody's: its sound files, its maps, what is missing.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::check::{self, Checked};
use super::manifest::Manifest;
use crate::dsp::looping::{self, SeamAudit};
use crate::error::{Error, ErrorKind, Result};
use crate::io::decode::has_ending;
use crate::io::sf2_read::{self, Bank, BankSample};
use crate::io::{DELIVERY_MANIFEST, decode, hash, sfz};
use crate::jobs::Job;
use crate::units::{FrameRange, Hertz, SampleRate};

/// What a folder (or one file) turned out to be.
#[derive(Debug, Default)]
pub struct CheckedSet {
    /// Its sound files.
    pub files: Vec<(PathBuf, Result<Checked>)>,
    /// Its maps.
    pub maps: Vec<(PathBuf, Result<CheckedMap>)>,
    /// What a map or the manifest names and is not there.
    pub missing: Vec<String>,
    /// Sound files that no map sounds.
    pub unused: Vec<String>,
    /// Files that are not what the manifest says.
    pub changed: Vec<String>,
}

/// What a map turned out to be.
#[derive(Debug, Default)]
pub struct CheckedMap {
    /// How many regions (SFZ) or samples (SoundFont) it has.
    pub regions: usize,
    /// The files it names, where they would be.
    pub names: Vec<PathBuf>,
    /// The seams of a SoundFont's looped samples.
    pub audits: Vec<(String, SeamAudit)>,
    /// What is wrong with it, in sentences.
    pub problems: Vec<String>,
}

impl CheckedSet {
    /// Whether nothing at all is wrong.
    pub fn is_good(&self) -> bool {
        self.files.iter().all(|(_, r)| r.as_ref().is_ok_and(|c| c.problems.is_empty()))
            && self.maps.iter().all(|(_, r)| r.as_ref().is_ok_and(|m| m.problems.is_empty()))
            && self.missing.is_empty()
            && self.changed.is_empty()
    }
}

/// Reads back a sound file, a map (with the files it names) or a folder, judging pitch by `a4`.
///
/// Unlike a survey, this looks into delivered folders: that is what it is for. Errors: nothing to
/// read there; `Cancelled`. What cannot be read is in the result.
pub fn check_path(path: &Path, a4: Hertz, job: &Job) -> Result<CheckedSet> {
    let (mut sounds, maps) = if path.is_dir() { listed(path)? } else { single(path)? };
    let mut set = CheckedSet::default();
    for map in maps {
        job.check()?;
        let result = if has_ending(&map, &["sf2"]) { check_bank(&map, job) } else { check_sfz(&map) };
        if path.is_file()
            && let Ok(m) = &result
        {
            sounds.extend(m.names.iter().filter(|n| n.exists()).cloned());
        }
        set.maps.push((map, result));
    }
    sounds.sort_by(|a, b| natord::compare(&a.to_string_lossy(), &b.to_string_lossy()));
    sounds.dedup();
    job.begin("check", sounds.len() as u64);
    let go_on = || !job.cancel.is_cancelled();
    set.files = sounds
        .into_par_iter()
        .map(|path| {
            let result = job.check().and_then(|()| check::check_file(&path, a4, &go_on));
            job.advance(1);
            (path, result)
        })
        .collect();
    job.check()?;
    compare_with_maps(path, &mut set);
    if path.is_dir() {
        compare_with_manifest(path, &mut set, job)?;
    }
    Ok(set)
}

fn single(path: &Path) -> Result<(Vec<PathBuf>, Vec<PathBuf>)> {
    std::fs::metadata(path).map_err(|e| Error::io("read", path, &e))?;
    let whole = vec![path.to_path_buf()];
    Ok(if has_ending(path, &["sfz", "sf2"]) { (Vec::new(), whole) } else { (whole, Vec::new()) })
}

/// Sound files and maps of a folder and the folders in it; nothing hidden.
fn listed(folder: &Path) -> Result<(Vec<PathBuf>, Vec<PathBuf>)> {
    std::fs::read_dir(folder).map_err(|e| Error::io("read", folder, &e))?;
    let hidden = |e: &walkdir::DirEntry| e.depth() > 0 && e.file_name().to_string_lossy().starts_with('.');
    let entries = walkdir::WalkDir::new(folder).max_depth(8).sort_by_file_name();
    let files: Vec<PathBuf> = entries
        .into_iter()
        .filter_entry(|e| !hidden(e))
        .flatten()
        .filter(|e| e.path().is_file())
        .map(walkdir::DirEntry::into_path)
        .collect();
    let of = |endings: &[&str]| files.iter().filter(|f| has_ending(f, endings)).cloned().collect::<Vec<_>>();
    let (sounds, maps) = (of(decode::ENDINGS), of(&["sfz", "sf2"]));
    if sounds.is_empty() && maps.is_empty() {
        let hint = if folder.join(DELIVERY_MANIFEST).exists() { "; its delivery wrote none" } else { "" };
        return Err(Error::new(
            ErrorKind::NothingHere,
            format!(
                "there is no sound file in {}{hint}; looked for files that end in {}",
                folder.display(),
                decode::ENDINGS.join(", ")
            ),
        ));
    }
    Ok((sounds, maps))
}

/// A path below the folder, with `/` between folders.
fn below(folder: &Path, path: &Path) -> String {
    let inside = path.strip_prefix(folder).unwrap_or(path);
    inside.components().map(|c| c.as_os_str().to_string_lossy()).collect::<Vec<_>>().join("/")
}

/// Compares what the text maps name with what is there.
fn compare_with_maps(path: &Path, set: &mut CheckedSet) {
    let folder = if path.is_dir() { path } else { path.parent().unwrap_or(Path::new("")) };
    let real = |p: &Path| std::fs::canonicalize(p).unwrap_or_else(|_| p.to_path_buf());
    let mut named = BTreeSet::new();
    let mut has_text_map = false;
    for (map, result) in &set.maps {
        has_text_map |= has_ending(map, &["sfz"]);
        for name in result.as_ref().map(|m| m.names.as_slice()).unwrap_or_default() {
            if !name.exists() {
                set.missing.push(below(folder, name));
            }
            named.insert(real(name));
        }
    }
    if has_text_map {
        let unused = set.files.iter().filter(|(p, _)| !named.contains(&real(p)));
        set.unused = unused.map(|(p, _)| below(folder, p)).collect();
    }
    set.missing.sort();
    set.missing.dedup();
}

fn compare_with_manifest(folder: &Path, set: &mut CheckedSet, job: &Job) -> Result<()> {
    let go_on = || !job.cancel.is_cancelled();
    for (name, entry) in Manifest::read(folder).files {
        let path = folder.join(&name);
        if !path.exists() {
            if !entry.is.is_empty() && !set.missing.contains(&name) {
                set.missing.push(name);
            }
        } else if entry.is.is_empty() {
            set.changed.push(format!("{name} was being written when the delivery ended; deliver again"));
        } else {
            let (_, now) = hash::hash_file(&path, &go_on)?;
            if now != entry.is {
                set.changed.push(format!("{name} is not the file that was delivered"));
            }
        }
    }
    Ok(())
}

fn check_sfz(path: &Path) -> Result<CheckedMap> {
    let regions = sfz::read(path)?;
    let mut map = CheckedMap { regions: regions.len(), ..CheckedMap::default() };
    if regions.is_empty() {
        map.problems.push("it holds no region".into());
    }
    let folder = path.parent().unwrap_or(Path::new(""));
    for r in &regions {
        let mut say = |text: String| map.problems.push(format!("line {}: {text}", r.line));
        let Some(sample) = r.get("sample") else {
            say("the region names no sample".into());
            continue;
        };
        if sample.starts_with('*') {
            // A generated wave, no file.
            continue;
        }
        let file = folder.join(sample.replace('\\', "/"));
        for (name, low, high) in [("lokey", 0, 127), ("hikey", 0, 127), ("pitch_keycenter", 0, 127)] {
            if let Some(n) = r.key(name)
                && !(low..=high).contains(&n)
            {
                say(format!("{name} is {n}; allowed: {low} to {high}"));
            }
        }
        if r.key("lokey").zip(r.key("hikey")).is_some_and(|(low, high)| low > high) {
            say("its lowest key lies above its highest".into());
        }
        if let Ok(info) = decode::probe(&file) {
            if let Some((start, end)) = r.looping() {
                let outside = info.frames.filter(|f| !(0 <= start && start < end && end <= *f as i64));
                let own = info.marks.loops.first().map(|l| (l.start.0 as i64, l.end.0 as i64));
                if let Some(frames) = outside {
                    say(format!(
                        "its loop from {start} to {end} does not lie in the {frames} frames of {sample}"
                    ));
                } else if let Some((from, to)) = own.filter(|own| *own != (start, end)) {
                    say(format!(
                        "it loops {sample} from {start} to {end}; the file says from {from} to {to}"
                    ));
                }
            }
            if let (Some(said), Some(root)) = (r.key("pitch_keycenter"), info.marks.root)
                && said != i64::from(root.0)
            {
                say(format!("it plays {sample} as key {said}; the file says {}", root.0));
            }
        }
        map.names.push(file);
    }
    Ok(map)
}

fn check_bank(path: &Path, job: &Job) -> Result<CheckedMap> {
    let bank = sf2_read::open(path)?;
    let mut map = CheckedMap { regions: bank.samples.len(), ..CheckedMap::default() };
    if bank.samples.is_empty() || bank.presets == 0 {
        map.problems.push("it holds no sample or no preset".into());
    }
    for s in &bank.samples {
        job.check()?;
        let before = map.problems.len();
        bad_sample(&bank, s, &mut map.problems);
        if map.problems.len() > before || !s.looped {
            continue;
        }
        match audit_sample(&bank, s) {
            Ok(a) => {
                if a.audibility > check::AUDIBLE {
                    map.problems.push(format!("{}: {}", s.name, check::heard(a.audibility, "")));
                }
                map.audits.push((s.name.clone(), a));
            }
            Err(e) => map.problems.push(format!("{}: its loop cannot be judged: {e}", s.name)),
        }
    }
    Ok(map)
}

/// What the specification asks of a sample (SoundFont 2.04, 7.10).
fn bad_sample(bank: &Bank, s: &BankSample, problems: &mut Vec<String>) {
    let mut say = |text: String| problems.push(format!("{}: {text}", s.name));
    if s.start >= s.end || s.end > bank.frames() {
        say(format!("it lies from {} to {} of {} frames", s.start, s.end, bank.frames()));
        return;
    }
    if !s.used {
        say("no instrument sounds it".into());
    }
    if s.root > 127 {
        say("it holds no root key".into());
    }
    if SampleRate::new(s.rate).is_err() {
        say(format!("its rate is {} Hz", s.rate));
    }
    if s.looped {
        if !(s.start <= s.loop_start && s.loop_start < s.loop_end && s.loop_end <= s.end) {
            say(format!("its loop from {} to {} does not lie in it", s.loop_start, s.loop_end));
        } else if s.loop_end - s.loop_start < 32 || s.loop_start - s.start < 8 || s.end - s.loop_end < 8 {
            say("its loop is shorter than 32 frames or has fewer than 8 beside it".into());
        }
    }
}

fn audit_sample(bank: &Bank, s: &BankSample) -> Result<SeamAudit> {
    let audio = bank.read(s.start, s.end, SampleRate::new(s.rate)?)?;
    looping::audit(&audio, FrameRange::new(s.loop_start - s.start, s.loop_end - s.start))
}
