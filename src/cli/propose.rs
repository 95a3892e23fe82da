//! `propose`: makes or updates the session of a folder.

use std::path::PathBuf;

use serde_json::{Value, json};

use super::Done;
use super::options::{SurveyArgs, number, percent, within};
use super::output::{NONE, Output, table};
use super::session_file::open_or_new;
use crate::error::{Error, Result};
use crate::session::{Document, Sheet, Take};

/// Surveys a folder, proposes a recipe for every new take, and saves the session beside the takes.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Folder with takes
    folder: PathBuf,
    /// Accept proposed takes whose loop scores at least this, 0 to 100, and that have no concern which
    /// needs a look (noise and levels alone do not)
    #[arg(long, value_parser = number, value_name = "POINTS")]
    accept: Option<f64>,
    /// How much of the room is taken out of new takes whose room tone is known, 0 to 100 %; 0: nothing.
    /// Kept in the session; a new one begins with 100
    #[arg(long, value_parser = number, value_name = "PERCENT")]
    clean: Option<f64>,
    #[command(flatten)]
    how: SurveyArgs,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
}

/// Runs the command.
pub fn run(args: &Args, output: &Output) -> Result<Done> {
    let options = args.how.options()?;
    if let Some(score) = args.accept {
        within("--accept", score, (0.0, 100.0), "points")?;
    }
    let clean = args.clean.map(|p| percent("--clean", p)).transpose()?;
    if !args.folder.is_dir() {
        return Err(Error::invalid("FOLDER", args.folder.display(), "a folder with sound files in it"));
    }
    let mut session = open_or_new(&args.folder, output)?;
    if let Some(amount) = clean {
        session.document.setup.clean.amount = amount;
    }
    let mut failed = session.survey(&args.folder, &options, output)?;
    failed.extend(session.propose(output)?);
    if let Some(score) = args.accept {
        session.accept(score)?;
    }
    session.save()?;
    let d = &session.document;
    let document = json!({
        "session": session.path.display().to_string(),
        "takes": takes_json(d),
        "missing": Sheet::of(d).missing().iter()
            .map(|(n, l)| json!({"midi": n.0, "note": n.to_string(), "layer": l + 1})).collect::<Vec<_>>(),
        "failed": failed,
    });
    output.document(&document, &as_table(d))?;
    output.say(&format!("saved as {}", session.path.display()));
    for f in &failed {
        output.say(f);
    }
    Ok(Done::all_if(failed.is_empty()))
}

/// The takes of a document, in sheet order.
pub fn takes_json(d: &Document) -> Value {
    in_order(d).map(|t| take_json(d, t)).collect()
}

fn in_order(d: &Document) -> impl Iterator<Item = &Take> {
    Sheet::of(d).walk().into_iter().filter_map(|id| d.take(id).map(|t| &**t))
}

fn take_json(d: &Document, t: &Take) -> Value {
    let source = d.source(t.source);
    json!({
        "id": t.id.0,
        "path": source.map(|s| s.path.display().to_string()),
        "start": t.span.start.0,
        "end": t.span.end.0,
        "midi": t.note.map(|n| n.0),
        "note": t.note.map(|n| n.to_string()),
        "layer": t.layer + 1,
        "state": t.state.word(),
        "clean_percent": t.recipe.as_ref().map(|r| 100.0 * r.clean.amount),
        "target": t.recipe.as_ref().map(|r| r.tune.target.0),
        "loop": t.recipe.as_ref().and_then(|r| r.looping.as_ref()).map(|l| json!({
            "start": l.start, "end": l.end, "crossfade_s": l.crossfade.0, "score": l.score, "parts": l.parts,
        })),
        "concerns": t.concerns.iter().map(|c| json!({"kind": c.kind.key(), "text": c.text})).collect::<Vec<_>>(),
    })
}

/// The sheet as a table.
pub fn as_table(d: &Document) -> String {
    let rows: Vec<Vec<String>> = in_order(d)
        .map(|t| {
            let concerns: Vec<&str> = t.concerns.iter().map(|c| c.kind.words()).collect();
            vec![
                t.note.map_or_else(|| NONE.into(), |n| n.name(d.setup.middle_c)),
                (t.layer + 1).to_string(),
                t.state.word().into(),
                t.loop_score().map_or_else(|| NONE.into(), |s| format!("{s:.0}")),
                concerns.join(", "),
            ]
        })
        .collect();
    let mut text = table(
        &[("note", ""), ("layer", "number"), ("state", ""), ("loop score", "of 100"), ("concerns", "")],
        &rows,
    );
    for (note, layer) in Sheet::of(d).missing() {
        text.push_str(&format!("missing: {} layer {}\n", note.name(d.setup.middle_c), layer + 1));
    }
    text
}
