//! Loops as arcs from start to end, the higher the better.

use egui::{Color32, Painter, Pos2, Rect, Stroke, pos2};

/// An arc over a lane.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Arc {
    /// Where the loop starts.
    pub left: f32,
    /// Where it ends.
    pub right: f32,
    /// 0 to 100.
    pub score: f64,
}

impl Arc {
    /// How high it rises in a lane: a fifth for the worst, so that it can still be hit.
    fn height(&self, lane: Rect) -> f32 {
        lane.height() * (0.2 + 0.75 * (self.score / 100.0).clamp(0.0, 1.0) as f32)
    }

    /// Its y over x: half an ellipse that stands on the lane's floor. None beside it.
    pub fn y(&self, lane: Rect, x: f32) -> Option<f32> {
        let half = (self.right - self.left) / 2.0;
        let u = (x - (self.left + half)) / half.max(0.5);
        (-1.0..=1.0).contains(&u).then(|| lane.bottom() - self.height(lane) * (1.0 - u * u).sqrt())
    }

    /// Points along it, only as far as the lane shows it.
    pub fn points(&self, lane: Rect) -> Vec<Pos2> {
        const STEPS: usize = 48;
        let (l, r) = (self.left.max(lane.left() - 2.0), self.right.min(lane.right() + 2.0));
        if r <= l {
            return Vec::new();
        }
        // Closer together towards the ends, where half an ellipse is steep.
        (0..=STEPS)
            .map(|i| {
                let x = l + (r - l) * (0.5 - 0.5 * (std::f32::consts::PI * i as f32 / STEPS as f32).cos());
                pos2(x, self.y(lane, x).unwrap_or(lane.bottom()))
            })
            .collect()
    }

    /// How far a point is from it, in points, measured along x or y, whichever is less.
    pub fn distance(&self, lane: Rect, p: Pos2) -> f32 {
        let down = self.y(lane, p.x).map_or(f32::INFINITY, |y| (y - p.y).abs());
        let rise = ((lane.bottom() - p.y) / self.height(lane)).clamp(0.0, 1.0);
        let half = (self.right - self.left) / 2.0;
        let reach = half * (1.0 - rise * rise).sqrt();
        let middle = self.left + half;
        let across = (p.x - (middle - reach)).abs().min((p.x - (middle + reach)).abs());
        if p.y < lane.bottom() - self.height(lane) { down } else { down.min(across) }
    }
}

/// The arc nearest to `p`, if one is within `reach` points.
pub fn nearest(arcs: &[Arc], lane: Rect, p: Pos2, reach: f32) -> Option<usize> {
    arcs.iter()
        .map(|a| a.distance(lane, p))
        .enumerate()
        .filter(|(_, d)| *d <= reach)
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(i, _)| i)
}

/// The highest point of an arc.
pub fn top(arc: &Arc, lane: Rect) -> Pos2 {
    let x = (arc.left + arc.right) / 2.0;
    pos2(x, arc.y(lane, x).unwrap_or(lane.bottom()))
}

/// Draws one arc, filled faintly below when it is the one that counts.
pub fn paint(painter: &Painter, arc: &Arc, lane: Rect, stroke: Stroke, fill: Option<Color32>) {
    let points = arc.points(lane);
    if points.len() < 2 {
        return;
    }
    if let Some(fill) = fill {
        painter.add(egui::epaint::PathShape::convex_polygon(points.clone(), fill, Stroke::NONE));
    }
    painter.line(points, stroke);
}

#[cfg(test)]
mod tests {
    use super::*;
    use egui::vec2;

    const LANE: Rect = Rect { min: Pos2::new(0.0, 0.0), max: Pos2::new(1000.0, 100.0) };

    #[test]
    fn half_an_ellipse() {
        let a = Arc { left: 100.0, right: 300.0, score: 100.0 };
        // Ends on the floor, top at 95 % of the lane: height = 0.2 + 0.75 of 100.
        assert_eq!(a.y(LANE, 100.0), Some(100.0));
        assert!((a.y(LANE, 200.0).unwrap() - 5.0).abs() < 1e-4);
        assert_eq!(a.y(LANE, 99.0), None);
        // (u, v) with u = 0.6 stands at v = 0.8 of an ellipse.
        assert!((a.y(LANE, 260.0).unwrap() - (100.0 - 95.0 * 0.8)).abs() < 1e-3);
        for p in a.points(LANE) {
            assert!(a.distance(LANE, p) < 1e-2);
        }
    }

    #[test]
    fn better_is_higher() {
        let at = |score| Arc { left: 0.0, right: 10.0, score }.y(LANE, 5.0).unwrap();
        assert!(at(90.0) < at(50.0) && at(50.0) < at(0.0) && at(0.0) < LANE.bottom());
    }

    #[test]
    fn picks_the_nearest() {
        let arcs =
            [Arc { left: 100.0, right: 300.0, score: 100.0 }, Arc { left: 100.0, right: 300.0, score: 0.0 }];
        assert_eq!(nearest(&arcs, LANE, pos2(200.0, 8.0), 8.0), Some(0));
        assert_eq!(nearest(&arcs, LANE, pos2(200.0, 78.0), 8.0), Some(1));
        assert_eq!(nearest(&arcs, LANE, pos2(200.0, 50.0), 8.0), None);
        assert_eq!(nearest(&arcs, LANE, pos2(600.0, 50.0) + vec2(0.0, 0.0), 8.0), None);
    }

    #[test]
    fn arcs_wider_than_the_lane_are_cut() {
        let a = Arc { left: -50_000.0, right: 500.0, score: 50.0 };
        assert!(a.points(LANE).iter().all(|p| p.x >= -2.1 && p.x <= 500.1));
    }
}
