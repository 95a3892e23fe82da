//! Who has the keyboard: a window over the rooms alone while it is open; what has it is ringed, and Tab goes on
//! from where the hand was.

mod painted_support;
mod sheet_support;
#[path = "sheet_support/window.rs"]
mod window;

use egui::accesskit::Role;
use egui::{Key, Modifiers, Rect, Vec2, vec2};
use egui_kittest::kittest::{NodeT as _, Queryable as _};
use seamwright::app::command::{Command, EditCommand, GoCommand, LookCommand, Room, SessionCommand};
use seamwright::app::theme::Theme;
use seamwright::app::{App, Environment};
use seamwright::session::{Edit, TakeId, TakeState};
use window::{Window, full};

fn send(w: &mut Window, command: Command) {
    let ctx = w.0.ctx.clone();
    w.0.state_mut().dispatch(&ctx, command);
    w.steps(6);
}

fn window(size: Vec2) -> Window {
    let mut w = Window::of(full(3, 3), size);
    w.press("I have read this");
    w
}

/// What has the keyboard: its name and its place.
fn focused(w: &Window) -> Option<(String, Rect)> {
    let n = w.0.query_all_by(|_| true).find(|n| n.accesskit_node().is_focused())?;
    Some((n.accesskit_node().label().unwrap_or_default(), n.rect()))
}

fn name(w: &Window) -> String {
    focused(w).map(|(name, _)| name).unwrap_or_default()
}

/// Two steps in the undo list: takes 2 and 3 set aside.
fn with_steps(size: Vec2) -> Window {
    let mut w = window(size);
    for id in [2, 3] {
        let edit = Edit::SetState { take: TakeId(id), state: TakeState::SetAside };
        send(&mut w, Command::Edit(EditCommand::Do { label: format!("Set take {id} aside"), edit }));
    }
    w
}

const KEYS: (Modifiers, Key, &str) = (Modifiers::NONE, Key::F1, "Close: Keys");
const PREFERENCES: (Modifiers, Key, &str) = (Modifiers::COMMAND, Key::Comma, "Close: Preferences");
const STEPS: (Modifiers, Key, &str) = (Modifiers::COMMAND, Key::U, "Close: Undo list");

#[test]
fn no_key_reaches_the_rooms_behind_a_window() {
    for (modifiers, key, close) in [KEYS, PREFERENCES, STEPS] {
        for room in [Room::Sheet, Room::Bench] {
            let mut w = with_steps(vec2(1280.0, 800.0));
            send(&mut w, Command::Go(GoCommand::Room(room)));
            w.keys(modifiers, key);
            assert!(w.0.query_by_label(close).is_some());
            let before = (w.document().clone(), w.selected());
            let keys = [
                Key::D,
                Key::Y,
                Key::A,
                Key::N,
                Key::M,
                Key::L,
                Key::G,
                Key::CloseBracket,
                Key::Num3,
                Key::ArrowRight,
                Key::ArrowDown,
                Key::Home,
                Key::End,
            ];
            for key in keys {
                w.key(key);
                let now = (w.document().clone(), w.selected());
                assert_eq!(now, before, "{key:?} behind “{close}”");
                assert_eq!(w.0.state().room(), room, "{key:?} behind “{close}”");
            }
            // With nothing of it in hand, Enter and Space do nothing either.
            w.click_nothing();
            w.key(Key::Enter);
            w.key(Key::Space);
            assert_eq!((w.document().clone(), w.selected()), before);
            assert_eq!(w.0.state().room(), room);
            assert!(!w.says("there is no sound"), "nothing was to be played");
            // Undo is the same everywhere, and the window stays.
            w.undo();
            assert_eq!(w.take(3).state, TakeState::Proposed);
            w.keys(modifiers, key);
            assert!(w.0.query_by_label(close).is_none(), "its own key closes it");
            w.key(Key::D);
            assert_eq!(w.take(w.selected()).state, TakeState::SetAside, "letters are commands again");
        }
    }
}

#[test]
fn a_window_takes_the_keyboard_keeps_it_and_gives_it_back() {
    for (modifiers, key, close) in [KEYS, PREFERENCES, STEPS] {
        let mut w = with_steps(vec2(1280.0, 800.0));
        w.key(Key::ArrowRight);
        w.key(Key::ArrowLeft);
        w.0.get_by_label("Deliver").focus();
        w.steps(2);
        w.keys(modifiers, key);
        let inside = |w: &Window| {
            let close = w.0.get_by_label(close).rect();
            focused(w).is_some_and(|(name, r)| {
                r.top() >= close.top() - 1.0 && (name.starts_with("Step ") || !name.contains(", layer "))
            })
        };
        let first = name(&w);
        assert!(inside(&w), "“{first}” has the keyboard instead of “{close}”");
        let mut seen = Vec::new();
        for _ in 0..12 {
            w.key(Key::Tab);
            assert!(inside(&w), "Tab leads from “{close}” to “{}”", name(&w));
            seen.push(name(&w));
        }
        assert!(seen.contains(&first) && seen.iter().any(|n| n == close), "it goes round: {seen:?}");
        w.keys(Modifiers::SHIFT, Key::Tab);
        assert!(inside(&w));
        w.key(Key::Escape);
        assert!(w.0.query_by_label(close).is_none());
        assert_eq!(name(&w), "Deliver", "“{close}” gives the keyboard back");
    }
}

/// Escape closes what lies uppermost, one at a time, and a list before the window that it belongs to.
#[test]
fn escape_closes_one_at_a_time() {
    let mut w = with_steps(vec2(1280.0, 800.0));
    w.keys(STEPS.0, STEPS.1);
    w.keys(PREFERENCES.0, PREFERENCES.1);
    let open = |w: &Window| [STEPS.2, PREFERENCES.2].map(|close| w.0.query_by_label(close).is_some());
    assert_eq!(open(&w), [true, true]);
    // The list of colours, by keys.
    for _ in 0..20 {
        if name(&w) == "Colours" {
            break;
        }
        w.key(Key::ArrowDown);
    }
    w.key(Key::Enter);
    assert!(w.0.query_by_label("Dark").is_some());
    w.key(Key::Escape);
    assert_eq!(open(&w), [true, true], "the list was closed");
    assert!(w.0.query_by_label("Dark").is_none());
    w.key(Key::Escape);
    assert_eq!(open(&w), [true, false]);
    w.key(Key::Escape);
    assert_eq!(open(&w), [false, false]);
}

#[test]
fn the_undo_list_is_walked_by_arrows() {
    let mut w = with_steps(vec2(1280.0, 800.0));
    w.keys(STEPS.0, STEPS.1);
    assert!(w.says("arrows and Enter"), "its hint names the keys");
    assert!(name(&w).starts_with("Step 2: Set take 3 aside"), "{}", name(&w));
    w.key(Key::ArrowDown);
    assert!(name(&w).starts_with("Step 1: Set take 2 aside"), "{}", name(&w));
    w.key(Key::Enter);
    assert_eq!((w.take(2).state, w.take(3).state), (TakeState::SetAside, TakeState::Proposed));
    w.key(Key::End);
    w.key(Key::Enter);
    assert_eq!(w.take(2).state, TakeState::Proposed);
    w.key(Key::Home);
    w.key(Key::Enter);
    assert_eq!((w.take(2).state, w.take(3).state), (TakeState::SetAside, TakeState::SetAside));
}

#[test]
fn the_list_of_keys_is_scrolled_by_keys() {
    let mut w = window(vec2(853.0, 533.0));
    w.key(Key::F1);
    w.steps(4);
    let top = |w: &Window| w.0.get_by_label("Moving about").rect().top();
    let first = top(&w);
    w.key(Key::ArrowDown);
    assert!((top(&w) - (first - 46.0)).abs() < 1.0, "{} {first}", top(&w));
    w.key(Key::ArrowUp);
    w.key(Key::PageDown);
    let page = first - top(&w);
    assert!((200.0..533.0).contains(&page), "{page}");
    w.key(Key::End);
    let last = w.0.get_by_label("Letters are commands again").rect();
    let foot = w.0.get_by_label_contains("Tab goes from control to control").rect();
    assert!(top(&w) < first - page && last.bottom() < 533.0);
    w.key(Key::Home);
    assert_eq!(top(&w), first);
    assert!(foot.height() > 30.0, "its foot stands in lines, whole: {foot:?}");
    assert!(foot.bottom() < 533.0 - 20.0 && foot.right() < 853.0);
}

#[test]
fn all_keys_are_seen_at_once_in_a_large_window() {
    for room in [Room::Sheet, Room::Bench, Room::Stack, Room::Deliver] {
        let mut w = window(vec2(1920.0, 1080.0));
        send(&mut w, Command::Go(GoCommand::Room(room)));
        w.key(Key::F1);
        w.steps(4);
        let foot = w.0.get_by_label_contains("Tab goes from control to control").rect();
        for line in [
            "Letters are commands again",
            "Cancels a drag, or what was typed",
            "Removes a node, room tone",
            "All messages",
        ] {
            let r = w.0.get_by_label(line).rect();
            assert!(r.bottom() <= foot.top(), "{line} in {room:?}: {r:?}, {foot:?}");
        }
    }
}

#[test]
fn that_there_is_no_message_can_be_taken_away() {
    let mut w = window(vec2(1280.0, 800.0));
    w.key(Key::F2);
    assert!(w.says("There is no message"));
    w.key(Key::F2);
    assert!(!w.says("There is no message"), "the same key takes it away");
    w.key(Key::F2);
    assert!(w.says("There is no message"));
    w.key(Key::Escape);
    assert!(!w.says("There is no message"), "and so does Escape");
    w.press("Menu");
    w.0.get_by_label_contains("All messages").click();
    w.steps(4);
    assert!(w.says("There is no message"), "the menu has it too");
}

#[test]
fn what_was_said_of_the_folder_dialog_goes_with_the_next_opening() {
    let mut w = window(vec2(1280.0, 800.0));
    w.keys(Modifiers::COMMAND, Key::O);
    w.steps(10);
    assert!(w.says("dialog did not open"));
    let dir = tempfile::tempdir().unwrap();
    send(&mut w, Command::Session(SessionCommand::Open(vec![dir.path().to_path_buf()])));
    w.steps(10);
    assert!(!w.says("dialog did not open"));
}

/// Everything that Tab comes to has a name, in every room: the lines between panels are for the mouse.
#[test]
fn tab_passes_by_the_lines_between_panels() {
    for room in [Room::Sheet, Room::Bench, Room::Stack, Room::Deliver] {
        let mut w = window(vec2(1280.0, 800.0));
        send(&mut w, Command::Go(GoCommand::Room(room)));
        let mut first = None;
        for i in 0..120 {
            w.0.key_press(Key::Tab);
            w.steps(2);
            let (name, rect) = focused(&w).unwrap_or_else(|| panic!("{room:?}: stop {i} is unseen"));
            assert!(!name.is_empty(), "{room:?}: stop {i} at {rect:?} has no name");
            if first.as_ref() == Some(&name) {
                break;
            }
            first.get_or_insert(name);
        }
    }
}

/// They are drawn by the mouse as before, and Escape gives it up.
#[test]
fn lines_between_panels_are_drawn_by_the_mouse() {
    let mut w = window(vec2(1920.0, 1080.0));
    let play = |w: &Window| w.0.get_by_label("Play").rect().left();
    let first = play(&w);
    // The details begin at the margin left of their first control.
    let line = egui::pos2(1920.0 - 424.0, 500.0);
    let drag = |w: &mut Window, by: f32| {
        w.0.hover_at(line);
        w.steps(2);
        w.0.drag_at(line);
        w.steps(1);
        for i in 1..=5 {
            w.0.hover_at(line - vec2(by * i as f32 / 5.0, 0.0));
            w.steps(1);
        }
        w.steps(2);
    };
    drag(&mut w, 40.0);
    assert!((play(&w) - (first - 40.0)).abs() < 2.0, "{} {first}", play(&w));
    w.key(Key::Escape);
    w.let_go(line - vec2(40.0, 0.0));
    assert_eq!(play(&w), first, "Escape gives it up");
    drag(&mut w, 40.0);
    w.let_go(line - vec2(40.0, 0.0));
    assert!((play(&w) - (first - 40.0)).abs() < 2.0);
}

/// What has the keyboard has a ring of its own, in ink and outside of it, selected or not, and nothing moves.
#[test]
fn what_has_the_keyboard_is_ringed() {
    let ringed = |w: &Window, at: Rect| {
        let ink = Theme::of(&w.0.ctx).ink;
        let shapes = painted_support::touching(w.0.output(), at.expand(8.0));
        painted_support::rects(&shapes).iter().any(|r| {
            r.stroke.color == ink && r.stroke.width >= 2.0 && (r.rect.width() - at.width() - 4.0).abs() < 0.6
        })
    };
    let mut w = window(vec2(1280.0, 800.0));
    send(&mut w, Command::Go(GoCommand::Room(Room::Stack)));
    w.steps(10);
    let places = |w: &Window| {
        let all = w.0.query_all_by(|n| n.role() == Role::Button || n.role() == Role::Tab);
        all.map(|n| n.rect()).collect::<Vec<_>>()
    };
    let before = places(&w);
    // The room that shows is selected, Sheet is not.
    for label in ["Stack", "Sheet", "Menu"] {
        let at = w.0.get_by_label(label).rect();
        assert!(!ringed(&w, at), "{label} has not got it");
        w.0.get_by_label(label).focus();
        w.steps(2);
        assert!(ringed(&w, at), "{label}");
        assert_eq!(places(&w), before, "something moved beside {label}");
    }
    for part in ["Mute", "Solo"] {
        let label = w.0.query_all_by_label_contains(part).next().unwrap().accesskit_node().label().unwrap();
        for _ in 0..2 {
            w.0.query_all_by_label_contains(part).next().unwrap().focus();
            w.steps(3);
            let at = w.0.query_all_by_label_contains(part).next().unwrap().rect();
            assert!(ringed(&w, at), "{label}");
            w.key(Key::Enter);
        }
    }
    // A selected cell.
    send(&mut w, Command::Go(GoCommand::Room(Room::Sheet)));
    let at = w.cell("C4, layer 1").rect();
    assert!(!ringed(&w, at));
    w.cell("C4, layer 1").focus();
    w.steps(2);
    assert!(ringed(&w, at));
}

#[test]
fn tab_goes_on_from_a_field_that_enter_left() {
    let mut w = window(vec2(1280.0, 800.0));
    send(&mut w, Command::Go(GoCommand::Room(Room::Deliver)));
    w.steps(20);
    let field = "Accept from score";
    w.0.get_by_label(field).focus();
    w.steps(10);
    w.key(Key::Tab);
    let next = name(&w);
    w.keys(Modifiers::SHIFT, Key::Tab);
    assert_eq!(name(&w), field);
    for (modifiers, to) in [(Modifiers::NONE, Some(next)), (Modifiers::SHIFT, None)] {
        w.0.get_by_label(field).focus();
        w.steps(6);
        w.keys(Modifiers::COMMAND, Key::A);
        w.0.event(egui::Event::Text("80".into()));
        w.steps(2);
        w.key(Key::Enter);
        assert_eq!(focused(&w).map(|f| f.0), None, "letters are commands again");
        assert_eq!(w.document().setup.accept_score, 80.0);
        w.keys(modifiers, Key::Tab);
        match to {
            Some(next) => assert_eq!(name(&w), next),
            None => assert!(!name(&w).is_empty() && name(&w) != field && name(&w) != "Sheet", "{}", name(&w)),
        }
    }
}

#[test]
fn a_path_that_was_mistyped_can_be_mended_at_once() {
    let environment = Environment::for_tests();
    let h = egui_kittest::Harness::builder()
        .with_size(vec2(1280.0, 800.0))
        .with_step_dt(1.0 / 60.0)
        .build_eframe(move |cc| App::new(&cc.egui_ctx, &environment, vec![]).unwrap());
    let mut w = Window(h);
    w.steps(2);
    w.0.get_by_label("Path").focus();
    w.steps(2);
    w.0.get_by_label("Path").type_text("/no/such/folder");
    w.steps(4);
    w.key(Key::Enter);
    assert!(w.says("it is not there"));
    assert!(w.0.get_by_label("Path").is_focused());
    // A command of the menu that needs a session does not take the keys away there.
    send(&mut w, Command::Look(LookCommand::OpenPath(true)));
    w.key(Key::Escape);
    w.key(Key::F1);
    assert!(w.0.query_by_label("Close: Keys").is_some());
}
