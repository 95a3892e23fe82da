//! What the fundamental may be at one moment: the dips of the difference function in three bands.

use super::F0Params;
use super::difference::{Difference, FINE};
use super::rates::{Rates, high_pass};
use crate::dsp::poll::Poll;
use crate::error::Result;

/// Most candidates kept a moment.
pub const MOST: usize = 8;
/// Most candidates taken from one band.
const MOST_PER_BAND: usize = 5;
/// A dip of d' above this is nothing.
const SHALLOW: f32 = 0.7;
/// What an octave lower costs. All multiples of the period repeat as well as the period itself, so
/// the shortest must be preferred a little (compare the octave cost of Boersma, IFA Proceedings 17,
/// 1993, whose default is 0.01; ours is in units of relative power).
const OCTAVE_COST: f64 = 0.02;
/// Blocks for the total power, in samples of level 0.
const BLOCK: usize = 16;
/// Rumble below this is no part of any note, in hertz.
const RUMBLE_HZ: f64 = 18.0;
/// Power of a frame (full scale 1) that is silence: −130 dB.
const SILENCE: f64 = 1e-13;

/// One possible fundamental.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Candidate {
    /// Frequency in hertz.
    pub f_hz: f64,
    /// Cost of choosing it, about 0 (certain) to 1 (hopeless).
    pub cost: f64,
    /// Depth of its dip: d' of de Cheveigné & Kawahara 2002, eq. (8).
    pub aperiodicity: f64,
}

/// Part of the range that is searched with one window at one rate.
struct Band {
    level: usize,
    rate: f64,
    signal: Vec<f32>,
    difference: Difference,
    low_hz: f64,
    high_hz: f64,
}

/// Searches the whole range.
pub struct Search {
    bands: Vec<Band>,
    /// Running sums of squares of level 0 without rumble, one a block.
    energy: Vec<f64>,
    rate0: f64,
}

/// (level, lowest, highest fundamental, high-pass corner, periods of the lowest in a window). The
/// windows follow the pitch: vibrato must not blur what repeats, and a low note needs its time.
const BANDS: [(usize, f64, f64, f64, f64); 3] =
    [(3, 0.0, 140.0, RUMBLE_HZ, 2.5), (2, 110.0, 900.0, 45.0, 3.0), (0, 700.0, f64::MAX, 180.0, 5.0)];

impl Search {
    /// A search over `rates` (at least 3 halvings) within `params`' limits; fundamentals above
    /// `top_hz` (what the recording's own rate carries) are left out. Errors: `Cancelled`.
    pub fn new(rates: &Rates, params: &F0Params, top_hz: f64, poll: &Poll) -> Result<Self> {
        let rumble_free = high_pass(rates.level(0), RUMBLE_HZ, rates.rate(0), poll)?;
        let mut energy = vec![0.0];
        let mut sum = 0.0;
        for block in rumble_free.chunks(BLOCK) {
            poll.worked(block.len())?;
            sum += block.iter().map(|s| f64::from(*s).powi(2)).sum::<f64>();
            energy.push(sum);
        }
        let mut bands = Vec::new();
        for (level, low, high, corner, periods) in BANDS {
            let low_hz = params.fmin_hz.max(low);
            let high_hz = params.fmax_hz.min(top_hz).min(high);
            if low_hz >= high_hz {
                continue;
            }
            let rate = rates.rate(level);
            let max_lag = (rate / low_hz * 1.03).ceil() as usize + 2;
            let len = (rate / low_hz * periods).ceil() as usize;
            if rates.level(level).len() < len {
                continue;
            }
            let signal = high_pass(rates.level(level), corner, rate, poll)?;
            let difference = Difference::new(len, max_lag);
            bands.push(Band { level, rate, signal, difference, low_hz, high_hz });
        }
        Ok(Self { bands, energy, rate0: rates.rate(0) })
    }

    /// Mean power over `width_s` seconds around `t_s`, without rumble.
    pub fn power(&self, t_s: f64, width_s: f64) -> f64 {
        let at = |t: f64| {
            let i = (t * self.rate0 / BLOCK as f64).round().max(0.0) as usize;
            i.min(self.energy.len() - 1)
        };
        let (a, b) = (at(t_s - width_s / 2.0), at(t_s + width_s / 2.0));
        if b > a { (self.energy[b] - self.energy[a]) / ((b - a) * BLOCK) as f64 } else { 0.0 }
    }

    /// The candidates at `t_s` seconds, appended to `out`: at most [`MOST`]. Errors: `Cancelled`.
    pub fn at(&mut self, t_s: f64, out: &mut Vec<Candidate>, poll: &Poll) -> Result<()> {
        // (candidate, part of all power that repeats)
        let mut found = [(Candidate::default(), 0.0f64); MOST_PER_BAND * BANDS.len()];
        let mut count = 0;
        for b in 0..self.bands.len() {
            let (len, rate) = (self.bands[b].difference.frame_len(), self.bands[b].rate);
            // Two transforms of up to four times the frame, and the dips.
            poll.worked(8 * len)?;
            let room = self.bands[b].signal.len() - len;
            // At the clip's ends the window stays inside; the refinement puts the moment right.
            let start = ((t_s * rate - len as f64 / 2.0).round().max(0.0) as usize).min(room);
            let width = len as f64 / rate;
            let total = self.power(start as f64 / rate + width / 2.0, width);
            if total < SILENCE {
                continue;
            }
            let band = &mut self.bands[b];
            if band.difference.analyse(&band.signal[start..start + len]) {
                count += band.dips(total, &mut found[count..]);
            }
        }
        rank(&mut found[..count], out);
        Ok(())
    }

    /// Whether any band found room in the clip.
    pub fn is_possible(&self) -> bool {
        !self.bands.is_empty()
    }
}

impl Band {
    /// Fills `found` with the deepest dips of the frame just analysed; returns how many.
    fn dips(&self, total: f64, found: &mut [(Candidate, f64)]) -> usize {
        let cmnd = self.difference.cmnd();
        let fine_rate = self.rate * FINE as f64;
        let first = ((fine_rate / self.high_hz * 0.97).floor() as usize).max(2);
        let last = ((fine_rate / self.low_hz * 1.03).ceil() as usize).min(cmnd.len() - 2);
        // What the filters before this band took away repeats nowhere.
        let share = (self.difference.power() / total).min(1.0);
        let mut count = 0;
        for l in first..=last {
            let (a, b, c) = (cmnd[l - 1], cmnd[l], cmnd[l + 1]);
            if !(b < SHALLOW && b <= a && b < c) {
                continue;
            }
            // Parabola through three points (step 5 of the paper).
            let bend = f64::from(a - 2.0 * b + c);
            let shift = if bend > 0.0 { (0.5 * f64::from(a - c) / bend).clamp(-0.5, 0.5) } else { 0.0 };
            let depth = (f64::from(b) - 0.25 * f64::from(a - c) * shift).max(0.0);
            let f_hz = fine_rate / (l as f64 + shift);
            if f_hz < self.low_hz * 0.97 || f_hz > self.high_hz * 1.03 {
                continue;
            }
            let explained = self.difference.repeats(l).max(0.0) * share;
            let new = (Candidate { f_hz, cost: 0.0, aperiodicity: depth }, explained);
            insert(found, &mut count, new);
        }
        debug_assert!(self.level < 4);
        count
    }
}

/// Keeps the `MOST_PER_BAND` dips with the lowest d' + octave cost.
fn insert(found: &mut [(Candidate, f64)], count: &mut usize, new: (Candidate, f64)) {
    let worth = |c: &(Candidate, f64)| c.0.aperiodicity - OCTAVE_COST * c.0.f_hz.log2();
    if *count < MOST_PER_BAND {
        found[*count] = new;
        *count += 1;
        return;
    }
    let worst = (0..*count).max_by(|a, b| worth(&found[*a]).total_cmp(&worth(&found[*b]))).unwrap_or(0);
    if worth(&new) < worth(&found[worst]) {
        found[worst] = new;
    }
}

/// Gives every dip its cost, leaves out those that two bands found, appends the best to `out`.
fn rank(found: &mut [(Candidate, f64)], out: &mut Vec<Candidate>) {
    let best = found.iter().map(|c| c.1).fold(0.0, f64::max);
    let top = found.iter().map(|c| c.0.f_hz).fold(1.0, f64::max);
    for (c, explained) in found.iter_mut() {
        c.cost = c.aperiodicity + (best - *explained) + OCTAVE_COST * (top / c.f_hz).log2();
    }
    found.sort_by(|a, b| a.0.cost.total_cmp(&b.0.cost));
    let from = out.len();
    for (c, _) in found.iter() {
        let known = out[from..].iter().any(|o| (o.f_hz / c.f_hz).log2().abs() < 0.04);
        if !known && out.len() - from < MOST {
            out.push(*c);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::signals;

    fn best(x: &[f32], rate: f64, t: f64) -> Option<Candidate> {
        let poll = Poll::new(&|| true);
        let rates = Rates::new(x, rate, 4, &poll).unwrap();
        let mut search = Search::new(&rates, &F0Params::default(), 0.45 * rate, &poll).unwrap();
        let mut out = Vec::new();
        search.at(t, &mut out, &poll).unwrap();
        out.first().copied()
    }

    /// The dip of a pure tone lies at its period. A parabola through three points of a cosine, at
    /// most ¼ period apart in the worst case here, is off by less than 1 % (17 cents).
    #[test]
    fn tones_over_the_whole_range() {
        for f in [27.5, 55.0, 110.0, 130.0, 220.0, 440.0, 800.0, 1_760.0, 3_520.0, 4_186.0] {
            let x = signals::sine(f, 0.3, 48_000.0, 24_000);
            let c = best(&x, 48_000.0, 0.25).unwrap();
            assert!((c.f_hz / f - 1.0).abs() < 0.01, "{f}: {c:?}");
            assert!(c.aperiodicity < 0.05, "{f}: {c:?}");
        }
    }

    #[test]
    fn nothing_in_silence_or_in_too_little() {
        assert_eq!(best(&[0.0; 48_000], 48_000.0, 0.5), None);
        assert_eq!(best(&[0.5; 48_000], 48_000.0, 0.5), None, "DC");
        assert_eq!(best(&[0.5], 48_000.0, 0.0), None);
        assert_eq!(best(&[], 48_000.0, 0.0), None);
    }
}
