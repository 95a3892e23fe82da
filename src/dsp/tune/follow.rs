//! From a deviation to the map that takes it out, and reading along that map.

use crate::audio::AudioBuf;
use crate::dsp::resample;
use crate::dsp::tune::pitch_map::Knot;
use crate::dsp::tune::{Deviation, PitchMap, TuneParams};
use crate::error::{Error, Result};
use crate::units::SampleRate;

/// Greatest distance of two knots of a map, in seconds. The correction holds nothing above 12 Hz;
/// a cubic through knots 5 ms apart follows 100 cents of that to 0.04 cents.
const KNOT_S: f64 = 0.005;
/// Greatest correction, in cents: two octaves.
const MOST_CENTS: f64 = 2400.0;
/// Nearer to a whole frame than this is on it: what that leaves even of half the rate is π·1e-7 of
/// it, −130 dB.
const WHOLE: f64 = 1e-7;
/// Fewest frames in a row that are copied rather than read.
const COPIED: usize = 256;
/// Output frames read at a time.
const BLOCK: usize = 1 << 16;

/// The map that does `params` to a note that deviates by `d`, reading source positions
/// `from..until` (indices into the analysed samples, rate `from_rate`) to `to_rate`.
///
/// At source time t (position / from_rate) the correction is
/// c(t) = −shift + centre strength·centre + curve(t − onset)·(drift strength·drift(t) + vibrato
/// strength·vibrato(t)) cents. A note that is c cents sharp is read slower by that interval:
/// dp/dm = (from/to)·2^(−c(p)/1200), so dm/dp = (to/from)·2^(c(p)/1200) is integrated over the
/// source (Simpson's rule between knots) and the map goes through the knots. As the centre is
/// taken out of the whole take at one speed, the attack is transposed with it and else untouched.
/// Without any correction it is [`PitchMap::plain`]. Output frame 0 reads position `from`.
///
/// Errors: `InvalidParameter` for positions that are not finite or an empty range, strengths
/// outside 0 to 1, a shift or onset that is not finite, a strength curve without nodes or out of order, a deviation that is not finite
/// or not one value a hop, and corrections beyond ±2400 cents.
pub fn pitch_map(
    d: &Deviation,
    params: &TuneParams,
    from: f64,
    until: f64,
    from_rate: SampleRate,
    to_rate: SampleRate,
) -> Result<PitchMap> {
    check_range(from, until)?;
    check_params(params)?;
    check_deviation(d)?;
    let correction = Correction { d, params };
    let spacing = KNOT_S.min(if d.drift.is_empty() { KNOT_S } else { d.hop_s });
    let parts = ((until - from) / (spacing * from_rate.as_f64())).ceil().max(1.0) as usize;
    let step = (until - from) / parts as f64;
    // Two values a piece: at its start and in its middle.
    let cents: Vec<f64> =
        (0..=2 * parts).map(|i| correction.at((from + step * 0.5 * i as f64) / from_rate.as_f64())).collect();
    // A movement of endless size gives what is no number between its values.
    if let Some(c) = cents.iter().find(|c| c.is_nan() || c.abs() > MOST_CENTS) {
        return Err(Error::invalid(
            "pitch correction",
            format!("{c:.0} cents"),
            "-2400 to 2400 cents; choose the target note nearer to what was played",
        ));
    }
    if cents.iter().all(|c| *c == 0.0) {
        return Ok(PitchMap::plain(from, until - from, from_rate, to_rate));
    }
    let stretch = to_rate.as_f64() / from_rate.as_f64();
    let pace: Vec<f64> = cents.iter().map(|c| stretch * (c / 1200.0).exp2()).collect();
    let mut knots = Vec::with_capacity(parts + 1);
    // What the corrections add to the frames of a plain reading: exactly nothing until the first one,
    // so that an attack that is kept is read at whole frames.
    let mut added = 0.0;
    for i in 0..=parts {
        if i > 0 {
            let more = |k: usize| pace[k] - stretch;
            added += step / 6.0 * (more(2 * i - 2) + 4.0 * more(2 * i - 1) + more(2 * i));
        }
        let position = if i == parts { until } else { from + step * i as f64 };
        let frame = (position - from) * stretch + added;
        knots.push(Knot { frame, position, speed: 1.0 / pace[2 * i] });
    }
    Ok(PitchMap::through(knots, 1.0 / stretch, until))
}

/// Reads all channels of `audio` along `map`, all at the same positions, so that the phase between
/// them stays. Returns [`PitchMap::frames`] frames at `to_rate`, which must be the rate that the
/// map was made for; outside `audio` there is silence. The pass band is that of the fastest place
/// of the map. Identity maps give the samples bit for bit, and so do stretches of at least 256 frames
/// of any map that step from whole frame to whole frame: an attack that is kept at the same rate and
/// centre is the source's, up to half the rate. Errors: `InvalidParameter` where the
/// map reads faster than 64 or slower than 1/64 source frames a frame.
pub fn read_along(audio: &AudioBuf, map: &PitchMap, to_rate: SampleRate) -> Result<AudioBuf> {
    read_along_while(audio, map, to_rate, &|| true)
}

/// [`read_along`], asking `go_on` before each block of at most 65 536 frames; the same result to the
/// bit. Errors besides: `Cancelled` once `go_on` says no.
pub fn read_along_while(
    audio: &AudioBuf,
    map: &PitchMap,
    to_rate: SampleRate,
    go_on: &dyn Fn() -> bool,
) -> Result<AudioBuf> {
    let frames = map.frames();
    let mut planes: Vec<Vec<f32>> = Vec::with_capacity(audio.channel_count());
    if let Some(start) = map.copies_from() {
        planes.extend(audio.channels().map(|x| resample::copy_from(x, start, frames)));
        return AudioBuf::new(planes, to_rate);
    }
    planes.resize_with(audio.channel_count(), || Vec::with_capacity(frames));
    resample::with_reader(map.greatest_speed(), |reader| {
        let mut positions = Vec::with_capacity(BLOCK.min(frames));
        for start in (0..frames).step_by(BLOCK) {
            if !go_on() {
                return Err(Error::cancelled());
            }
            positions.clear();
            map.sources(start..frames.min(start + BLOCK), &mut positions);
            for (x, out) in audio.channels().zip(&mut planes) {
                read_or_copy(reader, x, &positions, out);
            }
        }
        Ok(())
    })??;
    AudioBuf::new(planes, to_rate)
}

/// Appends the values of `x` at `positions` to `out`; runs of whole positions one apart are copied.
fn read_or_copy(reader: &resample::Reader, x: &[f32], positions: &[f64], out: &mut Vec<f32>) {
    let whole = |p: f64| (p - p.round()).abs() < WHOLE;
    let mut read_to = 0;
    let mut i = 0;
    while i < positions.len() {
        if !whole(positions[i]) {
            i += 1;
            continue;
        }
        let start = positions[i].round();
        let run =
            positions[i..].iter().enumerate().take_while(|(k, p)| (*p - start - *k as f64).abs() < WHOLE);
        let n = run.count();
        if n >= COPIED {
            reader.read(x, &positions[read_to..i], out);
            out.extend(resample::copy_from(x, start as i64, n));
            read_to = i + n;
        }
        i += n;
    }
    reader.read(x, &positions[read_to..], out);
}

/// The correction over time.
struct Correction<'a> {
    d: &'a Deviation,
    params: &'a TuneParams,
}

impl Correction<'_> {
    /// Cents to take out at `t` seconds after the first analysed sample.
    fn at(&self, t: f64) -> f64 {
        let p = self.params;
        let constant = p.centre * self.d.centre - p.shift.0;
        let strength = p.curve.at(t - p.onset_s);
        if strength == 0.0 {
            return constant;
        }
        let value = |x: &[f64]| interpolated(x, t / self.d.hop_s);
        constant + strength * (p.drift * value(&self.d.drift) + p.vibrato * value(&self.d.vibrato))
    }
}

/// `x` at the fractional index `at`: a smooth cubic through the values (E. Catmull & R. Rom, *A
/// class of local interpolating splines*, 1974), level outside; 0 of nothing.
pub(super) fn interpolated(x: &[f64], at: f64) -> f64 {
    let Some(last) = x.len().checked_sub(1) else { return 0.0 };
    let at = at.clamp(0.0, last as f64);
    let i = (at.floor() as usize).min(last);
    let t = at - i as f64;
    let value = |k: usize| x[k.min(last)];
    let (a, b, c, d) = (x[i.saturating_sub(1)], value(i), value(i + 1), value(i + 2));
    b + 0.5 * t * (c - a + t * (2.0 * a - 5.0 * b + 4.0 * c - d + t * (3.0 * (b - c) + d - a)))
}

fn check_range(from: f64, until: f64) -> Result<()> {
    if !(from.is_finite() && until.is_finite()) {
        return Err(Error::invalid("range to read", format!("{from}..{until}"), "finite positions"));
    }
    if until <= from {
        return Err(Error::invalid(
            "range to read",
            format!("{from}..{until}"),
            "an end after the start; move the out point behind the in point",
        ));
    }
    Ok(())
}

fn check_params(p: &TuneParams) -> Result<()> {
    let strengths =
        [("centre strength", p.centre), ("drift strength", p.drift), ("vibrato strength", p.vibrato)];
    let nodes = p.curve.nodes.iter().map(|n| ("strength curve", n.1));
    for (name, value) in strengths.into_iter().chain(nodes) {
        if !(0.0..=1.0).contains(&value) {
            return Err(Error::invalid(name, value, "0 to 1"));
        }
    }
    let times: Vec<f64> = p.curve.nodes.iter().map(|n| n.0).collect();
    if times.is_empty() {
        return Err(Error::invalid("number of nodes of the strength curve", 0, "at least 1"));
    }
    if !times.iter().all(|t| t.is_finite()) || !times.is_sorted() {
        return Err(Error::invalid("strength curve", format!("{times:?}"), "finite times in order"));
    }
    if !p.shift.0.is_finite() {
        return Err(Error::invalid("shift", p.shift, "a finite number of cents"));
    }
    if !p.onset_s.is_finite() {
        return Err(Error::invalid("onset", p.onset_s, "a finite time"));
    }
    Ok(())
}

fn check_deviation(d: &Deviation) -> Result<()> {
    if d.drift.len() != d.vibrato.len() {
        let given = format!("{} drift and {} vibrato values", d.drift.len(), d.vibrato.len());
        return Err(Error::invalid("deviation", given, "one of each a hop"));
    }
    let values = d.drift.iter().chain(&d.vibrato).chain([&d.centre]);
    if let Some(bad) = values.into_iter().find(|v| !v.is_finite()) {
        return Err(Error::invalid("deviation", bad, "finite cents"));
    }
    let usable_hop = d.hop_s.is_finite() && d.hop_s > 0.0;
    if !d.drift.is_empty() && !usable_hop {
        return Err(Error::invalid("hop of the deviation", d.hop_s, "a positive number of seconds"));
    }
    Ok(())
}
