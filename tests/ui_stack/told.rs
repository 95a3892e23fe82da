//! What the room says of turns, dips, pairs and what was chosen.

use super::*;

/// By hand: all are entered 0.5 s after the onset and last 200 and 200 periods of 220 Hz (0.909 s): they
/// meet at every join; the first is at 1.41 s.
#[test]
fn a_collision_is_told_shown_and_heard() {
    let mut h = window(world(&[Some(200), Some(200)]), vec2(1280.0, 800.0));
    assert!(says(&h, "Layer 1 (disc): a loop of 0.91 s, score 80; turns after 1.4 s and every 0.91 s"));
    // 1.409 + k·0.909 up to 60 s: k = 0 … 64.
    assert!(says(&h, "65 near-collisions within 1 min.") && says(&h, "1 of 65: after 1.4 s, layers 1 and 2"));
    let together = "Layers 1 and 2 come round together every 0.9 s (their loops are about as long), which is heard as a \
                    pulse. A loop of another length for one of them breaks it up";
    assert!(says(&h, together));
    click(&mut h, "Hear it");
    // 1.409 − 1.5 s is before the onset: from the onset.
    assert_eq!(h.state().log, [Command::Stack(StackCommand::HoldFrom(0.0))]);
    // Three minutes: three times as many.
    click(&mut h, "3 min");
    assert_eq!(setup(&h).params.until_s, 180.0);
    assert!(says(&h, "197 near-collisions within 3 min"));
    click(&mut h, "Show it");
    assert!(!h.get_by_label("Whole").accesskit_node().is_disabled(), "it looks from nearby now");
    click(&mut h, "Whole");
    assert!(h.get_by_label("Whole").accesskit_node().is_disabled());
}

/// By hand: 0.909 and 1.505 s, both entered after 0.5 s. A dip 0.4 s into the first comes at 0.9, 1.81, 2.72 s …,
/// one 0.3 s into the second at 0.8, 2.30, 3.81 s …: 0.1 s apart at 0.9 s. A dip of another rendering is none.
#[test]
fn dips_that_come_together_are_told() {
    let mut w = world(&[Some(200), Some(331)]);
    let dip = |into_s| Arc::new(vec![Dip { into_s, depth_db: 3.0, length_s: 0.2 }]);
    for (id, into_s) in [(1, 0.4), (2, 0.3)] {
        let entry = w.derived.entry(TakeId(id));
        let recipe = Arc::clone(&entry.recipe.as_ref().unwrap().recipe);
        entry.dips = Some((recipe, dip(into_s)));
    }
    let mut h = window(w, vec2(1280.0, 800.0));
    assert!(says(&h, "Breaths and dips inside the loops come together"));
    assert!(says(&h, "first after 0.9 s in layers 1 and 2"));
    let old =
        Arc::new((*h.state().world.derived.of(TakeId(1)).unwrap().recipe.as_ref().unwrap().recipe).clone());
    h.state_mut().world.derived.entry(TakeId(1)).dips = Some((old, dip(0.4)));
    h.run_steps(2);
    assert!(says(&h, "never come together"));
}

/// By hand: of 200, 200 and 331 periods the first two meet at every turn; the third seldom, and as often with
/// either.
#[test]
fn pairs_are_told_the_most_frequent_first() {
    let h = window(world(&[Some(331), Some(200), Some(200)]), vec2(1280.0, 800.0));
    assert!(says(&h, "Layers 2 and 3: 65 times · 1 and 2: "));
    let h = window(world(&[Some(200), Some(200)]), vec2(1280.0, 800.0));
    assert!(!says(&h, "65 times"), "one pair is told already");
    let h = window(world(&[Some(200), None]), vec2(1280.0, 800.0));
    assert!(says(&h, "not within 1 min") && !says(&h, "never"));
    assert!(h.query_by_label("Sounding").is_some() && h.query_by_label("Heard").is_none());
}

/// By hand: 65 meetings of 200 and 200 periods, one after the other, 0.909 s apart.
#[test]
fn one_near_collision_after_the_other_is_looked_at_and_heard() {
    let mut h = window(world(&[Some(200), Some(200)]), vec2(1280.0, 800.0));
    assert!(says(&h, "1 of 65: after 1.4 s, layers 1 and 2, 0 ms"));
    assert!(h.get_by_label("Earlier").accesskit_node().is_disabled(), "it is the first");
    for _ in 0..3 {
        click(&mut h, "Later");
    }
    // 1.409 + 3·0.909 s.
    assert!(says(&h, "4 of 65: after 4.1 s"));
    click(&mut h, "Hear it");
    let Some(Command::Stack(StackCommand::HoldFrom(s))) = h.state().log.last().cloned() else {
        panic!("{:?}", h.state().log)
    };
    assert!((s - (4.136 - 1.5)).abs() < 0.01, "{s}");
    click(&mut h, "Show it");
    for _ in 0..5 {
        click(&mut h, "Later");
    }
    // 1.409 + 8·0.909 s: the picture, a second wide, has gone along.
    h.hover_at(field(&h).center());
    h.run_steps(2);
    let at = field(&h).center();
    h.drag_at(at);
    h.drop_at(at);
    h.run_steps(3);
    let Some(Command::Stack(StackCommand::HoldFrom(s))) = h.state().log.last().cloned() else {
        panic!("{:?}", h.state().log)
    };
    assert!((s - 8.68).abs() < 0.02, "{s}");
    click(&mut h, "Earlier");
    assert!(says(&h, "8 of 65"));
}

/// What is not there yet is told as on its way, with how far it is, not as something that does not exist.
#[test]
fn what_is_still_on_its_way_is_told_with_progress() {
    let mut w = world(&[Some(200), Some(331), Some(331)]);
    for id in [2, 3] {
        w.derived.entry(TakeId(id)).recipe = None;
    }
    let mut h = window(w, vec2(1280.0, 800.0));
    assert!(says(&h, "The layers are being made ready: 1 of 3."));
    let bar = h.get_by_role_and_label(Role::ProgressIndicator, "The layers are being made ready: 1 of 3.");
    assert!((bar.accesskit_node().numeric_value().unwrap() - 100.0 / 3.0).abs() < 0.1);
    assert!(says(&h, "as soon as two layers are ready") && !says(&h, "have a loop, so"));
    assert!(says(&h, "is being made ready"), "in the layer's own row");
    // One of an older recipe counts as being on its way too, and what is told meanwhile says so.
    let w = world(&[Some(200), Some(200), Some(331)]);
    h.state_mut().world = w;
    h.state_mut().world.derived.entry(TakeId(3)).updating = true;
    h.run_steps(3);
    assert!(says(&h, "being made ready: 2 of 3") && says(&h, "So far: "));
    assert!(!says(&h, "come round together"), "nothing is told of loops that are on their way");
    h.state_mut().world.derived.entry(TakeId(3)).updating = false;
    h.run_steps(3);
    assert!(!says(&h, "being made ready") && !says(&h, "So far: ") && says(&h, "come round together"));
}

/// Two locked loops of one length meet at every turn whatever is chosen; without the locks there is a choice.
#[test]
fn what_was_chosen_tells_before_and_now_by_layers_and_why_some_remain() {
    let mut w = world(&[Some(200), Some(200)]);
    let mut d = (**w.history.document()).clone();
    let mut layers = Vec::new();
    for (i, take) in d.takes.iter_mut().enumerate() {
        let t = Arc::make_mut(take);
        let l = t.recipe.as_mut().unwrap().looping.as_mut().unwrap();
        l.locked = true;
        let now = StackLoop { entry_s: 0.5, length_s: 200.0 / 220.0, score: 80.0 };
        let mut loops = vec![(now, *l)];
        if i == 1 {
            let other = LoopRecipe { end: l.end + 1000.0, locked: false, ..*l };
            loops.push((StackLoop { length_s: 331.0 / 220.0, ..now }, other));
        }
        layers.push(LayerLoops { take: Arc::clone(take), loops, now: Some(0) });
    }
    w.history = History::new(d);
    let params = StackSetup::default().params;
    let told = note_apart(MidiNote(57), &layers, &params).unwrap();
    assert_eq!((told.before.near_count, told.after.near_count), (65, 65));
    let set = SetApart { notes: vec![told], failed: Vec::new(), params, spread: Cents(0.0) };
    w.derived.set_apart(Some(Arc::new(set)));
    let size = vec2(1280.0, 800.0);
    let h = window(w, size);
    let inside = egui::Rect::from_min_size(egui::Pos2::ZERO, size);
    for part in [
        "What was chosen",
        "Near-collisions within 1 min: 65, as before. Layers 1 and 2: 65 → 65.",
        "Every loop stays as it was.",
        "Layers 1 and 2: both loops are locked.",
        "With no loop locked",
    ] {
        let all: Vec<_> = h.query_all_by_label_contains(part).collect();
        assert!(!all.is_empty(), "{part}");
        assert!(all.iter().all(|n| inside.contains_rect(n.rect())), "{part} is shown whole");
    }
}

/// By hand: 200 and 331 periods of 220 Hz, 0.909 and 1.505 s. The nearest within 12 s are 5 of the first and 3 of the
/// second, 4.545 and 4.514 s: more than 20 ms apart. Nothing is to be done about it, and nothing is said.
#[test]
fn a_pulse_that_nobody_notices_is_not_told() {
    let h = window(world(&[Some(200), Some(331)]), vec2(1280.0, 800.0));
    assert!(!says(&h, "come round together") && !says(&h, "pulse"));
}
