//! The drawn map and levels, as told and as painted, in narrow and wide windows.

use super::*;
use egui::{Color32, Rect};
use painted_support::{rects, signs, texts, within};
use seamwright::app::theme::LAYERS;

/// Nearest root, the middle to the lower: C4 up to C#4, D#4 from D4; twelve semitones at the ends.
#[test]
fn the_map_tells_each_take_its_keys_and_selects_it() {
    let mut w = Window::of(two_layers());
    for words in ["Layer 1, C4: keys C3 to C#4", "Layer 2, D#4: keys D4 to D#5"] {
        assert!(w.says(words), "{words}");
    }
    assert!(w.says("Keyboard C3 to B5: 28 of 36 keys sound"));
    w.click("Layer 2, D#4: keys D4 to D#5");
    assert_eq!(w.0.state().selected().map(|t| t.0), Some(4));
    w.pick("Layers become", "Velocity ranges");
    assert!(w.says("Layer 1, C4: keys C3 to C#4, velocity 1 to 63"));
    w.pick("Layers become", "Round robin");
    assert!(w.says("Layer 2, C4: keys C3 to C#4, round robin 2 of 2"));
}

/// At every size the room's parts can be reached, in a narrow one by turns.
#[test]
fn a_narrow_window_shows_one_at_a_time() {
    let session = Path::new("/not there/bottles.seamwright");
    let mut w = Window::over(two_layers(), session, vec2(800.0, 533.0));
    assert!(w.0.query_by_role_and_label(Role::TextInput, "Set name").is_some());
    assert!(!w.says("bottles D#4 1.wav"));
    w.click("What will be written");
    assert!(w.says("bottles D#4 1.wav"));
    assert!(w.0.query_by_role_and_label(Role::TextInput, "Set name").is_none());
    assert!(w.can_deliver());
}

/// ITU-R BS.1770: a sine near 1 kHz reads its rms level less 0.691 dB plus the filter's gain; between
/// two sines of one filter gain only their ratio matters: 6.02 dB for twice the amplitude, and the
/// high-pass takes 0.1 dB more from 220 Hz than from 262 Hz at most.
#[test]
fn levels_are_measured_and_drawn_before_and_after() {
    let dir = tempfile::tempdir().unwrap();
    let (d, session) = recorded(dir.path());
    let mut w = Window::over(d, &session, vec2(1600.0, 1700.0));
    assert!(w.says("How loud the takes are is not known yet"));
    w.click("Measure levels");
    w.steps();
    let lufs = |w: &Window, id: u32| {
        let level = w.0.state().derived().deliver().level(seamwright::session::TakeId(id)).cloned();
        level.unwrap().1.lufs.unwrap()
    };
    let apart = lufs(&w, 2) - lufs(&w, 1);
    assert!((apart - 6.02).abs() < 0.15, "{apart}");
    assert!(w.says("Layer 1, A3: −") && w.says("LUFS, true peak −20.0 dB"), "0.1 of full scale");
    w.pick("Levels", "One loudness");
    w.number("Loudness", -30.0);
    assert_eq!(w.0.query_all_by_label_contains("to −30.0 LUFS, gain").count(), 2);
    assert!(!w.says("not known yet"), "a gain needs no new measurement");
    // Another pre-roll is another sound: the old picture stays and says so.
    w.click("The same for all");
    assert!(w.says("2 takes changed since"));
    w.click("Measure levels");
    assert!(!w.says("changed since"));
}

/// The keyboard has the whole width of a wide window, and what is below fills it to its foot.
#[test]
fn a_wide_window_is_used() {
    let session = Path::new("/not there/bottles.seamwright");
    let w = Window::over(two_layers(), session, vec2(1920.0, 1080.0));
    let keys = w.0.get_by_label_contains("Keyboard C3 to B5").rect();
    assert!(keys.width() > 1000.0 && keys.right() > 1860.0, "{keys}");
    let last = w.0.get_by_label("What will be written").rect();
    let since = w.0.get_by_label("Since the last delivery").rect();
    assert!(since.left() > last.left() + 500.0 && (since.top() - last.top()).abs() < 1.0, "{last} {since}");
}

/// By hand: the keyboard reaches from C3 to B5 (36 keys), and C3 to D#5 (28) sound; in them are 12 black keys, in the
/// other eight 3. C4's takes sound from C3 to C#4 (14 keys), D#4's on the next 14.
#[test]
fn the_map_is_painted_as_it_is_told() {
    let w = Window::of(two_layers());
    let keys = w.0.get_by_label_contains("Keyboard C3 to B5").rect();
    let key = keys.width() / 36.0;
    let painted = rects(&within(w.0.output(), keys));
    let count = |colour: u8, narrow: f32| {
        let of =
            |r: &&egui::epaint::RectShape| r.fill == Color32::from_gray(colour) && r.rect.width() < narrow;
        painted.iter().filter(of).count()
    };
    // Black keys are a key wide, white ones a key and what they reach under their neighbours.
    assert_eq!((count(0x22, 1.1 * key), count(0xF6, 2.1 * key)), (12, 16));
    let widths = |r: &&egui::epaint::RectShape| r.fill != Color32::TRANSPARENT && r.rect.width() < 2.1 * key;
    assert_eq!(painted.iter().filter(widths).count(), 36, "silent keys are there too, in other colours");
    for (layer, corners) in [(0usize, 0), (1, 4)] {
        let mut row = Rect::NOTHING;
        for (name, root, first) in [("C4", 60, 48), ("D#4", 63, 62)] {
            let told = format!("Layer {}, {name}: keys", layer + 1);
            let band = w.0.get_by_label_contains(&told).rect();
            row = row.union(band);
            let x = |key_at: i32| keys.left() + key * (key_at - 48) as f32;
            assert!(
                (band.left() - x(first)).abs() < 1.5 && (band.right() - x(first + 14)).abs() < 1.5,
                "{told}"
            );
            let inside = within(w.0.output(), band.expand(1.0));
            assert!(rects(&inside).iter().any(|r| (r.rect.width() - band.width()).abs() < 1.5), "{told}");
            // Its name stands at its own key.
            let name = texts(&inside, name);
            assert_eq!(name.len(), 1, "{told}");
            let middle = name[0].visual_bounding_rect().center().x;
            assert!((middle - x(root) - 0.5 * key).abs() < 1.5, "{told}: {middle} {}", x(root));
        }
        // Left of the row: the layer's sign in its colour, and its name.
        let names = Rect::from_x_y_ranges(row.left() - 400.0..=row.left(), row.y_range());
        let inside = within(w.0.output(), names);
        assert_eq!(signs(&inside, LAYERS[layer]), [corners], "layer {}", layer + 1);
        assert_eq!(texts(&inside, &format!("Layer {}", layer + 1)).len(), 1);
    }
}

/// Dots before and signs after: a take that a gain moves has both, joined, where its levels are.
#[test]
fn levels_are_painted_where_they_are() {
    let dir = tempfile::tempdir().unwrap();
    let (d, session) = recorded(dir.path());
    let mut w = Window::over(d, &session, vec2(1600.0, 1700.0));
    w.click("Measure levels");
    w.pick("Levels", "One loudness");
    w.number("Loudness", -30.0);
    let marks = w.0.query_all_by_label_contains("to −30.0 LUFS, gain").map(|n| n.rect()).collect::<Vec<_>>();
    assert_eq!(marks.len(), 2);
    assert!((marks[0].center().y - marks[1].center().y).abs() < 0.5, "evened to one level");
    for mark in &marks {
        let there = within(w.0.output(), mark.expand(1.0));
        assert_eq!(signs(&there, LAYERS[0]), [0], "the sign of layer 1 stands where it is told");
    }
    // 6 dB apart before, the louder one higher: its ring stands above the other's.
    let column = |x: f32| Rect::from_x_y_ranges(x - 8.0..=x + 8.0, 0.0..=1700.0);
    let ring = |m: &Rect| {
        let all = painted_support::circles(&within(w.0.output(), column(m.center().x)));
        let rings: Vec<_> = all.into_iter().filter(|c| c.fill != LAYERS[0] && c.radius == 3.5).collect();
        assert_eq!(rings.len(), 1, "{m}");
        rings[0].center.y
    };
    assert!(ring(&marks[0]) > ring(&marks[1]) + 5.0, "A3 is softer than C4");
}
