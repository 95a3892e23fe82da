//! What is heard while things are changed: the real engine, fetched frame by frame.

use egui::accesskit::Role;
use egui::{Key, Modifiers};
use egui_kittest::kittest::Queryable as _;
use seamwright::app::command::{Command, EditCommand};
use seamwright::app::derived::FromRecipe;
use seamwright::audio::AudioBuf;
use seamwright::playback::message::Side;
use seamwright::render::chain;
use seamwright::session::{Edit, TuneRecipe};

use crate::support::{A_FRAME, RATE, Window, takes};

/// Largest step between samples, and largest sample.
fn measures(x: &[f32]) -> (f64, f64) {
    let step = x.windows(2).map(|w| f64::from((w[1] - w[0]).abs())).fold(0.0, f64::max);
    (step, x.iter().map(|s| f64::from(s.abs())).fold(0.0, f64::max))
}

/// The largest step that may be heard while the engine crosses from one of `sounds` to another at
/// `gain`. Of two signals whose steps are at most D and whose samples are at most A, with gains g
/// and h: |Δ(g·x + h·y)| ≤ (g + h)·D + (|Δg| + |Δh|)·A. The gains' powers make one, so g + h ≤ √2;
/// they move over 10 ms by a smooth step (slope 1.5 at most) under a root (√2 at most where the two
/// meet).
fn allowed(sounds: &[&AudioBuf], gain: f64) -> f64 {
    let (mut step, mut peak) = (0f64, 0f64);
    for s in sounds {
        let (d, a) = measures(s.channel(0));
        (step, peak) = (step.max(d), peak.max(a));
    }
    gain * (2f64.sqrt() * step + 2.0 * 1.5 * 2f64.sqrt() / 480.0 * peak)
}

/// 10^(dB/20).
pub fn gain(w: &Window) -> f64 {
    10f64.powf(f64::from(w.app().sound().view().volume_db) / 20.0)
}

/// Frame of `sound` at which `heard` begins: the one where they differ least.
fn found_at(heard: &[f32], sound: &[f32], gain: f64) -> (usize, f64) {
    let n = 256.min(heard.len());
    let differ = |at: usize| {
        let of = |i: usize| f64::from(heard[i]) - gain * f64::from(sound[at + i]);
        (0..n).map(|i| of(i).abs()).fold(0.0, f64::max)
    };
    (0..sound.len() - n).map(|at| (at, differ(at))).min_by(|a, b| a.1.total_cmp(&b.1)).unwrap()
}

/// Checks that `heard` goes round the loop of `made`, sample by sample.
pub fn goes_round(heard: &[f32], made: &FromRecipe, gain: f64) {
    let range = made.rendered.looping.unwrap().range;
    let (start, end) = (range.start.0 as usize, range.end.0 as usize);
    let turn = &made.finished.channel(0)[start..end];
    let twice = [turn, turn].concat();
    // One step of f32 at full scale is the room for the one multiplication.
    let room = f64::from(f32::EPSILON);
    let (at, off) = found_at(heard, &twice, gain);
    assert!(off <= room, "nothing of the loop is heard: {off}");
    for (i, h) in heard.iter().enumerate() {
        let should = gain * f64::from(turn[(at + i) % turn.len()]);
        assert!((f64::from(*h) - should).abs() <= room, "sample {i}: {h} instead of {should}");
    }
}

/// A window on the bench with a rendered take that plays its loop.
fn looping(dir: &std::path::Path) -> Window {
    let folder = takes(dir, "bottles", 1);
    let mut w = Window::proposed(&folder, 1);
    w.key(Key::Num2);
    w.until_made();
    w.key(Key::R);
    w.until("it plays", |w| w.app().sound().view().playing.is_some());
    w.frames(10);
    w.heard.clear();
    w
}

/// Everything that the selected take may sound like now.
fn sounds(w: &Window) -> [AudioBuf; 3] {
    let made = w.made().unwrap();
    [made.finished.clone(), made.rendered.audio.clone(), made.plain.clone()]
}

#[test]
fn a_loop_nudged_while_it_plays_moves_without_a_click() {
    let dir = tempfile::tempdir().unwrap();
    let mut w = looping(dir.path());
    let before = w.until_made();
    let mut all = sounds(&w).to_vec();
    w.h.get_by_role_and_label(Role::Slider, "Loop end").focus();
    w.frames(3);
    // By periods: a loop of any other length clicks at its turn by itself, whoever plays it.
    for key in [Key::PageDown, Key::PageUp, Key::PageDown, Key::PageDown] {
        w.key(key);
        w.frames(4);
    }
    let after = w.until_made();
    all.extend(sounds(&w));
    let length = |m: &FromRecipe| m.rendered.looping.unwrap().range.count().0;
    assert_ne!(length(&before), length(&after));
    assert!(w.app().sound().view().playing.is_some(), "it goes on");
    let (step, _) = measures(&w.heard);
    let bound = allowed(&all.iter().collect::<Vec<_>>(), gain(&w));
    assert!(step <= bound, "a step of {step:.2e}; allowed {bound:.2e}");
    w.frames(5);
    w.heard.clear();
    w.frames(2 * length(&after) as usize / A_FRAME + 2);
    goes_round(&w.heard, &after, gain(&w));
}

#[test]
fn a_loop_end_moved_before_the_place_that_sounds_makes_no_click() {
    let dir = tempfile::tempdir().unwrap();
    let mut w = looping(dir.path());
    let before = w.until_made();
    let range = before.rendered.looping.unwrap().range;
    let place = |w: &Window| w.app().sound().view().playing.unwrap().1;
    let near_the_end = range.end.0 - 8_000..range.end.0 - 4_000;
    assert!(range.count().0 > 24_000, "the loop is long enough");
    w.until("it is near the end", |w| near_the_end.contains(&place(w)));
    // Half a period off: what sounds after the jump is turned over, so that a hard change would be
    // as large as the tone itself.
    let period = RATE / before.rendered.f0.unwrap().0;
    let back = ((10_000.0 / period).floor() + 0.5) * period;
    w.heard.clear();
    let end = w.h.get_by_role_and_label(Role::Slider, "Loop end");
    end.set_value_accesskit(range.end.0 as f64 - back.round());
    // Four frames later it has jumped, and is still far from the next turn: a loop of whole periods
    // and a half clicks there by itself.
    w.frames(4);
    let heard = w.heard.clone();
    assert!(place(&w) < range.start.0 + range.count().0 / 2, "it jumped into the new loop");
    let after = w.until_made();
    assert!(after.rendered.looping.unwrap().range.end < range.end);
    let mut all = vec![before.finished.clone(), before.rendered.audio.clone()];
    all.push(after.rendered.audio.clone());
    let bound = allowed(&all.iter().collect::<Vec<_>>(), gain(&w));
    let (step, peak) = measures(&heard);
    assert!(peak > 5.0 * bound, "a click could be told from the tone: {peak:.2e} {bound:.2e}");
    assert!(step <= bound, "a step of {step:.2e}; allowed {bound:.2e}");
}

#[test]
fn comparing_keeps_the_place() {
    let dir = tempfile::tempdir().unwrap();
    let mut w = looping(dir.path());
    let made = w.until_made();
    let range = made.rendered.looping.unwrap().range;
    let g = gain(&w);
    let after = |at: u64, frames: u64| {
        let to = at + frames;
        if to < range.end.0 { to } else { range.start.0 + (to - range.start.0) % range.count().0 }
    };
    // Away from the seam, where the plain source of a loop that was tuned may well click.
    let place = |w: &Window| w.app().sound().view().playing.unwrap().1;
    w.until("it is in the middle of the loop", |w| {
        (range.start.0 + 3_000..range.end.0.saturating_sub(12_000)).contains(&place(w))
    });
    w.heard.clear();
    let from = place(&w);
    w.h.key_press(Key::C);
    // The press and the release are a frame each.
    w.frames(1);
    w.frames(5);
    assert_eq!(w.app().sound().view().side, Side::Source);
    // The place shown is always the one before the sound of its own frame.
    assert_eq!(place(&w), after(from, w.heard.len() as u64));
    let (step, _) = measures(&w.heard);
    let all = sounds(&w);
    let bound = allowed(&all.iter().collect::<Vec<_>>(), g);
    assert!(step <= bound, "a step of {step:.2e}; allowed {bound:.2e}");
    // The end of it is the source, at the same place.
    let last = &w.heard[w.heard.len() - A_FRAME..];
    let at = place(&w) as usize;
    let plain = &made.plain.channel(0)[at..at + A_FRAME];
    for (h, p) in last.iter().zip(plain) {
        assert!((f64::from(*h) - g * f64::from(*p)).abs() <= f64::from(f32::EPSILON), "{h} {p}");
    }
    w.key(Key::C);
    w.frames(3);
    w.heard.clear();
    w.frames(5);
    goes_round(&w.heard, &made, g);
}

/// The loop is made for the result; the source, which was not tuned, is elsewhere in its period at the other end.
#[test]
fn the_source_goes_round_without_a_click_too() {
    let dir = tempfile::tempdir().unwrap();
    let mut w = looping(dir.path());
    let made = w.until_made();
    let range = made.rendered.looping.unwrap().range;
    w.key(Key::C);
    w.frames(3);
    w.heard.clear();
    w.frames(3 * range.count().0 as usize / A_FRAME);
    assert_eq!(w.app().sound().view().side, Side::Source);
    let g = gain(&w);
    let bound = allowed(&[&made.plain], g);
    let plain = made.plain.channel(0);
    let hard = g * f64::from((plain[range.start.0 as usize] - plain[range.end.0 as usize - 1]).abs());
    assert!(hard > bound, "a hard turn could be told: {hard:.2e} {bound:.2e}");
    let (step, peak) = measures(&w.heard);
    assert!(peak > 10.0 * bound, "it is heard");
    assert!(step <= bound, "a step of {step:.2e}; allowed {bound:.2e}");
}

#[test]
fn another_tuning_comes_in_without_a_gap() {
    let dir = tempfile::tempdir().unwrap();
    let mut w = looping(dir.path());
    let before = w.until_made();
    let mut all = sounds(&w).to_vec();
    w.h.get_by_role_and_label(Role::Slider, "Drift").set_value_accesskit(0.0);
    w.frames(2);
    assert_eq!(w.take().recipe.as_ref().unwrap().tune.drift, 0.0);
    let after = w.until_made();
    all.extend(sounds(&w));
    assert_ne!(before.finished, after.finished);
    w.frames(3);
    let g = gain(&w);
    let bound = allowed(&all.iter().collect::<Vec<_>>(), g);
    let (step, _) = measures(&w.heard);
    assert!(step <= bound, "a step of {step:.2e}; allowed {bound:.2e}");
    // Nowhere softer than either sound is anywhere in its loop, but for what two unlike signals lose
    // when they are added at equal powers: nothing on the average, so half is a hole.
    let rms = |x: &[f32]| (x.iter().map(|s| f64::from(*s).powi(2)).sum::<f64>() / x.len() as f64).sqrt();
    let softest = |x: &[f32]| x.chunks_exact(480).map(rms).fold(f64::MAX, f64::min);
    let turn = |m: &FromRecipe| {
        let r = m.rendered.looping.unwrap().range;
        softest(&m.finished.channel(0)[r.start.0 as usize..r.end.0 as usize])
    };
    let floor = 0.5 * g * turn(&before).min(turn(&after));
    assert!(softest(&w.heard) >= floor, "{} under {floor}", softest(&w.heard));
    w.heard.clear();
    w.frames(2 * after.rendered.looping.unwrap().range.count().0 as usize / A_FRAME + 2);
    goes_round(&w.heard, &after, g);
}

#[test]
fn of_many_quick_changes_the_last_one_stands() {
    let dir = tempfile::tempdir().unwrap();
    let folder = takes(dir.path(), "bottles", 1);
    let mut w = Window::proposed(&folder, 1);
    w.key(Key::Num2);
    w.until_made();
    let take = w.selected();
    let tune = w.take().recipe.clone().unwrap().tune;
    for i in 0..60 {
        let drift = 1.0 - f64::from(i) / 100.0;
        let edit = Edit::SetTune { take, tune: TuneRecipe { drift, ..tune.clone() } };
        w.send(Command::Edit(EditCommand::Preview(edit)));
        w.frames(1);
        let shown = w.app().derived().of(take).unwrap();
        assert!(shown.recipe.is_some() && shown.failed.is_none(), "the old result stays");
        assert!(shown.updating || w.made().is_some(), "what is shown and old is called so");
    }
    w.send(Command::Edit(EditCommand::Commit("Set drift".into())));
    let made = w.until_made();
    let recipe = w.take().recipe.clone().unwrap();
    assert!((recipe.tune.drift - 0.41).abs() < 1e-12);
    let setup = &w.document().setup;
    let from = w.app().derived().of(take).unwrap().source.clone().unwrap();
    let direct = chain::render(&from.analysed, &recipe, setup.a4, setup.delivery_rate).unwrap();
    assert_eq!(made.finished, chain::finished(&direct).unwrap());
    assert_eq!(made.rendered.looping, direct.looping);
    w.frames(60);
    assert!(w.made().is_some(), "nothing older comes in afterwards");
    let steps: Vec<_> = w.app().session().history().labels().collect();
    assert_eq!(steps, ["Propose all", "Set drift"], "one drag is one step");
    w.keys(Modifiers::COMMAND, Key::Z);
    assert_eq!(w.take().recipe.as_ref().unwrap().tune, tune, "one drag is one step");
}

#[test]
fn a_device_that_goes_is_told_everything_else_goes_on_and_sound_comes_back() {
    let dir = tempfile::tempdir().unwrap();
    let mut w = looping(dir.path());
    w.app_mut().unplug_sound();
    w.frames(4);
    assert!(w.words().iter().any(|t| t.contains("sound device is gone")), "{:?}", w.words());
    assert_eq!(w.app().sound().view().playing, None);
    assert!(w.says("No sound"));
    // Deciding and undoing need no sound.
    w.key(Key::Y);
    w.keys(Modifiers::COMMAND, Key::Z);
    w.key(Key::R);
    assert_eq!(w.app().sound().view().playing, None);
    w.click("Look for sound");
    assert!(w.words().iter().all(|t| !t.contains("sound device is gone")), "what is mended is not told");
    w.key(Key::R);
    w.until("it plays again", |w| w.app().sound().view().playing.is_some());
    w.heard.clear();
    w.frames(20);
    assert!(w.heard.iter().any(|x| *x != 0.0), "and is heard");
}

#[test]
fn a_device_that_rests_is_opened_again_by_what_is_to_sound() {
    let dir = tempfile::tempdir().unwrap();
    let mut w = looping(dir.path());
    let made = w.until_made();
    w.key(Key::Space);
    w.until("silence", |w| w.app().sound().view().playing.is_none());
    w.app_mut().rest_sound();
    w.frames(4);
    w.heard.clear();
    w.frames(4);
    assert!(w.heard.iter().all(|x| *x == 0.0), "a closed device asks for nothing");
    assert!(w.app().sound().has_device() && !w.says("No sound"), "{:?}", w.words());
    // The key that wakes it is heard itself, as loud as is set.
    w.key(Key::R);
    w.until("it plays", |w| w.app().sound().view().playing.is_some());
    w.frames(10);
    w.heard.clear();
    w.frames(2 * made.rendered.looping.unwrap().range.count().0 as usize / A_FRAME + 2);
    goes_round(&w.heard, &made, gain(&w));
}

/// A loop goes on sounding from room to room, and each room has a Stop that works.
#[test]
fn what_plays_is_stopped_in_every_room() {
    let dir = tempfile::tempdir().unwrap();
    let mut w = looping(dir.path());
    for room in [Key::Num1, Key::Num2, Key::Num3, Key::Num4] {
        w.key(room);
        w.frames(4);
        assert!(w.app().sound().view().playing.is_some(), "{room:?}: it goes on");
        // Beside “Deliver” it says what it stops.
        w.click(if room == Key::Num4 { "Stop sound" } else { "Stop" });
        w.frames(2);
        assert!(w.app().sound().view().playing.is_none(), "{room:?}");
        w.key(Key::R);
        w.until("it plays", |w| w.app().sound().view().playing.is_some());
    }
    // By the key as well, where nothing is played.
    w.key(Key::Space);
    assert!(w.app().sound().view().playing.is_none());
}
