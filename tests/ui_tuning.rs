//! The table of tuning in the sheet room, and what the bench does to the tuning of other takes.

mod bench_support;

use std::sync::Arc;

use bench_support::{World, bare, note, type_number, worked};
use egui::{Key, Role};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable as _;
use seamwright::app::command::{Command, EditCommand, GoCommand, Room};
use seamwright::app::panels::sheet::SheetPanel;
use seamwright::app::theme::Theme;
use seamwright::app::triage::{Form, Triage};
use seamwright::app::view::{SoundView, View};
use seamwright::dsp::tune::Movement;
use seamwright::playback::message::Side;
use seamwright::session::{Document, Edit, Sheet, TakeId};
use seamwright::units::{Hertz, MidiNote};

/// Three layers: 2, 9 and 5 cents of drift; the last without vibrato.
fn document() -> Document {
    let mut world = bare(&[note(0, 1.5), note(1, 1.5), note(2, 1.5)]);
    let recipe = worked(1, 3.0).take().recipe.clone();
    let mut d = (**world.history.document()).clone();
    for (i, (drift_rms, rate)) in [(2.0, Some(5.5)), (9.0, Some(4.0)), (5.0, None)].into_iter().enumerate() {
        let t = Arc::make_mut(&mut d.takes[i]);
        t.f0 = Some(Hertz(220.0));
        t.movement =
            Some(Movement { drift_rms, vibrato_rate_hz: rate, vibrato_depth_cents: drift_rms * 2.0 });
        if i < 2 {
            t.recipe.clone_from(&recipe);
        }
    }
    world.history = seamwright::session::History::new(d.clone());
    d
}

struct State {
    panel: SheetPanel,
    log: Vec<Command>,
}

fn window<'a>(d: &'static Document) -> Harness<'a, State> {
    let sheet: &'static Sheet = Box::leak(Box::new(Sheet::of(d)));
    let sound: &'static SoundView = Box::leak(Box::new(SoundView {
        device: Ok("none".into()),
        playing: None,
        begun: Default::default(),
        side: Side::Rendered,
        judged: None,
        volume_db: -12.0,
        peak: [0.0; 2],
        limited: false,
        stack: Default::default(),
    }));
    let theme: &'static Theme = Box::leak(Box::new(Theme::light()));
    let derived: &'static _ = Box::leak(Box::default());
    let mut triage = Triage::default();
    triage.listing.form = Form::Tuning;
    let triage: &'static Triage = Box::leak(Box::new(triage));
    let mut h = Harness::builder().with_size([1280.0, 700.0]).with_step_dt(1.0 / 60.0).build_ui_state(
        move |ui, state: &mut State| {
            if !bench_support::dress(ui.ctx()) {
                return;
            }
            let view = View {
                document: d,
                revision: 1,
                sheet,
                path: None,
                read_only: false,
                undo: None,
                redo: None,
                room: Room::Sheet,
                selected: None,
                triage,
                derived,
                jobs: &[],
                notices: &[],
                sound,
                theme,
            };
            let more = state.panel.ui(ui, &view);
            state.log.extend(more);
        },
        State { panel: SheetPanel::default(), log: Vec::new() },
    );
    h.run_steps(4);
    h.state_mut().log.clear();
    h
}

/// The layers as the lines stand from top to bottom.
fn layers(h: &Harness<'_, State>) -> Vec<u32> {
    let mut lines: Vec<(f32, u32)> =
        (1..=3).map(|l| (h.get_by_label_contains(&format!("A3, layer {l}")).rect().top(), l)).collect();
    lines.sort_by(|a, b| a.0.total_cmp(&b.0));
    lines.into_iter().map(|(_, l)| l).collect()
}

#[test]
fn the_table_shows_sorts_and_selects() {
    let mut h = window(Box::leak(Box::new(document())));
    assert_eq!(layers(&h), [1, 2, 3]);
    assert!(h.query_by_label_contains("Drift 9.0 cents, Vibrato 4.0 Hz, Depth 18.0 cents").is_some());
    h.get_by_label("Sort by Drift").click();
    h.run_steps(60);
    assert_eq!(layers(&h), [1, 3, 2]);
    h.get_by_label("Sort by Drift").click();
    h.run_steps(60);
    assert_eq!(layers(&h), [2, 3, 1], "the second click turns it round");
    h.get_by_label("Sort by Vibrato").click();
    h.run_steps(60);
    assert_eq!(layers(&h), [2, 1, 3], "what is not known stands last");
    h.get_by_label_contains("A3, layer 2").click();
    h.run_steps(2);
    assert_eq!(h.state().log, [Command::Go(GoCommand::Select(TakeId(2)))]);
}

#[test]
fn each_strength_is_called_by_its_name() {
    let mut d = document();
    let tune = |d: &mut Document, i: usize, (centre, drift, vibrato): (f64, f64, f64)| {
        let recipe = Arc::make_mut(&mut d.takes[i]).recipe.as_mut().unwrap();
        (recipe.tune.centre, recipe.tune.drift, recipe.tune.vibrato) = (centre, drift, vibrato);
    };
    tune(&mut d, 0, (1.0, 1.0, 1.0));
    tune(&mut d, 1, (1.0, 0.8, 0.0));
    let h = window(Box::leak(Box::new(d)));
    assert!(h.query_by_label_contains("Strengths all three 100 %").is_some());
    assert!(h.query_by_label_contains("Strengths centre 100, drift 80, vibrato 0 %").is_some());
}

#[test]
fn flatten_all_is_one_step_for_the_takes_that_have_a_recipe() {
    let d: &'static Document = Box::leak(Box::new(document()));
    let mut h = window(d);
    h.get_by_label("Set for 2 takes").click();
    h.run_steps(2);
    let [Command::Edit(EditCommand::Do { label, edit })] = &h.state().log[..] else {
        panic!("{:?}", h.state().log)
    };
    assert!(label.contains("2 takes"), "{label}");
    let after = edit.apply(d).unwrap();
    for t in &after.takes[..2] {
        let tune = &t.recipe.as_ref().unwrap().tune;
        assert_eq!((tune.drift, tune.vibrato), (1.0, 1.0));
    }
    assert_eq!(after.takes[2].recipe, None);
}

/// A bench on the first of three layers, all with its recipe, drawn once.
fn bench(change: impl FnOnce(&mut Document)) -> Harness<'static, World> {
    let mut world = worked(3, 3.0);
    let mut d = (**world.history.document()).clone();
    let recipe = d.takes[0].recipe.clone();
    Arc::make_mut(&mut d.takes[1]).recipe = recipe;
    change(&mut d);
    world.history = seamwright::session::History::new(d);
    let mut h = Harness::builder()
        .with_size([1500.0, 3000.0])
        .with_step_dt(1.0 / 60.0)
        .build_ui_state(|ui, w: &mut World| w.pass(ui), world);
    h.run_steps(4);
    h
}

fn edit_of(h: &Harness<'_, World>) -> (String, Edit) {
    let done = h.state().log.iter().find_map(|c| match c {
        Command::Edit(EditCommand::Do { label, edit }) => Some((label.clone(), edit.clone())),
        _ => None,
    });
    done.unwrap_or_else(|| panic!("{:?}", h.state().log))
}

#[test]
fn tuning_is_copied_to_the_other_layers_that_have_a_recipe() {
    let mut h = bench(|d| {
        let tune = &mut Arc::make_mut(&mut d.takes[0]).recipe.as_mut().unwrap().tune;
        (tune.drift, tune.curve.nodes) = (0.4, vec![(0.3, 0.0), (0.9, 0.7)]);
    });
    let before = Arc::clone(h.state().history.document());
    h.get_by_label("Copy tuning to this note's takes").click();
    h.run_steps(2);
    let (label, edit) = edit_of(&h);
    assert_eq!(label, "Copy tuning");
    let after = edit.apply(&before).unwrap();
    let tune = &after.takes[1].recipe.as_ref().unwrap().tune;
    assert_eq!((tune.drift, &tune.curve.nodes[..]), (0.4, &[(0.3, 0.0), (0.9, 0.7)][..]));
    assert_eq!(after.takes[2].recipe, None);
}

#[test]
fn a_wrong_note_is_kept_or_moved_to_its_name() {
    let mut h = bench(|d| {
        // It sounds A3 and stands as B3.
        let t = Arc::make_mut(&mut d.takes[0]);
        t.note = Some(MidiNote(59));
    });
    let before = Arc::clone(h.state().history.document());
    h.get_by_label("Move to its name").click();
    h.run_steps(2);
    let (label, edit) = edit_of(&h);
    assert_eq!(label, "Move the note to its name");
    let tune = &edit.apply(&before).unwrap().takes[0].recipe.as_ref().unwrap().tune.clone();
    assert_eq!((tune.target, tune.moved), (MidiNote(59), 2));
}

#[test]
fn a_value_is_typed_in_any_unit() {
    let mut h = bench(|_| {});
    let shortest = |h: &Harness<'_, World>| h.state().history.document().setup.loops.shortest.0;
    for (text, seconds) in [("250 ms", 0.25), ("24000 frames", 0.5), ("0,125", 0.125)] {
        type_number(&mut h, "Shortest", text);
        assert!((shortest(&h) - seconds).abs() < 1e-9, "{text}: {}", shortest(&h));
    }
    // A unit of another kind changes nothing.
    type_number(&mut h, "Shortest", "3 dB");
    assert!((shortest(&h) - 0.125).abs() < 1e-9);
    let fade = |h: &Harness<'_, World>| h.state().recipe().trim.fade_in.0;
    type_number(&mut h, "Fade in", "0.02 s");
    assert!((fade(&h) - 0.02).abs() < 1e-4, "{}", fade(&h));
}

#[test]
fn escape_gives_the_drag_of_a_slider_up() {
    let mut h = bench(|_| {});
    let before = h.state().recipe();
    let rect = h.get_by_role_and_label(Role::Slider, "Vibrato").rect();
    let at = rect.left_center() + egui::vec2(8.0, 0.0);
    h.hover_at(at);
    h.step();
    h.drag_at(at);
    h.step();
    for i in 1..12 {
        h.hover_at(at + egui::vec2(4.0 * i as f32, 0.0));
        h.step();
    }
    assert_ne!(h.state().recipe(), before, "it is shown while it is dragged");
    h.key_press(Key::Escape);
    h.step();
    h.hover_at(at + egui::vec2(70.0, 0.0));
    h.step();
    h.drop_at(at + egui::vec2(70.0, 0.0));
    h.run_steps(3);
    assert_eq!(h.state().recipe(), before);
    assert_eq!(h.state().history.labels().count(), 0);
}
