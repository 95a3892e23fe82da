//! The whole job through the real window: open, survey, propose, decide, loop and tune by ear,
//! deliver, close and come back.

mod afternoon;
mod cleaning;
mod disk;
mod hearing;
mod keyboard;
mod loops;
mod meanwhile;
mod stack;
mod support;
mod survey;
mod tabs;

use egui::{Key, Modifiers};
use egui_kittest::kittest::{NodeT as _, Queryable as _};
use seamwright::app::command::{Command, EditCommand, Room};
use seamwright::session::{Edit, Setup, TakeState, store};
use support::{Window, session_of, takes};

fn states(w: &Window) -> Vec<TakeState> {
    w.document().takes.iter().map(|t| t.state).collect()
}

#[test]
fn from_a_typed_path_to_decided_takes_and_back_by_undo() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", 3);
    let mut w = Window::new();
    w.type_into("Path", &folder.display().to_string());
    w.until("three takes are found", |w| w.document().takes.len() == 3 && w.is_idle());
    let notes: Vec<_> = w.app().session().sheet().notes.iter().map(|n| n.0).collect();
    assert_eq!(notes, [57, 58, 59], "the names and the sounds agree on the notes");
    assert!(w.document().takes.iter().all(|t| t.sounds == t.note));
    assert!(w.says("A3, layer 1: new") && w.says("3 new"));

    w.keys(Modifiers::SHIFT, Key::P);
    w.until("all are proposed", |w| w.document().takes.iter().all(|t| t.recipe.is_some()) && w.is_idle());
    assert_eq!(states(&w), [TakeState::Proposed; 3]);

    // Triage: accept, set aside, accept; Space plays and stops.
    let first = w.selected();
    w.until_made();
    w.key(Key::Space);
    assert!(w.app().sound().view().playing.is_some_and(|(t, _)| t == first));
    let loudest = w.heard.iter().fold(0f32, |m, x| m.max(x.abs()));
    w.frames(30);
    assert!(w.heard.iter().any(|x| x.abs() > loudest), "the take is heard");
    w.key(Key::Space);
    assert_eq!(w.app().sound().view().playing, None);
    w.key(Key::Y);
    w.key(Key::N);
    assert_ne!(w.selected(), first);
    w.key(Key::D);
    w.key(Key::N);
    w.key(Key::Y);
    use TakeState::{Accepted, Proposed, SetAside};
    let mut decided = states(&w);
    decided.sort_by_key(|s| *s as u8);
    assert_eq!(decided, [Accepted, Accepted, SetAside]);
    w.key(Key::N);
    assert!(w.says("Nothing left to look at"));

    w.keys(Modifiers::COMMAND, Key::Z);
    w.keys(Modifiers::COMMAND, Key::Z);
    assert_eq!(states(&w).iter().filter(|s| **s == Proposed).count(), 2);
    // The recipes came as one step; what the survey found is a fact and stays.
    w.keys(Modifiers::COMMAND, Key::Z);
    w.keys(Modifiers::COMMAND, Key::Z);
    assert_eq!(states(&w), [TakeState::New; 3]);
    assert!(w.app().session().history().undo_label().is_none());
}

#[test]
fn a_dropped_folder_opens_and_a_dropped_file_joins_it() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", 2);
    let mut w = Window::new();
    w.drop_file(&folder);
    w.until("both are found", |w| w.document().takes.len() == 2 && w.is_idle());
    let late = folder.join("bottle C5.wav");
    support::write_wav(&late, &support::note(523.25, 3.0, 9));
    w.drop_file(&late);
    w.until("the third is found", |w| w.document().takes.len() == 3 && w.is_idle());
    assert_eq!(w.app().session().path(), Some(session_of(&folder).as_path()));
    assert!(!w.app().session().read_only(), "{:?}", w.words());
    // Dropping what is open already neither locks us out nor finds anything twice.
    w.drop_file(&folder);
    w.until("it was looked through", Window::is_idle);
    w.frames(5);
    assert_eq!(w.document().takes.len(), 3);
    assert!(!w.app().session().read_only());
}

#[test]
fn undo_all_redo_all_close_and_come_back() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", 2);
    let mut w = Window::proposed(&folder, 2);
    for key in [Key::Y, Key::N, Key::D] {
        w.key(key);
    }
    let document = w.document().clone();
    let steps = w.app().session().history().labels().count();
    assert_eq!(steps, 3);
    for _ in 0..steps + 1 {
        w.keys(Modifiers::COMMAND, Key::Z);
    }
    assert_eq!(states(&w), [TakeState::New; 2]);
    for _ in 0..steps + 1 {
        w.keys(Modifiers::COMMAND | Modifiers::SHIFT, Key::Z);
    }
    assert_eq!(*w.document(), document);
    let path = session_of(&folder);
    w.close();
    assert_eq!(store::read(&path).unwrap(), *document);
    let w = Window::over(&folder, 2);
    assert_eq!(*w.document(), document);
    assert!(!w.app().session().read_only(), "the lock was given back");
}

#[test]
fn keys_of_one_frame_act_in_the_order_they_were_pressed() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", 2);
    let mut w = Window::proposed(&folder, 2);
    // Whatever their order in the table of keys: each decides about the take that the one before led to.
    w.at_once(&[Key::Y, Key::N, Key::D]);
    let decided = states(&w);
    assert!(decided.contains(&TakeState::Accepted) && decided.contains(&TakeState::SetAside), "{decided:?}");
    // And the later decision counts.
    w.at_once(&[Key::D, Key::Y]);
    assert_eq!(states(&w), [TakeState::Accepted; 2]);
}

#[test]
fn a_damaged_session_is_left_alone_and_its_autosave_opens() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", 1);
    let w = Window::over(&folder, 1);
    let document = w.document().clone();
    w.close();
    let path = session_of(&folder);
    let damaged = b"{\"format\": \"seamwright session\", \"vers";
    std::fs::write(&path, damaged).unwrap();
    let mut w = Window::new();
    w.open(&folder);
    w.until("the autosave is offered", |w| w.says("Open the autosave"));
    assert!(w.app().session().path().is_none());
    assert_eq!(std::fs::read(&path).unwrap(), damaged);
    w.click("Open the autosave");
    w.until("it is open", |w| w.app().session().path().is_some() && w.is_idle());
    assert_eq!(*w.document(), document);
    w.frames(300);
    assert_eq!(std::fs::read(&path).unwrap(), damaged, "nothing was changed, so nothing is written");
    // The first change puts a good one in its place, as the window says.
    assert!(w.says("of which a copy is kept"));
    w.key(Key::D);
    w.close();
    assert_eq!(store::read(&path).unwrap().takes[0].state, TakeState::SetAside);
    assert_eq!(std::fs::read(folder.join("bottles.seamwright.damaged")).unwrap(), damaged);
}

#[test]
fn a_recipe_that_comes_in_during_a_drag_does_not_cut_it_in_two() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", 3);
    let mut w = Window::over(&folder, 3);
    let setup = |title: &str, w: &Window| {
        let setup = Setup { title: title.into(), ..w.document().setup.clone() };
        Command::Edit(EditCommand::Preview(Edit::SetSetup(Box::new(setup))))
    };
    w.keys(Modifiers::SHIFT, Key::P);
    let drag = setup("half", &w);
    w.send(drag);
    // The drag is held until the bar says that all are done.
    w.until("all are worked out", |w| {
        let bar = w.h.query_by_label("Progress: Proposing recipes");
        bar.is_some_and(|b| b.accesskit_node().numeric_value() == Some(100.0))
    });
    w.frames(30);
    assert_eq!(states(&w), [TakeState::New; 3], "they wait");
    let drag = setup("whole", &w);
    w.send(drag);
    w.send(Command::Edit(EditCommand::Commit("Title".into())));
    w.until("they come in", |w| w.is_idle());
    assert_eq!(states(&w), [TakeState::Proposed; 3]);
    let steps: Vec<_> = w.app().session().history().labels().collect();
    assert_eq!(steps, ["Propose all", "Title"], "in the order in which they were asked for");
    w.keys(Modifiers::COMMAND, Key::Z);
    assert_eq!(w.document().setup.title, "bottles", "one drag is one step");
    assert_eq!(states(&w), [TakeState::Proposed; 3]);
}

#[test]
fn when_all_is_done_the_window_rests() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", 2);
    let mut w = Window::proposed(&folder, 2);
    w.key(Key::Num2);
    w.until_made();
    w.key(Key::Space);
    w.frames(20);
    let delay = |w: &Window| w.h.output().viewport_output[&egui::ViewportId::ROOT].repaint_delay;
    assert_eq!(delay(&w), std::time::Duration::ZERO, "a moving cursor is drawn in every frame");
    w.key(Key::Space);
    w.until("it is saved", |w| !w.app().session().is_dirty());
    // A worker that ends wakes the window once more; after the last of them nothing does.
    let mut rested = 0;
    w.until("two seconds without a wish for another frame", |w| {
        rested = if delay(w) > std::time::Duration::from_secs(3600) { rested + 1 } else { 0 };
        rested == 120
    });
}

#[test]
fn a_session_opened_twice_can_only_be_looked_at() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", 2);
    Window::proposed(&folder, 2).close();
    let w = Window::over(&folder, 2);
    let path = session_of(&folder);
    let bytes = std::fs::read(&path).unwrap();
    let mut second = Window::over(&folder, 2);
    assert!(second.app().session().read_only());
    assert!(second.says("read only") && second.says("another program has this session open"));
    let before = second.document().clone();
    second.key(Key::Y);
    second.key(Key::D);
    second.keys(Modifiers::SHIFT, Key::P);
    second.keys(Modifiers::SHIFT, Key::Y);
    let take = second.selected();
    second.send(Command::Edit(EditCommand::Preview(Edit::SetLoop { take, looping: None })));
    second.send(Command::Edit(EditCommand::Commit("x".into())));
    second.keys(Modifiers::COMMAND, Key::S);
    second.frames(300);
    assert_eq!(*second.document(), before);
    // It can be heard and looked at all the same.
    second.key(Key::Num2);
    assert_eq!(second.app().room(), Room::Bench);
    second.until_made();
    second.close();
    assert_eq!(std::fs::read(&path).unwrap(), bytes);
    assert!(!w.app().session().read_only());
}
