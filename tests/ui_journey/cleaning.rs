//! Cleaning in the real window: learned, worked, heard, with another room tone.

use std::sync::Arc;

use egui::Key;
use seamwright::app::command::{Command, EditCommand};
use seamwright::playback::message::Side;
use seamwright::session::cleaning::mark_room;
use seamwright::session::{CleanRecipe, Edit};
use seamwright::units::{Decibels, FrameRange};

use super::support::{A_FRAME, Window, takes};

fn step(w: &mut Window, label: &str, edit: Edit) {
    w.send(Command::Edit(EditCommand::Do { label: label.into(), edit }));
}

#[test]
fn a_take_is_cleaned_heard_and_cleaned_by_another_room_tone() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", 2);
    let mut w = Window::proposed(&folder, 2);
    w.key(Key::Num2);
    let bare = w.until_made();
    let take = w.selected();
    step(&mut w, "Clean", Edit::SetClean { take, clean: CleanRecipe::full() });
    let made = w.until_made();
    let cleaning = made.cleaning.clone().expect("it is cleaned");
    assert!(cleaning.levels.before.0 - cleaning.levels.after.0 > 20.0, "{:?}", cleaning.levels);
    assert_eq!(made.rendered.audio.len(), bare.rendered.audio.len(), "lined up to the frame");

    // W switches to what was removed, at the same place, without stopping.
    w.key(Key::R);
    w.until("it plays", |w| w.app().sound().view().playing.is_some());
    let place = |w: &Window| w.app().sound().view().playing.unwrap().1;
    let range = made.rendered.looping.unwrap().range;
    w.until("it is in the middle of the loop", |w| {
        (range.start.0 + 3_000..range.end.0.saturating_sub(12_000)).contains(&place(w))
    });
    w.h.key_press(Key::W);
    w.frames(6);
    assert_eq!(w.app().sound().view().side, Side::Removed);
    let gain = Decibels(f64::from(w.app().sound().view().volume_db)).gain();
    let at = place(&w) as usize;
    let last = &w.heard[w.heard.len() - A_FRAME..];
    let removed = &cleaning.removed.channel(0)[at..at + A_FRAME];
    for (h, r) in last.iter().zip(removed) {
        assert!((f64::from(*h) - gain * f64::from(*r)).abs() <= f64::from(f32::EPSILON), "{h} {r}");
    }
    w.key(Key::W);
    assert_eq!(w.app().sound().view().side, Side::Rendered);

    // Another room tone: worked anew without reading the take again.
    let before = w.app().derived().of(take).unwrap().source.clone().unwrap();
    let source = w.take().source;
    let edit = mark_room(w.document(), source, vec![FrameRange::new(0, 9_600)]).unwrap().edit;
    step(&mut w, "Mark room tone", edit);
    w.until("it is worked anew", |w| w.made().is_some_and(|m| m.rendered.audio != made.rendered.audio));
    let after = w.app().derived().of(take).unwrap().source.clone().unwrap();
    assert!(Arc::ptr_eq(&before.peaks, &after.peaks), "the take was not read again");
    w.keys(egui::Modifiers::COMMAND, Key::Z);
    // The same room gives the same bits.
    w.until("it is as it was", |w| w.made().is_some_and(|m| m.rendered.audio == made.rendered.audio));
}

/// Selecting back and forth gives up work and asks for it again: nothing is lost, nothing loops.
#[test]
fn work_that_was_given_up_is_done_when_its_turn_comes() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", 3);
    let mut w = Window::proposed(&folder, 3);
    w.key(Key::Num2);
    for _ in 0..6 {
        w.key(Key::CloseBracket);
        w.key(Key::OpenBracket);
    }
    w.until_made();
    w.key(Key::CloseBracket);
    w.until_made();
    w.until("the file is drawn", |w| {
        let d = w.document();
        d.source(w.take().source).is_some_and(|s| w.app().derived().file_wave(s).is_some())
    });
}
