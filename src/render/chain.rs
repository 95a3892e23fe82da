//! One take through its recipe.
//!
//! ```text
//! Clip ─clean→ ─read along the pitch map→ ─fade, gain→ ─even the loop→ Rendered ─crossfade→ finished
//! ```
//! The same functions serve the window, the commands and the tests: same recipe, same bits.

use std::sync::{Arc, Mutex, PoisonError};

use super::room::Room;
use crate::audio::{AudioBuf, Clip};
use crate::dsp::clean::{Cleaned, clean_while};
use crate::dsp::looping;
use crate::dsp::pitch::{F0Params, F0Track, summarise, track_f0_while};
use crate::dsp::tune::{self, Deviation, PitchMap, TuneParams};
use crate::error::{Error, ErrorKind, Result};
use crate::session::{CleanRecipe, LoopRecipe, Recipe, Source, Take, TuneRecipe};
use crate::units::{Cents, Decibels, Frame, FrameRange, Hertz, MidiNote, SampleRate, Seconds};

/// How much sound around a take is decoded with it, so that its ends can be moved.
const MARGIN: Seconds = Seconds(0.75);
/// A loop is only made exact when that costs less than this; anything more would be a retuning.
const EXACT_LOOP_CENTS: f64 = 0.01;
/// Strengths from here on count as full.
const FULL: f64 = 0.999;

/// A take's sound and what was tracked in it: derived from the source alone, the same for every
/// recipe.
#[derive(Debug, Clone)]
pub struct Analysed {
    /// The decoded stretch around the take.
    pub clip: Clip,
    /// The fundamental over the clip; nothing outside the take's span, where others may sound.
    pub track: F0Track,
    /// The steady part in source frames; none where no note was found.
    pub sustain: Option<FrameRange>,
    /// The room it was recorded in; none: not known, and so nothing is cleaned.
    pub room: Option<Arc<Room>>,
    /// The clip as it was cleaned last: tuning and loops are tried many times over one cleaning.
    cleaned: Arc<Mutex<Option<CleanedBy>>>,
}

/// A cleaned clip and what it was cleaned by.
type CleanedBy = (CleanRecipe, Arc<Cleaned>);

impl Analysed {
    /// Of what is known already, in no room.
    pub fn new(clip: Clip, track: F0Track, sustain: Option<FrameRange>) -> Self {
        Self { clip, track, sustain, room: None, cleaned: Arc::default() }
    }

    /// The same take in `room`.
    #[must_use]
    pub fn in_room(self, room: Option<Arc<Room>>) -> Self {
        Self { room, cleaned: Arc::default(), ..self }
    }

    /// The clip without the room and what was removed of it, frame for frame as long as the clip; none
    /// where nothing is cleaned. `go_on` is asked many times a second: once it says no, the error is
    /// `Cancelled`. Errors besides: `InvalidParameter` for settings out of range.
    pub fn cleaned(&self, recipe: &CleanRecipe, go_on: &dyn Fn() -> bool) -> Result<Option<Arc<Cleaned>>> {
        let Some(room) = self.room.as_ref().filter(|_| recipe.is_on()) else { return Ok(None) };
        let mut kept = self.cleaned.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((_, cleaned)) = kept.as_ref().filter(|(r, _)| r.does_as(recipe)) {
            return Ok(Some(Arc::clone(cleaned)));
        }
        let track = recipe.protect.then_some(&self.track);
        let (clip, params) = (&self.clip.audio, recipe.params());
        let cleaned = Arc::new(clean_while(clip, &room.profile, track, &params, go_on)?);
        *kept = Some((recipe.clone(), Arc::clone(&cleaned)));
        Ok(Some(cleaned))
    }
}

/// What a recipe makes of a take.
#[derive(Debug, Clone)]
pub struct Rendered {
    /// The tuned, trimmed, faded sound with its gain and its loop evened, without the crossfade.
    pub audio: AudioBuf,
    /// The cleaned clip it was read from; none: nothing was cleaned.
    pub cleaned: Option<Arc<Cleaned>>,
    /// The same before the loop was evened; none where the recipe asks for no evening.
    pub uneven: Option<AudioBuf>,
    /// What the evening adds at the loop end; 0 dB where nothing is evened.
    pub evening: Decibels,
    /// From rendered frames to indices of the clip.
    pub map: PitchMap,
    /// The loop in rendered frames.
    pub looping: Option<RenderedLoop>,
    /// Root key.
    pub root: MidiNote,
    /// Deviation from the root key's equal-tempered pitch that is in the sound.
    pub fine_tune: Cents,
    /// The fundamental of the sustain.
    pub f0: Option<Hertz>,
    /// The onset in rendered frames.
    pub onset: Frame,
    /// The steady part in rendered frames; none where no note was found.
    pub sustain: Option<FrameRange>,
    /// Deviation of the source from the target, or, where a wrong note is moved, from the note that
    /// it is; none where no note was found.
    pub before: Option<Deviation>,
    /// Deviation from the target over the sustain in cents rms: as tracked in the source, and what
    /// the map leaves of it.
    pub rms_cents: Option<(f64, f64)>,
}

/// A loop in rendered frames.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RenderedLoop {
    /// Start, and the first frame after.
    pub range: FrameRange,
    /// Crossfade before the end, in frames.
    pub crossfade: u64,
}

/// The stretch of the source to decode for a take: its span with room to move the handles.
pub fn clip_range(take: &Take, source: &Source) -> FrameRange {
    let margin = MARGIN.frames(source.rate);
    let end = take.span.end.plus(margin).0.min(source.frames);
    FrameRange { start: take.span.start.minus(margin), end: Frame(end) }
}

/// Tracks a clip that holds the take at `span` (source frames).
pub fn analyse(clip: Clip, span: FrameRange) -> Result<Analysed> {
    analyse_while(clip, span, &|| true)
}

/// [`analyse`], asking `go_on` many times a second: once it says no, the error is `Cancelled`.
pub fn analyse_while(clip: Clip, span: FrameRange, go_on: &dyn Fn() -> bool) -> Result<Analysed> {
    let rate = clip.audio.rate();
    let params = F0Params::default();
    let mut track = track_f0_while(&clip.audio.mixed_or_loudest(), rate, &params, go_on)?;
    for (i, f0) in track.f0_hz.iter_mut().enumerate() {
        let at = clip.source(i as f64 * track.hop_s * rate.as_f64());
        if at < span.start.0 as f64 || at >= span.end.0 as f64 {
            *f0 = None;
        }
    }
    let sustain = summarise(&track).map(|s| {
        let frame = |t: f64| clip.offset.0 + Seconds(t).frames(rate).0;
        FrameRange::new(frame(s.sustain_s.0), frame(s.sustain_s.1))
    });
    Ok(Analysed::new(clip, track, sustain))
}

/// Frequency that a tune recipe aims at.
pub fn target_of(tune: &TuneRecipe, a4: Hertz) -> Hertz {
    tune.target.frequency(a4).shifted(tune.offset)
}

/// Does `recipe` to a take, up to but without the crossfade.
pub fn render(a: &Analysed, recipe: &Recipe, a4: Hertz, rate: SampleRate) -> Result<Rendered> {
    render_while(a, recipe, a4, rate, &|| true)
}

/// [`render`], asking `go_on` many times a second: once it says no, the error is `Cancelled`.
pub fn render_while(
    a: &Analysed,
    recipe: &Recipe,
    a4: Hertz,
    rate: SampleRate,
    go_on: &dyn Fn() -> bool,
) -> Result<Rendered> {
    let clip = &a.clip;
    let from_rate = clip.audio.rate();
    let range = inside(recipe.trim.range, clip.range())?;
    let (from, until) = (clip.local(range.start.0 as f64), clip.local(range.end.0 as f64));
    let target = target_of(&recipe.tune, a4);
    // A wrong note is judged by the note that it is, and moved to its name as a whole.
    let shift = Cents(100.0 * f64::from(recipe.tune.moved));
    let sounding = target.shifted(Cents(-shift.0));
    let before = match tune::deviation(&a.track, sounding) {
        Ok(d) => Some(d),
        Err(e) if e.kind() == ErrorKind::Nothing => None,
        Err(e) => return Err(e),
    };
    let params = TuneParams { shift, ..tune_params(a, recipe, sounding) };
    let unknown = Deviation::default();
    let mut map =
        tune::pitch_map(before.as_ref().unwrap_or(&unknown), &params, from, until, from_rate, rate)?;
    let mut f0 = before.as_ref().map(|d| target.shifted(Cents(d.centre * (1.0 - params.centre))));
    let looping = recipe.looping.as_ref().and_then(|l| loop_in(&map, clip, l, rate));
    if let (Some(l), Some(f)) = (looping, f0)
        && params.drift >= FULL
    {
        (map, f0) = exact_loop(map, l.range, f, rate);
    }
    // Cleaned and source line up to the frame: the map reads either.
    let cleaned = a.cleaned(&recipe.clean, go_on)?;
    let clean = cleaned.as_ref().map_or(&clip.audio, |c| &c.audio);
    let mut planes = tune::read_along_while(clean, &map, rate, go_on)?;
    planes = faded(&planes, recipe)?;
    let frame_of = |source: Frame| {
        let m = map.output_at(clip.local(source.0 as f64)).round().max(0.0);
        Frame((m as u64).min(planes.frames().0))
    };
    let sustain = a.sustain.map(|s| FrameRange { start: frame_of(s.start), end: frame_of(s.end) });
    let onset = frame_of(recipe.trim.onset);
    let (root, fine_tune) = root_told(&recipe.tune, f0, a4);
    let looping = looping.filter(|l| l.range.end.0 <= planes.frames().0);
    let (mut uneven, mut evening) = (None, Decibels(0.0));
    if let Some(l) = looping.filter(|_| recipe.looping.is_some_and(|l| l.even)) {
        let (even, gain) = evened(&planes, l.range)?;
        (uneven, evening) = (Some(std::mem::replace(&mut planes, even)), gain);
    }
    Ok(Rendered {
        looping,
        uneven,
        evening,
        root,
        fine_tune,
        f0,
        onset,
        sustain,
        rms_cents: before.as_ref().map(|d| rms_before_after(a, d, &params)),
        before,
        audio: planes,
        cleaned,
        map,
    })
}

/// Root key and fine tune that are told of a sound at `f0`: the target, or, where the sound was left
/// more than half a step away from it, the note that it is.
fn root_told(tune: &TuneRecipe, f0: Option<Hertz>, a4: Hertz) -> (MidiNote, Cents) {
    let cents = f0.map_or(tune.offset, |f| f.cents_above(tune.target.frequency(a4)));
    let (root, cents) = if cents.0.abs() <= 50.0 {
        (tune.target, cents)
    } else {
        f0.unwrap_or(target_of(tune, a4)).nearest_note(a4)
    };
    (root, fine_tune_to_tell(cents))
}

fn inside(range: FrameRange, clip: FrameRange) -> Result<FrameRange> {
    let cut = FrameRange::new(range.start.max(clip.start).0, range.end.min(clip.end).0);
    if cut.is_empty() {
        return Err(Error::invalid(
            "the part to deliver",
            format!("frame {} to {}", range.start.0, range.end.0),
            &format!("at least one frame inside {} to {}", clip.start.0, clip.end.0),
        ));
    }
    Ok(cut)
}

fn tune_params(a: &Analysed, recipe: &Recipe, target: Hertz) -> TuneParams {
    let t = &recipe.tune;
    TuneParams {
        target,
        shift: Cents(0.0),
        centre: t.centre,
        drift: t.drift,
        vibrato: t.vibrato,
        curve: t.curve.clone(),
        onset_s: a.clip.local(recipe.trim.onset.0 as f64) / a.clip.audio.rate().as_f64(),
    }
}

/// A loop's source positions in rendered frames; none when nothing of it is left.
fn loop_in(map: &PitchMap, clip: &Clip, l: &LoopRecipe, rate: SampleRate) -> Option<RenderedLoop> {
    let frame = |p: f64| (map.output_at(clip.local(p)).round().max(0.0) as u64).min(map.frames() as u64);
    let range = FrameRange::new(frame(l.start), frame(l.end));
    (range.count().0 >= 32).then(|| RenderedLoop {
        range,
        crossfade: l.crossfade.frames(rate).0.min(range.count().0).min(range.start.0),
    })
}

/// Makes the loop's length a whole number of frames and of periods together, by reading the whole
/// take faster or slower by less than a hundredth of a cent; otherwise leaves it.
///
/// With L frames in the loop and f·L/rate = n + ε periods, speed changes by n/(n+ε).
fn exact_loop(map: PitchMap, l: FrameRange, f0: Hertz, rate: SampleRate) -> (PitchMap, Option<Hertz>) {
    let periods = f0.0 * l.count().0 as f64 / rate.as_f64();
    let factor = periods.round() / periods;
    if factor > 0.0 && (1200.0 * factor.log2()).abs() < EXACT_LOOP_CENTS {
        (map.stretched(factor, l.start.0 as f64), Some(Hertz(f0.0 * factor)))
    } else {
        (map, Some(f0))
    }
}

/// Fades with the shape of half a cosine (no corner at either end), and the gain.
fn faded(audio: &AudioBuf, recipe: &Recipe) -> Result<AudioBuf> {
    let gain = recipe.level.gain.gain() as f32;
    let frames = audio.len();
    let fade_in = (recipe.trim.fade_in.frames(audio.rate()).0 as usize).min(frames);
    let fade_out = (recipe.trim.fade_out.frames(audio.rate()).0 as usize).min(frames);
    if gain == 1.0 && fade_in == 0 && fade_out == 0 {
        return Ok(audio.clone());
    }
    let rise = |i: usize, n: usize| {
        let x = (i as f64 + 0.5) / n as f64;
        (0.5 - 0.5 * (std::f64::consts::PI * x).cos()) as f32
    };
    let planes = audio
        .channels()
        .map(|c| {
            let mut c: Vec<f32> = c.iter().map(|s| s * gain).collect();
            for (i, s) in c[..fade_in].iter_mut().enumerate() {
                *s *= rise(i, fade_in);
            }
            for (i, s) in c[frames - fade_out..].iter_mut().rev().enumerate() {
                *s *= rise(i, fade_out);
            }
            c
        })
        .collect();
    AudioBuf::new(planes, audio.rate())
}

/// Deviation over the sustain in cents rms: before, and what the map leaves.
fn rms_before_after(a: &Analysed, d: &Deviation, p: &TuneParams) -> (f64, f64) {
    let rate = a.clip.audio.rate().as_f64();
    let (from, until) = a.sustain.map_or((0.0, f64::MAX), |s| {
        (a.clip.local(s.start.0 as f64) / rate, a.clip.local(s.end.0 as f64) / rate)
    });
    let strength = |i: usize| p.curve.at(i as f64 * d.hop_s - p.onset_s);
    let after = Deviation {
        hop_s: d.hop_s,
        centre: d.centre * (1.0 - p.centre),
        drift: d.drift.iter().enumerate().map(|(i, v)| v * (1.0 - p.drift * strength(i))).collect(),
        vibrato: d.vibrato.iter().enumerate().map(|(i, v)| v * (1.0 - p.vibrato * strength(i))).collect(),
        voiced: d.voiced.clone(),
    };
    (tune::deviation_rms(d, from, until), tune::deviation_rms(&after, from, until))
}

/// The fine tune that is written down. File formats keep it as a fraction above a root key, so a
/// hair below the note would be told as the key below and nearly a semitone: players that read only
/// the root key would be a semitone off. Less than a tenth of a cent is told as none; it is far below
/// what is heard (about 3.5 cents; Moore, An Introduction to the Psychology of Hearing, from memory).
pub fn fine_tune_to_tell(exact: Cents) -> Cents {
    if exact.0.abs() < 0.1 { Cents(0.0) } else { exact }
}

/// `audio` with a slow gain that brings the level at the end of the loop `range` to that at its start,
/// and what that gain comes to at the end. Errors: as [`looping::even_out`].
pub fn evened(audio: &AudioBuf, range: FrameRange) -> Result<(AudioBuf, Decibels)> {
    let gain = looping::evening_gain(audio, range)?;
    Ok((looping::even_out(audio, range, gain)?, gain))
}

/// What is written to disk: [`Rendered::audio`] with the crossfade baked in.
pub fn finished(r: &Rendered) -> Result<AudioBuf> {
    match r.looping {
        Some(l) if l.crossfade > 0 => looping::bake(&r.audio, l.range, l.crossfade),
        _ => Ok(r.audio.clone()),
    }
}

/// The source over the frames of `r`, read plainly from the same in point: what the take was
/// before tuning, for comparison by ear.
pub fn plain(a: &Analysed, r: &Rendered) -> Result<AudioBuf> {
    let rate = r.audio.rate();
    let from = r.map.source_at(0.0);
    let frames = r.map.source_at(r.map.frames() as f64) - from;
    let map = PitchMap::plain(from, frames, a.clip.audio.rate(), rate);
    tune::read_along(&a.clip.audio, &map, rate)
}

/// What cleaning removed, read along the same pitch map and with the same gain as the rendered take:
/// the rendered take and this sum to what it would be uncleaned (but for the fades). None where nothing
/// was cleaned.
pub fn removed(r: &Rendered, recipe: &Recipe) -> Result<Option<AudioBuf>> {
    let Some(cleaned) = &r.cleaned else { return Ok(None) };
    let read = tune::read_along(&cleaned.removed, &r.map, r.audio.rate())?;
    read.scaled(recipe.level.gain.gain() as f32).map(Some)
}

/// Deviation of the rendered sound from `target`, tracked afresh: what an ear would find.
pub fn deviation_after(r: &Rendered, target: Hertz) -> Result<Deviation> {
    deviation_after_while(r, target, &|| true)
}

/// [`deviation_after`], asking `go_on` many times a second: once it says no, the error is `Cancelled`.
pub fn deviation_after_while(r: &Rendered, target: Hertz, go_on: &dyn Fn() -> bool) -> Result<Deviation> {
    let track = track_f0_while(&r.audio.mixed_or_loudest(), r.audio.rate(), &F0Params::default(), go_on)?;
    tune::deviation(&track, target)
}

impl Rendered {
    /// Source position (frames of the file) of a rendered frame.
    pub fn source_of(&self, clip: &Clip, frame: f64) -> f64 {
        clip.source(self.map.source_at(frame))
    }

    /// Rendered frame (fractional) of a source position.
    pub fn frame_of(&self, clip: &Clip, source: f64) -> f64 {
        self.map.output_at(clip.local(source))
    }
}
