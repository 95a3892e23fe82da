//! Bursts in the lows under a note: the thump that a bow, a jet or a key begins with. What is taken off
//! there over long windows counts on a steady room.

use super::noise_profile::median;
use super::pitch_lines::PitchLines;
use super::smooth_step;
use crate::dsp::stft::Stft;

/// Length of a window, in seconds; four overlap.
const WINDOW_S: f64 = 0.043;
/// Bins from a partial on that its window's lobe reaches.
const LOBE: f64 = 2.5;
/// A burst stands out of the median of its note by so many deviations of a mean over the bins: from the
/// first on a little, from the second on fully.
const STANDS_OUT: (f64, f64) = (4.0, 9.0);
/// What sounds in the lows for longer than this before and after is the note's level there, in seconds.
const AROUND_S: f64 = 0.6;

/// How steady the lows under a note are, 1 (nothing but the room) to 0 (a burst), step by step.
pub(super) struct Steadiness {
    /// Samples of the band from step to step.
    hop: usize,
    values: Vec<f32>,
}

impl Steadiness {
    /// Of nothing.
    pub(super) fn none() -> Self {
        Self { hop: 1, values: Vec::new() }
    }

    /// Looks at the bands `lows` (a channel each) at `rate` frames a second, below `top_hz` and below the
    /// lobe of the lowest partial.
    pub(super) fn new(lows: &[Vec<f32>], rate: f64, pitch: &PitchLines, top_hz: f64) -> Self {
        let hop = ((WINDOW_S * rate / 4.0).round() as usize).max(2);
        let mut stft = Stft::<f32>::new(4 * hop, hop);
        let bin_hz = rate / stft.size() as f64;
        let frames = lows.first().map_or(0, |x| stft.frames(x.len()));
        let mut spectrum = stft.spectrum();
        let span = |t: i64, hops: i64| {
            let first = (t * hop as i64) as f64 - (stft.size() - hop) as f64;
            (first / rate, (first + (hops * hop as i64) as f64) / rate)
        };
        // Bins of a frame that no partial reaches; none where there is no note.
        let tops: Vec<Option<usize>> = (0..frames as i64)
            .map(|t| {
                let (from, to) = span(t, 4);
                let top = (pitch.lowest(from, to)? / bin_hz - LOBE).min(top_hz / bin_hz);
                (top >= 2.0).then_some(top as usize)
            })
            .collect();
        // The same bins all through: what is compared must be alike.
        let Some(top) = tops.iter().flatten().copied().min() else {
            return Self { hop, values: Vec::new() };
        };
        let levels: Vec<f64> = (0..frames)
            .map(|t| {
                if tops[t].is_none() {
                    return 0.0;
                }
                let mut sum = 0.0;
                for x in lows {
                    stft.forward(x, t, &mut spectrum);
                    sum += spectrum[1..=top].iter().map(|z| f64::from(z.norm_sqr())).sum::<f64>();
                }
                sum
            })
            .collect();
        let reach = (AROUND_S * rate / hop as f64) as usize;
        // A Hann window's bins hold two thirds as many independent values.
        let deviation = (1.5 / top as f64).sqrt();
        let values = (0..frames)
            .map(|t| {
                if tops[t].is_none() {
                    return 1.0;
                }
                let (from, to) = (t.saturating_sub(reach), (t + reach + 1).min(frames));
                let around: Vec<f64> = levels[from..to].iter().copied().filter(|l| *l > 0.0).collect();
                let over = (levels[t] / median(&around).max(1e-30) - 1.0) / deviation;
                1.0 - smooth_step((over - STANDS_OUT.0) / (STANDS_OUT.1 - STANDS_OUT.0)) as f32
            })
            .collect();
        Self { hop, values }
    }

    /// The value at frame `n` of the band.
    pub(super) fn at(&self, n: usize) -> f32 {
        // Frame t has its middle at (t − 1)·hop.
        self.values.get((n + self.hop / 2) / self.hop + 1).copied().unwrap_or(1.0)
    }

    /// Lowers `x`, a band, where there is a burst.
    pub(super) fn hold(&self, x: &mut [f32]) {
        if self.values.iter().all(|v| *v == 1.0) {
            return;
        }
        let hop = self.hop;
        // Frame t has its middle at (t − 1)·hop.
        let at = |t: usize| self.values.get(t).copied().unwrap_or(1.0);
        for (i, piece) in x.chunks_mut(hop).enumerate() {
            let (a, b) = (at(i + 1), at(i + 2));
            for (n, v) in piece.iter_mut().enumerate() {
                *v *= a + (b - a) * n as f32 / hop as f32;
            }
        }
    }
}
