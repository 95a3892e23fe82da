//! The loops of a take whose trim and tuning are settled: the search, the map, the best near a place.

use std::path::Path;
use std::sync::Mutex;

use super::chain::{Analysed, Rendered, evened, render};
use super::intake::analyse_takes;
use super::room::Rooms;
use crate::dsp::looping::{
    self, HEARD_LEVEL_DB, LoopCandidate, LoopParams, LoopParts, PairMap, SeamAudit, best_near,
    best_of_length, find_loops,
};
use crate::error::{Error, ErrorKind, Result};
use crate::jobs::Job;
use crate::session::{Document, LoopRecipe, Recipe, Setup, Take, TakeId, TakeState, tuning};
use crate::units::{FrameCount, FrameRange, Hertz, Seconds};

/// A loop begins no sooner after the onset than this: the attack has settled.
const SETTLED: Seconds = Seconds(0.25);
/// A loop ends no later before the release than this.
const BEFORE_RELEASE: Seconds = Seconds(0.05);
/// A level step that is just heard: below it the level stays as it was played.
const EVEN_FROM_DB: f64 = HEARD_LEVEL_DB;
/// How far from a loop's own start a loop of another length is looked for.
const LENGTH_REACH_S: f64 = 0.5;

/// Loops to choose from, in rendered frames and as recipes.
pub type Loops = Vec<(LoopCandidate, LoopRecipe)>;

/// A take rendered without a loop, and where in it loops may lie. The search sees the sound without
/// the present loop's exactness and evening, so that what it finds does not depend on that loop.
#[derive(Debug, Clone)]
pub struct Loopable {
    /// The take, without a loop.
    pub rendered: Rendered,
    f0: Hertz,
    params: LoopParams,
}

/// How well the loop `range` of `rendered` joins, with its parts: in the sound as it was before any evening,
/// evened here where `even` asks for it; `crossfade` in frames, `f0` the note's fundamental. None where it
/// cannot be scored.
pub fn score_in(
    rendered: &Rendered,
    f0: Hertz,
    range: FrameRange,
    crossfade: u64,
    even: bool,
) -> Option<(f64, LoopParts)> {
    let audio = rendered.uneven.as_ref().unwrap_or(&rendered.audio);
    // The score looks only at the surroundings of both ends: a part is enough, and quick in a long take.
    let room = u64::from(audio.rate().hz()).max(crossfade);
    let from = range.start.0.saturating_sub(room);
    let part = audio.part(FrameRange::new(from, range.end.0.saturating_add(room)));
    let range = FrameRange::new(range.start.0 - from, range.end.0 - from);
    let part = if even { evened(&part, range).ok()?.0 } else { part };
    let c = looping::score_loop(&part, f0, range, crossfade).ok()?;
    Some((c.score, c.parts))
}

impl Loopable {
    /// Renders a take without its loop. Errors: as [`Loopable::of`] and rendering.
    pub fn new(a: &Analysed, recipe: &Recipe, setup: &Setup) -> Result<Self> {
        let bare = Recipe { looping: None, ..recipe.clone() };
        Self::of(render(a, &bare, setup.a4, setup.delivery_rate)?, setup)
    }

    /// The ground that `rendered`, a take without a loop, gives. Errors: `Nothing` where it has no
    /// steady note.
    pub fn of(rendered: Rendered, setup: &Setup) -> Result<Self> {
        let (Some(f0), Some(sustain)) = (rendered.f0, rendered.sustain) else {
            return Err(Error::new(
                ErrorKind::Nothing,
                "no steady note was found, so there is nothing to loop",
            ));
        };
        let rate = rendered.audio.rate();
        let start = sustain.start.max(rendered.onset.plus(SETTLED.frames(rate)));
        let within = FrameRange::new(start.0, sustain.end.minus(BEFORE_RELEASE.frames(rate)).0);
        let params = LoopParams {
            shortest_s: setup.loops.shortest.0,
            longest_s: setup.loops.longest.0,
            least_vibrato_cycles: setup.loops.vibrato_cycles,
            ..LoopParams::new(within)
        };
        Ok(Self { rendered, f0, params })
    }

    /// Where loop start and end may lie, in rendered frames.
    pub fn within(&self) -> FrameRange {
        self.params.within
    }

    /// The loops that are found, best first; evened where that helps. Errors: as [`find_loops`].
    pub fn candidates(&self, a: &Analysed, top: usize) -> Result<Loops> {
        let params = LoopParams { top, ..self.params.clone() };
        let found = find_loops(&self.rendered.audio, self.f0, &params)?;
        let mut loops: Loops = found.iter().map(|c| self.finished(a, c)).collect();
        // Evening changes scores, and with them the order; else the search's own stands.
        if loops.iter().any(|(_, l)| l.even) {
            loops.sort_by(|a, b| b.0.score.total_cmp(&a.0.score));
        }
        Ok(loops)
    }

    /// Every start against every end. Errors: as [`looping::pair_map`].
    pub fn map(&self, cells: usize) -> Result<PairMap> {
        looping::pair_map(&self.rendered.audio, self.f0, &self.params, cells)
    }

    /// The best loop near `start` and `end` (source positions). Errors: as [`best_near`].
    pub fn near(&self, a: &Analysed, start: f64, end: f64, reach_s: f64) -> Result<LoopRecipe> {
        let frame = |p: f64| self.frame(a, p);
        let found =
            best_near(&self.rendered.audio, self.f0, &self.params, frame(start), frame(end), reach_s)?;
        Ok(self.finished(a, &found).1)
    }

    /// A loop as long as `length`, to the nearest whole number of this take's periods, near the start
    /// of `own`. Errors: as [`best_of_length`].
    pub fn of_length(&self, a: &Analysed, own: &LoopRecipe, length: Seconds) -> Result<LoopRecipe> {
        let periods = (length.0 * self.f0.0).round().max(1.0);
        let frames = (periods / self.f0.0 * self.rendered.audio.rate().as_f64()).round() as u64;
        let audio = &self.rendered.audio;
        let within = self.params.within;
        let found = best_of_length(audio, self.f0, within, self.frame(a, own.start), frames, LENGTH_REACH_S)?;
        Ok(LoopRecipe { locked: own.locked, ..self.finished(a, &found).1 })
    }

    /// What the loop of a recipe measures when it goes round; none where it cannot be measured. The
    /// hundredth of a cent by which an exact loop is read differently does not count here.
    pub fn audit(&self, a: &Analysed, l: &LoopRecipe) -> Option<SeamAudit> {
        let range = FrameRange::new(self.frame(a, l.start), self.frame(a, l.end));
        let audio = &self.rendered.audio;
        let fade = l.crossfade.frames(audio.rate()).0.min(range.count().0).min(range.start.0);
        let even = if l.even { evened(audio, range).ok()?.0 } else { audio.clone() };
        looping::audit(&looping::bake(&even, range, fade).ok()?, range).ok()
    }

    fn frame(&self, a: &Analysed, source: f64) -> u64 {
        self.rendered.frame_of(&a.clip, source).round().max(0.0) as u64
    }

    /// A candidate as it is kept: by source positions, evened where that helps.
    fn finished(&self, a: &Analysed, found: &LoopCandidate) -> (LoopCandidate, LoopRecipe) {
        let even = self.evened(found);
        let c = even.unwrap_or(*found);
        let recipe = LoopRecipe {
            start: self.rendered.source_of(&a.clip, c.range.start.0 as f64),
            end: self.rendered.source_of(&a.clip, c.range.end.0 as f64),
            crossfade: FrameCount(c.crossfade).lasts(self.rendered.audio.rate()),
            score: c.score,
            parts: c.parts,
            locked: false,
            even: even.is_some(),
        };
        (c, recipe)
    }

    /// The candidate with its level evened: where the level steps by what is just heard or more, and
    /// the score says that it helps.
    fn evened(&self, c: &LoopCandidate) -> Option<LoopCandidate> {
        let audio = &self.rendered.audio;
        let step = looping::evening_gain(audio, c.range).ok()?;
        if step.0.abs() < EVEN_FROM_DB {
            return None;
        }
        // The score looks only at the surroundings of both ends.
        let room = u64::from(audio.rate().hz()).max(c.crossfade);
        let from = c.range.start.0.saturating_sub(room);
        let part = audio.part(FrameRange::new(from, c.range.end.0 + room));
        let range = FrameRange::new(c.range.start.0 - from, c.range.end.0 - from);
        let (even, _) = evened(&part, range).ok()?;
        let scored = looping::score_loop(&even, self.f0, range, c.crossfade).ok()?;
        (scored.score > c.score).then_some(LoopCandidate { range: c.range, ..scored })
    }
}

/// A take that is ready to be searched, or why it is not.
type Ready = (TakeId, Result<(Analysed, Loopable)>);

/// What copying a loop's length to the other layers of its note came to.
#[derive(Debug, Clone, Default)]
pub struct CopiedLength {
    /// Each take as it was, and the loop it gets.
    pub loops: Vec<(Take, LoopRecipe)>,
    /// Takes that are left alone, and why.
    pub left: Vec<(TakeId, String)>,
}

/// Gives the loops of the other layers of `take`'s note its loop's length, each to the nearest whole
/// number of its own periods and near its own start. Takes that are set aside count as not there;
/// locked loops, takes without a loop, and takes where no loop of that length fits are left alone.
///
/// Errors: `Nothing` when the take has no loop or its note no other layer; `Cancelled`.
pub fn copy_length(session: &Path, document: &Document, take: TakeId, job: &Job) -> Result<CopiedLength> {
    let none = |why| Error::new(ErrorKind::Nothing, why);
    let from = document.take(take).and_then(|t| t.recipe.as_ref()?.looping);
    let from = from.ok_or_else(|| none("this take has no loop whose length could be copied"))?;
    let mut result = CopiedLength::default();
    let mut todo = Vec::new();
    for id in tuning::others_of_note(document, take) {
        let Some(other) = document.take(id).filter(|t| t.state != TakeState::SetAside) else { continue };
        match other.recipe.as_ref().map(|r| r.looping) {
            None | Some(None) => result.left.push((id, "it has no loop yet".into())),
            Some(Some(l)) if l.locked => result.left.push((id, "its loop is locked".into())),
            Some(Some(_)) => todo.push(id),
        }
    }
    if todo.is_empty() && result.left.is_empty() {
        return Err(none("this note has no other layer whose loop could take the length"));
    }
    // Its own length as it is rendered: the others are rendered to the same rate.
    let all: Vec<TakeId> = std::iter::once(take).chain(todo.iter().copied()).collect();
    job.begin("copy loop length", all.len() as u64);
    let ready: Mutex<Vec<Ready>> = Mutex::new(Vec::new());
    analyse_takes(session, document, &all, &Rooms::default(), job, &|t, analysed| {
        let loopable = analysed.and_then(|a| {
            let recipe = t.recipe.as_ref().ok_or_else(|| none("this take has no recipe yet"))?;
            let on = Loopable::new(&a, recipe, &document.setup)?;
            Ok((a, on))
        });
        if let Ok(mut ready) = ready.lock() {
            ready.push((t.id, loopable));
        }
        job.advance(1);
    })?;
    let mut ready = ready.into_inner().unwrap_or_default();
    ready.sort_by_key(|(id, _)| all.iter().position(|a| a == id));
    let mut ready = ready.into_iter();
    let (a, on) = ready.next().ok_or_else(|| none("this take cannot be read"))?.1?;
    let length =
        FrameCount(on.frame(&a, from.end) - on.frame(&a, from.start)).lasts(on.rendered.audio.rate());
    for (id, loopable) in ready {
        let Some(other) = document.take(id) else { continue };
        let Some(own) = other.recipe.as_ref().and_then(|r| r.looping) else { continue };
        match loopable.and_then(|(a, on)| on.of_length(&a, &own, length)) {
            Ok(l) => result.loops.push(((**other).clone(), l)),
            Err(e) => result.left.push((id, e.to_string())),
        }
    }
    Ok(result)
}
