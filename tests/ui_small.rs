//! A small window at a large scale: what decides is seen in it without scrolling.

mod sheet_support;
#[path = "sheet_support/window.rs"]
mod window;

use egui::{Key, vec2};
use window::{Window, full};

/// 1280 × 800 at a scale of 1.5 are 853 × 533 points. Beside the other rooms each of four layers has its column, as
/// wide as it can be, with room for the signs of a cell; in a large window cells are as they always were.
#[test]
fn beside_the_other_rooms_four_layers_are_seen() {
    for (size, least, most) in [(vec2(853.0, 533.0), 20.0, 30.0), (vec2(1280.0, 800.0), 40.0, 40.0)] {
        let mut w = Window::of(full(3, 4), size);
        for room in [Key::Num2, Key::Num3, Key::Num4] {
            w.key(room);
            let cells: Vec<_> = (1..=4).map(|l| w.cell(&format!("C4, layer {l}")).rect()).collect();
            for cell in &cells {
                assert!((least..=most).contains(&cell.width()), "{size} {room:?}: {cell}");
            }
            assert!(cells.windows(2).all(|c| c[0].right() < c[1].left()), "{cells:?}");
            let panel = if size.x < 900.0 { 160.0 } else { 250.0 };
            assert!(cells[3].right() <= panel - 6.0, "{size} {room:?}: {}", cells[3]);
        }
    }
}
