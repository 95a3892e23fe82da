//! Tuning: how far a note is off, how much of that to take out where, and the pitch map that does
//! it together with the change of rate.

mod deviation;
mod extend;
mod follow;
mod movement;
mod onset;
mod pitch_map;
mod smooth;

use serde::{Deserialize, Serialize};

pub use deviation::{deviation, deviation_rms};
pub use follow::{pitch_map, read_along, read_along_while};
pub use movement::{Movement, movement};
pub use onset::onset_of;
pub use pitch_map::PitchMap;

use crate::units::{Cents, Hertz};

/// How much of the pitch movement is flattened where: straight lines between nodes, level before
/// the first and after the last.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StrengthCurve {
    /// (seconds after the onset, strength 0 to 1), in order of time, at least one.
    pub nodes: Vec<(f64, f64)>,
}

impl Default for StrengthCurve {
    /// The attack stays as it was played: 0 until 90 ms after the onset, so that its first 80 ms are
    /// kept even where the onset was found 10 ms early; full from 160 ms.
    fn default() -> Self {
        Self { nodes: vec![(0.09, 0.0), (0.16, 1.0)] }
    }
}

impl StrengthCurve {
    /// Strength at `t_s` seconds after the onset: on the straight line between the nodes around
    /// it, level outside them. 0 where there is no node.
    pub fn at(&self, t_s: f64) -> f64 {
        let after = self.nodes.partition_point(|(t, _)| *t <= t_s);
        match (after.checked_sub(1).map(|i| self.nodes[i]), self.nodes.get(after)) {
            (Some((t0, s0)), Some((t1, s1))) if *t1 > t0 => s0 + (s1 - s0) * (t_s - t0) / (t1 - t0),
            (Some((_, s0)), _) => s0,
            (None, Some((_, s1))) => *s1,
            (None, None) => 0.0,
        }
    }
}

/// What is to be done with the pitch.
#[derive(Debug, Clone, PartialEq)]
pub struct TuneParams {
    /// Where to bring the pitch, before `shift`.
    pub target: Hertz,
    /// Added to what is sounded, whatever the strengths: a wrong note is moved to its name by whole
    /// semitones so, in the same reading.
    pub shift: Cents,
    /// 0 to 1: how much of the centre's deviation.
    pub centre: f64,
    /// 0 to 1: how much of the movement below 2 Hz.
    pub drift: f64,
    /// 0 to 1: how much of the movement from 2 Hz up.
    pub vibrato: f64,
    /// Where drift and vibrato flattening apply.
    pub curve: StrengthCurve,
    /// The onset, in seconds after the first sample.
    pub onset_s: f64,
}

/// Deviation of a track from a target over time, in cents, split into its movements. All vectors
/// have one value a hop; where the track has none, the value is bridged from its neighbours.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Deviation {
    /// Time between two values, in seconds.
    pub hop_s: f64,
    /// Median over the sustain.
    pub centre: f64,
    /// Movement around the centre slower than 2 Hz.
    pub drift: Vec<f64>,
    /// Movement from 2 Hz to 12 Hz, where the tracker's noise begins.
    pub vibrato: Vec<f64>,
    /// Whether the track had a value there.
    pub voiced: Vec<bool>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn strength_runs_straight_between_nodes() {
        let c = StrengthCurve { nodes: vec![(0.1, 0.0), (0.3, 1.0), (0.3, 0.4), (0.5, 0.4)] };
        for (t, want) in [(-1.0, 0.0), (0.1, 0.0), (0.2, 0.5), (0.4, 0.4), (9.0, 0.4)] {
            assert!((c.at(t) - want).abs() < 1e-12, "{t}");
        }
        // Two nodes at one time are a jump: the later one holds from there on.
        assert!(c.at(0.2999) > 0.99 && c.at(0.3) == 0.4);
        assert_eq!(StrengthCurve { nodes: vec![] }.at(0.0), 0.0);
        assert_eq!(StrengthCurve::default().at(0.09), 0.0);
        assert_eq!(StrengthCurve::default().at(0.16), 1.0);
    }
}
