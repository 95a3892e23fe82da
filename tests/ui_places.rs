//! On the bench nothing moves from under the hands by what there is to say, and what is wrong with a take
//! is put right where it is told.

mod bench_support;

use std::sync::Arc;

use bench_support::{TAKE, World, concern, worked};
use egui::accesskit::Role;
use egui::{Rect, vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable as _;
use seamwright::app::derived::{Derived, FromRecipe};
use seamwright::session::{History, Take};
use seamwright::units::MidiNote;

type Bench = Harness<'static, World>;

fn bench(world: World) -> Bench {
    let mut h = Harness::builder()
        .with_size(vec2(1280.0, 1000.0))
        .with_step_dt(1.0 / 60.0)
        .build_ui_state(|ui, world: &mut World| world.pass(ui), world);
    h.run_steps(4);
    h
}

fn change(world: &mut World, f: impl Fn(&mut Take)) {
    let mut d = (**world.history.document()).clone();
    f(Arc::make_mut(&mut d.takes[0]));
    world.history = History::new(d);
}

/// Where things stand that a hand goes back to.
fn places(h: &Bench) -> Vec<Rect> {
    let buttons = ["Copy length to the other layers", "Remove the loop", "Accept", "Loop map", "Spectra"];
    let mut found: Vec<_> = buttons.map(|name| h.get_by_role_and_label(Role::Button, name).rect()).to_vec();
    found.extend(h.query_all_by_role(Role::SpinButton).map(|n| n.rect()));
    found
}

#[test]
fn what_is_wrong_or_heard_moves_nothing() {
    let mut h = bench(worked(1, 3.0));
    let before = places(&h);
    assert!(before.len() > 8, "{before:?}");
    change(h.state_mut(), |t| t.concerns = vec![concern(); 3]);
    h.run_steps(4);
    assert_eq!(places(&h), before, "three concerns");
    // Whole: nothing of them has to be scrolled to.
    let window = Rect::from_min_size(egui::Pos2::ZERO, h.ctx.content_rect().size());
    let concerns: Vec<Rect> = h.query_all_by_label_contains("above the room").map(|n| n.rect()).collect();
    assert_eq!(concerns.len(), 3);
    assert!(concerns.iter().all(|r| window.contains_rect(*r)), "{concerns:?}");
    change(h.state_mut(), |t| t.concerns = vec![]);
    h.run_steps(4);
    h.get_by_label("No concerns");
    assert_eq!(places(&h), before, "no concern");
    // The seam as it was measured, and before anybody measured it.
    h.get_by_label_contains("Seam: ");
    let entry = h.state().derived.of(TAKE).unwrap().clone();
    let mut unheard = Derived::default();
    *unheard.entry(TAKE) = entry.clone();
    unheard.entry(TAKE).recipe = entry.recipe.map(|r| FromRecipe { audit: None, ..r });
    h.state_mut().derived = unheard;
    h.run_steps(4);
    h.get_by_label_contains("Seam: not measured");
    assert_eq!(places(&h), before, "not measured");
}

#[test]
fn a_take_that_stands_at_a_wrong_place_is_put_right_on_the_bench() {
    for button in ["Place it at A3", "Move its sound to B3"] {
        let mut world = worked(1, 3.0);
        change(&mut world, |t| t.note = Some(MidiNote(59)));
        let mut h = bench(world);
        assert!(h.state().take().goes_elsewhere().is_some());
        h.get_by_label(button).click();
        h.run_steps(3);
        assert_eq!(h.state().history.labels().count(), 1, "{button}: one step");
        assert_eq!(h.state().take().goes_elsewhere(), None, "{button}");
        assert!(h.query_by_label(button).is_none(), "nothing is left to do");
    }
}

/// What decides about a take is seen without scrolling: at 1280 × 800 points, and where half as much again is
/// wanted (854 × 533 points), with the column scrolled to its end.
#[test]
fn what_decides_is_in_view_without_scrolling() {
    for size in [vec2(1280.0, 800.0), vec2(854.0, 533.0)] {
        let mut h = bench(worked(1, 3.0));
        h.set_size(size);
        h.run_steps(4);
        let window = Rect::from_min_size(egui::Pos2::ZERO, size);
        let score = h.state().recipe().looping.unwrap().score;
        let names = ["Accept", "Set aside", &format!("score {score:.0} of 100"), "Loop", "Seam: "];
        let places = |h: &Bench| -> Vec<Rect> {
            names.iter().flat_map(|n| h.query_all_by_label_contains(n).next()).map(|n| n.rect()).collect()
        };
        let before = places(&h);
        assert_eq!(before.len(), names.len(), "{size}");
        assert!(before.iter().all(|r| window.contains_rect(*r)), "{size}: {before:?}");
        // Its length, in periods too: 220 to a second.
        let length = h.query_all_by_label_contains(" periods").next().unwrap();
        assert!(window.contains_rect(length.rect()), "{size}");
        // However far the rest is scrolled.
        h.get_by_label("Show cleaning").click();
        h.run_steps(20);
        assert_eq!(places(&h), before, "{size}");
    }
}
