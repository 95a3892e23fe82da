//! The whole afternoon in one go: ten takes triaged by keys alone, a wrong note put right, a curve bent, a
//! seam moved while it plays, a collision resolved, the set delivered, everything undone, and reopened.

use std::path::{Path, PathBuf};

use egui::accesskit::Role;
use egui::{Key, Modifiers};
use egui_kittest::kittest::Queryable as _;
use seamwright::app::command::{Command, EditCommand, GoCommand, Room};
use seamwright::session::{Edit, LoopRecipe, Take, TakeId, TakeState, store};
use seamwright::units::MidiNote;

use crate::hearing::goes_round;
use crate::support::{A_FRAME, Window, note, session_of, write_wav};

/// Five notes in two layers; B3 of the second layer was fingered as C#4.
fn ten(dir: &Path) -> PathBuf {
    let folder = dir.join("bottles");
    std::fs::create_dir_all(&folder).unwrap();
    for i in 0..5u8 {
        for layer in 1..=2u8 {
            let name = MidiNote(57 + i);
            let sounds = if (i, layer) == (2, 2) { name.0 + 2 } else { name.0 };
            let hz = 440.0 * ((f64::from(sounds) - 69.0) / 12.0).exp2();
            let samples = note(hz, 3.2 + 0.1 * f64::from(layer), u64::from(2 * i + layer));
            write_wav(&folder.join(format!("bottle {name} layer {layer}.wav")), &samples);
        }
    }
    folder
}

fn at(w: &Window, note: u8, layer: u16) -> Take {
    let here = |t: &&std::sync::Arc<Take>| (t.note, t.layer) == (Some(MidiNote(note)), layer);
    (**w.document().takes.iter().find(here).unwrap()).clone()
}

fn select(w: &mut Window, take: TakeId) {
    w.send(Command::Go(GoCommand::Select(take)));
    w.frames(3);
}

fn loop_of(w: &Window, take: TakeId) -> LoopRecipe {
    w.document().take(take).unwrap().recipe.as_ref().unwrap().looping.unwrap()
}

/// Listens to each take and accepts it, but for the one that sounds another note: keys alone.
fn triage(w: &mut Window) -> TakeId {
    let mut wrong = None;
    for _ in 0..10 {
        w.until_made();
        w.key(Key::Space);
        assert!(w.app().sound().view().playing.is_some());
        w.key(Key::Space);
        let take = w.take();
        let key = if take.goes_elsewhere().is_some() { Key::D } else { Key::Y };
        if key == Key::D {
            wrong = Some(take.id);
        }
        w.key(key);
        w.key(Key::N);
    }
    assert!(w.says("10 of 10 takes decided") && w.says("9 accepted · 1 set aside"));
    assert!(w.says("Nothing left to look at"));
    wrong.expect("one of them sounds another note")
}

/// The set-aside take is decided anew and its sound moved to its name.
fn put_right(w: &mut Window, wrong: TakeId) {
    select(w, wrong);
    w.key(Key::B);
    assert!(w.says("goes out as C#4"));
    w.click("Move its sound to B3");
    let tune = w.take().recipe.clone().unwrap().tune;
    assert_eq!((tune.target, tune.moved), (MidiNote(59), -2));
    let made = w.until_made();
    // 246.942 Hz is B3 of twelve equal steps from 440 Hz; a cent is 0.0578 %.
    let f0 = made.rendered.f0.unwrap().0;
    assert!((f0 / 246.942 - 1.0).abs() < 0.003, "{f0} Hz");
    w.key(Key::Y);
}

/// A node of the strength curve is moved by keys.
fn bend(w: &mut Window) {
    w.key(Key::Num2);
    w.until_made();
    let before = w.take().recipe.clone().unwrap().tune.curve;
    w.h.get_all_by_label_contains("Strength node").next().unwrap().focus();
    w.frames(3);
    w.keys(Modifiers::SHIFT, Key::ArrowRight);
    w.until_made();
    assert_ne!(w.take().recipe.clone().unwrap().tune.curve, before);
}

/// The loop's end is moved by a period while it goes round; it goes on round the new loop.
fn move_seam(w: &mut Window) {
    w.key(Key::R);
    w.until("it plays", |w| w.app().sound().view().playing.is_some());
    w.frames(10);
    let before = loop_of(w, w.selected());
    w.keys(Modifiers::ALT, Key::K);
    assert_ne!(loop_of(w, w.selected()), before);
    let after = w.until_made();
    w.frames(8);
    w.heard.clear();
    let length = after.rendered.looping.unwrap().range.count().0 as usize;
    w.frames(length / A_FRAME + 2);
    let gain = crate::hearing::gain(w);
    goes_round(&w.heard, &after, gain);
    // The node lets the keys go first: with the focus on it the space bar would be its own.
    w.key(Key::Escape);
    w.key(Key::Space);
    assert_eq!(w.app().sound().view().playing, None);
}

/// The layers of A3 get loops of one length, entered at one moment; then loops that stay apart.
fn keep_apart(w: &mut Window) {
    let (one, two) = (at(w, 57, 0), at(w, 57, 1));
    select(w, one.id);
    let by = |t: &Take| t.recipe.as_ref().unwrap().trim.onset.0 as f64;
    let first = loop_of(w, one.id);
    let by = by(&two) - by(&one);
    let moved = LoopRecipe { start: first.start + by, end: first.end + by, ..first };
    let edit = Edit::SetLoop { take: two.id, looping: Some(moved) };
    w.send(Command::Edit(EditCommand::Do { label: "Collide".into(), edit }));
    w.key(Key::Num3);
    assert_eq!(w.app().room(), Room::Stack);
    w.until("the collision is seen", |w| w.says("near-collision"));
    w.click("For this note");
    w.until("loops are chosen", |w| w.app().derived().apart().is_some() && w.is_idle());
    let set = w.app().derived().apart().unwrap().clone();
    assert!(set.notes[0].after.near_count < set.notes[0].before.near_count);
}

fn deliver(w: &mut Window, out: &Path) {
    w.key(Key::Num4);
    w.type_into("Folder", &out.display().to_string());
    w.h.get_by_role_and_label(Role::Button, "Deliver").click();
    w.until("it is delivered", |w| w.app().derived().delivery().is_some() && w.is_idle());
    assert!(w.says("10 files written"), "{:?}", w.words());
    let sounds = std::fs::read_dir(out)
        .unwrap()
        .filter(|f| f.as_ref().unwrap().path().extension().is_some_and(|e| e == "wav"));
    assert_eq!(sounds.count(), 10);
}

#[test]
fn ten_takes_from_opening_to_the_delivered_set_and_all_the_way_back() {
    let dir = tempfile::tempdir().unwrap();
    let folder = ten(dir.path());
    let mut w = Window::proposed(&folder, 10);
    // What was found first is selected, and stays so while the others come in; from there to the first.
    w.keys(Modifiers::COMMAND, Key::Home);
    assert_eq!(w.take().note, Some(MidiNote(57)));
    let wrong = triage(&mut w);
    put_right(&mut w, wrong);
    assert!(w.document().takes.iter().all(|t| t.state == TakeState::Accepted));
    bend(&mut w);
    move_seam(&mut w);
    keep_apart(&mut w);
    let out = dir.path().join("out");
    deliver(&mut w, &out);

    // The undo list knows every step and the take it was about.
    let names: Vec<String> = w.app().session().history().names().collect();
    for part in ["Propose all: 10 takes", "Accept A3, layer 1", "Move the note to its name: B3, layer 2"] {
        assert!(names.iter().any(|n| n == part), "{part} is not in {names:?}");
    }
    let done = w.document().clone();
    for _ in 0..names.len() {
        w.keys(Modifiers::COMMAND, Key::Z);
    }
    let fresh = |t: &Take| t.state == TakeState::New && t.recipe.is_none();
    assert!(w.document().takes.len() == 10 && w.document().takes.iter().all(|t| fresh(t)));
    for _ in 0..names.len() {
        w.keys(Modifiers::COMMAND | Modifiers::SHIFT, Key::Z);
    }
    assert_eq!(*w.document(), done);
    w.close();
    assert_eq!(store::read(&session_of(&folder)).unwrap(), *done);
    let w = Window::over(&folder, 10);
    assert_eq!(*w.document(), done);
}
