//! Cleaning in the bench room as its user works it: every control by its name, one step each.

mod bench_support;
mod painted_support;

use std::sync::Arc;

use bench_support::{TAKE, World, made, worked};
use egui::{Event, Key, Modifiers, PointerButton, Pos2, Role, vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT, Queryable};
use seamwright::app::command::{Command, EditCommand, SoundCommand};
use seamwright::playback::message::Side;
use seamwright::session::{CleanRecipe, Edit, History, RoomFrom, Source, TakeId, TakeState};
use seamwright::units::FrameRange;

type Bench<'a> = Harness<'a, World>;

/// A take that is cleaned at full amount, in as many layers.
fn cleaned(layers: u16) -> World {
    let mut world = worked(layers, 2.5);
    let mut d = (**world.history.document()).clone();
    let sound = world.derived.of(TAKE).unwrap().source.clone().unwrap();
    let recipe = {
        let first = Arc::make_mut(&mut d.takes[0]).recipe.as_mut().unwrap();
        first.clean = CleanRecipe::full();
        first.clone()
    };
    for t in &mut d.takes[1..] {
        let t = Arc::make_mut(t);
        t.recipe = Some(recipe.clone());
        t.recipe.as_mut().unwrap().clean = CleanRecipe::default();
        t.state = TakeState::Proposed;
    }
    world.derived.entry(TAKE).recipe = Some(made(&sound, &recipe, &d.setup));
    world.history = History::new(d);
    world
}

fn bench<'a>(world: World) -> Bench<'a> {
    // High enough that the whole column shows.
    let mut h = Harness::builder()
        .with_size(vec2(1400.0, 3000.0))
        .with_step_dt(1.0 / 60.0)
        .build_ui_state(|ui, world: &mut World| world.pass(ui), world);
    h.run_steps(3);
    h.state_mut().log.clear();
    h
}

fn clean(h: &Bench<'_>) -> CleanRecipe {
    h.state().recipe().clean
}

fn labels(h: &Bench<'_>) -> Vec<String> {
    h.state().history.labels().map(str::to_owned).collect()
}

fn pointer(h: &mut Bench<'_>, at: Pos2, button: PointerButton, pressed: bool) {
    h.hover_at(at);
    h.step();
    h.event(Event::PointerButton { pos: at, button, pressed, modifiers: Modifiers::NONE });
    h.step();
}

/// Presses at `from`, creeps by (dx, dy) points; the button stays down.
fn drag(h: &mut Bench<'_>, from: Pos2, by: egui::Vec2) -> Pos2 {
    pointer(h, from, PointerButton::Primary, true);
    let mut at = from;
    for i in 1..=10 {
        at = from + by * (i as f32 / 10.0);
        h.hover_at(at);
        h.step();
    }
    at
}

fn let_go(h: &mut Bench<'_>, at: Pos2) {
    pointer(h, at, PointerButton::Primary, false);
    h.run_steps(2);
}

fn double_click(h: &mut Bench<'_>, at: Pos2) {
    for pressed in [true, false, true, false] {
        pointer(h, at, PointerButton::Primary, pressed);
    }
    h.run_steps(2);
}

fn slider(h: &Bench<'_>, name: &str) -> (Pos2, f64) {
    let n = h.get_by_role_and_label(Role::Slider, name);
    (n.rect().center(), n.accesskit_node().numeric_value().unwrap())
}

fn source(h: &Bench<'_>) -> Arc<Source> {
    let d = h.state().history.document();
    Arc::clone(d.source(d.take(TAKE).unwrap().source).unwrap())
}

#[test]
fn every_number_is_one_step_and_undone() {
    type Case = (&'static str, f64, &'static str, fn(&CleanRecipe) -> f64, f64);
    let cases: [Case; 3] = [
        ("Amount", 40.0, "Set cleaning amount", |c| c.amount, 0.4),
        ("Most reduction", 18.0, "Set most reduction", |c| c.floor_db, 18.0),
        ("High-pass", 60.0, "Set high-pass", |c| c.high_pass_hz, 60.0),
    ];
    for (name, typed, label, value, wanted) in cases {
        let mut h = bench(cleaned(1));
        let before = clean(&h);
        h.get_by_role_and_label(Role::Slider, name).set_value_accesskit(typed);
        h.run_steps(3);
        assert!((value(&clean(&h)) - wanted).abs() < 1e-9, "{name}: {:?}", clean(&h));
        assert_eq!(labels(&h), [label]);
        h.state_mut().history.undo();
        assert_eq!(clean(&h), before, "{name}");
    }
    // Under 5 Hz there is no high-pass.
    let mut h = bench(cleaned(1));
    h.get_by_role_and_label(Role::Slider, "High-pass").set_value_accesskit(3.0);
    h.run_steps(3);
    assert_eq!(clean(&h).high_pass_hz, 0.0);
}

#[test]
fn switches_switch() {
    type Case = (&'static str, fn(&CleanRecipe) -> bool);
    let cases: [Case; 4] = [
        ("Remove hum", |c| c.hum),
        ("Keep soft overtones", |c| c.protect),
        ("Remove DC", |c| c.remove_dc),
        ("Lock this take's cleaning", |c| c.own),
    ];
    for (name, value) in cases {
        let mut h = bench(cleaned(1));
        let before = value(&clean(&h));
        h.get_by_label(name).click();
        h.run_steps(3);
        assert_eq!(value(&clean(&h)), !before, "{name}");
        assert_eq!(labels(&h).len(), 1, "{name}");
    }
}

#[test]
fn the_curve_is_dragged_added_to_and_taken_from() {
    let mut h = bench(cleaned(1));
    let (at, _) = slider(&h, "Reduction node 2");
    let (from, before) = (at, clean(&h).curve);
    let end = drag(&mut h, from, vec2(20.0, -20.0));
    assert!(labels(&h).is_empty(), "a drag is no step yet");
    let_go(&mut h, end);
    let after = clean(&h).curve;
    assert_eq!(labels(&h), ["Bend reduction curve"]);
    assert!(after.nodes[1].0 > before.nodes[1].0 && after.nodes[1].1 < before.nodes[1].1, "{after:?}");
    assert_eq!(after.nodes[0], before.nodes[0]);
    // Escape gives a drag up.
    let (at, _) = slider(&h, "Reduction node 1");
    let end = drag(&mut h, at, vec2(0.0, -15.0));
    h.key_press(Key::Escape);
    h.run_steps(2);
    let_go(&mut h, end);
    assert_eq!(clean(&h).curve, after);
    // Keys: down is deeper, Delete removes.
    h.get_by_role_and_label(Role::Slider, "Reduction node 1").focus();
    h.run_steps(2);
    h.key_press(Key::ArrowDown);
    h.run_steps(2);
    assert_eq!(clean(&h).curve.nodes[0].1, after.nodes[0].1 + 1.0);
    // It is told with the sign of the scale beside it: what lies lower is the smaller number.
    let node = h.get_by_role_and_label(Role::Slider, "Reduction node 1");
    let told = (node.accesskit_node().numeric_value().unwrap(), node.accesskit_node().value().unwrap());
    let deep = after.nodes[0].1 + 1.0;
    assert_eq!(told.0, -deep);
    assert!(told.1.starts_with(&format!("\u{2212}{deep:.0} dB at ")), "{}", told.1);
    let curve = h.get_by_label_contains("Reduction curve: by how many dB").rect();
    double_click(&mut h, curve.left_top() + vec2(curve.width() * 0.8, curve.height() * 0.25));
    assert_eq!(clean(&h).curve.nodes.len(), 3, "{:?}", clean(&h).curve);
    h.get_by_role_and_label(Role::Slider, "Reduction node 3").focus();
    h.run_steps(2);
    h.key_press(Key::Delete);
    h.run_steps(2);
    assert_eq!(clean(&h).curve.nodes.len(), 2);
    h.get_by_label("Reset reduction curve").click();
    h.run_steps(2);
    assert_eq!(clean(&h).curve, CleanRecipe::default().curve);
}

#[test]
fn room_tone_is_dragged_nudged_added_and_found_again() {
    let mut h = bench(cleaned(1));
    let found = source(&h).room_tone.unwrap().range;
    let (at, _) = slider(&h, "Room tone end");
    let end = drag(&mut h, at, vec2(-30.0, 0.0));
    assert!(labels(&h).is_empty());
    let_go(&mut h, end);
    assert_eq!(labels(&h), ["Mark room tone"], "one drag, one step");
    let marked = source(&h).room_marked.clone();
    assert_eq!(marked.len(), 1);
    assert_eq!(marked[0].start, found.start);
    assert!(marked[0].end < found.end);
    assert_eq!(source(&h).room_tone.unwrap().range, found, "what was found stays known");
    // Escape.
    let (at, _) = slider(&h, "Room tone start");
    let end = drag(&mut h, at, vec2(12.0, 0.0));
    assert_ne!(source(&h).room_marked, marked);
    h.key_press(Key::Escape);
    h.run_steps(2);
    let_go(&mut h, end);
    assert_eq!(source(&h).room_marked, marked);
    // Arrows: 10 ms, that is 480 frames; the whole stretch goes along.
    h.get_by_role_and_label(Role::Slider, "Room tone").focus();
    h.run_steps(2);
    h.key_press(Key::ArrowLeft);
    h.run_steps(2);
    let now = source(&h).room_marked[0];
    assert_eq!(now.start.0 + 480, marked[0].start.0);
    assert_eq!(now.count(), marked[0].count());
    // Another stretch, then both forgotten.
    h.get_by_label("Mark room tone").click();
    h.run_steps(2);
    let two = source(&h).room_marked.clone();
    assert_eq!(two.len(), 2);
    let take = h.state().take().span;
    assert!(two.iter().all(|r| r.overlap(take).0 == 0), "not where somebody plays");
    h.get_by_role_and_label(Role::Slider, "Room tone 2").focus();
    h.run_steps(2);
    h.key_press(Key::Delete);
    h.run_steps(2);
    assert_eq!(source(&h).room_marked.len(), 1);
    h.get_by_label("Back to found room tone").click();
    h.run_steps(2);
    assert!(source(&h).room_marked.is_empty());
    assert_eq!(source(&h).room_stretches(), [found]);
    // Typed.
    h.set_size(vec2(1280.0, 2600.0));
    h.run_steps(3);
    bench_support::type_number(&mut h, "Room tone start in seconds", "100 ms");
    assert_eq!(source(&h).room_marked.len(), 1);
    assert_eq!(source(&h).room_marked[0].start.0, 4_800);
    // Over a note: it is allowed, and said.
    let told = "The room tone reaches into a take";
    assert!(h.query_by_label_contains(told).is_none());
    let into = h.state().take().span.start.0 as f64 + 4_800.0;
    h.get_by_role_and_label(Role::Slider, "Room tone end").set_value_accesskit(into);
    h.run_steps(3);
    assert!(h.query_by_label_contains(told).is_some());
}

#[test]
fn a_stretch_beyond_the_file_is_refused() {
    let h = bench(cleaned(1));
    let d = h.state().history.document();
    let (id, frames) = (source(&h).id, source(&h).frames);
    let bad = vec![FrameRange::new(0, frames + 1)];
    let e = seamwright::session::cleaning::mark_room(d, id, bad).unwrap_err();
    assert!(e.to_string().contains(&format!("inside 0 to {frames}")), "{e}");
}

#[test]
fn settings_go_to_the_note_and_to_all_but_not_over_own_ones() {
    let mut h = bench(cleaned(3));
    h.get_by_label("Copy cleaning to this note's takes").click();
    h.run_steps(2);
    assert_eq!(labels(&h), ["Copy cleaning (2 takes)"]);
    let of = |h: &Bench<'_>, id: u32| {
        h.state().history.document().take(TakeId(id)).unwrap().recipe.clone().unwrap().clean
    };
    assert!((1..=3).all(|id| of(&h, id).amount == 1.0));
    h.state_mut().history.undo();
    assert_eq!(of(&h, 2).amount, 0.0);
    // The second take has settings of its own.
    let own = CleanRecipe { own: true, amount: 0.3, ..CleanRecipe::default() };
    let edit = Edit::SetClean { take: TakeId(2), clean: own.clone() };
    h.state_mut().history.apply("own", &edit).unwrap();
    h.get_by_role_and_label(Role::Slider, "Amount").set_value_accesskit(70.0);
    h.run_steps(3);
    h.get_by_label("Copy cleaning to every take").click();
    h.run_steps(3);
    assert_eq!(of(&h, 2), own);
    assert!((of(&h, 3).amount - 0.7).abs() < 1e-9);
    assert!((h.state().history.document().setup.clean.amount - 0.7).abs() < 1e-9, "later proposals too");
    assert!(h.query_by_label("Cleaning locked: A3, layer 2").is_some(), "exceptions stay visible");
}

#[test]
fn the_room_can_be_shared() {
    let mut h = bench(cleaned(1));
    h.get_by_label("Room tone: all together").click();
    h.run_steps(2);
    assert_eq!(h.state().history.document().setup.room_from, RoomFrom::Folder);
    h.get_by_label("Room tone: this one for all").click();
    h.run_steps(2);
    assert_eq!(h.state().history.document().setup.room_from, RoomFrom::File(source(&h).id));
}

#[test]
fn meters_tell_the_room_before_and_after() {
    let h = bench(cleaned(1));
    let level = |name: &str| -> f64 {
        let label = h
            .query_all_by_role(Role::Meter)
            .filter_map(|n| n.accesskit_node().label())
            .find_map(|l| l.strip_prefix(&format!("{name}: ")).map(str::to_owned))
            .unwrap_or_else(|| panic!("no meter {name}"));
        label.trim_end_matches(" dB").replace('−', "-").parse().unwrap()
    };
    let (before, after) = (level("Room before"), level("Room after"));
    // White noise of RMS 0.0006: 20·log10 of it is −64.4 dB.
    assert!((before + 64.4).abs() < 0.5, "{before}");
    assert!(before - after > 20.0, "{before} to {after}");
}

#[test]
fn the_gain_picture_comes_and_goes_by_button_and_key() {
    let mut h = bench(cleaned(1));
    let shown = |h: &Bench<'_>| {
        h.query_all_by_role(Role::Image)
            .any(|n| n.accesskit_node().label().is_some_and(|l| l.starts_with("Gain picture: the room from")))
    };
    assert!(!shown(&h));
    h.get_by_label("Gain picture").click();
    h.run_steps(2);
    assert!(shown(&h));
    h.key_press(Key::I);
    h.run_steps(2);
    assert!(!shown(&h));
    assert!(labels(&h).is_empty(), "looking is no step");
}

#[test]
fn what_was_removed_can_be_heard_where_something_was() {
    let mut h = bench(cleaned(1));
    h.get_by_label("Hear removed").click();
    h.run_steps(2);
    assert!(h.state().log.contains(&Command::Sound(SoundCommand::Listen(Side::Removed))));
    let mut world = worked(1, 2.5);
    world.log.clear();
    let mut h = bench(world);
    h.get_by_label("Hear removed").click();
    h.run_steps(2);
    assert!(!h.state().log.iter().any(|c| matches!(c, Command::Sound(_))), "nothing was cleaned");
}

#[test]
fn read_only_changes_nothing() {
    let mut world = cleaned(1);
    world.read_only = true;
    let mut h = bench(world);
    for name in ["Remove hum", "Lock this take's cleaning", "Room tone: all together", "Mark room tone"] {
        h.get_by_label(name).click();
        h.run_steps(1);
    }
    let (at, _) = slider(&h, "Room tone end");
    let end = drag(&mut h, at, vec2(-30.0, 0.0));
    let_go(&mut h, end);
    assert!(
        !h.state()
            .log
            .iter()
            .any(|c| matches!(c, Command::Edit(EditCommand::Do { .. } | EditCommand::Preview(_))))
    );
}

/// In a window of common size the column is longer than it: a click on a heading's name brings it up.
#[test]
fn a_part_of_the_column_is_brought_into_view() {
    let mut h = Harness::builder()
        .with_size(vec2(1280.0, 760.0))
        .with_step_dt(1.0 / 60.0)
        .build_ui_state(|ui, world: &mut World| world.pass(ui), cleaned(1));
    h.run_steps(3);
    let seen = |h: &Bench<'_>| h.query_by_label("Cleaning").map(|n| n.rect().center().y);
    assert!(seen(&h).is_none_or(|y| y > 760.0), "it is below the window at first");
    h.get_by_label("Show cleaning").click();
    h.run_steps(40);
    assert!(seen(&h).is_some_and(|y| y < 700.0), "{:?}", seen(&h));
    assert!(h.state().log.is_empty(), "nothing was changed");
}

#[test]
fn the_line_of_the_curve_is_dragged_in_one_step() {
    let mut h = bench(cleaned(1));
    let before = clean(&h).curve;
    // Between two nodes the curve is straight over the logarithm of the frequency, as it is drawn.
    let ((a, _), (b, _)) = (slider(&h, "Reduction node 1"), slider(&h, "Reduction node 2"));
    let at = a + (b - a) * 0.5;
    let end = drag(&mut h, at, vec2(0.0, 18.0));
    assert_eq!((clean(&h).curve.nodes.len(), labels(&h).len()), (before.nodes.len() + 1, 0));
    let_go(&mut h, end);
    let after = clean(&h).curve;
    assert_eq!(labels(&h), ["Bend reduction curve"]);
    assert_eq!((after.nodes[0], after.nodes[2]), (before.nodes[0], before.nodes[1]));
    let (node, _) = slider(&h, "Reduction node 2");
    assert!((node - end).length() < 8.0, "under the hand: {node} {end}");
    // Escape gives it up.
    let (a, _) = slider(&h, "Reduction node 2");
    let (b, _) = slider(&h, "Reduction node 3");
    let end = drag(&mut h, a + (b - a) * 0.5, vec2(0.0, 12.0));
    assert_eq!(clean(&h).curve.nodes.len(), after.nodes.len() + 1);
    h.key_press(Key::Escape);
    h.run_steps(2);
    let_go(&mut h, end);
    assert_eq!((clean(&h).curve, labels(&h).len()), (after, 1));
}

/// Names stand whole beside their sliders.
#[test]
fn no_name_runs_under_its_slider() {
    let h = bench(cleaned(1));
    for name in ["Amount", "Most reduction", "High-pass", "Offset"] {
        let slider = h.get_by_role_and_label(Role::Slider, name).rect();
        let row = slider.with_min_x(slider.left() - 140.0).expand(4.0);
        let texts = painted_support::texts(&painted_support::touching(h.output(), row), name);
        assert_eq!(texts.len(), 1, "{name}");
        let right = texts[0].visual_bounding_rect().right();
        assert!(right < slider.left(), "{name}: {right} {slider}");
    }
}

/// The same range as the signal processing takes, in the window as in the command.
#[test]
fn a_high_pass_reaches_from_5_to_1000_hz() {
    let mut h = bench(cleaned(1));
    for (typed, wanted) in [("1000", 1_000.0), ("1 kHz", 1_000.0), ("5", 5.0), ("off", 0.0)] {
        bench_support::type_number(&mut h, "High-pass", typed);
        assert_eq!(clean(&h).high_pass_hz, wanted, "{typed}");
        clean(&h).params().check().unwrap();
    }
    bench_support::type_number(&mut h, "High-pass", "2 kHz");
    assert!(h.query_by_label_contains("“2 kHz” is not within off to 1.00 kHz").is_some());
}
