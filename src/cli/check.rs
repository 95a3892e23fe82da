//! `check`: reads delivered files back.

use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use super::Done;
use super::options::{a4, number};
use super::output::{Head, NONE, Output, common_folder, table};
use crate::error::Result;
use crate::io::decode::has_ending;
use crate::jobs::Job;
use crate::render::check::{Checked, seam_hidden};
use crate::render::check_set::{CheckedMap, CheckedSet, check_path};
use crate::survey;
use crate::typeset::{minus, signed, typeset};
use crate::units::STANDARD_A4_HZ;

/// Reads delivered files back, or anybody's, and tells what is wrong with them.
///
/// Of a sound file: root key and how far it is out of tune with it, loop, level (RMS), peak, how well its seam is
/// hidden (0 to 100, 100 is best; at 80 it is just heard, below 55 is a problem; JSON tells the audibility,
/// which counts the other way). Of a map (SFZ, SoundFont): its loops and
/// the files it names. Of a folder besides: what is missing, in no map, or changed since it was
/// delivered. Exits 1 when something is wrong.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// A sound file, a map, or a folder of them
    #[arg(value_name = "FILE or DIR")]
    path: PathBuf,
    /// Frequency of A4 in Hz that the set was tuned to, 380 to 500
    #[arg(long, value_parser = number, default_value_t = STANDARD_A4_HZ, value_name = "HZ")]
    a4: f64,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
}

/// Runs the command.
pub fn run(args: &Args, output: &Output) -> Result<Done> {
    let a4 = a4(args.a4)?;
    let job = Job::new();
    let set = output.with_progress(&job, || check_path(&args.path, a4, &job))?;
    output.document(&as_json(&set), &as_text(&set))?;
    Ok(Done::all_if(set.is_good()))
}

fn as_json(set: &CheckedSet) -> Value {
    let failed =
        |p: &Path, e: &crate::error::Error| json!({"path": p.display().to_string(), "error": e.to_string()});
    let files = set.files.iter().filter_map(|(_, r)| r.as_ref().ok()).map(checked_json);
    let maps = set.maps.iter().filter_map(|(p, r)| r.as_ref().ok().map(|m| map_json(p, m)));
    let bad_files = set.files.iter().filter_map(|(p, r)| r.as_ref().err().map(|e| failed(p, e)));
    let bad_maps = set.maps.iter().filter_map(|(p, r)| r.as_ref().err().map(|e| failed(p, e)));
    json!({
        "files": files.collect::<Vec<_>>(),
        "failed": bad_files.chain(bad_maps).collect::<Vec<_>>(),
        "maps": maps.collect::<Vec<_>>(),
        "missing": set.missing,
        "unused": set.unused,
        "changed": set.changed,
    })
}

fn map_json(path: &Path, m: &CheckedMap) -> Value {
    json!({
        "path": path.display().to_string(),
        "regions": m.regions,
        "seams": m.audits.iter().map(|(name, a)| json!({"sample": name, "audit": a})).collect::<Vec<_>>(),
        "problems": m.problems,
    })
}

fn checked_json(c: &Checked) -> Value {
    json!({
        "path": c.path.display().to_string(),
        "rate": c.rate.hz(),
        "channels": c.channels,
        "frames": c.frames,
        "root": c.marks.root.map(|n| n.0),
        "fine_tune_cents": c.marks.fine_tune.0,
        "loop": c.looping.map(|l| json!({"start": l.start.0, "end": l.end.0})),
        "off_cents": c.off.map(|o| o.0),
        "peak_db": c.peak.0,
        "level_db": c.level.0,
        "audit": c.audit,
        "problems": c.problems,
    })
}

const HEADS: [Head; 8] = [
    ("file", ""),
    ("root", "note"),
    ("out of tune", "cents"),
    ("loop lasts", "s"),
    ("level", "dB"),
    ("peak", "dB"),
    ("seam hidden", "of 100, 100 is best"),
    ("problems", ""),
];

fn as_text(set: &CheckedSet) -> String {
    let under = common_folder(set.files.iter().map(|(p, _)| p.as_path()));
    let rows: Vec<Vec<String>> = set.files.iter().map(|(p, r)| row(p, &under, r)).collect();
    let mut text = if rows.is_empty() { String::new() } else { table(&HEADS, &rows) };
    let bad = set.files.iter().filter(|(_, r)| r.as_ref().map_or(true, |c| !c.problems.is_empty())).count();
    let count = match set.files.len() {
        1 => "1 sound file".to_owned(),
        n => format!("{n} sound files"),
    };
    text.push_str(&format!("{count} read, {bad} with problems\n"));
    for (path, result) in &set.maps {
        match result {
            Err(e) => text.push_str(&format!("{}\n", typeset(&e.to_string()))),
            Ok(m) => {
                let what = if has_ending(path, &["sf2"]) { "samples" } else { "regions" };
                text.push_str(&format!("{}: {} {what}\n", path.display(), m.regions));
                m.problems.iter().for_each(|p| text.push_str(&format!("  {}\n", typeset(p))));
            }
        }
    }
    for (word, list) in [("missing", &set.missing), ("in no map", &set.unused), ("changed", &set.changed)] {
        list.iter().for_each(|name| text.push_str(&format!("{word}: {name}\n")));
    }
    text
}

fn row(path: &Path, under: &Path, result: &Result<Checked>) -> Vec<String> {
    let name = survey::shown(path, under).display().to_string();
    let none = || NONE.to_owned();
    match result {
        Err(e) => vec![name, none(), none(), none(), none(), none(), none(), typeset(&e.to_string())],
        Ok(c) => vec![
            name,
            c.marks.root.map_or_else(none, |n| n.to_string()),
            c.off.map_or_else(none, |o| signed(o.0, 2)),
            c.looping.map_or_else(none, |l| format!("{:.3}", l.count().lasts(c.rate).0)),
            minus(c.level.0, 1),
            minus(c.peak.0, 1),
            c.audit.map_or_else(none, |a| format!("{:.0}", seam_hidden(a.audibility))),
            typeset(&c.problems.join("; ")),
        ],
    }
}
