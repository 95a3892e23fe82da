//! How the layers of a note are listened to together. It is for the ear alone: nothing of it is
//! delivered, and it is no step of the undo history; the session keeps it, so that a stack sounds
//! tomorrow as it was left today.

use std::collections::BTreeMap;
use std::ops::RangeInclusive;

use serde::{Deserialize, Serialize};

use crate::dsp::looping::stack::StackParams;
use crate::units::Cents;

/// Widest spread: an octave between neighbouring layers.
pub const WIDEST_CENTS: f64 = 1200.0;
/// Level of a layer, least and most, dB.
pub const LEVELS_DB: RangeInclusive<f32> = -40.0..=6.0;
/// Least distance of seams that can be asked for, seconds.
pub const APART_S: RangeInclusive<f64> = 0.02..=0.5;
/// Most points of score that a layer can be asked to give up.
pub const GIVEN_UP: RangeInclusive<f64> = 0.0..=50.0;

/// How one layer is heard.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
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
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
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
        // As recorded, in the middle: nothing that need be kept.
        if mix == LayerMix::default() {
            next.layers.remove(&layer);
        } else {
            next.layers.insert(layer, mix);
        }
        next
    }

    /// Whether a layer is heard among `layers`.
    pub fn is_heard(&self, layer: u16, layers: &[u16]) -> bool {
        let mix = self.of(layer);
        !mix.muted && (mix.solo || layers.iter().all(|l| !self.of(*l).solo))
    }

    /// This with every value inside what can be set: a session file can be written by hand.
    #[must_use]
    pub fn in_range(mut self) -> Self {
        self.spread = Cents(self.spread.0.clamp(0.0, WIDEST_CENTS));
        for mix in self.layers.values_mut() {
            mix.level_db = mix.level_db.clamp(*LEVELS_DB.start(), *LEVELS_DB.end());
            mix.pan = mix.pan.clamp(-100.0, 100.0);
        }
        let usual = Self::default().params;
        let p = &mut self.params;
        p.apart_s = p.apart_s.clamp(*APART_S.start(), *APART_S.end());
        p.most_given_up = p.most_given_up.clamp(*GIVEN_UP.start(), *GIVEN_UP.end());
        // There are buttons for these two and no other.
        if p.until_s != StackParams::default().until_s {
            p.until_s = usual.until_s;
        }
        p.least_beat_s = usual.least_beat_s;
        self
    }
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

    #[test]
    fn what_was_written_by_hand_is_brought_into_range() {
        let text = r#"{"spread": 5000, "layers": {"1": {"level_db": 90, "pan": -400}},
            "params": {"apart_s": 9, "until_s": 1e9, "least_beat_s": 12, "most_given_up": -1}}"#;
        let s: StackSetup = serde_json::from_str(text).unwrap();
        let s = s.in_range();
        assert_eq!(s.spread, Cents(WIDEST_CENTS));
        assert_eq!(s.of(1), LayerMix { level_db: 6.0, pan: -100.0, muted: false, solo: false });
        assert_eq!((s.params.apart_s, s.params.until_s, s.params.most_given_up), (0.5, 60.0, 0.0));
        let kept = StackSetup { params: StackParams::default(), ..StackSetup::default() };
        assert_eq!(kept.clone().in_range(), kept, "three minutes can be set");
    }
}
