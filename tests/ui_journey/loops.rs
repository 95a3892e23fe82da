//! Loops in the real window: the map, keys, a copied length, and what is heard of it.

use std::sync::Arc;

use egui::{Key, Modifiers};
use seamwright::app::command::{Command, EditCommand, GoCommand, WorkCommand};
use seamwright::dsp::tune::Deviation;
use seamwright::playback::message::Side;
use seamwright::render::audition::{Audition, Judged};
use seamwright::session::{Edit, LoopRecipe, TakeId, TakeState};

use crate::support::{A_FRAME, Window, takes};

fn looping(w: &Window) -> LoopRecipe {
    w.take().recipe.as_ref().unwrap().looping.unwrap()
}

/// A window on the bench with a take that has its map.
fn mapped(folder: &std::path::Path, count: usize) -> Window {
    let mut w = Window::proposed(folder, count);
    w.key(Key::Num2);
    w.until_made();
    w.until("the map is there", |w| w.app().derived().of(w.selected()).unwrap().loop_map.is_some());
    w
}

#[test]
fn a_place_of_the_map_becomes_the_loop_as_one_step() {
    let dir = tempfile::tempdir().unwrap();
    let mut w = mapped(&takes(dir.path(), "bottles", 1), 1);
    let before = looping(&w);
    let audited = w.app().derived().audit(&w.take()).unwrap();
    let (start, end) = (before.start + 4_000.0, before.end - 9_000.0);
    let take = w.selected();
    w.send(Command::Work(WorkCommand::LoopNear { take, start, end, reach_s: 0.05 }));
    w.until("the loop is there", |w| looping(w) != before);
    let now = looping(&w);
    // The reach of 50 ms, and a row of the search.
    assert!((now.start - start).abs() < 3_000.0 && (now.end - end).abs() < 3_000.0, "{now:?}");
    w.until_made();
    assert!(w.app().derived().audit(&w.take()).is_some_and(|a| a != audited), "measured anew");
    w.keys(Modifiers::COMMAND, Key::Z);
    assert_eq!(looping(&w), before, "one step");
}

/// The loop of a flattened note, and then the note as it was played under it.
#[test]
fn a_loop_is_judged_anew_when_the_sound_under_it_changes() {
    let dir = tempfile::tempdir().unwrap();
    let mut w = mapped(&takes(dir.path(), "bottles", 1), 1);
    let before = looping(&w);
    let take = w.selected();
    let trace = |w: &Window| w.made().and_then(|m| m.after.clone());
    w.until("the note after tuning is tracked", |w| trace(w).is_some());
    let flat = trace(&w).unwrap();
    let mut tune = w.take().recipe.as_ref().unwrap().tune.clone();
    (tune.drift, tune.vibrato) = (0.0, 0.0);
    let edit = Edit::SetTune { take, tune };
    w.send(Command::Edit(EditCommand::Do { label: "Set drift".into(), edit }));
    let steps = w.app().session().history().place();
    let made = w.until_made();
    let judged = made.score.unwrap();
    assert!((judged.0 - before.score).abs() > 2.0, "another sound: {judged:?} {}", before.score);
    let now = looping(&w);
    assert_eq!((now.score, now.parts), judged);
    assert_eq!((now.start, now.end), (before.start, before.end));
    assert_eq!(w.app().session().history().place(), steps, "no step of its own");
    assert!(w.app().derived().audit(&w.take()).is_some(), "what the loop measures is known as well");
    w.until("the note is tracked anew", |w| trace(w).is_some_and(|t| !Arc::ptr_eq(&t, &flat)));
    // The middle of the sound: at its edges the drift is not taken out as well.
    let drift = |d: &Deviation| {
        let middle = &d.drift[d.drift.len() / 4..3 * d.drift.len() / 4];
        middle.iter().fold(0.0, |most: f64, c| most.max(c.abs()))
    };
    let (flat, played) = (drift(&flat), drift(&trace(&w).unwrap()));
    assert!(played > flat + 4.0, "the drift of ±10 cents is there again: {flat} {played}");
    w.keys(Modifiers::COMMAND, Key::Z);
    assert_eq!(looping(&w), before, "it goes with the step that led to it");
    w.keys(Modifiers::COMMAND | Modifiers::SHIFT, Key::Z);
    w.until_made();
    assert_eq!((looping(&w).score, looping(&w).parts), judged, "and comes back with it");
}

fn select(w: &mut Window, take: TakeId) {
    w.send(Command::Go(GoCommand::Select(take)));
    w.until_made();
}

/// Gives a take's loop another score, as if it had been judged anew.
fn rescore(w: &mut Window, take: TakeId) {
    let l = w.document().take(take).unwrap().recipe.as_ref().unwrap().looping.unwrap();
    let edit = Edit::SetLoop { take, looping: Some(LoopRecipe { score: l.score - 7.0, ..l }) };
    w.send(Command::Edit(EditCommand::Do { label: "Judged".into(), edit }));
}

#[test]
fn a_take_that_was_just_proposed_is_not_changed_by_being_selected() {
    let dir = tempfile::tempdir().unwrap();
    let mut w = Window::proposed(&takes(dir.path(), "bottles", 3), 3);
    let (before, revision) = (w.document().clone(), w.app().session().history().revision());
    let all: Vec<_> = before.takes.iter().map(|t| t.id).collect();
    for room in [Key::Num1, Key::Num2] {
        w.key(room);
        for id in &all {
            select(&mut w, *id);
            assert!(w.made().unwrap().score.is_some(), "it could have been judged anew");
            w.frames(10);
        }
    }
    assert_eq!(w.app().session().history().revision(), revision);
    assert_eq!(*w.document(), before);
}

/// A take whose sound was changed while another was looked at is judged when it is gone on to; undo of the
/// decision before that takes back the decision alone, and shows the take it was about.
#[test]
fn undo_of_a_decision_leaves_the_score_of_the_take_that_was_gone_on_to() {
    let dir = tempfile::tempdir().unwrap();
    let mut w = Window::proposed(&takes(dir.path(), "bottles", 2), 2);
    let (a, b) = (w.document().takes[0].id, w.document().takes[1].id);
    select(&mut w, a);
    let of = |w: &Window| w.document().take(b).unwrap().recipe.clone().unwrap();
    let before = of(&w);
    let mut tune = before.tune.clone();
    (tune.drift, tune.vibrato) = (0.0, 0.0);
    let edit = Edit::SetTune { take: b, tune };
    w.send(Command::Edit(EditCommand::Do { label: "Set drift".into(), edit }));
    w.key(Key::Y);
    assert_eq!(w.document().take(a).unwrap().state, TakeState::Accepted);
    select(&mut w, b);
    let judged = of(&w).looping.unwrap().score;
    assert!((judged - before.looping.unwrap().score).abs() > 1.0, "judged anew: {judged}");
    w.keys(Modifiers::COMMAND, Key::Z);
    assert_eq!(w.document().take(a).unwrap().state, TakeState::Proposed);
    assert_eq!(w.selected(), a, "where something was undone");
    assert_eq!(of(&w).looping.unwrap().score, judged);
}

/// Nothing that is on its way is thrown away for a score.
#[test]
fn a_proposal_is_taken_in_where_only_the_score_has_changed_meanwhile() {
    let dir = tempfile::tempdir().unwrap();
    let mut w = Window::proposed(&takes(dir.path(), "bottles", 1), 1);
    let take = w.selected();
    let proposed = w.take().recipe.clone().unwrap();
    let mut tune = proposed.tune.clone();
    tune.drift = 0.4;
    let edit = Edit::SetTune { take, tune };
    w.send(Command::Edit(EditCommand::Do { label: "Set drift".into(), edit }));
    w.send(Command::Work(WorkCommand::Propose(take)));
    rescore(&mut w, take);
    w.until("it is proposed again", |w| w.take().recipe.as_ref().unwrap().tune.drift == proposed.tune.drift);
    assert!(!w.says("changed meanwhile"));
}

#[test]
fn keys_nudge_both_ends_and_lock() {
    let dir = tempfile::tempdir().unwrap();
    let mut w = mapped(&takes(dir.path(), "bottles", 1), 1);
    let frames = |w: &Window| {
        let d = w.app().derived().of(w.selected()).unwrap();
        let (made, clip) = (d.recipe.as_ref().unwrap(), &d.source.as_ref().unwrap().analysed.clip);
        let l = looping(w);
        [l.start, l.end].map(|p| made.rendered.frame_of(clip, p).round() as i64)
    };
    // A3 (220 Hz) at 48 kHz: 218.18 frames a period.
    for (modifiers, key, start, end) in [
        (Modifiers::NONE, Key::G, -1, 0),
        (Modifiers::NONE, Key::H, 1, 0),
        (Modifiers::NONE, Key::J, 0, -1),
        (Modifiers::NONE, Key::K, 0, 1),
        (Modifiers::SHIFT, Key::H, 10, 0),
        (Modifiers::SHIFT, Key::J, 0, -10),
        (Modifiers::ALT, Key::H, 218, 0),
        (Modifiers::ALT, Key::J, 0, -218),
    ] {
        w.until_made();
        let before = frames(&w);
        w.keys(modifiers, key);
        let after = frames(&w);
        assert_eq!([after[0] - before[0], after[1] - before[1]], [start, end], "{key:?} {modifiers:?}");
    }
    w.key(Key::L);
    assert!(looping(&w).locked);
    let kept = looping(&w);
    w.key(Key::P);
    w.until("proposed again", Window::is_idle);
    assert_eq!(looping(&w), kept, "a proposal leaves it alone");
    assert!(w.take().state == TakeState::Proposed);
    w.key(Key::L);
    assert!(!looping(&w).locked);
}

/// A lock, or that a take is cleaned in its own way, is not heard: the rendering stands, and nothing is made anew.
#[test]
fn what_is_not_heard_makes_no_sound_anew() {
    let dir = tempfile::tempdir().unwrap();
    let mut w = mapped(&takes(dir.path(), "bottles", 1), 1);
    let before = w.until_made().rendered;
    let stands = |w: &Window| {
        let now = w.app().derived().of(w.selected()).unwrap();
        !now.updating && Arc::ptr_eq(&now.recipe.as_ref().unwrap().rendered, &before)
    };
    w.key(Key::L);
    assert!(looping(&w).locked && stands(&w), "a lock");
    w.frames(40);
    assert!(stands(&w));
    let (take, mut clean) = (w.selected(), w.take().recipe.as_ref().unwrap().clean.clone());
    clean.own = !clean.own;
    let edit = Edit::SetClean { take, clean: clean.clone() };
    w.send(Command::Edit(EditCommand::Do { label: "Clean it in its own way".into(), edit }));
    w.frames(40);
    assert!(w.take().recipe.as_ref().unwrap().clean == clean && stands(&w), "its own way of cleaning");
    // What is heard is made.
    w.key(Key::L);
    w.key(Key::K);
    w.until("the loop's end is heard", |w| w.made().is_some_and(|m| !Arc::ptr_eq(&m.rendered, &before)));
}

#[test]
fn a_length_is_copied_in_one_step_and_a_locked_loop_is_left_alone() {
    let dir = tempfile::tempdir().unwrap();
    let mut w = mapped(&takes(dir.path(), "bottles", 3), 3);
    let all: Vec<_> = w.document().takes.iter().map(|t| t.id).collect();
    let from = w.selected();
    let others: Vec<_> = all.into_iter().filter(|id| *id != from).collect();
    let note = w.take().note.unwrap();
    // Three notes become three layers of one; each keeps what it sounds.
    let place = |(take, layer)| Edit::Place { take, note, layer };
    let mut edits: Vec<Edit> = others.iter().copied().zip(1..).map(place).collect();
    for id in &others {
        let mut tune = w.document().take(*id).unwrap().recipe.clone().unwrap().tune;
        tune.target = w.document().take(*id).unwrap().sounds.unwrap();
        edits.push(Edit::SetTune { take: *id, tune });
    }
    let loop_of =
        |w: &Window, i: usize| w.document().take(others[i]).unwrap().recipe.clone().unwrap().looping.unwrap();
    let locked = LoopRecipe { locked: true, ..loop_of(&w, 1) };
    edits.push(Edit::SetLoop { take: others[1], looping: Some(locked) });
    w.send(Command::Edit(EditCommand::Do { label: "Layers".into(), edit: Edit::Many(edits) }));
    let before = loop_of(&w, 0);
    w.send(Command::Work(WorkCommand::CopyLoopLength(from)));
    // Another score is no other loop.
    rescore(&mut w, others[0]);
    let before = LoopRecipe { score: loop_of(&w, 0).score, ..before };
    w.until("the length is copied", |w| loop_of(w, 0) != before && w.is_idle());
    let length = w.until_made().rendered.looping.unwrap().range.count().0 as f64 / 48_000.0;
    let copied = loop_of(&w, 0);
    let sounds = w.document().take(others[0]).unwrap().sounds.unwrap();
    // Equal temperament (ISO 16). The nearest whole number of its periods is within half of one.
    let hz = 440.0 * ((f64::from(sounds.0) - 69.0) / 12.0).exp2();
    let rate_of_source = 48_000.0;
    let seconds = (copied.end - copied.start) / rate_of_source;
    // The source stands up to 20 cents beside the target: lengths in it differ by as much.
    assert!((seconds - length).abs() < 0.5 / hz + 0.012 * length, "{seconds} {length}");
    assert!(!w.says("changed meanwhile"));
    assert_eq!(loop_of(&w, 1), locked, "locked");
    assert!(w.words().iter().any(|t| t.contains("its loop is locked")), "{:?}", w.words());
    let label = w.app().session().history().undo_label().map(str::to_owned);
    assert_eq!(label.as_deref(), Some("Copy loop length to 1 layer"));
    w.keys(Modifiers::COMMAND, Key::Z);
    assert_eq!(loop_of(&w, 0), before);
}

#[test]
fn the_loop_and_the_own_sustain_are_heard_in_turn_without_a_gap() {
    let dir = tempfile::tempdir().unwrap();
    let mut w = mapped(&takes(dir.path(), "bottles", 1), 1);
    let made = w.until_made();
    let want = Audition::of(&made.rendered, Judged::Sustain).unwrap();
    w.key(Key::A);
    w.until("it plays", |w| w.app().sound().view().judged == Some((Judged::Sustain, Side::Rendered)));
    w.frames(10);
    w.heard.clear();
    w.frames(6);
    w.key(Key::A);
    assert_eq!(w.app().sound().view().judged, Some((Judged::Sustain, Side::Source)));
    w.frames(12);
    // Nothing quieter than a tenth of the whole in any frame of the picture, nor a step larger than
    // the two sounds have, and the room that the change of side adds: at the most both at once.
    let rms = |x: &[f32]| (x.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>() / x.len() as f64).sqrt();
    let whole = rms(&w.heard);
    for part in w.heard.chunks(A_FRAME) {
        assert!(rms(part) > 0.1 * whole, "a gap");
    }
    let step = |x: &[f32]| x.windows(2).map(|p| (p[1] - p[0]).abs()).fold(0f32, f32::max);
    let gain = 10f32.powf(w.app().sound().view().volume_db / 20.0);
    let straight = want.straight.unwrap();
    let bound = gain * 2.0 * step(want.looped.channel(0)).max(step(straight.channel(0)));
    assert!(step(&w.heard) <= bound, "{} {bound}", step(&w.heard));
    w.keys(Modifiers::SHIFT, Key::S);
    w.until("the seam", |w| w.app().sound().view().judged == Some((Judged::Seam, Side::Rendered)));
    // The loop moves while it is judged: the new one is heard.
    w.key(Key::J);
    w.until_made();
    assert!(w.app().sound().view().playing.is_some());
    w.key(Key::Space);
    assert_eq!(w.app().sound().view().judged, None);
}
