//! What the window writes: deliveries and the session itself, also when the disk does not play along.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use egui::accesskit::Role;
use egui::{Key, Modifiers, ViewportCommand, ViewportEvent, ViewportId};
use egui_kittest::kittest::{NodeT as _, Queryable as _};
use seamwright::app::command::{Command, EditCommand};
use seamwright::io::DELIVERY_MANIFEST;
use seamwright::jobs::Job;
use seamwright::render::batch::{DeliverOptions, deliver};
use seamwright::session::{Document, Edit, Setup, Take, TakeId, TakeState, store};

use crate::support::{Window, session_of, takes};

/// So many takes that delivering them is still at work when the first is written.
const MANY: u32 = 24;

/// Names and bytes of the files in a folder, hidden ones too, but for the manifest.
fn contents(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    std::fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap())
        .map(|e| (e.file_name().to_string_lossy().into_owned(), std::fs::read(e.path()).unwrap()))
        .filter(|(name, _)| name != DELIVERY_MANIFEST)
        .collect()
}

/// How many delivered files stand in a folder that is being written into. A file that is still
/// being written has another name, and may be gone before it could be read.
fn delivered(folder: &Path) -> usize {
    let Ok(entries) = std::fs::read_dir(folder) else { return 0 };
    let names = entries.flatten().map(|e| e.file_name().to_string_lossy().into_owned());
    names.filter(|n| n.ends_with(".wav") && !n.starts_with('.')).count()
}

/// Reads a delivered file with a general library: 24 bits, 48 kHz, every frame there.
fn is_whole(path: &Path) {
    let mut r = hound::WavReader::open(path).unwrap();
    let spec = r.spec();
    assert_eq!((spec.bits_per_sample, spec.sample_rate), (24, 48_000), "{}", path.display());
    let frames = r.duration();
    assert!(frames > 48_000, "{}", path.display());
    assert_eq!(r.samples::<i32>().filter(Result::is_ok).count() as u32, frames);
}

fn accept_all(w: &mut Window) {
    let ids: Vec<_> = w.document().takes.iter().map(|t| t.id).collect();
    let edits = ids.into_iter().map(|take| Edit::SetState { take, state: TakeState::Accepted }).collect();
    w.send(Command::Edit(EditCommand::Do { label: "Accept".into(), edit: Edit::Many(edits) }));
    w.frames(2);
}

#[test]
fn delivered_from_the_window_as_by_the_command() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", 3);
    let mut w = Window::proposed(&folder, 3);
    accept_all(&mut w);
    w.key(Key::Num4);
    let out = dir.path().join("out").join("set");
    w.type_into("Folder", &out.display().to_string());
    w.h.get_by_role_and_label(Role::Button, "Deliver").click();
    let mut progress = Vec::new();
    w.frames(2);
    for _ in 0..100_000 {
        if w.app().derived().delivery().is_some() {
            break;
        }
        w.frames(1);
        if let Some(bar) = w.h.query_by_label("Progress: Delivering") {
            progress.push(bar.accesskit_node().numeric_value().unwrap_or(0.0));
        }
    }
    assert!(w.says("3 files written"), "{:?}", w.words());
    assert!(!progress.is_empty() && progress.is_sorted(), "{progress:?}");
    let ours = contents(&out);
    let sounds: Vec<&String> = ours.keys().filter(|n| n.ends_with(".wav")).collect();
    assert_eq!(sounds.len(), 3);
    sounds.into_iter().for_each(|name| is_whole(&out.join(name)));
    // Beside them the map and the report.
    assert!(ours.keys().any(|n| n.ends_with(".sfz")) && ours.contains_key("report.html"));

    // Beside a take stands how its file is to what would be written now.
    w.key(Key::Num1);
    w.until("the files are compared", |w| w.says("Delivered as it is"));
    let edit = Edit::SetLoop { take: w.selected(), looping: None };
    w.send(Command::Edit(EditCommand::Do { label: "No loop".into(), edit }));
    w.until("the change is seen", |w| w.says("Changed since the delivery"));
    assert!(w.says(", changed since the delivery"), "the cell says so too");
    w.keys(Modifiers::COMMAND, Key::Z);
    w.until("it is as it was", |w| w.says("Delivered as it is"));

    // The same from the saved session, as the command does it.
    w.keys(Modifiers::COMMAND, Key::S);
    let path = session_of(&folder);
    w.close();
    let document = store::read(&path).unwrap();
    let other = dir.path().join("command");
    let done = deliver(&path, &document, &other, &DeliverOptions::default(), &Job::new()).unwrap();
    assert_eq!(done.written.len(), 3);
    assert!(ours == contents(&other), "the bytes differ");
}

/// A session with so many takes of one recording that delivering them takes a while.
fn many_takes(folder: &Path, count: u32) {
    let mut w = Window::proposed(folder, 1);
    accept_all(&mut w);
    w.close();
    let path = session_of(folder);
    let mut document: Document = store::read(&path).unwrap();
    let first = Arc::clone(&document.takes[0]);
    document.takes = (0..count)
        .map(|i| Arc::new(Take { id: TakeId(i + 1), layer: i as u16, ..(*first).clone() }))
        .collect();
    store::save(&path, &document).unwrap();
}

#[test]
fn a_delivery_that_is_stopped_leaves_whole_files_and_goes_on_later() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", 1);
    many_takes(&folder, MANY);
    let mut w = Window::over(&folder, MANY as usize);
    w.key(Key::Num4);
    let out = dir.path().join("out");
    w.type_into("Folder", &out.display().to_string());
    w.h.get_by_role_and_label(Role::Button, "Deliver").click();
    w.until("two files are there", |_| delivered(&out) >= 2);
    w.click("Cancel");
    w.until("it ends", |w| w.app().derived().delivery().is_some());
    w.frames(2);
    assert!(w.says("Stopped before the end"));
    let there = contents(&out);
    assert!((2..MANY as usize).contains(&there.len()), "{}", there.len());
    for name in there.keys() {
        assert!(name.ends_with(".wav") && !name.starts_with('.'), "{name} was left behind");
        is_whole(&out.join(name));
    }
    let done = w.app().derived().delivery().unwrap();
    assert_eq!(done.written.len(), there.len(), "what is said to be written is there");
    // Again: the rest is written, what is there is kept.
    w.h.get_by_role_and_label(Role::Button, "Deliver").click();
    w.frames(3);
    w.until("all are there", |w| w.app().derived().delivery().is_some());
    let done = w.app().derived().delivery().unwrap();
    assert_eq!((done.kept.len(), done.written.len()), (there.len(), MANY as usize - there.len()));
    assert!(there.iter().all(|(name, bytes)| std::fs::read(out.join(name)).unwrap() == *bytes));
}

#[test]
fn closing_during_a_delivery_leaves_whole_files() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", 1);
    many_takes(&folder, MANY);
    let mut w = Window::over(&folder, MANY as usize);
    w.key(Key::Num4);
    let out = dir.path().join("out");
    w.type_into("Folder", &out.display().to_string());
    w.h.get_by_role_and_label(Role::Button, "Deliver").click();
    w.until("a file is there", |_| delivered(&out) > 0);
    w.close();
    let there = contents(&out);
    assert!((1..MANY as usize).contains(&there.len()), "{}", there.len());
    for name in there.keys() {
        assert!(name.ends_with(".wav"), "{name} was left behind");
        is_whole(&out.join(name));
    }
}

#[test]
fn a_clash_is_told_and_nothing_of_others_is_written_over() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", 2);
    let mut w = Window::proposed(&folder, 2);
    accept_all(&mut w);
    w.key(Key::Num4);
    let out = dir.path().join("out");
    w.type_into("Folder", &out.display().to_string());
    // Two takes of one name.
    w.type_into("Name pattern", "{set}");
    w.frames(2);
    let button = w.h.get_by_role_and_label(Role::Button, "Deliver");
    assert!(button.accesskit_node().is_disabled());
    assert!(w.says("bottles.wav"), "the words name the clash");
    assert!(!out.exists());
    w.type_into("Name pattern", "{set} {note}");
    // A file of somebody else.
    std::fs::create_dir(&out).unwrap();
    std::fs::write(out.join("bottles A3.wav"), b"mine").unwrap();
    w.h.get_by_role_and_label(Role::Button, "Deliver").click();
    w.frames(3);
    w.until("it is told", |w| w.says("was not delivered by this program"));
    // That take fails, the other is delivered.
    w.until("the rest is done", |_| delivered(&out) == 2);
    let there = contents(&out);
    assert!(there["bottles A3.wav"] == b"mine", "somebody else's file was written over");
    is_whole(&out.join("bottles A#3.wav"));
}

/// Frames of `seconds` of the window's clock.
fn frames_of(seconds: f64) -> usize {
    (60.0 * seconds).round() as usize
}

fn retitle(w: &mut Window, title: &str) {
    let setup = Setup { title: title.into(), ..w.document().setup.clone() };
    let edit = Edit::SetSetup(Box::new(setup));
    w.send(Command::Edit(EditCommand::Do { label: "Title".into(), edit }));
    w.frames(1);
}

fn title_on_disk(path: &Path) -> Option<String> {
    store::read(path).ok().map(|d| d.setup.title)
}

#[test]
fn a_change_is_saved_about_two_seconds_later_and_at_once_on_closing() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", 1);
    Window::over(&folder, 1).close();
    let path = session_of(&folder);
    let mut w = Window::over(&folder, 1);
    w.frames(frames_of(5.0));
    retitle(&mut w, "later");
    w.frames(frames_of(1.0));
    assert_eq!(title_on_disk(&path).as_deref(), Some("bottles"));
    w.frames(frames_of(1.0));
    w.until("it is on disk", |_| title_on_disk(&path).as_deref() == Some("later"));
    w.until("the window knows", |w| !w.app().session().is_dirty());
    // The next is on disk although the window is closed in the same moment.
    retitle(&mut w, "at once");
    w.close();
    assert_eq!(title_on_disk(&path).as_deref(), Some("at once"));
}

#[test]
fn a_save_that_fails_is_told_and_tried_again_and_nothing_is_lost() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", 1);
    let other = takes(dir.path(), "other", 1);
    Window::over(&folder, 1).close();
    let mut w = Window::over(&folder, 1);
    // The disk with the session goes away (a folder without rights would not stop every user).
    let away = dir.path().join("away");
    std::fs::rename(&folder, &away).unwrap();
    retitle(&mut w, "kept");
    w.frames(frames_of(2.0));
    w.until("it is told", |w| w.says("saving the session") && w.says("it is tried again"));
    assert!(w.says("Not saved: it is tried again"), "and beside it");
    assert!(w.app().session().is_dirty());

    // Going elsewhere does not drop it.
    w.open(&other);
    w.until("that is refused", |w| w.says("was not opened, so that nothing is lost"));
    assert_eq!(w.document().setup.title, "kept");
    // Nor does closing, the first time.
    retitle(&mut w, "kept too");
    let close = |w: &mut Window| {
        let root = w.h.input_mut().viewports.entry(ViewportId::ROOT).or_default();
        root.events.push(ViewportEvent::Close);
        w.h.step();
        let commands = &w.h.output().viewport_output[&ViewportId::ROOT].commands;
        let stays = commands.contains(&ViewportCommand::CancelClose);
        w.h.input_mut().viewports.entry(ViewportId::ROOT).or_default().events.clear();
        stays
    };
    assert!(close(&mut w), "the window stays open");
    w.frames(2);
    assert!(w.says("The window stays open so that nothing is lost"));
    assert!(!close(&mut w), "the user has been told and may leave");

    // The disk is back: the next try writes it without another change.
    std::fs::rename(&away, &folder).unwrap();
    w.frames(frames_of(6.0));
    let path = session_of(&folder);
    w.until("it is on disk", |_| title_on_disk(&path).as_deref() == Some("kept too"));
    w.until("and told", |w| w.says("The session is saved again."));
    assert!(!w.app().session().is_dirty());
}

/// A folder that cannot be written to is opened all the same: its takes are found, looked at and heard.
#[test]
fn a_folder_that_cannot_be_written_to_can_be_looked_at_and_heard() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", 2);
    let session = session_of(&folder);
    // Something stands where the lock would have to be written: this keeps out even who may write anywhere.
    let name = session.file_name().unwrap().to_string_lossy().into_owned();
    std::fs::create_dir(folder.join(format!(".{name}.lock"))).unwrap();
    let files = |folder: &Path| std::fs::read_dir(folder).unwrap().count();
    let before = files(&folder);

    let mut w = Window::over(&folder, 2);
    assert!(w.app().session().read_only());
    let words = w.words().join("\n");
    assert!(words.contains("can be looked at and heard here, not changed"), "{words}");
    assert!(words.contains("nothing can be kept") && words.contains("copy the folder"), "{words}");
    assert!(w.says("read only") && w.says("Looked at only"));
    w.key(Key::Num2);
    w.key(Key::C);
    let heard = w.heard.len();
    w.key(Key::Space);
    w.until("it is heard", |w| w.heard[heard..].iter().any(|s| s.abs() > 0.01));
    // Nothing is decided, and nothing is written.
    let document = w.document().clone();
    w.key(Key::D);
    w.keys(Modifiers::SHIFT, Key::P);
    w.keys(Modifiers::COMMAND, Key::S);
    w.frames(400);
    assert_eq!(*w.document(), document);
    w.close();
    assert_eq!(files(&folder), before);
}
