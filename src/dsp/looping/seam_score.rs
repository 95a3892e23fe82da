//! How well one loop joins: the measures, the parts, the score, the crossfade it needs.

use super::crossfade::check_crossfade;
use super::features::{Analyser, BANDS, Spectrum, loudness_weights, power_db};
use super::joined::Joined;
use super::periodicity::{energy, local_period};
use super::zero_crossing::distance_to;
use super::{LoopCandidate, LoopParts, check_f0, check_range};
use crate::audio::AudioBuf;
use crate::error::Result;
use crate::units::{FrameRange, Hertz};

/// What a join measures before any crossfade.
pub(super) struct Measures {
    /// Mismatch of the waveforms relative to their level: √(2(1−r)).
    residual: f64,
    /// Distance of the spectra over the ear's bands, dB.
    spectral_db: f64,
    /// Difference of the levels, dB.
    level_db: f64,
    /// Pitch around both ends.
    pitch: PitchAtEnds,
    /// Farther end's distance from a rising crossing (or falling, both), in quarter periods, 0 to 1.
    crossing: f64,
    /// How differently the level moves at both ends, dB over 50 ms.
    slope_db: f64,
    /// Level around the join with any crossfade.
    joined: Joined,
}

/// Cents between places around both ends; 0 where no pitch is found.
#[derive(Debug, Clone, Copy, Default)]
struct PitchAtEnds {
    /// Between the ends: the larger of before both and after both.
    apart: f64,
    /// From before the start to after it: what the sound itself does there.
    own_step: f64,
    /// How differently the pitch moves at both ends.
    slope: f64,
}

/// Measures and scores joins of one note with one set of tables.
pub(super) struct Scorer<'a> {
    channels: &'a [&'a [f32]],
    rate: f64,
    period: f64,
    analyser: Analyser,
}

/// Scores one loop.
///
/// `audio` as it is before any crossfade is baked, `f0` the note's fundamental (8 Hz to a quarter of
/// the rate), `crossfade` in frames. The score is 100·Π(pᵢ/100)^wᵢ over the parts, so that the
/// worst one counts most. A crossfade helps the waveform and zero-crossing parts much, spectrum,
/// pitch and movement a little; partials that cancel within it cost spectrum. The level part is that
/// of the join as it will be played, crossfade included.
///
/// How to read it (our calibration against [`super::audit()`] on loops taken anywhere, which the bench
/// prints again; no source): **95** and more: not heard even when listened for. **80**: not noticed in
/// playing; now and then found by somebody who listens to this note alone and knows the loop's length.
/// **50**: as often heard as not when the note is held alone, as a bump or change of colour that comes
/// back. Under **20**: heard at once. An exactly periodic tone gives 100 in loops of 1 s or more.
///
/// Errors: `InvalidParameter` when the range does not lie in the audio or is shorter than 32 frames,
/// when the crossfade is longer than the loop or what lies before its start, or `f0` is no pitch.
pub fn score_loop(audio: &AudioBuf, f0: Hertz, range: FrameRange, crossfade: u64) -> Result<LoopCandidate> {
    check_range(audio, range)?;
    check_f0(audio, f0)?;
    check_crossfade(range, crossfade)?;
    let channels: Vec<&[f32]> = audio.channels().collect();
    let rate = audio.rate().as_f64();
    let mut scorer = Scorer::new(&channels, rate, f0.0, Analyser::new(rate, f0.0));
    let measures = scorer.measure(range.start.0 as usize, range.end.0 as usize);
    Ok(scorer.candidate(&measures, range, crossfade))
}

/// What a score (0 to 100) sounds like, in the words of [`score_loop`]: the bands between its marks.
pub fn score_words(score: f64) -> &'static str {
    match score {
        s if s >= 95.0 => "inaudible even if you listen for it",
        s if s >= 80.0 => "not noticed in playing",
        s if s >= 50.0 => "now and then heard when the note is held alone",
        s if s >= 20.0 => "heard when the note is held alone",
        _ => "heard at once",
    }
}

impl<'a> Scorer<'a> {
    pub(super) fn new(channels: &'a [&'a [f32]], rate: f64, f0_hz: f64, analyser: Analyser) -> Self {
        Self { channels, rate, period: rate / f0_hz, analyser }
    }

    fn len(&self) -> usize {
        self.channels.first().map_or(0, |c| c.len())
    }

    /// Measures a loop; the range has been checked.
    pub(super) fn measure(&mut self, start: usize, end: usize) -> Measures {
        let (spectral_db, level_db) = self.colour_and_level(start, end);
        Measures {
            residual: (2.0 * (1.0 - self.agreement(start, end))).max(0.0).sqrt(),
            spectral_db,
            level_db,
            pitch: self.pitch_at_ends(start, end),
            crossing: self.crossing_distance(start, end),
            slope_db: self.slope_difference(start, end),
            joined: Joined::read(self.channels, self.rate, self.period, start, end),
        }
    }

    fn agreement(&self, start: usize, end: usize) -> f64 {
        let ground = super::refine::Ground {
            channels: self.channels,
            rate: self.rate,
            period: self.period,
            within: 0..self.len(),
            lengths: 0..=self.len(),
        };
        ground.agreement(start, end).unwrap_or(0.0)
    }

    /// RMS difference over the ear's bands (weighted by loudness) and level difference between the
    /// surroundings of both ends: two windows before the join and two after, and all of them.
    fn colour_and_level(&mut self, start: usize, end: usize) -> (f64, f64) {
        let n = self.analyser.size() as i64;
        // What is missing around one end is left out around the other.
        let (before, after) = (start as i64, (self.len() - end) as i64);
        let enough = n / 4;
        let places: Vec<i64> = [-3 * n / 4, -n / 4, n / 4, 3 * n / 4]
            .into_iter()
            .filter(|o| if *o < 0 { before >= -o + enough } else { after >= o + enough })
            .collect();
        let places = if places.is_empty() { vec![0] } else { places };
        let mut at = |p: usize, o: i64| {
            let p = p as i64;
            self.analyser.spectrum(self.channels, p + o, p - before..p + after, None)
        };
        let here: Vec<Spectrum> = places.iter().map(|o| at(start, *o)).collect();
        let there: Vec<Spectrum> = places.iter().map(|o| at(end, *o)).collect();
        let total = |s: &[Spectrum]| {
            s.iter().fold(Spectrum::default(), |mut sum, s| {
                sum.add(s);
                sum
            })
        };
        let sides = |keep: fn(&i64) -> bool, of: &[Spectrum]| {
            let kept: Vec<Spectrum> =
                places.iter().zip(of).filter(|(o, _)| keep(o)).map(|(_, s)| *s).collect();
            (!kept.is_empty()).then(|| total(&kept))
        };
        let (mut colour, mut level) = (0f64, 0f64);
        for keep in [(|o: &i64| *o < 0) as fn(&i64) -> bool, |o| *o >= 0] {
            if let (Some(a), Some(b)) = (sides(keep, &here), sides(keep, &there)) {
                let (c, l) = differences(&a, &b);
                colour = colour.max(c);
                level = level.max(0.7 * l);
            }
        }
        let (_, whole) = differences(&total(&here), &total(&there));
        (colour, level.max(whole))
    }

    /// How much more the level rises over 50 ms at the one end than at the other, dB. 0 where one of
    /// the stretches does not lie in the audio.
    fn slope_difference(&self, start: usize, end: usize) -> f64 {
        let span = ((0.05 * self.rate) as usize).min((end - start) / 2);
        if span == 0 || start < span || end + span > self.len() {
            return 0.0;
        }
        let level = |from: usize| {
            let power: f64 = self.channels.iter().map(|x| energy(&x[from..from + span])).sum();
            10.0 * (power + 1e-12).log10()
        };
        let rise = |at: usize| level(at) - level(at - span);
        (rise(start) - rise(end)).abs()
    }

    /// Pitch 30 ms before and after both ends (nearer in short loops).
    fn pitch_at_ends(&self, start: usize, end: usize) -> PitchAtEnds {
        let off = ((0.03 * self.rate) as usize).min((end - start) / 2);
        // A correlation under one half says more about noise than about pitch.
        let at = |place: usize| {
            let found = local_period(self.channels, place, self.period, self.rate)?;
            (found.1 > 0.5).then_some(1200.0 * (self.period / found.0).log2())
        };
        let [a, b, c, d] = [start.saturating_sub(off), start + off, end - off, end + off].map(at);
        let both = |x: Option<f64>, y: Option<f64>| x.zip(y).map_or(0.0, |(x, y)| x - y);
        let slope = a.zip(b).zip(c.zip(d)).map_or(0.0, |((a, b), (c, d))| (b - a) - (d - c));
        PitchAtEnds {
            apart: both(a, c).abs().max(both(b, d).abs()),
            own_step: both(b, a).abs(),
            slope: slope.abs(),
        }
    }

    fn crossing_distance(&self, start: usize, end: usize) -> f64 {
        let reach = (self.period / 4.0) as usize + 2;
        let farther = |rising| {
            let at = |p| distance_to(self.channels, p, rising, reach);
            at(start).max(at(end))
        };
        // One frame off is as near as whole frames can be.
        let frames = farther(true).min(farther(false)).saturating_sub(1);
        frames as f64 / (reach - 1) as f64
    }

    /// What partials that do not meet in phase cost within a crossfade: loudness-weighted RMS of what
    /// the mixture's bands lack or have too much, in dB, over up to five places in the fade. Less 0.7
    /// dB, which breath alone comes to.
    fn mixture_db(&mut self, range: FrameRange, crossfade: u64) -> f64 {
        if crossfade == 0 {
            return 0.0;
        }
        let n = self.analyser.size() as u64;
        let places = (2 * crossfade / n).clamp(1, 5);
        let (mut mixed, mut wanted) = (Spectrum::default(), Spectrum::default());
        for i in 0..places {
            let position = (i as f64 + 1.0) / (places as f64 + 1.0);
            let before = crossfade as i64 - (position * crossfade as f64) as i64;
            let (out, inn) = (range.end.0 as i64 - before, range.start.0 as i64 - before);
            let (m, w) = self.analyser.mixture(self.channels, out, inn, position);
            mixed.add(&m);
            wanted.add(&w);
        }
        (differences(&mixed, &wanted).0 - 0.7).max(0.0)
    }

    /// The score of a measured loop with a crossfade of so many frames.
    pub(super) fn candidate(&mut self, m: &Measures, range: FrameRange, crossfade: u64) -> LoopCandidate {
        let mixture_db = self.mixture_db(range, crossfade);
        let parts = self.parts(m, mixture_db, range.count().0, crossfade);
        let weighted = [
            (parts.waveform, 0.8),
            (parts.spectral, 0.8),
            (parts.level, 0.8),
            (parts.pitch, 0.8),
            (parts.movement, 0.3),
            (parts.length, 0.03),
            (parts.zero_crossing, 0.02),
        ];
        let score = 100.0 * weighted.iter().map(|(p, w)| (p.max(1.0) / 100.0).powf(*w)).product::<f64>();
        LoopCandidate { range, crossfade, score: score.clamp(0.0, 100.0), parts }
    }

    /// The candidate with that crossfade, of those worth trying, that scores best: what the join
    /// needs, and longer ones, which leave the join to the sound before the start alone.
    pub(super) fn best_fade(&mut self, m: &Measures, range: FrameRange, needed: u64) -> LoopCandidate {
        let mut best = self.candidate(m, range, needed);
        if needed == 0 {
            return best;
        }
        let most = (range.count().0 / 2).min(range.start.0);
        let mut tried = needed;
        for seconds in [0.12, 0.3, 0.6] {
            let fade = ((seconds * self.rate) as u64).min(most);
            // A longer fade has to be worth it: it brings two places of the sound together for longer.
            if fade > tried + tried / 4 {
                tried = fade;
                let c = self.candidate(m, range, fade);
                if c.score > best.score + 0.3 {
                    best = c;
                }
            }
        }
        best
    }

    fn parts(&self, m: &Measures, mixture_db: f64, length: u64, crossfade: u64) -> LoopParts {
        let seconds = crossfade as f64 / self.rate;
        let length_s = length as f64 / self.rate;
        // Half the help at 10 ms (or two periods): long enough that the jump is no click.
        let smoothing = seconds / (seconds + f64::max(0.01, self.period / self.rate));
        // Slow changes need slow fades: half the help at 150 ms.
        let gliding = seconds / (seconds + 0.15);
        let part = |value: f64, half: f64| 100.0 / (1.0 + (value / half).powi(2));
        let level = m.joined.level(crossfade as usize);
        let apart = 0.5 * m.level_db * (1.0 - 0.6 * gliding);
        let pitch = (m.pitch.apart * (1.0 - 0.7 * gliding)).hypot(0.5 * m.pitch.own_step);
        let moves = (m.slope_db / 2.0).hypot(m.pitch.slope / 12.0) * (1.0 - 0.6 * gliding);
        LoopParts {
            zero_crossing: 100.0 * (1.0 - m.crossing.min(1.0) * (1.0 - smoothing)),
            waveform: part(m.residual * (1.0 - 0.7 * smoothing), 0.5),
            spectral: part((m.spectral_db * (1.0 - 0.6 * gliding)).hypot(mixture_db), 4.0),
            level: part(level.step_db.hypot(level.bulge_db).hypot(apart), 1.5),
            pitch: part(pitch, 10.0),
            movement: part(moves, 1.0),
            // Whole from 1 s on; a tenth of a second still has a third.
            length: 100.0 * length_s.min(1.0).sqrt(),
        }
    }

    /// The crossfade that this join needs, in frames: 0 when both ends are the same sound; the
    /// worse the waveforms match the longer, up to 100 ms; longer still, up to half the loop, when
    /// level or colour differ. Never longer than half the loop, nor than what lies before its start.
    pub(super) fn crossfade_for(&self, m: &Measures, start: usize, end: usize) -> u64 {
        let drift = m.level_db.max(m.spectral_db / 3.0);
        if m.residual < 0.006 && m.level_db < 0.05 && m.spectral_db < 0.3 {
            return 0;
        }
        let mismatch = ((20.0 * m.residual.max(1e-6).log10() + 40.0) / 30.0).clamp(0.0, 1.0);
        let mut seconds = (0.01 + 0.09 * mismatch).max(2.0 * self.period / self.rate);
        let length_s = (end - start) as f64 / self.rate;
        if drift > 0.2 {
            seconds = seconds.max(0.05 + 0.5 * length_s * ((drift - 0.2) / 1.0).min(1.0));
        }
        ((seconds * self.rate) as usize).min((end - start) / 2).min(start) as u64
    }
}

/// Loudness-weighted RMS difference of the bands, and difference of the level, in dB.
fn differences(a: &Spectrum, b: &Spectrum) -> (f64, f64) {
    let mut mean = [0f32; BANDS];
    for (m, (a, b)) in mean.iter_mut().zip(a.bands.iter().zip(&b.bands)) {
        *m = 0.5 * (a + b);
    }
    // What lies 60 dB below the whole is not heard beside it.
    let floor = mean.iter().sum::<f32>() * 1e-6 + 1e-18;
    let bands = a.bands.iter().zip(&b.bands).zip(loudness_weights(&mean));
    let sum: f32 = bands.map(|((a, b), w)| w * (power_db(a + floor) - power_db(b + floor)).powi(2)).sum();
    (f64::from(sum.sqrt()), f64::from((power_db(a.level + floor) - power_db(b.level + floor)).abs()))
}
