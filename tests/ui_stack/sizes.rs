//! What stands where: at every size, and when there is nothing to stack.

use super::*;

#[test]
fn empty_states_say_what_to_do() {
    let mut w = world(&[Some(200), Some(331)]);
    w.selected = None;
    let h = window(w, vec2(1280.0, 800.0));
    assert!(says(&h, "No note in the stack") && says(&h, "Choose a take in the sheet"));

    // One loop alone has no distance from another: it is told so, and nothing is shown at one.
    let pointed = |w: World, at_s: f64, from: fn(egui::Rect) -> f32| {
        let mut h = window(w, vec2(1280.0, 800.0));
        let picture = field(&h);
        // It shows −0.6 to 60 s.
        let x = picture.left() + picture.width() * ((at_s + 0.6) / 60.6) as f32;
        h.hover_at(pos2(x, from(picture)));
        h.run_steps(90);
        (says(&h, "turns at"), h)
    };
    // 0.5 s and 200 periods; of two that meet both lie at the foot.
    let (is_told, _) = pointed(world(&[Some(200), Some(200)]), 1.409, |r| r.bottom() - 10.0);
    assert!(is_told, "where there is a distance, it is told");
    let mut w = world(&[Some(200), Some(331)]);
    let mut d = (**w.history.document()).clone();
    let t = Arc::make_mut(&mut d.takes[0]);
    t.recipe.as_mut().unwrap().looping = None;
    let (recipe, sound) = (t.recipe.clone().unwrap(), analyse(&steady(0), t));
    w.derived.entry(TakeId(1)).recipe = Some(made(&sound, &recipe, &d.setup));
    w.history = History::new(d);
    // 0.5 s and 331 periods.
    let (is_told, h) = pointed(w, 2.005, |r| r.top() + 8.0);
    assert!(!is_told && says(&h, "Only layer 2 has a loop: nothing to stay apart from."));

    let h = window(world(&[Some(200)]), vec2(1280.0, 800.0));
    assert!(says(&h, "one layer only"));
    assert!(h.get_by_label("For this note").accesskit_node().is_disabled());

    let mut w = world(&[None, None]);
    w.derived.entry(bench_support::TAKE).source = None;
    let h = window(w, vec2(1280.0, 800.0));
    assert!(says(&h, "No recipe yet") && says(&h, "once two layers have recipes"));
    assert!(h.get_by_label("Hold").accesskit_node().is_disabled());

    let mut w = world(&[Some(200), Some(331)]);
    w.sound.device = Err("none is there".into());
    w.read_only = true;
    let h = window(w, vec2(1280.0, 800.0));
    for name in ["Hold", "For this note", "For every note"] {
        assert!(h.get_by_label(name).accesskit_node().is_disabled(), "{name}");
    }
}

/// Where things stand does not depend on what is said: no button moves from note to note, or while the
/// spread is on its way, and what is said is of the spread as it is at that moment.
#[test]
fn words_change_while_the_spread_is_dragged_and_no_button_moves() {
    let mut h = window(world(&[Some(200), Some(200)]), vec2(1280.0, 800.0));
    let names = ["Hold", "Stop", "1 min", "Whole", "Show it", "Hear it", "For this note", "For every note"];
    let places = |h: &Harness<'_, State>| names.map(|n| h.get_by_label(n).rect());
    let (before, lane) = (places(&h), h.get_by_label_contains("Layer 2 (square): a loop of").rect());
    assert!(says(&h, "65 near-collisions within 1 min"));
    let slider = h.get_by_role_and_label(Role::Slider, "Spread").rect();
    let from = pos2(slider.left() + 6.0, slider.center().y);
    h.drag_at(from);
    h.run_steps(2);
    for x in 1..=20 {
        h.hover_at(from + vec2(2.0 * x as f32, 0.0));
        h.run_steps(1);
    }
    h.run_steps(2);
    let cents = setup(&h).spread.0;
    assert!(cents > 100.0, "{cents}");
    assert!(!says(&h, "65 near-collisions within 1 min"), "the hand still holds it");
    // Both layers move by half of it: 200 periods of 220 Hz at 2^(−cents/2400) of their speed.
    let seconds = 200.0 / 220.0 * (cents / 2400.0).exp2();
    assert!(says(&h, &format!("Layer 1 (disc): a loop of {seconds:.2} s")));
    assert_eq!((places(&h), h.get_by_label_contains("Layer 2 (square): a loop of").rect()), (before, lane));
    h.drop_at(from + vec2(40.0, 0.0));
    h.run_steps(2);
    // Another note: other words, one layer more or less.
    for periods in [vec![Some(200)], vec![Some(331), None], vec![None, None]] {
        h.state_mut().world = world(&periods);
        h.run_steps(3);
        assert_eq!(places(&h), before, "{periods:?}");
    }
}

#[test]
fn a_note_whose_takes_are_all_set_aside_says_so_and_gives_them_back() {
    let mut w = world(&[Some(200), Some(331)]);
    let mut d = (**w.history.document()).clone();
    d.takes.iter_mut().for_each(|t| Arc::make_mut(t).state = TakeState::SetAside);
    w.history = History::new(d);
    let mut h = window(w, vec2(1280.0, 800.0));
    assert!(says(&h, "All takes of A3 are set aside") && says(&h, "Nothing sounds together here"));
    assert!(h.get_by_label("Hold").accesskit_node().is_disabled());
    click(&mut h, "Decide later about them");
    let takes = vec![TakeId(1), TakeId(2)];
    let wanted = Command::Edit(EditCommand::Decide(takes, Decision::Undecide));
    assert_eq!(h.state().log, [wanted]);
}

#[test]
fn every_size_shows_every_control_inside() {
    for size in [vec2(980.0, 620.0), vec2(1280.0, 800.0), vec2(1920.0, 1080.0)] {
        let h = window(world(&[Some(200), Some(200), Some(331)]), size);
        let window = egui::Rect::from_min_size(egui::Pos2::ZERO, size);
        let names = [
            "Hold",
            "Stop",
            "Spread",
            "1 min",
            "3 min",
            "Nearer",
            "Further",
            "Whole",
            "Earlier",
            "Later",
            "Show it",
            "Hear it",
            "For this note",
            "For every note",
            "Mute layer 1",
            "Solo layer 1",
            "Level of layer 1",
            "Pan of layer 1",
            "Mute layer 3",
            "Pan of layer 3",
        ];
        for name in names {
            let all: Vec<_> = h.query_all_by_label(name).collect();
            assert!(!all.is_empty(), "{name} at {size}");
            assert!(
                all.iter().all(|n| window.contains_rect(n.rect())),
                "{name} at {size}: {:?}",
                all[0].rect()
            );
        }
    }
}

/// With the audition keyboard open at a large scale little is left: picture, table and words then scroll together.
#[test]
fn in_a_low_room_everything_scrolls_and_the_wheel_over_the_picture_moves_time() {
    let mut h = window(world(&[Some(200), Some(200), Some(331)]), vec2(600.0, 300.0));
    let picture = field(&h);
    assert!(picture.height() >= 100.0 && picture.bottom() < 300.0, "{picture}");
    // What decides comes first: the verdict, the choice of loops, then the layers.
    let parts =
        ["Show it", "For this note", "Pan of layer 1", "Pan of layer 3"].map(|n| h.get_by_label(n).rect());
    assert!(picture.bottom() <= parts[0].top(), "{picture} {}", parts[0]);
    assert!(parts.windows(2).all(|p| p[0].bottom() <= p[1].top()), "{parts:?}");
    let wheel = |h: &mut Harness<'_, State>, at| {
        h.hover_at(at);
        h.run_steps(2);
        h.event(egui::Event::MouseWheel {
            unit: egui::MouseWheelUnit::Point,
            delta: vec2(0.0, -60.0),
            phase: egui::TouchPhase::Move,
            source: egui::MouseWheelSource::Wheel,
            modifiers: Modifiers::NONE,
        });
        h.run_steps(8);
    };
    click(&mut h, "Nearer");
    wheel(&mut h, picture.center());
    assert_eq!(field(&h), picture, "the wheel belongs to the time axis here");
    wheel(&mut h, pos2(picture.center().x, picture.bottom() + 40.0));
    assert!(field(&h).top() < picture.top(), "and to the room elsewhere");
}

/// A high room gives what table and words do not need to the picture.
#[test]
fn a_high_window_has_a_high_picture() {
    let loops = [Some(200), Some(200), Some(331)];
    let height = |high: f32| field(&window(world(&loops), vec2(1920.0, high))).height();
    let (low, high) = (height(800.0), height(1080.0));
    assert!(high - low > 250.0, "{low} {high}");
}

/// A window of 1280 × 800 at a scale of 1.5 leaves the room about so much: the verdict, the way to each
/// near-collision and the choice of loops are seen without scrolling.
#[test]
fn in_a_small_window_what_decides_is_seen_without_scrolling() {
    let size = vec2(668.0, 434.0);
    let h = window(world(&[Some(200), Some(200), Some(331), Some(331)]), size);
    let seen = egui::Rect::from_min_size(egui::Pos2::ZERO, size);
    assert!(field(&h).height() >= 100.0);
    for name in ["Earlier", "Later", "Show it", "Hear it", "For this note", "For every note"] {
        assert!(seen.contains_rect(h.get_by_label(name).rect()), "{name}: {}", h.get_by_label(name).rect());
    }
    for part in ["near-collisions within 1 min", "1 of ", "Layers 1 and 2: 65 times"] {
        let all: Vec<_> = h.query_all_by_label_contains(part).map(|n| n.rect()).collect();
        assert!(!all.is_empty() && all.iter().all(|r| seen.contains_rect(*r)), "{part}: {all:?}");
    }
}
