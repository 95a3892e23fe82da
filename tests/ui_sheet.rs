//! The sheet room over many takes: several selected at once, takes dragged to another cell, which of
//! several takes is kept, keys, the menu; in three sizes of window.

mod sheet_support;
#[path = "sheet_support/window.rs"]
mod window;

use std::sync::Arc;

use egui::accesskit::Role;
use egui::{Key, Modifiers, Pos2, vec2};
use egui_kittest::kittest::{NodeT as _, Queryable as _};
use seamwright::app::command::Room;
use seamwright::render::plan::plan;
use seamwright::session::{ConcernKind, TakeState};
use window::{Window, full, three};

use TakeState::{Accepted, New, Proposed, SetAside};

#[test]
fn several_are_accepted_and_taken_back_in_one_step() {
    let mut w = Window::three();
    w.click("C4, layer 1", Modifiers::NONE);
    w.click("C#4, layer 2", Modifiers::SHIFT);
    assert_eq!(w.chosen(), [1, 2, 4, 5], "the cells between the corners");
    w.click("D4, layer 1", Modifiers::COMMAND);
    w.click("C4, layer 2", Modifiers::COMMAND);
    assert_eq!(w.chosen(), [1, 4, 5, 7]);
    assert!(w.says("4 takes selected"));
    assert!(w.told_selected("C4, layer 1") && w.told_selected("D4, layer 1"));
    assert!(!w.told_selected("C4, layer 2"));
    w.key(Key::Y);
    assert_eq!(w.states(&[1, 4, 5, 7]), [Accepted; 4]);
    assert_eq!(w.states(&[2, 3, 6, 8]), [Proposed; 4]);
    assert_eq!(w.steps_done(), ["Accept 4 takes"]);
    assert!(w.says("4 of 9 takes decided") && w.says("4 accepted · 1 missing"));
    w.undo();
    assert_eq!(w.states(&[1, 4, 5, 7]), [Proposed; 4]);
    // The buttons do the same.
    w.press("Set all aside");
    assert_eq!(w.states(&[1, 4, 5, 7]), [SetAside; 4]);
    w.press("Decide later about all");
    assert_eq!(w.states(&[1, 4, 5, 7]), [Proposed; 4]);
    assert_eq!(w.steps_done().len(), 2);
    // Escape leaves the one that all rooms show.
    let one = w.selected();
    w.key(Key::Escape);
    assert_eq!(w.chosen(), [one]);
    assert!(!w.says("takes selected"));
}

#[test]
fn what_cannot_be_accepted_is_passed_by_and_said() {
    let mut d = three();
    let t = Arc::make_mut(&mut d.takes[1]);
    (t.recipe, t.state) = (None, New);
    let mut w = Window::of(d, vec2(1280.0, 800.0));
    w.keys(Modifiers::COMMAND, Key::A);
    assert_eq!(w.chosen(), [1, 2, 3, 4, 5, 6, 7, 8, 9]);
    w.key(Key::Y);
    assert_eq!(w.states(&[1, 2, 3, 9]), [Accepted, New, Accepted, Proposed]);
    assert!(w.says("2 takes stay as they are: they have no recipe or no note yet"));
    // In the other rooms a key is about the one take that is seen.
    w.key(Key::Num2);
    w.key(Key::D);
    assert_eq!(w.states(&[1, 3, 4]), [SetAside, Accepted, Accepted]);
}

#[test]
fn shift_and_arrows_select_on_the_way_and_all_get_a_layer() {
    let mut w = Window::three();
    w.keys(Modifiers::SHIFT, Key::ArrowRight);
    w.keys(Modifiers::SHIFT, Key::ArrowDown);
    assert_eq!(w.chosen(), [1, 2, 4, 5]);
    w.keys(Modifiers::SHIFT, Key::ArrowLeft);
    assert_eq!(w.chosen(), [1, 4], "it shrinks as it grew");
    w.key(Key::M);
    w.0.get_by_role_and_label(Role::TextInput, "Layer for all").type_text("3");
    w.steps(2);
    w.key(Key::Enter);
    assert_eq!([w.place(1), w.place(4)], [(Some(60), 2), (Some(61), 2)]);
    assert_eq!(w.steps_done(), ["Layer 3 for 2 takes"]);
    w.undo();
    assert_eq!([w.place(1), w.place(4)], [(Some(60), 0), (Some(61), 0)]);
    w.0.get_by_role_and_label(Role::TextInput, "Note for all").focus();
    w.steps(2);
    w.0.get_by_role_and_label(Role::TextInput, "Note for all").type_text("H");
    w.steps(2);
    w.key(Key::Enter);
    assert!(w.says("“H” is no note"));
    assert_eq!(w.steps_done().len(), 0);
}

#[test]
fn a_take_is_dragged_to_an_empty_cell_and_back_by_undo() {
    let mut w = Window::three();
    w.key(Key::Y);
    let name = |w: &Window| plan(w.document()).names[0].path.clone();
    assert!(name(&w).contains("C4 1"), "{}", name(&w));
    let to = w.at("D4, layer 3: missing");
    w.drag("C4, layer 1", to);
    assert_eq!(w.place(1), (Some(60), 0), "not before it is let go");
    w.let_go(to);
    assert_eq!(w.place(1), (Some(62), 2));
    assert_eq!(w.selected(), 1);
    assert_eq!(w.steps_done(), ["Accept C4, layer 1", "Move C4, layer 1 to D4, layer 3"]);
    assert!(w.says("C4, layer 1: missing") && w.says("D4, layer 3: accepted"));
    assert!(name(&w).contains("D4 3"), "the name on disk follows: {}", name(&w));
    w.undo();
    assert_eq!(w.place(1), (Some(60), 0));
}

/// What a move does to the sound is said, with the way back.
#[test]
fn a_move_that_changes_what_will_sound_says_so() {
    let mut w = Window::three();
    w.press("I have read this");
    let to = w.at("D4, layer 3: missing");
    w.drag("C4, layer 1", to);
    w.let_go(to);
    let told = "C4, layer 1 now stands at D4 and will be moved up 2 semitones to it. Ctrl+Z takes it back";
    assert!(w.says(told));
    w.undo();
    assert!(!w.says("now stands at"), "it is so no more");
    // An octave by a typed note.
    w.click("C4, layer 1", Modifiers::NONE);
    w.key(Key::M);
    w.0.get_by_role_and_label(Role::TextInput, "Note").type_text("C3");
    w.steps(2);
    w.key(Key::Enter);
    assert_eq!(w.place(1), (Some(48), 0));
    assert!(w.says("C4, layer 1 now stands at C3 and will be moved down 12 semitones to it"));
    assert!(w.says("placed as C3, sounds C4 (+12 semitones)"));
    w.undo();
    // Another layer changes nothing that sounds.
    let to = w.at("D4, layer 3: missing");
    w.drag("D4, layer 1", to);
    w.let_go(to);
    assert_eq!(w.place(7), (Some(62), 2));
    assert!(!w.says("now stands at"));
}

#[test]
fn several_selected_takes_are_dragged_together_in_one_step() {
    let mut w = Window::of(full(4, 3), vec2(1280.0, 800.0));
    // C4: 1 2 3; C#4: 4 5 6; D4: 7 8 9; D#4: 10 11 12.
    w.click("C4, layer 1", Modifiers::NONE);
    w.click("C#4, layer 1", Modifiers::COMMAND);
    assert_eq!(w.chosen(), [1, 4]);
    let to = w.at("D#4, layer 2");
    w.drag("C#4, layer 1", to);
    w.let_go(to);
    assert_eq!([w.place(1), w.place(4)], [(Some(62), 1), (Some(63), 1)], "two rows down, one layer on");
    assert_eq!(w.place(2), (Some(60), 1), "the others stay");
    assert_eq!(w.chosen(), [1, 4], "they stay selected");
    assert_eq!(w.steps_done(), ["Move 2 takes, the first to D#4, layer 2"]);
    w.undo();
    assert_eq!([w.place(1), w.place(4)], [(Some(60), 0), (Some(61), 0)]);
    // One that is not selected goes alone, Escape leaves all.
    let to = w.at("D4, layer 2");
    w.drag("D4, layer 3", to);
    w.let_go(to);
    assert_eq!((w.place(9), w.place(1)), ((Some(62), 1), (Some(60), 0)));
    w.undo();
    w.click("C4, layer 1", Modifiers::NONE);
    w.click("C#4, layer 1", Modifiers::COMMAND);
    let to = w.at("D4, layer 2");
    w.drag("C4, layer 1", to);
    w.key(Key::Escape);
    w.let_go(to);
    assert_eq!([w.place(1), w.place(4)], [(Some(60), 0), (Some(61), 0)]);
}

#[test]
fn a_drag_is_given_up_by_escape_and_by_letting_go_elsewhere() {
    let mut w = Window::three();
    let to = w.at("D4, layer 3: missing");
    w.drag("C4, layer 1", to);
    w.key(Key::Escape);
    w.let_go(to);
    assert_eq!(w.place(1), (Some(60), 0));
    let home = w.at("C4, layer 1");
    w.drag("C4, layer 1", to);
    w.0.hover_at(home);
    w.steps(1);
    w.let_go(home);
    let outside = Pos2::new(1270.0, 790.0);
    w.drag("C4, layer 1", outside);
    w.let_go(outside);
    assert_eq!(w.place(1), (Some(60), 0));
    assert!(w.steps_done().is_empty());
    // Who may only look cannot move anything.
    let mut w = Window::opened(three(), vec2(1280.0, 800.0), true);
    w.drag("C4, layer 1", to);
    w.let_go(to);
    assert_eq!(w.place(1), (Some(60), 0));
}

#[test]
fn a_take_without_a_note_is_dragged_into_the_sheet() {
    let mut w = Window::three();
    let to = w.at("D4, layer 3: missing");
    w.drag("take 9 without a note", to);
    w.let_go(to);
    assert_eq!(w.place(9), (Some(62), 2));
    // With the colon: the undo step names the take as it was called before.
    assert!(!w.says("without a note:") && !w.says("missing:"));
}

#[test]
fn of_two_takes_for_one_cell_one_is_kept_in_one_step() {
    let mut w = Window::three();
    let to = w.at("C#4, layer 2");
    w.drag("C4, layer 1", to);
    w.let_go(to);
    assert_eq!((w.place(1), w.place(5)), ((Some(61), 1), (Some(61), 1)), "both are there");
    let crowded = |w: &Window, id| w.take(id).concerns.iter().any(|c| c.kind == ConcernKind::DuplicateCell);
    assert!(crowded(&w, 1) && crowded(&w, 5));
    assert!(w.says("wrong note, 2 takes here") && w.says("2 takes for this cell"));
    w.press("Keep take 5");
    assert_eq!(w.states(&[1, 5]), [SetAside, Accepted], "what is kept is delivered");
    assert!(!crowded(&w, 5));
    w.undo();
    assert_eq!(w.states(&[1, 5]), [Proposed, Proposed]);
    assert!(crowded(&w, 5));
    // By key it is the selected one; what was set aside comes back.
    w.click("C#4, layer 2", Modifiers::NONE);
    let one = w.selected();
    w.key(Key::U);
    w.key(Key::U);
    assert!(w.says("this take is kept already"));
    let other = 6 - one;
    assert_eq!(w.states(&[one, other]), [Accepted, SetAside]);
    w.press(&format!("Keep take {other}"));
    assert_eq!(w.states(&[one, other]), [SetAside, Accepted]);
    assert_eq!(w.steps_done().len(), 3);
}

#[test]
fn keys_find_their_way_with_and_without_focus() {
    let mut w = Window::three();
    w.key(Key::End);
    assert_eq!(w.selected(), 3);
    w.key(Key::Home);
    assert_eq!(w.selected(), 1);
    w.keys(Modifiers::COMMAND, Key::End);
    assert_eq!(w.selected(), 9);
    w.keys(Modifiers::COMMAND, Key::Home);
    assert_eq!(w.selected(), 1);
    // Space on a cell that has the focus plays, Enter opens the bench; the focus goes along.
    w.cell("C4, layer 2").focus();
    w.steps(2);
    w.key(Key::Space);
    assert_eq!(w.selected(), 2);
    assert!(w.says("there is no sound"), "it would play");
    w.key(Key::ArrowDown);
    assert_eq!(w.selected(), 5);
    let focused = w.cell("C#4, layer 2");
    assert!(focused.accesskit_node().is_focused());
    w.key(Key::Enter);
    assert_eq!((w.0.state().room(), w.selected()), (Room::Bench, 5));
}

/// However fast they come: several in a frame, one in each, with the focus on a cell and without.
#[test]
fn every_press_of_an_arrow_counts() {
    let arrow = |key: Key, pressed: bool, modifiers: Modifiers| egui::Event::Key {
        key,
        physical_key: Some(key),
        pressed,
        repeat: false,
        modifiers,
    };
    for in_a_frame in [1, 2, 3, 6] {
        for focused in [false, true] {
            for list in [false, true] {
                let mut w = Window::of(full(9, 1), vec2(1280.0, 800.0));
                if list {
                    w.press("List");
                    if focused {
                        w.click_row("C4, layer 1", Modifiers::NONE);
                    }
                } else if focused {
                    w.cell("C4, layer 1").focus();
                }
                w.steps(3);
                for i in 1..=6 {
                    for pressed in [true, false] {
                        w.0.input_mut().events.push(arrow(Key::ArrowDown, pressed, Modifiers::NONE));
                    }
                    if i % in_a_frame == 0 {
                        w.0.step();
                    }
                }
                w.steps(4);
                assert_eq!(w.selected(), 7, "{in_a_frame} in a frame, focus {focused}, list {list}");
            }
        }
    }
    // With Shift on the way: the range counts from where the last without it led.
    let mut w = Window::three();
    for (key, modifiers) in [
        (Key::ArrowRight, Modifiers::NONE),
        (Key::ArrowRight, Modifiers::SHIFT),
        (Key::ArrowDown, Modifiers::SHIFT),
    ] {
        w.0.input_mut().events.push(arrow(key, true, modifiers));
        w.0.input_mut().events.push(arrow(key, false, modifiers));
    }
    w.steps(4);
    assert_eq!(w.chosen(), [2, 3, 5, 6]);
}

/// Beside the other rooms the sheet is narrow in a small window, and as wide as before in a large one.
#[test]
fn the_narrow_sheet_comes_back_from_a_small_window() {
    let mut w = Window::of(full(9, 4), vec2(1280.0, 800.0));
    w.key(Key::Num3);
    let last = |w: &Window| w.cell("C4, layer 4").rect();
    let before = last(&w);
    w.0.set_size(vec2(760.0, 480.0));
    w.steps(6);
    w.0.set_size(vec2(1280.0, 800.0));
    w.steps(6);
    let room = w.0.get_by_label("Hold").rect();
    assert_eq!(last(&w), before);
    assert!(before.right() <= room.left(), "it is not under the room: {before:?} {room:?}");
}

#[test]
fn the_menu_of_a_take_is_about_what_is_selected() {
    let mut w = Window::three();
    w.click("C4, layer 2", Modifiers::SHIFT);
    w.cell("C4, layer 2").click_secondary();
    w.steps(4);
    w.0.get_by(|n| n.label().is_some_and(|l| l.starts_with("Set aside 2 takes"))).click();
    w.steps(4);
    assert_eq!(w.states(&[1, 2, 3]), [SetAside, SetAside, Proposed]);
    assert_eq!(w.steps_done(), ["Set aside 2 takes"]);
    // On another take it is about that one.
    w.cell("D4, layer 1").click_secondary();
    w.steps(4);
    assert_eq!(w.chosen(), [7]);
    w.0.get_by(|n| n.label().is_some_and(|l| l.starts_with("Another note or layer"))).click();
    w.steps(4);
    assert!(w.0.get_by_role_and_label(Role::TextInput, "Note").accesskit_node().is_focused());
}

#[test]
fn what_is_missing_is_said_where_it_is_missing() {
    let mut w = Window::three();
    let at = w.at("D4, layer 3: missing");
    w.0.hover_at(at);
    w.steps(60);
    assert!(w.says("Nobody played it, or its file is not here"));
}

/// 24 notes in 4 layers in windows from the smallest that is allowed to a full screen: cells are whole
/// and legible, keys reach the last one, and the list does so as well.
#[test]
fn ninety_six_takes_in_three_sizes() {
    // How many cells are to be seen at least, in part or whole.
    for (size, seen) in [(vec2(760.0, 480.0), 8), (vec2(1280.0, 800.0), 40), (vec2(1920.0, 1080.0), 64)] {
        let mut w = Window::of(full(24, 4), size);
        let cells = |w: &Window| -> Vec<egui::Rect> {
            let all = w.0.query_all_by(|n| {
                n.role() == Role::Button && n.label().is_some_and(|l| l.contains(", layer "))
            });
            all.map(|n| n.rect()).collect()
        };
        let first = cells(&w);
        assert!(first.len() >= seen, "{size}: only {} cells", first.len());
        assert!(first.iter().all(|r| r.width() >= 96.0 && r.height() >= 44.0), "{size}");
        w.keys(Modifiers::COMMAND, Key::End);
        w.steps(30);
        assert_eq!(w.selected(), 96);
        let last = w.cell("B5, layer 4").rect();
        let window = egui::Rect::from_min_size(Pos2::ZERO, size);
        assert!(window.contains_rect(last), "{size}: {last}");
        w.press("List");
        w.key(Key::Home);
        assert_eq!(w.selected(), 1);
        w.key(Key::PageDown);
        let page = w.selected();
        assert!(page > 2 && page < 96, "{size}: a page is {page} rows");
        w.key(Key::End);
        w.steps(30);
        let row = w.0.get_by(|n| {
            n.role() == Role::ListBoxOption && n.label().is_some_and(|l| l.starts_with("B5, layer 4"))
        });
        assert!(window.contains_rect(row.rect()), "{size}");
    }
}

#[test]
fn keys_that_come_in_one_frame_all_count() {
    let mut w = Window::three();
    w.key(Key::Y);
    w.click("C#4, layer 1", Modifiers::NONE);
    w.key(Key::D);
    assert_eq!(w.states(&[1, 4]), [Accepted, SetAside]);
    for _ in 0..2 {
        for pressed in [true, false] {
            let modifiers = Modifiers::COMMAND;
            let key = egui::Event::Key { key: Key::Z, physical_key: None, pressed, repeat: false, modifiers };
            w.0.event_modifiers(key, modifiers);
        }
    }
    w.steps(4);
    assert_eq!(w.states(&[1, 4]), [Proposed; 2], "both steps are taken back");
}

/// Two takes that would get one name are told where they are decided about, with advice that can help.
#[test]
fn a_name_clash_shows_in_the_sheet() {
    let mut d = full(2, 2);
    d.setup.name_pattern = "{set} {layer}".into();
    let mut w = Window::of(d, vec2(1280.0, 800.0));
    assert!(!w.says("would both be written as"), "nothing is accepted yet");
    w.keys(Modifiers::COMMAND, Key::A);
    w.key(Key::Y);
    assert!(w.says("would both be written as") && w.says("add {note} or {midi} to the name pattern"));
    assert!(!w.says("add {layer}"), "it is there already");
    w.undo();
    assert!(!w.says("would both be written as"));
}

/// What a message stands in is nobody else's, and the last row of the sheet is seen whole.
#[test]
fn the_last_row_can_be_seen_beside_a_message() {
    let mut w = Window::of(full(30, 2), vec2(1280.0, 800.0));
    let told = w.0.query_all_by_label_contains("loud sound harms hearing").next().expect("the caution");
    let top = told.rect().top();
    w.keys(Modifiers::COMMAND, Key::End);
    w.steps(40);
    let last = w.0.query_all_by_label_contains("F6, layer 2").next().expect("the last cell").rect();
    assert!(last.bottom() <= top, "{last:?} under {top}");
}

/// A number that cannot be taken stays in its field and says what is allowed; the filter stays as it was.
#[test]
fn a_score_that_is_refused_stays_and_says_why() {
    let mut w = Window::three();
    w.press("Loop score under");
    let field = "Loop score under, 0 to 100";
    let under = |w: &Window| w.0.state().triage().listing.filter.under;
    assert_eq!(under(&w), Some(70.0));
    for (typed, why) in [("lots", "cannot be read here; write 0 to 100"), ("140", "is not within 0 to 100")] {
        w.0.get_by_label(field).click();
        w.steps(3);
        w.0.get_by_label(field).type_text(typed);
        w.steps(2);
        w.key(Key::Enter);
        assert!(w.says(why), "{typed}");
        assert_eq!(under(&w), Some(70.0), "{typed}");
        w.0.get_by_label(field).click();
        w.steps(3);
        w.key(Key::Escape);
        assert!(!w.says(why), "Escape takes it back");
    }
    w.0.get_by_label(field).click();
    w.steps(3);
    w.0.get_by_label(field).type_text("5");
    w.steps(2);
    w.key(Key::Enter);
    assert_eq!(under(&w), Some(5.0));
}

/// A filter changes what is shown of the takes, not where they stand.
#[test]
fn a_filter_moves_no_cell() {
    for size in [vec2(760.0, 480.0), vec2(853.0, 533.0), vec2(1280.0, 800.0), vec2(1920.0, 1080.0)] {
        let mut w = Window::of(full(9, 4), size);
        let before = w.cell("C4, layer 1").rect();
        w.press("Show states");
        w.press("needs a look (36)");
        assert!(w.says("36 of 36 shown"));
        assert_eq!(w.cell("C4, layer 1").rect(), before, "{size:?}");
        w.press("Show all");
        assert!(!w.says("of 36 shown"));
        assert_eq!(w.cell("C4, layer 1").rect(), before, "{size:?}");
    }
}

/// What has the keyboard's focus; none: nothing.
fn focused(w: &Window) -> Option<String> {
    let node = w.0.query_all_by(|_| true).find(|n| n.accesskit_node().is_focused())?;
    Some(node.accesskit_node().label().unwrap_or_default())
}

/// Names of all that Tab comes to until it comes round.
fn stops(w: &mut Window) -> Vec<String> {
    let mut all: Vec<String> = Vec::new();
    for _ in 0..120 {
        w.key(Key::Tab);
        let Some(name) = focused(w) else { continue };
        if all.first() == Some(&name) {
            return all;
        }
        all.push(name);
    }
    panic!("Tab never comes round: {all:?}");
}

fn is_take(name: &str) -> bool {
    name.contains(", layer ") || name.contains("without a note")
}

/// However many takes there are, Tab comes to one of them and goes on; arrows lead to all others, also to those
/// without a note, which stand below.
#[test]
fn the_sheet_is_one_stop_of_tab_in_each_of_its_forms() {
    for form in ["Cells", "List", "Tuning"] {
        let mut w = Window::three();
        w.press(form);
        w.click_nothing();
        let all = stops(&mut w);
        assert_eq!(all.iter().filter(|n| is_take(n)).count(), 1, "{form}: {all:?}");
        assert!(all.iter().any(|n| n == "Accept what passes") && all.iter().any(|n| n == "Menu"), "{all:?}");
        // From that one with arrows.
        while !focused(&w).is_some_and(|n| is_take(&n)) {
            w.key(Key::Tab);
        }
        let mut seen = vec![w.selected()];
        for _ in 0..12 {
            if form == "Cells" {
                // Row by row.
                let before = w.selected();
                w.key(Key::ArrowRight);
                if w.selected() == before {
                    w.key(Key::Home);
                    w.key(Key::ArrowDown);
                }
            } else {
                w.key(Key::ArrowDown);
            }
            assert!(focused(&w).is_some_and(|n| is_take(&n)), "{form}: the focus goes along");
            seen.push(w.selected());
        }
        seen.sort_unstable();
        seen.dedup();
        assert_eq!(seen, [1, 2, 3, 4, 5, 6, 7, 8, 9], "{form}");
        // And from the take without a note back up, and on by Tab.
        assert_eq!(w.selected(), 9);
        w.key(Key::ArrowUp);
        assert_ne!(w.selected(), 9, "{form}");
        w.key(Key::Tab);
        assert!(!focused(&w).is_some_and(|n| is_take(&n)), "{form}");
        // A screen reader may go to any other all the same.
        let other = w.0.get_by(|n| n.label().is_some_and(|l| is_take(&l) && l.contains("C4, layer 2")));
        assert!(other.accesskit_node().data().supports_action(egui::accesskit::Action::Focus), "{form}");
        other.focus();
        w.steps(3);
        assert!(focused(&w).is_some_and(|n| n.contains("C4, layer 2")), "{form}: {:?}", focused(&w));
    }
}

/// The headings of all three forms are read by their names; those that sort say by what, and which way round.
#[test]
fn headings_are_read_and_say_what_they_sort_by() {
    use egui::accesskit::SortDirection::{Ascending, Descending};
    let mut w = Window::three();
    for layer in ["Layer 1", "Layer 2", "Layer 3"] {
        assert_eq!(w.0.query_all_by_role_and_label(Role::ColumnHeader, layer).count(), 1, "{layer}");
    }
    for note in ["Note C4", "Note C#4", "Note D4"] {
        let heading = w.0.get_by_role_and_label(Role::RowHeader, note).rect();
        let cell = w.at(&format!("{}, layer 1", &note[5..]));
        assert!((heading.center().y - cell.y).abs() < 2.0, "{note} stands at its row");
    }
    let forms: [(&str, &[&str]); 2] = [
        ("List", &["Note", "State", "Concern", "Score", "Centre", "Level"]),
        ("Tuning", &["Note", "Centre", "Drift", "Vibrato", "Depth", "Strengths", "State"]),
    ];
    for (form, columns) in forms {
        w.press(form);
        let direction = |w: &Window, c: &str| {
            let name = format!("Sort by {c}");
            let heading = w.0.get_by(|n| n.role() == Role::Button && n.label() == Some(name.clone()));
            heading.accesskit_node().data().sort_direction()
        };
        for column in columns {
            w.press(&format!("Sort by {column}"));
            let way = direction(&w, column);
            assert!(way.is_some(), "{form}: {column}");
            for other in columns.iter().filter(|c| c != &column) {
                assert_eq!(direction(&w, other), None, "{form}: by {column}, not by {other}");
            }
            w.press(&format!("Sort by {column}"));
            let turned = if way == Some(Ascending) { Descending } else { Ascending };
            assert_eq!(direction(&w, column), Some(turned), "{form}: {column} turned round");
        }
    }
}
