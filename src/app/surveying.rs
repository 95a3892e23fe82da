//! What a survey finds, taken into the document: takes as they come, and files that cannot be read.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::app::App;
use super::notices::About;
use super::{choosing, proposing};
use crate::error::{Error, Result};
use crate::render::{intake, settling};
use crate::session::{Document, Take, TakeId, store};
use crate::survey::{FileSurvey, SetSurvey, SurveyOptions};

/// What a survey is for.
#[derive(Debug, Clone, Copy, Default)]
pub struct SurveyFor {
    /// It looks at the whole folder.
    pub whole: bool,
    /// It looks at files that could not be read before, because the user asked for it.
    pub tried_again: bool,
}

/// Surveys `paths` into the open session.
pub(super) fn survey(app: &mut App, paths: Vec<PathBuf>) {
    if !app.session.read_only() {
        begin(app, paths);
    }
}

/// The same also where nothing may be changed: what nothing is known of yet is looked at.
pub(super) fn begin(app: &mut App, paths: Vec<PathBuf>) {
    begin_for(app, paths, false);
}

fn begin_for(app: &mut App, paths: Vec<PathBuf>, tried_again: bool) {
    app.notices.mended(About::Survey);
    let setup = &app.session.document().setup;
    let options = SurveyOptions { a4: setup.a4, middle_c: setup.middle_c, layout: setup.layout };
    let folder = app.session.folder();
    let whole = paths.iter().any(|p| Some(p.as_path()) == folder);
    app.work.survey(paths, options, SurveyFor { whole, tried_again });
}

/// Looks once more at the files that could not be read. Those that are gone are forgotten.
pub(super) fn try_unread(app: &mut App) {
    let Some(session) = app.session.path().map(Path::to_path_buf) else { return };
    if let Some(folder) = app.session.folder().filter(|f| !f.is_dir()) {
        let gone = Error::io("read", folder, &std::io::Error::from(std::io::ErrorKind::NotFound));
        app.notices.error_of(About::Survey, &gone);
        return;
    }
    let there = still_there(&session, app.session.document());
    if there.is_empty() {
        let kept = intake::settle_unread(&session, app.session.document(), &SetSurvey::default(), false);
        if let Some(edit) = kept {
            let forgotten = app.session.amend(&edit);
            app.notices.check(forgotten);
        }
        // A name that is no text cannot be asked for.
        app.notices.say(if app.session.document().unread.is_empty() {
            "None of these files is there any more under that name. “Survey again” finds renamed ones."
        } else {
            "These files cannot be asked for by their names. Rename them, and “Survey again” looks at them."
        });
        return;
    }
    if !app.session.read_only() {
        begin_for(app, there, true);
    }
}

/// Where the files of a document that could not be read lie, as far as they are there.
pub(super) fn still_there(session: &Path, document: &crate::session::Document) -> Vec<PathBuf> {
    let paths = document.unread.iter().map(|u| store::source_path(session, &u.path));
    paths.filter(|p| p.exists()).collect()
}

/// A take is selected as soon as there is one; which one it is changes only when the user says so, or when
/// it is gone.
fn select_something(app: &mut App) {
    if app.place.selected.is_none_or(|id| app.session.document().take(id).is_none()) {
        app.place.selected = choosing::first(&app.session);
    }
}

/// The takes of one file.
pub(super) fn found_file(app: &mut App, file: &FileSurvey) {
    let Some(session) = app.session.path().map(Path::to_path_buf) else { return };
    app.derived.heard(Some(&file.path));
    let edit = intake::found(&session, std::slice::from_ref(file));
    let before = Arc::clone(app.session.document());
    if app.notices.check(app.session.amend(&edit)).is_some() {
        if let Some(edit) = settling::note(&before, app.session.document()) {
            let noted = app.session.amend(&edit);
            app.notices.check(noted);
        }
        draw_anew(app, &before);
        select_something(app);
        proposing::follow(app);
    }
}

/// Takes whose file has another content than in `before` get their small waves anew.
fn draw_anew(app: &mut App, before: &Document) {
    let now = app.session.document();
    let hash = |d: &Document, t: &Take| d.source(t.source).map(|s| s.hash.clone());
    let other = |t: &&Arc<Take>| before.take(t.id).is_some_and(|b| hash(before, b) != hash(now, t));
    let takes: Vec<TakeId> = now.takes.iter().filter(other).map(|t| t.id).collect();
    app.derived.forget_thumbs(&takes);
    app.work.thumbs().0.again(takes);
}

/// A file that could not be read. One that is known to be so already is not told of again: the sheet shows it.
pub(super) fn not_read(app: &mut App, path: &Path, error: Error) {
    let Some(session) = app.session.path().map(Path::to_path_buf) else { return };
    let file = intake::unread(&session, path, &error);
    let Some(edit) = intake::found_unread(app.session.document(), file) else { return };
    let noted = app.session.amend(&edit);
    app.notices.check(noted);
    app.notices.error_of(About::Survey, &error.in_file(path));
}

/// The survey has ended.
pub(super) fn surveyed(app: &mut App, job: u64, purpose: SurveyFor, result: Result<SetSurvey>) {
    app.work.ended(job);
    app.derived.heard(None);
    if let Some(survey) = app.notices.check(result) {
        take_in(app, &survey, purpose);
    }
    // Whatever it found: no more takes come.
    proposing::follow(app);
}

fn take_in(app: &mut App, survey: &SetSurvey, purpose: SurveyFor) {
    let Some(session) = app.session.path().map(Path::to_path_buf) else { return };
    if app.notices.check(app.session.amend(&intake::found(&session, &survey.files))).is_none() {
        return;
    }
    let whole = purpose.whole;
    let settled = settling::settle(app.session.document(), &session, &survey.files);
    for edit in
        settled.into_iter().chain(intake::settle_unread(&session, app.session.document(), survey, whole))
    {
        let settled = app.session.amend(&edit);
        app.notices.check(settled);
    }
    app.work.focus().0.retry_failed(&app.derived);
    tell_unread(app, survey, purpose.tried_again);
    select_something(app);
    if !survey.files.is_empty() && survey.files.iter().all(|f| f.takes.is_empty()) {
        app.notices.warn_of(
            About::Survey,
            "No take was found: nothing in these files rises clearly above the room. Takes need to be at least 9 dB louder than the quiet between them and a quarter of a second long.",
        );
    }
}

/// Each was told of when it failed; the older of many messages are gone by now.
fn tell_unread(app: &mut App, survey: &SetSurvey, tried_again: bool) {
    let names: Vec<_> =
        survey.failed.iter().map(|(p, _)| p.file_name().unwrap_or(p.as_os_str()).to_string_lossy()).collect();
    if tried_again && names.len() == 1 {
        app.notices.warn_of(About::Survey, format!("{} still cannot be read.", names[0]));
    } else if tried_again && !names.is_empty() {
        app.notices.warn_of(About::Survey, format!("{} files still cannot be read.", names.len()));
    } else if names.len() > 4 {
        app.notices
            .warn_of(About::Survey, format!("{} files could not be read: {}", names.len(), names.join(", ")));
    }
}
