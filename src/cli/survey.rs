//! `survey`: finds takes.

use std::path::PathBuf;

use serde_json::{Value, json};

use super::Done;
use super::options::SurveyArgs;
use super::output::{Head, NONE, Output, common_folder, table};
use crate::error::Result;
use crate::jobs::Job;
use crate::session::Concern;
use crate::survey::{self, FileSurvey, FoundTake, SetSurvey};
use crate::typeset::{minus, signed, typeset};
use crate::units::MiddleC;

/// Finds the takes in sound files and in folders of them; writes nothing.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Sound files, or folders with everything below them
    #[arg(required = true, value_name = "FILE or FOLDER")]
    paths: Vec<PathBuf>,
    #[command(flatten)]
    how: SurveyArgs,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
}

/// Runs the command.
pub fn run(args: &Args, output: &Output) -> Result<Done> {
    let options = args.how.options()?;
    let files = survey::sound_files(&args.paths)?;
    let job = Job::new();
    let found = output.with_progress(&job, || survey::survey_files(&files, &options, &job, &|_| {}))?;
    output.document(&as_json(&found), &as_table(&found, options.middle_c))?;
    for (path, e) in &found.failed {
        output.say(&e.clone().in_file(path).to_string());
    }
    Ok(Done::all_if(found.failed.is_empty()))
}

fn as_json(found: &SetSurvey) -> Value {
    json!({
        "files": found.files.iter().map(file_json).collect::<Vec<_>>(),
        "failed": found.failed.iter().map(|(p, e)| json!({"path": p.display().to_string(), "error": e.to_string()})).collect::<Vec<_>>(),
        "layout": found.layout,
        "concerns": concerns_json(&found.concerns),
    })
}

fn concerns_json(concerns: &[Concern]) -> Value {
    concerns.iter().map(|c| json!({"kind": c.kind.key(), "text": c.text})).collect()
}

fn file_json(f: &FileSurvey) -> Value {
    json!({
        "path": f.path.display().to_string(),
        "rate": f.rate.hz(),
        "channels": f.channels,
        "frames": f.frames,
        "room_tone": f.room.map(|r| json!({
            "start": r.range.start.0, "end": r.range.end.0, "level_db": r.level.0,
        })),
        "takes": f.takes.iter().map(take_json).collect::<Vec<_>>(),
    })
}

fn take_json(t: &FoundTake) -> Value {
    json!({
        "start": t.span.span.start.0,
        "end": t.span.span.end.0,
        "onset": t.span.onset.0,
        "midi": t.sounds.map(|n| n.0),
        "note": t.sounds.map(|n| n.to_string()),
        "cents": t.sounds.map(|_| t.cents.0),
        "f0_hz": t.f0.map(|f| f.0),
        "confidence": t.confidence,
        "movement": t.movement.map(|m| json!({
            "drift_cents_rms": m.drift_rms, "vibrato_hz": m.vibrato_rate_hz, "vibrato_cents": m.vibrato_depth_cents,
        })),
        "level_db": t.level.0,
        "snr_db": t.snr.map(|s| s.0),
        "named": t.named.map(|n| json!({"midi": n.midi.map(|m| m.0), "layer": n.layer.map(|l| l + 1)})),
        "placed": {"midi": t.note.map(|n| n.0), "layer": t.layer + 1},
        "concerns": concerns_json(&t.concerns),
    })
}

fn as_table(found: &SetSurvey, middle_c: MiddleC) -> String {
    let base = common_folder(found.files.iter().map(|f| f.path.as_path()));
    let mut rows = Vec::new();
    for f in &found.files {
        let name = survey::shown(&f.path, &base).display().to_string();
        for (i, t) in f.takes.iter().enumerate() {
            rows.push(take_row(if i == 0 { &name } else { "" }, f, t, middle_c));
        }
    }
    let mut text = table(&HEADS, &rows);
    for c in &found.concerns {
        text.push_str(&format!("{}\n", typeset(&c.text)));
    }
    text
}

const HEADS: [Head; 9] = [
    ("file", ""),
    ("start", "s"),
    ("length", "s"),
    ("cell", "note, layer"),
    ("sounds", "note"),
    ("off", "cents"),
    ("level", "dB"),
    ("above room", "dB"),
    ("concerns", ""),
];

fn take_row(name: &str, f: &FileSurvey, t: &FoundTake, middle_c: MiddleC) -> Vec<String> {
    let none = || NONE.to_owned();
    let cell = t.note.map_or_else(none, |n| format!("{}, {}", n.name(middle_c), t.layer + 1));
    let concerns: Vec<&str> = t.concerns.iter().map(|c| c.kind.words()).collect();
    vec![
        name.into(),
        format!("{:.3}", t.span.span.start.at(f.rate).0),
        format!("{:.3}", t.span.span.count().lasts(f.rate).0),
        cell,
        t.sounds.map_or_else(none, |n| n.name(middle_c)),
        t.sounds.map_or_else(none, |_| signed(t.cents.0, 1)),
        minus(t.level.0, 1),
        t.snr.map_or_else(none, |s| minus(s.0, 1)),
        concerns.join(", "),
    ]
}
