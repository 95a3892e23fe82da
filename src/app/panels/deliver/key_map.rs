//! The map drawn over a keyboard: which take sounds on which key, a row for each layer.

use std::collections::HashMap;

use egui::{Align2, FontId, Id, Painter, Rect, Role, Sense, Stroke, StrokeKind, Ui, WidgetInfo, pos2, vec2};

use crate::app::command::{Command, GoCommand};
use crate::app::theme::mix;
use crate::app::view::View;
use crate::app::widgets::control::soft;
use crate::app::widgets::layer_sign::layer_sign;
use crate::render::mapping::{KeyMap, Region};
use crate::session::Document;
use crate::session::delivery::LayersAs;
use crate::units::MidiNote;

/// Height of a layer's row.
pub const ROW: f32 = 18.0;
/// The same where there is much width.
pub const WIDE_ROW: f32 = 22.0;
/// Height of the keyboard itself, in rows.
const KEYBOARD: f32 = 2.6;
/// Room for the names of the layers.
const NAMES: f32 = 79.0;
const TEXT: f32 = 11.0;
/// Radius of the dot that stands for a note whose name has no room.
const DOT: f32 = 2.5;

/// Keys along x, all equally wide, whole octaves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KeyAxis {
    /// Lowest key, a C.
    pub low: u8,
    /// Highest key, a B or the last there is.
    pub high: u8,
    /// Left edge of the lowest key.
    pub left: f32,
    /// Width of a key.
    pub width: f32,
}

impl KeyAxis {
    /// The octaves that `map` reaches over, between `left` and `right`; none for an empty map.
    pub fn of(map: &KeyMap, left: f32, right: f32) -> Option<Self> {
        let low = map.regions.iter().map(|r| r.keys.0.0).min()? / 12 * 12;
        let high = (map.regions.iter().map(|r| r.keys.1.0).max()? / 12 * 12 + 11).min(127);
        let width = (right - left) / f32::from(high - low + 1);
        Some(Self { low, high, left, width })
    }

    /// Left edge of a key; of the one after the last: the right edge.
    pub fn x_from_key(&self, key: u8) -> f32 {
        self.left + self.width * (f32::from(key) - f32::from(self.low))
    }

    /// The key at `x`.
    pub fn key_from_x(&self, x: f32) -> Option<MidiNote> {
        let key = f32::from(self.low) + ((x - self.left) / self.width).floor();
        (f32::from(self.low)..=f32::from(self.high)).contains(&key).then_some(MidiNote(key as u8))
    }
}

/// Whether a key is black.
pub fn is_black(key: u8) -> bool {
    matches!(key % 12, 1 | 3 | 6 | 8 | 10)
}

/// A note as the delivery spells it, with a real minus sign.
pub fn spelt(document: &Document, note: MidiNote) -> String {
    let d = &document.setup.delivery;
    d.spelling.name(note, d.middle_c.unwrap_or(document.setup.middle_c)).replace('-', "−")
}

/// A region in words.
fn words_of(document: &Document, r: &Region) -> String {
    let name = |n| spelt(document, n);
    let mut text =
        format!("Layer {}, {}: keys {} to {}", r.layer + 1, name(r.root), name(r.keys.0), name(r.keys.1));
    if r.velocities != (1, 127) {
        text += &format!(", velocity {} to {}", r.velocities.0, r.velocities.1);
    }
    if r.turn.1 > 1 {
        text += &format!(", round robin {} of {}", r.turn.0, r.turn.1);
    }
    text
}

/// What sounds on a key, in sentences.
pub fn sounding(document: &Document, map: &KeyMap, key: MidiNote) -> String {
    let mut text = format!("Key {} ({})", spelt(document, key), key.0);
    let on: Vec<&Region> = map.regions.iter().filter(|r| (r.keys.0..=r.keys.1).contains(&key)).collect();
    if on.is_empty() {
        return text + ": nothing sounds";
    }
    for r in on {
        let by = i32::from(key.0) - i32::from(r.root.0);
        let played = match by {
            0 => "as it is".into(),
            1 => "1 semitone up".into(),
            -1 => "1 semitone down".into(),
            2.. => format!("{by} semitones up"),
            _ => format!("{} semitones down", -by),
        };
        text += &format!("\nLayer {}: {}, {played}", r.layer + 1, spelt(document, r.root));
        if r.velocities != (1, 127) {
            text += &format!(", velocity {} to {}", r.velocities.0, r.velocities.1);
        }
        if r.turn.1 > 1 {
            text += &format!(", round robin {} of {}", r.turn.0, r.turn.1);
        }
    }
    text
}

/// Draws the map, each layer's row so high.
pub fn key_map(ui: &mut Ui, view: &View<'_>, map: &KeyMap, row: f32, commands: &mut Vec<Command>) {
    let theme = view.theme;
    if map.regions.is_empty() {
        ui.label(soft("No accepted take sounds on a key yet.", theme));
        return;
    }
    let keyboard_height = KEYBOARD * row;
    let row = if map.layers.len() > 8 { 12.0 } else { row };
    let height = row * map.layers.len() as f32 + 4.0 + keyboard_height + 16.0;
    let (rect, _) = ui.allocate_exact_size(vec2(ui.available_width(), height), Sense::hover());
    let Some(axis) = KeyAxis::of(map, rect.left() + NAMES, rect.right() - 1.0) else { return };
    let mut is_dotted = false;
    for (i, layer) in map.layers.iter().enumerate() {
        let top = rect.top() + row * i as f32;
        let strip = Rect::from_min_max(pos2(rect.left(), top), pos2(rect.right(), top + row - 2.0));
        is_dotted |= layer_row(ui, view, map, (*layer, i), &axis, strip, commands);
    }
    let top = rect.top() + row * map.layers.len() as f32 + 4.0;
    let keys = Rect::from_min_max(pos2(axis.left, top), pos2(rect.right() - 1.0, top + keyboard_height));
    keyboard(ui, view, map, &axis, keys);
    if is_dotted {
        let at = pos2(rect.left() + 4.0, keys.center().y);
        ui.painter().circle_filled(at, DOT, theme.ink);
        let font = FontId::proportional(TEXT);
        let place = at + vec2(6.0, 0.0);
        ui.painter().text(place, Align2::LEFT_CENTER, "a take's key", font, theme.ink_soft);
    }
}

/// A layer's row; whether a note in it is but a dot.
fn layer_row(
    ui: &Ui,
    view: &View<'_>,
    map: &KeyMap,
    (layer, place): (u16, usize),
    axis: &KeyAxis,
    strip: Rect,
    commands: &mut Vec<Command>,
) -> bool {
    let theme = view.theme;
    let mut is_dotted = false;
    let colour = theme.layer(layer);
    let name = match view.document.setup.delivery.map.layers {
        LayersAs::Group => format!("Layer {}", layer + 1),
        LayersAs::RoundRobin => format!("{}: round robin {}", layer + 1, place + 1),
        LayersAs::Velocity => {
            let (low, high) = crate::render::mapping::velocity_range(place, map.layers.len());
            format!("{}: {low}–{high}", layer + 1)
        }
    };
    let at = pos2(strip.left() + 13.0, strip.center().y);
    let radius = (0.28 * strip.height()).min(4.4);
    let sign = pos2(strip.left() + 5.0, strip.center().y);
    layer_sign(ui.painter(), sign, radius, layer, colour, Stroke::new(0.8, theme.ink));
    ui.painter().text(at, Align2::LEFT_CENTER, name, FontId::proportional(TEXT), theme.ink);
    let mut times: HashMap<MidiNote, (usize, usize)> = HashMap::new();
    for r in map.regions.iter().filter(|r| r.layer == layer) {
        times.entry(r.root).or_default().1 += 1;
    }
    for r in map.regions.iter().filter(|r| r.layer == layer) {
        // Several takes of one note share the height.
        let Some((n, of)) = times.get_mut(&r.root) else { continue };
        let part = strip.height() / *of as f32;
        let top = strip.top() + part * *n as f32;
        *n += 1;
        let band = Rect::from_min_max(
            pos2(axis.x_from_key(r.keys.0.0) + 0.5, top),
            pos2(axis.x_from_key(r.keys.1.0 + 1) - 0.5, top + part),
        );
        let id = Id::unique("key map region").with(r.take);
        let response = ui.interact(band, id, Sense::click());
        let words = words_of(view.document, r);
        response.widget_info(|| WidgetInfo::labeled(Role::Button, true, &words));
        let fill = mix(theme.sheet, colour, if response.hovered() { 0.6 } else { 0.35 });
        let painter = ui.painter_at(band);
        painter.rect_filled(band, 2.0, fill);
        let chosen = view.selected == Some(r.take);
        let edge = if chosen { Stroke::new(2.0, theme.ink) } else { Stroke::new(1.0, colour) };
        painter.rect_stroke(band, 2.0, edge, StrokeKind::Inside);
        is_dotted |= !root_mark(&painter, view, r, axis, band);
        if response.on_hover_text(format!("{words}. Click selects the take.")).clicked() {
            commands.push(Command::Go(GoCommand::Select(r.take)));
        }
    }
    is_dotted
}

/// The take's own key: its name where there is room, in smaller letters where there is little, else a dot; whether
/// it is the name.
fn root_mark(painter: &Painter, view: &View<'_>, r: &Region, axis: &KeyAxis, band: Rect) -> bool {
    let x = axis.x_from_key(r.root.0) + axis.width / 2.0;
    let name = spelt(view.document, r.root);
    for (size, around, high) in [(TEXT, 3.0, 12.0), (9.5, 1.5, 10.5), (8.5, 1.0, 9.5)] {
        let text = painter.layout_no_wrap(name.clone(), FontId::proportional(size), view.theme.ink);
        if text.size().x + 2.0 * around >= band.width() || band.height() < high {
            continue;
        }
        let half = text.size().x / 2.0 + around;
        let centre = x.clamp(band.left() + half, (band.right() - half).max(band.left() + half));
        let at = pos2(centre - text.size().x / 2.0, band.center().y - text.size().y / 2.0);
        painter.galley(at, text, view.theme.ink);
        return true;
    }
    painter.circle_filled(pos2(x, band.center().y), f32::min(DOT, axis.width / 2.0), view.theme.ink);
    false
}

fn keyboard(ui: &Ui, view: &View<'_>, map: &KeyMap, axis: &KeyAxis, rect: Rect) {
    let theme = view.theme;
    let sounds = |key: u8| map.regions.iter().any(|r| (r.keys.0.0..=r.keys.1.0).contains(&key));
    let silent = (axis.low..=axis.high).filter(|k| !sounds(*k)).count();
    let response = ui.interact(rect, Id::unique("key map keyboard"), Sense::hover());
    let keys = usize::from(axis.high - axis.low) + 1;
    let words = format!(
        "Keyboard {} to {}: {} of {keys} keys sound",
        spelt(view.document, MidiNote(axis.low)),
        spelt(view.document, MidiNote(axis.high)),
        keys - silent
    );
    response.widget_info(|| WidgetInfo::labeled(Role::Image, true, &words));
    let painter = ui.painter();
    // The keyboard is a thing of its own: white and black in both themes, silent keys between.
    let (white, black) = (egui::Color32::from_gray(0xF6), egui::Color32::from_gray(0x22));
    let grey = egui::Color32::from_gray(0xA8);
    painter.rect_filled(rect, 2.0, white);
    let under = response.hover_pos().and_then(|p| axis.key_from_x(p.x)).map(|n| n.0);
    let shade = |key: u8, plain| match () {
        () if under == Some(key) => mix(plain, theme.accent, 0.45),
        () if sounds(key) => plain,
        () => mix(plain, grey, 0.75),
    };
    for key in (axis.low..=axis.high).filter(|k| !is_black(*k)) {
        // A white key reaches half way under the black keys beside it.
        let half = axis.width / 2.0;
        let left = if key > axis.low && is_black(key - 1) { half } else { 0.0 };
        let right = if key < axis.high && is_black(key + 1) { half } else { 0.0 };
        let x = (axis.x_from_key(key) - left, axis.x_from_key(key + 1) + right);
        let one = Rect::from_min_max(pos2(x.0, rect.top()), pos2(x.1, rect.bottom()));
        painter.rect_filled(one, 0.0, shade(key, white));
        painter.rect_stroke(one, 0.0, Stroke::new(0.7, egui::Color32::from_gray(0x70)), StrokeKind::Inside);
    }
    for key in (axis.low..=axis.high).filter(|k| is_black(*k)) {
        let x = (axis.x_from_key(key), axis.x_from_key(key + 1));
        let one = Rect::from_min_max(pos2(x.0, rect.top()), pos2(x.1, rect.top() + rect.height() * 0.6));
        painter.rect_filled(one, 0.0, shade(key, black));
    }
    for key in (axis.low..=axis.high).filter(|k| k % 12 == 0) {
        let at = pos2(axis.x_from_key(key) + 1.0, rect.bottom() + 1.0);
        let name = spelt(view.document, MidiNote(key));
        painter.text(at, Align2::LEFT_TOP, name, FontId::proportional(TEXT), theme.ink_soft);
    }
    if let Some(key) = under {
        response.on_hover_text_at_pointer(sounding(view.document, map, MidiNote(key)));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::render::mapping::{Mapped, key_map};
    use crate::session::TakeId;
    use crate::session::delivery::MapSetup;

    fn map(notes: &[u8]) -> KeyMap {
        let take = |(i, n): (usize, &u8)| Mapped { take: TakeId(i as u32), layer: 0, root: MidiNote(*n) };
        let takes: Vec<Mapped> = notes.iter().enumerate().map(take).collect();
        key_map(&takes, &MapSetup { furthest: 3, ..MapSetup::default() })
    }

    #[test]
    fn the_axis_holds_whole_octaves_and_every_key_once() {
        let axis = KeyAxis::of(&map(&[60, 66]), 10.0, 10.0 + 24.0 * 8.0).unwrap();
        // C4 reaches down to A3, F#4 up to A4: from C3 (48) to B4 (71).
        assert_eq!((axis.low, axis.high, axis.width), (48, 71, 8.0));
        for key in 48..=71 {
            assert_eq!(axis.key_from_x(axis.x_from_key(key) + 4.0), Some(MidiNote(key)));
        }
        assert_eq!((axis.key_from_x(9.0), axis.key_from_x(10.0 + 24.0 * 8.0)), (None, None));
        assert_eq!(KeyAxis::of(&KeyMap::default(), 0.0, 1.0), None);
    }

    /// Seven white and five black keys an octave, two black ones never side by side (common practice,
    /// no source).
    #[test]
    fn black_keys_are_those_of_a_piano() {
        assert_eq!((0..12).filter(|k| is_black(*k)).count(), 5);
        assert!((0..127).all(|k| !(is_black(k) && is_black(k + 1))));
        assert!(is_black(61) && !is_black(60) && !is_black(64) && !is_black(65));
    }

    #[test]
    fn a_key_tells_what_sounds_and_how_far_it_is_moved() {
        let d = Document::default();
        let map = map(&[60, 66]);
        assert_eq!(sounding(&d, &map, MidiNote(62)), "Key D4 (62)\nLayer 1: C4, 2 semitones up");
        assert_eq!(sounding(&d, &map, MidiNote(65)), "Key F4 (65)\nLayer 1: F#4, 1 semitone down");
        assert!(sounding(&d, &map, MidiNote(20)).ends_with("nothing sounds"));
    }
}
