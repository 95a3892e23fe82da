//! The bench room as its user works it: mouse, keys and screen reader against the commands that
//! come out.

mod bench_support;

use bench_support::{TAKE, World, bare, concern, note, worked};
use egui::Role;
use egui::{Event, Key, Modifiers, PointerButton, Pos2, vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT, Queryable};
use seamwright::app::command::{Command, EditCommand, SoundCommand, WorkCommand};
use seamwright::app::widgets::time_axis::TimeRange;
use seamwright::session::{Edit, History, LoopRecipe, TakeState};

type Bench<'a> = Harness<'a, World>;

fn bench<'a>(world: World) -> Bench<'a> {
    let mut h = Harness::builder()
        .with_size(vec2(1280.0, 800.0))
        .with_step_dt(1.0 / 60.0)
        .build_ui_state(|ui, world: &mut World| world.pass(ui), world);
    h.run_steps(2);
    h
}

/// A bench with a finished take that shows its loop, so that the handles stand far apart.
fn at_the_loop<'a>() -> Bench<'a> {
    let mut h = bench(worked(1, 3.0));
    h.get_by_label("Fit loop").click();
    h.run_steps(3);
    h.state_mut().log.clear();
    h
}

fn edits(h: &Bench<'_>) -> Vec<EditCommand> {
    h.state()
        .log
        .iter()
        .filter_map(|c| if let Command::Edit(e) = c { Some(e.clone()) } else { None })
        .collect()
}

fn handle_pos(h: &Bench<'_>, name: &str) -> Pos2 {
    h.get_by_role_and_label(Role::Slider, name).rect().center()
}

fn numeric(h: &Bench<'_>, name: &str) -> f64 {
    h.get_by_role_and_label(Role::Slider, name).accesskit_node().numeric_value().unwrap()
}

fn press(h: &mut Bench<'_>, at: Pos2) {
    h.hover_at(at);
    h.step();
    h.event(Event::PointerButton {
        pos: at,
        button: PointerButton::Primary,
        pressed: true,
        modifiers: Modifiers::NONE,
    });
    h.step();
}

fn creep(h: &mut Bench<'_>, from: Pos2, points: i32) -> Pos2 {
    let mut at = from;
    for _ in 0..points.abs() {
        at.x += points.signum() as f32;
        h.hover_at(at);
        h.step();
    }
    at
}

fn release(h: &mut Bench<'_>, at: Pos2) {
    h.event(Event::PointerButton {
        pos: at,
        button: PointerButton::Primary,
        pressed: false,
        modifiers: Modifiers::NONE,
    });
    h.run_steps(2);
}

fn focus(h: &mut Bench<'_>, name: &str) {
    h.get_by_role_and_label(Role::Slider, name).focus();
    h.run_steps(2);
    h.state_mut().log.clear();
}

fn looping(h: &Bench<'_>) -> LoopRecipe {
    h.state().recipe().looping.unwrap()
}

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

/// 48 000 frames a second; the note sounds 217.7 Hz in the source, which is 220.49 frames a period.
#[test]
fn where_a_take_begins_ends_and_speaks_can_be_typed_in_any_unit() {
    let mut h = bench(worked(1, 3.0));
    h.set_size(vec2(1280.0, 2400.0));
    h.run_steps(3);
    let trim = |h: &Bench<'_>| {
        let t = h.state().recipe().trim;
        (t.range.start.0, t.onset.0, t.range.end.0)
    };
    for (field, typed, wanted, label) in [
        ("In point in seconds", "450 ms", (21_600, None, None), "Move in point"),
        ("In point in frames", "0.46 s", (22_080, None, None), "Move in point"),
        ("In point in seconds", "100 periods", (22_049, None, None), "Move in point"),
        ("Onset in seconds", "24500 frames", (22_049, Some(24_500), None), "Move onset"),
        ("Out point in frames", "2.5 s", (22_049, Some(24_500), Some(120_000)), "Move out point"),
    ] {
        let steps = h.state().history.place();
        bench_support::type_number(&mut h, field, typed);
        let now = trim(&h);
        let (start, onset, end) = wanted;
        assert!(now.0.abs_diff(start) <= 1, "{field} {typed}: {now:?}");
        assert!(onset.is_none_or(|o| now.1 == o) && end.is_none_or(|e| now.2 == e), "{field}: {now:?}");
        assert_eq!(h.state().history.place(), steps + 1, "{field}: one step");
        assert_eq!(h.state().history.undo_label(), Some(label));
    }
    // What is no such place is refused, and said.
    let before = trim(&h);
    bench_support::type_number(&mut h, "In point in seconds", "9 s");
    assert_eq!(trim(&h), before);
    assert!(h.query_by_label_contains("“9 s” is not within").is_some());
}

/// Of two refusals one is told, below its row, and it covers no field; the other says it under the pointer.
#[test]
fn refused_numbers_cover_no_field() {
    let mut h = bench(worked(1, 3.0));
    h.set_size(vec2(1280.0, 1900.0));
    h.run_steps(3);
    let top = |h: &Bench<'_>, name: &str| h.get_by_role_and_label(Role::SpinButton, name).rect().top();
    let gap = |h: &Bench<'_>| top(h, "Onset in seconds") - top(h, "Out point in seconds");
    let before = gap(&h);
    bench_support::type_number(&mut h, "In point in seconds", "9 s");
    bench_support::type_number(&mut h, "Out point in seconds", "99 s");
    h.run_steps(4);
    let told: Vec<_> = h.query_all_by_label_contains(" is not within ").map(|n| n.rect()).collect();
    assert_eq!(told.len(), 1);
    assert!(h.query_by_label_contains("“99 s” is not within").is_some(), "the latest");
    let fields: Vec<_> = h.query_all_by_role(Role::SpinButton).map(|n| n.rect()).collect();
    assert!(fields.len() > 8);
    assert!(fields.iter().all(|f| !f.intersects(told[0])), "{told:?} {fields:?}");
    assert!(gap(&h) > before + 20.0, "what is below moves down: {before} {}", gap(&h));
    let other = h.get_by_role_and_label(Role::SpinButton, "In point in seconds").rect().center();
    h.hover_at(other);
    h.run_steps(60);
    assert!(h.query_by_label_contains("“9 s” is not within").is_some());
}

#[test]
fn number_fields_tell_unit_and_range_under_the_pointer() {
    let mut h = bench(worked(1, 3.0));
    h.set_size(vec2(1280.0, 1900.0));
    h.run_steps(3);
    for (role, name, part) in [
        (Role::SpinButton, "Crossfade", " ms, in s"),
        (Role::SpinButton, "Start in frames", "In frames of the delivered file"),
        (Role::SpinButton, "Offset", " cents"),
    ] {
        let at = h.get_by_role_and_label(role, name).rect().center();
        h.hover_at(at);
        h.run_steps(60);
        let about = h.query_all_by_label_contains("From ").filter_map(|n| n.value());
        let about: Vec<String> = about.collect();
        assert!(about.iter().any(|a| a.contains(part) && a.contains(" to ")), "{name}: {about:?}");
        h.hover_at(egui::pos2(300.0, 1800.0));
        h.run_steps(30);
    }
    let start = h.get_by_role_and_label(Role::SpinButton, "Start in frames").value();
    assert!(start.as_deref().is_some_and(|v| v.ends_with(" fr")), "{start:?}");
    let (view, with) =
        (h.get_by_label("view ±2 periods").rect(), h.get_by_label("Show with crossfade").rect());
    assert!(with.right() < view.left(), "one beside the other: {with} {view}");
}

#[test]
fn negative_numbers_have_a_minus_sign_and_are_typed_with_either() {
    for typed in ["-12.5", "−12.5", "-12.5 cents"] {
        let mut h = bench(worked(1, 3.0));
        h.set_size(vec2(1280.0, 1900.0));
        h.run_steps(3);
        bench_support::type_number(&mut h, "Offset", typed);
        assert_eq!(h.state().recipe().tune.offset.0, -12.5, "{typed}");
        let texts = h.query_all_by_role_and_label(Role::SpinButton, "Offset").filter_map(|n| n.value());
        let texts: Vec<String> = texts.collect();
        assert!(texts.iter().any(|t| t == "−12.5 cents"), "{texts:?}");
    }
}

#[test]
fn a_moved_loop_has_a_new_score() {
    let mut h = at_the_loop();
    let good = looping(&h).score;
    focus(&mut h, "Loop end");
    // A quarter of a period off: the waveform does not meet itself.
    h.get_by_role_and_label(Role::Slider, "Loop end").set_value_accesskit(numeric(&h, "Loop end") + 54.0);
    h.run_steps(2);
    assert!(looping(&h).score < good - 5.0, "{good} {}", looping(&h).score);
    assert!(looping(&h).parts.waveform < 90.0);
}

#[test]
fn a_suggestion_is_taken_by_click_and_by_key() {
    let mut h = bench(worked(1, 3.0));
    // High enough that the list need not be scrolled to.
    h.set_size(vec2(1280.0, 1300.0));
    h.run_steps(2);
    let loops = h.state().derived.of(TAKE).unwrap().loops.clone().unwrap();
    assert!(loops.len() >= 3);
    h.get_by_label_contains("Loop 2:").click();
    h.run_steps(2);
    let all = edits(&h);
    assert_eq!(all.len(), 1);
    let EditCommand::Do { label, edit: Edit::SetLoop { take: TAKE, looping: Some(l) } } = &all[0] else {
        panic!("{all:?}")
    };
    assert_eq!((label.as_str(), l.start, l.end), ("Take loop candidate", loops[1].1.start, loops[1].1.end));
    h.key_press(Key::ArrowDown);
    h.run_steps(2);
    assert_eq!(looping(&h).start, loops[2].1.start);
    h.key_press(Key::ArrowUp);
    h.run_steps(2);
    assert_eq!(looping(&h).start, loops[1].1.start);
}

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

#[test]
fn a_slider_is_one_step_a_drag_and_typing_is_one() {
    let mut h = bench(worked(1, 3.0));
    // High enough that the tuning need not be scrolled to.
    h.set_size(vec2(1280.0, 1900.0));
    h.run_steps(2);
    let slider = h.get_by_role_and_label(Role::Slider, "Vibrato").rect();
    press(&mut h, slider.left_center() + vec2(8.0, 0.0));
    let end = creep(&mut h, slider.left_center() + vec2(8.0, 0.0), 30);
    release(&mut h, end);
    assert_eq!(h.state().history.labels().collect::<Vec<_>>(), ["Set vibrato"]);
    let vibrato = h.state().recipe().tune.vibrato;
    assert!(vibrato > 0.05 && vibrato < 0.95, "{vibrato}");
    h.get_by_role_and_label(Role::Slider, "Drift").set_value_accesskit(40.0);
    h.run_steps(2);
    assert!((h.state().recipe().tune.drift - 0.4).abs() < 1e-9);
    assert_eq!(h.state().history.labels().collect::<Vec<_>>(), ["Set vibrato", "Set drift"]);
}

#[test]
fn wheel_and_keys_change_what_is_seen() {
    let mut h = bench(worked(1, 3.0));
    let whole = h.state().bench.visible().unwrap();
    assert_eq!(whole, TimeRange::new(0.0, 3.0));
    h.key_press(Key::Plus);
    h.run_steps(2);
    let near = h.state().bench.visible().unwrap();
    assert!((near.span_s() - 1.5).abs() < 1e-9);
    h.key_press(Key::F);
    h.run_steps(2);
    assert_eq!(h.state().bench.visible().unwrap(), whole);
    let lane = h.get_by_label_contains("Wave from").rect();
    h.hover_at(lane.left_center() + vec2(lane.width() * 0.25, 0.0));
    h.step();
    h.event_modifiers(
        Event::MouseWheel {
            unit: egui::MouseWheelUnit::Point,
            delta: vec2(0.0, 120.0),
            modifiers: Modifiers::CTRL,
            phase: egui::TouchPhase::Move,
            source: egui::MouseWheelSource::Wheel,
        },
        Modifiers::CTRL,
    );
    h.run_steps(30);
    let seen = h.state().bench.visible().unwrap();
    assert!(seen.span_s() < 2.9);
    // What was a quarter across is still a quarter across: 0.75 s.
    let share = (0.75 - seen.start_s) / seen.span_s();
    assert!((share - 0.25).abs() < 0.01, "{share}");
    assert!(h.state().log.is_empty(), "looking changes nothing");
}

#[test]
fn the_sound_follows_its_buttons() {
    let mut h = bench(worked(1, 3.0));
    for (label, command) in
        [("Play", SoundCommand::PlayTake), ("Loop", SoundCommand::PlayLoop), ("Seam", SoundCommand::PlaySeam)]
    {
        h.get_by_role_and_label(Role::Button, label).click();
        h.run_steps(2);
        assert_eq!(h.state_mut().log.pop(), Some(Command::Sound(command)));
    }
    h.state_mut().sound.playing = Some((TAKE, 10_000));
    h.run_steps(2);
    h.get_by_label("Stop").click();
    h.run_steps(2);
    assert_eq!(h.state_mut().log.pop(), Some(Command::Sound(SoundCommand::Stop)));
}

#[test]
fn the_seam_close_up_says_what_it_shows_zooms_and_plays() {
    let mut h = bench(worked(1, 3.0));
    // A3 is 220 Hz (ISO 16): two periods, 9.1 ms, are nearest to 8 ms.
    assert!(h.query_by_label_contains("Seam close-up, 9.1 ms (2 periods of the note)").is_some());
    h.get_by_label("Seam nearer").click();
    h.run_steps(2);
    let node = h.get_by_label_contains("Seam close-up, 4.5 ms (1 period of the note)");
    assert!(node.accesskit_node().label().unwrap().contains("the wave goes on"));
    node.click();
    h.run_steps(2);
    assert_eq!(h.state_mut().log.pop(), Some(Command::Sound(SoundCommand::PlaySeam)));
    h.get_by_label("Seam further").click();
    h.run_steps(2);
    assert!(h.query_by_label_contains("Seam close-up, 9.1 ms").is_some());
}

#[test]
fn without_a_device_the_buttons_say_why_they_rest() {
    let mut world = worked(1, 3.0);
    world.sound.device = Err("no such card".into());
    let mut h = bench(world);
    let button = h.get_by_label("Play");
    assert!(button.accesskit_node().is_disabled());
    button.hover();
    h.run_steps(60);
    assert!(h.query_by_label_contains("No sound device is open: no such card").is_some());
}

#[test]
fn state_buttons() {
    let mut h = bench(worked(1, 3.0));
    h.get_by_label("Accept").click();
    h.run_steps(2);
    h.get_by_label("Set aside").click();
    h.run_steps(2);
    h.get_by_label("Propose again").click();
    h.run_steps(2);
    assert_eq!(
        h.state().log,
        [
            Command::Edit(EditCommand::SetState(TAKE, TakeState::Accepted)),
            Command::Edit(EditCommand::SetState(TAKE, TakeState::SetAside)),
            Command::Work(WorkCommand::Propose(TAKE)),
        ]
    );
}

#[test]
fn read_only_shows_everything_and_changes_nothing() {
    let mut world = worked(1, 3.0);
    world.read_only = true;
    let mut h = bench(world);
    h.get_by_label("Fit loop").click();
    h.run_steps(3);
    let at = handle_pos(&h, "Loop start");
    press(&mut h, at);
    let end = creep(&mut h, at, 10);
    release(&mut h, end);
    h.get_by_role_and_label(Role::Slider, "Loop start").set_value_accesskit(1.0);
    h.get_by_label("Accept").click();
    h.get_by_label_contains("Loop 2:").click();
    h.run_steps(2);
    assert_eq!(edits(&h), []);
    assert!(h.query_by_label_contains("Read only").is_some());
}

#[test]
fn empty_states_say_what_to_do() {
    let mut world = bare(&[note(0, 2.0)]);
    world.selected = None;
    let mut h = bench(world);
    assert!(h.query_by_label("No take on the bench").is_some());
    assert!(h.query_by_label_contains("click its cell").is_some());
    h.state_mut().selected = Some(TAKE);
    h.run_steps(2);
    assert!(h.query_by_label_contains("Listening to A3, layer 1").is_some());
    h.state_mut().derived.entry(TAKE).failed = Some("cannot read x.wav: it is not there".into());
    h.run_steps(2);
    assert!(h.query_by_label_contains("it is not there").is_some());
    h.get_by_label("Look through the files again").click();
    h.run_steps(2);
    assert_eq!(h.state_mut().log.pop(), Some(Command::Work(WorkCommand::Survey)));
}

#[test]
fn a_take_without_recipe_can_be_proposed() {
    let mut world = worked(1, 3.0);
    let mut document = (**world.history.document()).clone();
    let take = std::sync::Arc::make_mut(&mut document.takes[0]);
    take.recipe = None;
    take.state = TakeState::New;
    take.concerns = vec![concern()];
    world.history = History::new(document);
    let mut h = bench(world);
    assert!(h.query_by_label("No recipe yet").is_some());
    assert!(h.query_by_label_contains("31 dB above the room").is_some());
    h.get_by_label("Propose a recipe").click();
    h.run_steps(2);
    assert_eq!(h.state().log, [Command::Work(WorkCommand::Propose(TAKE))]);
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
