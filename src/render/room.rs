//! The room that takes were recorded in: which stretches it is learned from, what was learned, and
//! what is left of it after cleaning. Derived from the sources, never saved.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use serde::Serialize;

use crate::audio::{AudioBuf, level};
use crate::dsp::clean::{CleanParams, ENOUGH_S, NoiseProfile, clean_while, learn};
use crate::error::{Error, ErrorKind, Result};
use crate::io::decode;
use crate::jobs::Job;
use crate::session::{Document, RoomFrom, Source, store};
use crate::units::{Decibels, Frame, FrameRange, SampleRate, Seconds};

/// Of many files together no more room tone than this is read: more tells nothing new.
const POOLED: Seconds = Seconds(60.0);
/// Of each file at least this, however many there are.
const LEAST_OF_EACH: Seconds = Seconds(0.5);
/// So much room tone is cleaned to measure what is left of it.
const MEASURED: Seconds = Seconds(4.0);
/// Rooms that differ by this are not the same, in dB (see [`NoiseProfile::differs_db`]).
pub const CHANGED_DB: f64 = 3.0;
/// Shorter room tone scatters too much to say that a room changed, in seconds.
const SURE_S: f64 = 1.0;

/// A stretch of room tone in a file.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize)]
pub struct Stretch {
    /// The file as the session names it.
    pub path: PathBuf,
    /// Hash of its bytes.
    pub hash: String,
    /// Where, in its frames.
    pub range: FrameRange,
}

/// What a room is learned from: the name of what follows from it.
pub type Stretches = Vec<Stretch>;

/// A learned room.
#[derive(Debug)]
pub struct Room {
    /// What it was learned from.
    pub stretches: Stretches,
    /// What was learned.
    pub profile: NoiseProfile,
    tone: AudioBuf,
    measured: Mutex<Option<(CleanParams, Levels)>>,
}

/// Level of a room's tone before and after cleaning, RMS re full scale.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Levels {
    /// As recorded.
    pub before: Decibels,
    /// What is left.
    pub after: Decibels,
}

/// Which stretches the room of `source` is learned from, as the set has it; none: no room is known.
pub fn stretches_for(document: &Document, source: &Source) -> Option<Stretches> {
    let own = || stretches_of(source);
    let found = match document.setup.room_from {
        RoomFrom::EachFile => own(),
        RoomFrom::Folder => Vec::new(),
        RoomFrom::File(id) => document.source(id).map_or_else(Vec::new, |s| stretches_of(s)),
    };
    let found = if found.is_empty() { pooled(document, source.rate) } else { found };
    (!found.is_empty()).then_some(found)
}

fn stretches_of(source: &Source) -> Stretches {
    let stretch = |range| Stretch { path: source.path.clone(), hash: source.hash.clone(), range };
    source.room_stretches().into_iter().map(stretch).collect()
}

/// The room tone of all files of one rate: that of `wanted` where there is some, else the rate that
/// most room tone has.
fn pooled(document: &Document, wanted: SampleRate) -> Stretches {
    let with: Vec<&Arc<Source>> =
        document.sources.iter().filter(|s| !s.room_stretches().is_empty()).collect();
    let seconds = |rate: SampleRate| -> f64 {
        let of = |s: &&&Arc<Source>| s.rate == rate;
        let frames = |s: &&Arc<Source>| s.room_stretches().iter().map(|r| r.count().0).sum::<u64>();
        with.iter().filter(of).map(frames).sum::<u64>() as f64 / rate.as_f64()
    };
    let rate = if with.iter().any(|s| s.rate == wanted) {
        wanted
    } else {
        let best = with.iter().map(|s| s.rate).max_by(|a, b| seconds(*a).total_cmp(&seconds(*b)));
        best.unwrap_or(wanted)
    };
    let all: Stretches = with.iter().filter(|s| s.rate == rate).flat_map(|s| stretches_of(s)).collect();
    let each = Seconds((POOLED.0 / all.len().max(1) as f64).max(LEAST_OF_EACH.0));
    let shortened = |s: Stretch| Stretch { range: middle(s.range, each, rate), ..s };
    all.into_iter().map(shortened).collect()
}

/// The middle of a stretch, at most `longest` of it.
fn middle(range: FrameRange, longest: Seconds, rate: SampleRate) -> FrameRange {
    let most = longest.frames(rate).0;
    let spare = range.count().0.saturating_sub(most) / 2;
    FrameRange::new(range.start.0 + spare, (range.start.0 + spare + most).min(range.end.0))
}

/// Reads `stretches` and learns the room. Errors: what reading gives; `Nothing` for less than 0.1 s;
/// `Cancelled`.
pub fn learn_room(session_path: &Path, stretches: &Stretches, job: &Job) -> Result<Room> {
    let mut by_file: Vec<(&Path, Vec<FrameRange>)> = Vec::new();
    for s in stretches {
        match by_file.iter_mut().find(|(p, _)| *p == s.path) {
            Some((_, ranges)) => ranges.push(s.range),
            None => by_file.push((&s.path, vec![s.range])),
        }
    }
    let mut parts: Vec<AudioBuf> = Vec::new();
    for (path, ranges) in by_file {
        job.check()?;
        let source = store::source_path(session_path, path);
        decode::decode_ranges_while(&source, &ranges, &|| !job.cancel.is_cancelled(), &mut |_, clip| {
            if !clip.audio.is_empty() {
                parts.push(clip.audio);
            }
            true
        })?;
    }
    of_audio(stretches.clone(), &parts)
}

/// The same of stretches that were read already.
pub fn of_audio(stretches: Stretches, parts: &[AudioBuf]) -> Result<Room> {
    let profile = learn(parts)?;
    let longest = parts.iter().max_by_key(|p| p.len()).ok_or_else(|| {
        Error::new(ErrorKind::Nothing, "no room tone was given; mark a stretch with nobody playing")
    })?;
    let tone = longest.part(middle(
        FrameRange { start: Frame(0), end: Frame(longest.frames().0) },
        MEASURED,
        longest.rate(),
    ));
    Ok(Room { stretches, profile, tone, measured: Mutex::default() })
}

impl Room {
    /// The level of the room tone before and after cleaning with `params`, measured by doing it. The
    /// last answer is kept. Errors: as `dsp::clean::clean_while`.
    pub fn levels(&self, params: &CleanParams, go_on: &dyn Fn() -> bool) -> Result<Levels> {
        let mut kept = self.measured.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((_, levels)) = kept.as_ref().filter(|(p, _)| p == params) {
            return Ok(*levels);
        }
        let cleaned = clean_while(&self.tone, &self.profile, None, params, go_on)?;
        let levels = Levels { before: rms(&self.tone), after: rms(&cleaned.audio) };
        *kept = Some((params.clone(), levels));
        Ok(levels)
    }
}

/// What the user should know of a room tone: a name for programs and a sentence; none where all is well.
pub fn doubts(p: &NoiseProfile) -> Vec<(&'static str, String)> {
    let mut all = Vec::new();
    if p.is_too_little() {
        all.push((
            "little_room_tone",
            format!(
                "the room tone is only {:.2} s long; under {ENOUGH_S} s the room is not well known, 2 s would be better",
                p.seconds
            ),
        ));
    }
    if p.left_out > 0.5 {
        all.push((
            "restless_room_tone",
            format!(
                "{:.0} % of the room tone holds clicks, breaths or other sounds and was left out; a calmer stretch would be better",
                100.0 * p.left_out
            ),
        ));
    }
    all
}

/// RMS level over all channels.
pub fn rms(audio: &AudioBuf) -> Decibels {
    let power = audio.channels().map(|c| level::rms(c).powi(2)).sum::<f64>() / audio.channel_count() as f64;
    Decibels::of_amplitude(power.sqrt())
}

/// Rooms that were learned, each once.
#[derive(Debug, Default)]
pub struct Rooms(Mutex<HashMap<Stretches, Arc<Room>>>);

/// Rooms kept at once; a room is some 0.2 MB and its tone up to 2 MB.
const KEPT: usize = 128;

impl Rooms {
    /// The room of `source` as the set has it; none where none is known, or the room tone is too short
    /// to learn anything from. Errors as [`learn_room`].
    pub fn of(
        &self,
        session_path: &Path,
        document: &Document,
        source: &Source,
        job: &Job,
    ) -> Result<Option<Arc<Room>>> {
        stretches_for(document, source).map_or(Ok(None), |s| self.learned(session_path, &s, job))
    }

    /// The room of these stretches.
    pub fn learned(
        &self,
        session_path: &Path,
        stretches: &Stretches,
        job: &Job,
    ) -> Result<Option<Arc<Room>>> {
        let lock = || self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(known) = lock().get(stretches) {
            return Ok(Some(Arc::clone(known)));
        }
        // Not held while it is learned: two may learn the same, and get the same.
        let room = match learn_room(session_path, stretches, job) {
            Ok(room) => Arc::new(room),
            Err(e) if e.kind() == ErrorKind::Nothing => return Ok(None),
            Err(e) => return Err(e),
        };
        let mut all = lock();
        if all.len() >= KEPT {
            all.clear();
        }
        all.insert(stretches.clone(), Arc::clone(&room));
        Ok(Some(room))
    }

    /// By how many dB the room in `source` differs from the one that its takes are cleaned of, or,
    /// where that is its own, from that of all files together; none where it does not differ, or too
    /// little is known. Errors as [`learn_room`].
    pub fn changed(
        &self,
        session_path: &Path,
        document: &Document,
        source: &Source,
        job: &Job,
    ) -> Result<Option<f64>> {
        let own = stretches_of(source);
        let Some(used) = stretches_for(document, source).filter(|_| !own.is_empty()) else {
            return Ok(None);
        };
        let other = if used == own { pooled(document, source.rate) } else { used };
        if other.len() < 2 && document.sources.len() < 2 {
            return Ok(None);
        }
        let own = self.learned(session_path, &own, job)?;
        let other = self.learned(session_path, &other, job)?;
        let Some((own, other)) = own.zip(other).filter(|(own, _)| own.profile.seconds >= SURE_S) else {
            return Ok(None);
        };
        Ok(Some(own.profile.differs_db(&other.profile)).filter(|db| *db > CHANGED_DB))
    }
}
