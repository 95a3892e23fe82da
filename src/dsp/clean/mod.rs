//! Takes the room out of a recording and leaves the breath in.
//!
//! ```text
//! room tone ─learn→ NoiseProfile
//! recording ─mean, high-pass→ ─hum as waves→ ─clicks between notes→ ─lows under the note→
//!           ─read along the pitch→
//!           ─gains at three resolutions, in each of three bands the one that is expected to err least→
//!           ─read back→ what is removed
//! ```
//! What is removed is computed; the cleaned sound is the source less that. So where all gains are
//! one the source comes back bit for bit, nothing is delayed, and an error of the transforms is an
//! error of the small part alone.
//!
//! A note that moves is looked at along its pitch, where its partials stand still. The tracked pitch also
//! says where partials may lie: there a bin needs little evidence, and its level is
//! followed along the pitch over several frames; between them there is breath, judged by the mean over
//! many bins and the time of the note, and the room. That breath dies away with its note; under a note the
//! room is lowered by 24 dB at most (less under one that stands more than 38 dB above it), so that no holes
//! are left between the partials.

mod along_pitch;
mod apply;
mod bands;
mod bursts;
mod clicks;
mod filter;
mod gain;
mod layer;
mod levels;
mod lines;
mod low_band;
mod masks;
mod noise_profile;
mod picture;
mod pitch_lines;
mod plan;
mod taking;

pub use apply::{Cleaned, clean, clean_while};
pub use gain::{exponential_integral, log_spectral_amplitude};
pub use lines::Line;
pub use noise_profile::{ENOUGH_S, NoiseProfile, learn};
pub use picture::{GainPicture, gain_picture};
pub use plan::Plan;

use realfft::num_traits::{Float, clamp};
use serde::{Deserialize, Serialize};

use crate::error::{Error, Result};

/// 0 below 0, 1 above 1, and x²(3 − 2x) between: no corner at either end.
#[inline]
fn smooth_step<T: Float>(x: T) -> T {
    let two = T::one() + T::one();
    let x = clamp(x, T::zero(), T::one());
    x * x * (two + T::one() - two * x)
}

/// How deep the room is lowered at full amount, over frequency.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ReductionCurve {
    /// Frequency in hertz and reduction in dB (positive is lower), by rising frequency; straight
    /// lines over the logarithm of frequency between the nodes, level beyond them.
    pub nodes: Vec<(f64, f64)>,
}

impl Default for ReductionCurve {
    /// Most room noise lies low: the reduction is deeper there (common practice, no source).
    fn default() -> Self {
        Self { nodes: vec![(100.0, 36.0), (1_000.0, 30.0)] }
    }
}

/// Parameters of cleaning.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CleanParams {
    /// How much of the reduction (in dB), 0 to 1; at 0 the source comes back bit for bit.
    pub amount: f64,
    /// Reduction at full amount, where nobody plays; under a note no more than 24 dB of it, under a loud
    /// one less.
    pub curve: ReductionCurve,
    /// The room is never lowered by more than this, in dB, 0 to 80.
    pub floor_db: f64,
    /// Whether the room's steady lines (hum) are taken off; else they stay as they are.
    pub hum: bool,
    /// Corner of the high-pass in hertz, 5 to 1000; none: no high-pass.
    pub high_pass_hz: Option<f64>,
    /// Whether the mean of each channel is taken off.
    pub remove_dc: bool,
}

impl Default for CleanParams {
    fn default() -> Self {
        Self {
            amount: 1.0,
            curve: ReductionCurve::default(),
            floor_db: 80.0,
            hum: true,
            high_pass_hz: None,
            remove_dc: true,
        }
    }
}

impl CleanParams {
    /// Checks the ranges. Errors: `InvalidParameter`, with the legal range.
    pub fn check(&self) -> Result<()> {
        let within = |name: &str, v: f64, low: f64, high: f64, text: &str| {
            if v.is_finite() && v >= low && v <= high { Ok(()) } else { Err(Error::invalid(name, v, text)) }
        };
        within("amount", self.amount, 0.0, 1.0, "0 to 1")?;
        within("floor", self.floor_db, 0.0, 80.0, "0 to 80 dB, such as 30")?;
        if let Some(hz) = self.high_pass_hz {
            within("high-pass", hz, 5.0, 1_000.0, "5 to 1000 Hz, such as 30")?;
        }
        let mut before = 0.0;
        for (hz, db) in &self.curve.nodes {
            within("reduction", *db, 0.0, 80.0, "0 to 80 dB, such as 30")?;
            if !(hz.is_finite() && *hz > before) {
                return Err(Error::invalid(
                    "a node of the reduction curve",
                    format!("{hz} Hz"),
                    "frequencies above 0 Hz that rise from node to node",
                ));
            }
            before = *hz;
        }
        Ok(())
    }

    /// Gain at `hz` where there is nothing but the room.
    pub fn room_gain(&self, hz: f64) -> f64 {
        10f64.powf(-self.curve.at(hz).min(self.floor_db) * self.amount / 20.0)
    }
}

impl ReductionCurve {
    /// Reduction at `hz` in dB; 0 without nodes.
    pub fn at(&self, hz: f64) -> f64 {
        let Some(first) = self.nodes.first() else { return 0.0 };
        if hz <= first.0 {
            return first.1;
        }
        for pair in self.nodes.windows(2) {
            let ((a, x), (b, y)) = (pair[0], pair[1]);
            if hz <= b {
                return x + (y - x) * (hz / a).ln() / (b / a).ln();
            }
        }
        self.nodes[self.nodes.len() - 1].1
    }
}
