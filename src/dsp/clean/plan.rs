//! What is done to a recording: gains at several resolutions and when each counts.

use super::clicks;
use super::layer::{Layer, Scene, Shape};
use super::lines::{self, Trust};
use super::low_band::LowBand;
use super::pitch_lines::PitchLines;
use super::{NoiseProfile, ReductionCurve};
use crate::audio::AudioBuf;
use crate::dsp::pitch::F0Track;
use crate::dsp::stft::Stft;
use crate::error::Result;
use crate::units::SampleRate;

/// Parameters of cleaning.
#[derive(Debug, Clone, PartialEq)]
pub struct CleanParams {
    /// 0 to 1.
    pub amount: f64,
    /// Reduction at full amount.
    pub curve: ReductionCurve,
}

impl Default for CleanParams {
    fn default() -> Self {
        Self { amount: 1.0, curve: ReductionCurve::default() }
    }
}

/// Resolutions, finest in time first.
const SHAPES: [Shape; 3] = [
    Shape { at_48k: 1024, cell: 3, reach: (1, 4), note_reach: 24, partial_reach: 4 },
    Shape { at_48k: 4096, cell: 6, reach: (2, 2), note_reach: 8, partial_reach: 4 },
    Shape { at_48k: 16384, cell: 12, reach: (2, 1), note_reach: 3, partial_reach: 2 },
];
/// Step of the masks at 48 kHz, in frames.
const STEP: usize = 256;

/// The lows under a note reach up to this part of its pitch.
const UNDER: f64 = 0.7;
const UNDER_STEP: usize = 4096;

/// Takes the clicks out of `x`; what was taken.
fn without(x: &mut [f32], clicks: &[(usize, usize)]) -> Vec<f32> {
    let mut taken = vec![0f32; if clicks.is_empty() { 0 } else { x.len() }];
    for c in clicks {
        for n in c.0..c.1.min(x.len()) {
            let t = x[n] * clicks::share(n, *c);
            taken[n] += t;
            x[n] -= t;
        }
    }
    taken
}

/// A linear, time-varying filter.
pub struct Plan {
    rate: SampleRate,
    band: LowBand,
    trusted: Vec<Vec<Trust>>,
    clicks: Vec<(usize, usize)>,
    /// The lows under a note, at the finest resolution in frequency through attack and release.
    under: Layer,
    layers: Vec<Layer>,
    /// Which layer counts at each step.
    masks: Vec<Vec<f32>>,
    step: usize,
    hum: f32,
}

impl Plan {
    /// Looks at `x`.
    pub fn new(x: &AudioBuf, profile: &NoiseProfile, track: Option<&F0Track>, params: &CleanParams) -> Result<Self> {
        let rate = x.rate().as_f64();
        let band = LowBand::new(rate);
        let low_rate = rate / band.factor() as f64;
        let mut trusted = Vec::new();
        let mut channels: Vec<Vec<f32>> = Vec::new();
        for c in x.channels() {
            let low = band.down(c);
            let t = lines::trust(&low, low_rate, &profile.lines);
            let wave = band.up(&lines::waves(&low, low_rate, &t), c.len());
            channels.push(c.iter().zip(&wave).map(|(x, w)| x - w).collect());
            trusted.push(t);
        }
        let pitch = PitchLines::new(track);
        let nobody_plays = |c: &(usize, usize)| !pitch.any(c.0 as f64 / rate - 0.03, c.1 as f64 / rate + 0.06);
        let clicks: Vec<_> = clicks::find(&x.mixed(), rate).into_iter().filter(nobody_plays).collect();
        channels.iter_mut().for_each(|c| {
            without(c, &clicks);
        });
        let (curve, amount) = (&params.curve, params.amount);
        let scene = Scene { channels: &channels, rate, profile, pitch: &pitch, curve, amount };
        let mut under = Layer::new(&scene, SHAPES[2]);
        under.keep_only_below(|from_s, to_s| pitch.lowest(from_s, to_s).map(|f| UNDER * f), rate);
        let everywhere = vec![1.0; x.len() / UNDER_STEP + 2];
        for c in &mut channels {
            let taken = under.taken(c, &everywhere, UNDER_STEP);
            c.iter_mut().zip(&taken).for_each(|(x, t)| *x -= t);
        }
        let scene = Scene { channels: &channels, rate, profile, pitch: &pitch, curve, amount };
        let layers: Vec<Layer> = SHAPES.iter().map(|s| Layer::new(&scene, *s)).collect();
        let step = super::noise_profile::size_for(rate, STEP);
        let masks = masks(&layers, x.len(), step);
        let hum = 1.0 - params.curve.gain(100.0, params.amount) as f32;
        Ok(Self { rate: x.rate(), band, trusted, clicks, under, layers, masks, step, hum })
    }

    /// What is taken from channel `c` of a signal as long as the one that was looked at.
    pub fn removed(&self, x: &[f32], c: usize) -> Vec<f32> {
        let low_rate = self.rate.as_f64() / self.band.factor() as f64;
        let trusted = &self.trusted[c.min(self.trusted.len() - 1)];
        let wave = self.band.up(&lines::waves(&self.band.down(x), low_rate, trusted), x.len());
        let rest: Vec<f32> = x.iter().zip(&wave).map(|(x, w)| x - w).collect();
        let mut out: Vec<f32> = wave.iter().map(|w| w * self.hum).collect();
        let mut rest = rest;
        let held = without(&mut rest, &self.clicks);
        out.iter_mut().zip(&held).for_each(|(o, h)| *o += h * self.hum);
        let everywhere = vec![1.0; x.len() / UNDER_STEP + 2];
        let taken = self.under.taken(&rest, &everywhere, UNDER_STEP);
        for ((o, r), t) in out.iter_mut().zip(&mut rest).zip(&taken) {
            *o += t;
            *r -= t;
        }
        for (layer, mask) in self.layers.iter().zip(&self.masks) {
            let taken = layer.taken(&rest, mask, self.step);
            for (n, (o, t)) in out.iter_mut().zip(&taken).enumerate() {
                let (i, part) = (n / self.step, (n % self.step) as f32 / self.step as f32);
                *o += t * (mask[i] * (1.0 - part) + mask[i + 1] * part);
            }
        }
        out
    }

    /// For looking: share of time of each layer.
    pub fn shares(&self) -> Vec<f32> {
        self.masks.iter().map(|m| m.iter().sum::<f32>() / m.len() as f32).collect()
    }
}

impl Layer {
    /// Leaves everything as it is from the frequency on that `top_hz` gives for a frame's time.
    fn keep_only_below(&mut self, top_hz: impl Fn(f64, f64) -> Option<f64>, rate: f64) {
        let hop = self.size / 4;
        for (t, gains) in self.gains.chunks_exact_mut(self.bins).enumerate() {
            let first = (t * hop) as f64 - (self.size - hop) as f64;
            let top = top_hz(first / rate, (first + self.size as f64) / rate).unwrap_or(0.0);
            let top = top * self.size as f64 / rate;
            for (k, g) in gains.iter_mut().enumerate() {
                // Shut over the last third of the way.
                let x = ((1.0 - k as f64 / top.max(1e-9)) * 3.0).clamp(0.0, 1.0);
                let part = (x * x * (3.0 - 2.0 * x)) as f32;
                *g = 1.0 - part * (1.0 - *g);
            }
        }
    }

    /// What this layer takes from `x` where its mask is open.
    fn taken(&self, x: &[f32], mask: &[f32], step: usize) -> Vec<f32> {
        let mut stft = Stft::<f32>::new(self.size, self.size / 4);
        let mut spectrum = stft.spectrum();
        let mut out = vec![0f32; x.len()];
        for t in 0..self.frames {
            let first = stft.first(t).max(0) as usize / step;
            let last = ((stft.first(t) + self.size as i64).max(0) as usize / step + 2).min(mask.len());
            if first >= last || mask[first..last].iter().all(|m| *m == 0.0) {
                continue;
            }
            stft.forward(x, t, &mut spectrum);
            let gains = &self.gains[t * self.bins..(t + 1) * self.bins];
            spectrum.iter_mut().zip(gains).for_each(|(z, g)| *z *= 1.0 - g);
            stft.inverse_add(&mut spectrum, t, &mut out, 0);
        }
        out
    }
}

/// Which layer is expected to leave the least error, step by step, with soft borders.
fn masks(layers: &[Layer], len: usize, step: usize) -> Vec<Vec<f32>> {
    let steps = len / step + 2;
    let costs: Vec<Vec<f32>> = layers
        .iter()
        .map(|l| {
            let hop = l.size / 4;
            let raw: Vec<f32> = (0..steps)
                .map(|i| {
                    // Frame t has its middle at t·hop − size + hop + size/2.
                    let x = ((i * step) as f32 + (l.size / 2 - hop) as f32) / hop as f32;
                    let (t, part) = (x as usize, x.fract());
                    let at = |t: usize| l.cost[t.min(l.frames - 1)];
                    at(t) * (1.0 - part) + at(t + 1) * part
                })
                .collect();
            averaged(&raw, 4)
        })
        .collect();
    let mut best = vec![0usize; steps];
    for (i, b) in best.iter_mut().enumerate() {
        *b = (0..layers.len()).min_by(|p, q| costs[*p][i].total_cmp(&costs[*q][i])).unwrap_or(0);
    }
    (0..layers.len())
        .map(|l| {
            let hard: Vec<f32> = best.iter().map(|b| f32::from(u8::from(*b == l))).collect();
            averaged(&hard, 2)
        })
        .collect()
}

/// Means over `reach` values to either side.
fn averaged(v: &[f32], reach: usize) -> Vec<f32> {
    (0..v.len())
        .map(|i| {
            let part = &v[i.saturating_sub(reach)..(i + reach + 1).min(v.len())];
            part.iter().sum::<f32>() / part.len() as f32
        })
        .collect()
}
