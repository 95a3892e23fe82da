//! What the jobs report, taken into the document and the derived data.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use egui::Context;

use super::app::App;
use super::command::{Command, SessionCommand, WorkCommand};
use super::found;
use super::session_state::SessionState;
use super::work::{Event, Purpose};
use crate::error::{Error, ErrorKind, Result};
use crate::render::batch::Delivery;
use crate::render::intake;
use crate::render::propose::Proposal;
use crate::session::store::{self, Opened};
use crate::session::{Edit, Take};
use crate::survey::{FileSurvey, SetSurvey};

/// Takes one event in.
pub(super) fn take_in(app: &mut App, ctx: &Context, event: Event) {
    match event {
        Event::Opened { path, also, result } => opened(app, path, also, result),
        Event::Saved { revision, result } => {
            if app.notices.check(result.map_err(|e| e.context("saving the session"))).is_some() {
                app.session.saved(revision);
            }
        }
        Event::Found { file, .. } => found_file(app, &file),
        Event::NotRead { error, .. } => app.notices.error(&error),
        Event::Surveyed { job, result } => surveyed(app, job, result),
        Event::Proposed { job, before, result } => proposed(app, job, &before, result),
        Event::ProposeEnded { job, result } => {
            app.work.ended(job);
            app.notices.check(result);
        }
        Event::Delivered { job, result } => delivered(app, job, result),
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
        Event::Chosen { purpose, path, at_once } => chosen(app, ctx, purpose, path, at_once),
    }
}

fn opened(app: &mut App, path: PathBuf, also: Vec<PathBuf>, result: Result<Opened>) {
    let opened = match result {
        Ok(opened) => opened,
        Err(e) => {
            if matches!(e.kind(), ErrorKind::SessionDamaged | ErrorKind::Decode)
                && store::autosave_of(&path).is_some()
            {
                app.place.rescue = Some(path);
            }
            app.notices.error(&e);
            return;
        }
    };
    let empty = opened.document.takes.is_empty();
    let locked = opened.lock.is_none();
    show(app, SessionState::open(opened.document, path, opened.lock));
    for problem in opened.problems {
        app.notices.warn(problem);
    }
    if locked {
        app.notices.warn("This session is open in another program. It can be looked at here, not changed.");
    } else if !also.is_empty() {
        survey(app, also);
    } else if empty && let Some(folder) = app.session.folder().map(Path::to_path_buf) {
        survey(app, vec![folder]);
    }
}

/// Shows a session; the one before is saved first.
pub(super) fn show(app: &mut App, session: SessionState) {
    let saved = app.session.save_now();
    app.notices.check(saved);
    app.show_session(session);
}

/// Surveys `paths` into the open session.
pub(super) fn survey(app: &mut App, paths: Vec<PathBuf>) {
    if app.session.read_only() {
        return;
    }
    let setup = &app.session.document().setup;
    let options =
        crate::survey::SurveyOptions { a4: setup.a4, middle_c: setup.middle_c, layout: setup.layout };
    app.place.provisional = found::Provisional::default();
    app.work.survey(paths, options);
}

fn select_something(app: &mut App) {
    let known = app.place.selected.is_some_and(|id| app.session.document().take(id).is_some());
    if !known {
        app.place.selected = app.session.sheet().walk().first().copied();
    }
}

fn found_file(app: &mut App, file: &FileSurvey) {
    let Some(session) = app.session.path().map(Path::to_path_buf) else { return };
    let edit = intake::found(&session, std::slice::from_ref(file));
    if app.notices.check(app.session.amend(&edit)).is_some() {
        app.place.provisional.note(&session, file);
        select_something(app);
    }
}

fn surveyed(app: &mut App, job: u64, result: Result<SetSurvey>) {
    app.work.ended(job);
    let Some(survey) = app.notices.check(result) else { return };
    let Some(session) = app.session.path().map(Path::to_path_buf) else { return };
    if app.notices.check(app.session.amend(&intake::found(&session, &survey.files))).is_none() {
        return;
    }
    if let Some(edit) = app.place.provisional.settle(app.session.document(), &session, &survey.files) {
        let settled = app.session.amend(&edit);
        app.notices.check(settled);
    }
    for (_, error) in &survey.failed {
        app.notices.error(error);
    }
    select_something(app);
    if survey.files.iter().all(|f| f.takes.is_empty()) {
        app.notices.warn(
            "No take was found: nothing in these files rises clearly above the room. Takes need to be at least 9 dB louder than the quiet between them and a quarter of a second long.",
        );
    }
}

fn proposed(app: &mut App, job: u64, before: &Arc<Take>, result: Result<Box<Proposal>>) {
    let name = |app: &App| super::words::take_name(app.session.document(), before);
    let proposal = match result {
        Ok(p) => *p,
        Err(e) => {
            if !e.is_cancelled() {
                let text = format!("{}: {e}", name(app));
                app.notices.warn(text);
            }
            return;
        }
    };
    if app.session.document().take(before.id).is_none_or(|now| now != before) {
        let text = format!("{}: left as it is, because it was changed meanwhile.", name(app));
        app.notices.say(text);
        return;
    }
    let edit =
        Edit::Propose { take: before.id, recipe: Box::new(proposal.recipe), concerns: proposal.concerns };
    let done = app.session.apply_grouped("Propose recipes", &edit, job);
    app.notices.check(done);
}

fn delivered(app: &mut App, job: u64, result: Result<Delivery>) {
    app.work.ended(job);
    let Some(delivery) = app.notices.check(result) else { return };
    if delivery.cancelled {
        app.notices.say("Delivery stopped. The files that were written are whole.");
    }
    app.derived.set_delivery(Some(Arc::new(delivery)));
}

fn chosen(app: &mut App, ctx: &Context, purpose: Purpose, path: Option<PathBuf>, at_once: bool) {
    match (path, purpose) {
        (Some(p), Purpose::Open) => app.dispatch(ctx, Command::Session(SessionCommand::Open(vec![p]))),
        (Some(p), Purpose::Deliver) => app.dispatch(ctx, Command::Work(WorkCommand::Deliver(p))),
        (None, _) if at_once => app.notices.error(&Error::new(
            ErrorKind::Device,
            "The system's folder dialog did not open; type the path or drop the folder onto the window.",
        )),
        (None, _) => {}
    }
}
