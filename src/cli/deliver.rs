//! `deliver`: writes what is accepted.

use std::path::PathBuf;

use serde_json::{Value, json};

use super::Done;
use super::delivery_options::DeliveryArgs;
use super::output::Output;
use super::session_file::path_of;
use crate::error::{Error, ErrorKind, Result};
use crate::jobs::Job;
use crate::render::batch::{DeliverOptions, Delivered, Delivery, deliver, remove_orphans};
use crate::render::plan::{Plan, plan};
use crate::render::standing::hindrances;
use crate::session::{Document, store};
use crate::units::MidiNote;

/// Writes the accepted takes with root key, fine tune and loop in them, a map over the keys and a
/// report.
///
/// Without options: 24-bit WAV at 48000 Hz in one folder, a text map (SFZ) and a report beside them.
/// An option stands for this delivery only; the session keeps its own settings.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// A session, or the folder it lies in
    #[arg(value_name = "SESSION or FOLDER")]
    session: PathBuf,
    /// Folder to write into (made if missing)
    #[arg(long, value_name = "DIR")]
    to: PathBuf,
    /// Leave files alone that are there already and came from the same source, recipe and settings
    #[arg(long)]
    resume: bool,
    /// Show what would be written, and write nothing
    #[arg(long)]
    preview: bool,
    /// Remove files of earlier deliveries in DIR that this one does not write; without it they are
    /// only listed. Files that were changed since, and files of others, stay
    #[arg(long)]
    remove_orphans: bool,
    #[command(flatten)]
    delivery: DeliveryArgs,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
}

/// Runs the command. The session is only read.
pub fn run(args: &Args, output: &Output) -> Result<Done> {
    let path = path_of(&args.session, output)?;
    if !path.exists() {
        return Err(Error::new(
            ErrorKind::NotFound,
            format!("there is no session in {}; make one with `seamwright propose`", args.session.display()),
        ));
    }
    let mut document = store::read(&path)?;
    args.delivery.apply(&mut document.setup)?;
    if args.preview {
        let plan = plan(&document);
        let hindrances = hindrances(&path, &document, &args.to, &plan);
        return preview(&document, &plan, &hindrances, output);
    }
    let options = DeliverOptions { resume: args.resume };
    let job = Job::new();
    let delivery = output.with_progress(&job, || deliver(&path, &document, &args.to, &options, &job))?;
    // Where a take could not be written its old file may be all there is of it.
    let whole = !delivery.cancelled && delivery.failed.is_empty();
    let removed =
        if args.remove_orphans && whole { remove_orphans(&args.to, &delivery.orphans)? } else { Vec::new() };
    let mut value = as_json(&document, &delivery);
    value["removed"] = json!(removed);
    let mut text = as_text(&delivery);
    for name in &removed {
        text.push_str(&format!("removed {name}\n"));
    }
    output.document(&value, &text)?;
    say_rest(&delivery, &removed, output);
    end(true, &delivery)
}

/// How a command that delivered ends; `before`: whether all went well until then.
pub fn end(before: bool, delivery: &Delivery) -> Result<Done> {
    if delivery.cancelled {
        return Err(Error::cancelled());
    }
    Ok(Done::all_if(before && delivery.failed.is_empty() && delivery.beside_failed.is_empty()))
}

/// Says on standard error what failed and what one may not expect.
pub fn say_rest(delivery: &Delivery, removed: &[String], output: &Output) {
    for (_, what, e) in &delivery.failed {
        output.say(&format!("{what}: {e}"));
    }
    for (path, e) in &delivery.beside_failed {
        output.say(&e.clone().in_file(path).to_string());
    }
    for remark in &delivery.remarks {
        output.say(&format!("note: {remark}"));
    }
    let left: Vec<&String> = delivery.orphans.iter().filter(|o| !removed.contains(o)).collect();
    if !left.is_empty() {
        output.say(&format!(
            "{} files of earlier deliveries are no longer part of this one and stay ({}):",
            left.len(),
            if delivery.failed.is_empty() {
                "--remove-orphans removes them"
            } else {
                "--remove-orphans removes them once every take can be written"
            }
        ));
        left.iter().for_each(|name| output.say(&format!("  {name}")));
    }
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
    let takes = delivery.failed.iter().map(|(_, what, e)| json!({"take": what, "error": e.to_string()}));
    let beside = delivery
        .beside_failed
        .iter()
        .map(|(path, e)| json!({"path": path.display().to_string(), "error": e.to_string()}));
    json!({
        "written": files(&delivery.written),
        "kept": files(&delivery.kept),
        "failed": takes.chain(beside).collect::<Vec<_>>(),
        "cancelled": delivery.cancelled,
        "beside": delivery.beside.iter().map(|p| p.display().to_string()).collect::<Vec<_>>(),
        "orphans": delivery.orphans,
        "remarks": delivery.remarks,
    })
}

/// What a delivery did, as text.
pub fn as_text(delivery: &Delivery) -> String {
    let mut text: String = delivery.written.iter().map(|d| format!("wrote {}\n", d.path.display())).collect();
    for d in &delivery.kept {
        text.push_str(&format!("kept  {}\n", d.path.display()));
    }
    for path in &delivery.beside {
        text.push_str(&format!("with  {}\n", path.display()));
    }
    text.push_str(&format!(
        "{} written, {} kept, {} failed{}\n",
        delivery.written.len(),
        delivery.kept.len(),
        delivery.failed.len() + delivery.beside_failed.len(),
        if delivery.cancelled { ", stopped on request" } else { "" }
    ));
    text
}

/// Shows a plan. Exits 1 when something keeps it from being carried out.
fn preview(document: &Document, plan: &Plan, hindrances: &[Error], output: &Output) -> Result<Done> {
    let keys = |take| plan.map.region(take).map(|r| (r.keys.0.0, r.keys.1.0));
    let files: Vec<Value> = plan
        .names
        .iter()
        .map(|n| {
            let take = document.take(n.take);
            let region = plan.map.region(n.take);
            json!({
                "path": n.path,
                "midi": take.and_then(|t| t.note).map(|n| n.0),
                "layer": take.map(|t| t.layer + 1),
                "keys": keys(n.take).map(|(low, high)| [low, high]),
                "velocities": region.map(|r| [r.velocities.0, r.velocities.1]),
            })
        })
        .collect();
    let problems: Vec<String> = plan.problems.iter().chain(hindrances).map(ToString::to_string).collect();
    let beside: Vec<&str> = plan.beside.iter().map(|b| b.path.as_str()).collect();
    let value = json!({"files": files, "beside": beside, "problems": problems, "remarks": plan.remarks});
    let d = &document.setup.delivery;
    let name = |key: u8| d.spelling.name(MidiNote(key), d.middle_c.unwrap_or(document.setup.middle_c));
    let mut text = String::new();
    for n in &plan.names {
        let keys = keys(n.take).map_or_else(
            || "no key".into(),
            |(low, high)| format!("keys {} ({low}) to {} ({high})", name(low), name(high)),
        );
        text.push_str(&format!("{}  ({keys})\n", n.path));
    }
    beside.iter().for_each(|b| text.push_str(&format!("{b}\n")));
    output.document(&value, &text)?;
    plan.remarks.iter().for_each(|r| output.say(&format!("note: {r}")));
    problems.iter().for_each(|p| output.say(p));
    Ok(Done::all_if(problems.is_empty()))
}
