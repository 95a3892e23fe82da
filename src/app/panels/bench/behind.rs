//! The note's other layers behind the take: outlines aligned at the onset, each with its sign and number, and
//! double arrowheads where one is louder than the lane is high.

use std::sync::Arc;

use egui::{Color32, FontId, Painter, Role, Sense, Stroke, Ui, WidgetInfo, pos2, vec2};

use super::lanes::Lane;
use super::wave::{inner, layer_ink, look, loudest, wave_at};
use crate::app::theme::strong;
use crate::app::widgets::layer_sign::{layer_sign, word};
use crate::app::widgets::wave_view::{self, Beyond, WaveLook};
use crate::units::Decibels;

/// One of the other layers as it was drawn.
pub struct Behind {
    /// Where its outline ends, or the lane does.
    x: f32,
    layer: u16,
    ink: Color32,
    /// How much its loudest sample is above that of the take, in dB; none where all of it fits into the lane.
    louder_db: Option<f64>,
    beyond: Vec<Beyond>,
}

/// Draws the outlines.
pub fn outlines(lane: &Lane<'_, '_>, painter: &Painter) -> Vec<Behind> {
    let m = lane.model;
    let Some(note) = m.take.note else { return Vec::new() };
    let here_s = m.s(m.onset());
    let mut all = Vec::new();
    for other in &m.document.takes {
        if other.id == m.take.id || other.note != Some(note) || other.layer == m.take.layer {
            continue;
        }
        let derived = lane.view.derived.of(other.id).and_then(|d| d.source.as_ref());
        let (Some(sound), Some(source)) = (derived, m.document.source(other.source)) else { continue };
        let onset = other.recipe.as_ref().map_or(other.onset, |r| r.trim.onset).0 as f64;
        let rate = source.rate.as_f64();
        let first = sound.analysed.clip.offset.0 as f64;
        let wave = wave_at(sound, here_s + (first - onset) / rate, rate);
        let ink = layer_ink(lane.theme(), other.layer);
        let ends_s = wave.starts_s + wave.samples.len() as f64 / rate;
        let look = WaveLook { edge: ink.gamma_multiply(0.6), ..look(lane, inner(lane.rect)) };
        let cache = &mut lane.columns.borrow_mut();
        let beyond = wave_view::paint_outline(painter, &lane.axis, wave, look, cache);
        let (its, own) = (loudest(sound), loudest(m.sound));
        let louder = || Decibels::of_amplitude(f64::from(its)).0 - Decibels::of_amplitude(f64::from(own)).0;
        all.push(Behind {
            x: lane.axis.x_from_s(ends_s).min(lane.rect.right()),
            layer: other.layer,
            ink,
            louder_db: (its > look.full).then(louder),
            beyond,
        });
    }
    all
}

/// Signs and numbers of the layers at the right ends of their outlines, one below the other; and what tells where they go on.
pub fn signs(ui: &Ui, lane: &Lane<'_, '_>, painter: &Painter, all: &[Behind]) {
    const LINE: f32 = 14.0;
    for one in all {
        arrows(lane, painter, one);
    }
    let middle = inner(lane.rect).center().y;
    let top = middle - LINE * (all.len() as f32 - 1.0) / 2.0;
    for (i, one) in all.iter().enumerate().filter(|(_, one)| one.x > lane.rect.left() + 40.0) {
        sign(ui, lane, painter, one, top + LINE * i as f32);
    }
}

fn sign(ui: &Ui, lane: &Lane<'_, '_>, painter: &Painter, one: &Behind, y: f32) {
    let theme = lane.theme();
    let number = (u32::from(one.layer) + 1).to_string();
    let galley = painter.layout_no_wrap(number, FontId::new(11.0, strong()), theme.ink);
    let arrow = if one.louder_db.is_some() { 12.0 } else { 0.0 };
    let size = vec2(14.0 + galley.size().x + arrow, galley.size().y);
    let rect = egui::Align2::RIGHT_CENTER.anchor_size(pos2(one.x - 3.0, y), size);
    // On a ground of its own: waves and lines run through here.
    painter.rect_filled(rect.expand2(vec2(3.0, 0.0)), 2.0, theme.sheet.gamma_multiply(0.9));
    let edge = Stroke::new(0.8, theme.ink);
    layer_sign(painter, pos2(rect.left() + 5.0, y), 4.0, one.layer, lane.theme().layer(one.layer), edge);
    let right = rect.left() + 12.0 + galley.size().x;
    painter.galley(pos2(rect.left() + 12.0, y - galley.size().y / 2.0), galley, theme.ink);
    if one.louder_db.is_some() {
        beyond_at(painter, pos2(right + 7.0, y), true, theme.ink);
    }
    let words = words_of(one);
    let r = ui.interact(rect, ui.scope_id().with(("behind", one.layer)), Sense::hover());
    r.widget_info(|| WidgetInfo::labeled(Role::Image, true, &words));
    r.on_hover_text(words);
}

fn words_of(one: &Behind) -> String {
    let name = format!("Layer {} ({}) as an outline", u32::from(one.layer) + 1, word(one.layer));
    match one.louder_db {
        None => name,
        Some(db) => format!(
            "{name}: at its loudest {db:.1} dB louder than this take. The lane is as high as this take is loud; \
             where double arrowheads with its number stand at the edge, the outline goes on beyond"
        ),
    }
}

/// Double arrowheads along an edge where the outline goes on beyond it, with the layer's number beside them: each
/// layer at places of its own, so that those of two layers do not cover each other.
fn arrows(lane: &Lane<'_, '_>, painter: &Painter, one: &Behind) {
    let area = inner(lane.rect);
    let theme = lane.theme();
    let number = (u32::from(one.layer) + 1).to_string();
    let number = painter.layout_no_wrap(number, FontId::new(10.0, strong()), theme.ink);
    for stretch in joined(&one.beyond) {
        let (from, to) = (stretch.from.max(lane.rect.left()), stretch.to.min(lane.rect.right()));
        for x in arrow_places(from, to, one.layer) {
            let y = if stretch.above { area.top() - 1.0 } else { area.bottom() + 1.0 };
            beyond_at(painter, pos2(x, y), stretch.above, one.ink);
            let place = egui::Align2::LEFT_CENTER.anchor_size(pos2(x + 6.0, y), number.size());
            painter.rect_filled(place, 2.0, theme.sheet.gamma_multiply(0.85));
            painter.galley(place.min, Arc::clone(&number), theme.ink);
        }
    }
}

/// Stretches of one edge that hardly anything parts, as one: an outline that runs along the edge crosses it again
/// and again.
fn joined(all: &[Beyond]) -> Vec<Beyond> {
    let mut joined: Vec<Beyond> = Vec::new();
    for above in [true, false] {
        let before = joined.len();
        for next in all.iter().filter(|b| b.above == above) {
            match joined[before..].last_mut().filter(|last| next.from - last.to < PARTED) {
                Some(last) => last.to = next.to,
                None => joined.push(*next),
            }
        }
    }
    joined
}

/// Less than this between two stretches does not part them.
const PARTED: f32 = 28.0;
/// How far apart the arrows of a layer stand, and by how much those of the next are moved.
const ARROWS_APART: f32 = 264.0;
const NEXT_LAYER: f32 = 40.0;
/// Where there is less room than this an arrow would say nothing.
const LEAST: f32 = 4.0;

/// Where arrows stand between two ends: in steps that stay put while it is scrolled, and in the middle of what is
/// too short for that.
fn arrow_places(from: f32, to: f32, layer: u16) -> Vec<f32> {
    if to - from < LEAST {
        return Vec::new();
    }
    let phase = NEXT_LAYER * f32::from(layer % 4);
    let first = ((from - phase) / ARROWS_APART).ceil();
    let places = (0..).map(|i| phase + (first + i as f32) * ARROWS_APART).take_while(|x| *x <= to);
    let places: Vec<f32> = places.collect();
    if places.is_empty() { vec![(from + to) / 2.0] } else { places }
}

/// Two arrowheads one over the other: a mark that no layer has for its sign.
fn beyond_at(painter: &Painter, at: egui::Pos2, up: bool, ink: Color32) {
    let tip = if up { -3.0 } else { 3.0 };
    for y in [-2.0, 2.0] {
        let points = [vec2(-4.0, y - tip / 2.0), vec2(0.0, y + tip / 2.0), vec2(4.0, y - tip / 2.0)];
        painter.line(points.map(|p| at + p).to_vec(), Stroke::new(1.6, ink));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_outline_that_runs_along_the_edge_is_one_stretch() {
        let b = |from, to, above| Beyond { from, to, above };
        let all = [b(0.0, 10.0, true), b(12.0, 14.0, false), b(20.0, 40.0, true), b(90.0, 95.0, true)];
        assert_eq!(joined(&all), [b(0.0, 40.0, true), b(90.0, 95.0, true), b(12.0, 14.0, false)]);
    }

    #[test]
    fn arrows_stand_within_and_at_least_once() {
        for layer in 0..6 {
            for (from, to) in [(0.0, 300.0), (17.0, 40.0), (100.0, 106.0)] {
                let all = arrow_places(from, to, layer);
                assert!(!all.is_empty() && all.iter().all(|x| (from..=to).contains(x)), "{layer}: {all:?}");
            }
            assert!(arrow_places(10.0, 12.0, layer).is_empty());
        }
        assert!(arrow_places(0.0, 300.0, 0).iter().all(|x| !arrow_places(0.0, 300.0, 1).contains(x)));
    }
}
