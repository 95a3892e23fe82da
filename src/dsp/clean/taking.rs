//! What a layer takes from a signal.

use realfft::num_complex::Complex;

use super::along_pitch::{self, AlongPitch};
use super::bands::BANDS;
use super::layer::Layer;
use super::smooth_step;
use crate::dsp::poll::Poll;
use crate::error::Result;

impl Layer {
    /// Leaves everything as it is from the frequency on that `top_hz` gives for a frame's time.
    pub(super) fn keep_only_below(&mut self, top_hz: impl Fn(f64, f64) -> Option<f64>, rate: f64) {
        let hop = self.size / 4;
        for (t, gains) in self.gains.chunks_exact_mut(self.bins).enumerate() {
            let first = (t * hop) as f64 - (self.size - hop) as f64;
            let top = top_hz(first / rate, (first + self.size as f64) / rate).unwrap_or(0.0);
            let top = top * self.size as f64 / rate;
            for (k, g) in gains.iter_mut().enumerate() {
                // Shut over the last third of the way.
                let part = smooth_step((1.0 - k as f64 / top.max(1e-9)) * 3.0) as f32;
                *g = 1.0 - part * (1.0 - *g);
            }
        }
    }

    /// What this layer takes from `x` in each band, where the band's `mask` (a value a step) is above 0.
    /// Bands with the same mask over a frame come as one, in the first of them.
    pub(super) fn taken_by_band(
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
    pub(super) fn sounds(&self, from: f64, to: f64) -> bool {
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
    pub(super) fn just_below_the_top(&self) -> Vec<f32> {
        let first = self.held_by_reading().iter().take_while(|s| **s == 1.0).count();
        let below = first.saturating_sub(self.bins / 50 + 1)..first;
        let mean = |gains: &[f32]| gains[below.clone()].iter().sum::<f32>() / below.len().max(1) as f32;
        self.gains.chunks_exact(self.bins).map(mean).collect()
    }

    /// Leaves what the reading does not hold to [`Layer::taken_above`].
    pub(super) fn leave_the_top(&mut self) {
        let shares = self.held_by_reading();
        for gains in self.gains.chunks_exact_mut(self.bins) {
            gains.iter_mut().zip(&shares).for_each(|(g, s)| *g = 1.0 - s * (1.0 - *g));
        }
    }

    /// What this layer, which looked at the reading, takes of the recording `x` above what the reading holds.
    pub(super) fn taken_above(&self, along: &AlongPitch, x: &[f32], poll: &Poll) -> Result<Vec<f32>> {
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
    pub(super) fn taken(&self, x: &[f32], poll: &Poll) -> Result<Vec<f32>> {
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

#[cfg(test)]
mod tests {
    use super::super::along_pitch::tests::vibrato;
    use super::*;
    use crate::dsp::stft::Stft;
    use crate::units::SampleRate;

    const RATE: f64 = 48_000.0;

    /// What the finest layer takes above the reading's top is a part of the recording itself: the part that
    /// its gains say for the time, whatever the pitch does, and nothing below.
    #[test]
    fn above_the_reading_the_recording_itself_is_taken_from() {
        let (x, track) = vibrato(60.0);
        let len = x.len();
        let along = AlongPitch::new(&track, 0.0, len, SampleRate::new(48_000).unwrap()).unwrap();
        let mut layer = Layer::blank(Stft::kept(1024, 256), 513, RATE);
        layer.frames = layer.stft.frames(len);
        // Up to the middle of the first note a quarter is left, then all.
        let middle = layer.frames * 13 / 45;
        layer.above = (0..layer.frames).map(|t| if t < middle { 0.25 } else { 1.0 }).collect();
        let tone = |hz: f64| -> Vec<f32> {
            (0..len).map(|n| (std::f64::consts::TAU * hz * n as f64 / RATE).sin() as f32).collect()
        };
        let rms = |v: &[f32]| (v.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>() / v.len() as f64).sqrt();
        let at = |s: f64| (s * RATE) as usize;
        let poll = Poll::new(&|| true);
        let high = tone(23_000.0);
        let taken = layer.taken_above(&along, &high, &poll).unwrap();
        // 0.05 s around the change are left out: two frames, and the way the pitch has moved it.
        let rest = |n: usize| f64::from(high[n]) * 0.75 - f64::from(taken[n]);
        let worst = (at(0.1)..at(1.25)).map(|n| rest(n).abs()).fold(0.0, f64::max);
        assert!(worst < 1e-4, "{worst}");
        assert!(rms(&taken[at(1.35)..]) < 1e-6, "{}", rms(&taken[at(1.35)..]));
        let low = layer.taken_above(&along, &tone(15_000.0), &poll).unwrap();
        // The window's sidelobes 6.6 kHz (140 bins) away are below −100 dB.
        assert!(rms(&low[at(0.1)..at(1.25)]) < 1e-5, "{}", rms(&low));
    }
}
