//! Where the partials of the tracked note lie.

use crate::dsp::pitch::F0Track;

/// The pitch is taken to go on for this long before the first tracked value and after the last, in
/// seconds: the attack and the release sound before and after the tracker is sure.
const BEFORE_S: f64 = 0.05;
const AFTER_S: f64 = 0.5;
/// Half the width of a steady partial in bins (the Hann window's main lobe).
const LOBE: f64 = 2.3;

/// The tracked pitch, carried on at its ends.
pub(super) struct PitchLines {
    hop_s: f64,
    /// What is asked for begins this long after the track.
    begins_s: f64,
    f0_hz: Vec<Option<f64>>,
}

impl PitchLines {
    /// Of a track, for times counted from `begins_s` on; of none there are no partials.
    pub(super) fn new(track: Option<&F0Track>, begins_s: f64) -> Self {
        let Some(track) = track else { return Self { hop_s: 1.0, begins_s, f0_hz: Vec::new() } };
        let mut f0 = track.f0_hz.clone();
        let mut carry = |indices: &mut dyn Iterator<Item = usize>, reach_s: f64| {
            let most = (reach_s / track.hop_s) as usize;
            let (mut last, mut left) = (None, 0);
            for i in indices {
                match track.f0_hz[i] {
                    Some(f) => (last, left) = (Some(f), most),
                    None if left > 0 => {
                        left -= 1;
                        f0[i] = f0[i].or(last);
                    }
                    None => {}
                }
            }
        };
        carry(&mut (0..track.f0_hz.len()).rev(), BEFORE_S);
        carry(&mut (0..track.f0_hz.len()), AFTER_S);
        Self { hop_s: track.hop_s, begins_s, f0_hz: f0 }
    }

    /// Whether there is a note anywhere from `from_s` to `to_s`.
    pub(super) fn any(&self, from_s: f64, to_s: f64) -> bool {
        self.lowest(from_s, to_s).is_some()
    }

    /// The highest pitch of all; 0 where there is none.
    pub(super) fn highest(&self) -> f64 {
        self.f0_hz.iter().flatten().copied().fold(0.0, f64::max)
    }

    /// The lowest pitch from `from_s` to `to_s`.
    pub(super) fn lowest(&self, from_s: f64, to_s: f64) -> Option<f64> {
        let index = |t: f64| (((t + self.begins_s) / self.hop_s).max(0.0) as usize).min(self.f0_hz.len());
        let window = &self.f0_hz[index(from_s)..index(to_s + self.hop_s)];
        window.iter().flatten().copied().reduce(f64::min)
    }

    /// Marks the bins of a frame around `centre_s`, `lasts_s` long, that a partial may lie in; the
    /// mean pitch in it.
    pub(super) fn mark(&self, centre_s: f64, lasts_s: f64, bins: &mut [bool]) -> Option<f64> {
        // The outer quarters of a Hann window weigh little.
        let index =
            |t: f64| ((t + self.begins_s) / self.hop_s).round().clamp(0.0, self.f0_hz.len() as f64) as usize;
        let (a, b) = (index(centre_s - 0.25 * lasts_s), index(centre_s + 0.25 * lasts_s) + 1);
        let window = self.f0_hz.get(a..b.min(self.f0_hz.len()))?;
        let (mut sum, mut count, mut low, mut high) = (0.0, 0.0, f64::MAX, 0f64);
        for f in window.iter().flatten() {
            sum += f;
            count += 1.0;
            low = low.min(*f);
            high = high.max(*f);
        }
        if count < 0.4 * window.len() as f64 || count == 0.0 {
            return None;
        }
        let pitch = sum / count;
        let f0 = pitch * lasts_s;
        let wander = 0.5 * (high - low) * lasts_s;
        let last = bins.len() as f64 - 1.0;
        let mut k = 1.0;
        while k * f0 < last + LOBE {
            let width = LOBE + k * wander;
            // From here on partials run into one another and are judged as a whole, like breath.
            if 2.0 * width >= f0 {
                break;
            }
            let from = (k * f0 - width).ceil().max(0.0) as usize;
            let to = ((k * f0 + width).floor() as usize + 1).min(bins.len());
            if from < to {
                bins[from..to].fill(true);
            }
            k += 1.0;
        }
        Some(pitch)
    }
}
