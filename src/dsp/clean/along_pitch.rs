//! A recording read along its pitch, so that its partials stand still, and back.
//!
//! A partial that moves is spread over the bins of a long window, and what lies between partials cannot
//! be told from them. Read along the map that flattens each note (the one of `dsp::tune`) partials are
//! lines, and the room stays the room: it is read faster or slower by less than a percent or two. What is
//! taken is read back along the inverse, so it lies where it was, to the fraction of a frame.
//!
//! Source: time warping before a transform that shall see steady partials, Edler, Disch, Bayer, Fuchs &
//! Geiger, AES 126th Convention, 2009 (from memory). We warp the whole recording once instead of each window, by the
//! smoothed pitch of the tracker.

use super::smooth_step;
use crate::dsp::pitch::F0Track;
use crate::dsp::resample::{SHORT_FLAT, ShortReader};
use crate::dsp::tune::{Deviation, PitchMap, StrengthCurve, TuneParams, deviation, pitch_map};
use crate::units::{Cents, Hertz, SampleRate};

/// A silence as long as this parts two notes, in seconds.
const GAP_S: f64 = 0.3;
/// Outside a note its movement goes back to none over this long, in seconds.
const FADE_S: f64 = 0.1;
/// A note that never strays further from its centre than this stands still as it is, in cents.
const LEAST_CENTS: f64 = 3.0;
/// What is further off is taken for a slide or another note: followed up to here, in cents.
const MOST_CENTS: f64 = 120.0;
/// Positions are worked out every so many frames, with straight lines between: a vibrato of 50 cents at
/// 7 Hz bends them by less than 1e-3 frames there (16²/8 · 0.029 · 2π · 7 / 48000 = 8.5e-4).
const GRID: usize = 16;

/// From the first of these parts of the rate to the second, the kernel's last flat stretch, what is taken
/// along the pitch gives way to what is taken without it.
const CROSSING: (f64, f64) = (SHORT_FLAT - 0.012, SHORT_FLAT);

/// How much of what sounds at `cycles` a frame is to be taken along the pitch, 1 to 0.
pub(super) fn share(cycles: f64) -> f32 {
    smooth_step((CROSSING.1 - cycles) / (CROSSING.1 - CROSSING.0)) as f32
}

/// Both ways between a recording and its reading along the pitch.
pub(super) struct AlongPitch {
    map: PitchMap,
    rate: f64,
    /// Position in the recording of each frame of the reading, and the other way round.
    onto: Vec<f64>,
    back: Vec<f64>,
}

impl AlongPitch {
    /// For `len` frames that begin `begins_s` seconds after `track`; none where no note moves.
    pub(super) fn new(track: &F0Track, begins_s: f64, len: usize, rate: SampleRate) -> Option<Self> {
        let hop_s = track.hop_s;
        let first = (begins_s / hop_s).round() as usize;
        let count = (len as f64 / rate.as_f64() / hop_s).ceil() as usize + 2;
        let drift = movement(track, first..first + count);
        if drift.iter().all(|c| c.abs() < LEAST_CENTS) {
            return None;
        }
        let d = Deviation { hop_s, drift, vibrato: vec![0.0; count], voiced: vec![true; count], centre: 0.0 };
        let params = TuneParams {
            target: Hertz(440.0),
            shift: Cents(0.0),
            centre: 0.0,
            drift: 1.0,
            vibrato: 0.0,
            curve: StrengthCurve { nodes: vec![(0.0, 1.0)] },
            onset_s: 0.0,
        };
        let map = pitch_map(&d, &params, 0.0, len as f64, rate, rate).ok()?;
        let onto = on_grid(map.frames(), |m| map.source_at(m));
        let back = inverse(&onto, len);
        Some(Self { map, rate: rate.as_f64(), onto, back })
    }

    /// `x`, a channel of the recording, read along the pitch.
    pub(super) fn onto(&self, x: &[f32]) -> Vec<f32> {
        ShortReader::get().read(x, &self.onto)
    }

    /// `y`, frame for frame a reading along the pitch, at the frames of the recording.
    pub(super) fn back(&self, y: &[f32]) -> Vec<f32> {
        ShortReader::get().read(y, &self.back)
    }

    /// Frame of the recording that frame `m` of the reading lies at, and the other way round.
    pub(super) fn source_at(&self, m: f64) -> f64 {
        self.map.source_at(m)
    }

    pub(super) fn output_at(&self, p: f64) -> f64 {
        self.map.output_at(p)
    }

    /// The pitch of the reading, where `track` (which the recording begins `begins_s` after) has one.
    pub(super) fn track(&self, track: &F0Track, begins_s: f64) -> F0Track {
        let count = (self.onto.len() as f64 / self.rate / track.hop_s) as usize + 1;
        let f0_hz = (0..count).map(|i| {
            let m = i as f64 * track.hop_s * self.rate;
            let at = ((self.source_at(m) / self.rate + begins_s) / track.hop_s).round();
            let f = track.f0_hz.get(at as usize).copied().flatten()?;
            Some(f * (self.map.cents_at(m) / 1200.0).exp2())
        });
        let f0_hz: Vec<Option<f64>> = f0_hz.collect();
        F0Track { confidence: vec![1.0; f0_hz.len()], f0_hz, hop_s: track.hop_s }
    }
}

/// How far the values of `track` in `range` lie from the centres of their notes, in cents: smoothed,
/// bridged, and 0 where there is no note.
fn movement(track: &F0Track, range: std::ops::Range<usize>) -> Vec<f64> {
    let n = range.len();
    let track = F0Track {
        f0_hz: range.clone().map(|i| track.f0_hz.get(i).copied().flatten()).collect(),
        confidence: range.map(|i| track.confidence.get(i).copied().unwrap_or(0.0)).collect(),
        hop_s: track.hop_s,
    };
    let steps = |s: f64| (s / track.hop_s).round().max(1.0) as usize;
    let (gap, fade) = (steps(GAP_S), steps(FADE_S));
    let mut out = vec![0.0; n];
    for note in notes(&track, gap) {
        let part = F0Track {
            f0_hz: track.f0_hz[note.clone()].to_vec(),
            confidence: track.confidence[note.clone()].to_vec(),
            hop_s: track.hop_s,
        };
        // Too short a note has no movement to speak of.
        let Ok(d) = deviation(&part, Hertz(440.0)) else { continue };
        let cents: Vec<f64> =
            d.drift.iter().zip(&d.vibrato).map(|(a, b)| (a + b).clamp(-MOST_CENTS, MOST_CENTS)).collect();
        let (Some(begin), Some(end)) = (cents.first(), cents.last()) else { continue };
        for i in 0..fade.min(note.start) {
            out[note.start - 1 - i] += begin * (1.0 - (i + 1) as f64 / fade as f64);
        }
        for i in 0..fade.min(n - note.end) {
            out[note.end + i] += end * (1.0 - (i + 1) as f64 / fade as f64);
        }
        out[note.clone()].iter_mut().zip(&cents).for_each(|(o, c)| *o += c);
    }
    out
}

/// The stretches of values that silences of more than `gap` values part.
fn notes(track: &F0Track, gap: usize) -> Vec<std::ops::Range<usize>> {
    let mut found: Vec<std::ops::Range<usize>> = Vec::new();
    for i in (0..track.f0_hz.len()).filter(|i| track.f0_hz[*i].is_some()) {
        match found.last_mut() {
            Some(last) if i - last.end <= gap => last.end = i + 1,
            _ => found.push(i..i + 1),
        }
    }
    found
}

/// `f` at 0..`count`, by straight lines between every [`GRID`]th.
fn on_grid(count: usize, mut f: impl FnMut(f64) -> f64) -> Vec<f64> {
    let mut out = Vec::with_capacity(count + GRID);
    let mut a = f(0.0);
    while out.len() < count {
        let b = f((out.len() + GRID) as f64);
        let step = (b - a) / GRID as f64;
        out.extend((0..GRID).map(|i| a + step * i as f64));
        a = b;
    }
    out.truncate(count);
    out
}

/// Where the positions 0..`count` lie in `positions`, which rise: by straight lines between its values at
/// every [`GRID`]th; beyond its end one for one.
fn inverse(positions: &[f64], count: usize) -> Vec<f64> {
    let mut i = 0;
    on_grid(count, move |p| {
        while i + 1 < positions.len() && positions[i + 1] <= p {
            i += 1;
        }
        let Some(&a) = positions.get(i) else { return p };
        let step = positions.get(i + 1).map_or(1.0, |b| b - a);
        i as f64 + (p - a) / step
    })
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    const RATE: f64 = 48_000.0;

    /// Two notes with vibrato, 440 and 300 Hz, half a second of silence between them.
    pub(in super::super) fn vibrato(cents: f64) -> (Vec<f32>, F0Track) {
        let hop_s = 0.005;
        let hz = |t: f64| {
            let moved = (cents / 1200.0 * (std::f64::consts::TAU * 5.5 * t).sin()).exp2();
            if (0.5..2.0).contains(&t) {
                Some(440.0 * moved)
            } else if (2.5..4.0).contains(&t) {
                Some(300.0 * moved)
            } else {
                None
            }
        };
        let mut phase = 0.0;
        let x = (0..(4.5 * RATE) as usize)
            .map(|n| {
                let f = hz(n as f64 / RATE);
                phase += f.unwrap_or(0.0) / RATE;
                let tone: f64 = (1..=20).map(|k| (std::f64::consts::TAU * phase * f64::from(k)).sin()).sum();
                if f.is_some() { (0.02 * tone) as f32 } else { 0.0 }
            })
            .collect();
        let f0_hz: Vec<Option<f64>> = (0..900).map(|i| hz(f64::from(i) * hop_s)).collect();
        let track = F0Track { hop_s, confidence: vec![1.0; f0_hz.len()], f0_hz };
        (x, track)
    }

    #[test]
    fn partials_stand_still_and_come_back() {
        let (x, track) = vibrato(40.0);
        let rate = SampleRate::new(RATE as u32).unwrap();
        let along = AlongPitch::new(&track, 0.0, x.len(), rate).unwrap();
        let still = along.track(&track, 0.0);
        let inside = |from: f64, to: f64| {
            let index = |s: f64| (s / track.hop_s) as usize;
            let values: Vec<f64> = still.f0_hz[index(from)..index(to)].iter().map(|f| f.unwrap()).collect();
            let mean = values.iter().sum::<f64>() / values.len() as f64;
            let worst = values.iter().map(|f| (1200.0 * (f / mean).log2()).abs()).fold(0.0, f64::max);
            (mean, worst)
        };
        for (hz, (mean, worst)) in [(440.0, inside(0.7, 1.8)), (300.0, inside(2.7, 3.8))] {
            // The track is read at its nearest hop, 2.5 ms off at the most: 40 cents · 2π · 5.5 · 0.0025
            // are 3.5 cents. Where it stands matters little: that it stands does.
            assert!(worst < 4.0 && (1200.0 * (mean / hz).log2()).abs() < 5.0, "{hz}: {mean}, {worst}");
        }
        // There and back: the partials lie below 9 kHz, where the nearest kernel is off by −65 dB at the most.
        let back = along.back(&along.onto(&x));
        assert_eq!(back.len(), x.len());
        let energy = |v: &mut dyn Iterator<Item = f64>| v.map(|v| v * v).sum::<f64>();
        let error = energy(&mut x.iter().zip(&back).map(|(a, b)| f64::from(a - b)));
        let whole = energy(&mut x.iter().map(|a| f64::from(*a)));
        assert!(10.0 * (whole / error).log10() > 60.0, "{}", 10.0 * (whole / error).log10());
    }

    #[test]
    fn what_does_not_move_is_left_alone() {
        let (x, track) = vibrato(1.0);
        let rate = SampleRate::new(RATE as u32).unwrap();
        assert!(AlongPitch::new(&track, 0.0, x.len(), rate).is_none());
        let (x, track) = vibrato(40.0);
        // Nor is a part of the recording in which nobody plays.
        assert!(AlongPitch::new(&track, 4.3, x.len() / 20, rate).is_none());
    }
}
