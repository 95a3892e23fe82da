//! The sign of a layer: a shape of its own besides its colour, so that colour alone tells no two apart.

use egui::{Color32, Painter, Pos2, Shape, Stroke, vec2};

/// Corners of the shapes after the disc, for a radius of 1: square, triangle up, triangle down, diamond, post, bar.
const CORNERS: [&[(f32, f32)]; 6] = [
    &[(-0.85, -0.85), (0.85, -0.85), (0.85, 0.85), (-0.85, 0.85)],
    &[(0.0, -1.15), (1.05, 0.85), (-1.05, 0.85)],
    &[(-1.05, -0.85), (1.05, -0.85), (0.0, 1.15)],
    &[(0.0, -1.25), (1.05, 0.0), (0.0, 1.25), (-1.05, 0.0)],
    &[(-0.5, -1.25), (0.5, -1.25), (0.5, 1.25), (-0.5, 1.25)],
    &[(-1.3, -0.5), (1.3, -0.5), (1.3, 0.5), (-1.3, 0.5)],
];

/// What the shapes are called, in the order in which layers take them.
const WORDS: [&str; 8] =
    ["disc", "square", "triangle", "triangle upside down", "diamond", "post", "bar", "ring"];

/// What the shape of a layer (from 0) is called.
pub fn word(layer: u16) -> &'static str {
    WORDS[usize::from(layer) % WORDS.len()]
}

/// Draws the sign of a layer, counted from 0, about `radius` points to each side.
pub fn layer_sign(painter: &Painter, at: Pos2, radius: f32, layer: u16, fill: Color32, edge: Stroke) {
    let shape = usize::from(layer) % WORDS.len();
    match (shape, CORNERS.get(shape.wrapping_sub(1))) {
        (0, _) => {
            painter.circle(at, 0.95 * radius, fill, edge);
        }
        (_, Some(corners)) => {
            let points = corners.iter().map(|(x, y)| at + vec2(*x, *y) * radius).collect();
            painter.add(Shape::convex_polygon(points, fill, edge));
        }
        (_, None) => {
            painter.circle_stroke(at, 0.8 * radius, Stroke::new(0.5 * radius, fill));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::app::theme::LAYERS;

    /// Eight shapes and seven colours have no common divisor: no two of 56 layers have both in common.
    #[test]
    fn shape_and_colour_together_are_each_layers_own() {
        let mut seen: Vec<(&str, usize)> =
            (0..56).map(|l| (word(l), usize::from(l) % LAYERS.len())).collect();
        seen.sort_unstable();
        seen.dedup();
        assert_eq!(seen.len(), 56);
        assert_eq!(CORNERS.len() + 2, WORDS.len());
    }
}
