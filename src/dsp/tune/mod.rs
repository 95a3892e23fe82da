//! Tuning: how far a note is off, how much of that to take out where, and the pitch map that does
//! it together with the change of rate.

use serde::{Deserialize, Serialize};

use crate::audio::AudioBuf;
use crate::dsp::pitch::F0Track;
use crate::error::Result;
use crate::units::{Hertz, SampleRate};

/// How much of the pitch movement is flattened where: straight lines between nodes, level before
/// the first and after the last.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StrengthCurve {
    /// (seconds after the onset, strength 0 to 1), in order of time, at least one.
    pub nodes: Vec<(f64, f64)>,
}

impl Default for StrengthCurve {
    /// The attack stays as it was played: 0 until 40 ms after the onset, full from 160 ms.
    fn default() -> Self {
        Self { nodes: vec![(0.04, 0.0), (0.16, 1.0)] }
    }
}

impl StrengthCurve {
    /// Strength at `t_s` seconds after the onset.
    pub fn at(&self, _t_s: f64) -> f64 {
        todo!()
    }
}

/// What is to be done with the pitch.
#[derive(Debug, Clone, PartialEq)]
pub struct TuneParams {
    /// Where to bring the pitch.
    pub target: Hertz,
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
    /// Movement from 2 Hz up (to where the tracker's noise begins).
    pub vibrato: Vec<f64>,
    /// Whether the track had a value there.
    pub voiced: Vec<bool>,
}

/// Splits `track`'s deviation from `target`. Errors: `Nothing` where too little is voiced.
pub fn deviation(_track: &F0Track, _target: Hertz) -> Result<Deviation> {
    todo!()
}

/// RMS of centre + drift + vibrato over the voiced part from `from_s` to `until_s`, in cents.
pub fn deviation_rms(_d: &Deviation, _from_s: f64, _until_s: f64) -> f64 {
    todo!()
}

/// From output frames to source positions: strictly increasing, smooth.
#[derive(Debug, Clone, PartialEq)]
pub struct PitchMap {}

impl PitchMap {
    /// A map that only changes the rate: p(m) = start + m·from/to, covering `frames` source frames.
    pub fn plain(_start: f64, _frames: f64, _from: SampleRate, _to: SampleRate) -> Self {
        todo!()
    }

    /// Source position of output frame `m` (fractional `m` allowed; outside it goes on straight).
    pub fn source_at(&self, _m: f64) -> f64 {
        todo!()
    }

    /// Output position of source position `p`: the inverse of [`PitchMap::source_at`].
    pub fn output_at(&self, _p: f64) -> f64 {
        todo!()
    }

    /// Number of output frames.
    pub fn frames(&self) -> usize {
        todo!()
    }

    /// Interval that the reading speed makes at output frame `m`, in cents, without the change of rate.
    pub fn cents_at(&self, _m: f64) -> f64 {
        todo!()
    }

    /// The same map with its speed multiplied by `factor` around output frame `fixed`, which keeps
    /// its source position.
    #[must_use]
    pub fn stretched(&self, _factor: f64, _fixed: f64) -> Self {
        todo!()
    }

    /// (output frame, source position) pairs that describe the map by straight lines to within
    /// a thousandth of a frame.
    pub fn points(&self) -> Vec<(f64, f64)> {
        todo!()
    }
}

/// The map that does `params` to a note that deviates by `d`, reading source positions
/// `from..until` (indices into the analysed samples, rate `from_rate`) to `to_rate`.
/// Errors: `InvalidParameter`.
pub fn pitch_map(
    _d: &Deviation,
    _params: &TuneParams,
    _from: f64,
    _until: f64,
    _from_rate: SampleRate,
    _to_rate: SampleRate,
) -> Result<PitchMap> {
    todo!()
}

/// Reads all channels of `audio` along `map`; identity maps give the samples bit for bit.
pub fn read_along(_audio: &AudioBuf, _map: &PitchMap, _to_rate: SampleRate) -> Result<AudioBuf> {
    todo!()
}
