//! Level over time in three bands, gathered block by block.

use std::f64::consts::{FRAC_1_SQRT_2, TAU};

use super::clipping::{ClipWatch, Clipped};
use crate::units::{FrameRange, SampleRate};

/// Time between two values, in seconds.
const HOP_S: f64 = 0.005;
/// How many bands are kept.
pub(super) const BANDS: usize = 3;
/// All that is heard (from 20 Hz: no offset, no wind).
pub(super) const ALL: usize = 0;
/// Without hum and rumble (from 80 Hz, 24 dB an octave below that).
pub(super) const NO_RUMBLE: usize = 1;
/// Without the harmonics of hum (from 400 Hz).
pub(super) const NO_HUM: usize = 2;

/// Corner frequency in Hz and Q of the high-pass sections in their order; the bands
/// are tapped after the first, the third and the fourth. The two at 80 Hz make a Butterworth filter of fourth order:
/// Q = 1/(2 cos(π/8)) and 1/(2 cos(3π/8)).
const SECTIONS: [(f64, f64); 4] =
    [(20.0, FRAC_1_SQRT_2), (80.0, 0.541_196_1), (80.0, 1.306_563), (400.0, FRAC_1_SQRT_2)];

/// Second-order high-pass section, transposed direct form II.
#[derive(Debug, Clone, Copy, Default)]
struct HighPass {
    b: [f64; 3],
    a: [f64; 2],
    s: [f64; 2],
}

impl HighPass {
    /// Coefficients by the bilinear transform. Source: R. Bristow-Johnson, Cookbook formulae for
    /// audio EQ biquad filter coefficients (published as a W3C note), HPF.
    fn new((corner_hz, q): (f64, f64), rate: f64) -> Self {
        let w = TAU * corner_hz / rate;
        let (cos, alpha) = (w.cos(), w.sin() / (2.0 * q));
        let a0 = 1.0 + alpha;
        let b = (1.0 + cos) / 2.0 / a0;
        Self { b: [b, -2.0 * b, b], a: [-2.0 * cos / a0, (1.0 - alpha) / a0], s: [0.0; 2] }
    }

    /// As if the input had stood at `x` for ever: an offset makes no step at the file's start.
    fn settle(&mut self, x: f64) {
        self.s = [-self.b[0] * x, self.b[2] * x];
    }

    #[inline]
    fn step(&mut self, x: f64) -> f64 {
        let y = self.b[0] * x + self.s[0];
        self.s[0] = self.b[1] * x - self.a[0] * y + self.s[1];
        self.s[1] = self.b[2] * x - self.a[1] * y;
        y
    }

    /// Ends a decay before it gets to numbers that the processor is slow with.
    fn flush(&mut self) {
        for s in &mut self.s {
            if s.abs() < 1e-20 {
                *s = 0.0;
            }
        }
    }
}

#[derive(Debug, Clone)]
struct Channel {
    sections: [HighPass; SECTIONS.len()],
    clips: ClipWatch,
}

impl Channel {
    fn new(rate: f64, first: f32) -> Self {
        let mut sections = SECTIONS.map(|s| HighPass::new(s, rate));
        sections[0].settle(f64::from(first));
        Self { sections, clips: ClipWatch::default() }
    }

    /// Adds the power of `x` in each band to `power`; returns the largest magnitude.
    fn run(&mut self, x: &[f32], power: &mut [f64; BANDS]) -> f32 {
        let [mut s0, mut s1, mut s2, mut s3] = self.sections;
        let mut peak = 0f32;
        let mut sums = [0f64; BANDS];
        for &raw in x {
            // A sample that is no number would stay in the filter for ever.
            let sample = if raw.is_finite() { raw } else { 0.0 };
            peak = peak.max(sample.abs());
            let y0 = s0.step(f64::from(sample));
            let y2 = s2.step(s1.step(y0));
            let y3 = s3.step(y2);
            sums[ALL] += y0 * y0;
            sums[NO_RUMBLE] += y2 * y2;
            sums[NO_HUM] += y3 * y3;
        }
        self.sections = [s0, s1, s2, s3];
        self.sections.iter_mut().for_each(HighPass::flush);
        for (p, s) in power.iter_mut().zip(sums) {
            *p += s;
        }
        peak
    }
}

/// Gathers the envelope of a file as it is decoded. Needs 16 bytes a hop: 23 MB for two hours.
#[derive(Debug, Clone)]
pub struct EnvelopeBuilder {
    rate: SampleRate,
    channels: Vec<Channel>,
    /// Frames in the hop that is being filled.
    filled: usize,
    sums: [f64; BANDS],
    top: f32,
    out: Envelope,
}

/// Level over time, one value a hop of about 5 ms.
#[derive(Debug, Clone, PartialEq)]
pub struct Envelope {
    rate: SampleRate,
    hop_frames: usize,
    frames: u64,
    /// Mean square over channels and frames of the hop, for each band.
    power: [Vec<f32>; BANDS],
    peak: Vec<f32>,
    clips: Vec<Clipped>,
}

impl EnvelopeBuilder {
    /// An empty envelope for sound at `rate`.
    pub fn new(rate: SampleRate) -> Self {
        let out = Envelope {
            rate,
            hop_frames: (HOP_S * rate.as_f64()).round() as usize,
            frames: 0,
            power: Default::default(),
            peak: Vec::new(),
            clips: Vec::new(),
        };
        Self { rate, channels: Vec::new(), filled: 0, sums: [0.0; BANDS], top: 0.0, out }
    }

    /// Adds a block: one slice a channel, all of one length (what is longer than the shortest is
    /// left out), any length. The result does not depend on how the sound is cut into blocks.
    pub fn push(&mut self, channels: &[&[f32]]) {
        let frames = channels.iter().map(|c| c.len()).min().unwrap_or(0);
        if frames == 0 {
            return;
        }
        for c in channels.iter().skip(self.channels.len()) {
            self.channels.push(Channel::new(self.rate.as_f64(), if c[0].is_finite() { c[0] } else { 0.0 }));
        }
        let mut at = 0;
        while at < frames {
            let n = (self.out.hop_frames - self.filled).min(frames - at);
            let hop = self.out.peak.len() as u32;
            for (state, samples) in self.channels.iter_mut().zip(channels) {
                let part = &samples[at..at + n];
                self.top = self.top.max(state.run(part, &mut self.sums));
                state.clips.push(part, hop);
            }
            self.filled += n;
            at += n;
            if self.filled == self.out.hop_frames {
                self.close_hop();
            }
        }
        self.out.frames += frames as u64;
    }

    fn close_hop(&mut self) {
        let count = (self.filled * self.channels.len()) as f64;
        for (out, sum) in self.out.power.iter_mut().zip(&mut self.sums) {
            out.push((*sum / count) as f32);
            *sum = 0.0;
        }
        self.out.peak.push(self.top);
        self.top = 0.0;
        self.filled = 0;
    }

    /// The envelope of everything pushed.
    pub fn finish(mut self) -> Envelope {
        if self.filled > 0 {
            self.close_hop();
        }
        let last = self.out.peak.len().saturating_sub(1) as u32;
        let mut clips: Vec<Clipped> = self.channels.into_iter().flat_map(|c| c.clips.finish(last)).collect();
        clips.sort_by_key(|c| c.hop);
        self.out.clips = clips;
        self.out
    }
}

impl Envelope {
    /// Frames a second of the sound it was made of.
    pub fn rate(&self) -> SampleRate {
        self.rate
    }

    /// How many frames were pushed.
    pub fn frames(&self) -> u64 {
        self.frames
    }

    /// Number of hops; the last may be cut short.
    pub(super) fn hops(&self) -> usize {
        self.peak.len()
    }

    /// The number of hops nearest to `seconds`.
    pub(super) fn hops_in(&self, seconds: f64) -> usize {
        (seconds * self.rate.as_f64() / self.hop_frames as f64).round().max(0.0) as usize
    }

    /// Mean square of every hop in a band.
    pub(super) fn power(&self, band: usize) -> &[f32] {
        &self.power[band]
    }

    /// Largest magnitude of every hop.
    pub(super) fn peak(&self) -> &[f32] {
        &self.peak
    }

    /// The frames of hops `start` to `end` (exclusive).
    pub(super) fn frames_of(&self, start: usize, end: usize) -> FrameRange {
        let hop = self.hop_frames as u64;
        FrameRange::new((start as u64 * hop).min(self.frames), (end as u64 * hop).min(self.frames))
    }

    /// The hops that lie wholly in `range`.
    pub(super) fn hops_of(&self, range: FrameRange) -> std::ops::Range<usize> {
        let hop = self.hop_frames as u64;
        let end = if range.end.0 >= self.frames { self.hops() as u64 } else { range.end.0 / hop };
        let start = range.start.0.div_ceil(hop).min(end);
        start as usize..end as usize
    }

    /// Samples of all channels in the hops that `range` touches that stand at a ceiling.
    pub(super) fn clipped_in(&self, range: FrameRange) -> u64 {
        let hop = self.hop_frames as u64;
        let from = self.clips.partition_point(|c| (u64::from(c.hop) + 1) * hop <= range.start.0);
        self.clips[from..]
            .iter()
            .take_while(|c| u64::from(c.hop) * hop < range.end.0)
            .map(|c| u64::from(c.samples))
            .sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::signals;

    const RATE: SampleRate = SampleRate::DELIVERY;

    fn db(power: f32) -> f64 {
        10.0 * f64::from(power).log10()
    }

    #[test]
    fn a_block_is_as_good_as_its_samples() {
        let x = signals::white_noise(0.1, 10_007, 3);
        let y = signals::sine(300.0, 0.2, 48_000.0, 10_007);
        let mut whole = EnvelopeBuilder::new(RATE);
        whole.push(&[&x, &y]);
        let whole = whole.finish();
        for size in [1usize, 7, 239, 241, 4_096] {
            let mut parts = EnvelopeBuilder::new(RATE);
            for (a, b) in x.chunks(size).zip(y.chunks(size)) {
                parts.push(&[a, b]);
            }
            let parts = parts.finish();
            assert_eq!((parts.frames, parts.hops()), (10_007, 42));
            // The sums run in another order: equal up to rounding of single precision.
            for b in 0..BANDS {
                for (p, w) in parts.power[b].iter().zip(&whole.power[b]) {
                    assert!((p / w - 1.0).abs() < 1e-5, "block of {size}, band {b}");
                }
            }
            assert_eq!(parts.peak, whole.peak);
        }
    }

    /// Gains of Butterworth high-passes: |H|² = 1/(1 + (fc/f)^(2n)) for order n; analytic, up to the
    /// warping of the bilinear transform, below 0.1 % at these frequencies.
    #[test]
    fn bands_have_the_gain_of_their_filters() {
        let gain = |f: f64, fc: f64, n: i32| -10.0 * (1.0 + (fc / f).powi(2 * n)).log10();
        for hz in [27.5, 50.0, 100.0, 440.0, 2_000.0] {
            let mut b = EnvelopeBuilder::new(RATE);
            b.push(&[&signals::sine(hz, 1.0, 48_000.0, 96_000)]);
            let e = b.finish();
            let all = -3.0103 + gain(hz, 20.0, 2);
            let no_rumble = all + gain(hz, 80.0, 4);
            let no_hum = no_rumble + gain(hz, 400.0, 2);
            for (band, expected) in [all, no_rumble, no_hum].into_iter().enumerate() {
                // The last second: settled, whole periods of every frequency here but 27.5 Hz
                // (27.5 periods: half a period too much changes nothing in a mean square).
                let mean = e.power[band][200..].iter().sum::<f32>() / 200.0;
                assert!((db(mean) - expected).abs() < 0.05, "{hz} Hz, band {band}: {} {expected}", db(mean));
            }
        }
    }

    #[test]
    fn an_offset_is_no_sound_and_odd_numbers_do_no_harm() {
        let mut b = EnvelopeBuilder::new(RATE);
        b.push(&[&[0.3; 4_800]]);
        // Only rounding is left: far below 24 bits.
        assert!(b.finish().power[ALL].iter().all(|p| db(*p) < -200.0));
        let mut b = EnvelopeBuilder::new(RATE);
        b.push(&[&[f32::NAN, 0.1, f32::INFINITY, -0.1]]);
        b.push(&[]);
        b.push(&[&[]]);
        let e = b.finish();
        assert_eq!((e.hops(), e.frames()), (1, 4));
        assert!(e.power.iter().all(|band| band[0].is_finite()));
        assert_eq!(EnvelopeBuilder::new(RATE).finish().hops(), 0);
    }
}
