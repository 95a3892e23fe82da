//! What is done to a recording: gains at several resolutions and when each counts.

use std::borrow::Cow;

use super::along_pitch::AlongPitch;
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
        plan.look_under(&lows, low_rate, profile, &pitch, poll)?;
        let still =
            plan.along.as_ref().zip(track).map(|(a, t)| PitchLines::new(Some(&a.track(t, begins_s)), 0.0));
        plan.look(profile, still.as_ref().unwrap_or(&pitch), poll)?;
        Ok(plan)
    }

    /// Looks at the lows under the note (`lows`, at `low_rate` frames a second) and takes what is the room's
    /// there off what is to be looked at.
    fn look_under(
        &mut self,
        lows: &[Vec<f32>],
        low_rate: f64,
        profile: &NoiseProfile,
        pitch: &PitchLines,
        poll: &Poll,
    ) -> Result<()> {
        let channels: Vec<&[f32]> = lows.iter().map(Vec::as_slice).collect();
        let scene = Scene { channels: &channels, rate: low_rate, profile, pitch, params: &self.params, poll };
        let top_hz = (UNDER * pitch.highest()).min(UNDER_MOST_HZ);
        let no_note = |from_s: f64, to_s: f64| !pitch.any(from_s, to_s);
        let mut under = Layer::new(&scene, SHAPES[2], top_hz, &no_note)?;
        let below = |f: f64| (UNDER * f).min(UNDER_MOST_HZ);
        under.keep_only_below(|from_s, to_s| pitch.lowest(from_s, to_s).map(below), low_rate);
        self.under = under;
        self.steadiness = Steadiness::new(lows, low_rate, pitch, UNDER_MOST_HZ);
        let mut looked_at = std::mem::take(&mut self.looked_at);
        for (passing, low) in looked_at.iter_mut().zip(lows) {
            self.take_under(passing, low, poll)?;
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
        if self.take_under(&mut passing, &low, &poll).is_err() {
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

    /// Takes the lows under a note where they are steady; `low` is the band of what is left.
    fn take_under(&self, passing: &mut Passing, low: &[f32], poll: &Poll) -> Result<()> {
        let mut taken = self.under.taken(low, poll)?;
        self.steadiness.hold(&mut taken);
        passing.take(&self.band.up(&taken, passing.rest.len()), 1.0);
        poll.worked(passing.rest.len())?;
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

    /// Takes hum, and clicks between notes, off `rest`, which is `x` after [`Plan::filtered`], and off its
    /// band `low`.
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
            self.band.down_again(&passing.rest, click.0..click.1.min(x.len()), low);
        }
        passing
    }

    /// Which part of the time each resolution counts, finest in time first.
    pub fn shares(&self) -> Vec<f32> {
        self.masks.iter().map(|m| m.iter().flatten().sum::<f32>() / (m[0].len() * BANDS) as f32).collect()
    }
}
