//! Selecting takes, going from one to the next, and deciding about them: what `dispatch` does for the
//! sheet.

use std::collections::BTreeSet;
use std::sync::Arc;

use super::app::App;
use super::command::Room;
use super::dispatch::select;
use super::session_state::SessionState;
use super::triage::{next_open, toggled};
use super::words;
use crate::session::placing::{Decision, decide};
use crate::session::{Document, TakeId};

/// All takes that are selected, the one that all rooms show among them.
fn chosen(app: &App) -> Vec<TakeId> {
    let also = app.place.triage.also.iter().copied();
    let known = |id: &TakeId| app.session.document().take(*id).is_some();
    app.place.selected.into_iter().chain(also).filter(known).collect()
}

/// What is selected before anybody selects: the first take that needs a look, else the first.
pub(super) fn first(session: &SessionState) -> Option<TakeId> {
    let walk = session.sheet().walk();
    next_open(&walk, None, session.document(), session.sheet()).or_else(|| walk.first().copied())
}

/// Selects `takes` together; all rooms show `at`.
pub(super) fn select_many(app: &mut App, at: TakeId, takes: &[TakeId]) {
    select(app, at);
    app.place.triage.also = takes.iter().copied().filter(|t| *t != at).collect();
}

/// Selects everything that the sheet shows.
pub(super) fn select_all(app: &mut App) {
    let all = shown(app);
    let at = app.place.selected.filter(|id| all.contains(id)).or_else(|| all.first().copied());
    match at {
        Some(at) => select_many(app, at, &all),
        None => app.notices.say("No take is shown; clear the filter above the sheet."),
    }
}

/// Adds a take to the selection, or takes it out.
pub(super) fn toggle(app: &mut App, id: TakeId) {
    if app.session.document().take(id).is_none() {
        return;
    }
    let (one, also) = toggled(app.place.selected, &app.place.triage.also, id);
    if let Some(one) = one {
        select(app, one);
    }
    app.place.triage.also = also;
}

fn shown(app: &App) -> Vec<TakeId> {
    app.place.triage.listing.walk(app.session.document(), app.session.sheet())
}

/// To a neighbour of the selected take in the order shown.
pub(super) fn step(app: &mut App, by: i32) {
    let walk = shown(app);
    let at = app.place.selected.and_then(|id| walk.iter().position(|t| *t == id));
    let to = at.map_or(0, |i| (i as i64 + i64::from(by)).clamp(0, walk.len() as i64 - 1) as usize);
    if let Some(id) = walk.get(to) {
        select(app, *id);
    }
}

/// To the next take that nobody has decided about, among those shown.
pub(super) fn next_to_look_at(app: &mut App) {
    let (document, sheet) = (app.session.document(), app.session.sheet());
    let walk = app.place.triage.listing.walk(document, sheet);
    if let Some(id) = next_open(&walk, app.place.selected, document, sheet) {
        select(app, id);
        return;
    }
    match document.takes.iter().filter(|t| t.needs_a_look()).count() {
        0 => app.notices.say("Nothing left to look at: every take is accepted or set aside."),
        n => app.notices.say(format!(
            "Nothing left to look at among the takes shown; {} that the filter leaves out still wait.",
            words::takes(n)
        )),
    }
}

/// Decides about several takes in one step.
pub(super) fn decide_all(app: &mut App, takes: &[TakeId], decision: Decision) {
    let several = decide(app.session.document(), takes, decision);
    if several.passed_by > 0 {
        let stay =
            if several.passed_by == 1 { "stays as it is: it has" } else { "stay as they are: they have" };
        app.notices.say(format!(
            "{} {stay} no recipe or no note yet, and so cannot be accepted.",
            words::takes(several.passed_by)
        ));
    }
    let Some(named) = several.named else { return };
    let result = app.session.apply(&named.label, &named.edit);
    if app.notices.check(result).is_some() && decision != Decision::Undecide {
        go_on(app);
    }
}

/// After a decision: on to the next, if that is wished for and something is left.
pub(super) fn go_on(app: &mut App) {
    if app.settings.get().go_on && app.place.room != Room::Deliver {
        next_to_look_at(app);
    }
}

/// After undo or redo in the sheet: shows the take that it was about, where it was about one.
pub(super) fn show_changed(app: &mut App, before: &Arc<Document>) {
    if app.place.room != Room::Sheet {
        return;
    }
    let now = app.session.document();
    let same =
        |id: TakeId| before.take(id).zip(now.take(id)).is_some_and(|(a, b)| Arc::ptr_eq(a, b) || a == b);
    let mut changed = now.takes.iter().map(|t| t.id).filter(|id| !same(*id));
    if let (Some(one), None) = (changed.next(), changed.next())
        && !chosen(app).contains(&one)
    {
        select(app, one);
    }
}

/// What is left of the selection when takes are gone.
pub(super) fn forget_gone(app: &mut App) {
    if !app.place.triage.also.is_empty() {
        let known: BTreeSet<_> = chosen(app).into_iter().collect();
        let selected = app.place.selected;
        app.place.triage.also.retain(|id| known.contains(id) && Some(*id) != selected);
    }
}
