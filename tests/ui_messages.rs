//! Messages have a place of their own: they cover nothing, move nothing, and can be read in full.

mod sheet_support;
#[path = "sheet_support/window.rs"]
mod window;

use egui::{Key, Rect, Vec2, vec2};
use egui_kittest::kittest::{NodeT as _, Queryable as _};
use seamwright::app::command::{Command, EditCommand, GoCommand, Room, SessionCommand};
use window::{Window, full};

const SIZES: [Vec2; 3] = [vec2(760.0, 480.0), vec2(1280.0, 800.0), vec2(1920.0, 1080.0)];
const ROOMS: [Room; 4] = [Room::Sheet, Room::Bench, Room::Stack, Room::Deliver];

fn send(w: &mut Window, command: Command) {
    let ctx = w.0.ctx.clone();
    w.0.state_mut().dispatch(&ctx, command);
    w.steps(6);
}

/// Everything with a name above the strip: its name and place.
fn in_the_room(w: &Window, height: f32) -> Vec<(String, Rect)> {
    let all = w.0.query_all_by(|n| n.label().is_some());
    let named = all.map(|n| (n.accesskit_node().label().unwrap_or_default(), n.rect()));
    named.filter(|(_, r)| r.bottom() < height - 34.0 && r.width() > 0.0).collect()
}

#[test]
fn a_message_covers_nothing_and_moves_nothing_in_any_room() {
    for size in SIZES {
        for room in ROOMS {
            let mut w = Window::of(full(9, 4), size);
            w.press("I have read this");
            send(&mut w, Command::Go(GoCommand::Room(room)));
            w.steps(20);
            let before = in_the_room(&w, size.y);
            assert!(before.len() > 20, "{room:?}");
            // Nothing to keep: said in words.
            w.key(Key::U);
            let told = w.0.get_by_label_contains("this take is the only one").rect();
            assert!(told.top() > size.y - 36.0 && told.bottom() <= size.y, "{told:?} at {size:?}");
            assert_eq!(in_the_room(&w, size.y), before, "{room:?} at {size:?}");
            w.press("Close");
            assert!(!w.says("this take is the only one"));
            assert_eq!(in_the_room(&w, size.y), before, "{room:?} at {size:?}");
        }
    }
}

/// The caution and every sentence of the window fit into the strip, or can be read with one key.
#[test]
fn what_does_not_fit_is_read_in_the_list() {
    let mut w = Window::of(full(3, 3), vec2(1280.0, 800.0));
    assert!(w.says("Follow local rules"));
    assert!(w.0.query_by_label("Read: messages").is_none(), "all of it fits");
    let missing = "/no such folder/".to_owned() + &"a very long name ".repeat(30);
    send(&mut w, Command::Session(SessionCommand::Open(vec![missing.into()])));
    w.steps(10);
    assert!(w.says("it is not there"));
    assert!(w.0.query_by_label("All 2: messages").is_some());
    // By keys alone: open, close the first, close the list.
    w.key(Key::F2);
    w.steps(4);
    let first =
        w.0.get_by(|n| n.label().is_some_and(|l| l.starts_with("Close: ") && l.contains("no such folder")));
    assert!(first.is_focused());
    let inside = Rect::from_min_size(egui::Pos2::ZERO, vec2(1280.0, 800.0));
    assert!(inside.contains_rect(first.rect()));
    assert!(w.0.query_by_label_contains("I have read this: Sound starts quiet").is_some());
    w.key(Key::Enter);
    assert!(!w.says("it is not there"));
    assert!(w.0.query_by_label_contains("I have read this: ").is_some(), "the list stays open");
    w.key(Key::Escape);
    assert!(w.0.query_by_label_contains("I have read this: ").is_none());
    // A click elsewhere closes it as well, and with the last message it goes by itself.
    w.key(Key::F2);
    w.press("I have read this");
    assert!(!w.says("Sound starts quiet"));
    w.key(Key::U);
    assert!(w.0.query_by_label_contains("Close: this take").is_none(), "a new message does not open it");
}

/// The list is as high as what it shows, also when fewer were shown before.
#[test]
fn the_list_grows_with_its_messages() {
    let mut w = Window::of(full(3, 3), vec2(1280.0, 800.0));
    w.key(Key::F2);
    w.key(Key::Escape);
    for i in 0..5 {
        let missing = format!("/no such folder {i}/{}", "a long name ".repeat(24));
        send(&mut w, Command::Session(SessionCommand::Open(vec![missing.into()])));
        w.steps(6);
        send(&mut w, Command::Edit(EditCommand::Keep(seamwright::session::TakeId(1))));
    }
    w.key(Key::F2);
    w.steps(4);
    let buttons = w.0.query_all_by(|n| {
        n.label().is_some_and(|l| l.starts_with("Close: ") || l.starts_with("I have read this: "))
    });
    let rects: Vec<Rect> = buttons.map(|n| n.rect()).collect();
    assert!(rects.len() >= 3, "{rects:?}");
    let all = rects.iter().fold(Rect::NOTHING, |a, r| a.union(*r));
    assert!(all.height() > 90.0, "{all:?}");
    let inside = Rect::from_min_size(egui::Pos2::ZERO, vec2(1280.0, 800.0 - 34.0));
    assert!(rects.iter().all(|r| inside.contains_rect(*r)), "{rects:?}");
    // None is scrolled out of sight: each has the pointer where it stands.
    let last = rects.iter().fold(rects[0], |a, r| if r.top() > a.top() { *r } else { a });
    let count = rects.len();
    w.0.hover_at(last.center());
    w.steps(2);
    w.0.drag_at(last.center());
    w.steps(1);
    w.0.drop_at(last.center());
    w.steps(4);
    let left = w.0.query_all_by(|n| {
        n.label().is_some_and(|l| l.starts_with("Close: ") || l.starts_with("I have read this: "))
    });
    assert_eq!(left.count(), count - 1, "the lowest can be pressed");
}

#[test]
fn where_there_is_no_message_that_is_said() {
    let mut w = Window::of(full(3, 3), vec2(1280.0, 800.0));
    w.press("I have read this");
    w.key(Key::F2);
    assert!(w.says("There is no message"));
    assert!(w.0.query_by_label_contains("Close: There is no message").is_none(), "no list of nothing");
    w.0.hover_at(egui::pos2(600.0, 300.0));
    w.steps(60 * 8);
    assert!(!w.says("There is no message"), "only for a moment");
}

/// A message that does not fit is told once under the pointer, not once by us and once by the toolkit.
#[test]
fn what_is_cut_off_has_one_tooltip() {
    let mut w = Window::of(full(3, 3), vec2(1280.0, 800.0));
    let missing = "/no such folder/".to_owned() + &"a very long name ".repeat(30);
    send(&mut w, Command::Session(SessionCommand::Open(vec![missing.into()])));
    w.steps(10);
    let told = |w: &Window| w.0.query_all_by_label_contains("it is not there").count();
    let before = told(&w);
    let at = w.0.query_all_by_label_contains("it is not there").next().unwrap().rect().center();
    w.0.hover_at(at);
    w.steps(90);
    assert_eq!(told(&w), before + 1);
}

/// Who is about to press "Close" presses it for what stands there.
#[test]
fn what_is_read_is_not_replaced_under_the_pointer() {
    let mut w = Window::of(full(3, 3), vec2(1280.0, 800.0));
    w.press("I have read this");
    w.key(Key::U);
    let close = w.0.get_by_label("Close").rect();
    w.0.hover_at(close.center());
    w.steps(3);
    send(&mut w, Command::Session(SessionCommand::Open(vec!["/no such folder".into()])));
    w.steps(10);
    assert!(w.says("this take is the only one") && !w.says("it is not there"));
    assert_eq!(w.0.get_by_label("Close").rect(), close);
    assert!(w.0.query_by_label("All 2: messages").is_some(), "that there is more is told");
    w.0.hover_at(egui::pos2(600.0, 300.0));
    w.steps(3);
    assert!(w.says("it is not there") && !w.says("this take is the only one"));
    assert_eq!(w.0.get_by_label("Close").rect(), close, "the next stands in the same place");
}

/// Who presses a key looks elsewhere: the tooltip that stood there goes, and none comes over what the key has
/// opened, until the pointer moves.
#[test]
fn a_key_hides_tooltips_until_the_pointer_moves() {
    let mut w = Window::of(full(3, 3), vec2(1280.0, 800.0));
    w.press("I have read this");
    let tip = |w: &Window| w.says("Seam: ") || w.says("Loop score 5 of 100");
    let at = w.at("C#4, layer 2");
    w.0.hover_at(at);
    w.steps(60);
    assert!(w.says("Loop score 5 of 100"), "it comes for a hand at the pointer");
    w.key(Key::ArrowRight);
    assert!(!w.says("Loop score 5 of 100"));
    w.steps(120);
    assert!(!w.says("Loop score 5 of 100"), "and does not come back by itself");
    w.0.hover_at(at + vec2(3.0, 0.0));
    w.steps(60);
    assert!(tip(&w), "but with the pointer");
    // Another room, by whatever way, has come up under the pointer.
    let keys = w.0.get_by_role_and_label(egui::accesskit::Role::Tab, "Deliver").rect().center();
    w.0.hover_at(keys);
    w.steps(60);
    assert!(w.says("Names, folder, writing the set"));
    send(&mut w, Command::Go(GoCommand::Room(Room::Stack)));
    w.steps(60);
    assert!(!w.says("Names, folder, writing the set"));
    w.0.hover_at(keys + vec2(2.0, 0.0));
    w.steps(60);
    assert!(w.says("Names, folder, writing the set"));
}

/// Why a text was refused stands where all messages stand, over no field.
#[test]
fn what_a_field_refuses_is_told_in_the_strip() {
    for size in SIZES {
        let mut w = Window::of(full(3, 3), size);
        w.press("I have read this");
        send(&mut w, Command::Go(GoCommand::Room(Room::Deliver)));
        w.steps(20);
        // Brought into sight.
        w.0.get_by_label("Accept from score").focus();
        w.steps(10);
        let places = |w: &Window| {
            let others = in_the_room(w, size.y).into_iter().filter(|(name, _)| name != "Accept from score");
            others.map(|(_, r)| r).collect::<Vec<_>>()
        };
        let before = places(&w);
        w.keys(egui::Modifiers::COMMAND, Key::A);
        w.0.event(egui::Event::Text("banana".into()));
        w.steps(2);
        w.key(Key::Enter);
        let why = "“banana” cannot be read here; write 0 to 100. Nothing is changed.";
        let told = w.0.get_by_label_contains(why).rect();
        assert!(told.top() > size.y - 36.0 && told.bottom() <= size.y, "{told:?} at {size:?}");
        assert_eq!(places(&w), before, "nothing came over the fields at {size:?}");
        // Closed, it is told under the pointer, and the field keeps what was typed.
        w.press("Close");
        w.steps(4);
        assert!(!w.says("banana"));
        let value = w.0.get_by_label("Accept from score").accesskit_node().value().unwrap_or_default();
        assert_eq!(value.trim(), "banana");
        let field = w.0.get_by_label("Accept from score").rect().center();
        w.0.hover_at(field);
        w.steps(60);
        assert!(w.says("“banana” cannot be read here"));
    }
}

/// The caution stood on the start page long enough to be read: it is not said once more over a session, whose
/// keys have the strip.
#[test]
fn the_caution_is_not_said_twice() {
    let opened = |steps: usize| {
        let environment = seamwright::app::Environment::for_tests();
        let h = egui_kittest::Harness::builder()
            .with_size(vec2(1280.0, 800.0))
            .with_step_dt(1.0 / 60.0)
            .build_eframe(move |cc| seamwright::app::App::new(&cc.egui_ctx, &environment, vec![]).unwrap());
        let mut w = Window(h);
        w.steps(2);
        assert!(w.says("Sound starts quiet"), "on the start page");
        w.steps(steps);
        let path = std::path::PathBuf::from("/not there/bottles.seamwright");
        let session = seamwright::app::session_state::SessionState::unlocked(full(3, 3), path);
        w.0.state_mut().show_session(session);
        w.steps(4);
        w
    };
    let w = opened(10);
    assert!(w.says("Sound starts quiet"), "there was no time to read it");
    let mut w = opened(60 * 11);
    assert!(!w.says("Sound starts quiet") && w.says("next to look at"));
    w.key(Key::F2);
    assert!(w.says("There is no message"));
}
