//! `demo`: writes the demo takes, then opens them or runs them all the way through.

use std::path::{Path, PathBuf};

use serde_json::json;

use super::output::Output;
use super::session_file::open_or_new;
use super::{Done, deliver as deliver_command, propose};
use crate::demo;
use crate::error::{Error, Result};
use crate::io::decode::has_sound_ending;
use crate::jobs::Job;
use crate::render::batch::{DeliverOptions, deliver};
use crate::session::delivery::DeliverySetup;
use crate::survey::SurveyOptions;

/// Writes the demo takes (invented bottles in an invented kitchen) and opens them.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Folder to write them into (made if missing)
    #[arg(default_value = "Cellar bottles")]
    dir: PathBuf,
    /// No window: survey, propose, accept what passes, deliver into DIR/out
    #[arg(long)]
    headless: bool,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
}

/// Runs the command.
pub fn run(args: &Args, output: &Output) -> Result<Done> {
    refuse_other_takes(&args.dir)?;
    let job = Job::new();
    let files = output.with_progress(&job, || demo::write(&args.dir, &job))?;
    let shown: Vec<String> = files.iter().map(|f| f.display().to_string()).collect();
    if !args.headless {
        output.say(&format!("{} demo files are in {}", files.len(), args.dir.display()));
        if args.json {
            output.document(&json!({"files": shown}), "")?;
        }
        crate::app::run(vec![args.dir.clone()])?;
        return Ok(Done::All);
    }
    let mut session = open_or_new(&args.dir, output)?;
    let mut failed = session.survey(&args.dir, &SurveyOptions::default(), output)?;
    failed.extend(session.propose(output)?);
    session.accept(session.document.setup.accept_score)?;
    session.save()?;
    let out = args.dir.join(DeliverySetup::FOLDER);
    let options = DeliverOptions { resume: true };
    let job = Job::new();
    let delivery =
        output.with_progress(&job, || deliver(&session.path, &session.document, &out, &options, &job))?;
    let document = json!({
        "files": shown,
        "session": session.path.display().to_string(),
        "takes": propose::takes_json(&session.document),
        "failed": failed,
        "delivery": deliver_command::as_json(&session.document, &delivery),
    });
    let text = propose::as_table(&session.document) + &deliver_command::as_text(&delivery);
    output.document(&document, &text)?;
    for f in &failed {
        output.say(f);
    }
    deliver_command::say_rest(&delivery, &[], output);
    deliver_command::end(failed.is_empty(), &delivery)
}

/// The demo's takes have a folder of their own: beside others they would share one session with them.
fn refuse_other_takes(dir: &Path) -> Result<()> {
    let names = demo::file_names();
    let entries = std::fs::read_dir(dir).into_iter().flatten().flatten();
    let other = entries.map(|e| e.file_name()).find(|n| {
        let name = n.to_string_lossy();
        has_sound_ending(Path::new(n)) && !names.iter().any(|own| *own == name)
    });
    match other {
        None => Ok(()),
        Some(name) => Err(Error::invalid(
            "the folder of the demo",
            dir.display(),
            &format!("a new or empty folder; this one holds other sound files ({})", name.to_string_lossy()),
        )),
    }
}
