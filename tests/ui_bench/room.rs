//! What the room shows and does as a whole: suggestions, zoom, sound, states, when there is nothing to show.

use super::*;

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
fn what_plays_is_seen_at_its_button() {
    use seamwright::app::view::Begun;
    let mut h = bench(worked(1, 3.0));
    let down = |h: &Bench<'_>, name: &str| {
        let node = h.get_by_role_and_label(Role::Button, name);
        node.accesskit_node().toggled() == Some(egui::accesskit::Toggled::True)
    };
    assert!(!down(&h, "Loop") && !down(&h, "Seam"));
    let place = h.get_by_role_and_label(Role::Button, "Seam").rect();
    h.state_mut().sound.playing = Some((TAKE, 10_000));
    for (begun, wanted) in [
        (Begun::Take, [true, false, false]),
        (Begun::Loop, [false, true, false]),
        (Begun::Seam, [false, false, true]),
    ] {
        h.state_mut().sound.begun = begun;
        h.run_steps(2);
        assert_eq!(["Stop", "Loop", "Seam"].map(|name| down(&h, name)), wanted, "{begun:?}");
    }
    let now = h.get_by_role_and_label(Role::Button, "Seam").rect();
    assert!((now.left() - place.left()).abs() < 1.0, "nothing moves: {place} {now}");
    // Another take plays: no button of this one is down, but it can be stopped.
    h.state_mut().sound.playing = Some((seamwright::session::TakeId(9), 10_000));
    h.run_steps(2);
    assert_eq!(["Stop", "Loop", "Seam"].map(|name| down(&h, name)), [false; 3]);
}

/// Loops are looked for and the room is learned a while after a take is shown: what stands below keeps its place.
#[test]
fn nothing_in_the_column_moves_when_something_is_found_out() {
    use seamwright::app::derived::FromSource;
    let mut h = bench(worked(1, 3.0));
    h.set_size(vec2(1280.0, 2400.0));
    h.run_steps(3);
    let names = ["Shortest", "Offset", "In point in frames", "Gain", "Amount", "Most reduction", "High-pass"];
    let places = |h: &Bench<'_>| names.map(|n| h.get_by_role_and_label(Role::SpinButton, n).rect().top());
    let known = places(&h);
    let (loops, source) = {
        let entry = h.state_mut().derived.entry(TAKE);
        (entry.loops.take(), entry.source.clone().unwrap())
    };
    let unlearned = std::sync::Arc::new((*source.analysed).clone().in_room(None));
    let entry = h.state_mut().derived.entry(TAKE);
    entry.source = Some(FromSource { analysed: unlearned, ..source.clone() });
    h.run_steps(3);
    assert!(h.query_by_label("Looking for loops…").is_some());
    assert!(h.query_by_label("The room is being learned…").is_some());
    assert_eq!(places(&h), known);
    let entry = h.state_mut().derived.entry(TAKE);
    (entry.loops, entry.source) = (loops, Some(source));
    h.run_steps(3);
    assert_eq!(places(&h), known);
}

/// What is heard of a seam most is never cut off, whatever it is.
#[test]
fn the_words_about_a_seam_are_whole() {
    use seamwright::dsp::looping::SeamAudit;
    use seamwright::units::Decibels;
    let none = SeamAudit {
        click_db: Decibels(0.0),
        level_step_db: Decibels(0.0),
        level_beyond_db: 0.0,
        flux_db: 0.0,
        pitch_step_cents: 0.0,
        pitch_beyond_cents: 0.0,
        thump_db: 0.0,
        audibility: 0.0,
    };
    let mut h = bench(worked(1, 3.0));
    let recipe = std::sync::Arc::new(h.state().recipe());
    for (part, audit) in [
        ("click", SeamAudit { click_db: Decibels(4.0), ..none }),
        ("spectrum", SeamAudit { flux_db: 4.0, ..none }),
        ("level", SeamAudit { level_beyond_db: 4.0, ..none }),
        ("pitch", SeamAudit { pitch_beyond_cents: 9.0, ..none }),
        ("thump", SeamAudit { thump_db: 4.0, ..none }),
    ] {
        for audibility in [10.0, 30.0, 80.0] {
            let audit = SeamAudit { audibility, ..audit };
            h.state_mut().derived.set_audit(TAKE, std::sync::Arc::clone(&recipe), audit);
            h.run_steps(2);
            let all = painted_support::touching(h.output(), egui::Rect::EVERYTHING);
            let seam = |s: &egui::Shape| match s {
                egui::Shape::Text(t) if t.galley.text().starts_with("Seam: ") => Some(t.clone()),
                _ => None,
            };
            let all: Vec<_> = all.iter().filter_map(seam).collect();
            assert_eq!(all.len(), 1);
            let text = all[0].galley.text();
            assert!(text.ends_with(&format!(", mostly its {part}")) && !all[0].galley.elided, "{text}");
        }
    }
}
