//! The bench room as its user works it: mouse, keys and screen reader against the commands that
//! come out.

#[path = "../bench_support/mod.rs"]
mod bench_support;
mod fields;
mod handles;
mod layers;
#[path = "../painted_support/mod.rs"]
mod painted_support;
mod room;
mod strength;

use bench_support::{TAKE, World, bare, concern, note, worked};
use egui::Role;
use egui::{Event, Key, Modifiers, PointerButton, Pos2, vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT, Queryable};
use seamwright::app::command::{Command, EditCommand, SoundCommand, WorkCommand};
use seamwright::app::widgets::time_axis::TimeRange;
use seamwright::session::{Edit, History, LoopRecipe, TakeState};

type Bench<'a> = Harness<'a, World>;

fn bench<'a>(world: World) -> Bench<'a> {
    let mut h = Harness::builder()
        .with_size(vec2(1280.0, 800.0))
        .with_step_dt(1.0 / 60.0)
        .build_ui_state(|ui, world: &mut World| world.pass(ui), world);
    h.run_steps(2);
    h
}

/// A bench with a finished take that shows its loop, so that the handles stand far apart.
fn at_the_loop<'a>() -> Bench<'a> {
    let mut h = bench(worked(1, 3.0));
    h.get_by_label("Fit loop").click();
    h.run_steps(3);
    h.state_mut().log.clear();
    h
}

fn edits(h: &Bench<'_>) -> Vec<EditCommand> {
    h.state()
        .log
        .iter()
        .filter_map(|c| if let Command::Edit(e) = c { Some(e.clone()) } else { None })
        .collect()
}

fn handle_pos(h: &Bench<'_>, name: &str) -> Pos2 {
    h.get_by_role_and_label(Role::Slider, name).rect().center()
}

fn numeric(h: &Bench<'_>, name: &str) -> f64 {
    h.get_by_role_and_label(Role::Slider, name).accesskit_node().numeric_value().unwrap()
}

fn press(h: &mut Bench<'_>, at: Pos2) {
    h.hover_at(at);
    h.step();
    h.event(Event::PointerButton {
        pos: at,
        button: PointerButton::Primary,
        pressed: true,
        modifiers: Modifiers::NONE,
    });
    h.step();
}

fn creep(h: &mut Bench<'_>, from: Pos2, points: i32) -> Pos2 {
    let mut at = from;
    for _ in 0..points.abs() {
        at.x += points.signum() as f32;
        h.hover_at(at);
        h.step();
    }
    at
}

fn release(h: &mut Bench<'_>, at: Pos2) {
    h.event(Event::PointerButton {
        pos: at,
        button: PointerButton::Primary,
        pressed: false,
        modifiers: Modifiers::NONE,
    });
    h.run_steps(2);
}

fn focus(h: &mut Bench<'_>, name: &str) {
    h.get_by_role_and_label(Role::Slider, name).focus();
    h.run_steps(2);
    h.state_mut().log.clear();
}

fn looping(h: &Bench<'_>) -> LoopRecipe {
    h.state().recipe().looping.unwrap()
}
