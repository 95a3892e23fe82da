//! Recipes that are proposed behind what the user does: asked for, taken in, taken back.
//!
//! What was asked for in one act is one step of the history, which stands where it was asked for: what
//! comes later joins it, and touches no step that the user has made since. "All" stands for what a running
//! survey still finds, until it has ended or the wish is taken back.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::app::App;
use super::notices::About;
use super::words;
use crate::error::Result;
use crate::render::propose::Proposal;
use crate::session::{Concern, Document, Edit, Take, TakeId, TakeState};

fn session_path(app: &App) -> Option<PathBuf> {
    app.session.path().filter(|_| !app.session.read_only()).map(Path::to_path_buf)
}

/// Proposes recipes for these takes, in one step.
pub(super) fn these(app: &mut App, takes: Vec<TakeId>) {
    let label = if takes.len() == 1 { "Propose a recipe" } else { "Propose recipes" };
    begin(app, label, takes, false);
}

/// Proposes recipes for all takes that are new, and for those that a running survey still finds.
pub(super) fn all(app: &mut App) {
    let takes = new_ones(app);
    let surveying = app.work.is_surveying();
    if let Some(id) = app.work.proposing_all() {
        // It stands already; what came to be new since joins it.
        follow_up(app, id);
        app.notices.say(if surveying {
            "Recipes are on their way, and will come for the takes that are still found. Escape takes it back."
        } else {
            "Recipes are on their way for all new takes."
        });
    } else if takes.is_empty() && !surveying {
        app.notices.say("No take is new: all have a recipe already, or no note yet.");
    } else {
        begin(app, "Propose all", takes, true);
    }
}

/// Takes that nobody has decided about and no recipe was asked for, in the order of the sheet.
fn new_ones(app: &App) -> Vec<TakeId> {
    let document = app.session.document();
    let new = |id: &TakeId| document.take(*id).is_some_and(|t| is_new(t)) && !app.work.is_asked_for(*id);
    app.session.sheet().walk().into_iter().filter(new).collect()
}

fn is_new(take: &Take) -> bool {
    take.state == TakeState::New && take.note.is_some()
}

fn begin(app: &mut App, label: &str, takes: Vec<TakeId>, all: bool) {
    let Some(path) = session_path(app) else { return };
    app.notices.mended(About::Propose);
    let id = app.work.begin_proposing(all);
    let opened = app.session.open_step(label, id);
    app.notices.check(opened);
    app.work.propose_more(id, &path, app.session.document(), takes);
}

/// Asks for what was found since "all" was asked for, and ends what has brought everything.
pub(super) fn follow(app: &mut App) {
    if let Some(id) = app.work.proposing_all() {
        follow_up(app, id);
    }
    for id in app.work.proposing_over() {
        app.session.close_step(id);
    }
}

fn follow_up(app: &mut App, id: u64) {
    let Some(path) = session_path(app) else { return };
    let more = new_ones(app);
    if !more.is_empty() {
        app.work.propose_more(id, &path, app.session.document(), more);
    }
}

/// Takes one recipe in.
pub(super) fn take_in(app: &mut App, job: u64, before: &Arc<Take>, result: Result<Box<Proposal>>) {
    let Some(id) = app.work.proposing_of(job) else { return };
    app.work.brought(id, before.id);
    let name = |app: &App| words::take_name(app.session.document(), before);
    let proposal = match result {
        Ok(p) => *p,
        Err(e) => {
            if !e.is_cancelled() {
                let text = format!("{}: {e}", name(app));
                app.notices.warn_of(About::Propose, text);
            }
            return;
        }
    };
    let joined = app.session.join(id, |document| joining(document, before, &proposal));
    match app.notices.check(joined) {
        Some(true) => {
            if let Some(audit) = proposal.audit {
                app.derived.set_audit(before.id, Arc::new(proposal.recipe), audit);
            }
        }
        Some(false) => passed_by(app, id, before),
        None => {}
    }
}

/// The edit that gives a take its recipe in one state of the document; none where the take is not as it was
/// when it was worked on.
fn joining(document: &Document, before: &Take, proposal: &Proposal) -> Option<Edit> {
    let now = document.take(before.id).filter(|now| same_to_propose(now, before))?;
    // What others say of it may have changed meanwhile.
    let mut concerns: Vec<Concern> =
        now.concerns.iter().filter(|c| !c.kind.is_of_proposals()).cloned().collect();
    concerns.extend(proposal.concerns.iter().filter(|c| c.kind.is_of_proposals()).cloned());
    concerns.sort_by_key(|c| c.kind);
    Some(Edit::Propose { take: before.id, recipe: Box::new(proposal.recipe.clone()), concerns })
}

/// Whether a take is as it was, as far as a proposal goes by it: in which layer it stands, and what is said
/// of it beside others, has no part in that, nor has the score of its loop.
fn same_to_propose(now: &Take, before: &Take) -> bool {
    let bare =
        Take { concerns: before.concerns.clone(), layer: before.layer, named: before.named, ..now.clone() };
    bare.same_but_score(before)
}

/// A take that was changed while its recipe was made.
fn passed_by(app: &mut App, id: u64, before: &Take) {
    let Some(now) = app.session.document().take(before.id) else { return };
    if app.work.proposing_all() == Some(id) && is_new(now) {
        // It is still among those that were asked for.
        app.work.ask_again(id, before.id);
        follow_up(app, id);
    } else if !(before.recipe.is_none() && now.state == TakeState::Proposed) {
        let name = words::take_name(app.session.document(), before);
        app.notices.say(format!("{name}: left as it is, because it was changed meanwhile."));
    }
}

/// A job has ended.
pub(super) fn job_ended(app: &mut App, job: u64, result: Result<()>) {
    app.notices.check(result);
    match session_path(app) {
        Some(path) => app.work.proposing_job_ended(job, &path, app.session.document()),
        None => app.work.ended(job),
    }
    follow(app);
}

/// Takes back what was asked for: what is there stays, in its step.
pub(super) fn stop(app: &mut App, id: u64) {
    let all = app.work.proposing_all() == Some(id);
    app.work.stop_proposing(id);
    let there = app.session.history().is_filled(id);
    app.session.close_step(id);
    if all {
        app.notices.say(if there {
            "No more recipes are proposed; those that are there stay, and undo takes them back."
        } else {
            "No recipes are proposed any more."
        });
    }
}

/// After undo and redo: what is still running of a step that was taken back stops, and goes on when the step
/// is made again.
pub(super) fn mind_history(app: &mut App) {
    for id in app.work.proposing() {
        if !app.session.history().has_step(id) {
            app.work.lay_by(id);
        }
    }
    for id in app.work.laid_by() {
        if app.session.history().has_step(id) {
            let left = app.work.take_up(id);
            if let Some(path) = session_path(app) {
                app.work.propose_more(id, &path, app.session.document(), left);
            }
        } else if !app.session.history().can_make_again(id) {
            app.work.forget_laid_by(id);
        }
    }
    follow(app);
}
