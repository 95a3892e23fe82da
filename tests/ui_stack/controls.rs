//! What its controls ask for, and what they refuse.

use super::*;

/// By hand: 200 and 331 periods, 0.909 and 1.505 s, entered together: 200·331/gcd = 66200 periods = 301 s
/// until they meet exactly; within 80 ms sooner.
#[test]
fn spread_mute_solo_level_and_pan_are_asked_for() {
    let mut h = window(world(&[Some(200), Some(331), None]), vec2(1280.0, 800.0));
    h.get_by_role_and_label(Role::Slider, "Spread").set_value_accesskit(250.0);
    h.run_steps(3);
    assert_eq!(setup(&h).spread, Cents(250.0));
    assert!(h.state().log.contains(&Command::Stack(StackCommand::Settle)));
    assert!(says(&h, "2.50 semitones"));
    // The first of three layers is 250 cents lower and takes as much longer: 0.909·2^(250/1200) s.
    assert!(says(&h, "Layer 1 (disc): a loop of 1.05 s"));
    assert!(says(&h, "Layer 2 (square): a loop of 1.50 s"), "the middle stays where it is");
    click(&mut h, "Mute layer 1");
    assert!(setup(&h).of(0).muted && !setup(&h).is_heard(0, &[0, 1]));
    click(&mut h, "Mute layer 1");
    click(&mut h, "Solo layer 2");
    assert!(!setup(&h).is_heard(0, &[0, 1]) && setup(&h).is_heard(1, &[0, 1]));
    click(&mut h, "Solo layer 2");
    h.get_by_label("Level of layer 2").set_value_accesskit(-6.0);
    h.run_steps(3);
    h.get_by_label("Pan of layer 2").set_value_accesskit(-40.0);
    h.run_steps(3);
    assert_eq!((setup(&h).of(1).level_db, setup(&h).of(1).pan), (-6.0, -40.0));
    // The layer without a recipe says so and offers one.
    click(&mut h, "Propose a recipe for layer 3");
    assert!(matches!(h.state().log.last(), Some(Command::Work(WorkCommand::Propose(id))) if id.0 == 3));
}

#[test]
fn a_click_in_the_picture_is_heard_from_there_and_a_drag_moves_it() {
    let mut h = window(world(&[Some(200), Some(331)]), vec2(1280.0, 800.0));
    let at = field(&h).center();
    h.drag_at(at);
    h.drop_at(at);
    h.run_steps(3);
    let Some(Command::Stack(StackCommand::HoldFrom(s))) = h.state().log.first().cloned() else {
        panic!("{:?}", h.state().log)
    };
    // It shows −0.6 to 60 s; a point is 0.06 s.
    assert!((s - 29.7).abs() < 0.1, "{s}");
    click(&mut h, "Nearer");
    click(&mut h, "Nearer");
    h.state_mut().log.clear();
    h.drag_at(at);
    h.run_steps(2);
    for x in 1..=10 {
        h.hover_at(at + vec2(-20.0 * x as f32, 0.0));
        h.run_steps(1);
    }
    h.drop_at(at + vec2(-200.0, 0.0));
    h.run_steps(3);
    assert!(h.state().log.is_empty(), "a drag is no click: {:?}", h.state().log);
}

/// What is dragged in the stack room is no part of the document: Escape brings back what was set before the hand
/// took hold of it, and it stays so while the hand moves on and lets go.
#[test]
fn escape_gives_up_every_drag_of_the_room() {
    for (role, name) in [
        (Role::Slider, "Spread"),
        (Role::SpinButton, "Level of layer 1"),
        (Role::SpinButton, "Pan of layer 2"),
        (Role::SpinButton, "Least distance of seams"),
        (Role::SpinButton, "Score given up at most"),
        (Role::Slider, "Line of the least distance, ms"),
    ] {
        let mut h = window(world(&[Some(200), Some(331)]), vec2(1280.0, 800.0));
        let before = setup(&h);
        let rect = h.get_by_role_and_label(role, name).rect();
        let from = pos2(rect.left() + 8.0, rect.center().y);
        h.hover_at(from);
        h.run_steps(1);
        h.drag_at(from);
        h.run_steps(1);
        // The line goes up, the others to the right.
        let way = |x: u8| vec2(2.0, if name.starts_with("Line") { -3.0 } else { 0.0 }) * f32::from(x);
        for x in 1..=20 {
            h.hover_at(from + way(x));
            h.run_steps(1);
        }
        assert_ne!(setup(&h), before, "{name}: it is heard while it is dragged");
        h.key_press(Key::Escape);
        h.run_steps(2);
        assert_eq!(setup(&h), before, "{name}: Escape takes it back");
        for x in 21..=30 {
            h.hover_at(from + way(x));
            h.run_steps(1);
        }
        h.drop_at(from + way(30));
        h.run_steps(3);
        assert_eq!(setup(&h), before, "{name}: and it stays so");
    }
}

#[test]
fn what_cannot_be_is_kept_marked_and_told_with_what_is_allowed() {
    for (name, text, why) in [
        ("Level of layer 1", "loud", "“loud” cannot be read here; write −40.0 to +6.0 dB."),
        ("Level of layer 1", "12 dB", "“12 dB” is not within −40.0 to +6.0 dB."),
        ("Pan of layer 1", "30 dB", "“30 dB” cannot be read here; write 100 left to 100 right."),
        ("Pan of layer 1", "300 right", "“300 right” is not within 100 left to 100 right."),
        ("Least distance of seams", "2 s", "“2 s” is not within 0.02 to 0.50 s."),
        ("Least distance of seams", "wide", "“wide” cannot be read here; write 20 to 500 ms, in s or ms."),
        ("Score given up at most", "80", "“80” is not within 0 to 50 points."),
    ] {
        let mut h = window(world(&[Some(200), Some(331)]), vec2(1280.0, 800.0));
        let before = setup(&h);
        type_number(&mut h, name, text);
        assert!(refusal(&h).contains(why), "{name}: {text}");
        assert_eq!(setup(&h), before, "{name}: {text}");
        let field = h.get_by_role_and_label(Role::SpinButton, name);
        assert_eq!(field.accesskit_node().value().as_deref(), Some(text), "{name}: the text stays");
        // The field was left by Enter; Escape takes the text back all the same.
        h.key_press(Key::Escape);
        h.run_steps(3);
        let field = h.get_by_role_and_label(Role::SpinButton, name);
        assert_ne!(field.accesskit_node().value().as_deref(), Some(text), "{name}: taken back");
        assert_eq!(refusal(&h), "", "{name}");
    }
    let mut h = window(world(&[Some(200), Some(331)]), vec2(1280.0, 800.0));
    type_number(&mut h, "Level of layer 1", "−6 dB");
    type_number(&mut h, "Pan of layer 1", "30 left");
    type_number(&mut h, "Least distance of seams", "0.1 s");
    type_number(&mut h, "Score given up at most", "5 points");
    let now = setup(&h);
    assert_eq!((now.of(0).level_db, now.of(0).pan), (-6.0, -30.0));
    assert_eq!((now.params.apart_s, now.params.most_given_up), (0.1, 5.0));
}

/// What was begun on the bench sounds on here.
#[test]
fn stop_silences_what_was_begun_in_another_room() {
    let mut h = window(world(&[Some(200), Some(331)]), vec2(1280.0, 800.0));
    assert!(h.get_by_label("Stop").accesskit_node().is_disabled());
    h.state_mut().world.sound.playing = Some((TakeId(1), 10));
    h.run_steps(2);
    click(&mut h, "Stop");
    assert_eq!(h.state().log.last(), Some(&Command::Sound(seamwright::app::command::SoundCommand::Stop)));
}
