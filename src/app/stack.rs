//! The stack's sound: what the session's set-up of the stack means for the engine, and what the window
//! shows of it.

use crate::playback::message::Mix;
use crate::render::apart;
use crate::units::{Decibels, MidiNote};

pub use crate::session::stack::{APART_S, GIVEN_UP, LEVELS_DB, LayerMix, StackSetup, WIDEST_CENTS};

impl StackSetup {
    /// How layer number `k` of `layers` sounds. The whole stack is about as loud as one take:
    /// sounds that have nothing to do with each other add up by their power, so each is turned down
    /// by √n.
    pub fn mix(&self, k: usize, layers: &[u16]) -> Mix {
        let layer = layers[k];
        let set = self.of(layer);
        let level = Decibels(f64::from(set.level_db)).gain() / (layers.len() as f64).sqrt();
        Mix {
            gain: if self.is_heard(layer, layers) { level as f32 } else { 0.0 },
            pan: set.pan / 100.0,
            ratio: apart::speed(k, layers.len(), self.spread),
        }
    }
}

/// What the window shows of the stack's sound.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct StackView {
    /// What is set.
    pub setup: StackSetup,
    /// The note that sounds or is about to.
    pub note: Option<MidiNote>,
    /// It is held; else it is dying away.
    pub held: bool,
    /// Seconds since its onset.
    pub at_s: Option<f64>,
}

#[cfg(test)]
mod tests {
    use super::*;

    /// n sounds of equal power and none in common have n times the power of one.
    #[test]
    fn the_stack_is_as_loud_as_one() {
        let s = StackSetup::default();
        for n in 1..7usize {
            let layers: Vec<u16> = (0..n as u16).collect();
            let power: f32 = (0..n).map(|k| s.mix(k, &layers).gain.powi(2)).sum();
            assert!((power - 1.0).abs() < 1e-6);
        }
    }
}
