//! The stack room in the real window: three layers of a note, heard together, a collision resolved
//! and taken back.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use egui::{Key, Modifiers};
use seamwright::app::command::{Command, EditCommand, Room, StackCommand};
use seamwright::app::derived::FromRecipe;
use seamwright::session::stack::LayerMix;
use seamwright::session::{Edit, LoopRecipe, TakeId};
use seamwright::units::Cents;

use crate::hearing::{gain, goes_round};
use crate::support::{Window, note, session_of, write_wav};

fn layers(dir: &Path, count: u64) -> PathBuf {
    let folder = dir.join("bottles");
    std::fs::create_dir_all(&folder).unwrap();
    for i in 0..count {
        write_wav(
            &folder.join(format!("bottle A3 layer {}.wav", i + 1)),
            &note(220.0, 3.5 + 0.2 * i as f64, i),
        );
    }
    folder
}

/// The take of a layer, counted from 1 (ids come in the order in which files were read).
fn at(w: &Window, layer: u16) -> TakeId {
    w.document().takes.iter().find(|t| t.layer + 1 == layer).unwrap().id
}

fn loop_of(w: &Window, layer: u16) -> Option<LoopRecipe> {
    w.document().take(at(w, layer))?.recipe.as_ref()?.looping
}

fn ready(w: &Window) -> bool {
    (1..=3).all(|id| {
        let made = w.app().derived().of(at(w, id)).and_then(|d| d.recipe.as_ref());
        let recipe = w.document().take(at(w, id)).and_then(|t| t.recipe.as_ref());
        made.zip(recipe).is_some_and(|(m, r)| r.sounds_as(&m.recipe))
    })
}

/// Three layers with recipes, in the stack room, all rendered; the first two with loops of one length
/// entered at one moment.
fn colliding(dir: &Path) -> Window {
    let mut w = Window::proposed(&layers(dir, 3), 3);
    let mut layers: Vec<u16> = w.document().takes.iter().map(|t| t.layer).collect();
    layers.sort_unstable();
    assert_eq!(layers, [0, 1, 2], "the names tell the layers");
    let first = loop_of(&w, 1).unwrap();
    let onset =
        |w: &Window, id| w.document().take(at(w, id)).unwrap().recipe.clone().unwrap().trim.onset.0 as f64;
    let by = onset(&w, 2) - onset(&w, 1);
    let moved = LoopRecipe { start: first.start + by, end: first.end + by, ..first };
    let edit = Edit::SetLoop { take: at(&w, 2), looping: Some(moved) };
    w.send(Command::Edit(EditCommand::Do { label: "Collide".into(), edit }));
    w.key(Key::Num3);
    assert_eq!(w.app().room(), Room::Stack);
    w.until("all layers are rendered", ready);
    w.frames(3);
    w
}

#[test]
fn a_collision_is_resolved_by_choosing_loops_apart_and_undone() {
    let dir = tempfile::tempdir().unwrap();
    let mut w = colliding(dir.path());
    assert!(w.says("near-collisions within") && w.says("Hear it"));
    let before: Vec<_> = (1..=3).map(|id| loop_of(&w, id)).collect();
    let revision = w.app().session().history().revision();
    w.click("For this note");
    w.until("loops are chosen", |w| w.app().derived().apart().is_some());
    w.until("and rendered", ready);
    w.frames(3);
    let set = w.app().derived().apart().unwrap().clone();
    let told = &set.notes[0];
    assert!(told.before.near_count > 0 && told.after.near_count < told.before.near_count);
    // What was chosen stands in the document, and the room says it.
    let chosen: Vec<_> = told.layers.iter().map(|c| c.after.map(|(l, _)| l)).collect();
    let now: Vec<_> = (1..=3).map(|id| loop_of(&w, id)).collect();
    assert_eq!(now, chosen);
    assert_ne!(now, before);
    assert!(w.says("What was chosen") && w.says("Near-collisions within 1 min:"));
    // The loops of the picture, counted from the renderings, are those that were promised.
    let near = told.after.near_count;
    let words = match near {
        0 => "No two seams come closer than 80 ms within 1 min".to_owned(),
        1 => "One near-collision within".into(),
        n => format!("{n} near-collisions within"),
    };
    assert!(w.says(&words), "{words}");
    assert_eq!(w.app().session().history().undo_label(), Some("Loops that stay apart"));
    assert!(w.app().session().history().revision() > revision);
    // One step back is all the way back.
    w.keys(egui::Modifiers::COMMAND, Key::Z);
    assert_eq!((1..=3).map(|id| loop_of(&w, id)).collect::<Vec<_>>(), before);
    assert!(!w.says("What was chosen"), "that does not stand any more");
}

/// A score is judged anew at any time: it is no change of a take, and none of what was chosen.
#[test]
fn another_score_meanwhile_stands_in_the_way_of_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let mut w = colliding(dir.path());
    let rescore = |w: &mut Window, layer| {
        let l = loop_of(w, layer).unwrap();
        let looping = Some(LoopRecipe { score: l.score - 7.0, ..l });
        let edit = Edit::SetLoop { take: at(w, layer), looping };
        w.send(Command::Edit(EditCommand::Do { label: "Judged".into(), edit }));
    };
    w.send(Command::Stack(StackCommand::ApartNote));
    rescore(&mut w, 3);
    w.until("loops are chosen", |w| w.app().derived().apart().is_some());
    assert_eq!(w.app().derived().apart().unwrap().notes.len(), 1, "{:?}", w.words());
    w.until("and rendered", ready);
    w.frames(3);
    assert!(w.says("What was chosen"));
    let found = |w: &Window, layer| {
        let d = w.app().derived().of(at(w, layer))?;
        let (of, _) =
            d.dips.as_ref().filter(|(of, _)| Arc::ptr_eq(of, &d.recipe.as_ref().unwrap().recipe))?;
        Some(Arc::clone(of))
    };
    let all = |w: &Window| (1..=3).map(|layer| found(w, layer)).collect::<Option<Vec<_>>>();
    w.until("dips are looked for in all", |w| all(w).is_some());
    let before = all(&w).unwrap();
    let revision = w.app().session().history().revision();
    rescore(&mut w, 3);
    w.frames(10);
    assert!(w.app().session().history().revision() > revision);
    assert!(w.says("What was chosen"), "it stands");
    let now = all(&w).expect("what was found in the renderings is still of these");
    assert!(now.iter().zip(&before).all(|(a, b)| Arc::ptr_eq(a, b)), "nothing was made again");
}

#[test]
fn a_locked_loop_stays_where_it_is() {
    let dir = tempfile::tempdir().unwrap();
    let mut w = colliding(dir.path());
    for id in [1, 2] {
        let locked = LoopRecipe { locked: true, ..loop_of(&w, id).unwrap() };
        let edit = Edit::SetLoop { take: at(&w, id), looping: Some(locked) };
        w.send(Command::Edit(EditCommand::Do { label: "Lock".into(), edit }));
    }
    let before: Vec<_> = (1..=2).map(|id| loop_of(&w, id)).collect();
    w.frames(2);
    w.keys(Modifiers::SHIFT, Key::A);
    w.until("loops are chosen", |w| w.app().derived().apart().is_some());
    assert_eq!((1..=2).map(|id| loop_of(&w, id)).collect::<Vec<_>>(), before);
    let set = w.app().derived().apart().unwrap().clone();
    // The two that are locked still collide, and that is said.
    assert!(set.notes[0].after.first_near.is_some());
    assert!(w.says("near-collisions within 1 min."));
}

/// The finished takes as they come together: onsets at one moment, each going round its loop.
fn together(made: &[FromRecipe], frames: usize) -> Vec<f64> {
    let latest = made.iter().map(|m| m.rendered.onset.0).max().unwrap() as usize;
    let mut sum = vec![0.0; frames];
    for m in made {
        let range = m.rendered.looping.unwrap().range.as_usize();
        let x = m.finished.channel(0);
        let wait = latest - m.rendered.onset.0 as usize;
        for (n, s) in sum.iter_mut().enumerate().skip(wait) {
            let mut at = n - wait;
            if at >= range.end {
                at = range.start + (at - range.start) % range.len();
            }
            *s += f64::from(x[at]);
        }
    }
    sum
}

#[test]
fn the_layers_are_heard_together_from_one_onset_and_each_alone() {
    let dir = tempfile::tempdir().unwrap();
    let mut w = colliding(dir.path());
    let made: Vec<FromRecipe> =
        (1..=3).map(|id| w.app().derived().of(at(&w, id)).unwrap().recipe.clone().unwrap()).collect();
    w.heard.clear();
    w.key(Key::T);
    assert!(w.app().sound().view().stack.held);
    w.frames(240);
    let volume = gain(&w) / 3f64.sqrt();
    let want = together(&made, 150_000);
    // Where it begins: within the first frames of the picture.
    let begun = (0..8 * 800)
        .min_by(|a, b| {
            let off = |at: usize| {
                (0..60_000)
                    .step_by(37)
                    .map(|n| (f64::from(w.heard[at + n]) - volume * want[n]).abs())
                    .fold(0.0, f64::max)
            };
            off(*a).total_cmp(&off(*b))
        })
        .unwrap();
    for (n, want) in want.iter().enumerate() {
        // Four roundings of single precision at amplitudes below 1.
        let off = (f64::from(w.heard[begun + n]) - volume * want).abs();
        assert!(off <= 4.0 * f64::from(f32::EPSILON), "frame {n}: {off}");
    }
    // One alone: the others fade within 30 ms.
    w.click("Solo layer 2");
    w.frames(10);
    let from = w.heard.len();
    w.frames(60);
    goes_round(&w.heard[from..], &made[1], volume);
    w.click("Solo layer 2");
    // Let go: what was recorded after the loop, then silence, and the room knows.
    w.key(Key::T);
    assert!(!w.app().sound().view().stack.held);
    w.until("it has died away", |w| w.app().sound().view().stack.note.is_none());
    let from = w.heard.len();
    w.frames(3);
    assert!(w.heard[from + 800..].iter().all(|s| *s == 0.0));
    // Space plays the stack here, and another room lets it go.
    w.key(Key::Space);
    assert!(w.app().sound().view().stack.held);
    w.frames(20);
    w.key(Key::Num2);
    assert!(!w.app().sound().view().stack.held);
}

/// How the stack is heard is no step of the work, but it is there again when the session is.
#[test]
fn the_mix_of_the_stack_is_kept_in_the_session_and_undone_by_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let folder = layers(dir.path(), 2);
    let mut w = Window::proposed(&folder, 2);
    w.key(Key::Num3);
    w.frames(3);
    let steps: Vec<String> = w.app().session().history().names().collect();
    w.click("Mute layer 2");
    let mut setup = w.app().sound().view().stack.setup.clone();
    setup.spread = Cents(350.0);
    setup = setup.with(0, LayerMix { level_db: -3.0, pan: 40.0, ..LayerMix::default() });
    w.send(Command::Stack(StackCommand::Set(Box::new(setup.clone()))));
    w.frames(2);
    assert_eq!(w.document().stack, setup);
    assert!(setup.of(1).muted);
    let now: Vec<String> = w.app().session().history().names().collect();
    assert_eq!(now, steps, "no step");
    w.keys(Modifiers::COMMAND, Key::Z);
    w.frames(2);
    assert_eq!((w.document().stack.clone(), &w.app().sound().view().stack.setup), (setup.clone(), &setup));
    w.close();
    let mut w = Window::new();
    w.open(&session_of(&folder));
    w.until("it is open again", |w| !w.document().takes.is_empty());
    assert_eq!(w.app().sound().view().stack.setup, setup);
}
