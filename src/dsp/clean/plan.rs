//! What is done to a recording: gains at several resolutions and when each counts.

use std::borrow::Cow;

use realfft::num_complex::Complex;

use super::along_pitch::{self, AlongPitch};
use super::bands::BANDS;
use super::bursts::Steadiness;
use super::clicks;
use super::filter;
use super::layer::{Layer, Scene, Shape};
use super::lines::{self, Trust};
use super::low_band::LowBand;
use super::masks::masks;
use super::pitch_lines::PitchLines;
use super::{CleanParams, NoiseProfile};
use crate::audio::AudioBuf;
use crate::audio::buffer::mean;
use crate::dsp::pitch::F0Track;
use crate::dsp::poll::Poll;
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
    /// How the layers read it.
    along: Option<AlongPitch>,
    /// The channels that were looked at, ready for the layers.
    looked_at: Vec<Passing>,
}

/// A signal on its way: what is left of it and what was taken.
struct Passing {
    rest: Vec<f32>,
    taken: Vec<f32>,
    /// What is left read along the pitch; empty where it is not.
    along: Vec<f32>,
}

impl Passing {
    /// What the layers read.
    fn to_read(&self) -> &[f32] {
        if self.along.is_empty() { &self.rest } else { &self.along }
    }

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
        Self::new_while(x, profile, track, begins_s, params, &Poll::new(&|| true))
    }

    /// [`Plan::new`] as long as `poll` says so; else the error is `Cancelled`.
    pub(super) fn new_while(
        x: &AudioBuf,
        profile: &NoiseProfile,
        track: Option<&F0Track>,
        begins_s: f64,
        params: &CleanParams,
        poll: &Poll,
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
            along: track.and_then(|t| AlongPitch::new(t, begins_s, x.len(), x.rate())),
            looked_at: Vec::new(),
        };
        let low_rate = rate / plan.band.factor() as f64;
        let filtered: Vec<Vec<f32>> = x.channels().map(|x| plan.filtered(x)).collect();
        let mut lows: Vec<Vec<f32>> = filtered.iter().map(|x| plan.band.down(x)).collect();
        poll.worked(x.len())?;
        if params.hum && !profile.lines.is_empty() {
            // The same belief in all channels, and the same gains: the stereo image stays.
            let all: Vec<&[f32]> = lows.iter().map(Vec::as_slice).collect();
            let one =
                profile.lines_in.and_then(|c| all.get(c)).map_or_else(|| mean(&all), |c| Cow::Borrowed(*c));
            plan.trusted = lines::trust(&one, low_rate, &profile.lines);
        }
        let each = x.channels().zip(filtered).zip(&mut lows);
        plan.looked_at = each.map(|((x, f), low)| plan.without_steady(x, f, low)).collect();
        plan.look_under(&lows, profile, &pitch, poll)?;
        let still =
            plan.along.as_ref().zip(track).map(|(a, t)| PitchLines::new(Some(&a.track(t, begins_s)), 0.0));
        plan.look(profile, still.as_ref().unwrap_or(&pitch), poll)?;
        Ok(plan)
    }

    /// Looks at the lows under the note and takes what is the room's there off what is to be looked at.
    fn look_under(
        &mut self,
        lows: &[Vec<f32>],
        profile: &NoiseProfile,
        pitch: &PitchLines,
        poll: &Poll,
    ) -> Result<()> {
        let channels: Vec<&[f32]> = self.looked_at.iter().map(|p| p.rest.as_slice()).collect();
        let scene =
            Scene { channels: &channels, rate: self.rate, profile, pitch, params: &self.params, poll };
        let top_hz = (UNDER * pitch.highest()).min(UNDER_MOST_HZ);
        let no_note = |from_s: f64, to_s: f64| !pitch.any(from_s, to_s);
        let mut under = Layer::new(&scene, SHAPES[2], top_hz, &no_note)?;
        let below = |f: f64| (UNDER * f).min(UNDER_MOST_HZ);
        under.keep_only_below(|from_s, to_s| pitch.lowest(from_s, to_s).map(below), self.rate);
        self.under = under;
        self.steadiness = Steadiness::new(lows, self.rate / self.band.factor() as f64, pitch, UNDER_MOST_HZ);
        let mut looked_at = std::mem::take(&mut self.looked_at);
        for passing in &mut looked_at {
            self.take_under(passing, poll)?;
        }
        self.looked_at = looked_at;
        Ok(())
    }

    /// Makes the layers of what is left, read along the pitch where it moves; `pitch` is that of the
    /// reading.
    fn look(&mut self, profile: &NoiseProfile, pitch: &PitchLines, poll: &Poll) -> Result<()> {
        if let Some(along) = &self.along {
            for passing in &mut self.looked_at {
                passing.along = along.onto(&passing.rest);
                poll.worked(passing.rest.len())?;
            }
        }
        let channels: Vec<&[f32]> = self.looked_at.iter().map(|p| p.to_read()).collect();
        let along = self.along.as_ref();
        let scene =
            Scene { channels: &channels, rate: self.rate, profile, pitch, params: &self.params, poll };
        let top_hz = self.rate / 2.0;
        let finest = Layer::new(&scene, SHAPES[0], top_hz, &|_, _| false)?;
        // Where nothing sounds the finest does, whatever the others would give.
        let nothing_sounds = |from_s: f64, to_s: f64| !finest.sounds(from_s * self.rate, to_s * self.rate);
        let others = SHAPES[1..].iter().map(|s| Layer::new(&scene, *s, top_hz, &nothing_sounds));
        let others: Vec<Layer> = others.collect::<Result<_>>()?;
        let mut layers: Vec<Layer> = std::iter::once(finest).chain(others).collect();
        if along.is_some() {
            layers[0].above = layers[0].just_below_the_top();
            layers.iter_mut().for_each(Layer::leave_the_top);
        }
        let len = channels.first().map_or(0, |c| c.len());
        let burst = |i: usize| {
            let n = (i * self.step) as f64;
            let at = along.map_or(n, |a| a.source_at(n).max(0.0)) as usize;
            self.steadiness.at(at / self.band.factor()) < 0.5
        };
        self.masks = masks(&layers, len, self.step, &burst);
        self.layers = layers;
        Ok(())
    }

    /// What this takes from `x`, a channel as long as the recording that was looked at. The same
    /// filter for any signal: linear in `x`.
    pub fn removed(&self, x: &[f32]) -> Vec<f32> {
        let poll = Poll::new(&|| true);
        let filtered = self.filtered(x);
        let mut low = self.band.down(&filtered);
        let mut passing = self.without_steady(x, filtered, &mut low);
        if self.take_under(&mut passing, &poll).is_err() {
            return Vec::new();
        }
        if let Some(along) = &self.along {
            passing.along = along.onto(&passing.rest);
        }
        self.by_layers(&passing, &poll).unwrap_or_default()
    }

    /// What this takes from channel `channel` of the recording that was looked at: the same as
    /// [`Plan::removed`] of it, in half the time. Nothing for a channel that there is not.
    pub fn removed_from(&self, channel: usize) -> Vec<f32> {
        self.removed_from_while(channel, &Poll::new(&|| true)).unwrap_or_default()
    }

    /// [`Plan::removed_from`] as long as `poll` says so; else the error is `Cancelled`.
    pub(super) fn removed_from_while(&self, channel: usize, poll: &Poll) -> Result<Vec<f32>> {
        self.looked_at.get(channel).map_or_else(|| Ok(Vec::new()), |p| self.by_layers(p, poll))
    }

    /// Takes the lows under a note where they are steady.
    fn take_under(&self, passing: &mut Passing, poll: &Poll) -> Result<()> {
        let mut taken = self.under.taken(&passing.rest, poll)?;
        self.steadiness.hold(&mut taken, self.band.factor());
        passing.take(&taken, 1.0);
        Ok(())
    }

    /// The last step: what the layers take, besides what was taken before.
    fn by_layers(&self, passing: &Passing, poll: &Poll) -> Result<Vec<f32>> {
        let x = passing.to_read();
        let mut sum = vec![0f32; x.len()];
        for (layer, mask) in self.layers.iter().zip(&self.masks) {
            let taken = layer.taken_by_band(x, mask, self.step, poll)?;
            let fraction = 1.0 / self.step as f32;
            for (taken, mask) in taken.iter().zip(mask) {
                let pieces = sum.chunks_mut(self.step).zip(taken.chunks(self.step));
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
        if let Some(along) = &self.along {
            poll.worked(sum.len())?;
            sum = along.back(&sum);
            let above = self.layers[0].taken_above(along, &passing.rest, poll)?;
            sum.iter_mut().zip(&above).for_each(|(s, a)| *s += a);
        }
        sum.iter_mut().zip(&passing.taken).for_each(|(s, t)| *s += t);
        Ok(sum)
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
        let mut passing = Passing { rest, taken, along: Vec::new() };
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
    fn taken_by_band(
        &self,
        x: &[f32],
        mask: &[Vec<f32>; BANDS],
        step: usize,
        poll: &Poll,
    ) -> Result<[Vec<f32>; BANDS]> {
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
            poll.worked(self.size)?;
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
        Ok(out)
    }

    /// Whether anything sounds in the frames that reach into the samples `from` to `to`.
    fn sounds(&self, from: f64, to: f64) -> bool {
        let (hop, first) = (self.stft.hop() as f64, self.stft.first(0) as f64);
        let frame = |n: f64| (((n - first) / hop).max(0.0) as usize).min(self.frames);
        let (from, to) = (frame(from - self.size as f64), frame(to) + 1);
        self.sounding[from..to.min(self.frames)].contains(&true)
    }

    /// How much of each bin the reading holds, 1 to 0.
    fn held_by_reading(&self) -> Vec<f32> {
        (0..self.bins).map(|k| along_pitch::share(k as f64 / self.size as f64)).collect()
    }

    /// A frame's gain in the highest bins that the reading holds whole: what is to be taken above them goes on
    /// as it is there.
    fn just_below_the_top(&self) -> Vec<f32> {
        let first = self.held_by_reading().iter().take_while(|s| **s == 1.0).count();
        let below = first.saturating_sub(self.bins / 50 + 1)..first;
        let mean = |gains: &[f32]| gains[below.clone()].iter().sum::<f32>() / below.len().max(1) as f32;
        self.gains.chunks_exact(self.bins).map(mean).collect()
    }

    /// Leaves what the reading does not hold to [`Layer::taken_above`].
    fn leave_the_top(&mut self) {
        let shares = self.held_by_reading();
        for gains in self.gains.chunks_exact_mut(self.bins) {
            gains.iter_mut().zip(&shares).for_each(|(g, s)| *g = 1.0 - s * (1.0 - *g));
        }
    }

    /// What this layer, which looked at the reading, takes of the recording `x` above what the reading holds.
    fn taken_above(&self, along: &AlongPitch, x: &[f32], poll: &Poll) -> Result<Vec<f32>> {
        let mut stft = self.stft.clone();
        let mut spectrum = stft.spectrum();
        let size = self.size as f64;
        let share: Vec<f32> = self.held_by_reading().iter().map(|held| 1.0 - held).collect();
        let mut out = vec![0f32; x.len()];
        let middle = |t: f64| t * stft.hop() as f64 + (stft.first(0) as f64 + 0.5 * size);
        let frames: Vec<usize> = (0..stft.frames(x.len()))
            .map(|t| {
                let there = (along.output_at(middle(t as f64)) - middle(0.0)) / stft.hop() as f64;
                (there.round().max(0.0) as usize).min(self.frames - 1)
            })
            .collect();
        for (t, there) in frames.into_iter().enumerate() {
            poll.worked(self.size)?;
            stft.forward(x, t, &mut spectrum);
            let taken = 1.0 - self.above[there];
            spectrum.iter_mut().zip(&share).for_each(|(z, s)| *z *= s * taken);
            stft.inverse_add(&mut spectrum, t, &mut out, 0);
        }
        Ok(out)
    }

    /// How much of each bin belongs to the bands that `wanted` is 1 for.
    fn share(&self, wanted: &[f32; BANDS], share: &mut [f32]) {
        share.fill(0.0);
        for weights in self.weights.iter().zip(wanted).filter(|(_, w)| **w > 0.0).map(|(v, _)| v) {
            share.iter_mut().zip(weights).for_each(|(s, w)| *s += w);
        }
    }

    /// What this layer takes from `x`.
    fn taken(&self, x: &[f32], poll: &Poll) -> Result<Vec<f32>> {
        let mut stft = self.stft.clone();
        let mut spectrum = stft.spectrum();
        let mut out = vec![0f32; x.len()];
        for (t, gains) in self.gains.chunks_exact(self.bins).enumerate() {
            if gains.iter().all(|g| *g == 1.0) {
                continue;
            }
            poll.worked(self.size)?;
            stft.forward(x, t, &mut spectrum);
            spectrum.iter_mut().zip(gains).for_each(|(z, g)| *z *= 1.0 - g);
            spectrum[self.bins..].fill(Complex::new(0.0, 0.0));
            stft.inverse_add(&mut spectrum, t, &mut out, 0);
        }
        Ok(out)
    }
}
