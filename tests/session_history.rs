//! The document, its edits and the one undo history.

use proptest::prelude::*;
use seamwright::dsp::tune::StrengthCurve;
use seamwright::session::{
    Document, Edit, History, LevelRecipe, Recipe, Sheet, Source, SourceId, Take, TakeId, TakeState,
    TrimRecipe, TuneRecipe,
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
        trim: TrimRecipe {
            range: FrameRange::new(0, 50_000),
            onset: Frame(100),
            fade_in: Seconds(0.0),
            fade_out: Seconds(0.0),
        },
        tune: TuneRecipe {
            target: MidiNote(note),
            offset: Cents(0.0),
            centre: 1.0,
            drift: 1.0,
            vibrato: 0.0,
            curve: StrengthCurve::default(),
        },
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

#[test]
fn one_job_is_one_step() {
    let mut h = History::new(three_takes());
    for id in 1..=3 {
        h.apply_grouped("Propose all", &propose(id, 60), Some(7)).unwrap();
    }
    assert_eq!(h.labels().collect::<Vec<_>>(), ["Propose all"]);
    h.undo();
    assert!(h.document().takes.iter().all(|t| t.recipe.is_none()));
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
