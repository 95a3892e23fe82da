//! What a window has painted, for what no screen reader is told of: shapes with their places and colours.
#![allow(dead_code)] // Each test binary uses its own part.

use egui::epaint::{CircleShape, PathShape, RectShape, Shape, TextShape};
use egui::{FullOutput, Rect};

/// Every shape of the last frame that lies within `place` and in what it may be painted into, in painting order.
pub fn within(output: &FullOutput, place: Rect) -> Vec<Shape> {
    picked(output, |clip, shape| clip.intersect(place.expand(0.5)).contains_rect(shape))
}

/// Every shape of the last frame of which a part is seen in `place`.
pub fn touching(output: &FullOutput, place: Rect) -> Vec<Shape> {
    picked(output, |clip, shape| clip.intersect(place).intersects(shape))
}

fn picked(output: &FullOutput, wanted: impl Fn(Rect, Rect) -> bool) -> Vec<Shape> {
    let mut all = Vec::new();
    for clipped in &output.shapes {
        let mut here = Vec::new();
        flatten(&clipped.shape, &mut here);
        all.extend(here.into_iter().filter(|s| wanted(clipped.clip_rect, s.visual_bounding_rect())));
    }
    all
}

fn flatten(shape: &Shape, all: &mut Vec<Shape>) {
    match shape {
        Shape::Vec(shapes) => shapes.iter().for_each(|s| flatten(s, all)),
        Shape::Noop => {}
        other => all.push(other.clone()),
    }
}

pub fn circles(shapes: &[Shape]) -> Vec<CircleShape> {
    shapes.iter().filter_map(|s| if let Shape::Circle(c) = s { Some(*c) } else { None }).collect()
}

/// Lines of more than two points, and polygons.
pub fn paths(shapes: &[Shape]) -> Vec<PathShape> {
    shapes.iter().filter_map(|s| if let Shape::Path(p) = s { Some(p.clone()) } else { None }).collect()
}

pub fn rects(shapes: &[Shape]) -> Vec<RectShape> {
    shapes.iter().filter_map(|s| if let Shape::Rect(r) = s { Some(r.clone()) } else { None }).collect()
}

/// Texts that read so.
pub fn texts(shapes: &[Shape], text: &str) -> Vec<TextShape> {
    let read = |s: &Shape| if let Shape::Text(t) = s { Some(t.clone()) } else { None };
    shapes.iter().filter_map(read).filter(|t| t.galley.text() == text).collect()
}

/// How many corners the signs of a layer's colour have that were painted: 0 for a disc.
pub fn signs(shapes: &[Shape], colour: egui::Color32) -> Vec<usize> {
    let discs = circles(shapes).into_iter().filter(|c| c.fill == colour).map(|_| 0);
    let shapes = paths(shapes).into_iter().filter(|p| p.closed && p.fill == colour).map(|p| p.points.len());
    discs.chain(shapes).collect()
}
