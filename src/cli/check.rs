//! `check`: reads delivered files back.

use std::path::PathBuf;

use rayon::prelude::*;
use serde_json::{Value, json};

use super::Done;
use super::options::{a4, number};
use super::output::{Output, table};
use crate::error::{Error, ErrorKind, Result};
use crate::io::{DELIVERY_MANIFEST, decode};
use crate::jobs::Job;
use crate::render::check::{Checked, check_file};
use crate::units::STANDARD_A4_HZ;

/// Reads delivered files back: loop, root key, level, seam. Exits 1 when one has a problem.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// A delivered file, or a folder of them
    #[arg(value_name = "FILE or DIR")]
    path: PathBuf,
    /// Frequency of A4 in Hz that the set was tuned to
    #[arg(long, value_parser = number, default_value_t = STANDARD_A4_HZ, value_name = "HZ")]
    a4: f64,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
}

/// Runs the command.
pub fn run(args: &Args, output: &Output) -> Result<Done> {
    let a4 = a4(args.a4)?;
    let files = files(&args.path)?;
    let job = Job::new();
    let results: Vec<(PathBuf, Result<Checked>)> = output.with_progress(&job, || {
        job.begin("check", files.len() as u64);
        files
            .into_par_iter()
            .map(|path| {
                let result = job.check().and_then(|()| check_file(&path, a4));
                job.advance(1);
                (path, result)
            })
            .collect()
    });
    job.check()?;
    let good = results.iter().all(|(_, r)| r.as_ref().is_ok_and(|c| c.problems.is_empty()));
    let document = json!({
        "files": results.iter().filter_map(|(_, r)| r.as_ref().ok()).map(checked_json).collect::<Vec<_>>(),
        "failed": results.iter().filter_map(|(p, r)| r.as_ref().err().map(|e| (p, e)))
            .map(|(p, e)| json!({"path": p.display().to_string(), "error": e.to_string()})).collect::<Vec<_>>(),
    });
    output.document(&document, &as_table(&results))?;
    Ok(Done::all_if(good))
}

/// Unlike a survey, this looks into delivered folders: that is what it is for.
fn files(path: &std::path::Path) -> Result<Vec<PathBuf>> {
    if path.is_file() {
        return Ok(vec![path.to_path_buf()]);
    }
    let mut files: Vec<PathBuf> = std::fs::read_dir(path)
        .map_err(|e| Error::io("read", path, &e))?
        .filter_map(|e| e.ok().map(|e| e.path()))
        .filter(|p| p.is_file() && decode::has_sound_ending(p))
        .collect();
    files.sort_by(|a, b| natord::compare(&a.to_string_lossy(), &b.to_string_lossy()));
    if files.is_empty() {
        let hint = if path.join(DELIVERY_MANIFEST).exists() { "; its delivery wrote none" } else { "" };
        return Err(Error::new(
            ErrorKind::NothingHere,
            format!(
                "there is no sound file in {}{hint}; looked for files that end in {}",
                path.display(),
                decode::ENDINGS.join(", ")
            ),
        ));
    }
    Ok(files)
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

fn as_table(results: &[(PathBuf, Result<Checked>)]) -> String {
    let rows: Vec<Vec<String>> = results.iter().map(|(p, r)| row(p, r)).collect();
    let mut text = table(&["file", "root", "off", "loop", "peak", "seam", "problems"], &rows);
    let bad = results.iter().filter(|(_, r)| r.as_ref().map_or(true, |c| !c.problems.is_empty())).count();
    text.push_str(&format!("{} read, {} with problems\n", results.len(), bad));
    text
}

fn row(path: &std::path::Path, result: &Result<Checked>) -> Vec<String> {
    let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let dash = || "-".to_owned();
    match result {
        Err(e) => vec![name, dash(), dash(), dash(), dash(), dash(), e.to_string()],
        Ok(c) => vec![
            name,
            c.marks.root.map_or_else(dash, |n| n.to_string()),
            c.off.map_or_else(dash, |o| format!("{:+.2} cents", o.0)),
            c.looping.map_or_else(dash, |l| l.count().lasts(c.rate).to_string()),
            c.peak.to_string(),
            c.audit.map_or_else(dash, |a| format!("{:.0}", a.audibility)),
            c.problems.join("; "),
        ],
    }
}
