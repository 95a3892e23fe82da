//! From "about here" to the frame.

use super::periodicity::correlation;
use super::zero_crossing::mean_at;

/// What refining needs to know of the audio.
pub(super) struct Ground<'a> {
    /// One slice a channel.
    pub(super) channels: &'a [&'a [f32]],
    /// Frames a second.
    pub(super) rate: f64,
    /// Period of the note in frames.
    pub(super) period: f64,
    /// Start and end have to lie here, end exclusive (an end may stand at it).
    pub(super) within: std::ops::Range<usize>,
    /// Lengths that are allowed.
    pub(super) lengths: std::ops::RangeInclusive<usize>,
}

/// Both ends to the frame.
#[derive(Debug, Clone, Copy)]
pub(super) struct Refined {
    pub(super) start: usize,
    pub(super) end: usize,
}

impl Ground<'_> {
    fn len(&self) -> usize {
        self.channels.first().map_or(0, |c| c.len())
    }

    /// Correlation of the waveforms around both ends: over three periods, 10 to 60 ms, half before
    /// and half after the join, or what of it lies in the audio. Where under a period lies there, as
    /// in a loop of the whole recording: that of the joined wave with itself a period earlier. None
    /// where the loop is too short for that.
    pub(super) fn agreement(&self, start: usize, end: usize) -> Option<f64> {
        let window = (3.0 * self.period).max(0.01 * self.rate).min((0.06 * self.rate).max(self.period));
        let half = (window / 2.0) as usize + 1;
        let before = half.min(start);
        let after = half.min(self.len().saturating_sub(end));
        let len = before + after;
        if len as f64 >= self.period.min(window) {
            return Some(correlation(self.channels, start - before, end - before, len));
        }
        self.agreement_of_joined(start, end)
    }

    /// Correlation of the last and the first period and a half, put together, with what lies a period
    /// earlier.
    fn agreement_of_joined(&self, start: usize, end: usize) -> Option<f64> {
        let p = (self.period.round() as usize).max(1);
        let half = (1.5 * self.period) as usize + 1;
        if end.saturating_sub(start) < 2 * half + p {
            return None;
        }
        let joined: Vec<Vec<f32>> = self
            .channels
            .iter()
            .map(|x| [&x[end - half - p..end], &x[start..start + half]].concat())
            .collect();
        let joined: Vec<&[f32]> = joined.iter().map(Vec::as_slice).collect();
        Some(correlation(&joined, 0, p, 2 * half))
    }

    /// How far a length is from a whole number of periods, in periods (0 to ½).
    fn off_whole(&self, length: usize) -> f64 {
        let periods = length as f64 / self.period;
        (periods - periods.round()).abs()
    }

    /// Moves the end to where the waveforms agree best, within `reach` frames of `end`.
    fn meet(&self, start: usize, end: usize, reach: usize) -> Option<(usize, f64)> {
        let coarse = (self.period / 40.0).max(1.0) as usize;
        let try_span = |from: usize, to: usize, step: usize| {
            (from..=to)
                .step_by(step)
                .filter(|e| {
                    *e > start && self.within.contains(&(e - 1)) && self.lengths.contains(&(e - start))
                })
                .filter_map(|e| self.agreement(start, e).map(|r| (e, r)))
                .max_by(|a, b| a.1.total_cmp(&b.1))
        };
        let (near, r) = try_span(end.saturating_sub(reach), end + reach, coarse)?;
        if coarse == 1 {
            return Some((near, r));
        }
        try_span(near.saturating_sub(coarse), near + coarse, 1)
    }

    /// Of the lengths a few periods longer or shorter that agree as well, the one nearest to a whole
    /// number of periods: so the fundamental's phase meets itself to a fraction of a frame. Only where
    /// the take keeps to its period (else the local waveform decides alone).
    fn whole_periods(&self, start: usize, end: usize, r: f64) -> (usize, f64) {
        let length = end - start;
        if self.off_whole(length) * self.period > 0.04 * self.period + 1.0 {
            return (end, r);
        }
        let worth = |length: usize, r: f64| r - 0.02 * self.off_whole(length) - self.rounding_cost(length);
        let n = (length as f64 / self.period).round();
        let around = (0.012 * self.rate / self.period).clamp(1.0, 8.0) as i64;
        (-around..=around)
            .map(|j| ((n + j as f64) * self.period).round().max(0.0) as usize)
            .filter(|l| *l > 0 && self.within.contains(&(start + l - 1)) && self.lengths.contains(l))
            .filter_map(|l| self.agreement(start, start + l).map(|r| (l, r)))
            .chain([(length, r)])
            .max_by(|a, b| worth(a.0, a.1).total_cmp(&worth(b.0, b.1)))
            .map_or((end, r), |(l, r)| (start + l, r))
    }

    /// A loop that is off by d periods plays 1200·log2(1 + d/n) cents from the note; a thousandth of
    /// agreement is given up for a tenth of a cent.
    fn rounding_cost(&self, length: usize) -> f64 {
        let n = (length as f64 / self.period).max(1.0);
        0.01 * 1200.0 * (1.0 + self.off_whole(length) / n).log2()
    }

    /// Moves both ends together, up to a period (1 to 10 ms) either way, to the rising zero crossing
    /// where the jump is least: the mismatch over two milliseconds relative to the level there.
    pub(super) fn settle(&self, start: usize, end: usize) -> (usize, usize) {
        let reach = self.period.clamp(0.001 * self.rate, 0.01 * self.rate) as usize + 1;
        let half = (0.001 * self.rate) as usize + 1;
        let length = end - start;
        let len = self.len();
        let from = start.saturating_sub(reach).max(self.within.start).max(1);
        let to = (start + reach).min(self.within.end.saturating_sub(length)).min(len.saturating_sub(length));
        let rises =
            |i: usize| i < len && mean_at(self.channels, i - 1) < 0.0 && mean_at(self.channels, i) >= 0.0;
        let mismatch = |s: usize| {
            let (before, after) = (half.min(s), half.min(len - (s + length)));
            let (mut d, mut p) = (0f64, 1e-12);
            for x in self.channels {
                for (a, b) in x[s - before..s + after].iter().zip(&x[s - before + length..]) {
                    d += f64::from(a - b).powi(2);
                    p += f64::from(*a).powi(2) + f64::from(*b).powi(2);
                }
            }
            // A crossing at both ends beats one at the start alone; nearer ones beat farther ones.
            let tie = if rises(s + length) { 0.0 } else { 0.002 };
            d / p + tie + 1e-4 * s.abs_diff(start) as f64 / reach as f64
        };
        (from..=to)
            .filter(|s| rises(*s))
            .map(|s| (s, mismatch(s)))
            .min_by(|a, b| a.1.total_cmp(&b.1))
            .map_or((start, end), |(s, _)| (s, s + length))
    }

    /// Sets a rough pair to the frame: best agreement of the waveforms within `reach` frames of the
    /// rough end, whole periods, zero crossing. None where it does not fit.
    pub(super) fn refine(&self, start: usize, end: usize, reach: usize) -> Option<Refined> {
        let (end, r) = self.meet(start, end, reach)?;
        let (end, _) = self.whole_periods(start, end, r);
        let (start, end) = self.settle(start, end);
        Some(Refined { start, end })
    }
}
