//! What the jobs report, taken into the document and the derived data.

use std::path::PathBuf;
use std::sync::Arc;

use egui::Context;

use super::app::App;
use super::command::{Command, Room, SessionCommand};
use super::notices::About;
use super::opening::{Opening, Outcome};
use super::session_state::SessionState;
use super::work::{Changed, Event, Purpose};
use super::{proposing, surveying};
use crate::error::{Error, ErrorKind, Result};
use crate::render::apart::SetApart;
use crate::render::batch::Delivery;
use crate::render::loops::CopiedLength;
use crate::session::{Edit, LoopRecipe, Recipe, Take};

/// Takes one event in.
pub(super) fn take_in(app: &mut App, ctx: &Context, event: Event) {
    match event {
        Event::Opened { job, result } => opened(app, job, result),
        Event::Saved { revision, result, .. } => saved(app, revision, result),
        Event::Verified { job, result } => verified(app, job, result),
        Event::Found { file, .. } => surveying::found_file(app, &file),
        Event::Heard { job, path, done, wave } => {
            app.derived.hear(path, done, wave);
            let partly: f64 = app.derived.listening().iter().map(|l| l.done).sum();
            app.work.partly(job, partly as f32);
        }
        Event::NotRead { path, error, .. } => surveying::not_read(app, &path, error),
        Event::Surveyed { job, purpose, result } => surveying::surveyed(app, job, purpose, result),
        Event::Proposed { job, before, result } => proposing::take_in(app, job, &before, result),
        Event::ProposeEnded { job, result } => proposing::job_ended(app, job, result),
        Event::Apart { job, result } => apart(app, job, result),
        Event::LoopNear { before, result, .. } => loop_near(app, &before, result),
        Event::LengthCopied { job, result } => length_copied(app, job, result),
        Event::Delivered { job, folder, result } => delivered(app, job, folder, result),
        Event::Standing { result, .. } => {
            app.work.deliver_room().0.ended();
            // Elsewhere it is a mark beside a take, and no mark says enough.
            let standing = match result {
                Err(_) if app.place.room != Room::Deliver => None,
                result => app.notices.check(result),
            };
            if let Some(standing) = standing {
                app.derived.deliver_mut().set_standing(*standing);
            }
            ctx.request_repaint();
        }
        Event::Measured { measured, .. } => app.derived.deliver_mut().set_level(measured),
        Event::MeasureEnded { job, result } => {
            app.work.ended(job);
            app.notices.check(result.or_else(|e| if e.is_cancelled() { Ok(()) } else { Err(e) }));
        }
        Event::OrphansRemoved { job, result } => orphans_removed(app, job, result),
        Event::Focus { event, .. } => {
            let (focus, _, _) = app.work.focus();
            if let Some(e) = focus.take_in(event, &mut app.derived) {
                app.notices.error(&e);
            }
            ctx.request_repaint();
        }
        Event::Thumb { take, span, columns, .. } => app.derived.set_thumb(take, span, columns),
        Event::ThumbsEnded { .. } => {
            app.work.thumbs().0.ended();
            ctx.request_repaint();
        }
        Event::KeySound { take, of, result, .. } => {
            app.keyboard.take_in(take, of, result);
            ctx.request_repaint();
        }
        Event::Devices { outputs, inputs } => devices(app, ctx, outputs, inputs),
        Event::Missing(missing) => app.missing = missing,
        Event::Chosen { purpose, path, at_once } => chosen(app, ctx, purpose, path, at_once),
    }
}

fn devices(app: &mut App, ctx: &Context, outputs: Result<Vec<String>>, inputs: Result<Vec<String>>) {
    app.devices.outputs = Some(outputs.map_err(|e| e.to_string()));
    app.devices.inputs = Some(inputs.map_err(|e| e.to_string()));
    app.follow_midi_inputs(ctx);
    ctx.request_repaint();
}

fn opened(app: &mut App, job: u64, result: Result<Outcome>) {
    app.work.ended(job);
    match app.notices.check_of(About::Opening, result) {
        None => {}
        Some(Outcome::Here(files)) if files.is_empty() => app.notices.say("This session is open already."),
        Some(Outcome::Here(files)) => surveying::survey(app, files),
        Some(Outcome::Damaged(path, error)) => {
            app.place.rescue = Some(path);
            app.notices.error_of(About::Opening, &error);
        }
        Some(Outcome::Session(opening)) => show(app, *opening),
    }
}

/// Shows a session; the one before is saved first. When that fails it stays open, unless the user
/// has been told and asks again.
fn show(app: &mut App, o: Opening) {
    if let Err(e) = app.session.save_now()
        && !app.told_of_loss(&format!(
            "{e}. The other session was not opened, so that nothing is lost here; open it again to go there without saving."
        ))
    {
        return;
    }
    let stopped = app.work.is_delivering();
    let known = !o.document.sources.is_empty();
    app.show_session(SessionState::open(o.document, o.path, o.lock).because(o.read_only_because));
    if stopped {
        app.notices.warn(
            "Delivery stopped because another session was opened. The files that were written are whole.",
        );
    }
    for words in o.words {
        app.notices.warn_of(About::Session, words);
    }
    if known && let Some(path) = app.session.path() {
        app.work.verify(path, app.session.document());
    }
    if let Some(reason) = app.session.read_only_because() {
        let text = format!("This session can be looked at and heard here, not changed: {reason}.");
        app.notices.warn_of(About::Session, text);
    }
    if known && o.unknown > 0 {
        let files = if o.unknown == 1 { "1 sound file".into() } else { format!("{} sound files", o.unknown) };
        app.notices
            .say(format!("Not in the sheet yet: {files} of this folder. “Survey again” looks through them."));
    }
    // What nothing is known of yet is looked through also where nothing can be kept.
    if !o.survey.is_empty() && (!known || !app.session.read_only()) {
        surveying::begin(app, o.survey);
    }
}

fn saved(app: &mut App, revision: u64, result: Result<()>) {
    match result {
        Ok(()) => {
            app.notices.mended(About::Saving);
            if app.session.saved(revision) {
                app.notices.say("The session is saved again.");
            }
        }
        Err(e) => {
            app.session.not_saved();
            let text = format!(
                "saving the session: {e}. Nothing is lost while this window is open; it is tried again every few seconds."
            );
            app.notices.warn_of(About::Saving, text);
        }
    }
}

/// Marks the takes of sources that changed. A source that was surveyed afresh meanwhile is another.
fn verified(app: &mut App, job: u64, result: Result<Vec<Changed>>) {
    app.work.ended(job);
    let Some(changed) = app.notices.check(result) else { return };
    let document = Arc::clone(app.session.document());
    for (id, hash, text) in changed {
        if document.source(id).is_none_or(|s| s.hash != hash) {
            continue;
        }
        if !app.session.read_only() {
            let edit = Edit::MarkSource { source: id, changed: Some(text.clone()) };
            let marked = app.session.amend(&edit);
            app.notices.check(marked);
        }
        app.notices.warn_of(About::Survey, text);
    }
}

/// One step for all notes; a take that was changed meanwhile leaves its whole note as it is.
fn apart(app: &mut App, job: u64, result: Result<SetApart>) {
    app.work.ended(job);
    let mut set = match result {
        Ok(set) => set,
        Err(e) => {
            if !e.is_cancelled() {
                app.notices.error(&e);
            }
            return;
        }
    };
    let document = Arc::clone(app.session.document());
    let middle_c = document.setup.middle_c;
    set.notes.retain(|n| {
        let same =
            n.layers.iter().all(|c| document.take(c.take.id).is_some_and(|now| now.same_but_score(&c.take)));
        if !same {
            let name = n.note.name(middle_c);
            app.notices.say(format!("{name}: left as it is, because it was changed meanwhile."));
        }
        same
    });
    for (note, e) in &set.failed {
        app.notices.warn(format!("{}: {e}", note.name(middle_c)));
    }
    if let Some(edit) = set.edit() {
        let done = app.session.apply("Loops that stay apart", &edit);
        if app.notices.check(done).is_none() {
            return;
        }
    }
    app.derived.set_apart(Some(Arc::new(set)));
}

/// Whether a take is as it was, but for its loop.
fn same_but_for_loop(now: &Take, before: &Take) -> bool {
    let bare = |t: &Take| t.recipe.clone().map(|r| Recipe { looping: None, ..r });
    now.span == before.span && bare(now) == bare(before)
}

/// A place of the loop map becomes the take's loop, unless the take was changed meanwhile.
fn loop_near(app: &mut App, before: &Arc<Take>, result: Result<LoopRecipe>) {
    let found = match result {
        Ok(l) => l,
        Err(e) if e.kind() == ErrorKind::Nothing => return app.notices.say(e.to_string()),
        Err(e) => return app.notices.error(&e),
    };
    let Some(now) = app.session.document().take(before.id).filter(|t| same_but_for_loop(t, before)) else {
        return;
    };
    if now.recipe.as_ref().and_then(|r| r.looping).is_some_and(|l| l.locked) {
        // Locked while the loop was being looked for.
        return super::dispatch::loop_is_locked(app, before.id);
    }
    let looping = Some(LoopRecipe { locked: false, ..found });
    let done = app.session.apply("Take loop from the map", &Edit::SetLoop { take: before.id, looping });
    app.notices.check(done);
}

/// All layers take the new length in one step; what was left alone is said.
fn length_copied(app: &mut App, job: u64, result: Result<CopiedLength>) {
    app.work.ended(job);
    let copied = match result {
        Ok(c) => c,
        Err(e) if e.is_cancelled() => return,
        Err(e) => return app.notices.error(&e),
    };
    let document = Arc::clone(app.session.document());
    let mut left: Vec<String> = copied
        .left
        .iter()
        .filter_map(|(id, why)| {
            Some(format!("{}: {why}", super::words::take_name(&document, document.take(*id)?)))
        })
        .collect();
    let mut edits = Vec::new();
    for (before, l) in copied.loops {
        let Some(now) = document.take(before.id) else { continue };
        if now.same_but_score(&before) {
            edits.push(Edit::SetLoop { take: now.id, looping: Some(l) });
        } else {
            left.push(format!("{}: it was changed meanwhile", super::words::take_name(&document, now)));
        }
    }
    if !edits.is_empty() {
        let layers = if edits.len() == 1 { "1 layer".into() } else { format!("{} layers", edits.len()) };
        let done = app.session.apply(&format!("Copy loop length to {layers}"), &Edit::Many(edits));
        app.notices.check(done);
    }
    if !left.is_empty() {
        app.notices.warn(format!("Left as they are. {}.", left.join("; ")));
    }
}

fn delivered(app: &mut App, job: u64, folder: PathBuf, result: Result<Delivery>) {
    app.work.ended(job);
    app.work.deliver_room().0.look_again();
    let why = result.as_ref().err().filter(|e| !e.is_cancelled()).map(ToString::to_string);
    // Told at the folder as well, for as long as it is that folder.
    let failed = why.is_some();
    app.derived.deliver_mut().set_failed(why.map(|why| (folder.clone(), why)));
    let setup = &app.session.document().setup.delivery;
    let is_seen = app.place.room == Room::Deliver
        && app.session.path().is_some_and(|path| setup.folder_of(path) == folder);
    if failed && is_seen {
        // There it stands in full: once is enough.
        return app.notices.mended(About::Deliver);
    }
    let Some(delivery) = app.notices.check_of(About::Deliver, result) else { return };
    let (written, kept) = (delivery.written.len(), delivery.kept.len());
    let failed = delivery.failed.len() + delivery.beside_failed.len();
    let done = format!("Delivered to {}: {written} written, {kept} as they were", folder.display());
    if delivery.cancelled {
        app.notices.say("Delivery stopped. The files that were written are whole.");
    } else if failed > 0 {
        app.notices.warn_of(About::Deliver, format!("{done}, {failed} failed"));
    } else {
        app.notices.say(done);
    }
    app.derived.set_delivery(Some(Arc::new(delivery)));
}

fn orphans_removed(app: &mut App, job: u64, result: Result<Vec<String>>) {
    app.work.ended(job);
    app.work.deliver_room().0.look_again();
    match app.notices.check(result) {
        None => {}
        Some(removed) if removed.is_empty() => {
            app.notices.say("Nothing was removed: those files were changed since they were delivered.");
        }
        Some(removed) if removed.len() == 1 => app.notices.say(format!("Removed {}.", removed[0])),
        Some(removed) => app.notices.say(format!("Removed {} files.", removed.len())),
    }
}

fn chosen(app: &mut App, ctx: &Context, purpose: Purpose, path: Option<PathBuf>, at_once: bool) {
    match (path, purpose) {
        (Some(p), Purpose::Open) => app.dispatch(ctx, Command::Session(SessionCommand::Open(vec![p]))),
        (Some(folder), Purpose::Deliver) => {
            let mut setup = app.session.document().setup.clone();
            setup.delivery.folder = Some(folder);
            let result = app.session.apply("Delivery folder", &Edit::SetSetup(Box::new(setup)));
            app.notices.check(result);
        }
        (None, purpose) if at_once => {
            // The start page has a field for the path, a session needs one shown.
            app.place.shown.open_path = purpose == Purpose::Open && app.session.path().is_some();
            let about = if purpose == Purpose::Open { About::Opening } else { About::Deliver };
            let told = Error::new(
                ErrorKind::Device,
                "The system's folder dialog did not open; type the path or drop the folder onto the window.",
            );
            app.notices.error_of(about, &told);
        }
        (None, _) => {}
    }
}
