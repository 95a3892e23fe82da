//! `deliver`: writes what is accepted.

use std::path::PathBuf;

use serde_json::{Value, json};

use super::Done;
use super::output::Output;
use super::session_file::path_of;
use crate::error::{Error, ErrorKind, Result};
use crate::jobs::Job;
use crate::render::batch::{DeliverOptions, Delivered, Delivery, deliver};
use crate::session::{Document, store};
use crate::units::SampleRate;

/// Writes the accepted takes as 24-bit WAV with root key, fine tune and loop in them.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// A session, or the folder it lies in
    #[arg(value_name = "SESSION or FOLDER")]
    session: PathBuf,
    /// Folder to write into (made if missing)
    #[arg(long, value_name = "DIR")]
    to: PathBuf,
    /// Leave files alone that are there already and came from the same source and recipe
    #[arg(long)]
    resume: bool,
    /// Name of the set, which {set} stands for, instead of the session's
    #[arg(long, value_name = "NAME")]
    title: Option<String>,
    /// Name pattern instead of the session's; fields: {set} {note} {midi} {layer}
    #[arg(long)]
    pattern: Option<String>,
    /// Rate in Hz instead of the session's (48000)
    #[arg(long, value_name = "HZ")]
    rate: Option<u32>,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
}

/// Runs the command. The session is only read.
pub fn run(args: &Args, output: &Output) -> Result<Done> {
    let path = path_of(&args.session)?;
    if !path.exists() {
        return Err(Error::new(
            ErrorKind::NotFound,
            format!("there is no session in {}; make one with `seamwright propose`", args.session.display()),
        ));
    }
    let mut document = store::read(&path)?;
    if let Some(title) = &args.title {
        document.setup.title.clone_from(title);
    }
    if let Some(pattern) = &args.pattern {
        document.setup.name_pattern.clone_from(pattern);
    }
    if let Some(hz) = args.rate {
        document.setup.delivery_rate = SampleRate::new(hz)?;
    }
    let options = DeliverOptions { resume: args.resume };
    let job = Job::new();
    let delivery = output.with_progress(&job, || deliver(&path, &document, &args.to, &options, &job))?;
    report(&document, &delivery, output)?;
    if delivery.cancelled {
        return Err(Error::cancelled());
    }
    Ok(Done::all_if(delivery.failed.is_empty()))
}

/// Prints what a delivery did.
pub fn report(document: &Document, delivery: &Delivery, output: &Output) -> Result<()> {
    output.document(&as_json(document, delivery), &as_text(delivery))?;
    for (_, what, e) in &delivery.failed {
        output.say(&format!("{what}: {e}"));
    }
    Ok(())
}

/// What a delivery did, as JSON.
pub fn as_json(document: &Document, delivery: &Delivery) -> Value {
    let files = |list: &[Delivered]| -> Vec<Value> {
        list.iter()
            .map(|d| {
                let take = document.take(d.take);
                json!({
                    "path": d.path.display().to_string(),
                    "midi": take.and_then(|t| t.note).map(|n| n.0),
                    "layer": take.map(|t| t.layer + 1),
                })
            })
            .collect()
    };
    json!({
        "written": files(&delivery.written),
        "kept": files(&delivery.kept),
        "failed": delivery.failed.iter().map(|(_, what, e)| json!({"take": what, "error": e.to_string()})).collect::<Vec<_>>(),
        "cancelled": delivery.cancelled,
    })
}

/// What a delivery did, as text.
pub fn as_text(delivery: &Delivery) -> String {
    let mut text: String = delivery.written.iter().map(|d| format!("wrote {}\n", d.path.display())).collect();
    for d in &delivery.kept {
        text.push_str(&format!("kept  {}\n", d.path.display()));
    }
    text.push_str(&format!(
        "{} written, {} kept, {} failed{}\n",
        delivery.written.len(),
        delivery.kept.len(),
        delivery.failed.len(),
        if delivery.cancelled { ", stopped on request" } else { "" }
    ));
    text
}
