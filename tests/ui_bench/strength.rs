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
