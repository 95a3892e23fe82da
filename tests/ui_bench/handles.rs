//! The handles in the wave lane: mouse, keys and screen reader take one way.

use super::*;

#[test]
fn a_drag_is_previews_and_one_commit() {
    let mut h = at_the_loop();
    let before = (numeric(&h, "Loop start"), looping(&h));
    let at = handle_pos(&h, "Loop start");
    press(&mut h, at);
    assert!(edits(&h).is_empty(), "a press alone changes nothing: {:?}", edits(&h));
    let end = creep(&mut h, at, 12);
    release(&mut h, end);
    let all = edits(&h);
    let (last, rest) = all.split_last().unwrap();
    assert_eq!(*last, EditCommand::Commit("Move loop start".into()));
    assert!(rest.len() >= 12, "{}", rest.len());
    for e in rest {
        assert!(matches!(e, EditCommand::Preview(Edit::SetLoop { take: TAKE, looping: Some(_) })), "{e:?}");
    }
    assert_eq!(h.state().history.labels().collect::<Vec<_>>(), ["Move loop start"], "one step");
    // 12 points to the right, and only the start.
    assert!(numeric(&h, "Loop start") > before.0);
    assert_eq!(looping(&h).end.to_bits(), before.1.end.to_bits());
    assert!((handle_pos(&h, "Loop start").x - end.x).abs() <= 1.0, "it stands under the pointer");
}

#[test]
fn escape_gives_a_drag_up() {
    let mut h = at_the_loop();
    let before = h.state().recipe();
    let at = handle_pos(&h, "Loop end");
    press(&mut h, at);
    let mid = creep(&mut h, at, -8);
    assert_ne!(h.state().recipe(), before, "it is shown while it is dragged");
    h.key_press(Key::Escape);
    h.step();
    let end = creep(&mut h, mid, -8);
    release(&mut h, end);
    assert_eq!(edits(&h).iter().filter(|e| **e == EditCommand::Abort).count(), 1);
    assert!(!edits(&h).iter().any(|e| matches!(e, EditCommand::Commit(_))), "{:?}", edits(&h));
    assert_eq!(h.state().recipe(), before);
    assert_eq!(h.state().history.labels().count(), 0);
}

#[test]
fn a_click_on_a_handle_changes_nothing() {
    let mut h = at_the_loop();
    let at = handle_pos(&h, "Loop end");
    press(&mut h, at);
    release(&mut h, at);
    assert_eq!(edits(&h), []);
    assert!(h.get_by_role_and_label(Role::Slider, "Loop end").is_focused(), "but it takes the keys");
}

#[test]
fn arrow_keys_nudge_by_one_rendered_frame() {
    let mut h = at_the_loop();
    focus(&mut h, "Loop start");
    let start = numeric(&h, "Loop start");
    for (key, modifiers, by) in [
        (Key::ArrowRight, Modifiers::NONE, 1.0),
        (Key::ArrowLeft, Modifiers::NONE, -1.0),
        // 10 ms at 48 kHz.
        (Key::ArrowRight, Modifiers::SHIFT, 480.0),
        (Key::ArrowLeft, Modifiers::SHIFT, -480.0),
    ] {
        let from = numeric(&h, "Loop start");
        h.key_press_modifiers(modifiers, key);
        h.run_steps(2);
        assert_eq!(numeric(&h, "Loop start") - from, by, "{key:?}");
    }
    assert_eq!(numeric(&h, "Loop start"), start);
    let all = edits(&h);
    assert_eq!(all.len(), 4, "one step each");
    for e in &all {
        assert!(matches!(e, EditCommand::Do { label, .. } if label == "Move loop start"), "{e:?}");
    }
    assert!(h.get_by_role_and_label(Role::Slider, "Loop start").is_focused(), "the keys stay with it");
}

#[test]
fn page_keys_go_by_one_period() {
    let mut h = at_the_loop();
    focus(&mut h, "Loop end");
    let from = numeric(&h, "Loop end");
    h.key_press(Key::PageDown);
    h.run_steps(2);
    // The take is tuned to A3 = 220 Hz (ISO 16, equal temperament): 48000/220 = 218.18 frames, and a
    // handle stands on a whole one.
    assert_eq!(from - numeric(&h, "Loop end"), 218.0);
}

#[test]
fn z_goes_to_the_next_zero_crossing() {
    let mut h = at_the_loop();
    focus(&mut h, "Loop start");
    let from = numeric(&h, "Loop start") as usize;
    h.key_press(Key::O);
    h.run_steps(2);
    let to = numeric(&h, "Loop start") as usize;
    let entry = h.state().derived.of(TAKE).unwrap().recipe.clone().unwrap();
    let x = entry.rendered.audio.channel(0);
    assert!(to > from && to - from <= 219, "within a period: {from} {to}");
    assert!((x[to - 1] < 0.0) != (x[to] < 0.0), "{} {}", x[to - 1], x[to]);
    h.key_press_modifiers(Modifiers::SHIFT, Key::O);
    h.run_steps(2);
    assert!((numeric(&h, "Loop start") as usize) < to);
}

#[test]
fn handles_stop_at_their_limits() {
    let mut h = at_the_loop();
    focus(&mut h, "Loop start");
    h.key_press(Key::End);
    h.run_steps(2);
    assert!(numeric(&h, "Loop start") + 32.0 < numeric(&h, "Loop end"));
    h.key_press(Key::ArrowRight);
    h.run_steps(2);
    assert_eq!(edits(&h).len(), 1, "at the limit there is nothing to do");
    focus(&mut h, "Out point");
    h.key_press(Key::Home);
    h.run_steps(2);
    let trim = h.state().recipe().trim;
    assert!(trim.range.end.0 as f64 >= looping(&h).end, "the loop stays inside");
}

#[test]
fn a_screen_reader_hears_and_sets_values() {
    let mut h = at_the_loop();
    let rate = 48_000.0;
    let node = h.get_by_role_and_label(Role::Slider, "Loop start");
    let n = node.accesskit_node();
    let now = n.numeric_value().unwrap();
    assert_eq!(n.value().unwrap(), format!("{:.3} s, frame {now:.0}", now / rate));
    assert!(n.min_numeric_value().unwrap() <= now && now <= n.max_numeric_value().unwrap());
    node.set_value_accesskit(now + 25.0);
    h.run_steps(2);
    assert_eq!(numeric(&h, "Loop start"), now + 25.0);
    h.get_by_role_and_label(Role::Slider, "Loop start").increment_accesskit();
    h.run_steps(2);
    assert_eq!(numeric(&h, "Loop start"), now + 26.0);
    h.get_by_role_and_label(Role::Slider, "Loop start").decrement_accesskit();
    h.run_steps(2);
    assert_eq!(numeric(&h, "Loop start"), now + 25.0);
    // The same path clamps.
    h.get_by_role_and_label(Role::Slider, "Loop start").set_value_accesskit(1e12);
    h.run_steps(2);
    assert_eq!(numeric(&h, "Loop start"), numeric(&h, "Loop end") - 33.0);
    for name in ["In point", "Out point", "Onset", "Loop end", "Fade in", "Fade out", "Strength node 1"] {
        assert!(h.query_all_by_role_and_label(Role::Slider, name).next().is_some(), "{name}");
    }
}

#[test]
fn tab_goes_from_a_clicked_wave_to_its_handles() {
    for (ground, modifiers, handle) in [
        ("Wave from", Modifiers::NONE, "In point"),
        ("Wave from", Modifiers::SHIFT, "Fade out"),
        ("Visible stretch", Modifiers::NONE, "In point"),
    ] {
        let mut h = at_the_loop();
        let at = h.get_by_label_contains(ground).rect().center();
        press(&mut h, at);
        release(&mut h, at);
        h.key_press_modifiers(modifiers, Key::Tab);
        h.run_steps(2);
        assert!(h.get_by_role_and_label(Role::Slider, handle).is_focused(), "{ground} {handle}");
    }
    // What was clicked since then has its own order.
    let mut h = at_the_loop();
    let at = h.get_by_label_contains("Wave from").rect().center();
    press(&mut h, at);
    release(&mut h, at);
    let elsewhere = h.get_by_label("Zoom").rect().center();
    press(&mut h, elsewhere);
    release(&mut h, elsewhere);
    h.key_press(Key::Tab);
    h.run_steps(2);
    assert!(!h.get_by_role_and_label(Role::Slider, "In point").is_focused());
}

/// A fade of a millisecond at an onset that stands beside the in point: all three within a few points.
#[test]
fn the_handle_of_a_fade_is_taken_hold_of_where_lines_run_under_it() {
    let mut h = bench(worked(1, 3.0));
    let fade = handle_pos(&h, "Fade in");
    let onset = h.get_by_role_and_label(Role::Slider, "Onset").rect();
    assert!(onset.expand(2.0).contains(fade), "a line runs there: {fade} {onset}");
    press(&mut h, fade);
    let end = creep(&mut h, fade, 12);
    release(&mut h, end);
    assert_eq!(h.state().history.labels().collect::<Vec<_>>(), ["Change fade in"]);
}

#[test]
fn another_take_gives_an_open_drag_up() {
    let mut h = at_the_loop();
    let at = handle_pos(&h, "Loop start");
    press(&mut h, at);
    creep(&mut h, at, 5);
    h.state_mut().selected = None;
    h.step();
    assert_eq!(edits(&h).last(), Some(&EditCommand::Abort));
}

/// The end of a flag in the wave lane that is further from its line, by its word.
fn flag(h: &Bench<'_>, word: &str) -> Pos2 {
    let lane = h.get_by_label_contains("Wave from").rect();
    let all = painted_support::texts(&painted_support::within(h.output(), lane), word);
    assert_eq!(all.len(), 1, "{word}");
    let place = all[0].galley.rect.translate(all[0].pos.to_vec2());
    let leftwards = ["in", "loop end"].contains(&word);
    if leftwards { place.left_center() } else { place.right_center() }
}

#[test]
fn a_flag_drags_its_line() {
    for (word, handle, label) in [
        ("in", "In point", "Move in point"),
        ("onset", "Onset", "Move onset"),
        ("out", "Out point", "Move out point"),
        ("loop start", "Loop start", "Move loop start"),
        ("loop end", "Loop end", "Move loop end"),
    ] {
        let mut h = bench(worked(1, 3.0));
        let (before, line) = (numeric(&h, handle), handle_pos(&h, handle).x);
        let at = flag(&h, word);
        assert!((at.x - line).abs() > 6.0, "{word}: beside the line");
        press(&mut h, at);
        let end = creep(&mut h, at, -9);
        assert!(h.state().history.labels().count() == 0, "{word}: a drag is no step yet");
        release(&mut h, end);
        assert_eq!(h.state().history.labels().collect::<Vec<_>>(), [label]);
        assert!(numeric(&h, handle) < before, "{word}");
        // Beside another line it reaches less far to that side, so that its middle is up to 3 points off.
        assert!((handle_pos(&h, handle).x - (line - 9.0)).abs() <= 4.0, "{word}: as far as the hand");
        assert!(h.get_by_role_and_label(Role::Slider, handle).is_focused(), "{word}: it takes the keys");
    }
}

#[test]
fn escape_gives_the_drag_of_a_flag_up_and_its_line_answers_the_pointer() {
    let mut h = at_the_loop();
    let before = h.state().recipe();
    let at = flag(&h, "loop end");
    h.hover_at(at);
    h.run_steps(2);
    assert_eq!(h.output().platform_output.cursor_icon, egui::CursorIcon::ResizeHorizontal);
    press(&mut h, at);
    let mid = creep(&mut h, at, -8);
    assert_ne!(h.state().recipe(), before, "it is shown while it is dragged");
    h.key_press(Key::Escape);
    h.step();
    release(&mut h, mid);
    assert_eq!((h.state().recipe(), h.state().history.labels().count()), (before, 0));
}
