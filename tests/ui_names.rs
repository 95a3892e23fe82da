//! Everything that can be pressed, typed in or moved has a role, a name and, where it stands for one, a value:
//! the whole tree that a screen reader sees is walked, in every room and in everything around them.

mod sheet_support;
#[path = "sheet_support/window.rs"]
mod window;

use std::sync::Arc;

use egui::accesskit::{Action, Role};
use egui::{Key, Modifiers, vec2};
use egui_kittest::Node;
use egui_kittest::kittest::{NodeT as _, Queryable as _};
use seamwright::app::command::{Command, GoCommand, KeyboardCommand, LookCommand, Room};
use seamwright::app::triage::{Form, Listing};
use seamwright::session::{Concern, ConcernKind};
use window::{Window, full, three};

/// What a person can do something with.
fn is_control(n: &Node<'_>) -> bool {
    let n = n.accesskit_node();
    let acts =
        [Action::Click, Action::SetValue, Action::Increment].iter().any(|a| n.data().supports_action(*a));
    acts && !matches!(n.role(), Role::Label | Role::Window | Role::ScrollView | Role::ScrollBar)
}

/// What is wrong with a control; none: nothing.
fn fault(n: &Node<'_>) -> Option<&'static str> {
    let n = n.accesskit_node();
    let name = n.label().unwrap_or_default();
    let has_value = n.numeric_value().is_some() || n.value().is_some();
    match n.role() {
        Role::Unknown | Role::GenericContainer => Some("no role"),
        _ if name.trim().is_empty() => Some("no name"),
        // A sign alone says nothing when it is read aloud.
        _ if !name.chars().any(char::is_alphanumeric) => Some("no words"),
        Role::Slider | Role::SpinButton | Role::TextInput | Role::ComboBox if !has_value => Some("no value"),
        Role::CheckBox | Role::RadioButton if n.toggled().is_none() => Some("neither on nor off"),
        _ => None,
    }
}

/// Walks the tree; how many controls there are.
fn walk(w: &Window, place: &str, at_least: usize) {
    let mut count = 0;
    let mut faults = Vec::new();
    for n in w.0.query_all_by(|_| true).filter(is_control) {
        count += 1;
        if let Some(why) = fault(&n) {
            let node = n.accesskit_node();
            faults.push(format!(
                "{why}: {:?} “{}” at {:?}",
                node.role(),
                node.label().unwrap_or_default(),
                n.rect()
            ));
        }
    }
    assert!(faults.is_empty(), "{place}:\n{}", faults.join("\n"));
    assert!(count >= at_least, "{place}: only {count} controls");
}

fn send(w: &mut Window, command: Command) {
    let ctx = w.0.ctx.clone();
    w.0.state_mut().dispatch(&ctx, command);
    w.steps(6);
}

/// Takes of which one has a concern and two stand in one place.
fn takes() -> seamwright::session::Document {
    let mut d = three();
    let take = Arc::make_mut(&mut d.takes[1]);
    take.concerns = vec![Concern::new(ConcernKind::Clipped, "It is so.")];
    Arc::make_mut(&mut d.takes[4]).layer = 0;
    d
}

fn window() -> Window {
    Window::of(takes(), vec2(1280.0, 800.0))
}

#[test]
fn every_room_is_named() {
    for (room, at_least) in [(Room::Sheet, 30), (Room::Bench, 20), (Room::Stack, 20), (Room::Deliver, 40)] {
        let mut w = window();
        send(&mut w, Command::Go(GoCommand::Room(room)));
        w.steps(10);
        walk(&w, &format!("{room:?}"), at_least);
    }
}

#[test]
fn every_form_of_the_sheet_is_named() {
    for form in [Form::Cells, Form::List, Form::Tuning] {
        let mut w = window();
        let mut listing = Listing { form, ..w.0.state().triage().listing };
        listing.filter.under = Some(70.0);
        send(&mut w, Command::Go(GoCommand::List(listing)));
        walk(&w, &format!("{form:?}"), 25);
    }
    let mut w = window();
    w.keys(Modifiers::COMMAND, Key::A);
    walk(&w, "several selected", 30);
    let mut w = window();
    w.click("C#4, layer 1", Modifiers::NONE);
    walk(&w, "several for one cell", 30);
}

#[test]
fn everything_around_the_rooms_is_named() {
    type Opens = fn(bool) -> LookCommand;
    let around: [(&str, Opens, usize); 6] = [
        ("keys", LookCommand::Keys, 30),
        ("commands", LookCommand::Commands, 40),
        ("undo list", LookCommand::Steps, 30),
        ("preferences", LookCommand::Preferences, 35),
        ("path", LookCommand::OpenPath, 32),
        ("messages", LookCommand::Messages, 31),
    ];
    for (place, open, at_least) in around {
        let mut w = window();
        w.key(Key::D);
        w.key(Key::U);
        send(&mut w, Command::Look(open(true)));
        walk(&w, place, at_least);
    }
    let mut w = window();
    send(&mut w, Command::Keyboard(KeyboardCommand::Show(true)));
    walk(&w, "audition keyboard", 35);
    let mut w = window();
    w.press("Menu");
    walk(&w, "menu", 30);
}

#[test]
fn start_page_and_an_empty_session_are_named() {
    let mut w = Window::of(full(0, 0), vec2(1280.0, 800.0));
    for room in [Room::Sheet, Room::Bench, Room::Stack, Room::Deliver] {
        send(&mut w, Command::Go(GoCommand::Room(room)));
        walk(&w, &format!("empty {room:?}"), 8);
    }
    let environment = seamwright::app::Environment::for_tests();
    let h = egui_kittest::Harness::builder()
        .with_size(vec2(1280.0, 800.0))
        .build_eframe(move |cc| seamwright::app::App::new(&cc.egui_ctx, &environment, vec![]).unwrap());
    let mut w = Window(h);
    w.steps(4);
    walk(&w, "start page", 4);
}
