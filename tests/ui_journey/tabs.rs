//! The Tab key leads through everything in a room and round again; of the takes in the sheet it comes to one, and
//! arrows lead to the others.

use std::collections::BTreeSet;

use egui::accesskit::{Action, Role};
use egui::{Key, Rect};
use egui_kittest::Node;
use egui_kittest::kittest::{NodeT as _, Queryable as _};

use crate::support::{Window, takes};

/// What Tab stands on: role, name and place.
type Stop = (Role, String, Rect);

fn stop(n: &Node<'_>) -> Stop {
    let node = n.accesskit_node();
    (node.role(), node.label().unwrap_or_default(), n.rect())
}

/// Role and name, without what the name says of the moment.
fn called((role, name, _): &Stop) -> (String, String) {
    (format!("{role:?}"), name.split(':').next().unwrap_or_default().to_owned())
}

fn focused(w: &Window) -> Option<Stop> {
    w.h.query_all_by(|_| true).find(|n| n.accesskit_node().is_focused()).map(|n| stop(&n))
}

/// What a hand at the mouse can press in the room, by role and name; what is greyed is none of it.
fn pressable(w: &Window) -> BTreeSet<(String, String)> {
    let all = w.h.query_all_by(|_| true).filter(|n| {
        let node = n.accesskit_node();
        let acts = [Action::Click, Action::SetValue, Action::Increment];
        let acts = acts.iter().any(|a| node.data().supports_action(*a));
        let passive = matches!(
            node.role(),
            Role::Label | Role::Window | Role::ScrollView | Role::ScrollBar | Role::GenericContainer
        );
        // What a click in a picture does is done by its handles, or by a list or button beside it.
        let passive = passive || node.role() == Role::Image;
        acts && !passive && !node.is_disabled() && !node.label().unwrap_or_default().is_empty()
    });
    all.map(|n| called(&stop(&n))).collect()
}

/// Presses Tab until it comes round; everything it stood on.
fn walk(w: &mut Window) -> Vec<Stop> {
    let mut stops: Vec<Stop> = Vec::new();
    for _ in 0..400 {
        w.key(Key::Tab);
        w.frames(2);
        let Some(now) = focused(w) else { continue };
        if stops.first().is_some_and(|first| first.0 == now.0 && first.1 == now.1) {
            return stops;
        }
        stops.push(now);
    }
    panic!("Tab never comes round: {:#?}", stops.iter().map(|s| &s.1).collect::<Vec<_>>());
}

/// Whether a name is that of a take in the sheet.
fn is_cell((_, name): &(String, String)) -> bool {
    name.contains(", layer ")
}

/// Every cell that arrows lead to from the one that Tab comes to, and back there.
fn cells(w: &mut Window) -> Vec<Stop> {
    for _ in 0..400 {
        if focused(w).is_some_and(|s| is_cell(&called(&s))) {
            break;
        }
        w.key(Key::Tab);
        w.frames(2);
    }
    let mut all = Vec::new();
    for key in [Key::ArrowUp, Key::ArrowDown] {
        for _ in 0..8 {
            w.key(key);
            w.frames(2);
            all.extend(focused(w).filter(|s| is_cell(&called(s))));
        }
    }
    w.keys(egui::Modifiers::COMMAND, Key::Home);
    w.frames(2);
    all
}

#[test]
fn tab_and_arrows_lead_through_every_room() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", 2);
    let mut w = Window::proposed(&folder, 2);
    let window = Rect::from_min_size(egui::Pos2::ZERO, egui::vec2(1280.0, 800.0));
    for (room, key) in
        [("sheet", Key::Num1), ("bench", Key::Num2), ("stack", Key::Num3), ("deliver", Key::Num4)]
    {
        w.key(Key::Escape);
        w.key(key);
        if room == "bench" {
            w.until_made();
        }
        w.frames(60);
        let can = pressable(&w);
        let stops = walk(&mut w);
        assert!(stops.len() > 15, "{room}: only {} stops", stops.len());
        for (role, name, at) in &stops {
            assert!(name.chars().any(char::is_alphanumeric), "{room}: {role:?} at {at:?} says nothing");
            assert!(window.contains(at.center()), "{room}: “{name}” is out of sight at {at:?}");
        }
        let mut stood: BTreeSet<_> = stops.iter().map(called).collect();
        assert_eq!(
            stood.iter().filter(|s| is_cell(s)).count(),
            1,
            "{room}: the sheet is one stop: {stood:?}"
        );
        stood.extend(cells(&mut w).iter().map(called));
        let left_out: Vec<_> = can.difference(&stood).collect();
        assert!(left_out.is_empty(), "{room}: Tab does not come to {left_out:?}");
    }
}
