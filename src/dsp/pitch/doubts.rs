//! Two notes at once, and an octave that could as well be another: told, not guessed.
//!
//! The lines that a sustain holds over most of its length are explained by the tracked note; what
//! is left, after the room's own lines, may make a second series. Thresholds are our own.

use super::lines::{Peak, Spectra};
use super::refine::CENTS;
use super::{F0Track, NoteSummary};
use crate::units::{Decibels, Hertz, SampleRate};

/// Windows over a sustain at most, their length in seconds and periods at least.
const MOST_WINDOWS: usize = 16;
const WINDOW_S: f64 = 0.2;
const WINDOW_PERIODS: f64 = 14.0;
/// A line is there in this part of the windows.
const LASTS: f64 = 0.7;
/// What lies so near to a partial's place belongs to it, in cents.
const OWN_CENTS: f64 = 25.0;
/// Two frequencies this near (in cents, besides half the resolution) are one.
const SAME_CENTS: f64 = 15.0;
/// Partials looked at.
const MOST_PARTIALS: usize = 24;
/// Fainter than this below the strongest says nothing about notes (−40 dB).
const FAINTEST: f64 = 1e-4;
/// A second note softer than this below the first is let be (−30 dB).
const SOFTEST: f64 = 1e-3;
/// Lines above the room by less than this are the room's (6 dB).
const ABOVE_ROOM: f64 = 4.0;
/// A line on a harmonic of the mains, to within this part, and this far below the strongest
/// (−12 dB), is hum.
const MAINS_WITHIN: f64 = 6e-3;
const MAINS_POWER: f64 = 0.063;
/// Odd partials that hold less than this part of the power (−15 dB) leave the octave above open.
const ODD_POWER: f64 = 0.032;
/// Half partials that hold more than this part of the power (−30 dB) leave the octave below open.
const HALF_POWER: f64 = 1e-3;
/// So much of the voiced time an octave away leaves the octave open.
const ASTRAY: f64 = 0.15;
/// What the common fundamental of two notes may hold beside their partials (−25 dB).
const BETWEEN: f64 = 3e-3;
/// Inharmonicities tried.
const STIFFNESS: [f64; 8] = [0.0, 2e-5, 5e-5, 1e-4, 2e-4, 4e-4, 8e-4, 1.6e-3];

/// Two notes heard together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TwoNotes {
    /// The louder one's fundamental.
    pub louder: Hertz,
    /// The softer one's.
    pub softer: Hertz,
    /// How much softer, in dB (power of the partials that it does not share).
    pub by: Decibels,
}

/// What is doubtful about a note.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Doubts {
    /// A second series of partials sounds through most of the sustain.
    pub two_notes: Option<TwoNotes>,
    /// The fundamental an octave away that fits nearly as well.
    pub octave: Option<Hertz>,
}

/// See [`super::doubts()`].
pub fn doubts(x: &[f32], rate: SampleRate, track: &F0Track, note: &NoteSummary) -> Doubts {
    let astray = octave_astray(track, note);
    let Some(heard) = Heard::new(x, rate.as_f64(), track, note) else {
        return Doubts { two_notes: None, octave: astray };
    };
    let two_notes = heard.second_series().or_else(|| heard.common_fundamental());
    // What a second note explains is no doubt about the first.
    let octave = if two_notes.is_some() { None } else { astray.or_else(|| heard.other_octave()) };
    Doubts { two_notes, octave }
}

/// The octave that the track holds for a good part of its time beside the note's.
fn octave_astray(track: &F0Track, note: &NoteSummary) -> Option<Hertz> {
    let voiced = track.f0_hz.iter().flatten().count() as f64;
    [2.0, 0.5].into_iter().map(|n| n * note.f0.0).find_map(|other| {
        let away = |f: &&f64| (CENTS * (**f / other).ln()).abs() < 60.0;
        let there = track.f0_hz.iter().flatten().filter(away).count() as f64;
        (there > ASTRAY * voiced).then_some(Hertz(other))
    })
}

/// A line over the sustain: mean frequency, mean power over all windows.
#[derive(Debug, Clone, Copy)]
struct Line {
    hz: f64,
    power: f64,
}

/// What a sustain holds.
struct Heard {
    f0: f64,
    resolution: f64,
    /// Power of partial k at k − 1; 0 where there is none.
    own: Vec<f64>,
    /// Lasting lines that are neither the note's nor the room's.
    rest: Vec<Line>,
}

impl Heard {
    /// None where the sustain is too short to tell.
    fn new(x: &[f32], rate: f64, track: &F0Track, note: &NoteSummary) -> Option<Self> {
        let f0 = note.f0.0;
        let len = (WINDOW_S.max(WINDOW_PERIODS / f0) * rate) as usize;
        let first = (note.sustain_s.0 * rate) as usize;
        let until = ((note.sustain_s.1 * rate) as usize).min(x.len());
        let room = until.checked_sub(first + len)?;
        let count = (2 * room / len + 1).min(MOST_WINDOWS);
        let mut spectra = Spectra::new(len, rate);
        let resolution = spectra.resolution();
        let windows: Vec<Window> = (0..count)
            .map(|i| first + room * i / (count - 1).max(1))
            .filter_map(|start| {
                let range = f0_range(track, start as f64 / rate, (start + len) as f64 / rate)?;
                Some(Window { range, peaks: spectra.peaks(x, start) })
            })
            .collect();
        if windows.len() * 2 < count || windows.is_empty() {
            return None;
        }
        let stiffness = stiffness_of(&windows, resolution);
        let mut heard = Self { f0, resolution, own: vec![0.0; MOST_PARTIALS], rest: Vec::new() };
        let loudest = heard.sort_out(&windows, stiffness);
        heard.rest.retain(|l| l.power > FAINTEST * loudest);
        heard.rest.retain(|l| l.power > MAINS_POWER * loudest || !is_mains(l.hz));
        heard.without_room(x, rate, len, track);
        Some(heard)
    }

    /// Gives the peaks to the note or to the rest; returns the power of the strongest partial.
    fn sort_out(&mut self, windows: &[Window], stiffness: f64) -> f64 {
        let mut strays: Vec<(usize, Peak)> = Vec::new();
        let mut seen = [0usize; MOST_PARTIALS];
        for (w, window) in windows.iter().enumerate() {
            let mut own = [0.0f64; MOST_PARTIALS];
            for peak in &window.peaks {
                match window.partial_at(peak.hz, stiffness, self.resolution) {
                    Some(k) if k <= MOST_PARTIALS => own[k - 1] = own[k - 1].max(peak.power),
                    Some(_) => {}
                    None => strays.push((w, *peak)),
                }
            }
            for k in 0..MOST_PARTIALS {
                self.own[k] += own[k] / windows.len() as f64;
                seen[k] += usize::from(own[k] > 0.0);
            }
        }
        let least = LASTS * windows.len() as f64;
        for (p, s) in self.own.iter_mut().zip(seen) {
            if (s as f64) < least {
                *p = 0.0;
            }
        }
        strays.sort_by(|a, b| a.1.hz.total_cmp(&b.1.hz));
        let mut from = 0;
        while from < strays.len() {
            // A line's peaks lie within its own width of its lowest.
            let width = self.same(strays[from].1.hz) * 2.0;
            let until = from + strays[from..].partition_point(|s| s.1.hz <= strays[from].1.hz + width);
            let group = &strays[from..until];
            let mut in_windows: Vec<usize> = group.iter().map(|g| g.0).collect();
            in_windows.sort_unstable();
            in_windows.dedup();
            if in_windows.len() as f64 >= least {
                let power: f64 = group.iter().map(|g| g.1.power).sum();
                let hz = group.iter().map(|g| g.1.hz * g.1.power).sum::<f64>() / power;
                self.rest.push(Line { hz, power: power / windows.len() as f64 });
                from = until;
            } else {
                from += 1;
            }
        }
        self.own.iter().copied().fold(0.0, f64::max)
    }

    /// Takes out of the rest what sounds in the room as well.
    fn without_room(&mut self, x: &[f32], rate: f64, len: usize, track: &F0Track) {
        let voiced = |f: &Option<f64>| f.is_some();
        let at = |i: usize, s: f64| ((i as f64 * track.hop_s + s).max(0.0) * rate) as usize;
        let Some(first) = track.f0_hz.iter().position(voiced) else { return };
        let Some(last) = track.f0_hz.iter().rposition(voiced) else { return };
        let hz: Vec<f64> = self.rest.iter().map(|l| l.hz).collect();
        // Before the note; after it, when it has died away.
        let parts = [(0, at(first, -0.06).min(x.len())), (at(last, 0.3).min(x.len()), x.len())];
        for (from, until) in parts {
            let short = (until - from).min(len);
            // Less than 80 ms tells no line from noise.
            if (short as f64) < 0.08 * rate || hz.is_empty() {
                continue;
            }
            let mut spectra = Spectra::new(short, rate);
            for start in [from, until - short] {
                let room = spectra.power_near(x, start, &hz);
                for (line, r) in self.rest.iter_mut().zip(&room) {
                    if line.power < ABOVE_ROOM * r {
                        line.power = 0.0;
                    }
                }
            }
        }
        self.rest.retain(|l| l.power > 0.0);
    }

    /// How near two frequencies about `hz` are the same.
    fn same(&self, hz: f64) -> f64 {
        hz * SAME_CENTS / CENTS + 0.5 * self.resolution
    }

    fn own_power(&self) -> f64 {
        self.own.iter().sum()
    }

    fn line_at(&self, hz: f64) -> Option<&Line> {
        self.rest.iter().find(|l| (l.hz - hz).abs() < self.same(hz))
    }

    /// Whether a partial at `hz` would hide behind one of the note's.
    fn is_hidden(&self, hz: f64) -> bool {
        let k = (hz / self.f0).round().max(1.0);
        (hz - k * self.f0).abs() < k * self.f0 * OWN_CENTS / CENTS + 2.0 * self.resolution
    }

    /// A second harmonic series among the lines that the note does not explain: its first partial
    /// and at least one more, hardly any missing between them.
    fn second_series(&self) -> Option<TwoNotes> {
        let all = self.own_power();
        let series = |f: f64| {
            let (mut found, mut missing, mut open, mut power) = (0, 0, 0, 0.0);
            for m in 1..=8 {
                let hz = m as f64 * f;
                if self.is_hidden(hz) {
                    continue;
                }
                match self.line_at(hz) {
                    Some(l) => {
                        (found, missing) = (found + 1, missing + open);
                        open = 0;
                        power += l.power;
                    }
                    None => open += 1,
                }
                if m == 1 && open > 0 {
                    return None;
                }
            }
            (found >= 2 && missing * 2 <= found && power > SOFTEST * all).then_some((found, power))
        };
        let mut best: Option<(f64, usize, f64)> = None;
        for line in &self.rest {
            for m in 1..=3 {
                let f = line.hz / f64::from(m);
                // The note's own half and third parts are no other note.
                let below = (self.f0 / f).round();
                if below >= 2.0 && (f * below / self.f0 - 1.0).abs() < 0.01 || f < 25.0 {
                    continue;
                }
                if m > 1 && !self.is_hidden(f) {
                    continue;
                }
                if let Some((found, power)) = series(f)
                    && best.is_none_or(|b| (found, power) > (b.1, b.2))
                {
                    best = Some((f, found, power));
                }
            }
        }
        let (f, _, power) = best?;
        // Odd multiples of half the note are its octave below, unless this one explains them all:
        // then it is a fifth above (3/2).
        let halves = self.rest.iter().filter(|l| self.is_half(l.hz));
        let other = |l: &&Line| (l.hz - (l.hz / f).round() * f).abs() >= self.same(l.hz);
        if self.is_half(f) && halves.filter(other).count() > 0 {
            return None;
        }
        Some(two(self.f0, all, f, power))
    }

    /// Whether `f` is an odd multiple of half the note's fundamental.
    fn is_half(&self, f: f64) -> bool {
        let n = (2.0 * f / self.f0).round();
        n as usize % 2 == 1 && (f - 0.5 * n * self.f0).abs() < self.same(f)
    }

    /// How many of the lines at odd multiples of half the fundamental last, and their power.
    fn halves(&self) -> (usize, f64) {
        (0..6)
            .filter_map(|i| self.line_at((f64::from(i) + 0.5) * self.f0))
            .fold((0, 0.0), |(n, p), l| (n + 1, p + l.power))
    }

    /// Two notes in a simple ratio repeat together: the tracked note is then their common
    /// fundamental, with nothing at the partials that neither of them has.
    fn common_fundamental(&self) -> Option<TwoNotes> {
        let all = self.own_power();
        for n in 3..=9usize {
            for m in 2..n {
                if gcd(m, n) > 1 {
                    continue;
                }
                let sum = |keep: &dyn Fn(usize) -> bool| {
                    (1..=MOST_PARTIALS).filter(|k| keep(*k)).fold((0, 0.0), |(c, p), k| {
                        let own = self.own[k - 1];
                        (c + usize::from(own > FAINTEST * all), p + own)
                    })
                };
                let between = sum(&|k| k % m != 0 && k % n != 0);
                let low = sum(&|k| k % m == 0 && k % n != 0);
                let high = sum(&|k| k % n == 0 && k % m != 0);
                let first = |k: usize, power: f64| self.own[k - 1] > 0.01 * power;
                // Two near to pure tones are two notes; one note that has lost its first partial still
                // holds more than two of the others.
                let enough = low.0 >= 2 && high.0 >= 2 || low.0 == 1 && high.0 == 1;
                let fits =
                    enough && between.1 < BETWEEN * low.1.min(high.1) && first(m, low.1) && first(n, high.1);
                if fits {
                    return Some(two(m as f64 * self.f0, low.1, n as f64 * self.f0, high.1));
                }
            }
        }
        None
    }

    /// The octave that the partials leave open.
    fn other_octave(&self) -> Option<Hertz> {
        let all = self.own_power();
        let (count, power) = self.halves();
        if count >= 2 && power > HALF_POWER * all {
            return Some(Hertz(0.5 * self.f0));
        }
        let odd: f64 = self.own.iter().step_by(2).sum();
        (odd < ODD_POWER * all).then_some(Hertz(2.0 * self.f0))
    }
}

fn two(f: f64, power: f64, other: f64, other_power: f64) -> TwoNotes {
    let by = 10.0 * (power / other_power).log10();
    let (louder, softer) = if by >= 0.0 { (f, other) } else { (other, f) };
    TwoNotes { louder: Hertz(louder), softer: Hertz(softer), by: Decibels(by.abs()) }
}

fn gcd(a: usize, b: usize) -> usize {
    if b == 0 { a } else { gcd(b, a % b) }
}

/// A frequency on the lowest harmonics of 50 or 60 Hz (common practice, no source).
fn is_mains(hz: f64) -> bool {
    [50.0, 60.0].iter().any(|mains| (1..=8).any(|k| (hz / (mains * f64::from(k)) - 1.0).abs() < MAINS_WITHIN))
}

/// One spectrum and where the note moved to within its window.
struct Window {
    range: (f64, f64),
    peaks: Vec<Peak>,
}

impl Window {
    /// Number of the note's partial that a peak at `hz` is.
    fn partial_at(&self, hz: f64, stiffness: f64, resolution: f64) -> Option<usize> {
        let (low, high) = self.range;
        let stretch = |k: f64| k * ((1.0 + stiffness * k * k) / (1.0 + stiffness)).sqrt();
        let near = (hz / low).round().max(1.0);
        // A stiff string's partial lies above its whole multiple.
        [near, near - 1.0, near - 2.0].into_iter().filter(|k| *k >= 1.0).find_map(|k| {
            let slack = stretch(k) * high * OWN_CENTS / CENTS + resolution;
            let within = hz > stretch(k) * low - slack && hz < stretch(k) * high + slack;
            within.then_some(k as usize)
        })
    }
}

/// Lowest and highest value of the track between two moments; none where half of it is missing.
fn f0_range(track: &F0Track, from_s: f64, until_s: f64) -> Option<(f64, f64)> {
    let first = (from_s / track.hop_s).ceil() as usize;
    let last = ((until_s / track.hop_s) as usize + 1).min(track.f0_hz.len());
    let part = track.f0_hz.get(first..last)?;
    let voiced = part.iter().flatten();
    if part.is_empty() || voiced.clone().count() * 2 < part.len() {
        return None;
    }
    Some(voiced.fold((f64::MAX, 0.0f64), |(a, b), f| (a.min(*f), b.max(*f))))
}

/// The inharmonicity that explains the most power; 0 unless another explains clearly more.
fn stiffness_of(windows: &[Window], resolution: f64) -> f64 {
    let explained = |b: f64| -> f64 {
        windows
            .iter()
            .flat_map(|w| w.peaks.iter().filter(move |p| w.partial_at(p.hz, b, resolution).is_some()))
            .map(|p| p.power)
            .sum()
    };
    let plain = explained(0.0) * (1.0 + FAINTEST);
    STIFFNESS[1..]
        .iter()
        .fold((0.0, plain), |best, b| {
            let e = explained(*b);
            if e > best.1 { (*b, e) } else { best }
        })
        .0
}
