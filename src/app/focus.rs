//! The heavy results of the selected take: one piece of work at a time, the latest wish next, the
//! old result on screen until the new one is there.

use std::collections::{HashMap, VecDeque};
use std::path::Path;
use std::sync::Arc;

use super::derived::{CleaningMade, Derived, FromRecipe, FromSource, LoopMap, TakeDerived};
use super::work::{Event, Runner};
use crate::dsp::looping::audit;
use crate::dsp::looping::stack::{Dip, level_dips};
use crate::dsp::peaks::{Column, Peaks};
use crate::dsp::tune::Deviation;
use crate::error::{Error, ErrorKind, Result};
use crate::io::decode::{decode_ranges_while, for_each_block};
use crate::jobs::Job;
use crate::playback::engine::MOST_IN_GROUP;
use crate::render::apart::layers_of;
use crate::render::chain::{
    analyse_while, clip_range, deviation_after_while, finished, plain, render, target_of,
};
use crate::render::loops::{Loopable, Loops};
use crate::render::room::{Room, Rooms, Stretches, stretches_for};
use crate::session::store::source_path;
use crate::session::{Document, LoopSearch, Recipe, Setup, Sheet, Source, SourceId, Take, TakeId};
use crate::units::{FrameRange, Hertz, SampleRate};

/// How many takes keep their heavy results (a take of ten seconds is some 20 MB of them).
const KEPT: usize = 10;
/// How many loops there are to choose from.
const LOOPS: usize = 24;
/// Parts that the wave of a whole file is drawn in.
const FILE_COLUMNS: u64 = 2_000;

/// What was made for the selected take.
pub enum FocusEvent {
    /// Decoded and tracked.
    Source(TakeId, Result<Box<FromSource>>),
    /// Rendered.
    Recipe(TakeId, Result<Box<FromRecipe>>),
    /// Loops to choose from.
    Loops(TakeId, Result<Box<Found>>),
    /// The room it was recorded in, learned from these stretches.
    Room(TakeId, Result<Option<Arc<Room>>>),
    /// The wave of a whole file of this hash.
    File(SourceId, String, Result<Arc<[Column]>>),
    /// The rendered take tracked again, for the recipe it was rendered with.
    After(TakeId, Arc<Recipe>, Result<Deviation>),
    /// Breaths and dips inside the loop of the rendering made with this recipe.
    Dips(TakeId, Arc<Recipe>, Result<Vec<Dip>>),
}

/// Loops to choose from, and every start against every end.
pub struct Found {
    loops: Result<Loops>,
    map: Option<LoopMap>,
}

#[derive(Debug, Clone, PartialEq)]
struct SourceKey(String, FrameRange);

#[derive(Debug, Clone, PartialEq)]
struct RecipeKey(SourceKey, Recipe, Option<Stretches>, Hertz, SampleRate);

/// What was asked for last, for one take; asked is enough: what failed is not tried again.
#[derive(Debug, Default)]
struct Asked {
    source: Option<SourceKey>,
    room: Option<Option<Stretches>>,
    recipe: Option<RecipeKey>,
    loops: Option<(RecipeKey, LoopSearch)>,
    after: Option<RecipeKey>,
    dips: Option<RecipeKey>,
}

/// Work on the selected take.
#[derive(Debug, Default)]
pub struct Focus {
    asked: HashMap<TakeId, Asked>,
    latest: VecDeque<TakeId>,
    busy: bool,
    /// What is being made, and which take was selected when it began: it is given up when another is.
    running: Option<(TakeId, Job)>,
    rooms: Arc<Rooms>,
    /// Whole files that were asked for.
    files: HashMap<SourceId, String>,
}

/// What the work is about.
pub struct About<'a> {
    /// The session file.
    pub session_path: &'a Path,
    /// The document.
    pub document: &'a Document,
    /// Its sheet.
    pub sheet: &'a Sheet,
    /// The selected take.
    pub selected: TakeId,
    /// Whether the bench shows: then loops and the other layers are wanted too.
    pub bench: bool,
    /// Whether the stack shows: then all layers of the note are wanted, rendered.
    pub stack: bool,
}

impl Focus {
    /// Starts the next piece of work, if there is one and none is going on.
    pub fn step(&mut self, about: &About<'_>, derived: &mut Derived, runner: &Runner, session: u64) {
        let Some((take, source)) = about.document.take_and_source(about.selected) else { return };
        self.touch(take.id, derived);
        let start = Start { about, runner, session };
        self.mark_updating(about, take, source, derived);
        if self.busy {
            self.give_up_for(take.id);
            return;
        }
        self.busy = self.source(&start, take, source, derived)
            || self.room(&start, take, source, derived)
            || self.recipe(&start, take, source, derived)
            || (about.bench
                && (self.loops(&start, take, source, derived)
                    || self.after(&start, take, source, derived)
                    || self.other_layers(&start, take, derived)
                    || self.file(&start, source, derived)))
            || (about.stack && self.stack(&start, take, derived));
    }

    /// The files were looked through again: what failed may work now.
    pub fn retry_failed(&mut self, derived: &Derived) {
        self.asked.retain(|id, _| derived.of(*id).is_none_or(|d| d.failed.is_none()));
    }

    /// Asks work that was begun for another take to stop; it is asked for again when its turn comes.
    fn give_up_for(&self, selected: TakeId) {
        if let Some((_, job)) = self.running.as_ref().filter(|(begun_for, _)| *begun_for != selected) {
            job.cancel.cancel();
        }
    }

    fn touch(&mut self, take: TakeId, derived: &mut Derived) {
        if self.latest.front() == Some(&take) {
            return;
        }
        self.latest.retain(|t| *t != take);
        self.latest.push_front(take);
        self.latest.truncate(KEPT);
        let latest = &self.latest;
        derived.keep_only(|t| latest.contains(&t));
        self.asked.retain(|t, _| latest.contains(t));
    }

    /// Says at once that a newer rendering is due, though its work may have to wait its turn.
    fn mark_updating(&self, about: &About<'_>, take: &Take, source: &Source, derived: &mut Derived) {
        let asked = self.asked.get(&take.id).and_then(|a| a.recipe.as_ref());
        let wanted = recipe_key(about, take, source);
        if wanted.is_some() && asked != wanted.as_ref() {
            derived.entry(take.id).updating = true;
        }
    }

    fn source(
        &mut self,
        start: &Start<'_>,
        take: &Arc<Take>,
        source: &Source,
        derived: &mut Derived,
    ) -> bool {
        let key = source_key(take, source);
        let asked = self.asked.entry(take.id).or_default();
        if asked.source.as_ref() == Some(&key) {
            return false;
        }
        *asked = Asked { source: Some(key), ..Asked::default() };
        derived.entry(take.id).updating = true;
        derived.entry(take.id).failed = None;
        let id = take.id;
        let path = source_path(start.about.session_path, &source.path);
        let (take, source) = (Arc::clone(take), source.clone());
        let work =
            move |job: &Job| from_source(&path, clip_range(&take, &source), take.span, job).map(Box::new);
        self.running = Some((start.about.selected, start.run(work, move |r| FocusEvent::Source(id, r))));
        true
    }

    /// The room that the take is cleaned of; where it is learned from can be changed without reading
    /// the take again.
    fn room(&mut self, start: &Start<'_>, take: &Take, source: &Source, derived: &mut Derived) -> bool {
        let wanted = stretches_for(start.about.document, source);
        let asked = self.asked.entry(take.id).or_default();
        if derived.entry(take.id).source.is_none() || asked.room.as_ref() == Some(&wanted) {
            return false;
        }
        asked.room = Some(wanted.clone());
        let (id, rooms) = (take.id, Arc::clone(&self.rooms));
        let session = start.about.session_path.to_path_buf();
        let work = move |job: &Job| wanted.map_or(Ok(None), |w| rooms.learned(&session, &w, job));
        self.running = Some((start.about.selected, start.run(work, move |r| FocusEvent::Room(id, r))));
        true
    }

    /// The wave of the whole file, for the room tone in it.
    fn file(&mut self, start: &Start<'_>, source: &Source, derived: &Derived) -> bool {
        let known = derived.file_wave(source).is_some();
        if known || self.files.get(&source.id) == Some(&source.hash) {
            return false;
        }
        self.files.insert(source.id, source.hash.clone());
        let (id, hash, frames) = (source.id, source.hash.clone(), source.frames);
        let path = source_path(start.about.session_path, &source.path);
        let work = move |job: &Job| file_wave(&path, frames, job);
        self.running = Some((start.about.selected, start.run(work, move |r| FocusEvent::File(id, hash, r))));
        true
    }

    fn recipe(&mut self, start: &Start<'_>, take: &Take, source: &Source, derived: &mut Derived) -> bool {
        let key = recipe_key(start.about, take, source);
        let asked = self.asked.entry(take.id).or_default();
        let entry = derived.entry(take.id);
        let (Some(key), Some(from)) = (key, entry.source.clone()) else {
            if take.recipe.is_none() {
                entry.recipe = None;
                entry.loops = None;
                entry.loop_map = None;
                asked.recipe = None;
            }
            return false;
        };
        if asked.recipe.as_ref() == Some(&key) {
            return false;
        }
        entry.updating = true;
        let RecipeKey(_, recipe, _, a4, rate) = key.clone();
        asked.recipe = Some(key);
        let id = take.id;
        let work = move |job: &Job| from_recipe(&from, Arc::new(recipe), a4, rate, job).map(Box::new);
        self.running = Some((start.about.selected, start.run(work, move |r| FocusEvent::Recipe(id, r))));
        true
    }

    fn loops(&mut self, start: &Start<'_>, take: &Take, source: &Source, derived: &mut Derived) -> bool {
        // Which loops there are depends on everything but the loop that was chosen.
        let Some(mut key) = recipe_key(start.about, take, source) else { return false };
        key.1.looping = None;
        let key = (key, start.about.document.setup.loops);
        let asked = self.asked.entry(take.id).or_default();
        let Some(from) = derived.entry(take.id).source.clone() else { return false };
        if asked.loops.as_ref() == Some(&key) {
            return false;
        }
        asked.loops = Some(key);
        let Some(recipe) = take.recipe.clone() else { return false };
        let (id, setup): (_, Setup) = (take.id, start.about.document.setup.clone());
        start.run(move |_| found(&from, &recipe, &setup).map(Box::new), move |r| FocusEvent::Loops(id, r));
        true
    }

    fn after(&mut self, start: &Start<'_>, take: &Take, source: &Source, derived: &mut Derived) -> bool {
        let Some(key) = recipe_key(start.about, take, source) else { return false };
        let asked = self.asked.entry(take.id).or_default();
        if asked.after.as_ref() == Some(&key) {
            return false;
        }
        let Some(made) = derived.entry(take.id).recipe.clone() else { return false };
        asked.after = Some(key);
        let id = take.id;
        let a4 = start.about.document.setup.a4;
        let recipe = Arc::clone(&made.recipe);
        start.run(
            move |job| {
                let go_on = || !job.cancel.is_cancelled();
                deviation_after_while(&made.rendered, target_of(&made.recipe.tune, a4), &go_on)
            },
            move |r| FocusEvent::After(id, recipe, r),
        );
        true
    }

    /// The note's other layers stand behind the selected take as outlines.
    fn other_layers(&mut self, start: &Start<'_>, take: &Take, derived: &mut Derived) -> bool {
        let Some(note) = take.note else { return false };
        let about = start.about;
        let others: Vec<_> = (0..about.sheet.layers)
            .filter_map(|l| about.sheet.at(note, l).first().copied())
            .filter(|id| *id != take.id)
            .take(KEPT - 2)
            .collect();
        for id in others {
            let Some((other, source)) = about.document.take_and_source(id) else { continue };
            if !self.latest.contains(&id) {
                self.latest.insert(1.min(self.latest.len()), id);
                self.latest.truncate(KEPT);
            }
            if self.source(start, other, source, derived) {
                return true;
            }
        }
        false
    }

    /// All layers of the note, rendered, and what dips inside their loops.
    fn stack(&mut self, start: &Start<'_>, selected: &Take, derived: &mut Derived) -> bool {
        let about = start.about;
        let Some(note) = selected.note else { return false };
        let layers: Vec<_> = layers_of(about.document, about.sheet, note)
            .into_iter()
            .take(MOST_IN_GROUP)
            .filter_map(|id| about.document.take_and_source(id))
            .collect();
        let kept = KEPT.max(layers.len() + 1);
        for (take, source) in &layers {
            if !self.latest.contains(&take.id) {
                self.latest.insert(1.min(self.latest.len()), take.id);
                self.latest.truncate(kept);
            }
            self.mark_updating(about, take, source, derived);
        }
        layers.iter().any(|(take, source)| {
            self.source(start, take, source, derived) || self.recipe(start, take, source, derived)
        }) || layers.iter().any(|(take, source)| self.dips(start, take, source, derived))
    }

    fn dips(&mut self, start: &Start<'_>, take: &Take, source: &Source, derived: &mut Derived) -> bool {
        let Some(key) = recipe_key(start.about, take, source) else { return false };
        let asked = self.asked.entry(take.id).or_default();
        if asked.dips.as_ref() == Some(&key) || asked.recipe.as_ref() != Some(&key) {
            return false;
        }
        let Some(made) = derived.entry(take.id).recipe.clone() else { return false };
        asked.dips = Some(key);
        let Some(range) = made.rendered.looping.map(|l| l.range) else { return false };
        let (id, recipe) = (take.id, Arc::clone(&made.recipe));
        start.run(move |_| level_dips(&made.finished, range), move |r| FocusEvent::Dips(id, recipe, r));
        true
    }

    /// Takes in what was made; returns an error that nobody else shows.
    pub fn take_in(&mut self, event: FocusEvent, derived: &mut Derived) -> Option<Error> {
        self.busy = false;
        self.running = None;
        match event {
            // Given up for another take: asked for again when its turn comes.
            FocusEvent::Source(id, Err(e)) if e.is_cancelled() => {
                self.asked.remove(&id);
                None
            }
            FocusEvent::Recipe(id, Err(e)) if e.is_cancelled() => {
                self.asked.entry(id).or_default().recipe = None;
                None
            }
            FocusEvent::Room(id, Err(e)) if e.is_cancelled() => {
                self.asked.entry(id).or_default().room = None;
                None
            }
            FocusEvent::Room(id, result) => {
                let (room, problem) = match result {
                    Ok(room) => (room, None),
                    Err(e) => (None, Some(e.context("reading the room tone"))),
                };
                if let Some(source) = &mut derived.entry(id).source {
                    source.analysed = Arc::new((*source.analysed).clone().in_room(room));
                }
                // It is rendered anew in this room.
                let asked = self.asked.entry(id).or_default();
                (asked.recipe, asked.loops, asked.after) = (None, None, None);
                problem
            }
            FocusEvent::File(id, hash, Ok(columns)) => {
                derived.set_file_wave(id, hash, columns);
                None
            }
            // The take itself says what is wrong with its file.
            FocusEvent::File(id, _, Err(e)) => {
                if e.is_cancelled() {
                    self.files.remove(&id);
                }
                None
            }
            FocusEvent::Source(id, Ok(made)) => {
                let entry = derived.entry(id);
                entry.source = Some(*made);
                entry.updating = false;
                None
            }
            FocusEvent::Recipe(id, Ok(made)) => {
                let entry = derived.entry(id);
                let before = entry.recipe.take().and_then(|r| r.after);
                let (recipe, audit) = (Arc::clone(&made.recipe), made.audit);
                entry.recipe = Some(FromRecipe { after: before, ..*made });
                entry.updating = false;
                entry.failed = None;
                if let Some(audit) = audit {
                    derived.set_audit(id, recipe, audit);
                }
                None
            }
            FocusEvent::Source(id, Err(e)) => {
                // What was made of another state of the file is no answer any more.
                *derived.entry(id) = TakeDerived { failed: Some(e.to_string()), ..TakeDerived::default() };
                None
            }
            FocusEvent::Recipe(id, Err(e)) => {
                let entry = derived.entry(id);
                entry.updating = false;
                entry.failed = Some(e.to_string());
                None
            }
            FocusEvent::Loops(id, result) => {
                let entry = derived.entry(id);
                let (loops, map) = result.map_or_else(|e| (Err(e), None), |f| (f.loops, f.map));
                entry.loop_map = map.map(Arc::new);
                // No loop to be had is a fact about the take; the bench says so by an empty list.
                let (loops, error) = loops.map_or_else(|e| (Loops::new(), Some(e)), |l| (l, None));
                entry.loops = Some(Arc::new(loops));
                error.filter(|e| e.kind() != ErrorKind::Nothing)
            }
            FocusEvent::Dips(id, recipe, result) => {
                derived.entry(id).dips = result.ok().map(|d| (recipe, Arc::new(d)));
                None
            }
            FocusEvent::After(id, recipe, result) => {
                if let Some(made) = &mut derived.entry(id).recipe
                    && Arc::ptr_eq(&made.recipe, &recipe)
                {
                    made.after = result.ok().map(Arc::new);
                }
                None
            }
        }
    }
}

struct Start<'a> {
    about: &'a About<'a>,
    runner: &'a Runner,
    session: u64,
}

impl Start<'_> {
    fn run<R: 'static>(
        &self,
        work: impl FnOnce(&Job) -> Result<R> + Send + 'static,
        wrap: impl FnOnce(Result<R>) -> FocusEvent + Send + 'static,
    ) -> Job {
        let (session, job) = (self.session, Job::new());
        self.runner.spawn(&job, move |job, _| work(job), move |r| Event::Focus { session, event: wrap(r) });
        job
    }
}

fn source_key(take: &Take, source: &Source) -> SourceKey {
    SourceKey(source.hash.clone(), take.span)
}

fn recipe_key(about: &About<'_>, take: &Take, source: &Source) -> Option<RecipeKey> {
    let setup = &about.document.setup;
    let recipe = take.recipe.clone()?;
    // Where nothing is cleaned the room does not matter.
    let room = if recipe.clean.is_on() { stretches_for(about.document, source) } else { None };
    Some(RecipeKey(source_key(take, source), recipe, room, setup.a4, setup.delivery_rate))
}

fn from_source(path: &Path, range: FrameRange, span: FrameRange, job: &Job) -> Result<FromSource> {
    let mut clip = None;
    let go_on = || !job.cancel.is_cancelled();
    decode_ranges_while(path, &[range], &go_on, &mut |_, c| {
        clip = Some(c);
        true
    })?;
    job.check()?;
    let clip = clip.filter(|c| !c.audio.is_empty()).ok_or_else(|| {
        Error::new(
            ErrorKind::SessionDamaged,
            format!("{} ends before this take begins; survey the files again", path.display()),
        )
    })?;
    let analysed = analyse_while(clip, span, &go_on)?;
    let mixed: Arc<[f32]> = Arc::from(&*analysed.clip.audio.mixed());
    Ok(FromSource { peaks: Arc::new(Peaks::build(&mixed)), mixed, analysed: Arc::new(analysed) })
}

/// Extremes of equal parts of a file of `frames`; one block is held in memory.
fn file_wave(path: &Path, frames: u64, job: &Job) -> Result<Arc<[Column]>> {
    let frames = frames.max(1);
    let empty = Column { min: f32::MAX, max: f32::MIN, rms: 0.0 };
    let mut columns = vec![empty; FILE_COLUMNS as usize];
    let mut at = 0u64;
    for_each_block(path, &mut |planes| {
        for i in 0..planes[0].len() {
            let k = ((at + i as u64) * FILE_COLUMNS / frames).min(FILE_COLUMNS - 1);
            let c = &mut columns[k as usize];
            for p in planes {
                c.min = c.min.min(p[i]);
                c.max = c.max.max(p[i]);
            }
        }
        at += planes[0].len() as u64;
        !job.cancel.is_cancelled()
    })?;
    columns.iter_mut().filter(|c| c.min > c.max).for_each(|c| *c = Column { min: 0.0, max: 0.0, rms: 0.0 });
    Ok(columns.into())
}

fn found(from: &FromSource, recipe: &Recipe, setup: &Setup) -> Result<Found> {
    let on = Loopable::new(&from.analysed, recipe, setup)?;
    Ok(Found { loops: on.candidates(&from.analysed, LOOPS), map: LoopMap::of(on).ok() })
}

fn from_recipe(
    from: &FromSource,
    recipe: Arc<Recipe>,
    a4: Hertz,
    rate: SampleRate,
    job: &Job,
) -> Result<FromRecipe> {
    let a = &from.analysed;
    a.cleaned(&recipe.clean)?;
    job.check()?;
    let rendered = render(a, &recipe, a4, rate)?;
    job.check()?;
    // At the take's level, so that nobody takes louder for better.
    let plain = plain(a, &rendered)?.scaled(recipe.level.gain.gain() as f32)?;
    let cleaning = CleaningMade::of(a, &rendered, &recipe)?;
    let finished = finished(&rendered)?;
    Ok(FromRecipe {
        // A loop that cannot be measured has no measure; it is no reason to show nothing.
        audit: rendered.looping.and_then(|l| audit(&finished, l.range).ok()),
        finished,
        recipe,
        rendered: Arc::new(rendered),
        plain,
        after: None,
        cleaning: cleaning.map(Arc::new),
    })
}
