//! The fundamental of a sustained single note over time.

use crate::error::Result;
use crate::units::{Hertz, SampleRate};

/// Parameters of the tracker.
#[derive(Debug, Clone, PartialEq)]
pub struct F0Params {
    /// Time between two values, 1 to 20 ms, in seconds. Default 5 ms.
    pub hop_s: f64,
    /// Lowest fundamental looked for. Default 25 Hz.
    pub fmin_hz: f64,
    /// Highest fundamental looked for. Default 4 500 Hz.
    pub fmax_hz: f64,
}

impl Default for F0Params {
    fn default() -> Self {
        Self { hop_s: 0.005, fmin_hz: 25.0, fmax_hz: 4_500.0 }
    }
}

/// The fundamental over time. Value i belongs to the moment i·`hop_s` after the first sample.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct F0Track {
    /// Time between two values, in seconds.
    pub hop_s: f64,
    /// Fundamental in hertz; none where there is no note.
    pub f0_hz: Vec<Option<f64>>,
    /// 0 (a guess) to 1 (certain), one for each value.
    pub confidence: Vec<f32>,
}

impl F0Track {
    /// Value nearest to `t_s` seconds.
    pub fn at(&self, t_s: f64) -> Option<f64> {
        let i = (t_s / self.hop_s).round();
        if i < 0.0 { None } else { self.f0_hz.get(i as usize).copied().flatten() }
    }
}

/// What a whole note is tuned to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoteSummary {
    /// Median fundamental over the sustain, weighted by confidence.
    pub f0: Hertz,
    /// 0 to 1: how sure the tracker is of it (octave included).
    pub confidence: f64,
    /// Sustain found by the tracker, in seconds after the first sample: start, end.
    pub sustain_s: (f64, f64),
}

/// Tracks the fundamental of `x` (mono, full scale ±1).
///
/// Returns one value a hop, ⌊len/rate/hop⌋+1 of them. Errors: `InvalidParameter`.
pub fn track_f0(_x: &[f32], _rate: SampleRate, _params: &F0Params) -> Result<F0Track> {
    todo!()
}

/// The note that a track holds; none when too little of it is voiced.
pub fn summarise(_track: &F0Track) -> Option<NoteSummary> {
    todo!()
}
