//! Looking through takes: what a wrong note says, what is selected first, list, filters and the table of
//! tuning, messages, going on after a decision.

mod sheet_support;
#[path = "sheet_support/window.rs"]
mod window;

use std::sync::Arc;

use egui::accesskit::Role;
use egui::{Key, Modifiers, vec2};
use egui_kittest::kittest::{NodeT as _, Queryable as _};
use seamwright::app::command::Room;
use seamwright::app::triage::{Form, Order};
use seamwright::render::plan::plan;
use seamwright::session::{Concern, ConcernKind, Document, TakeState};
use seamwright::units::{Hertz, MidiNote};
use sheet_support::recipe;
use window::{Window, three};

use TakeState::{Accepted, Proposed, SetAside};

/// A take that stands at C4 and is tuned to the D4 that it sounds.
fn with_a_wrong_note() -> Document {
    let mut d = three();
    let t = Arc::make_mut(&mut d.takes[0]);
    (t.sounds, t.f0) = (Some(MidiNote(62)), Some(Hertz(293.66)));
    t.recipe = Some(recipe(MidiNote(62), 90.0));
    t.concerns = vec![Concern::new(ConcernKind::WrongNote, "named C4, sounds D4: a whole tone above")];
    d
}

#[test]
fn a_wrong_note_says_where_it_goes_in_cell_list_and_delivery_and_is_put_right() {
    let mut w = Window::of(with_a_wrong_note(), vec2(1280.0, 800.0));
    assert!(w.says("C4, layer 1: proposed, loop 90, wrong note, goes out as D4"));
    assert!(w.says("It stands at C4 and goes out as D4"), "and what that means beside it");
    w.press("List");
    assert!(w.says("Concern goes out as D4, wrong note"));
    w.press("Cells");
    w.key(Key::Y);
    let remarks = plan(w.document()).remarks;
    assert!(remarks.iter().any(|r| r.contains("C4, layer 1: goes out as D4")), "{remarks:?}");
    w.key(Key::Num4);
    w.steps(4);
    assert!(w.says("C4, layer 1: goes out as D4"), "the deliver room says so");
    w.key(Key::Num1);
    // One way out: its place follows its sound.
    w.press("Place it at D4");
    assert_eq!(w.place(1), (Some(62), 0));
    assert!(!w.says("goes out as"));
    assert!(plan(w.document()).remarks.iter().all(|r| !r.contains("goes out as")));
    w.undo();
    // The other: its sound follows its place.
    w.press("Move its sound to C4");
    let tune = &w.take(1).recipe.as_ref().unwrap().tune;
    assert_eq!((tune.target, tune.moved), (MidiNote(60), -2));
    assert!(w.says("moved down to C4") && !w.says("goes out as"));
    w.undo();
    assert!(w.says("goes out as D4"));
    // What is set aside goes nowhere.
    w.key(Key::D);
    assert!(!w.says("goes out as"));
}

#[test]
fn what_needs_a_look_first_is_selected_first() {
    let mut d = three();
    for i in [0, 1, 2] {
        Arc::make_mut(&mut d.takes[i]).state = Accepted;
    }
    assert_eq!(Window::of(d, vec2(1280.0, 800.0)).selected(), 4);
    let mut d = three();
    d.takes.iter_mut().for_each(|t| Arc::make_mut(t).state = SetAside);
    assert_eq!(Window::of(d, vec2(1280.0, 800.0)).selected(), 1, "where nothing does: the first");
}

#[test]
fn the_table_of_tuning_goes_by_the_filter() {
    let mut d = three();
    Arc::make_mut(&mut d.takes[3]).state = Accepted;
    let mut w = Window::of(d, vec2(1280.0, 800.0));
    w.press("Tuning");
    assert!(w.says("Note C4, layer 1") && w.says("Flatten all takes by"));
    w.0.get_by_label("Show states").click();
    w.steps(4);
    w.press("accepted (1)");
    assert!(w.says("Note C#4, layer 1") && !w.says("Note C4, layer 1"));
    assert!(w.says("Flatten takes shown by") && w.says("Set for 1 take"));
}

#[test]
fn a_message_moves_nothing_and_goes_by_itself() {
    let mut w = Window::three();
    let before = w.at("C4, layer 2");
    let focus = w.at("D4, layer 2");
    // Nothing to keep: said in words.
    w.key(Key::U);
    assert!(w.says("this take is the only one"), "it is said");
    assert_eq!((w.at("C4, layer 2"), w.at("D4, layer 2")), (before, focus), "and nothing moved");
    w.steps(60 * 20);
    assert!(w.says("this take is the only one"), "what went wrong stays");
    w.key(Key::Y);
    assert!(!w.says("this take is the only one"), "until something is done that works");
    // What only tells goes after a while.
    for _ in 0..9 {
        w.key(Key::N);
        w.key(Key::D);
    }
    w.key(Key::N);
    assert!(w.says("Nothing left to look at"));
    assert_eq!(w.at("C4, layer 2"), before);
    w.steps(60 * 8);
    assert!(!w.says("Nothing left to look at"));
}

fn with_concerns() -> Document {
    let mut d = three();
    let mut concern = |id: usize, kind| {
        Arc::make_mut(&mut d.takes[id - 1]).concerns = vec![Concern::new(kind, "It is so.")];
    };
    concern(3, ConcernKind::Noisy);
    concern(5, ConcernKind::WrongNote);
    concern(8, ConcernKind::Noisy);
    d
}

/// The ids of the list's rows from top to bottom.
fn rows(w: &Window) -> Vec<u32> {
    let mut rows: Vec<(f32, u32)> = Vec::new();
    for t in &w.document().takes {
        let level = format!("Level −{:.1} dB", 18.0 + f64::from(t.id.0));
        let found = w.0.query_all_by(|n| {
            n.role() == Role::ListBoxOption && n.label().is_some_and(|l| l.ends_with(&level))
        });
        rows.extend(found.map(|n| (n.rect().top(), t.id.0)));
    }
    rows.sort_by(|a, b| a.0.total_cmp(&b.0));
    rows.into_iter().map(|r| r.1).collect()
}

#[test]
fn the_list_sorts_and_selects_and_keys_go_along_it() {
    let mut w = Window::of(with_concerns(), vec2(1280.0, 800.0));
    w.press("List");
    assert_eq!(rows(&w), [1, 2, 3, 4, 5, 6, 7, 8, 9]);
    assert!(w.says("C#4, layer 2: proposed, Concern wrong note, Score 5, Centre 0.0 cents, Level −23.0 dB"));
    w.press("Sort by Score");
    w.press("Sort by Score");
    assert_eq!(rows(&w), [8, 7, 6, 5, 4, 3, 2, 1, 9], "without a loop it stands last");
    w.press("Sort by State");
    assert_eq!(rows(&w), [5, 3, 8, 1, 2, 4, 6, 7, 9]);
    assert_eq!(w.0.state().triage().listing.order, Order::Look);
    w.key(Key::Home);
    assert_eq!(w.selected(), 5);
    w.keys(Modifiers::SHIFT, Key::ArrowDown);
    w.keys(Modifiers::SHIFT, Key::ArrowDown);
    assert_eq!(w.chosen(), [3, 5, 8]);
    w.key(Key::D);
    assert_eq!(w.states(&[3, 5, 8]), [SetAside; 3]);
    w.undo();
    w.key(Key::End);
    assert_eq!(w.selected(), 9);
    // The next to look at is the next row, and after the last comes the first.
    w.key(Key::N);
    assert_eq!(w.selected(), 5);
    w.key(Key::Enter);
    assert_eq!(w.0.state().room(), Room::Bench);
}

#[test]
fn a_filter_dims_the_cells_and_keys_pass_them_by() {
    let mut w = Window::of(with_concerns(), vec2(1280.0, 800.0));
    w.press("Show concerns");
    w.press("noisy (2)");
    assert!(w.says("2 of 9 shown"));
    assert!(w.says("C4, layer 1: proposed, loop 1, left out by the filter"));
    w.key(Key::N);
    assert_eq!(w.selected(), 3);
    w.key(Key::N);
    assert_eq!(w.selected(), 8);
    w.keys(Modifiers::COMMAND, Key::A);
    assert_eq!(w.chosen(), [3, 8], "all that are shown");
    w.key(Key::Y);
    assert_eq!(w.steps_done(), ["Accept 2 takes"]);
    w.key(Key::N);
    assert!(w.says("7 takes that the filter leaves out still wait"));
    w.press("Hide other notes");
    assert!(!w.says("C#4, layer 1"), "of C#4 none is noisy");
    w.press("List");
    assert_eq!(rows(&w), [3, 8]);
    w.press("Show all");
    assert_eq!(rows(&w).len(), 9);
    assert_eq!(w.0.state().triage().listing.form, Form::List);
    w.press("Show states");
    w.press("missing (1)");
    assert!(w.says("D4, layer 3: missing; nobody played it"));
}

#[test]
fn what_the_filter_leaves_out_is_not_decided_about() {
    let mut w = Window::of(with_concerns(), vec2(1280.0, 800.0));
    w.click("C4, layer 1", Modifiers::NONE);
    w.click("C4, layer 3", Modifiers::COMMAND);
    w.click("C4, layer 2", Modifiers::COMMAND);
    assert_eq!((w.selected(), w.chosen()), (2, vec![1, 2, 3]));
    w.press("Show concerns");
    w.press("noisy (2)");
    // Of several, what is seen counts.
    assert!(w.says("1 take selected"));
    w.key(Key::D);
    assert_eq!(w.states(&[1, 2, 3]), [Proposed, Proposed, SetAside]);
    w.undo();
    w.press("Show all");
    assert_eq!(w.chosen(), [1, 2, 3], "the filter only hides");
    // One that is hidden stays selected, and it is said; nothing is done to it.
    w.click("C4, layer 1", Modifiers::NONE);
    w.press("Show concerns");
    w.press("noisy (2)");
    assert_eq!(w.selected(), 1);
    assert!(w.says("The filter leaves this take out of the sheet"));
    let accept = w.0.get_by_role_and_label(Role::Button, "Accept");
    assert!(accept.accesskit_node().is_disabled());
    let before = w.document().clone();
    for key in [Key::Y, Key::D, Key::B, Key::U, Key::P, Key::L, Key::K] {
        w.key(key);
        assert_eq!(*w.document(), before, "{key:?}");
    }
    assert!(w.says("C4, layer 1 is selected, but the filter leaves it out"));
    assert!(w.steps_done().is_empty());
    // The keys go on among what is seen; on the bench the take itself is seen.
    w.key(Key::N);
    assert_eq!(w.selected(), 3);
    w.key(Key::Y);
    assert_eq!(w.states(&[3]), [Accepted]);
    w.click("C4, layer 1", Modifiers::NONE);
    w.press("Show it again");
    assert_eq!(w.selected(), 1);
    assert!(!w.says("The filter leaves this take out"));
    w.key(Key::Y);
    assert_eq!(w.states(&[1]), [Accepted]);
}

#[test]
fn a_range_counts_from_the_last_click_and_joins_with_both_keys() {
    let mut w = Window::three();
    let both = Modifiers::COMMAND | Modifiers::SHIFT;
    w.click("C4, layer 1", Modifiers::NONE);
    w.click("D4, layer 1", Modifiers::COMMAND);
    w.click("D4, layer 2", both);
    assert_eq!(w.chosen(), [1, 7, 8], "what was picked stays");
    w.click("C#4, layer 2", both);
    assert_eq!(w.chosen(), [1, 4, 5, 7, 8], "still from where the last one was picked");
    w.click("C#4, layer 1", Modifiers::SHIFT);
    assert_eq!(w.chosen(), [4, 7], "with Shift alone the range and nothing else");
    w.press("List");
    w.click_row("C4, layer 1", Modifiers::NONE);
    w.click_row("C#4, layer 1", Modifiers::COMMAND);
    w.click_row("C#4, layer 3", both);
    assert_eq!(w.chosen(), [1, 4, 5, 6]);
    w.click_row("C4, layer 3", Modifiers::SHIFT);
    assert_eq!(w.chosen(), [3, 4]);
}

#[test]
fn what_is_typed_after_move_takes_the_place_of_what_stood_there() {
    let mut w = Window::three();
    w.click("C4, layer 2", Modifiers::NONE);
    w.key(Key::M);
    w.0.event(egui::Event::Text("Eb4".into()));
    w.steps(2);
    w.key(Key::Enter);
    assert_eq!(w.place(2), (Some(63), 1));
}

#[test]
fn an_empty_undo_list_says_why() {
    let mut w = Window::three();
    w.keys(Modifiers::COMMAND, Key::U);
    assert!(w.says("Nothing was changed since this session was opened"));
    // Its own key closes it: while it is open letters decide nothing.
    w.keys(Modifiers::COMMAND, Key::U);
    w.key(Key::Y);
    w.keys(Modifiers::COMMAND, Key::U);
    assert!(!w.says("Nothing was changed since") && w.says("A click takes back or makes again"));
}

#[test]
fn going_on_by_itself_goes_through_all_and_undo_comes_back() {
    let mut w = Window::three();
    w.key(Key::Y);
    assert_eq!(w.selected(), 1, "it stays unless it is wished for");
    w.undo();
    w.keys(Modifiers::SHIFT, Key::N);
    assert!(w.0.state().settings().get().go_on);
    for (key, next) in [(Key::Y, 2), (Key::D, 3), (Key::Y, 4)] {
        w.key(key);
        assert_eq!(w.selected(), next);
    }
    assert_eq!(w.states(&[1, 2, 3]), [Accepted, SetAside, Accepted]);
    // Undo shows what it took back; deciding again goes on from there.
    w.undo();
    assert_eq!((w.selected(), w.states(&[3])), (3, vec![Proposed]));
    w.undo();
    assert_eq!((w.selected(), w.states(&[2])), (2, vec![Proposed]));
    w.key(Key::Y);
    assert_eq!(w.selected(), 3);
    // A take that cannot be accepted stays in view.
    w.click("take 9 without a note", Modifiers::NONE);
    w.key(Key::Y);
    assert_eq!(w.selected(), 9);
}
