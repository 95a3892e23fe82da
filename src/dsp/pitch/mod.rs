//! The fundamental of a sustained single note over time.
//!
//! ```text
//! samples ─rates→ halved rates ─difference, candidates→ dips in three bands ─path→ rough track
//!         ─demodulate, refine→ track on the partials' phases ─summary→ what the note is tuned to
//! ```

mod agree;
mod candidates;
mod demodulate;
mod difference;
mod doubts;
mod f0_track;
mod lines;
mod measure;
mod path;
mod rates;
mod refine;
mod settle;
mod summary;
mod turning;

pub use doubts::{Doubts, TwoNotes};

use crate::dsp::poll::Poll;
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
/// Returns one value a hop, ⌊len/rate/hop⌋+1 of them; value i is the fundamental at the moment
/// i·hop (the centre of its window). A value is none where there is no note: in silence, in noise,
/// in a steady hum that never begins, and at a note's ends where too little of it is heard.
/// Stiff strings: the value is the frequency of the first partial.
///
/// Where nothing in `x` rises 8 dB out of its quietest parts, a deep tone below −42 dB re full
/// scale counts as the room's hum, any other as a note.
///
/// The confidence falls with the aperiodicity of the sound (d' of the search) and with the standard
/// error that the partials' unrest shows (half at 5 cents).
/// What it is worth, measured on invented takes in rooms at 15 to 7 dB: of the values with more than
/// 0.95 all lay within 10 cents of the truth, above 0.85 99.8 %, above 0.7 98 %, from 0.5 to 0.7 72 %,
/// below 62 %; nine of ten errors were below 0.2, 0.9, 3 and 20 cents.
///
/// Sources: de Cheveigné & Kawahara, JASA 111(4), 2002 (difference function); Mauch & Dixon, ICASSP
/// 2014 (path through the candidates). The refinement on the partials' phases is our own.
/// Errors: `InvalidParameter` for hop, fmin or fmax outside their ranges.
pub fn track_f0(x: &[f32], rate: SampleRate, params: &F0Params) -> Result<F0Track> {
    track_f0_while(x, rate, params, &|| true)
}

/// [`track_f0`], asking `go_on` about every millisecond of work (see [`crate::dsp::poll`]); the same
/// result to the bit. Errors besides: `Cancelled` once `go_on` says no.
pub fn track_f0_while(
    x: &[f32],
    rate: SampleRate,
    params: &F0Params,
    go_on: &dyn Fn() -> bool,
) -> Result<F0Track> {
    f0_track::track(x, rate, params, &Poll::new(go_on))
}

/// The note that a track holds; none when too little of it is voiced.
///
/// The sustain is the longest voiced stretch without jumps (gaps up to 30 ms bridged), without the
/// parts at its ends that are more than 30 cents (or, with a wide vibrato, most of its movement)
/// away from its middle. Shorter than 80 ms is too little.
pub fn summarise(track: &F0Track) -> Option<NoteSummary> {
    summary::summarise(track)
}

/// What is doubtful about the note that `track` (of `x`, mono, full scale ±1) holds: a second series
/// of partials through most of its sustain, or an octave that fits nearly as well.
///
/// The peaks of up to 16 spectra over the sustain that last through 70 % of it are compared with the
/// note's partials (k·f·√(1 + B·k²), Fletcher, JASA 36(1), 1964). What is left, without the lines of
/// the room before and after the note and of the mains, is a second note when its first partial and
/// at least one more stand there, in all no softer than −30 dB. Where the tracked note has no
/// partials but those of two of its multiples, these are the two notes. The octave is open when
/// the odd partials hold less than −15 dB of the power, when lines half-way between the partials
/// hold more than −30 dB, or when the track is an octave away for 15 % of its time. The thresholds
/// are our own. Two notes an octave apart cannot be told from one. A sustain shorter than 0.2 s or
/// 14 periods leaves both open questions unasked but for the track's own.
pub fn doubts(x: &[f32], rate: SampleRate, track: &F0Track, note: &NoteSummary) -> Doubts {
    doubts::doubts(x, rate, track, note)
}
