//! While files are looked through, the rest of the window works.

use egui::Key;
use seamwright::app::command::{Command, GoCommand, WorkCommand};
use seamwright::session::{ConcernKind, TakeState, store};

use crate::support::{Window, session_of, takes};

/// Enough files that a survey is still at work while the first takes are decided.
const MANY: u8 = 24;

#[test]
fn takes_can_be_heard_and_decided_while_the_survey_runs() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", MANY);
    std::fs::write(folder.join("broken.wav"), b"RIFF, but no more").unwrap();
    let mut w = Window::new();
    w.open(&folder);
    w.until("the first take is there", |w| !w.document().takes.is_empty());
    let id = w.document().takes[0].id;
    w.send(Command::Go(GoCommand::Select(id)));
    w.key(Key::D);
    assert_eq!(w.take().state, TakeState::SetAside);
    assert!(w.says("Cancel"), "the survey is still at work");
    w.heard.clear();
    w.key(Key::Space);
    w.until("it is heard", |w| w.heard.iter().any(|x| x.abs() > 1e-3));
    w.key(Key::Space);
    w.until("all is found", |w| w.is_idle());
    assert_eq!(w.document().takes.len(), usize::from(MANY));
    assert_eq!(w.document().take(id).unwrap().state, TakeState::SetAside, "the survey's end leaves it");
    let told = w.words().iter().filter(|t| t.contains("broken.wav")).count();
    assert_eq!(told, 1, "{:?}", w.words());
    assert!(w.says("broken.wav"));
}

#[test]
fn a_survey_that_is_stopped_keeps_what_was_found() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", MANY);
    let mut w = Window::new();
    w.open(&folder);
    w.until("the first take is there", |w| !w.document().takes.is_empty());
    w.click("Cancel");
    w.until("it ends", |w| w.is_idle());
    let found = w.document().takes.len();
    assert!((1..usize::from(MANY)).contains(&found), "{found}");
    w.frames(20);
    assert_eq!(w.document().takes.len(), found);
    assert!(!w.words().iter().any(|t| t.contains("stopped")), "a stop that was asked for is no error");
    // And it can be taken up again.
    w.send(Command::Work(WorkCommand::Survey));
    w.until("all is found", |w| w.is_idle() && w.document().takes.len() == usize::from(MANY));
}

#[test]
fn another_folder_opened_meanwhile_gets_only_its_own() {
    let dir = tempfile::tempdir().unwrap();
    let first = takes(dir.path(), "first", MANY);
    let second = takes(dir.path(), "second", 2);
    let mut w = Window::new();
    w.open(&first);
    w.until("the first take is there", |w| !w.document().takes.is_empty());
    w.open(&second);
    w.until("the second folder is open", |w| {
        w.app().session().path() == Some(session_of(&second).as_path()) && w.is_idle()
    });
    w.until("its takes are there", |w| w.document().takes.len() == 2);
    w.frames(60);
    assert_eq!(w.document().takes.len(), 2);
    assert_eq!(w.document().sources.len(), 2);
    // What was found in the first is kept in its own session.
    let kept = store::read(&session_of(&first)).unwrap();
    assert!((1..=usize::from(MANY)).contains(&kept.takes.len()));
}

#[test]
fn of_two_folders_asked_for_in_a_row_the_later_is_shown() {
    let dir = tempfile::tempdir().unwrap();
    let (first, second) = (takes(dir.path(), "first", 1), takes(dir.path(), "second", 1));
    Window::over(&first, 1).close();
    let mut w = Window::new();
    w.open(&first);
    w.open(&second);
    w.until("one is there", |w| w.document().takes.len() == 1 && w.is_idle());
    w.frames(60);
    assert_eq!(w.app().session().path(), Some(session_of(&second).as_path()));
    // Nobody holds the lock of the one that was passed over.
    assert!(store::lock(&session_of(&first)).unwrap().is_some());
}

#[test]
fn a_recording_that_changed_is_found_by_its_bytes() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", 2);
    Window::proposed(&folder, 2).close();
    let w = Window::over(&folder, 2);
    w.close();
    let marked = |w: &Window| -> Vec<bool> {
        let is = |k| k == ConcernKind::SourceChanged;
        w.document().takes.iter().map(|t| t.concerns.iter().any(|c| is(c.kind))).collect()
    };
    // Same name, same size, another byte in the middle of the sound.
    let file = folder.join("bottle A3.wav");
    let mut bytes = std::fs::read(&file).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    std::fs::write(&file, &bytes).unwrap();
    let mut w = Window::new();
    w.open(&folder);
    w.until("it is told", |w| w.says("is not the file it was when it was surveyed"));
    let changed = w.document().takes.iter().position(|t| t.note.unwrap().0 == 57).unwrap();
    let mut should = vec![false; 2];
    should[changed] = true;
    assert_eq!(marked(&w), should);
    assert!(w.app().session().history().undo_label().is_none(), "a fact is no step");
    w.close();
    // Put right again, the mark goes.
    bytes[middle] ^= 1;
    std::fs::write(&file, &bytes).unwrap();
    let mut w = Window::over(&folder, 2);
    w.frames(5);
    assert_eq!(marked(&w), [false, false]);
    assert!(w.words().is_empty(), "{:?}", w.words());
}

#[test]
fn a_take_whose_file_came_back_is_read_again() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", 2);
    Window::proposed(&folder, 2).close();
    let (file, away) = (folder.join("bottle A3.wav"), dir.path().join("away"));
    std::fs::rename(&file, &away).unwrap();
    let mut w = Window::new();
    w.open(&folder);
    // Among the messages: which of them stands in the strip depends on which comes last.
    w.until("it is told", |w| w.words().iter().any(|t| t.contains("bottle A3.wav is gone")));
    let id = w.document().takes.iter().find(|t| t.note.unwrap().0 == 57).unwrap().id;
    w.send(Command::Go(GoCommand::Select(id)));
    w.until("it failed", |w| w.app().derived().of(id).is_some_and(|d| d.failed.is_some()));
    w.key(Key::Space);
    assert!(w.words().iter().any(|t| t.contains("this take cannot be played")), "{:?}", w.words());
    std::fs::rename(&away, &file).unwrap();
    w.send(Command::Work(WorkCommand::Survey));
    w.until_made();
    w.until("the survey ends", |w| w.is_idle());
    assert!(w.take().concerns.iter().all(|c| c.kind != ConcernKind::SourceChanged));
}
