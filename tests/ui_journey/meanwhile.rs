//! Working while takes are still being found: what is asked for stands for what comes, and what comes
//! touches nothing that the user does.

use std::path::Path;

use egui::{Key, Modifiers};
use egui_kittest::kittest::Queryable as _;
use seamwright::app::command::{Command, EditCommand, GoCommand};
use seamwright::session::{Edit, Setup, TakeState, store};
use seamwright::units::MidiNote;

use crate::support::{Window, note, session_of, takes, write_wav};

/// Enough files that a survey is still at work while the first takes are worked on.
const MANY: u8 = 16;

fn first_found(folder: &Path) -> Window {
    let mut w = Window::new();
    w.open(folder);
    w.until("the first take is there", |w| !w.document().takes.is_empty());
    w
}

fn steps(w: &Window) -> Vec<String> {
    w.app().session().history().names().collect()
}

fn all_proposed(w: &Window, count: u8) -> bool {
    let takes = &w.document().takes;
    takes.len() == usize::from(count) && takes.iter().all(|t| t.recipe.is_some()) && w.is_idle()
}

#[test]
fn propose_all_stands_for_what_is_still_found_and_is_one_step() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", MANY);
    let mut w = first_found(&folder);
    w.keys(Modifiers::SHIFT, Key::P);
    assert!(w.document().takes.len() < usize::from(MANY), "the survey is still at work");
    assert!(w.says("still finding takes"), "and it is said that more will come");
    // The user goes on meanwhile.
    let setup = Setup { title: "mine".into(), ..w.document().setup.clone() };
    let edit = Edit::SetSetup(Box::new(setup));
    w.send(Command::Edit(EditCommand::Do { label: "Title".into(), edit }));
    w.until("all are proposed", |w| all_proposed(w, MANY));
    assert_eq!(steps(&w), ["Propose all: 16 takes", "Title"], "it stands where it was asked for");
    // Undo takes back the user's own act, and nothing that came meanwhile.
    w.keys(Modifiers::COMMAND, Key::Z);
    assert_eq!(w.document().setup.title, "bottles");
    assert!(w.document().takes.iter().all(|t| t.recipe.is_some()));
    w.keys(Modifiers::COMMAND, Key::Z);
    assert!(w.document().takes.iter().all(|t| t.recipe.is_none()));
    assert_eq!(steps(&w), Vec::<String>::new());
}

#[test]
fn undo_of_propose_all_stops_what_is_still_running_of_it() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", MANY);
    let mut w = first_found(&folder);
    w.keys(Modifiers::SHIFT, Key::P);
    w.until("a recipe is there", |w| w.document().takes.iter().any(|t| t.recipe.is_some()));
    w.keys(Modifiers::COMMAND, Key::Z);
    w.until("all is found", |w| w.is_idle() && w.document().takes.len() == usize::from(MANY));
    w.frames(30);
    assert!(w.document().takes.iter().all(|t| t.state == TakeState::New));
}

/// Redo takes the wish up again: what had come is there at once, and the rest comes, also for takes that were found
/// between undo and redo; all of it is one step again.
#[test]
fn redo_of_propose_all_goes_on_with_all_of_it() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", MANY);
    let mut w = first_found(&folder);
    w.keys(Modifiers::SHIFT, Key::P);
    w.until("a recipe is there", |w| w.document().takes.iter().any(|t| t.recipe.is_some()));
    let found = w.document().takes.len();
    w.keys(Modifiers::COMMAND, Key::Z);
    assert!(found < usize::from(MANY), "the survey is still at work");
    assert!(w.app().session().history().redo_name().is_some_and(|n| n.starts_with("Propose all")));
    w.until("more takes are there", |w| w.document().takes.len() > found);
    w.keys(Modifiers::COMMAND | Modifiers::SHIFT, Key::Z);
    assert!(w.document().takes.iter().any(|t| t.recipe.is_some()), "what had come is there at once");
    w.until("all are proposed", |w| all_proposed(w, MANY));
    assert_eq!(steps(&w), ["Propose all: 16 takes"]);
    w.keys(Modifiers::COMMAND, Key::Z);
    assert!(w.document().takes.iter().all(|t| t.recipe.is_none()));
    w.keys(Modifiers::COMMAND | Modifiers::SHIFT, Key::Z);
    assert!(w.document().takes.iter().all(|t| t.recipe.is_some()));
    w.frames(10);
    assert!(w.is_idle(), "there is nothing to do again");
}

/// The same where nothing had come yet, and all takes were found before it was made again.
#[test]
fn redo_brings_back_a_wish_that_nothing_had_come_of() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", 4);
    let mut w = first_found(&folder);
    w.send(Command::Work(seamwright::app::command::WorkCommand::ProposeAll));
    w.send(Command::Edit(EditCommand::Undo));
    assert!(w.document().takes.iter().all(|t| t.recipe.is_none()));
    w.until("all is found", |w| w.is_idle() && w.document().takes.len() == 4);
    w.frames(10);
    assert!(w.document().takes.iter().all(|t| t.recipe.is_none()), "it was taken back");
    w.keys(Modifiers::COMMAND | Modifiers::SHIFT, Key::Z);
    w.until("all are proposed", |w| all_proposed(w, 4));
    assert_eq!(steps(&w), ["Propose all: 4 takes"]);
}

/// What was decided by hand about a take's note stays decided when its file is looked through once more.
#[test]
fn a_new_survey_keeps_what_was_decided_about_a_note_by_hand() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", 3);
    // Named one note, sounding another: the survey calls it wrong.
    write_wav(&folder.join("bottle E4.wav"), &note(369.99, 3.0, 7));
    let mut w = Window::over(&folder, 4);
    let named = |w: &Window, n: u8| {
        w.document()
            .takes
            .iter()
            .find(|t| t.named.and_then(|n| n.midi) == Some(MidiNote(n)))
            .cloned()
            .unwrap()
    };
    let wrong = |w: &Window, n: u8| {
        let take = named(w, n);
        let concern = take.concerns.iter().find(|c| c.kind == seamwright::session::ConcernKind::WrongNote);
        concern.map(|c| c.text.clone())
    };
    assert!(wrong(&w, 64).is_some_and(|t| t.contains("sounds F#4")), "{:?}", wrong(&w, 64));
    assert_eq!(wrong(&w, 57), None);
    // The one is put right, the other put wrong.
    for (n, to) in [(64, 66), (57, 61)] {
        let edit = Edit::Place { take: named(&w, n).id, note: MidiNote(to), layer: 0 };
        w.send(Command::Edit(EditCommand::Do { label: "Place".into(), edit }));
    }
    assert_eq!(wrong(&w, 64), None);
    let by_hand = wrong(&w, 57);
    assert!(by_hand.as_ref().is_some_and(|t| t.contains("placed as C#4")), "{by_hand:?}");
    w.click("Survey again");
    w.frames(2);
    w.until("it is looked through", Window::is_idle);
    w.frames(4);
    assert_eq!((wrong(&w, 64), wrong(&w, 57)), (None, by_hand));
    assert_eq!((named(&w, 64).note, named(&w, 57).note), (Some(MidiNote(66)), Some(MidiNote(61))));
}

/// A file that was cut short: what is there of it is used and says so; where no take is left in it, it stands among
/// the files that could not be read, with how much is there of how much.
#[test]
fn a_file_that_is_cut_short_is_told_so_and_used() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", 1);
    for (name, seconds) in [("bottle C5.wav", 2.0), ("bottle D5.wav", 0.2), ("bottle E5.wav", 0.0)] {
        let path = folder.join(name);
        write_wav(&path, &note(523.25, 4.0, 9));
        let bytes = std::fs::read(&path).unwrap();
        let head = bytes.len() - 3 * 4 * 48_000;
        std::fs::write(&path, &bytes[..head + 3 * (seconds * 48_000.0) as usize]).unwrap();
    }
    let mut w = Window::over(&folder, 2);
    let cut = w.document().takes.iter().find(|t| t.note == Some(MidiNote(72))).cloned().unwrap();
    let text = "the file is cut short: 2.00 s of the 4.00 s that its head promises are there";
    assert!(cut.concerns.iter().any(|c| c.text.contains(text)), "{:?}", cut.concerns);
    w.send(Command::Go(GoCommand::Select(cut.id)));
    w.frames(5);
    assert!(w.says(text) && w.says("survey again"), "and the window says it");
    // It can be worked on as far as it goes.
    w.key(Key::P);
    w.until("it has a recipe", |w| w.document().take(cut.id).unwrap().recipe.is_some() && w.is_idle());
    assert_eq!(w.document().unread.len(), 2);
    w.click("Which, and why");
    assert!(w.says("bottle D5.wav: ") && w.says("cut short: 0.20 s of the 4.00 s"));
    assert!(w.says("cut short: not one whole frame is there of the 4.00 s that its head promises"));
}

/// A file that is put in the place of another is drawn anew as soon as it was looked through.
#[test]
fn a_replaced_file_is_drawn_anew() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", 1);
    let path = folder.join("bottle C5.wav");
    write_wav(&path, &note(523.25, 4.0, 9));
    let whole = std::fs::read(&path).unwrap();
    std::fs::write(&path, &whole[..whole.len() / 2]).unwrap();
    let mut w = Window::over(&folder, 2);
    let take =
        |w: &Window| w.document().takes.iter().find(|t| t.note == Some(MidiNote(72))).cloned().unwrap();
    let wave = |w: &Window| w.app().derived().thumb(&take(w)).cloned();
    w.until("it is drawn", |w| wave(w).is_some());
    let (before, span) = (wave(&w).unwrap(), take(&w).span);
    w.key(Key::P);
    w.until("all is idle", Window::is_idle);
    std::fs::write(&path, &whole).unwrap();
    w.click("Survey again");
    w.frames(2);
    w.until("the whole file was looked through", |w| w.is_idle() && take(w).span != span);
    w.until("it is drawn anew", |w| wave(w).is_some_and(|now| now != before));
}

#[test]
fn escape_takes_the_wish_back_and_leaves_what_is_there() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", MANY);
    let mut w = first_found(&folder);
    w.keys(Modifiers::SHIFT, Key::P);
    w.until("a recipe is there", |w| w.document().takes.iter().any(|t| t.recipe.is_some()));
    // What lies over the sheet is closed first.
    w.keys(Modifiers::COMMAND, Key::U);
    w.key(Key::Escape);
    assert!(w.says("still finding takes") || all_proposed(&w, MANY), "the wish stands");
    w.key(Key::Escape);
    assert!(w.words().iter().any(|t| t.contains("No more recipes are proposed")), "{:?}", w.words());
    let there = w.document().takes.iter().filter(|t| t.recipe.is_some()).count();
    w.until("all is found", |w| w.is_idle() && w.document().takes.len() == usize::from(MANY));
    w.frames(30);
    assert_eq!(w.document().takes.iter().filter(|t| t.recipe.is_some()).count(), there);
    assert!((1..usize::from(MANY)).contains(&there), "{there}");
    assert_eq!(steps(&w).len(), 1, "what is there can be undone");
    // And the rest can be asked for.
    w.keys(Modifiers::SHIFT, Key::P);
    w.until("all are proposed", |w| all_proposed(w, MANY));
}

#[test]
fn the_selection_stays_while_takes_come_in() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", MANY);
    let mut w = first_found(&folder);
    let selected = w.selected();
    // It is looked at, and decided about: that is no reason to go elsewhere.
    w.key(Key::Num2);
    w.send(Command::Edit(EditCommand::SetState(selected, TakeState::SetAside)));
    w.until("all is found", |w| {
        assert_eq!(w.selected(), selected);
        w.is_idle() && w.document().takes.len() == usize::from(MANY)
    });
    assert_eq!(w.selected(), selected);
}

/// One file a layer, its notes in order: which layer a file is, only the whole set tells.
fn passes(dir: &Path) -> std::path::PathBuf {
    let folder = dir.join("passes");
    std::fs::create_dir(&folder).unwrap();
    for (i, name) in ["one", "two", "three", "four"].iter().enumerate() {
        let seed = i as u64 + 1;
        let sound: Vec<f32> = [220.0, 261.63, 329.63].iter().flat_map(|hz| note(*hz, 3.0, seed)).collect();
        write_wav(&folder.join(format!("{name}.wav")), &sound);
    }
    folder
}

fn places(w: &Window) -> Vec<(u16, Option<u8>)> {
    let mut all: Vec<_> = w.document().takes.iter().map(|t| (t.layer, t.note.map(|n| n.0))).collect();
    all.sort_unstable();
    all
}

#[test]
fn a_survey_taken_up_again_settles_what_an_earlier_one_could_not() {
    let dir = tempfile::tempdir().unwrap();
    let folder = passes(dir.path());
    let w = Window::over(&folder, 12);
    let plain = places(&w);
    assert!(w.document().unsettled.is_empty());
    w.close();
    std::fs::remove_file(session_of(&folder)).unwrap();
    // Closed before the whole set was known, with more than one file in its layer.
    let mut w = first_found(&folder);
    w.until("a second file is there", |w| w.document().takes.len() >= 6);
    assert!(w.document().takes.len() < 12, "the survey is still at work");
    w.close();
    let mut w = Window::new();
    w.open(&folder);
    w.until("it is open", |w| !w.document().takes.is_empty() && w.is_idle());
    assert!(!w.document().unsettled.is_empty(), "it is kept which takes have no settled place");
    assert!(places(&w).iter().all(|(layer, _)| *layer == 0), "each stands where its file alone put it");
    w.click("Survey again");
    w.until("all is found", |w| w.document().takes.len() == 12 && w.is_idle());
    assert_eq!(places(&w), plain);
    assert!(w.document().unsettled.is_empty());
}

#[test]
fn what_is_proposed_early_comes_to_the_place_that_the_whole_set_tells() {
    let dir = tempfile::tempdir().unwrap();
    let folder = passes(dir.path());
    let mut w = Window::over(&folder, 12);
    let plain = places(&w);
    w.close();
    std::fs::remove_file(session_of(&folder)).unwrap();
    w = first_found(&folder);
    w.keys(Modifiers::SHIFT, Key::P);
    w.until("all are proposed", |w| all_proposed(w, 12));
    assert_eq!(places(&w), plain);
    assert!(plain.iter().any(|(layer, _)| *layer == 3), "{plain:?}");
    let on_their_note =
        |t: &seamwright::session::Take| t.recipe.as_ref().unwrap().tune.target == t.note.unwrap();
    assert!(w.document().takes.iter().all(|t| on_their_note(t)));
}

#[test]
fn a_file_that_cannot_be_read_is_shown_also_after_reopening_and_comes_in_when_it_can() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", 2);
    let broken = folder.join("bottle C5.wav");
    std::fs::write(&broken, b"RIFF, but no more").unwrap();
    let w = Window::over(&folder, 2);
    assert!(w.says("No take from bottle C5.wav: "), "below the sheet");
    assert!(w.app().session().history().undo_label().is_none(), "a fact is no step");
    w.close();
    assert_eq!(store::read(&session_of(&folder)).unwrap().unread.len(), 1);
    let mut w = Window::over(&folder, 2);
    w.frames(5);
    assert!(w.says("No take from bottle C5.wav: "), "and when it is opened again");
    assert!(w.words().is_empty(), "though not as news: {:?}", w.words());
    // Tried again, it is said how that went.
    w.click("Try to read them again");
    w.until("it is tried", |w| w.words().iter().any(|t| t.contains("bottle C5.wav still cannot be read")));
    w.until("it is at rest", Window::is_idle);
    write_wav(&broken, &note(523.25, 3.0, 9));
    w.click("Try to read them again");
    w.until("it is found", |w| w.document().takes.len() == 3 && w.is_idle());
    assert!(!w.says("No take from") && w.document().unread.is_empty());
    assert!(w.document().takes.iter().any(|t| t.note == Some(MidiNote(72))));
    w.close();
    // One that has become readable while nothing was open is looked at by itself.
    let late = folder.join("bottle D5.wav");
    std::fs::write(&late, b"").unwrap();
    let mut w = Window::over(&folder, 3);
    w.send(Command::Work(seamwright::app::command::WorkCommand::Survey));
    w.until("it is told", |w| w.says("No take from bottle D5.wav: ") && w.is_idle());
    w.close();
    write_wav(&late, &note(587.33, 3.0, 10));
    let w = Window::over(&folder, 4);
    assert!(w.document().unread.is_empty());
    w.close();
    // One that is gone is forgotten.
    std::fs::write(folder.join("bottle E5.wav"), b"").unwrap();
    let mut w = Window::over(&folder, 4);
    w.send(Command::Work(seamwright::app::command::WorkCommand::Survey));
    w.until("it is told", |w| w.says("No take from bottle E5.wav: ") && w.is_idle());
    std::fs::remove_file(folder.join("bottle E5.wav")).unwrap();
    w.click("Try to read them again");
    w.until("it is forgotten", |w| !w.says("No take from"));
}

#[test]
fn files_that_a_stopped_survey_left_out_are_told_of() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", 2);
    Window::over(&folder, 2).close();
    let told = |w: &Window| w.words().iter().any(|t| t.contains("Not in the sheet yet: 2 sound files"));
    let w = Window::over(&folder, 2);
    assert!(!told(&w) && w.words().is_empty(), "{:?}", w.words());
    w.close();
    for (name, hz) in [("bottle C5.wav", 523.25), ("bottle D5.wav", 587.33)] {
        write_wav(&folder.join(name), &note(hz, 3.0, 9));
    }
    let mut w = Window::over(&folder, 2);
    assert!(told(&w), "{:?}", w.words());
    w.click("Survey again");
    w.until("they are found", |w| w.document().takes.len() == 4 && w.is_idle());
}

#[test]
fn a_selected_take_survives_takes_that_sort_before_it() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", 2);
    let mut w = Window::over(&folder, 2);
    let id = w.document().takes.iter().find(|t| t.note == Some(MidiNote(58))).unwrap().id;
    w.send(Command::Go(GoCommand::Select(id)));
    let early = folder.join("bottle C3.wav");
    write_wav(&early, &note(130.81, 3.0, 5));
    w.drop_file(&early);
    w.until("it is found", |w| w.document().takes.len() == 3 && w.is_idle());
    assert_eq!(w.selected(), id);
    assert!(w.h.query_by_label_contains("C3, layer 1: new").is_some());
}

#[test]
fn what_was_undone_survives_a_proposal_that_fails() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", 1);
    let mut w = Window::proposed(&folder, 1);
    let before = steps(&w);
    let setup = Setup { title: "mine".into(), ..w.document().setup.clone() };
    let edit = Edit::SetSetup(Box::new(setup));
    w.send(Command::Edit(EditCommand::Do { label: "Title".into(), edit }));
    w.keys(Modifiers::COMMAND, Key::Z);
    for file in std::fs::read_dir(&folder).unwrap().flatten().map(|f| f.path()) {
        if file.extension().is_some_and(|e| e == "wav") {
            std::fs::remove_file(file).unwrap();
        }
    }
    w.key(Key::P);
    w.until("it is told that it failed", |w| w.is_idle() && !w.words().is_empty());
    w.frames(3);
    assert_eq!(steps(&w), before, "{:?}", w.words());
    w.keys(Modifiers::COMMAND | Modifiers::SHIFT, Key::Z);
    assert_eq!(w.document().setup.title, "mine");
}
