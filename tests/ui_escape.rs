//! Escape gives up every drag of the bench: whatever is dragged, the document is as it was before the hand took
//! hold of it, stays so while the hand moves on and lets go, and no step of undo is made.

mod bench_support;

use std::sync::Arc;

use bench_support::{TAKE, World, made, worked};
use egui::{Key, Role, Vec2, vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use seamwright::session::{CleanRecipe, History};

type Bench<'a> = Harness<'a, World>;

/// A looped, cleaned take; the window is high enough that the whole side column shows.
fn bench<'a>() -> Bench<'a> {
    let mut world = worked(1, 3.0);
    let mut d = (**world.history.document()).clone();
    let sound = world.derived.of(TAKE).unwrap().source.clone().unwrap();
    let recipe = Arc::make_mut(&mut d.takes[0]).recipe.as_mut().unwrap();
    recipe.clean = CleanRecipe::full();
    world.derived.entry(TAKE).recipe = Some(made(&sound, &recipe.clone(), &d.setup));
    world.history = History::new(d);
    let mut h = Harness::builder()
        .with_size(vec2(1400.0, 3000.0))
        .with_step_dt(1.0 / 60.0)
        .build_ui_state(|ui, world: &mut World| world.pass(ui), world);
    h.run_steps(3);
    h
}

/// Drags what has this role and name by `by`, presses Escape while the button is down, moves on and lets go.
fn dragged_and_given_up(role: Role, name: &str, by: Vec2) {
    let mut h = bench();
    let rect = h.get_by_role_and_label(role, name).rect();
    // A slider with a field is taken hold of in its middle, which is where its value stands or goes to.
    let from = rect.center();
    let before = Arc::clone(h.state().history.document());
    h.hover_at(from);
    h.step();
    h.drag_at(from);
    h.step();
    let mut at = from;
    for i in 1..=16 {
        at = from + by * (i as f32 / 16.0);
        h.hover_at(at);
        h.step();
    }
    let shown = Arc::clone(h.state().history.document());
    assert_ne!(*shown, *before, "{name}: it is shown while it is dragged");
    assert_eq!(h.state().history.labels().count(), 0, "{name}: a drag is no step yet");
    h.key_press(Key::Escape);
    h.step();
    assert_eq!(**h.state().history.document(), *before, "{name}: Escape takes it back at once");
    for i in 1..=4 {
        h.hover_at(at + by * (i as f32 / 8.0));
        h.step();
    }
    h.drop_at(at + by * 0.5);
    h.run_steps(3);
    assert_eq!(**h.state().history.document(), *before, "{name}: it stays so");
    assert_eq!(h.state().history.labels().count(), 0, "{name}: and is no step");
}

#[test]
fn handles_of_the_lanes() {
    for (name, by) in [
        ("In point", vec2(12.0, 0.0)),
        ("Out point", vec2(-12.0, 0.0)),
        ("Onset", vec2(10.0, 0.0)),
        ("Loop start", vec2(14.0, 0.0)),
        ("Loop end", vec2(-14.0, 0.0)),
        ("Fade in", vec2(12.0, 0.0)),
        ("Fade out", vec2(-24.0, 0.0)),
        ("Room tone start", vec2(14.0, 0.0)),
        ("Room tone end", vec2(-14.0, 0.0)),
    ] {
        dragged_and_given_up(Role::Slider, name, by);
    }
}

#[test]
fn nodes_of_the_curves() {
    for name in ["Strength node 1", "Strength node 2", "Reduction node 1", "Reduction node 2"] {
        let up = if name.ends_with('2') && name.starts_with('S') { 20.0 } else { -20.0 };
        dragged_and_given_up(Role::Slider, name, vec2(3.0, up));
    }
}

#[test]
fn sliders_of_the_side_column() {
    for name in ["Offset", "Centre", "Drift", "Vibrato", "Gain", "Amount", "Most reduction", "High-pass"] {
        dragged_and_given_up(Role::Slider, name, vec2(24.0, 0.0));
    }
}

#[test]
fn numbers_of_the_side_column() {
    for (name, by) in [
        ("Start in frames", 24.0),
        ("Start in seconds", 24.0),
        ("End in frames", -24.0),
        ("End in seconds", -24.0),
        ("Length in seconds", -24.0),
        ("Length in periods", -24.0),
        ("Crossfade", -24.0),
        ("Fade in", 24.0),
        ("Fade out", -24.0),
        ("Shortest", 24.0),
        ("Longest", -24.0),
        ("Target note", 40.0),
    ] {
        dragged_and_given_up(Role::SpinButton, name, vec2(by, 0.0));
    }
}
