//! The audition keyboard: letters, mouse and settings through the real window, heard through the real
//! engine.

use std::f64::consts::TAU;

use egui::accesskit::Role;
use egui::{Key, Modifiers};
use egui_kittest::kittest::Queryable as _;
use seamwright::app::command::{Command, GoCommand, KeyboardCommand};
use seamwright::app::keyboard::StruckBy;
use seamwright::playback::midi::MidiListener;
use seamwright::session::TakeState;
use seamwright::units::MidiNote;

use crate::support::{RATE, Window, takes};

/// A window with two accepted takes, A3 (57) and A#3 (58), and the keyboard ready; the letters begin at
/// C3 (48).
fn playing(dir: &std::path::Path) -> Window {
    let folder = takes(dir, "bottles", 2);
    let mut w = Window::proposed(&folder, 2);
    // Files are looked through side by side: which take is found first is not said.
    for id in w.app().session().sheet().walk().into_iter().rev() {
        w.send(Command::Go(GoCommand::Select(id)));
        w.key(Key::Y);
    }
    assert!(w.document().takes.iter().all(|t| t.state == TakeState::Accepted), "{:?}", w.words());
    w.until_made();
    w.keys(Modifiers::SHIFT, Key::I);
    w.until("the sounds are made", |w| w.app().keyboard().ready() == (2, 2));
    w.key(Key::Q);
    w
}

/// Mean frequency by the phase of a quadrature pair under Hann's window, in two stretches.
fn hertz(x: &[f32], near: f64) -> f64 {
    let n = 9_600;
    let phase = |from: usize| {
        let (mut re, mut im) = (0.0, 0.0);
        for i in 0..n {
            let w = 0.5 - 0.5 * (TAU * i as f64 / n as f64).cos();
            let t = TAU * near * (from + i) as f64 / RATE;
            re += f64::from(x[from + i]) * w * t.cos();
            im -= f64::from(x[from + i]) * w * t.sin();
        }
        im.atan2(re)
    };
    let apart = x.len() - n;
    let turn = (phase(apart) - phase(0) + TAU / 2.0).rem_euclid(TAU) - TAU / 2.0;
    near + turn / TAU * RATE / apart as f64
}

/// A loop of L frames that holds k periods, read at the ratio r, has a fundamental of k·r·rate/L in
/// the mean; what the take is out of tune by (its fine tuning) is taken out again. k is what the root key asks for: 440·2^((57 − 69)/12) = 220 Hz (MIDI tuning standard: note
/// 69 is 440 Hz); r = 2^(semitones/12).
#[test]
fn letters_play_the_set_at_the_pitch_of_their_keys_and_let_go() {
    let dir = tempfile::tempdir().unwrap();
    let mut w = playing(dir.path());
    let length = w.made().unwrap().rendered.looping.unwrap().range.as_usize().len() as f64;
    let periods = (length * 220.0 / RATE).round();
    let fine = w.made().unwrap().rendered.fine_tune.0;
    // F, G, H in the upper row: 5, 7 and 9 semitones above C3; all of A3's take.
    for (letter, key, semitones) in [(Key::H, 57, 0.0), (Key::G, 55, -2.0), (Key::F, 53, -4.0)] {
        w.heard.clear();
        w.h.key_down(letter);
        w.frames(4);
        assert_eq!(w.app().keyboard().down.get(&MidiNote(key)), Some(&true), "{:?}", w.words());
        w.until("it is in its loop", |w| w.heard.len() > 4 * RATE as usize);
        w.heard.clear();
        // Whole rounds of the loop: the vibrato in it takes the phase back to where it was.
        let ratio = f64::exp2(semitones / 12.0 - fine / 1_200.0);
        let round: f64 = length / ratio;
        w.frames(((3.0 * round + 9_600.0) / 800.0).ceil() as usize);
        let want = periods * ratio * RATE / length;
        let heard = &w.heard[..(3.0 * round) as usize + 9_600];
        let off = 1_200.0 * (hertz(heard, want) / want).log2();
        // The stretches lie a part of a frame from whole rounds: a vibrato of ±4 cents moves the phase by
        // less than 1e-4 of a period meanwhile, over three seconds.
        assert!(off.abs() < 0.01, "key {key}: off by {off} cents");
        // And that is the key's own pitch: k is a whole number, and the loop, a second long at least, holds
        // so many periods that one more or less is more than 7 cents.
        let key_hz = 440.0 * f64::exp2((f64::from(key) - 69.0) / 12.0);
        assert!(1_200.0 * f64::abs((want / key_hz).log2()) < 1.0, "{want} Hz for {key_hz}");
        w.h.key_up(letter);
        w.frames(2);
        assert!(w.app().keyboard().down.is_empty());
        // Its tail, then silence.
        w.until("it has died away", |w| {
            w.heard.len() > 9_600 && w.heard[w.heard.len() - 2_400..].iter().all(|s| *s == 0.0)
        });
        w.heard.clear();
    }
}

#[test]
fn letters_are_notes_until_escape_and_commands_again_after_it() {
    let dir = tempfile::tempdir().unwrap();
    let mut w = playing(dir.path());
    assert!(w.says("Letters play notes; Esc gives them back"));
    // D would set the take aside, B take its state back, P propose, R play its loop.
    for key in [Key::D, Key::B, Key::P, Key::R, Key::Y] {
        w.key(key);
    }
    assert!(w.document().takes.iter().all(|t| t.state == TakeState::Accepted));
    assert!(w.app().sound().view().playing.is_none());
    // What is no letter stays a command.
    w.keys(Modifiers::COMMAND, Key::Z);
    assert_eq!(w.document().takes.iter().filter(|t| t.state == TakeState::Accepted).count(), 1);
    w.keys(Modifiers::COMMAND | Modifiers::SHIFT, Key::Z);
    w.key(Key::Escape);
    assert!(w.says("Play with letters") && !w.says("Esc gives them back"));
    w.key(Key::D);
    assert!(w.document().takes.iter().any(|t| t.state == TakeState::SetAside));
    // A take that is set aside is not delivered, and so sounds on no key any more.
    w.until("the map follows", |w| w.app().keyboard().ready() == (1, 1));
    w.keys(Modifiers::SHIFT, Key::I);
    assert!(!w.says("Audition keyboard"), "the key hides it");
}

#[test]
fn mouse_sustain_and_several_hands() {
    let dir = tempfile::tempdir().unwrap();
    let mut w = playing(dir.path());
    let at = w.h.get_by_label("Key A3: ready").rect().center_bottom() - egui::vec2(0.0, 8.0);
    w.h.drag_at(at);
    w.frames(3);
    assert_eq!(w.app().keyboard().down.get(&MidiNote(57)), Some(&true));
    assert!(w.says("Key A3: sounds"));
    w.h.drop_at(at);
    w.frames(3);
    assert!(w.app().keyboard().down.is_empty());
    // Sustained, a key goes on until the sustain goes.
    w.click("Sustain");
    w.key(Key::H);
    assert_eq!(w.app().keyboard().down.get(&MidiNote(57)), Some(&false));
    assert!(w.says("Key A3: sustained"));
    w.frames(30);
    assert!(w.heard[w.heard.len() - 800..].iter().any(|s| *s != 0.0));
    w.click("Sustain");
    assert!(w.app().keyboard().down.is_empty());
    // A key that two hold sounds until both have let go.
    let send = |w: &mut Window, c| w.send(Command::Keyboard(c));
    for by in [StruckBy::Midi, StruckBy::Typing] {
        send(&mut w, KeyboardCommand::Strike { key: MidiNote(57), velocity: Some(90), by });
    }
    send(&mut w, KeyboardCommand::Lift(MidiNote(57), StruckBy::Typing));
    assert_eq!(w.app().keyboard().down.get(&MidiNote(57)), Some(&true));
    // Playing a take silences the keys, and they know.
    w.key(Key::Escape);
    w.key(Key::R);
    w.until("it plays", |w| w.app().sound().view().playing.is_some());
    w.frames(2);
    assert!(w.app().keyboard().down.is_empty());
    // And the other way round.
    send(&mut w, KeyboardCommand::Strike { key: MidiNote(58), velocity: None, by: StruckBy::Midi });
    w.frames(3);
    assert!(w.app().sound().view().playing.is_none());
    send(&mut w, KeyboardCommand::AllUp);
    assert!(w.app().keyboard().down.is_empty());
}

#[test]
fn a_key_without_a_sound_says_why() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", 1);
    let mut w = Window::proposed(&folder, 1);
    w.keys(Modifiers::SHIFT, Key::I);
    assert!(w.says("No take is accepted yet"));
    w.key(Key::Z);
    assert!(w.says("No take is accepted yet, so no key sounds"));
    assert!(w.app().keyboard().down.is_empty());
    w.click("Proposed too");
    // Struck before its take is made, it says so; the sound comes first of all.
    w.key(Key::Z);
    w.until("the sound is made", |w| w.app().keyboard().ready() == (1, 1));
    w.frames(2);
    assert!(w.says("All sounds are ready"));
    // Two octaves and more from its only root nothing is mapped (an octave is the furthest).
    for _ in 0..3 {
        w.click("Octave up");
    }
    w.key(Key::Z);
    assert!(w.says("nothing is mapped to this key"));
}

#[test]
fn an_open_keyboard_rests_while_nobody_plays() {
    let dir = tempfile::tempdir().unwrap();
    let mut w = playing(dir.path());
    let delay = |w: &Window| w.h.output().viewport_output[&egui::ViewportId::ROOT].repaint_delay;
    w.h.key_down(Key::H);
    w.frames(20);
    assert_eq!(delay(&w), std::time::Duration::ZERO, "the meter moves while a key sounds");
    w.h.key_up(Key::H);
    w.until("it is saved", |w| !w.app().session().is_dirty());
    let mut rested = 0;
    w.until("two seconds without a wish for another frame", |w| {
        rested = if delay(w) > std::time::Duration::from_secs(3600) { rested + 1 } else { 0 };
        rested == 120
    });
}

/// Bytes as a keyboard sends them (MIDI 1.0): running status, note-offs as note-ons of velocity 0, the sustain
/// pedal, all notes off; then its cable is drawn.
#[test]
fn a_midi_keyboard_plays_and_may_come_and_go() {
    let dir = tempfile::tempdir().unwrap();
    let mut w = playing(dir.path());
    w.key(Key::Escape);
    let (listener, mut hand) = MidiListener::without_device("Bottle keys");
    w.app_mut().listen_to(listener);
    let down = |w: &Window, key: u8| w.app().keyboard().down.get(&MidiNote(key)).copied();
    hand.play(&[0x90, 57, 100, 58, 90]);
    w.frames(20);
    assert_eq!((down(&w, 57), down(&w, 58)), (Some(true), Some(true)));
    assert!(w.heard[w.heard.len() - 800..].iter().any(|s| *s != 0.0), "it is heard");
    // The pedal holds what is let go, in the middle of the clock's bytes.
    hand.play(&[0xB0, 64, 127, 0xF8, 0x90, 57, 0, 0xF8, 58, 0]);
    w.frames(4);
    assert_eq!((down(&w, 57), down(&w, 58)), (Some(false), Some(false)));
    hand.play(&[0xB0, 64, 0]);
    w.frames(4);
    assert_eq!((down(&w, 57), down(&w, 58)), (None, None));
    hand.play(&[0x90, 57, 100, 0xB0, 64, 127, 123, 0]);
    w.frames(4);
    assert_eq!((down(&w, 57), w.app().keyboard().sustain), (None, false), "all notes off");
    // The cable is drawn while a key is held: nobody says so, the system has to be asked.
    hand.play(&[0x90, 57, 100]);
    w.frames(4);
    assert_eq!(down(&w, 57), Some(true));
    w.app_mut().unplug_midi();
    w.until("it is missed", |w| w.words().iter().any(|t| t.contains("The MIDI input Bottle keys is gone")));
    assert_eq!(down(&w, 57), None, "no key hangs");
    w.until("silence", |w| w.heard[w.heard.len() - 2_400..].iter().all(|s| *s == 0.0));
    assert!(w.says("The MIDI input is not there."));
    hand.play(&[0x90, 57, 100]);
    w.frames(4);
    assert_eq!(down(&w, 57), None);
    // Everything else goes on; back again, it plays.
    w.key(Key::D);
    assert!(w.document().takes.iter().any(|t| t.state == TakeState::SetAside));
    w.keys(Modifiers::COMMAND, Key::Z);
    w.until("the sounds are made", |w| w.app().keyboard().ready() == (2, 2));
    let (listener, mut hand) = MidiListener::without_device("Bottle keys");
    w.app_mut().listen_to(listener);
    hand.play(&[0x90, 57, 100]);
    w.frames(4);
    assert_eq!(down(&w, 57), Some(true));
}

#[test]
fn escape_gives_up_a_drag_of_the_velocity_before_it_gives_the_letters_back() {
    let dir = tempfile::tempdir().unwrap();
    let mut w = playing(dir.path());
    let velocity = |w: &Window| w.app().keyboard().setup.velocity;
    let before = velocity(&w);
    let slider = w.h.get_by_role_and_label(Role::Slider, "Velocity").rect();
    let at = slider.left_center() + egui::vec2(0.7 * 80.0, 0.0);
    w.h.drag_at(at);
    w.frames(2);
    for i in 1..=20 {
        w.h.hover_at(at - egui::vec2(i as f32, 0.0));
        w.frames(1);
    }
    assert!(velocity(&w) < before - 10, "{} {before}", velocity(&w));
    w.key(Key::Escape);
    assert_eq!(velocity(&w), before);
    assert!(w.app().keyboard().takes_keys, "one Escape, one thing");
    w.h.hover_at(at - egui::vec2(40.0, 0.0));
    w.frames(2);
    w.h.drop_at(at - egui::vec2(40.0, 0.0));
    w.frames(2);
    assert_eq!(velocity(&w), before, "it stays so while the hand lets go");
    w.key(Key::Escape);
    assert!(!w.app().keyboard().takes_keys);
}

#[test]
fn a_velocity_that_cannot_be_is_kept_marked_and_told() {
    let dir = tempfile::tempdir().unwrap();
    let mut w = playing(dir.path());
    let before = w.app().keyboard().setup.velocity;
    for (text, why) in
        [("loud", "“loud” cannot be read here; write 1 to 127."), ("200", "“200” is not within 1 to 127.")]
    {
        type_number(&mut w, "Velocity", text);
        assert!(w.says(why), "{text}");
        assert_eq!(w.app().keyboard().setup.velocity, before);
    }
    type_number(&mut w, "Velocity", "64");
    assert_eq!(w.app().keyboard().setup.velocity, 64);
    // The volume beside it, whose lowest value has a word.
    let volume = w.app().sound().view().volume_db;
    type_number(&mut w, "Volume", "banana");
    assert!(w.says("“banana” cannot be read here; write silent to 0 dB."));
    assert_eq!(w.app().sound().view().volume_db, volume);
    type_number(&mut w, "Volume", "−20");
    assert_eq!(w.app().sound().view().volume_db, -20.0);
}

/// Types into the number beside a slider.
fn type_number(w: &mut Window, name: &str, text: &str) {
    let slider = w.h.get_by_role_and_label(Role::Slider, name).rect();
    let beside = |r: &egui::Rect| (r.left() - slider.right()).abs();
    let numbers = w.h.query_all_by_role(Role::SpinButton).map(|n| n.rect());
    let level = numbers.filter(|r| r.y_range().contains(slider.center().y));
    let number = level.min_by(|a, b| beside(a).total_cmp(&beside(b))).unwrap();
    w.h.hover_at(number.center());
    w.frames(1);
    w.h.drag_at(number.center());
    w.h.drop_at(number.center());
    w.frames(3);
    w.keys(Modifiers::COMMAND, Key::A);
    w.h.event(egui::Event::Text(text.into()));
    w.frames(2);
    w.key(Key::Enter);
}

fn held(w: &Window) -> Vec<u8> {
    w.app().keyboard().down.keys().map(|n| n.0).collect()
}

/// What is held ends also where its key comes up with another key held, under the command list, or out of sight.
#[test]
fn no_note_sticks_whatever_happens_while_it_is_held() {
    let dir = tempfile::tempdir().unwrap();
    let mut w = playing(dir.path());
    let letter = |pressed, modifiers| egui::Event::Key {
        key: Key::H,
        physical_key: None,
        pressed,
        repeat: false,
        modifiers,
    };
    let strike = |w: &mut Window, then: &str| {
        w.h.event(letter(true, Modifiers::NONE));
        w.frames(3);
        assert_eq!(held(w), [57], "before {then}");
    };
    // Ctrl or Alt goes down while it sounds, and the letter comes up first.
    for modifiers in [Modifiers::CTRL | Modifiers::COMMAND, Modifiers::ALT] {
        strike(&mut w, "another key");
        w.h.event(letter(false, modifiers));
        w.frames(3);
        assert!(held(&w).is_empty(), "{modifiers:?}");
    }
    // The list of commands takes the keys.
    strike(&mut w, "the list");
    w.keys(Modifiers::COMMAND, Key::K);
    w.frames(3);
    assert!(held(&w).is_empty(), "the list has the keys");
    w.h.event(letter(false, Modifiers::NONE));
    w.key(Key::Escape);
    w.frames(3);
    // Another window gets the keys, with the letter and the space bar down.
    strike(&mut w, "another window");
    w.h.key_down(Key::Space);
    w.frames(2);
    assert!(w.app().keyboard().sustain);
    w.h.event(egui::Event::WindowFocused(false));
    w.h.input_mut().focused = false;
    w.frames(3);
    assert!(held(&w).is_empty() && !w.app().keyboard().sustain);
    w.h.input_mut().focused = true;
    w.h.event(egui::Event::WindowFocused(true));
    w.frames(3);
    assert!(held(&w).is_empty());
    // The same while the mouse holds a key.
    let at = w.h.get_by_label("Key A3: ready").rect().center_bottom() - egui::vec2(0.0, 8.0);
    w.h.drag_at(at);
    w.frames(3);
    assert_eq!(held(&w), [57]);
    w.h.input_mut().focused = false;
    w.frames(3);
    assert!(held(&w).is_empty());
}

/// Octaves, and the notes after them, also where all keys come within one pass of the window.
#[test]
fn keys_within_one_pass_go_on_from_one_another() {
    let dir = tempfile::tempdir().unwrap();
    let mut w = playing(dir.path());
    let press = |w: &mut Window, key| {
        for pressed in [true, false] {
            // Not queued: that would give each a frame of its own.
            let modifiers = Modifiers::NONE;
            let event = egui::Event::Key { key, physical_key: None, pressed, repeat: false, modifiers };
            w.h.input_mut().events.push(event);
        }
    };
    assert_eq!(w.app().keyboard().setup.first, MidiNote(48));
    for key in [Key::Q, Key::Q, Key::W, Key::Q] {
        press(&mut w, key);
    }
    w.frames(3);
    assert_eq!(w.app().keyboard().setup.first, MidiNote(24));
    // Two octaves up again, and H: 48 and 9 semitones.
    press(&mut w, Key::W);
    press(&mut w, Key::W);
    w.h.key_down(Key::H);
    w.frames(3);
    assert_eq!(held(&w), [57]);
    w.h.key_up(Key::H);
    w.frames(2);
}
