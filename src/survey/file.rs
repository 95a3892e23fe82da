//! One file: room tone, takes, their pitch and level.
//!
//! Two passes: the envelope of the whole, then the takes one after the other, so that a file of
//! hours needs little memory.

use std::path::Path;

use rayon::prelude::*;

use super::concerns::{self, Facts};
use super::telling::Telling;
use super::{FileSurvey, FoundTake, SurveyOptions, names};
use crate::audio::{Clip, level};
use crate::dsp::pitch::{Doubts, F0Params, NoteSummary, doubts, summarise, track_f0_while};
use crate::dsp::spans::{
    Envelope, EnvelopeBuilder, FoundRoom, FoundSpan, SpanParams, find_room_tone, find_takes,
};
use crate::dsp::tune::{Movement, deviation, movement};
use crate::error::{Error, ErrorKind, Result};
use crate::io::decode::{self, SoundInfo};
use crate::io::hash;
use crate::jobs::Job;
use crate::session::document::Layout;
use crate::units::{Decibels, FrameCount, FrameRange, Hertz, MiddleC, SampleRate, Seconds};

/// Of a longer take only the beginning is analysed, in seconds.
const LONGEST_S: f64 = 600.0;
/// So much of the room around a take helps the tracker to tell it from hum, in seconds.
const MARGIN_S: f64 = 0.2;
/// A pitch less sure than this is none when it is asked whether something is a take at all.
const VOICED: f64 = 0.35;
/// What has no pitch is no take when it is this much softer than the takes, in dB, …
const SOFTER_DB: f64 = 12.0;
/// … or so much shorter.
const SHORTER: f64 = 0.35;
/// Even with a pitch it is a noise (a chair, a key) when it is this short, in seconds, and shorter
/// and softer than the takes by these.
const SQUEAK_S: f64 = 0.5;
/// A sound without pitch in a file without any pitch counts when it is this far above the room.
const CLEAR_DB: f64 = 20.0;
/// A room tone nearer than this to the takes is looked at: is it the note itself? In dB.
const NEAR_DB: f64 = 30.0;
/// A softer room needs no look, in dB re full scale.
const SOFT_ROOM_DB: f64 = -60.0;
/// So much of the room is looked at, in seconds.
const ROOM_LOOK_S: f64 = 4.0;

/// Surveys one file. Errors: as decoding; `Nothing` for a file without frames or without a take;
/// `Cancelled`.
///
/// The concerns are those that the take itself shows; `named`, `note` and `layer` are left to
/// [`super::layout::place`]. A take of more than ten minutes is analysed in its first ten, and a
/// concern says so. Progress counts frames, each twice (found, analysed).
pub fn survey_file(path: &Path, options: &SurveyOptions, job: &Job) -> Result<FileSurvey> {
    job.check()?;
    let frames = decode::probe(path)?.frames.unwrap_or(0);
    job.begin("survey", 2 * frames);
    let survey = survey_one(path, options, job, &|n| job.advance(n), None)?;
    let (done, total) = job.counts();
    job.advance(total.saturating_sub(done));
    Ok(survey)
}

/// As [`survey_file`], counting progress by `step` (frames) instead of in the job, and telling of the wave
/// while it is read.
pub(super) fn survey_one(
    path: &Path,
    options: &SurveyOptions,
    job: &Job,
    step: &(dyn Fn(u64) + Sync),
    telling: Option<&Telling<'_>>,
) -> Result<FileSurvey> {
    let (bytes, hash) = hash::hash_file(path, &|| !job.cancel.is_cancelled())?;
    let (info, envelope) = envelope_of(path, job, step, telling)?;
    let reader = Reader { path, a4: options.a4, middle_c: options.middle_c, job, step };
    let one = options.layout == Some(Layout::TakePerFile);
    let cut = CutShort::of(&info, envelope.frames());
    let found = takes_and_room(&reader, &envelope, one).map_err(|e| match &cut {
        Some(cut) if e.kind() == ErrorKind::Nothing => cut.nothing(path),
        _ => e,
    })?;
    let mut takes: Vec<FoundTake> = found.takes;
    if let (Some(last), Some(cut)) = (takes.last_mut(), &cut) {
        concerns::cut_short(&mut last.concerns, cut.there, cut.promised);
    }
    if let [only] = &mut takes[..]
        && let Some(sounds) = only.sounds
        && only.confidence >= concerns::SURE
    {
        only.concerns.extend(concerns::of_marks(&info.marks, sounds, only.cents, options.middle_c));
    }
    Ok(FileSurvey {
        path: path.to_path_buf(),
        bytes,
        hash,
        rate: info.rate,
        channels: info.channels,
        frames: envelope.frames(),
        room: found.room,
        takes,
        marks: info.marks,
    })
}

/// A file of which less is there than its head promises.
struct CutShort {
    there: Seconds,
    promised: Seconds,
}

impl CutShort {
    fn of(info: &SoundInfo, frames: u64) -> Option<Self> {
        let lasts = |frames| FrameCount(frames).lasts(info.rate);
        (info.missing > 0).then(|| Self { there: lasts(frames), promised: lasts(frames + info.missing) })
    }

    /// There is no take in what is left of it.
    fn nothing(&self, path: &Path) -> Error {
        let (there, promised) = (self.there.0, self.promised.0);
        Error::new(
            ErrorKind::Nothing,
            format!(
                "no take in {}: it is cut short: {there:.2} s of the {promised:.2} s that its head promises are there, and no take in them; copy or export it again",
                path.display()
            ),
        )
    }
}

/// The first pass.
fn envelope_of(
    path: &Path,
    job: &Job,
    step: &dyn Fn(u64),
    telling: Option<&Telling<'_>>,
) -> Result<(SoundInfo, Envelope)> {
    let probe = decode::probe(path)?;
    let mut wave = telling.and_then(|t| t.wave(probe.frames?, probe.rate));
    let mut builder = EnvelopeBuilder::new(probe.rate);
    let info = decode::for_each_block(path, &mut |block| {
        builder.push(block);
        if let Some(wave) = &mut wave {
            wave.push(block);
        }
        step(block.first().map_or(0, |c| c.len() as u64));
        !job.cancel.is_cancelled()
    })?;
    Ok((info, builder.finish()))
}

/// What the second pass found.
struct Found {
    room: Option<FoundRoom>,
    takes: Vec<FoundTake>,
}

/// Room tone and takes; a room tone that turns out to be a note is none. With `one`, all that sounds
/// is one take, pauses and all. A file of room tone, named so, is no failure.
fn takes_and_room(reader: &Reader, envelope: &Envelope, one: bool) -> Result<Found> {
    let params = SpanParams::default();
    let room = find_room_tone(envelope, &params);
    let spans = find_takes(envelope, room.as_ref(), &params);
    let measured = reader.measure(&spans, envelope, room)?;
    let (room, measured) = match room {
        Some(r) if reader.room_is_a_note(&r, &measured, envelope.rate())? => {
            let spans = find_takes(envelope, None, &params);
            (None, reader.measure(&spans, envelope, None)?)
        }
        _ => (room, measured),
    };
    let heard = measured.len();
    let mut takes = keep_takes(measured, room);
    if takes.is_empty() && !(room.is_some() && names::is_room_tone(reader.path)) {
        return Err(nothing(reader.path, room, heard, params.rise_db));
    }
    if one && takes.len() > 1 {
        takes = reader.measure(&[from_first_to_last(&takes)], envelope, room)?;
    }
    let takes = takes.iter().map(|m| m.take(reader.a4, reader.middle_c, room)).collect();
    Ok(Found { room, takes })
}

fn nothing(path: &Path, room: Option<FoundRoom>, heard: usize, rise_db: f64) -> Error {
    let path = path.display();
    let text = match (heard, room) {
        (0, Some(r)) if r.level.0 < -120.0 => {
            format!("no take in {path}: it is silent; was the right input recorded?")
        }
        (0, Some(r)) => format!(
            "no take in {path}: nothing rises {rise_db} dB above the room ({:.1} dB); play louder or nearer to the microphone, or leave this file out",
            r.level.0
        ),
        (0, None) => format!("no take in {path}: nothing in it is loud and long enough; leave this file out"),
        _ => format!(
            "no take in {path}: what is heard in it has no pitch (noise, breath, knocks); leave this file out"
        ),
    };
    Error::new(ErrorKind::Nothing, text)
}

/// The span of all takes together.
fn from_first_to_last(takes: &[Measured]) -> FoundSpan {
    let (first, last) = (takes[0].span, takes[takes.len() - 1].span);
    FoundSpan {
        span: FrameRange { start: first.span.start, end: last.span.end },
        ends_inside: last.ends_inside,
        clipped: takes.iter().map(|t| t.span.clipped).sum(),
        ..first
    }
}

/// What was measured in one span.
struct Measured {
    span: FoundSpan,
    rate: SampleRate,
    note: Option<NoteSummary>,
    movement: Option<Movement>,
    doubts: Doubts,
    /// Mean square over the sustain (without a note: over the span) and the channels.
    power: f64,
    steady_s: f64,
    analysed_s: Option<f64>,
}

impl Measured {
    fn level(&self) -> Decibels {
        Decibels::of_amplitude(self.power.sqrt())
    }

    fn is_voiced(&self) -> bool {
        self.note.is_some_and(|n| n.confidence >= VOICED)
    }

    fn lasts_s(&self) -> f64 {
        self.span.span.count().lasts(self.rate).0
    }

    fn take(&self, a4: Hertz, middle_c: MiddleC, room: Option<FoundRoom>) -> FoundTake {
        let (sounds, cents) = self.note.map(|n| n.f0.nearest_note(a4)).unzip();
        let snr = room.map(|r| Decibels(self.level().0 - r.level.0));
        let confidence = self.note.map_or(0.0, |n| n.confidence);
        let facts = Facts {
            span: &self.span,
            sounds,
            confidence,
            doubts: self.doubts,
            a4,
            middle_c,
            snr,
            steady_s: self.steady_s,
            analysed_s: self.analysed_s,
        };
        FoundTake {
            span: self.span,
            sounds,
            cents: cents.unwrap_or_default(),
            f0: self.note.map(|n| n.f0),
            confidence,
            movement: self.movement,
            level: self.level(),
            snr,
            named: None,
            note: None,
            layer: 0,
            concerns: concerns::of_take(&facts),
        }
    }
}

/// Leaves out what is no take: without pitch and softer or shorter than the takes, or a short soft
/// squeak. Where nothing has a pitch, what is clearly above the room is left to the user.
fn keep_takes(all: Vec<Measured>, room: Option<FoundRoom>) -> Vec<Measured> {
    let voiced: Vec<&Measured> = all.iter().filter(|m| m.is_voiced()).collect();
    let median = |values: Vec<f64>| {
        let mut v = values;
        v.sort_by(f64::total_cmp);
        v.get(v.len() / 2).copied()
    };
    let typical = median(voiced.iter().map(|m| m.level().0).collect())
        .zip(median(voiced.iter().map(|m| m.lasts_s()).collect()));
    let Some((level, length)) = typical else {
        let clear = |m: &Measured| room.is_some_and(|r| m.level().0 - r.level.0 >= CLEAR_DB);
        return all.into_iter().filter(clear).collect();
    };
    all.into_iter()
        .filter(|m| {
            let softer = m.level().0 < level - SOFTER_DB;
            let shorter = m.lasts_s() < SHORTER * length;
            let squeak = m.lasts_s() < SQUEAK_S && softer && shorter;
            if m.is_voiced() { !squeak } else { !(softer || shorter) }
        })
        .collect()
}

/// Reads stretches of one file and measures them.
struct Reader<'a> {
    path: &'a Path,
    a4: Hertz,
    middle_c: MiddleC,
    job: &'a Job,
    step: &'a (dyn Fn(u64) + Sync),
}

impl Reader<'_> {
    /// Measures the spans, as many at once as there are workers.
    fn measure(
        &self,
        spans: &[FoundSpan],
        envelope: &Envelope,
        room: Option<FoundRoom>,
    ) -> Result<Vec<Measured>> {
        let ranges = ranges_to_read(spans, envelope, room.is_some());
        let mut measured = Vec::with_capacity(spans.len());
        let mut waiting: Vec<(usize, Clip)> = Vec::new();
        let at_once = rayon::current_num_threads();
        let mut failed = None;
        let work = |clips: &mut Vec<(usize, Clip)>| -> Result<Vec<(usize, Measured)>> {
            std::mem::take(clips)
                .into_par_iter()
                .map(|(i, clip)| {
                    self.job.check()?;
                    let measured = measure(&clip, &spans[i], self.job)?;
                    (self.step)(spans[i].span.count().0);
                    Ok((i, measured))
                })
                .collect()
        };
        let go_on = || !self.job.cancel.is_cancelled();
        decode::decode_ranges_while(self.path, &ranges, &go_on, &mut |i, clip| {
            waiting.push((i, clip));
            if waiting.len() >= at_once {
                match work(&mut waiting) {
                    Ok(more) => measured.extend(more),
                    Err(e) => failed = Some(e),
                }
            }
            failed.is_none()
        })
        .map_err(|e| failed.take().unwrap_or(e))?;
        measured.extend(work(&mut waiting)?);
        measured.sort_by_key(|(i, _)| *i);
        Ok(measured.into_iter().map(|(_, m)| m).collect())
    }

    /// Whether what was taken for the room is the takes' own note, softly: a long note that swells
    /// in a file without a pause. Hum and fans stay room.
    fn room_is_a_note(&self, room: &FoundRoom, takes: &[Measured], rate: SampleRate) -> Result<bool> {
        let loudest = takes.iter().map(|m| m.level().0).fold(f64::NEG_INFINITY, f64::max);
        let far = !takes.is_empty() && loudest - room.level.0 > NEAR_DB;
        if far || room.level.0 < SOFT_ROOM_DB {
            return Ok(false);
        }
        let end = room.range.end.min(room.range.start.plus(Seconds(ROOM_LOOK_S).frames(rate)));
        let mut note = Ok(None);
        decode::decode_ranges(self.path, &[FrameRange { start: room.range.start, end }], &mut |_, clip| {
            note = note_in(&clip, self.job).map(|n| n.map(|(note, _, _)| note));
            true
        })?;
        let Some(note) = note?.filter(|n| n.confidence >= concerns::SURE && !is_mains(n.f0)) else {
            return Ok(false);
        };
        let same = |m: &Measured| m.note.is_some_and(|n| n.f0.cents_above(note.f0).0.abs() < 50.0);
        Ok(takes.is_empty() || takes.iter().any(same))
    }
}

/// A frequency on the lowest harmonics of 50 or 60 Hz, which the mains keep to within 0.5 %
/// (common practice, no source).
fn is_mains(f0: Hertz) -> bool {
    [50.0, 60.0].iter().any(|mains| (1..=4).any(|k| (f0.0 / (mains * f64::from(k)) - 1.0).abs() < 0.005))
}

/// The stretches to read: the spans with some of the room around them, not into their neighbours.
fn ranges_to_read(spans: &[FoundSpan], envelope: &Envelope, with_room: bool) -> Vec<FrameRange> {
    let frames = |s: f64| Seconds(s).frames(envelope.rate()).0;
    let margin = if with_room { frames(MARGIN_S) } else { 0 };
    (0..spans.len())
        .map(|i| {
            let span = spans[i].span;
            let free_from = if i > 0 { spans[i - 1].span.end.0 } else { 0 };
            let free_to = spans.get(i + 1).map_or(envelope.frames(), |s| s.span.start.0);
            let start = span.start.0.saturating_sub(margin).max(free_from);
            let end = (span.end.0 + margin).min(free_to).min(span.start.0 + frames(LONGEST_S));
            FrameRange::new(start, end)
        })
        .collect()
}

/// The note in a clip, if there is one, with what is doubtful about it and how it moves.
fn note_in(clip: &Clip, job: &Job) -> Result<Option<(NoteSummary, Doubts, Movement)>> {
    let (x, rate) = (clip.audio.mixed_or_loudest(), clip.audio.rate());
    let track = track_f0_while(&x, rate, &F0Params::default(), &|| !job.cancel.is_cancelled())?;
    let Some(note) = summarise(&track) else { return Ok(None) };
    let moves = movement(&deviation(&track, note.f0)?);
    Ok(Some((note, doubts(&x, rate, &track, &note), moves)))
}

fn measure(clip: &Clip, span: &FoundSpan, job: &Job) -> Result<Measured> {
    let rate = clip.audio.rate();
    let found = note_in(clip, job)?;
    let note = found.map(|(note, _, _)| note);
    let frames = |s: f64| Seconds(s).frames(rate).0;
    let sustain = note.map(|n| {
        let start = clip.offset.0;
        FrameRange::new(start + frames(n.sustain_s.0), start + frames(n.sustain_s.1))
    });
    let steady = sustain.unwrap_or(FrameRange { start: span.onset, end: span.span.end });
    let local = |f: u64| f.saturating_sub(clip.offset.0);
    let part = clip.audio.part(FrameRange::new(local(steady.start.0), local(steady.end.0)));
    let power = part.channels().map(|c| level::rms(c).powi(2)).sum::<f64>() / part.channel_count() as f64;
    let cut = clip.range().end < span.span.end;
    Ok(Measured {
        span: *span,
        rate,
        note,
        movement: found.as_ref().map(|(_, _, m)| *m),
        doubts: found.map(|(_, d, _)| d).unwrap_or_default(),
        power,
        steady_s: sustain.map_or(0.0, |s| s.count().lasts(rate).0),
        analysed_s: cut
            .then(|| clip.range().end.minus(crate::units::FrameCount(span.span.start.0)).at(rate).0),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Frame;

    fn span(start: u64, end: u64) -> FoundSpan {
        FoundSpan {
            span: FrameRange::new(start, end),
            onset: Frame(start),
            starts_inside: false,
            ends_inside: false,
            clipped: 0,
        }
    }

    #[test]
    fn reads_some_room_around_but_no_neighbour_and_at_most_ten_minutes() {
        let rate = SampleRate::new(8_000).unwrap();
        let mut builder = EnvelopeBuilder::new(rate);
        builder.push(&[&vec![0.0; 8_000 * 700]]);
        let envelope = builder.finish();
        // 0.2 s are 1 600 frames.
        let spans = [span(1_000, 8_000), span(8_500, 20_000), span(40_000, 8_000 * 700)];
        let ranges = ranges_to_read(&spans, &envelope, true);
        let expected = [(0, 8_500), (8_000, 21_600), (38_400, 40_000 + 8_000 * 600)];
        assert_eq!(ranges, expected.map(|(a, b)| FrameRange::new(a, b)));
        assert_eq!(ranges_to_read(&spans[..2], &envelope, false)[1], spans[1].span);
    }

    #[test]
    fn a_take_that_was_read_in_part_says_so() {
        let rate = SampleRate::new(8_000).unwrap();
        let x = crate::audio::signals::sine(220.0, 0.2, 8_000.0, 16_000);
        let clip = Clip { audio: crate::audio::AudioBuf::mono(x, rate).unwrap(), offset: Frame(4_000) };
        let job = Job::new();
        let part = measure(&clip, &span(4_000, 90_000), &job).unwrap();
        assert_eq!(part.analysed_s, Some(2.0));
        assert_eq!(measure(&clip, &span(4_000, 20_000), &job).unwrap().analysed_s, None);
        let take = part.take(Hertz(440.0), MiddleC::C4, None);
        assert!(take.concerns.iter().any(|c| c.text.contains("only its first")), "{:?}", take.concerns);
    }

    #[test]
    fn hum_is_told_by_its_frequency() {
        for hz in [50.0, 59.9, 100.2, 119.8, 150.0] {
            assert!(is_mains(Hertz(hz)), "{hz}");
        }
        // G#1, G2, B2 (equal temperament): the nearest notes to the harmonics of the mains.
        for hz in [51.913, 97.999, 123.471] {
            assert!(!is_mains(Hertz(hz)), "{hz}");
        }
    }
}
