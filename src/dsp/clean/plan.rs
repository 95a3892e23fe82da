//! What is done to a recording: gains at several resolutions and when each counts.

use std::borrow::Cow;

use realfft::num_complex::Complex;

use super::bands::BANDS;
use super::bursts::Steadiness;
use super::clicks;
use super::filter;
use super::layer::{Layer, Scene, Shape};
use super::lines::{self, Trust};
use super::low_band::LowBand;
use super::pitch_lines::PitchLines;
use super::{CleanParams, NoiseProfile};
use crate::audio::AudioBuf;
use crate::audio::buffer::mean;
use crate::dsp::pitch::F0Track;
use crate::error::Result;

/// Resolutions, finest in time first.
const SHAPES: [Shape; 3] = [
    Shape { at_48k: 1024, cell: 3, reach: (2, 4), note_reach: 72, partial_reach: 4 },
    Shape { at_48k: 4096, cell: 6, reach: (2, 2), note_reach: 20, partial_reach: 4 },
    Shape { at_48k: 16384, cell: 12, reach: (2, 1), note_reach: 5, partial_reach: 2 },
];
/// Step of the masks at 48 kHz, in frames.
const STEP: usize = 256;
/// The lows under a note reach up to this part of its pitch.
const UNDER: f64 = 0.7;
/// And no higher than this, in hertz: the chiff of a high note lies under its pitch, and a window
/// this long would spread its gain over all of it.
const UNDER_MOST_HZ: f64 = 200.0;
/// Hum and clicks are lowered as the curve has it here, in hertz.
const HUM_HZ: f64 = 100.0;
const CLICK_HZ: f64 = 2_000.0;
/// Steps to either side that the layers are compared over, and where something begins to sound: what a
/// long window loses of a short sound it seems to lose over its whole length.
const AROUND: (usize, usize) = (4, 16);
/// A beginning lasts for so many frames of the finest layer (0.13 s; the pitch is carried back over some
/// 0.05 s of it).
const BEGINNING: usize = 6;
/// A click this soon before a note or after it may be the note's own, in seconds.
const NOTE_NEAR_S: (f64, f64) = (0.06, 0.03);

/// A linear, time-varying filter, made by looking at a recording.
pub struct Plan {
    rate: f64,
    params: CleanParams,
    band: LowBand,
    trusted: Vec<Trust>,
    clicks: Vec<(usize, usize)>,
    /// The lows under a note, at the finest resolution in frequency through attack and release.
    under: Layer,
    /// Where they are steady enough for it.
    steadiness: Steadiness,
    layers: Vec<Layer>,
    /// How much each layer counts at each step in each band.
    masks: Vec<[Vec<f32>; BANDS]>,
    step: usize,
    /// The channels that were looked at, ready for the layers.
    looked_at: Vec<Passing>,
}

/// A signal on its way: what is left of it and what was taken.
#[derive(Clone)]
struct Passing {
    rest: Vec<f32>,
    taken: Vec<f32>,
}

impl Passing {
    fn take(&mut self, part: &[f32], share: f32) {
        for ((r, t), p) in self.rest.iter_mut().zip(&mut self.taken).zip(part) {
            *r -= p;
            *t += p * share;
        }
    }
}

impl Plan {
    /// Looks at `x`, whose first frame is `begins_s` seconds after that of `track`.
    ///
    /// Errors: `InvalidParameter` as [`CleanParams::check`].
    pub fn new(
        x: &AudioBuf,
        profile: &NoiseProfile,
        track: Option<&F0Track>,
        begins_s: f64,
        params: &CleanParams,
    ) -> Result<Self> {
        params.check()?;
        let rate = x.rate().as_f64();
        let pitch = PitchLines::new(track, begins_s);
        let nobody_plays = |c: &(usize, usize)| {
            !pitch.any(c.0 as f64 / rate - NOTE_NEAR_S.1, c.1 as f64 / rate + NOTE_NEAR_S.0)
        };
        let mut plan = Self {
            rate,
            params: params.clone(),
            band: LowBand::new(rate),
            trusted: Vec::new(),
            clicks: clicks::find(&x.mixed_or_loudest(), rate).into_iter().filter(nobody_plays).collect(),
            under: Layer::empty(),
            steadiness: Steadiness::none(),
            layers: Vec::new(),
            masks: Vec::new(),
            step: super::noise_profile::size_for(rate, STEP).max(1),
            looked_at: Vec::new(),
        };
        let low_rate = rate / plan.band.factor() as f64;
        let filtered: Vec<Vec<f32>> = x.channels().map(|x| plan.filtered(x)).collect();
        let mut lows: Vec<Vec<f32>> = filtered.iter().map(|x| plan.band.down(x)).collect();
        if params.hum && !profile.lines.is_empty() {
            // The same belief in all channels, and the same gains: the stereo image stays.
            let all: Vec<&[f32]> = lows.iter().map(Vec::as_slice).collect();
            let one =
                profile.lines_in.and_then(|c| all.get(c)).map_or_else(|| mean(&all), |c| Cow::Borrowed(*c));
            plan.trusted = lines::trust(&one, low_rate, &profile.lines);
        }
        let each = x.channels().zip(filtered).zip(&mut lows);
        let mut looked_at: Vec<Passing> = each.map(|((x, f), low)| plan.without_steady(x, f, low)).collect();
        let channels: Vec<&[f32]> = looked_at.iter().map(|p| p.rest.as_slice()).collect();
        let (pitch, params) = (&pitch, params);
        let top_hz = (UNDER * pitch.highest()).min(UNDER_MOST_HZ);
        let mut under =
            Layer::new(&Scene { channels: &channels, rate, profile, pitch, params }, SHAPES[2], top_hz);
        let below = |f: f64| (UNDER * f).min(UNDER_MOST_HZ);
        under.keep_only_below(|from_s, to_s| pitch.lowest(from_s, to_s).map(below), rate);
        plan.under = under;
        plan.steadiness = Steadiness::new(&lows, low_rate, pitch, UNDER_MOST_HZ);
        for passing in &mut looked_at {
            plan.take_under(passing);
        }
        let channels: Vec<&[f32]> = looked_at.iter().map(|p| p.rest.as_slice()).collect();
        let scene = Scene { channels: &channels, rate, profile, pitch, params };
        plan.layers = SHAPES.iter().map(|s| Layer::new(&scene, *s, rate / 2.0)).collect();
        let burst = |i: usize| plan.steadiness.at(i * plan.step / plan.band.factor()) < 0.5;
        plan.masks = masks(&plan.layers, x.len(), plan.step, &burst);
        plan.looked_at = looked_at;
        Ok(plan)
    }

    /// What this takes from `x`, a channel as long as the recording that was looked at. The same
    /// filter for any signal: linear in `x`.
    pub fn removed(&self, x: &[f32]) -> Vec<f32> {
        let filtered = self.filtered(x);
        let mut low = self.band.down(&filtered);
        let mut passing = self.without_steady(x, filtered, &mut low);
        self.take_under(&mut passing);
        self.by_layers(passing)
    }

    /// What this takes from channel `channel` of the recording that was looked at: the same as
    /// [`Plan::removed`] of it, in half the time. Nothing for a channel that there is not.
    pub fn removed_from(&self, channel: usize) -> Vec<f32> {
        self.looked_at.get(channel).map_or_else(Vec::new, |p| self.by_layers(p.clone()))
    }

    /// Takes the lows under a note where they are steady.
    fn take_under(&self, passing: &mut Passing) {
        let mut taken = self.under.taken(&passing.rest);
        self.steadiness.hold(&mut taken, self.band.factor());
        passing.take(&taken, 1.0);
    }

    /// The last step: what the layers take.
    fn by_layers(&self, mut passing: Passing) -> Vec<f32> {
        for (layer, mask) in self.layers.iter().zip(&self.masks) {
            let taken = layer.taken_by_band(&passing.rest, mask, self.step);
            let fraction = 1.0 / self.step as f32;
            for (taken, mask) in taken.iter().zip(mask) {
                let pieces = passing.taken.chunks_mut(self.step).zip(taken.chunks(self.step));
                for ((out, taken), m) in pieces.zip(mask.windows(2)) {
                    if m[0] == 0.0 && m[1] == 0.0 {
                        continue;
                    }
                    for (i, (o, t)) in out.iter_mut().zip(taken).enumerate() {
                        *o += t * (m[0] + (m[1] - m[0]) * i as f32 * fraction);
                    }
                }
            }
        }
        passing.taken
    }

    /// `x` without its mean and what lies below the high-pass.
    fn filtered(&self, x: &[f32]) -> Vec<f32> {
        let dc = if self.params.remove_dc { filter::mean(x) } else { 0.0 };
        let x: Vec<f32> = x.iter().map(|v| v - dc).collect();
        match self.params.high_pass_hz {
            Some(hz) => filter::high_pass(&x, hz, self.rate),
            None => x,
        }
    }

    /// Takes hum, and clicks between notes, off `rest`, which is `x` after [`Plan::filtered`]; hum off its
    /// band `low` too.
    fn without_steady(&self, x: &[f32], rest: Vec<f32>, low: &mut [f32]) -> Passing {
        let taken = x.iter().zip(&rest).map(|(x, r)| x - r).collect();
        let mut passing = Passing { rest, taken };
        if !self.trusted.is_empty() {
            let waves = lines::waves(low, self.rate / self.band.factor() as f64, &self.trusted);
            let wave = self.band.up(&waves, x.len());
            passing.take(&wave, 1.0 - self.params.room_gain(HUM_HZ) as f32);
            low.iter_mut().zip(&waves).for_each(|(l, w)| *l -= w);
        }
        let share = 1.0 - self.params.room_gain(CLICK_HZ) as f32;
        let soft = clicks::block_frames(self.rate);
        for click in &self.clicks {
            for n in click.0..click.1.min(x.len()) {
                let t = passing.rest[n] * clicks::share(n, *click, soft);
                passing.rest[n] -= t;
                passing.taken[n] += t * share;
            }
        }
        passing
    }

    /// Which part of the time each resolution counts, finest in time first.
    pub fn shares(&self) -> Vec<f32> {
        self.masks.iter().map(|m| m.iter().flatten().sum::<f32>() / (m[0].len() * BANDS) as f32).collect()
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

    /// What this layer takes from `x` in each band, where the band's `mask` (a value a step) is above 0.
    /// Bands with the same mask over a frame come as one, in the first of them.
    fn taken_by_band(&self, x: &[f32], mask: &[Vec<f32>; BANDS], step: usize) -> [Vec<f32>; BANDS] {
        let mut stft = self.stft.clone();
        let (mut spectrum, mut part) = (stft.spectrum(), stft.spectrum());
        let mut share = vec![0f32; self.bins];
        let mut out: [Vec<f32>; BANDS] = std::array::from_fn(|_| vec![0f32; x.len()]);
        for (t, gains) in self.gains.chunks_exact(self.bins).enumerate() {
            let first = stft.first(t);
            let last = mask[0].len();
            let to = ((first + self.size as i64).max(0) as usize / step + 2).min(last);
            let from = (first.max(0) as usize / step).min(to);
            let there: [&[f32]; BANDS] = std::array::from_fn(|b| &mask[b][from..to]);
            let mut done = there.map(|m| m.iter().all(|m| *m == 0.0));
            if done.iter().all(|d| *d) {
                continue;
            }
            stft.forward(x, t, &mut spectrum);
            for b in 0..BANDS {
                if done[b] {
                    continue;
                }
                let same: [f32; BANDS] =
                    std::array::from_fn(|c| f32::from(u8::from(!done[c] && there[c] == there[b])));
                part.copy_from_slice(&spectrum);
                part.iter_mut().zip(gains).for_each(|(p, g)| *p *= 1.0 - g);
                part[self.bins..].fill(Complex::new(0.0, 0.0));
                if same.contains(&0.0) {
                    self.share(&same, &mut share);
                    part.iter_mut().zip(&share).for_each(|(p, s)| *p *= s);
                }
                stft.inverse_add(&mut part, t, &mut out[b], 0);
                done.iter_mut().zip(&same).for_each(|(d, s)| *d |= *s > 0.0);
            }
        }
        out
    }

    /// How much of each bin belongs to the bands that `wanted` is 1 for.
    fn share(&self, wanted: &[f32; BANDS], share: &mut [f32]) {
        share.fill(0.0);
        for weights in self.weights.iter().zip(wanted).filter(|(_, w)| **w > 0.0).map(|(v, _)| v) {
            share.iter_mut().zip(weights).for_each(|(s, w)| *s += w);
        }
    }

    /// What this layer takes from `x`.
    fn taken(&self, x: &[f32]) -> Vec<f32> {
        let mut stft = self.stft.clone();
        let mut spectrum = stft.spectrum();
        let mut out = vec![0f32; x.len()];
        for (t, gains) in self.gains.chunks_exact(self.bins).enumerate() {
            if gains.iter().all(|g| *g == 1.0) {
                continue;
            }
            stft.forward(x, t, &mut spectrum);
            spectrum.iter_mut().zip(gains).for_each(|(z, g)| *z *= 1.0 - g);
            spectrum[self.bins..].fill(Complex::new(0.0, 0.0));
            stft.inverse_add(&mut spectrum, t, &mut out, 0);
        }
        out
    }
}

/// Which layer is expected to leave the least error in each band, step by step, with soft borders.
fn masks(layers: &[Layer], len: usize, step: usize, burst: &dyn Fn(usize) -> bool) -> Vec<[Vec<f32>; BANDS]> {
    let steps = len / step + 2;
    let follows = before_notes(layers, steps, step);
    let begins = beginnings(&layers[0], steps, step);
    let mut all: Vec<[Vec<f32>; BANDS]> = layers.iter().map(|_| Default::default()).collect();
    for b in 0..BANDS {
        let costs: Vec<Vec<f32>> = layers.iter().map(|l| l.cost_by_step(b, steps, step)).collect();
        let mut best = vec![0usize; steps];
        let mut cost = costs[0].clone();
        for (l, costs) in costs.iter().enumerate().skip(1) {
            let near = [averaged(&cost, AROUND.0), averaged(costs, AROUND.0)];
            let wide = [averaged(&cost, AROUND.1), averaged(costs, AROUND.1)];
            for i in 0..steps {
                let [shorter, longer] = if begins[i] { &wide } else { &near };
                if longer[i] < shorter[i] && !follows[i] && !(b == 0 && burst(i)) {
                    best[i] = l;
                    cost[i] = costs[i];
                }
            }
        }
        for (l, masks) in all.iter_mut().enumerate() {
            let hard: Vec<f32> = best.iter().map(|best| f32::from(u8::from(*best == l))).collect();
            masks[b] = averaged(&hard, 2);
        }
    }
    all
}

/// Where a note follows soon: a long window would let through narrow noise there where the partials will
/// be, which sings; what nothing sounds in is left to the finest layer (the first).
fn before_notes(layers: &[Layer], steps: usize, step: usize) -> Vec<bool> {
    let finest = &layers[0];
    let longest = layers.iter().map(|l| l.size).max().unwrap_or(0);
    let hop = finest.size / 4;
    let sounds = |from: usize, to: usize| {
        finest.sounding[from.min(finest.frames)..to.min(finest.frames)].contains(&true)
    };
    (0..steps)
        .map(|i| {
            let t = i * step / hop + 1;
            !sounds(t.saturating_sub(2), t + 3) && sounds(t + 3, t + 3 + longest / hop)
        })
        .collect()
}

/// Where something has begun to sound within the last [`BEGINNING`].
fn beginnings(finest: &Layer, steps: usize, step: usize) -> Vec<bool> {
    let hop = finest.size / 4;
    let reach = BEGINNING * finest.size / hop;
    (0..steps)
        .map(|i| {
            let t = (i * step / hop + 1).min(finest.frames);
            finest.sounding[t.saturating_sub(reach)..t].contains(&false)
        })
        .collect()
}

impl Layer {
    /// Expected error in a band at each step.
    fn cost_by_step(&self, band: usize, steps: usize, step: usize) -> Vec<f32> {
        let hop = self.size / 4;
        (0..steps)
            .map(|i| {
                // Frame t has its middle at t·hop − size + hop + size/2.
                let x = ((i * step) as f32 + (self.size / 2 - hop) as f32) / hop as f32;
                let (t, part) = (x as usize, x.fract());
                let at = |t: usize| self.cost[t.min(self.frames - 1)][band];
                at(t) * (1.0 - part) + at(t + 1) * part
            })
            .collect()
    }
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
