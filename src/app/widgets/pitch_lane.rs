//! Draws how far a note is off over time, in cents: confidence as opacity, gaps where there is no
//! note, at most one value a pixel.

use egui::epaint::{Mesh, Vertex, WHITE_UV};
use egui::{Color32, Painter, Pos2, Rect, Shape, Stroke, pos2};

use super::time_axis::TimeAxis;

/// Cents up the screen, zero in the middle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CentsAxis {
    /// The lane.
    pub rect: Rect,
    /// Cents from the middle to the edge.
    pub half: f64,
}

/// Steps of the cents scale.
const HALVES: [f64; 9] = [5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 400.0, 600.0, 1200.0];

impl CentsAxis {
    /// Where an interval is drawn; what is further off than the edge is drawn at the edge.
    pub fn y(&self, cents: f64) -> f32 {
        let half = f64::from(self.rect.height()) / 2.0;
        (f64::from(self.rect.center().y) - (cents / self.half).clamp(-1.0, 1.0) * half) as f32
    }

    /// Lines to draw: the round steps inside the scale, without zero.
    pub fn lines(&self) -> Vec<f64> {
        let step = HALVES.iter().copied().find(|s| self.half / s <= 2.5).unwrap_or(1200.0);
        let n = (self.half / step).floor() as i32;
        (-n..=n).filter(|k| *k != 0).map(|k| f64::from(k) * step).collect()
    }
}

/// The smallest scale that shows `furthest` cents with some air; ±20 at least.
pub fn fitting_half(furthest: f64) -> f64 {
    HALVES.iter().copied().find(|h| *h >= 20.0 && furthest * 1.15 <= *h).unwrap_or(1200.0)
}

/// The next scale, nearer or further.
pub fn stepped_half(half: f64, nearer: bool) -> f64 {
    let found = if nearer {
        HALVES.iter().rev().copied().find(|h| *h < half)
    } else {
        HALVES.iter().copied().find(|h| *h > half)
    };
    found.unwrap_or(half)
}

/// One value of a trace.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TraceValue {
    /// Cents from the target.
    pub cents: f64,
    /// 0 to 1.
    pub confidence: f32,
}

/// A pitch over time, read by index.
pub struct Trace<'a> {
    /// How many values.
    pub len: usize,
    /// Value at an index; none where there is no note.
    pub value: &'a dyn Fn(usize) -> Option<TraceValue>,
    /// Index (fractional) at a moment.
    pub index_at_s: &'a dyn Fn(f64) -> f64,
    /// Moment of an index.
    pub s_at_index: &'a dyn Fn(f64) -> f64,
}

/// Levels of opacity.
const LEVELS: f32 = 4.0;

/// A stretch of a trace in one opacity.
#[derive(Debug, Clone, PartialEq)]
pub struct Piece {
    /// 0 to 1.
    pub opacity: f32,
    /// Its line.
    pub points: Vec<Pos2>,
    /// Least and greatest y at each point, where a point stands for several values.
    pub spread: Vec<(f32, f32)>,
}

/// What is seen of a trace, cut at gaps and where the confidence changes.
pub fn pieces(trace: &Trace<'_>, time: &TimeAxis, cents: &CentsAxis) -> Vec<Piece> {
    let from = (trace.index_at_s)(time.visible.start_s).floor().max(0.0) as usize;
    let until = ((trace.index_at_s)(time.visible.end_s).ceil().max(0.0) as usize + 1).min(trace.len);
    let mut builder = Builder::default();
    if until.saturating_sub(from) as f32 <= time.right - time.left {
        for i in from..until {
            let x = time.x_from_s((trace.s_at_index)(i as f64));
            builder.push(x, (trace.value)(i).map(|v| (v, v.cents, v.cents)), cents);
        }
    } else {
        let mut next = from;
        let mut x = time.left;
        while x < time.right && next < until {
            let end = ((trace.index_at_s)(time.s_from_x(x + 1.0)).max(0.0) as usize).clamp(next, until);
            if end > next {
                builder.push(x + 0.5, gathered(trace, next..end), cents);
            }
            next = end;
            x += 1.0;
        }
    }
    builder.finish()
}

/// Mean, least and greatest of several values.
fn gathered(trace: &Trace<'_>, range: std::ops::Range<usize>) -> Option<(TraceValue, f64, f64)> {
    let mut sum = (0.0, 0.0f32, 0usize);
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for v in range.filter_map(|i| (trace.value)(i)) {
        sum = (sum.0 + v.cents, sum.1 + v.confidence, sum.2 + 1);
        low = low.min(v.cents);
        high = high.max(v.cents);
    }
    let n = sum.2;
    (n > 0).then(|| (TraceValue { cents: sum.0 / n as f64, confidence: sum.1 / n as f32 }, low, high))
}

#[derive(Default)]
struct Builder {
    done: Vec<Piece>,
    open: Option<Piece>,
}

impl Builder {
    fn push(&mut self, x: f32, value: Option<(TraceValue, f64, f64)>, cents: &CentsAxis) {
        let Some((v, low, high)) = value else {
            self.done.extend(self.open.take());
            return;
        };
        let opacity = 0.2 + 0.8 * (v.confidence.clamp(0.0, 1.0) * LEVELS).round() / LEVELS;
        let point = pos2(x, cents.y(v.cents));
        let spread = (cents.y(high), cents.y(low));
        if self.open.as_ref().is_some_and(|p| p.opacity != opacity) {
            let mut old = self.open.take().expect("just seen");
            // The pieces touch.
            old.points.push(point);
            old.spread.push(spread);
            self.done.push(old);
        }
        let piece =
            self.open.get_or_insert_with(|| Piece { opacity, points: Vec::new(), spread: Vec::new() });
        piece.points.push(point);
        piece.spread.push(spread);
    }

    fn finish(mut self) -> Vec<Piece> {
        self.done.extend(self.open);
        self.done
    }
}

/// Draws the pieces of a trace.
pub fn paint(painter: &Painter, pieces: &[Piece], color: Color32, width: f32) {
    for p in pieces {
        if p.spread.iter().any(|(a, b)| b - a > 1.0) {
            let points = p.points.iter().zip(&p.spread).map(|(p, (a, b))| (p.x, *a, *b));
            painter.add(ribbon(points, color.gamma_multiply(0.3 * p.opacity)));
        }
        let stroke = Stroke::new(width, color.gamma_multiply(p.opacity));
        match p.points[..] {
            [only] => {
                painter.circle_filled(only, width / 2.0, stroke.color);
            }
            _ => {
                painter.line(p.points.clone(), stroke);
            }
        }
    }
}

/// A filled strip through (x, top, bottom).
pub fn ribbon(points: impl IntoIterator<Item = (f32, f32, f32)>, color: Color32) -> Shape {
    let mut mesh = Mesh::default();
    for (i, (x, top, bottom)) in points.into_iter().enumerate() {
        for y in [top, bottom] {
            mesh.vertices.push(Vertex { pos: pos2(x, y), uv: WHITE_UV, color });
        }
        if i > 0 {
            let k = (i as u32) * 2;
            mesh.indices.extend([k - 2, k - 1, k, k, k - 1, k + 1]);
        }
    }
    Shape::mesh(mesh)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::app::widgets::time_axis::TimeRange;

    const RECT: Rect = Rect { min: Pos2::new(0.0, 0.0), max: Pos2::new(1000.0, 200.0) };
    const CENTS: CentsAxis = CentsAxis { rect: RECT, half: 50.0 };

    fn run(len: usize, hop: f64, span: f64, value: impl Fn(usize) -> Option<TraceValue>) -> Vec<Piece> {
        let axis = TimeAxis::new(TimeRange::new(0.0, span), 0.0, 1000.0);
        let trace = Trace { len, value: &value, index_at_s: &|s| s / hop, s_at_index: &|i| i * hop };
        pieces(&trace, &axis, &CENTS)
    }

    #[test]
    fn cents_up_the_screen() {
        assert_eq!(CENTS.y(0.0), 100.0);
        assert_eq!(CENTS.y(50.0), 0.0);
        assert_eq!(CENTS.y(-25.0), 150.0);
        assert_eq!(CENTS.y(9999.0), 0.0);
        assert_eq!(CENTS.lines(), [-40.0, -20.0, 20.0, 40.0]);
        assert_eq!(fitting_half(3.0), 20.0);
        assert_eq!(fitting_half(44.0), 100.0);
        assert_eq!(stepped_half(50.0, true), 20.0);
        assert_eq!(stepped_half(1200.0, false), 1200.0);
    }

    #[test]
    fn gaps_and_confidence_cut_a_trace() {
        let p = run(10, 0.1, 1.0, |i| match i {
            4 => None,
            i => Some(TraceValue { cents: 10.0, confidence: if i < 7 { 1.0 } else { 0.0 } }),
        });
        let lens: Vec<_> = p.iter().map(|p| p.points.len()).collect();
        // 0..=3; 5, 6 and the point it shares; 7..=9.
        assert_eq!(lens, [4, 3, 3]);
        assert_eq!(p[0].opacity, 1.0);
        assert_eq!(p[2].opacity, 0.2);
        assert_eq!(p[1].points[2], p[2].points[0]);
    }

    #[test]
    fn many_values_become_one_a_pixel() {
        // 120 000 values, alternating by ±20 cents around 5.
        let p = run(120_000, 0.005, 600.0, |i| {
            Some(TraceValue { cents: if i % 2 == 0 { 25.0 } else { -15.0 }, confidence: 1.0 })
        });
        assert_eq!(p.len(), 1);
        assert!(p[0].points.len() <= 1000 && p[0].points.len() >= 998);
        // 120 values a pixel: the mean is 5 exactly, the spread the extremes.
        assert!((p[0].points[500].y - CENTS.y(5.0)).abs() < 1e-3);
        assert_eq!(p[0].spread[500], (CENTS.y(25.0), CENTS.y(-15.0)));
    }
}
