//! The document, its edits and the one undo history.

use proptest::prelude::*;
use seamwright::dsp::looping::LoopParts;
use seamwright::dsp::tune::StrengthCurve;
use seamwright::session::placing::{self, Decision};
use seamwright::session::tuning::{self, Copied, Strengths};
use seamwright::session::{
    Concern, ConcernKind, Document, Edit, History, LevelRecipe, LoopRecipe, Recipe, Sheet, Source, SourceId,
    Take, TakeId, TakeState, TrimRecipe, TuneRecipe,
};
use seamwright::units::{Cents, Decibels, Frame, FrameRange, MidiNote, SampleRate, Seconds};

fn source(name: &str) -> Source {
    Source {
        id: SourceId(0),
        path: name.into(),
        bytes: 10,
        hash: "0".into(),
        rate: SampleRate::DELIVERY,
        channels: 1,
        frames: 1_000_000,
        room_tone: None,
        room_marked: Vec::new(),
    }
}

fn take(start: u64, note: u8, layer: u16) -> Take {
    Take {
        id: TakeId(0),
        source: SourceId(0),
        span: FrameRange::new(start, start + 50_000),
        onset: Frame(start + 100),
        sounds: Some(MidiNote(note)),
        f0: None,
        cents: Cents(0.0),
        movement: None,
        level: Decibels(-20.0),
        snr: None,
        named: None,
        note: Some(MidiNote(note)),
        layer,
        state: TakeState::New,
        concerns: vec![],
        recipe: None,
    }
}

fn recipe(note: u8) -> Recipe {
    Recipe {
        clean: Default::default(),
        trim: TrimRecipe {
            range: FrameRange::new(0, 50_000),
            onset: Frame(100),
            fade_in: Seconds(0.0),
            fade_out: Seconds(0.0),
        },
        tune: TuneRecipe::onto(MidiNote(note)),
        looping: None,
        level: LevelRecipe::default(),
    }
}

fn three_takes() -> Document {
    let takes = vec![take(0, 60, 0), take(100_000, 60, 1), take(200_000, 62, 0)];
    Edit::AddFound { sources: vec![source("a.wav")], takes }.apply(&Document::default()).unwrap()
}

fn propose(id: u32, note: u8) -> Edit {
    Edit::Propose { take: TakeId(id), recipe: Box::new(recipe(note)), concerns: vec![] }
}

#[test]
fn sheet_shows_what_is_there_and_what_is_missing() {
    let d = three_takes();
    let sheet = Sheet::of(&d);
    assert_eq!(sheet.notes, [MidiNote(60), MidiNote(62)]);
    assert_eq!(sheet.layers, 2);
    assert_eq!(sheet.missing(), [(MidiNote(62), 1)]);
    assert_eq!(sheet.walk().len(), 3);
    let placed = Edit::Place { take: TakeId(3), note: MidiNote(60), layer: 0 }.apply(&d).unwrap();
    let set_aside = Edit::SetState { take: TakeId(1), state: TakeState::SetAside }.apply(&placed).unwrap();
    // The take that is set aside no longer stands first in its cell.
    assert_eq!(Sheet::of(&set_aside).at(MidiNote(60), 0), [TakeId(3), TakeId(1)]);
}

#[test]
fn moving_a_take_moves_its_concerns() {
    let has =
        |d: &Document, id: u32, kind| d.take(TakeId(id)).unwrap().concerns.iter().any(|c| c.kind == kind);
    use seamwright::session::ConcernKind::{DuplicateCell, WrongNote};
    let d = three_takes();
    // The D4 of layer 1 is put where the C4 of layer 1 is: it sounds wrong there, and both are one too many.
    let d = Edit::Place { take: TakeId(3), note: MidiNote(60), layer: 0 }.apply(&d).unwrap();
    assert!(has(&d, 3, WrongNote) && has(&d, 3, DuplicateCell) && has(&d, 1, DuplicateCell));
    assert!(!has(&d, 2, DuplicateCell));
    let aside = Edit::SetState { take: TakeId(1), state: TakeState::SetAside }.apply(&d).unwrap();
    assert!(!has(&aside, 3, DuplicateCell) && !has(&aside, 1, DuplicateCell));
    let back = Edit::Place { take: TakeId(3), note: MidiNote(62), layer: 0 }.apply(&d).unwrap();
    assert!([1, 2, 3].iter().all(|id| !has(&back, *id, DuplicateCell) && !has(&back, *id, WrongNote)));
}

/// Who looks through files counts octaves as their names do; who moves a take by hand means that very octave.
#[test]
fn an_octave_off_by_hand_is_a_wrong_note_and_by_the_files_names_is_none() {
    use seamwright::session::ConcernKind::WrongNote;
    let wrong = |d: &Document| {
        let t = d.take(TakeId(3)).unwrap();
        t.concerns.iter().find(|c| c.kind == WrongNote).map(|c| c.text.clone())
    };
    let d = three_takes();
    let to = |d: &Document, note, layer| {
        Edit::Place { take: TakeId(3), note: MidiNote(note), layer }.apply(d).unwrap()
    };
    let down = to(&d, 50, 0);
    assert_eq!(wrong(&down).as_deref(), Some("placed as D3, sounds D4 (+12 semitones)"));
    assert_eq!(wrong(&to(&down, 50, 3)), wrong(&down), "another layer is no other note");
    assert_eq!(wrong(&to(&down, 62, 0)), None);
    let settle = Edit::SettlePlace { take: TakeId(3), from: (Some(MidiNote(62)), 0), to: (MidiNote(50), 0) };
    let settled = settle.apply(&d).unwrap();
    assert_eq!((settled.take(TakeId(3)).unwrap().note, wrong(&settled)), (Some(MidiNote(50)), None));
}

#[test]
fn nothing_is_accepted_without_a_recipe() {
    let mut h = History::new(three_takes());
    let accept = Edit::SetState { take: TakeId(1), state: TakeState::Accepted };
    let e = h.apply("Accept", &accept).unwrap_err();
    assert!(e.to_string().contains("propose one"), "{e}");
    h.apply("Propose", &propose(1, 60)).unwrap();
    h.apply("Accept", &accept).unwrap();
    assert_eq!(h.document().take(TakeId(1)).unwrap().state, TakeState::Accepted);
    assert_eq!(h.undo().as_deref(), Some("Accept"));
    assert_eq!(h.document().take(TakeId(1)).unwrap().state, TakeState::Proposed);
    assert_eq!(h.redo().as_deref(), Some("Accept"));
    assert_eq!(h.document().take(TakeId(1)).unwrap().state, TakeState::Accepted);
}

fn tune(d: &Document, id: u32) -> TuneRecipe {
    d.take(TakeId(id)).unwrap().recipe.as_ref().unwrap().tune.clone()
}

fn three_proposed() -> Document {
    let proposals = vec![propose(1, 60), propose(2, 60), propose(3, 62)];
    Edit::Many(proposals).apply(&three_takes()).unwrap()
}

#[test]
fn tuning_is_copied_to_the_note_and_to_the_layer_in_one_step() {
    let d = three_proposed();
    let curve = StrengthCurve { nodes: vec![(0.2, 0.0), (0.4, 0.7)] };
    let mine = TuneRecipe { vibrato: 0.4, offset: Cents(3.0), curve: curve.clone(), ..tune(&d, 1) };
    let d = Edit::SetTune { take: TakeId(1), tune: mine }.apply(&d).unwrap();
    assert_eq!(tuning::others_of_note(&d, TakeId(1)), [TakeId(2)]);
    assert_eq!(tuning::others_of_layer(&d, TakeId(1)), [TakeId(3)]);
    let mut h = History::new(d.clone());
    let to = tuning::others_of_layer(&d, TakeId(1));
    let step = tuning::copy_tuning(&d, TakeId(1), &to, Copied::Curve).unwrap();
    h.apply(&step.label, &step.edit).unwrap();
    assert_eq!((tune(h.document(), 3).curve, tune(h.document(), 3).vibrato), (curve.clone(), 0.0));
    let to = [TakeId(2), TakeId(3)];
    let step = tuning::copy_tuning(&d, TakeId(1), &to, Copied::Both).unwrap();
    assert_eq!(step.label, "Copy tuning (2 takes)");
    h.apply(&step.label, &step.edit).unwrap();
    for (id, target) in [(2, 60), (3, 62)] {
        let t = tune(h.document(), id);
        assert_eq!((t.vibrato, &t.curve), (0.4, &curve));
        // What belongs to the take stays.
        assert_eq!((t.target, t.offset), (MidiNote(target), Cents(0.0)));
    }
    assert_eq!(h.undo().as_deref(), Some("Copy tuning (2 takes)"));
    assert_eq!(tune(h.document(), 2).vibrato, 0.0);
    assert_eq!(h.undo().as_deref(), Some("Copy strength curve"));
    assert_eq!(**h.document(), d);
}

#[test]
fn all_are_flattened_in_one_step() {
    let d = Edit::Many(vec![propose(1, 60), propose(3, 62)]).apply(&three_takes()).unwrap();
    let all: Vec<TakeId> = d.takes.iter().map(|t| t.id).collect();
    let mut h = History::new(d.clone());
    // The take without a recipe is passed by.
    let step = tuning::set_strengths(&d, &all, Strengths::flattening(0.8)).unwrap();
    assert_eq!(step.label, "Set tuning strengths (2 takes)");
    h.apply(&step.label, &step.edit).unwrap();
    let t = tune(h.document(), 3);
    assert_eq!((t.centre, t.drift, t.vibrato), (1.0, 0.8, 0.8));
    h.undo();
    assert_eq!(**h.document(), d);
    assert!(tuning::set_strengths(&d, &all, Strengths::flattening(1.2)).is_err());
    let nobody = tuning::set_strengths(&d, &[TakeId(2)], Strengths::default()).unwrap_err();
    assert!(nobody.to_string().contains("propose"), "{nobody}");
    assert!(tuning::copy_tuning(&d, TakeId(2), &all, Copied::Both).is_err());
}

#[test]
fn a_wrong_note_is_kept_or_moved_to_its_name() {
    // Placed as C4, sounds D4.
    let mut wrong = take(0, 62, 0);
    wrong.note = Some(MidiNote(60));
    let d = Edit::AddFound { sources: vec![source("a.wav")], takes: vec![wrong] };
    let d = d.apply(&Document::default()).unwrap();
    let d = propose(1, 62).apply(&d).unwrap();
    let mut h = History::new(d.clone());
    let step = tuning::move_to_its_name(&d, TakeId(1)).unwrap();
    h.apply(&step.label, &step.edit).unwrap();
    let t = tune(h.document(), 1);
    assert_eq!((t.target, t.moved), (MidiNote(60), -2));
    let step = tuning::keep_as_it_sounds(h.document(), TakeId(1)).unwrap();
    h.apply(&step.label, &step.edit).unwrap();
    assert_eq!((tune(h.document(), 1).target, tune(h.document(), 1).moved), (MidiNote(62), 0));
    let step = tuning::set_target(h.document(), TakeId(1), MidiNote(65)).unwrap();
    h.apply(&step.label, &step.edit).unwrap();
    assert_eq!(tune(h.document(), 1).target, MidiNote(65));
    let labels: Vec<&str> = h.labels().collect();
    assert_eq!(labels, ["Move the note to its name", "Keep the note as it sounds", "Set target note"]);
    // Two octaves are more than a note is moved by.
    let far = Edit::Place { take: TakeId(1), note: MidiNote(86), layer: 0 }.apply(&d).unwrap();
    let e = tuning::move_to_its_name(&far, TakeId(1)).unwrap_err();
    assert!(e.to_string().contains("octave"), "{e}");
    // A session from before this was kept has no such field.
    let mut json = serde_json::to_value(tune(&d, 1)).unwrap();
    json.as_object_mut().unwrap().remove("moved");
    assert_eq!(serde_json::from_value::<TuneRecipe>(json).unwrap(), tune(&d, 1));
}

#[test]
fn a_failed_edit_changes_nothing() {
    let mut h = History::new(three_takes());
    let before = h.document().clone();
    let half_bad = Edit::Many(vec![
        Edit::SetState { take: TakeId(1), state: TakeState::SetAside },
        Edit::SetState { take: TakeId(99), state: TakeState::SetAside },
    ]);
    assert!(h.apply("Both", &half_bad).is_err());
    assert_eq!(*h.document(), before);
    assert_eq!(h.undo(), None);
}

#[test]
fn a_drag_is_one_step_and_escape_aborts_it() {
    let mut h = History::new(three_takes());
    h.apply("Propose", &propose(1, 60)).unwrap();
    let before = h.document().clone();
    for db in 1..50 {
        let level = LevelRecipe { gain: Decibels(-0.1 * f64::from(db)) };
        h.preview(&Edit::SetLevel { take: TakeId(1), level }).unwrap();
    }
    h.commit("Set gain");
    assert_eq!(h.labels().count(), 2);
    h.undo();
    assert_eq!(*h.document(), before);
    h.preview(&Edit::SetLevel { take: TakeId(1), level: LevelRecipe { gain: Decibels(-3.0) } }).unwrap();
    h.abort();
    assert_eq!(*h.document(), before);
    // A gesture that ended where it began is no step.
    h.begin();
    h.commit("Nothing");
    assert_eq!(h.undo_label(), Some("Propose"));
}

/// What a job brings for a take that has no recipe and stands at C4 or D4 as it did.
fn brought(id: u32) -> impl Fn(&Document) -> Option<Edit> {
    move |d| d.take(TakeId(id)).filter(|t| t.state == TakeState::New).map(|_| propose(id, 60))
}

fn state(h: &History, id: u32) -> TakeState {
    h.document().take(TakeId(id)).unwrap().state
}

#[test]
fn one_job_is_one_step() {
    let mut h = History::new(three_takes());
    h.open_step("Propose all", 7);
    for id in 1..=3 {
        assert!(h.join(7, brought(id)).unwrap());
    }
    assert_eq!(h.names().collect::<Vec<_>>(), ["Propose all: 3 takes"]);
    h.undo();
    assert!(h.document().takes.iter().all(|t| t.recipe.is_none()));
    h.redo();
    assert!(h.document().takes.iter().all(|t| t.recipe.is_some()));
}

#[test]
fn what_a_job_brings_later_joins_its_step_and_touches_no_other() {
    let aside = |id| Edit::SetState { take: TakeId(id), state: TakeState::SetAside };
    let mut h = History::new(three_takes());
    h.open_step("Propose all", 7);
    h.apply("Set aside 1", &aside(1)).unwrap();
    h.apply("Set aside 2", &aside(2)).unwrap();
    h.undo();
    // The first was set aside meanwhile: nothing is brought for it. The third is as it was.
    assert!(!h.join(7, brought(1)).unwrap());
    assert!(h.join(7, brought(3)).unwrap());
    assert_eq!(
        h.labels().collect::<Vec<_>>(),
        ["Propose all", "Set aside 1"],
        "in the place where it was asked for"
    );
    assert_eq!(
        h.undone_labels().collect::<Vec<_>>(),
        ["Set aside 2"],
        "and what was undone can be made again"
    );
    // Undo takes back exactly the user's own act.
    assert_eq!(h.undo().as_deref(), Some("Set aside 1"));
    assert_eq!((state(&h, 1), state(&h, 3)), (TakeState::New, TakeState::Proposed));
    h.redo();
    h.redo();
    assert_eq!(
        (1..=3).map(|id| state(&h, id)).collect::<Vec<_>>(),
        [TakeState::SetAside, TakeState::SetAside, TakeState::Proposed]
    );
    // Back to before the job: every recipe that it brought goes.
    h.go_to(0);
    assert!((1..=3).all(|id| state(&h, id) == TakeState::New));
    // And nothing comes any more, until the step is made again.
    assert!(!h.join(7, brought(2)).unwrap());
    h.redo();
    assert_eq!(state(&h, 3), TakeState::Proposed);
    assert!(h.join(7, brought(2)).unwrap());
}

#[test]
fn what_was_made_of_a_proposal_goes_and_comes_with_it() {
    let mut h = History::new(three_takes());
    h.open_step("Propose all", 7);
    h.join(7, brought(1)).unwrap();
    let gain = LevelRecipe { gain: Decibels(-3.0) };
    h.apply("Set gain", &Edit::SetLevel { take: TakeId(1), level: gain }).unwrap();
    h.join(7, brought(2)).unwrap();
    let worked = h.document().clone();
    h.go_to(0);
    assert!(h.document().take(TakeId(1)).unwrap().recipe.is_none());
    h.go_to(2);
    assert_eq!(*h.document(), worked);
    assert_eq!(h.document().take(TakeId(1)).unwrap().recipe.as_ref().unwrap().level, gain);
}

/// A job goes on where it was when its step is made again after it was taken back, also beneath what was
/// undone with it; once it has ended nothing joins it any more.
#[test]
fn a_job_taken_back_on_its_way_goes_on_when_it_is_made_again() {
    let mut h = History::new(three_takes());
    h.open_step("Propose all", 7);
    assert!(h.join(7, brought(1)).unwrap());
    h.apply("Set aside", &Edit::SetState { take: TakeId(3), state: TakeState::SetAside }).unwrap();
    h.go_to(0);
    assert!(!h.join(7, brought(2)).unwrap(), "it was taken back");
    h.redo();
    assert_eq!(state(&h, 1), TakeState::Proposed, "what had come is there again");
    assert!(h.join(7, brought(2)).unwrap());
    h.redo();
    assert_eq!(
        (1..=3).map(|id| state(&h, id)).collect::<Vec<_>>(),
        [TakeState::Proposed, TakeState::Proposed, TakeState::SetAside]
    );
    h.close_step(7);
    h.go_to(0);
    assert!(!h.can_make_again(7), "it has ended: it is a step like all others");
    h.redo();
    assert!(!h.join(7, brought(3)).unwrap());
    assert_eq!(state(&h, 2), TakeState::Proposed);
}

/// An act that was taken back keeps what it had made of a take, where the job brings it something too.
#[test]
fn what_can_be_made_again_stays_as_it_was() {
    let mut h = History::new(three_takes());
    h.open_step("Propose all", 7);
    h.apply("Set aside", &Edit::SetState { take: TakeId(3), state: TakeState::SetAside }).unwrap();
    h.undo();
    assert!(h.join(7, brought(3)).unwrap());
    assert_eq!(state(&h, 3), TakeState::Proposed);
    h.redo();
    assert_eq!(state(&h, 3), TakeState::SetAside);
}

#[test]
fn a_job_that_brought_nothing_leaves_no_step() {
    let mut h = History::new(three_takes());
    h.open_step("Propose all", 7);
    assert_eq!(h.undo_label(), Some("Propose all"), "it can be taken back from the start");
    h.undo();
    assert!(h.can_make_again(7) && !h.has_step(7));
    assert_eq!(h.redo_label(), Some("Propose all"), "what was asked for can be asked for again");
    h.redo();
    assert!(h.has_step(7) && !h.is_filled(7));
    h.close_step(7);
    assert_eq!((h.undo_label(), h.redo_label()), (None, None), "and brings nothing");
    h.open_step("Propose all", 8);
    h.apply("Set aside", &Edit::SetState { take: TakeId(1), state: TakeState::SetAside }).unwrap();
    h.close_step(8);
    assert_eq!(h.labels().collect::<Vec<_>>(), ["Set aside"]);
    // One that brought something stays.
    h.open_step("Propose all", 9);
    h.join(9, brought(2)).unwrap();
    h.close_step(9);
    assert_eq!(h.place(), 2);
}

#[test]
fn what_was_undone_can_be_made_again_until_a_job_brings_something() {
    let aside = |id| Edit::SetState { take: TakeId(id), state: TakeState::SetAside };
    let mut h = History::new(three_takes());
    for id in 1..=3 {
        h.apply(&format!("Set aside {id}"), &aside(id)).unwrap();
    }
    let worked = h.document().clone();
    h.go_to(0);
    // A job that brings nothing, and one whose step is taken back before it does.
    h.open_step("Propose", 7);
    assert_eq!(h.undone_labels().count(), 3);
    h.close_step(7);
    h.open_step("Propose", 8);
    h.undo();
    h.redo();
    h.close_step(8);
    h.open_step("Propose", 9);
    let as_it_is = |d: &Document| {
        let new = d.take(TakeId(1)).is_some_and(|t| t.state == TakeState::New);
        new.then_some(Edit::SetState { take: TakeId(1), state: TakeState::New })
    };
    assert!(h.join(9, as_it_is).unwrap());
    h.close_step(9);
    h.go_to(3);
    assert_eq!(*h.document(), worked);
    // One that brings something is a new step, and they go with that.
    h.go_to(0);
    h.open_step("Propose", 10);
    assert!(h.join(10, brought(2)).unwrap());
    assert_eq!(h.redo_label(), None);
    assert_eq!(h.labels().collect::<Vec<_>>(), ["Propose"]);
    // What is undone after that is another matter, also while the job goes on.
    h.apply("Set aside", &aside(1)).unwrap();
    h.undo();
    assert!(h.join(10, brought(3)).unwrap());
    assert_eq!(h.redo_label(), Some("Set aside"));
}

/// Made again while the job runs, a step comes after that of the job: what the job brings joins it there, and
/// nothing of what is still undone is lost either.
#[test]
fn what_is_made_again_while_a_job_runs_stays_and_so_does_the_rest() {
    let aside = |id| Edit::SetState { take: TakeId(id), state: TakeState::SetAside };
    let mut h = History::new(three_takes());
    h.apply("Set aside 1", &aside(1)).unwrap();
    h.apply("Set aside 2", &aside(2)).unwrap();
    h.go_to(0);
    h.open_step("Propose", 7);
    h.redo();
    assert_eq!(h.labels().collect::<Vec<_>>(), ["Propose", "Set aside 1"]);
    assert!(!h.join(7, brought(1)).unwrap(), "changed meanwhile");
    assert!(h.join(7, brought(3)).unwrap());
    assert_eq!(h.undone_labels().collect::<Vec<_>>(), ["Set aside 2"]);
    h.redo();
    assert_eq!(
        (1..=3).map(|id| state(&h, id)).collect::<Vec<_>>(),
        [TakeState::SetAside, TakeState::SetAside, TakeState::Proposed]
    );
    h.go_to(1);
    assert_eq!(
        (1..=3).map(|id| state(&h, id)).collect::<Vec<_>>(),
        [TakeState::New, TakeState::New, TakeState::Proposed]
    );
    // A new step ends it, as ever.
    h.apply("Set aside 3", &aside(3)).unwrap();
    assert_eq!(h.redo_label(), None);
}

/// Three takes with recipes, the second with a loop of score 80.
fn looped() -> History {
    let l = LoopRecipe {
        start: 10_000.0,
        end: 30_000.0,
        crossfade: Seconds(0.1),
        score: 80.0,
        parts: LoopParts { level: 80.0, ..LoopParts::default() },
        locked: false,
        even: false,
    };
    let edit = Edit::SetLoop { take: TakeId(2), looping: Some(l) };
    History::new(edit.apply(&three_proposed()).unwrap())
}

fn judge(h: &mut History, score: f64) {
    h.judge(TakeId(2), (score, LoopParts { level: score, ..LoopParts::default() })).unwrap();
}

/// The score of the second take's loop, and the part that goes with it.
fn score(h: &History) -> f64 {
    let l = h.document().take(TakeId(2)).unwrap().recipe.as_ref().unwrap().looping.unwrap();
    assert_eq!(l.score, l.parts.level);
    l.score
}

fn set_drift(h: &mut History, id: u32, drift: f64) {
    let tune = TuneRecipe { drift, ..tune(h.document(), id) };
    h.apply(&format!("Set drift of {id}"), &Edit::SetTune { take: TakeId(id), tune }).unwrap();
}

#[test]
fn a_score_goes_with_the_sound_and_not_with_a_step_in_between() {
    let mut h = looped();
    set_drift(&mut h, 2, 0.3);
    let accept = Edit::SetState { take: TakeId(1), state: TakeState::Accepted };
    h.apply("Accept 1", &accept).unwrap();
    let place = h.place();
    judge(&mut h, 55.0);
    assert_eq!((score(&h), h.place()), (55.0, place), "no step of its own");
    // Undo takes back what the user did to the first take, and nothing else.
    let before = h.document().clone();
    h.undo();
    assert_eq!(score(&h), 55.0);
    assert_eq!(before.take(TakeId(2)), h.document().take(TakeId(2)));
    // Before the tuning it was another sound.
    h.undo();
    assert_eq!(score(&h), 80.0);
    h.redo();
    assert_eq!(score(&h), 55.0);
    // Judged where steps are undone: they have it too, as far as it is their sound.
    set_drift(&mut h, 1, 0.5);
    set_drift(&mut h, 2, 0.7);
    judge(&mut h, 40.0);
    h.undo();
    h.undo();
    judge(&mut h, 60.0);
    h.redo();
    assert_eq!((score(&h), tune(h.document(), 1).drift), (60.0, 0.5));
    h.redo();
    assert_eq!(score(&h), 40.0);
}

#[test]
fn a_score_stays_with_the_settings_that_it_was_judged_under() {
    let mut h = looped();
    let mut setup = h.document().setup.clone();
    setup.a4 = seamwright::units::Hertz(415.0);
    h.apply("Set A4", &Edit::SetSetup(Box::new(setup.clone()))).unwrap();
    setup.title = "another".into();
    h.apply("Title", &Edit::SetSetup(Box::new(setup))).unwrap();
    judge(&mut h, 70.0);
    h.undo();
    assert_eq!(score(&h), 70.0);
    h.undo();
    assert_eq!(score(&h), 80.0);
    // In the midst of a drag that is given up.
    let gain = |id| Edit::SetLevel { take: TakeId(id), level: LevelRecipe { gain: Decibels(-2.0) } };
    h.preview(&gain(1)).unwrap();
    judge(&mut h, 75.0);
    h.abort();
    assert_eq!(score(&h), 75.0);
    let none = h.judge(TakeId(1), (50.0, LoopParts::default())).unwrap_err();
    assert!(none.to_string().contains("no loop"), "{none}");
}

#[test]
fn a_score_that_comes_while_a_job_runs_is_nothing_of_the_job() {
    let mut h = looped();
    h.open_step("Propose", 7);
    judge(&mut h, 55.0);
    h.close_step(7);
    assert_eq!(h.undo_label(), None, "the job brought nothing");
    h.open_step("Propose", 8);
    judge(&mut h, 56.0);
    h.undo();
    assert_eq!((score(&h), h.redo_label()), (56.0, Some("Propose")));
    // One that brings something is not about the take that was judged.
    h.open_step("Propose", 9);
    judge(&mut h, 57.0);
    let again = |d: &Document| {
        (tune(d, 1).drift == 1.0).then(|| Edit::Propose {
            take: TakeId(1),
            recipe: Box::new(Recipe { tune: TuneRecipe { drift: 0.2, ..tune(d, 1) }, ..recipe(60) }),
            concerns: vec![],
        })
    };
    assert!(h.join(9, again).unwrap());
    assert_eq!(h.undo_name().as_deref(), Some("Propose: C4, layer 1"));
    h.undo();
    assert_eq!((score(&h), tune(h.document(), 1).drift), (57.0, 1.0));
}

#[test]
fn another_layer_leaves_the_pitch_alone() {
    let moved = |d: &Document| tune(d, 1).moved;
    let d = propose(1, 60).apply(&three_takes()).unwrap();
    let up = TuneRecipe { moved: -2, ..tune(&d, 1) };
    let d = Edit::SetTune { take: TakeId(1), tune: up }.apply(&d).unwrap();
    let to = |d: &Document, note, layer| {
        Edit::Place { take: TakeId(1), note: MidiNote(note), layer }.apply(d).unwrap()
    };
    let d = to(&d, 60, 5);
    assert_eq!(moved(&d), -2);
    assert_eq!(moved(&to(&d, 62, 5)), 0, "another note is another target");
}

#[test]
fn undo_never_loses_a_take_that_was_found_meanwhile() {
    let mut h = History::new(three_takes());
    h.apply("Set aside", &Edit::SetState { take: TakeId(1), state: TakeState::SetAside }).unwrap();
    let more = Edit::AddFound { sources: vec![source("b.wav")], takes: vec![take(0, 64, 0)] };
    h.amend(&more).unwrap();
    assert_eq!(h.undo().as_deref(), Some("Set aside"));
    assert_eq!(h.document().takes.len(), 4);
    assert_eq!(h.document().sources.len(), 2);
    h.redo();
    assert_eq!(h.document().takes.len(), 4);
}

#[test]
fn a_new_survey_keeps_the_work() {
    let d = propose(1, 60).apply(&three_takes()).unwrap();
    let d = Edit::SetState { take: TakeId(1), state: TakeState::Accepted }.apply(&d).unwrap();
    let concerns = [ConcernKind::NoGoodLoop, ConcernKind::Noisy].map(|k| Concern::new(k, "so")).to_vec();
    let d = Edit::SetConcerns { take: TakeId(1), concerns }.apply(&d).unwrap();
    // The same file again: the first take a little longer, the third gone, a new one at the end.
    let mut first = take(0, 60, 0);
    first.span.end = Frame(51_000);
    let again = Edit::AddFound {
        sources: vec![source("a.wav")],
        takes: vec![first, take(100_000, 60, 1), take(300_000, 67, 0)],
    };
    let d = again.apply(&d).unwrap();
    assert_eq!(d.sources.len(), 1);
    let kept = d.take(TakeId(1)).unwrap();
    assert_eq!(kept.state, TakeState::Accepted);
    assert_eq!(kept.span.end, Frame(51_000));
    assert!(kept.recipe.is_some());
    // The survey judges noise anew; it does not look at loops.
    let kinds: Vec<ConcernKind> = kept.concerns.iter().map(|c| c.kind).collect();
    assert_eq!(kinds, [ConcernKind::NoGoodLoop]);
    assert!(d.take(TakeId(3)).is_none(), "nobody worked on it and it is no longer found");
    let mut ids: Vec<u32> = d.takes.iter().map(|t| t.id.0).collect();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), 3);
}

proptest! {
    /// Whatever is done, undoing all of it gives back the beginning, and redoing all the end.
    #[test]
    fn undo_all_then_redo_all(steps in prop::collection::vec((0u8..5, 1u32..4, 50u8..70), 1..30)) {
        let mut h = History::new(three_takes());
        let begin = h.document().clone();
        for (what, id, n) in steps {
            let take = TakeId(id);
            let edit = match what {
                0 => propose(id, n),
                1 => Edit::SetState { take, state: TakeState::SetAside },
                2 => Edit::Place { take, note: MidiNote(n), layer: u16::from(n % 3) },
                3 => Edit::SetLevel { take, level: LevelRecipe { gain: Decibels(-f64::from(n)) } },
                _ => Edit::SetState { take, state: TakeState::Accepted },
            };
            // Some of these are refused (no recipe yet); a refusal must leave everything as it is.
            let _ = h.apply("step", &edit);
        }
        let end = h.document().clone();
        while h.undo().is_some() {}
        prop_assert_eq!(h.document(), &begin);
        while h.redo().is_some() {}
        prop_assert_eq!(h.document(), &end);
    }
}

#[test]
fn decisions_about_several_takes_pass_by_what_cannot_be_and_are_one_step() {
    let mut d = Document::default();
    for (i, note) in [60, 60, 62].into_iter().enumerate() {
        let mut t = take(100_000 * i as u64, note, 0);
        t.id = TakeId(i as u32 + 1);
        d.takes.push(t.into());
    }
    let ids: Vec<TakeId> = d.takes.iter().map(|t| t.id).collect();
    let edit = Edit::Propose { take: ids[0], recipe: Box::new(recipe(60)), concerns: vec![] };
    let d = edit.apply(&d).unwrap();
    let s = placing::decide(&d, &ids, Decision::Accept);
    assert_eq!((s.changed, s.passed_by), (1, 2), "two have no recipe");
    let accepted = s.named.unwrap().edit.apply(&d).unwrap();
    assert_eq!(accepted.take(ids[0]).unwrap().state, TakeState::Accepted);
    assert_eq!(placing::decide(&accepted, &ids[..1], Decision::Accept).named, None, "it is so already");
    let s = placing::decide(&accepted, &ids, Decision::Undecide);
    assert_eq!(s.changed, 1);
    assert_eq!(
        s.named.unwrap().edit.apply(&accepted).unwrap().take(ids[0]).unwrap().state,
        TakeState::Proposed
    );
    assert_eq!(placing::give_layer(&d, &ids, 0).named, None);
    let s = placing::give_layer(&d, &ids, 4);
    assert_eq!((s.changed, s.named.unwrap().label.as_str()), (3, "Layer 5 for 3 takes"));
}

#[test]
fn keeping_one_take_sets_the_others_of_its_cell_aside_and_no_more() {
    let mut d = Document::default();
    for (i, note) in [60, 60, 60, 62].into_iter().enumerate() {
        let mut t = take(100_000 * i as u64, note, 0);
        t.id = TakeId(i as u32 + 1);
        d.takes.push(t.into());
    }
    let states = |d: &Document| d.takes.iter().map(|t| t.state).collect::<Vec<_>>();
    use TakeState::{New, SetAside};
    assert_eq!(placing::claims(&d, TakeId(2)), [TakeId(1), TakeId(2), TakeId(3)]);
    let kept = placing::keep(&d, TakeId(2)).unwrap();
    assert_eq!(kept.label, "Keep one of 3 takes for C4, layer 1");
    let d = kept.edit.apply(&d).unwrap();
    assert_eq!(states(&d), [SetAside, New, SetAside, New]);
    assert!(placing::keep(&d, TakeId(2)).unwrap_err().to_string().contains("kept already"));
    assert!(placing::keep(&d, TakeId(4)).unwrap_err().to_string().contains("the only one"));
    // Another mind: the one set aside comes back.
    let d = placing::keep(&d, TakeId(1)).unwrap().edit.apply(&d).unwrap();
    assert_eq!(states(&d), [New, SetAside, SetAside, New]);
}

/// A loop that scores less than is asked for (70) is a concern, also of a take that is accepted already, and goes
/// with the edit that brought it.
#[test]
fn a_weak_loop_is_a_concern_as_long_as_it_is_there() {
    let mut h = looped();
    h.apply("Accept", &Edit::SetState { take: TakeId(2), state: TakeState::Accepted }).unwrap();
    let concern = |h: &History| {
        let take = h.document().take(TakeId(2)).unwrap();
        take.concerns.iter().find(|c| c.kind == ConcernKind::NoGoodLoop).map(|c| c.text.clone())
    };
    assert_eq!(concern(&h), None);
    let l = h.document().take(TakeId(2)).unwrap().recipe.as_ref().unwrap().looping.unwrap();
    let weak = Some(LoopRecipe { end: l.end + 500.0, score: 28.0, ..l });
    h.apply("Move loop end", &Edit::SetLoop { take: TakeId(2), looping: weak }).unwrap();
    assert_eq!(concern(&h).as_deref(), Some("the loop scores 28 of 100; 70 was asked for"));
    // Judged anew it is told once, with what it scores then; and not at all when that is enough.
    h.judge(TakeId(2), (55.4, l.parts)).unwrap();
    assert_eq!(concern(&h).as_deref(), Some("the loop scores 55 of 100; 70 was asked for"));
    h.judge(TakeId(2), (70.0, l.parts)).unwrap();
    assert_eq!(concern(&h), None);
    h.judge(TakeId(2), (10.0, l.parts)).unwrap();
    h.undo();
    assert_eq!(concern(&h), None);
    h.redo();
    assert!(concern(&h).is_some());
}
