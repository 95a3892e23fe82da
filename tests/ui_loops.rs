//! The loops of the bench as their user works them: the map, the seam close-up, locks, evening, which
//! loops are looked for.

mod bench_support;

use std::sync::Arc;

use bench_support::{TAKE, World, worked};
use egui::{Event, Key, Modifiers, PointerButton, Pos2, Rect, Role, pos2, vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT, Queryable};
use seamwright::app::command::{Command, EditCommand, SoundCommand, WorkCommand};
use seamwright::app::widgets::loop_map::Plane;
use seamwright::playback::message::Side;
use seamwright::render::audition::Judged;
use seamwright::session::{Edit, LoopRecipe};

type Bench<'a> = Harness<'a, World>;

fn bench<'a>(world: World) -> Bench<'a> {
    let mut h = Harness::builder()
        .with_size(vec2(1280.0, 1000.0))
        .with_step_dt(1.0 / 60.0)
        .build_ui_state(|ui, world: &mut World| world.pass(ui), world);
    h.run_steps(3);
    h
}

fn edits(h: &Bench<'_>) -> Vec<EditCommand> {
    let edit = |c: &Command| if let Command::Edit(e) = c { Some(e.clone()) } else { None };
    h.state().log.iter().filter_map(edit).collect()
}

fn looping(h: &Bench<'_>) -> LoopRecipe {
    h.state().recipe().looping.unwrap()
}

fn labels(h: &Bench<'_>) -> Vec<String> {
    h.state().history.labels().map(Into::into).collect()
}

/// Start and end in whole rendered frames.
fn frames(h: &Bench<'_>) -> (i64, i64) {
    let d = h.state().derived.of(TAKE).unwrap();
    let (made, clip) = (d.recipe.as_ref().unwrap(), &d.source.as_ref().unwrap().analysed.clip);
    let l = looping(h);
    let frame = |p: f64| made.rendered.frame_of(clip, p).round() as i64;
    (frame(l.start), frame(l.end))
}

fn rect(h: &Bench<'_>, label: &str) -> Rect {
    h.get_by_label_contains(label).rect()
}

fn button(h: &mut Bench<'_>, at: Pos2, pressed: bool) {
    h.event(Event::PointerButton {
        pos: at,
        button: PointerButton::Primary,
        pressed,
        modifiers: Modifiers::NONE,
    });
    h.run_steps(2);
}

/// Presses at `from` and moves `points` to the right, a point a frame.
fn pull(h: &mut Bench<'_>, from: Pos2, points: i32) -> Pos2 {
    h.hover_at(from);
    h.step();
    button(h, from, true);
    let mut at = from;
    for _ in 0..points.abs() {
        at.x += points.signum() as f32;
        h.hover_at(at);
        h.step();
    }
    at
}

#[test]
fn the_seam_close_up_slips_the_end_on_its_left_and_the_start_on_its_right() {
    let mut h = bench(worked(1, 3.0));
    let r = rect(&h, "Seam close-up");
    // Two periods of A3 (220 Hz) at 48 kHz to each side: 436 frames on half the width.
    let a_point = 436.0 / f64::from(r.width() / 2.0);
    for (x, label, which) in [(0.25, "Move loop end", 1), (0.75, "Move loop start", 0)] {
        let before = frames(&h);
        let from = pos2(r.left() + r.width() * x, r.center().y);
        let end = pull(&mut h, from, 20);
        assert_ne!(frames(&h), before, "it is shown while it is dragged");
        button(&mut h, end, false);
        let after = frames(&h);
        let moved = [after.0 - before.0, after.1 - before.1];
        // The sound is pulled to the right under the join: the end that it belongs to goes earlier.
        let want = -(20.0 * a_point).round() as i64;
        assert!((moved[which] - want).abs() <= 1, "{label}: {moved:?} {want}");
        assert_eq!(moved[1 - which], 0, "{label}");
        assert_eq!(labels(&h).last().map(String::as_str), Some(label));
    }
    assert_eq!(labels(&h).len(), 2, "one step a drag");
    assert!(!h.state().log.iter().any(|c| matches!(c, Command::Sound(_))), "a drag is no click");
}

#[test]
fn escape_gives_a_slip_up() {
    let mut h = bench(worked(1, 3.0));
    let before = h.state().recipe();
    let r = rect(&h, "Seam close-up");
    let at = pull(&mut h, pos2(r.left() + 40.0, r.center().y), -12);
    assert_ne!(h.state().recipe(), before);
    h.key_press(Key::Escape);
    h.step();
    button(&mut h, at - vec2(9.0, 0.0), false);
    assert_eq!(edits(&h).iter().filter(|e| **e == EditCommand::Abort).count(), 1);
    assert_eq!((h.state().recipe(), labels(&h).len()), (before, 0));
}

#[test]
fn a_slipped_loop_has_a_new_score() {
    let mut h = bench(worked(1, 3.0));
    let before = looping(&h).score;
    let r = rect(&h, "Seam close-up");
    let end = pull(&mut h, pos2(r.left() + 40.0, r.center().y), 30);
    button(&mut h, end, false);
    assert!(looping(&h).score < before, "{} {before}", looping(&h).score);
}

#[test]
fn the_map_tells_a_place_and_asks_for_the_loop_there() {
    let mut h = bench(worked(1, 3.0));
    let map = Arc::clone(h.state().derived.of(TAKE).unwrap().loop_map.as_ref().unwrap());
    let plane = Plane::new(rect(&h, "Loop map: "), &map.map);
    let within = map.on.within();
    let span = (within.end.0 - within.start.0) as f64;
    let (start, end) = (within.start.0 as f64 + 0.2 * span, within.start.0 as f64 + 0.8 * span);
    let at = plane.pos(start, end);
    h.hover_at(at);
    h.run_steps(3);
    let words = h.get_by_label_contains("Loop map: start").accesskit_node().label().unwrap();
    assert!(words.contains("score about") && words.contains("of 100: "), "{words}");
    assert!(words.contains(&format!("{:.2}", start / 48_000.0)), "{words}");
    button(&mut h, at, true);
    button(&mut h, at, false);
    let Some(Command::Work(WorkCommand::LoopNear { take: TAKE, start: s, end: e, reach_s })) =
        h.state().log.last().cloned()
    else {
        panic!("{:?}", h.state().log)
    };
    // What the program then does with it: a loop near there, as one step.
    let sound = h.state().derived.of(TAKE).unwrap().source.clone().unwrap();
    let found = map.on.near(&sound.analysed, s, e, reach_s).unwrap();
    let frame = |p: f64| map.on.rendered.frame_of(&sound.analysed.clip, p);
    // The reach, a row of the search (10 ms at the most) and the pixel.
    let far = (reach_s + 0.01) * 48_000.0 + 2.0 * plane.cell(&map.map);
    assert!((frame(found.start) - start).abs() < far && (frame(found.end) - end).abs() < far);
    // Where no loop can be, nothing is asked for.
    h.state_mut().log.clear();
    let bare = plane.pos(end, start);
    h.hover_at(bare);
    h.run_steps(3);
    assert!(h.query_by_label_contains("Loop map: no loop here").is_some());
    button(&mut h, bare, true);
    button(&mut h, bare, false);
    assert_eq!(h.state().log, []);
}

#[test]
fn the_map_is_worked_by_keys() {
    let mut h = bench(worked(1, 3.0));
    h.get_by_label_contains("Loop map: ").focus();
    h.run_steps(2);
    h.key_press(Key::ArrowLeft);
    h.run_steps(2);
    let here = h.get_by_label_contains("Loop map: start").accesskit_node().label().unwrap();
    h.key_press(Key::ArrowDown);
    h.run_steps(2);
    let there = h.get_by_label_contains("Loop map: start").accesskit_node().label().unwrap();
    assert_ne!(here, there);
    h.key_press(Key::Enter);
    h.run_steps(2);
    let asked = |c: &Command| matches!(c, Command::Work(WorkCommand::LoopNear { take: TAKE, .. }));
    assert!(h.state().log.iter().any(asked), "{:?}", h.state().log);
}

#[test]
fn nothing_can_be_taken_while_it_is_read_only() {
    let mut world = worked(1, 3.0);
    world.read_only = true;
    let mut h = bench(world);
    let before = h.state().recipe();
    let r = rect(&h, "Seam close-up");
    let end = pull(&mut h, pos2(r.left() + 40.0, r.center().y), 30);
    button(&mut h, end, false);
    let map = rect(&h, "Loop map: ");
    let at = pos2(map.left() + 100.0, map.top() + 30.0);
    h.hover_at(at);
    button(&mut h, at, true);
    button(&mut h, at, false);
    assert_eq!(h.state().recipe(), before);
    assert!(h.state().log.iter().all(|c| matches!(c, Command::Sound(_))), "{:?}", h.state().log);
}

#[test]
fn the_spectra_stand_in_the_map_s_place_with_and_without_the_crossfade() {
    let mut h = bench(worked(1, 3.0));
    assert!(h.query_by_label_contains("Spectra before").is_none());
    h.get_by_role_and_label(Role::Button, "Spectra").click();
    h.run_steps(3);
    assert!(h.query_by_label_contains("Spectra before and after the seam: they differ most near").is_some());
    assert!(h.query_by_label_contains("Loop map: ").is_none());
    h.get_by_label("Show with crossfade").click();
    h.run_steps(3);
    assert!(h.query_by_label_contains("Spectra before and after the seam").is_some());
    h.get_by_role_and_label(Role::Button, "Loop map").click();
    h.run_steps(3);
    assert!(h.query_by_label_contains("Loop map: ").is_some());
    assert_eq!(h.state().log, [], "looking changes nothing");
}

#[test]
fn locking_is_one_step() {
    let mut h = bench(worked(1, 3.0));
    h.get_by_label("Lock this loop").click();
    h.run_steps(2);
    assert!(looping(&h).locked);
    assert_eq!(labels(&h), ["Lock loop"]);
    assert!(h.query_by_label_contains("this take's loop is locked").is_some());
    h.get_by_label("Lock this loop").click();
    h.run_steps(2);
    assert_eq!(labels(&h), ["Lock loop", "Unlock loop"]);
    assert!(!looping(&h).locked);
}

/// Every way to move a loop, tried on a locked one: it stays, and each try is answered.
#[test]
fn a_locked_loop_moves_by_no_handle_key_candidate_or_place_in_the_map() {
    let mut h = bench(worked(1, 3.0));
    // High enough that nothing need be scrolled to.
    h.set_size(vec2(1280.0, 1700.0));
    h.run_steps(3);
    h.get_by_label("Lock this loop").click();
    h.run_steps(2);
    let (locked, steps) = (looping(&h), labels(&h).len());
    let told = |h: &mut Bench<'_>, what: &str| {
        let log = std::mem::take(&mut h.state_mut().log);
        let refused = log.iter().filter(|c| **c == Command::Edit(EditCommand::LoopIsLocked(TAKE))).count();
        assert_eq!((refused, log.len()), (1, 1), "{what}: {log:?}");
    };
    h.state_mut().log.clear();
    // The seam close-up and the handle on the wave, by the mouse.
    let r = rect(&h, "Seam close-up");
    let end = pull(&mut h, pos2(r.left() + 40.0, r.center().y), 20);
    button(&mut h, end, false);
    told(&mut h, "slip");
    let handle = h.get_by_role_and_label(Role::Slider, "Loop end").rect().center();
    let end = pull(&mut h, handle, 20);
    button(&mut h, end, false);
    told(&mut h, "handle");
    // The handle by its keys and by a screen reader.
    h.get_by_role_and_label(Role::Slider, "Loop end").focus();
    h.run_steps(2);
    for key in [Key::ArrowRight, Key::PageDown, Key::O, Key::Home] {
        h.key_press(key);
        h.run_steps(2);
        told(&mut h, key.name());
    }
    h.get_by_role_and_label(Role::Slider, "Loop end").increment_accesskit();
    h.run_steps(2);
    told(&mut h, "screen reader");
    // The map and the list of candidates.
    let map = Arc::clone(h.state().derived.of(TAKE).unwrap().loop_map.as_ref().unwrap());
    let within = map.on.within();
    let span = (within.end.0 - within.start.0) as f64;
    let at = Plane::new(rect(&h, "Loop map: "), &map.map)
        .pos(within.start.0 as f64 + 0.2 * span, within.start.0 as f64 + 0.8 * span);
    h.hover_at(at);
    h.run_steps(2);
    button(&mut h, at, true);
    button(&mut h, at, false);
    told(&mut h, "map");
    h.get_by_label_contains("Loop 2: start").click();
    h.run_steps(2);
    told(&mut h, "candidate");
    assert_eq!((looping(&h), labels(&h).len()), (locked, steps));
    // The numbers are greyed; unlocked, all goes again.
    let fields = ["Start in frames", "End in seconds", "Length in periods", "Remove the loop"];
    for name in fields {
        assert!(h.get_by_label(name).accesskit_node().is_disabled(), "{name}");
    }
    assert!(!h.get_by_label("Crossfade").accesskit_node().is_disabled(), "its ends stay, not its crossfade");
    h.get_by_label("Lock this loop").click();
    h.run_steps(2);
    for name in fields {
        assert!(!h.get_by_label(name).accesskit_node().is_disabled(), "{name}");
    }
}

#[test]
fn evening_is_one_step_with_a_new_score() {
    let mut h = bench(worked(1, 3.0));
    let before = looping(&h);
    let was = before.even;
    h.get_by_label("Even the level in the loop").click();
    h.run_steps(2);
    let now = looping(&h);
    assert_eq!((now.even, now.start, now.end), (!was, before.start, before.end));
    assert_ne!(now.parts, before.parts, "scored anew");
    assert_eq!(labels(&h).len(), 1);
    let undone = {
        h.state_mut().history.undo();
        looping(&h)
    };
    assert_eq!(undone, before);
}

#[test]
fn all_parts_of_the_score_stand_there_with_what_is_heard() {
    let h = bench(worked(1, 3.0));
    let l = looping(&h);
    let p = &l.parts;
    for (name, value) in [
        ("score", l.score),
        ("zero crossing", p.zero_crossing),
        ("waveform", p.waveform),
        ("spectrum", p.spectral),
        ("level", p.level),
        ("pitch", p.pitch),
        ("movement", p.movement),
        ("length", p.length),
    ] {
        let text = format!("{name} {value:.0} of 100");
        assert!(h.query_by_label(&text).is_some(), "{text}");
    }
    // What is heard is told in words, without a number that runs the other way round.
    assert!(h.query_by_label("Seam: inaudible").is_some());
}

/// A loop whose ends are a quarter of a period off, under a long crossfade.
#[test]
fn where_score_and_seam_differ_it_is_said_which_counts() {
    let mut world = worked(1, 3.0);
    let (mut l, sound) = (world.recipe().looping.unwrap(), world.derived.of(TAKE).unwrap().clone());
    l.crossfade = seamwright::units::Seconds(0.2);
    l.score = 60.0;
    world.history.apply("Take it", &Edit::SetLoop { take: TAKE, looping: Some(l) }).unwrap();
    let mut recipe = sound.recipe.unwrap();
    recipe.audit = recipe.audit.map(|a| seamwright::dsp::looping::SeamAudit { audibility: 0.0, ..a });
    world.derived.entry(TAKE).recipe = Some(recipe);
    let h = bench(world);
    assert!(h.query_by_label("Seam: inaudible").is_some());
    assert!(h.query_by_label_contains("but the crossfade hides that: the finished seam counts").is_some());
}

/// A crossfade that is longer than there is room for now, as before a take is rendered: the fields of the
/// bench show it and correct nothing.
#[test]
fn the_fields_of_the_bench_change_nothing_by_being_shown() {
    let mut world = worked(1, 3.0);
    let mut l = world.recipe().looping.unwrap();
    l.crossfade = seamwright::units::Seconds(9.0);
    world.history.apply("Take it", &Edit::SetLoop { take: TAKE, looping: Some(l) }).unwrap();
    let mut h = bench(world);
    h.run_steps(4);
    assert_eq!(edits(&h), []);
    assert_eq!(looping(&h), l);
}

#[test]
fn which_loops_are_looked_for_is_a_setting_of_the_set() {
    let mut h = bench(worked(1, 3.0));
    // High enough that nothing need be scrolled to.
    h.set_size(vec2(1280.0, 1500.0));
    h.run_steps(3);
    h.get_by_role_and_label(Role::SpinButton, "Shortest").focus();
    h.run_steps(3);
    h.key_press_modifiers(Modifiers::COMMAND, Key::A);
    h.run_steps(2);
    h.event(Event::Text("0.5".into()));
    h.run_steps(2);
    h.key_press(Key::Enter);
    h.run_steps(3);
    let setup = h.state().history.document().setup.clone();
    assert_eq!(setup.loops.shortest.0, 0.5, "{:?}", edits(&h));
    assert_eq!(labels(&h), ["Set shortest loop"]);
    assert!(matches!(
        edits(&h).last(),
        Some(EditCommand::Do { edit: Edit::SetSetup(s), .. }) if s.loops.shortest.0 == 0.5
    ));
}

#[test]
fn the_length_is_copied_where_there_are_other_layers() {
    let mut h = bench(worked(2, 3.0));
    let label = "Copy length to the other layers";
    let b = h.get_by_label(label);
    b.scroll_to_me();
    h.run_steps(10);
    h.get_by_label(label).click();
    h.run_steps(2);
    assert_eq!(h.state().log, [Command::Work(WorkCommand::CopyLoopLength(TAKE))]);
    let h = bench(worked(1, 3.0));
    assert!(h.get_by_label(label).accesskit_node().is_disabled());
}

#[test]
fn the_loop_is_judged_by_its_buttons() {
    let mut h = bench(worked(1, 3.0));
    h.get_by_label("Seam again").click();
    h.run_steps(2);
    assert_eq!(h.state_mut().log.pop(), Some(Command::Sound(SoundCommand::PlaySeamAgain)));
    h.get_by_label("Loop beside the own sustain").click();
    h.run_steps(2);
    assert_eq!(h.state_mut().log.pop(), Some(Command::Sound(SoundCommand::PlayBeside)));
    h.state_mut().sound.playing = Some((TAKE, 10_000));
    h.state_mut().sound.judged = Some((Judged::Seam, Side::Rendered));
    h.run_steps(2);
    h.get_by_label("Seam again").click();
    h.run_steps(2);
    assert_eq!(h.state_mut().log.pop(), Some(Command::Sound(SoundCommand::Stop)));
}
