//! How the layers of a note are listened to together. It is for the ear alone: nothing of it is
//! saved or delivered; it lasts while the session is open.

use std::collections::BTreeMap;

use crate::dsp::looping::stack::StackParams;
use crate::playback::message::Mix;
use crate::render::apart;
use crate::units::{Cents, Decibels, MidiNote};

/// Widest spread: an octave between neighbouring layers.
pub const WIDEST_CENTS: f64 = 1200.0;
/// Level of a layer, least and most, dB.
pub const LEVELS_DB: std::ops::RangeInclusive<f32> = -40.0..=6.0;

/// How one layer is heard.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct LayerMix {
    /// Added level, dB.
    pub level_db: f32,
    /// −100 left to 100 right.
    pub pan: f32,
    /// Not heard.
    pub muted: bool,
    /// Of the layers only those with this are heard.
    pub solo: bool,
}

/// Everything that can be set in the stack room.
#[derive(Debug, Clone, PartialEq)]
pub struct StackSetup {
    /// Interval between neighbouring layers.
    pub spread: Cents,
    /// By layer; those not in it are as recorded, in the middle.
    pub layers: BTreeMap<u16, LayerMix>,
    /// What staying apart means; its time is also what the picture shows.
    pub params: StackParams,
}

impl Default for StackSetup {
    fn default() -> Self {
        let params = StackParams { until_s: 60.0, ..StackParams::default() };
        Self { spread: Cents(0.0), layers: BTreeMap::new(), params }
    }
}

impl StackSetup {
    /// How a layer is heard.
    pub fn of(&self, layer: u16) -> LayerMix {
        self.layers.get(&layer).copied().unwrap_or_default()
    }

    /// This with another mix for a layer.
    #[must_use]
    pub fn with(&self, layer: u16, mix: LayerMix) -> Self {
        let mut next = self.clone();
        next.layers.insert(layer, mix);
        next
    }

    /// Whether a layer is heard among `layers`.
    pub fn is_heard(&self, layer: u16, layers: &[u16]) -> bool {
        let mix = self.of(layer);
        !mix.muted && (mix.solo || layers.iter().all(|l| !self.of(*l).solo))
    }

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

    #[test]
    fn solo_is_stronger_than_the_others_and_mute_than_solo() {
        let all = [0, 1, 2];
        let mut s = StackSetup::default();
        assert!(all.iter().all(|l| s.is_heard(*l, &all)));
        s = s.with(1, LayerMix { solo: true, ..LayerMix::default() });
        assert_eq!(all.map(|l| s.is_heard(l, &all)), [false, true, false]);
        s = s.with(1, LayerMix { solo: true, muted: true, ..LayerMix::default() });
        assert_eq!(all.map(|l| s.is_heard(l, &all)), [false; 3]);
        // A solo in a layer that this note does not have silences nobody.
        assert!(s.is_heard(0, &[0, 2]));
    }

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
