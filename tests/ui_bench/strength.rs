//! The strength curve and its nodes.

use super::*;

#[test]
fn strength_nodes_are_moved_and_removed() {
    let mut h = bench(worked(1, 3.0));
    let nodes = |h: &Bench<'_>| h.state().recipe().tune.curve.nodes;
    assert_eq!(nodes(&h).len(), 2);
    focus(&mut h, "Strength node 2");
    h.key_press(Key::ArrowDown);
    h.run_steps(2);
    assert!((nodes(&h)[1].1 - 0.99).abs() < 1e-9);
    h.key_press(Key::Delete);
    h.run_steps(2);
    assert_eq!(nodes(&h).len(), 1);
    focus(&mut h, "Strength node 1");
    h.key_press(Key::Delete);
    h.run_steps(2);
    assert_eq!(nodes(&h).len(), 1, "one always stays");
    h.get_by_label("Reset strength").click();
    h.run_steps(2);
    assert_eq!(nodes(&h), seamwright::dsp::tune::StrengthCurve::default().nodes);
    assert_eq!(
        h.state().history.labels().collect::<Vec<_>>(),
        ["Bend strength curve", "Remove strength node", "Reset strength curve"]
    );
}

#[test]
fn a_double_click_adds_a_strength_node_and_a_right_click_removes_it() {
    let mut h = bench(worked(1, 3.0));
    let lane = h.get_by_label_contains("Pitch:").rect();
    let at = lane.center();
    for _ in 0..2 {
        press(&mut h, at);
        h.event(Event::PointerButton {
            pos: at,
            button: PointerButton::Primary,
            pressed: false,
            modifiers: Modifiers::NONE,
        });
        h.step();
    }
    h.run_steps(2);
    let nodes = h.state().recipe().tune.curve.nodes;
    assert_eq!(nodes.len(), 3, "{:?}", edits(&h));
    assert!((nodes[2].1 - 0.5).abs() < 0.02, "half way up: {nodes:?}");
    let node = handle_pos(&h, "Strength node 3");
    assert!((node - at).length() < 2.0);
    h.hover_at(node);
    h.step();
    for pressed in [true, false] {
        h.event(Event::PointerButton {
            pos: node,
            button: PointerButton::Secondary,
            pressed,
            modifiers: Modifiers::NONE,
        });
        h.step();
    }
    h.run_steps(2);
    assert_eq!(h.state().recipe().tune.curve.nodes.len(), 2);
}

#[test]
fn a_dragged_node_is_one_step_and_stays_in_order() {
    let mut h = bench(worked(1, 3.0));
    let at = handle_pos(&h, "Strength node 1");
    press(&mut h, at);
    let end = creep(&mut h, at, 200);
    release(&mut h, end);
    let nodes = h.state().recipe().tune.curve.nodes;
    assert!(nodes[0].0 < nodes[1].0, "{nodes:?}");
    assert_eq!(h.state().history.labels().collect::<Vec<_>>(), ["Bend strength curve"]);
}

/// A place on the strength curve's line, far from its nodes: right of the last one it is level.
fn on_the_line(h: &Bench<'_>) -> Pos2 {
    handle_pos(h, "Strength node 2") + vec2(220.0, 2.0)
}

fn drop_by(h: &mut Bench<'_>, from: Pos2, points: i32) -> Pos2 {
    let mut at = from;
    for _ in 0..points {
        at.y += 1.0;
        h.hover_at(at);
        h.step();
    }
    at
}

#[test]
fn the_line_itself_is_dragged_and_makes_a_node() {
    let mut h = bench(worked(1, 3.0));
    let before = h.state().recipe().tune.curve.nodes;
    let at = on_the_line(&h);
    press(&mut h, at);
    let end = drop_by(&mut h, at, 30);
    assert_eq!(h.state().recipe().tune.curve.nodes.len(), 3, "it is shown while it is dragged");
    assert_eq!(h.state().history.labels().count(), 0);
    release(&mut h, end);
    let nodes = h.state().recipe().tune.curve.nodes;
    assert_eq!((nodes.len(), &nodes[..2]), (3, &before[..]), "the others stay");
    assert!(nodes[2].1 < before[1].1 - 0.1, "{nodes:?}");
    assert_eq!(h.state().history.labels().collect::<Vec<_>>(), ["Bend strength curve"], "one step");
    let node = handle_pos(&h, "Strength node 3");
    assert!((node - (end - vec2(0.0, 2.0))).length() < 2.0, "under the hand: {node} {end}");
    assert!(h.get_by_role_and_label(Role::Slider, "Strength node 3").is_focused(), "it takes the keys");
    h.key_press(Key::Delete);
    h.run_steps(2);
    assert_eq!(h.state().recipe().tune.curve.nodes, before);
}

#[test]
fn escape_gives_the_drag_of_the_line_up_and_beside_it_nothing_is_dragged() {
    let mut h = bench(worked(1, 3.0));
    let before = h.state().recipe();
    let at = on_the_line(&h);
    press(&mut h, at);
    let mid = drop_by(&mut h, at, 20);
    assert_ne!(h.state().recipe(), before);
    h.key_press(Key::Escape);
    h.step();
    let end = drop_by(&mut h, mid, 10);
    release(&mut h, end);
    assert_eq!((h.state().recipe(), h.state().history.labels().count()), (before.clone(), 0));
    let beside = at + vec2(0.0, 30.0);
    press(&mut h, beside);
    let end = drop_by(&mut h, beside, 15);
    release(&mut h, end);
    assert_eq!((h.state().recipe(), h.state().history.labels().count()), (before, 0));
}

#[test]
fn lane_and_line_tell_how_the_curve_is_bent() {
    let mut h = bench(worked(1, 3.0));
    let lane = h.get_by_label_contains("Pitch:").rect();
    for at in [lane.center(), on_the_line(&h)] {
        h.hover_at(pos2_away(lane));
        h.run_steps(30);
        h.hover_at(at);
        h.run_steps(60);
        let how = "Drag the line to bend it; double-click adds a node, Delete removes it";
        assert!(h.query_by_label_contains(how).is_some(), "{at}");
    }
    assert_eq!(h.output().platform_output.cursor_icon, egui::CursorIcon::Move);
}

/// Beside the lanes, where nothing is told.
fn pos2_away(lane: egui::Rect) -> Pos2 {
    lane.left_top() - vec2(20.0, 60.0)
}
