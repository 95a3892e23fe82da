//! The stack room as a panel: what it says, what its controls ask for, what it says when there is
//! nothing to stack, at three sizes of the window.

mod bench_support;

use std::sync::Arc;

use bench_support::{RATE, World, analyse, bare, made, type_number};
use egui::accesskit::Role;
use egui::{Key, Modifiers, Vec2, pos2, vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT as _, Queryable as _};
use seamwright::app::command::{Command, EditCommand, Room, StackCommand, WorkCommand};
use seamwright::app::panels::stack::StackPanel;
use seamwright::app::stack::StackSetup;
use seamwright::app::theme::Theme;
use seamwright::app::triage::Triage;
use seamwright::app::view::View;
use seamwright::audio::{AudioBuf, signals};
use seamwright::dsp::looping::LoopParts;
use seamwright::dsp::looping::stack::{Dip, StackLoop};
use seamwright::render::apart::{LayerLoops, SetApart, note_apart};
use seamwright::render::propose;
use seamwright::session::placing::Decision;
use seamwright::session::{History, LoopRecipe, Sheet, TakeId, TakeState};
use seamwright::units::{Cents, MidiNote, SampleRate, Seconds};

struct State {
    world: World,
    panel: StackPanel,
    log: Vec<Command>,
}

/// A steady tone of exactly 220 Hz, so that rendering changes no time.
fn steady(layer: u16) -> AudioBuf {
    let rate = f64::from(RATE);
    let tone = signals::harmonic(|_| 220.0, &[0.3, 0.1, 0.05], rate, (3.5 * rate) as usize);
    let hiss = signals::white_noise(0.0004, tone.len(), u64::from(layer));
    let shaped = tone.iter().zip(&hiss).enumerate().map(|(i, (s, h))| {
        let t = i as f64 / rate;
        let shape = ((t - 0.5) / 0.05).clamp(0.0, 1.0) * ((2.9 - t) / 0.3).clamp(0.0, 1.0);
        (f64::from(*s) * shape) as f32 + h
    });
    AudioBuf::mono(shaped.collect(), SampleRate::new(RATE).unwrap()).unwrap()
}

/// Loops of these lengths in whole periods of about 220 Hz, all entered half a second after the
/// onset; none: a layer without a recipe.
fn world(periods: &[Option<u32>]) -> World {
    let sounds: Vec<_> = (0..periods.len()).map(|l| steady(l as u16)).collect();
    let mut world = bare(&sounds);
    let mut d = (**world.history.document()).clone();
    for (i, (audio, periods)) in sounds.iter().zip(periods).enumerate() {
        let t = Arc::make_mut(&mut d.takes[i]);
        let sound = analyse(audio, t);
        if let Some(n) = periods {
            let mut recipe = propose::propose(t, &sound.analysed, &d.setup).unwrap().recipe;
            let start = t.onset.0 as f64 + 0.5 * f64::from(RATE);
            recipe.looping = Some(LoopRecipe {
                start,
                end: start + f64::from(*n) * f64::from(RATE) / 220.0,
                crossfade: Seconds(0.02),
                score: 80.0,
                parts: LoopParts::default(),
                even: false,
                locked: false,
            });
            world.derived.entry(t.id).recipe = Some(made(&sound, &recipe, &d.setup));
            t.recipe = Some(recipe);
            t.state = TakeState::Proposed;
        }
        world.derived.entry(t.id).source = Some(sound);
    }
    world.history = History::new(d);
    world
}

fn pass(ui: &mut egui::Ui, state: &mut State) {
    if !bench_support::dress(ui.ctx()) {
        return;
    }
    let w = &mut state.world;
    let document = Arc::clone(w.history.document());
    let sheet = Sheet::of(&document);
    let triage = Triage::default();
    let theme = Theme::of(ui.ctx());
    let view = View {
        document: &document,
        revision: w.history.revision(),
        sheet: &sheet,
        path: None,
        read_only: w.read_only,
        undo: None,
        redo: None,
        room: Room::Stack,
        selected: w.selected,
        triage: &triage,
        derived: &w.derived,
        jobs: &[],
        notices: &[],
        sound: &w.sound,
        theme: &theme,
    };
    let more = state.panel.ui(ui, &view);
    for c in &more {
        if let Command::Stack(StackCommand::Set(setup)) = c {
            w.sound.stack.setup = (**setup).clone();
        }
    }
    state.log.extend(more);
}

fn window(world: World, size: Vec2) -> Harness<'static, State> {
    let state = State { world, panel: StackPanel::default(), log: Vec::new() };
    let mut h = Harness::builder().with_size(size).with_step_dt(1.0 / 60.0).build_ui_state(pass, state);
    h.run_steps(4);
    h.state_mut().log.clear();
    h
}

fn setup(h: &Harness<'_, State>) -> StackSetup {
    h.state().world.sound.stack.setup.clone()
}

/// The picture of the turns.
fn field(h: &Harness<'_, State>) -> egui::Rect {
    h.get_by_label_contains("Turns of all loops").rect()
}

fn says(h: &Harness<'_, State>, part: &str) -> bool {
    h.query_all_by_label_contains(part).next().is_some()
}

/// What the strip at the lower edge of the window is given to tell of a text that was refused.
fn told(h: &Harness<'_, State>) -> String {
    seamwright::app::widgets::typed::refusal(&h.ctx).unwrap_or_default()
}

fn click(h: &mut Harness<'_, State>, label: &str) {
    h.get_by_label(label).click();
    h.run_steps(3);
}

/// By hand: all are entered 0.5 s after the onset and last 200 and 200 periods of 220 Hz (0.909 s): they
/// meet at every join; the first is at 1.41 s.
#[test]
fn a_collision_is_told_shown_and_heard() {
    let mut h = window(world(&[Some(200), Some(200)]), vec2(1280.0, 800.0));
    assert!(says(&h, "Layer 1 (disc): a loop of 0.91 s, score 80; turns after 1.4 s and every 0.91 s"));
    // 1.409 + k·0.909 up to 60 s: k = 0 … 64.
    assert!(says(&h, "65 near-collisions within 1 min.") && says(&h, "1 of 65: after 1.4 s, layers 1 and 2"));
    let together = "What layers 1 and 2 do together repeats after about 0.9 s: 1 turn of layer 1 lasts nearly as \
                    long as 1 turn of layer 2";
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
        ("Least distance of seams", "2 s", "“2 s” is not within 20 to 500 ms."),
        ("Least distance of seams", "wide", "“wide” cannot be read here; write 20 to 500 ms, in s or ms."),
        ("Score given up at most", "80", "“80” is not within 0 to 50 points."),
    ] {
        let mut h = window(world(&[Some(200), Some(331)]), vec2(1280.0, 800.0));
        let before = setup(&h);
        type_number(&mut h, name, text);
        assert!(told(&h).contains(why), "{name}: {text}");
        assert_eq!(setup(&h), before, "{name}: {text}");
        let field = h.get_by_role_and_label(Role::SpinButton, name);
        assert_eq!(field.accesskit_node().value().as_deref(), Some(text), "{name}: the text stays");
        // The field was left by Enter; Escape takes the text back all the same.
        h.key_press(Key::Escape);
        h.run_steps(3);
        let field = h.get_by_role_and_label(Role::SpinButton, name);
        assert_ne!(field.accesskit_node().value().as_deref(), Some(text), "{name}: taken back");
        assert_eq!(told(&h), "", "{name}");
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

/// With the audition keyboard open at a large scale little is left: picture, table and words then scroll together.
#[test]
fn in_a_low_room_everything_scrolls_and_the_wheel_over_the_picture_moves_time() {
    let mut h = window(world(&[Some(200), Some(200), Some(331)]), vec2(600.0, 300.0));
    let picture = field(&h);
    assert!(picture.height() >= 100.0 && picture.bottom() < 300.0, "{picture}");
    let third = h.get_by_label("Pan of layer 3").rect();
    let words = h.get_by_label("Show it").rect();
    assert!(third.bottom() <= words.top(), "{third} {words}");
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

/// A high room gives what table and words do not need to the picture.
#[test]
fn a_high_window_has_a_high_picture() {
    let loops = [Some(200), Some(200), Some(331)];
    let height = |high: f32| field(&window(world(&loops), vec2(1920.0, high))).height();
    let (low, high) = (height(800.0), height(1080.0));
    assert!(high - low > 250.0, "{low} {high}");
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
    assert!(!says(&h, "repeats after"), "nothing is told of loops that are on their way");
    h.state_mut().world.derived.entry(TakeId(3)).updating = false;
    h.run_steps(3);
    assert!(!says(&h, "being made ready") && !says(&h, "So far: ") && says(&h, "repeats after"));
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
