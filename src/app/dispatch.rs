//! The one dispatcher: commands in, effects out. Nothing else changes the session.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use egui::Context;
use egui::text::{CCursor, CCursorRange};
use egui::text_edit::TextEditState;

use super::app::{App, preference};
use super::command::{
    Command, EditCommand, GoCommand, KeyboardCommand, LookCommand, Room, SessionCommand, SoundCommand,
    StackCommand, WorkCommand,
};
use super::keyboard::Struck;
use super::notices::{About, NO_MESSAGE};
use super::panels::details::place_field;
use super::shortcuts::{Action, key_words, of};
use super::sound::From;
use super::widgets::typed;
use super::words;
use super::work::Purpose;
use super::{choosing, proposing, quiet_tips, surveying};
use crate::render::apart::layers_of;
use crate::render::audition::Judged;
use crate::render::intake;
use crate::session::{Edit, TakeId, TakeState, placing};
use crate::units::MidiNote;

/// Carries out `command`.
pub(super) fn dispatch(app: &mut App, ctx: &Context, command: Command) {
    match command {
        Command::Session(c) => session(app, ctx, c),
        Command::Edit(c) => edit(app, ctx, c),
        Command::Sound(c) => sound(app, ctx, c),
        Command::Go(c) => {
            let room = app.place.room;
            go(app, c);
            if app.place.room != room {
                quiet_tips::hush(ctx);
            }
        }
        Command::Stack(c) => stack(app, c),
        Command::Work(c) => work(app, ctx, c),
        Command::Look(LookCommand::Theme(choice)) => {
            app.settings.change().theme = choice;
            ctx.set_theme(preference(choice));
        }
        Command::Keyboard(c) => keyboard(app, c),
        Command::Look(LookCommand::Keys(shown)) => app.place.shown.keys = shown,
        Command::Look(LookCommand::Commands(shown)) => app.place.shown.commands = shown,
        Command::Look(LookCommand::Steps(shown)) => app.place.shown.steps = shown,
        Command::Look(LookCommand::OpenPath(shown)) => app.place.shown.open_path = shown,
        Command::Look(LookCommand::Messages(shown)) => messages(app, ctx, shown),
        Command::Look(LookCommand::HideRefusal) => typed::hide_refusal(ctx),
        Command::Look(LookCommand::Preferences(shown)) => {
            app.place.shown.preferences = shown;
            if shown {
                app.work.look_for_devices();
            }
        }
        Command::Look(LookCommand::Scale(scale)) => ctx.set_zoom_factor(scale.clamp(0.8, 2.0)),
        Command::Look(LookCommand::GoOn(on)) => app.settings.change().go_on = on,
        Command::Look(LookCommand::AskPlace) => {
            app.place.room = Room::Sheet;
            ask_in(ctx, place_field());
        }
    }
}

/// Goes to a field with all that stands in it selected, so that what is typed takes its place.
fn ask_in(ctx: &Context, field: egui::Id) {
    ctx.memory_mut(|m| m.request_focus(field));
    let all = CCursorRange::two(CCursor::new(0), CCursor::new(usize::from(u16::MAX)));
    let mut state = TextEditState::load(ctx, field).unwrap_or_default();
    state.cursor.set_char_range(Some(all));
    state.store(ctx, field);
}

/// Shows all messages, or says that there is none; asked once more, it says so no longer.
fn messages(app: &mut App, ctx: &Context, shown: bool) {
    let caution = app.session.path().is_some() && app.panels.cautions(app.settings.get());
    let asked = caution || app.place.rescue.is_some() || typed::refusal(ctx).is_some();
    let nothing = !asked && app.notices.views().iter().all(|n| n.text == NO_MESSAGE);
    app.place.shown.messages = shown && !nothing;
    if shown && nothing {
        match app.notices.views().iter().find(|n| n.text == NO_MESSAGE).map(|n| n.id) {
            Some(id) => app.notices.dismiss(id),
            None => app.notices.say(NO_MESSAGE),
        }
    }
}

fn session(app: &mut App, ctx: &Context, command: SessionCommand) {
    match command {
        SessionCommand::ChooseFolder => {
            let start = app.settings.get().recent.first().and_then(|p| p.parent());
            app.work.choose_folder(ctx, Purpose::Open, start);
        }
        SessionCommand::Open(paths) => {
            app.place.rescue = None;
            app.notices.mended(About::Opening);
            let writable = !app.session.read_only();
            let current = app.session.path().filter(|_| writable).map(Path::to_path_buf);
            app.work.open(paths, current);
        }
        SessionCommand::OpenAutosave(path) => app.work.rescue(path),
        SessionCommand::Save => {
            if let Some(snapshot) = app.session.to_save() {
                app.work.save(snapshot);
            } else if app.session.path().is_some() && !app.session.read_only() {
                app.notices.say("Everything is saved.");
            }
        }
        SessionCommand::DismissNotice(id) => app.notices.dismiss(id),
        SessionCommand::ForgetRecent(path) => app.settings.change().forget(&path),
    }
}

fn edit(app: &mut App, ctx: &Context, command: EditCommand) {
    let before = matches!(command, EditCommand::Do { .. }).then(|| Arc::clone(app.session.document()));
    let result = match command {
        EditCommand::Do { label, edit } => app.session.apply(&label, &edit),
        EditCommand::Preview(edit) => app.session.preview(&edit),
        EditCommand::Commit(label) => app.session.commit(&label),
        EditCommand::Abort => {
            app.session.abort();
            Ok(())
        }
        EditCommand::Undo | EditCommand::Redo => {
            let before = Arc::clone(app.session.document());
            let done = if command == EditCommand::Undo { app.session.undo() } else { app.session.redo() };
            choosing::show_changed(app, &before);
            proposing::mind_history(app);
            done.map(drop)
        }
        EditCommand::Decide(takes, decision) => return choosing::decide_all(app, &takes, decision),
        EditCommand::Keep(take) => placing::keep(app.session.document(), take)
            .and_then(|named| app.session.apply(&named.label, &named.edit)),
        EditCommand::GoTo(place) => {
            let done = app.session.go_to(place);
            proposing::mind_history(app);
            done
        }
        EditCommand::IsLeftOut(take) => return is_left_out(app, take),
        EditCommand::LoopIsLocked(take) => return loop_is_locked(app, take),
        EditCommand::SetState(take, state) => {
            let label = match state {
                TakeState::Accepted => "Accept",
                TakeState::SetAside => "Set aside",
                TakeState::New | TakeState::Proposed => words::DECIDE_LATER,
            };
            let name = app.session.document().take(take).map(|t| app.session.document().name_of(t));
            let label = format!("{label} {}", name.unwrap_or_default());
            let result = app.session.apply(&label, &Edit::SetState { take, state });
            if result.is_ok() && matches!(state, TakeState::Accepted | TakeState::SetAside) {
                choosing::go_on(app);
            }
            result
        }
    };
    let done = app.notices.check_of(About::Edit, result).is_some();
    if let Some(before) = before.filter(|_| done) {
        let undo = key_words(ctx, &of(Action::Undo).keys[0]);
        if let Some(text) = words::retuned(&before, app.session.document(), &undo) {
            app.notices.say_of(About::Edit, text);
        }
    }
    choosing::forget_gone(app);
}

/// Says why nothing is done to a take that is not seen, until something else is changed.
fn is_left_out(app: &mut App, take: TakeId) {
    let Some(take) = app.session.document().take(take) else { return };
    let name = app.session.document().name_of(take);
    app.notices.warn_of(
        About::Edit,
        format!(
            "{name} is selected, but the filter leaves it out of the sheet, so nothing was done to it. “Show all” brings it back; N goes to the next one shown."
        ),
    );
}

/// Says why a loop does not move, until it is unlocked or something else is changed.
pub(super) fn loop_is_locked(app: &mut App, take: TakeId) {
    let Some(take) = app.session.document().take(take) else { return };
    let name = app.session.document().name_of(take);
    let how = "L, or “Lock this loop” on the bench, unlocks it";
    app.notices
        .warn_of(About::Edit, format!("The loop of {name} is locked, so it stays where it is. {how}."));
}

fn sound(app: &mut App, ctx: &Context, command: SoundCommand) {
    match command {
        SoundCommand::PlayTake if app.place.room == Room::Stack => hold_stack(app, None),
        SoundCommand::PlayTake => play(app, From::Start),
        SoundCommand::PlayLoop => play(app, From::LoopStart),
        SoundCommand::PlaySeam => play(app, From::BeforeSeam),
        SoundCommand::PlaySeamAgain => play(app, From::Judge(Judged::Seam)),
        SoundCommand::PlayBeside if app.sound.judges(Judged::Sustain) => app.sound.change_over(),
        SoundCommand::PlayBeside => play(app, From::Judge(Judged::Sustain)),
        SoundCommand::PlayFrom(frame) => play(app, From::Frame(frame)),
        SoundCommand::Stop => app.sound.stop(),
        SoundCommand::Listen(side) => app.sound.listen(side),
        SoundCommand::Volume(db) => {
            app.sound.volume(db);
            app.settings.change().volume_db = app.sound.view().volume_db;
        }
        SoundCommand::TryDevice => {
            app.sound.try_device();
            if let Err(why) = &app.sound.view().device {
                app.notices.warn_of(About::Sound, why.clone());
            }
        }
        SoundCommand::UseDevice(wish) => {
            let settings = app.settings.change();
            (settings.sound_device, settings.sound_block) = (wish.name.clone(), wish.block);
            app.sound.use_device(wish);
            if let Err(why) = &app.sound.view().device {
                app.notices.warn_of(About::Sound, why.clone());
            }
        }
        SoundCommand::UseMidi(name) => {
            app.settings.change().midi_input = name;
            app.open_midi(ctx);
        }
        SoundCommand::LookForDevices => app.work.look_for_devices(),
        SoundCommand::CautionRead => app.settings.change().caution_read = true,
    }
}

fn play(app: &mut App, from: From) {
    let Some(take) = app.place.selected.and_then(|id| app.session.document().take(id)) else { return };
    if let Err(text) = app.sound.play(take, from, &app.derived) {
        unheard(app, text);
    }
}

/// Says why nothing is heard; without a device only as long as there is none.
fn unheard(app: &mut App, text: String) {
    let about = if app.sound.view().device.is_err() { About::Sound } else { About::Nothing };
    app.notices.warn_of(about, text);
}

fn keyboard(app: &mut App, command: KeyboardCommand) {
    let released = match command {
        KeyboardCommand::Show(shown) => {
            app.keyboard.show(shown);
            if shown { Vec::new() } else { app.keyboard.all_up() }
        }
        KeyboardCommand::TakeKeys(take) => {
            app.keyboard.take_keys(take);
            Vec::new()
        }
        KeyboardCommand::Strike { key, velocity, by } => {
            let document = app.session.document();
            let name = words::note(document, key);
            if let Struck::Sounds(group) = app.keyboard.strike(document, key, velocity, by, &name)
                && let Err(text) = app.sound.strike(group)
            {
                unheard(app, text);
                app.keyboard.silenced();
            }
            Vec::new()
        }
        KeyboardCommand::Lift(key, by) => app.keyboard.lift(key, by).into_iter().collect(),
        KeyboardCommand::Sustain(on) => app.keyboard.sustain(on),
        KeyboardCommand::AllUp => app.keyboard.all_up(),
        KeyboardCommand::Set(setup) => {
            app.keyboard.set(setup);
            Vec::new()
        }
    };
    app.sound.release_keys(released);
}

fn selected_note(app: &App) -> Option<MidiNote> {
    app.session.document().take(app.place.selected?)?.note
}

fn hold_stack(app: &mut App, from: Option<f64>) {
    let Some(note) = selected_note(app) else {
        app.sound.stop();
        app.notices.say("This take has no note yet, so there is nothing to stack it with.");
        return;
    };
    if let Err(text) = app.sound.hold_stack(note, from) {
        unheard(app, text);
    }
}

fn stack(app: &mut App, command: StackCommand) {
    match command {
        StackCommand::Set(setup) => app.sound.set_stack(*setup),
        StackCommand::Settle => app.sound.settle_stack(&app.derived),
        StackCommand::Hold => hold_stack(app, None),
        StackCommand::HoldFrom(s) => hold_stack(app, Some(s.max(0.0))),
        StackCommand::Release => app.sound.release_stack(),
        StackCommand::ApartNote => {
            let notes = selected_note(app).into_iter().collect();
            apart(app, notes);
        }
        StackCommand::ApartSet => {
            let notes = app.session.sheet().notes.clone();
            apart(app, notes);
        }
    }
}

fn apart(app: &mut App, notes: Vec<MidiNote>) {
    let Some(path) = app.session.path().map(Path::to_path_buf) else { return };
    if app.session.read_only() {
        return;
    }
    let document = app.session.document();
    let stacks = |n: &MidiNote| layers_of(document, app.session.sheet(), *n).len() > 1;
    if !notes.iter().any(stacks) {
        app.notices.say("There is only one layer here: loops can only stay apart from one another.");
        return;
    }
    let setup = &app.sound.view().stack.setup;
    let known = document
        .takes
        .iter()
        .filter_map(|t| Some((t.id, Arc::clone(&app.derived.of(t.id)?.source.as_ref()?.analysed))))
        .collect();
    app.work.apart(&path, document, notes, (setup.spread, setup.params), known);
}

fn go(app: &mut App, command: GoCommand) {
    match command {
        GoCommand::Room(room) => {
            if app.place.room != room {
                // Somebody may have moved or removed delivered files meanwhile.
                app.work.deliver_room().0.look_again();
            }
            if app.place.room == Room::Stack && room != Room::Stack {
                app.sound.release_stack();
            }
            app.place.room = room;
        }
        GoCommand::Select(id) => select(app, id),
        GoCommand::Toggle(id) => choosing::toggle(app, id),
        GoCommand::SelectMany(at, takes) => choosing::select_many(app, at, &takes),
        GoCommand::SelectAll => choosing::select_all(app),
        GoCommand::List(listing) => app.place.triage.listing = listing,
        GoCommand::Step(by) => choosing::step(app, by),
        GoCommand::NextToLookAt => choosing::next_to_look_at(app),
    }
}

/// Selects a take and no other.
pub(super) fn select(app: &mut App, id: TakeId) {
    app.place.triage.also.clear();
    if app.place.selected == Some(id) || app.session.document().take(id).is_none() {
        return;
    }
    if app.session.history().in_gesture() {
        app.session.abort();
    }
    let listening = app.sound.is_on();
    let stacked = app.sound.stack_note();
    app.place.selected = Some(id);
    if stacked.is_some() {
        // Who holds a note goes on with the one that is chosen; another layer of it is no other note.
        if selected_note(app) != stacked {
            hold_stack(app, None);
        }
        return;
    }
    if listening {
        // Who is listening goes on listening: the next take plays as soon as it is there.
        app.sound.stop();
        play(app, From::Start);
    }
}

fn work(app: &mut App, ctx: &Context, command: WorkCommand) {
    match command {
        WorkCommand::Cancel(id) if app.work.is_proposing(id) => proposing::stop(app, id),
        WorkCommand::Cancel(id) => app.work.cancel(id),
        WorkCommand::Thumbnails(takes) => app.work.thumbs().0.want(takes),
        WorkCommand::ChooseDeliverFolder => {
            let folder = app.session.folder().map(Path::to_path_buf);
            app.work.choose_folder(ctx, Purpose::Deliver, folder.as_deref());
        }
        WorkCommand::Deliver(folder) => deliver(app, folder),
        WorkCommand::MeasureLevels => {
            if let Some(path) = app.session.path() {
                let known = app.derived.deliver().known();
                app.work.measure(path, app.session.document(), known);
            }
        }
        WorkCommand::OpenFile(path) => {
            if !app.work.open_file(&path) {
                app.notices
                    .warn(format!("No program could be started for it; open {} yourself.", path.display()));
            }
        }
        WorkCommand::RemoveOrphans(folder, names) => {
            app.work.remove_orphans(app.session.document(), folder, names);
        }
        WorkCommand::Survey => {
            if let Some(folder) = app.session.folder().map(Path::to_path_buf) {
                surveying::survey(app, vec![folder]);
            }
        }
        WorkCommand::TryUnread => surveying::try_unread(app),
        WorkCommand::Propose(take) => proposing::these(app, vec![take]),
        WorkCommand::ProposeThese(takes) => {
            let document = app.session.document();
            let with_note = |id: &TakeId| document.take(*id).is_some_and(|t| t.note.is_some());
            let takes: Vec<_> = takes.into_iter().filter(with_note).collect();
            if takes.is_empty() {
                app.notices.say("None of these takes has a note yet; give them one first.");
            } else {
                proposing::these(app, takes);
            }
        }
        WorkCommand::ProposeAll => proposing::all(app),
        WorkCommand::LoopNear { take, start, end, reach_s } => loop_near(app, take, (start, end, reach_s)),
        WorkCommand::CopyLoopLength(take) => copy_loop_length(app, take),
        WorkCommand::AcceptPassing => accept_passing(app),
    }
}

fn loop_near(app: &App, take: TakeId, place: (f64, f64, f64)) {
    let Some(take) = app.session.document().take(take).filter(|_| !app.session.read_only()) else { return };
    let Some(d) = app.derived.of(take.id) else { return };
    if let (Some(sound), Some(map)) = (&d.source, &d.loop_map) {
        app.work.loop_near(take, (sound, map), place);
    }
}

fn copy_loop_length(app: &mut App, take: TakeId) {
    if app.session.read_only() {
        return;
    }
    if let Some(path) = app.session.path().map(Path::to_path_buf) {
        app.work.copy_loop_length(&path, app.session.document(), take);
    }
}

fn accept_passing(app: &mut App) {
    let score = app.session.document().setup.accept_score;
    let Some(edit) = intake::accept_passing(app.session.document(), score) else {
        app.notices.say(format!(
            "No proposed take passes: none has a loop score of at least {score:.0} and no concern that needs a look."
        ));
        return;
    };
    let result = app.session.apply("Accept what passes", &edit);
    app.notices.check(result);
}

fn deliver(app: &mut App, folder: PathBuf) {
    let Some(path) = app.session.path().map(Path::to_path_buf) else { return };
    if folder.as_os_str().is_empty() {
        app.notices.warn("There is no folder to deliver into; type its path or choose one.");
        return;
    }
    let base = path.parent().unwrap_or(Path::new(""));
    app.notices.mended(About::Deliver);
    app.derived.set_delivery(None);
    app.work.deliver(&path, app.session.document(), base.join(folder));
}
