//! The strength curve under the hands: nodes that are moved, added and removed, always in order
//! and at least one.

use egui::{Id, Key, Modifiers, Pos2, Rect, Ui};

use super::nodes::{Node, NodeEvent, without};
use crate::app::widgets::drag_handle::HandleMemory;
use crate::dsp::tune::StrengthCurve;

/// Nodes stay this far apart.
pub const GAP_S: f64 = 0.001;

/// The curve with node `i` wanted at (`t_s`, `strength`), kept between its neighbours, between 0
/// and `longest_s`, and between 0 and 1.
pub fn moved(curve: &StrengthCurve, i: usize, t_s: f64, strength: f64, longest_s: f64) -> StrengthCurve {
    let mut next = curve.clone();
    let Some(old) = curve.nodes.get(i).copied() else { return next };
    let low = if i == 0 { 0.0 } else { curve.nodes[i - 1].0 + GAP_S };
    let high = curve.nodes.get(i + 1).map_or(longest_s, |n| n.0 - GAP_S);
    let t = if t_s.is_finite() { t_s.min(high).max(low) } else { old.0 };
    let v = if strength.is_finite() { strength.clamp(0.0, 1.0) } else { old.1 };
    next.nodes[i] = (t, v);
    next
}

/// The curve with a node more; near another one, that one is moved instead.
pub fn added(curve: &StrengthCurve, t_s: f64, strength: f64, longest_s: f64) -> StrengthCurve {
    let t = t_s.clamp(0.0, longest_s.max(0.0));
    if let Some(i) = curve.nodes.iter().position(|n| (n.0 - t).abs() < GAP_S) {
        return moved(curve, i, curve.nodes[i].0, strength, longest_s);
    }
    let mut next = curve.clone();
    let at = next.nodes.partition_point(|n| n.0 < t);
    next.nodes.insert(at, (t, strength.clamp(0.0, 1.0)));
    next
}

/// The curve without node `i`; none when it is the last one.
pub fn removed(curve: &StrengthCurve, i: usize) -> Option<StrengthCurve> {
    without(&curve.nodes, i).map(|nodes| StrengthCurve { nodes })
}

/// Where curves are drawn: seconds after the onset and strength against points.
pub struct CurveSpace<'a> {
    /// The lane.
    pub rect: Rect,
    /// x of a time.
    pub x: &'a dyn Fn(f64) -> f32,
    /// Time of an x.
    pub t_s: &'a dyn Fn(f32) -> f64,
}

/// Left free above 100 % and below 0 %, so that a node there can be taken hold of.
const EDGE: f32 = 8.0;

impl CurveSpace<'_> {
    /// Where a strength is drawn: 0 near the floor, 1 near the ceiling.
    pub fn y(&self, strength: f64) -> f32 {
        self.rect.bottom() - EDGE - strength as f32 * self.height()
    }

    /// The strength drawn at `y`.
    pub fn strength(&self, y: f32) -> f64 {
        f64::from((self.rect.bottom() - EDGE - y) / self.height())
    }

    fn height(&self) -> f32 {
        (self.rect.height() - 2.0 * EDGE).max(1.0)
    }

    /// Where a node is drawn.
    pub fn pos(&self, node: (f64, f64)) -> Pos2 {
        Pos2::new((self.x)(node.0), self.y(node.1))
    }
}

/// Interacts with node `i`. Its position is drawn by the caller.
pub fn node(
    ui: &Ui,
    id: Id,
    i: usize,
    node: (f64, f64),
    space: &CurveSpace<'_>,
    enabled: bool,
    memory: &mut HandleMemory,
) -> (egui::Response, Option<NodeEvent>) {
    let node = Node {
        value: node,
        pos: space.pos(node),
        at: &|p| ((space.t_s)(p.x), space.strength(p.y)),
        wish,
        name: format!("Strength node {}", i + 1),
        words: format!("{:.0} %, {:.0} ms after the onset", node.1 * 100.0, node.0 * 1000.0),
        told: (100.0, 0.0, 100.0),
    };
    node.interact(ui, id, enabled, memory)
}

/// What a key asks of a node: arrows move it by 1 ms or 1 %, with Shift by 10.
fn wish(key: Key, modifiers: Modifiers, (t, v): (f64, f64)) -> Option<NodeEvent> {
    let (dt, dv) = if modifiers.shift { (0.01, 0.1) } else { (0.001, 0.01) };
    Some(match key {
        Key::ArrowLeft => NodeEvent::Stepped(t - dt, v),
        Key::ArrowRight => NodeEvent::Stepped(t + dt, v),
        Key::ArrowUp => NodeEvent::Stepped(t, v + dv),
        Key::ArrowDown => NodeEvent::Stepped(t, v - dv),
        Key::Delete | Key::Backspace => NodeEvent::Removed,
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn curve() -> StrengthCurve {
        StrengthCurve { nodes: vec![(0.04, 0.0), (0.16, 1.0), (1.0, 0.5)] }
    }

    #[test]
    fn nodes_stay_in_order() {
        let c = moved(&curve(), 1, 5.0, 2.0, 3.0);
        assert_eq!(c.nodes[1], (1.0 - GAP_S, 1.0));
        let c = moved(&curve(), 1, -5.0, -2.0, 3.0);
        assert_eq!(c.nodes[1], (0.04 + GAP_S, 0.0));
        assert_eq!(moved(&curve(), 0, -5.0, 0.2, 3.0).nodes[0], (0.0, 0.2));
        assert_eq!(moved(&curve(), 2, 9.0, 0.5, 3.0).nodes[2], (3.0, 0.5));
        assert_eq!(moved(&curve(), 9, 9.0, 0.5, 3.0), curve());
        assert_eq!(moved(&curve(), 1, f64::NAN, f64::NAN, 3.0), curve());
    }

    #[test]
    fn adding_and_removing() {
        let c = added(&curve(), 0.5, 0.7, 3.0);
        assert_eq!(c.nodes, [(0.04, 0.0), (0.16, 1.0), (0.5, 0.7), (1.0, 0.5)]);
        // On top of another: that one takes the strength.
        assert_eq!(added(&curve(), 0.1604, 0.3, 3.0).nodes[1], (0.16, 0.3));
        assert_eq!(removed(&c, 2), Some(curve()));
        let one = StrengthCurve { nodes: vec![(0.0, 1.0)] };
        assert_eq!(removed(&one, 0), None, "at least one stays");
    }
}
