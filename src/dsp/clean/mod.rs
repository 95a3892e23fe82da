//! Takes the room out of a recording and leaves the breath in.
mod clicks;
mod gain;
mod layer;
mod lines;
mod low_band;
mod noise_profile;
mod pitch_lines;
mod plan;

pub use gain::{exponential_integral, log_spectral_amplitude};
pub use lines::Line;
pub use noise_profile::{ENOUGH_S, NoiseProfile, learn};
pub use plan::{CleanParams, Plan};

/// How deep the room is lowered at full amount, over frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct ReductionCurve {
    /// Frequency in hertz and reduction in dB (positive is lower), by rising frequency; straight
    /// lines over the logarithm of frequency between the nodes.
    pub nodes: Vec<(f64, f64)>,
}

impl Default for ReductionCurve {
    fn default() -> Self {
        Self { nodes: vec![(100.0, 36.0), (1_000.0, 30.0)] }
    }
}

impl ReductionCurve {
    /// Reduction at `hz` in dB.
    pub fn at(&self, hz: f64) -> f64 {
        let Some(first) = self.nodes.first() else { return 0.0 };
        let hz = hz.max(1e-3);
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

    pub(crate) fn gain(&self, hz: f64, amount: f64) -> f64 {
        10f64.powf(-self.at(hz) * amount / 20.0)
    }
}
