//! The heavy results of the selected take: one piece of work at a time, the latest wish next, the
//! old result on screen until the new one is there.

mod make;
mod take_in;

use std::collections::{HashMap, VecDeque};
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use super::derived::{Derived, FromRecipe, FromSource, LoopMap};
use super::work::{Event, Runner};
use crate::dsp::looping::stack::{Dip, level_dips};
use crate::dsp::peaks::Column;
use crate::dsp::tune::Deviation;
use crate::error::Result;
use crate::jobs::Job;
use crate::playback::engine::MOST_IN_GROUP;
use crate::render::apart::layers_of;
use crate::render::chain::{Rendered, clip_range, deviation_after_while, target_of};
use crate::render::loops::Loops;
use crate::render::room::{Room, Rooms, Stretches, stretches_for};
use crate::session::store::source_path;
use crate::session::{Document, LoopSearch, Recipe, Setup, Sheet, Source, SourceId, Take, TakeId};
use crate::units::{FrameRange, Hertz, SampleRate};

use make::{file_wave, found, from_recipe, from_source};

/// What the user knows the steps by.
const READING: &str = "Reading the take";
const LEARNING: &str = "Learning the room";
const MAKING: &str = "Making the take";
const DRAWING: &str = "Drawing the file";
/// What goes on for longer is told.
const TOLD_AFTER: Duration = Duration::from_secs(1);
/// What is said of a take whose work the user stopped.
const STOPPED: &str = "stopped on request; select another take and come back to go on";

/// How many takes keep their heavy results (a take of ten seconds is some 20 MB of them).
const KEPT: usize = 10;

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
    /// The same as far as it was read.
    FilePart(SourceId, String, Arc<[Column]>),
    /// The wave of a whole file of this hash.
    File(SourceId, String, Result<Arc<[Column]>>),
    /// The rendered take tracked again, with the rendering it was made of.
    After(TakeId, Arc<Rendered>, Result<Deviation>),
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

/// The recipe in it has nothing that is not heard: for a lock, or a score, nothing is made anew.
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
    /// What is being made.
    running: Option<Running>,
    /// What runs was stopped by the user.
    stopped: bool,
    rooms: Arc<Rooms>,
    /// Whole files that were asked for.
    files: HashMap<SourceId, String>,
}

/// What is being made.
#[derive(Debug)]
struct Running {
    /// The take that was selected when it began: it is given up when another is.
    begun_for: TakeId,
    /// What the user knows it by.
    what: &'static str,
    job: Job,
    since: Instant,
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
        if let Some(running) = self.running.as_ref().filter(|r| r.begun_for != selected) {
            running.job.cancel.cancel();
        }
    }

    /// What has been going on for longer than anybody likes to wait without being told: what, its job, and
    /// for how long.
    pub fn going_on(&self) -> Option<(&'static str, &Job, Duration)> {
        let r = self.running.as_ref()?;
        Some((r.what, &r.job, r.since.elapsed())).filter(|(_, _, since)| *since >= TOLD_AFTER)
    }

    /// Whether something is being made.
    pub fn is_busy(&self) -> bool {
        self.running.is_some()
    }

    /// The user asks what is going on to stop.
    pub fn stop(&mut self) {
        if let Some(r) = &self.running {
            r.job.cancel.cancel();
            self.stopped = true;
        }
    }

    fn touch(&mut self, take: TakeId, derived: &mut Derived) {
        if self.latest.front() == Some(&take) {
            return;
        }
        // Who comes back to a take that was stopped wants it.
        let entry = derived.entry(take);
        if entry.failed.as_deref() == Some(STOPPED) {
            entry.failed = None;
            self.asked.remove(&take);
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
        self.running = Some(start.begun(READING, start.run(work, move |r| FocusEvent::Source(id, r))));
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
        self.running = Some(start.begun(LEARNING, start.run(work, move |r| FocusEvent::Room(id, r))));
        true
    }

    /// The wave of the whole file, for the room tone in it.
    fn file(&mut self, start: &Start<'_>, source: &Source, derived: &Derived) -> bool {
        let known = derived.has_file_wave(source);
        if known || self.files.get(&source.id) == Some(&source.hash) {
            return false;
        }
        self.files.insert(source.id, source.hash.clone());
        let (id, hash, frames) = (source.id, source.hash.clone(), source.frames);
        let path = source_path(start.about.session_path, &source.path);
        let part = hash.clone();
        let work = move |job: &Job, tell: &dyn Fn(FocusEvent)| {
            file_wave(&path, frames, job, &|columns| tell(FocusEvent::FilePart(id, part.clone(), columns)))
        };
        let job = start.run_telling(work, move |r| FocusEvent::File(id, hash, r));
        self.running = Some(start.begun(DRAWING, job));
        true
    }

    fn recipe(&mut self, start: &Start<'_>, take: &Take, source: &Source, derived: &mut Derived) -> bool {
        let key = recipe_key(start.about, take, source);
        let asked = self.asked.entry(take.id).or_default();
        let entry = derived.entry(take.id);
        let (Some(key), Some(recipe), Some(from)) = (key, take.recipe.clone(), entry.source.clone()) else {
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
        let (a4, rate) = (key.3, key.4);
        asked.recipe = Some(key);
        let id = take.id;
        let work = move |job: &Job| from_recipe(&from, Arc::new(recipe), a4, rate, job).map(Box::new);
        self.running = Some(start.begun(MAKING, start.run(work, move |r| FocusEvent::Recipe(id, r))));
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
        let rendered = Arc::clone(&made.rendered);
        start.run(
            move |job| {
                let go_on = || !job.cancel.is_cancelled();
                deviation_after_while(&made.rendered, target_of(&made.recipe.tune, a4), &go_on)
            },
            move |r| FocusEvent::After(id, rendered, r),
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
        self.run_telling(move |job, _| work(job), wrap)
    }

    /// The same for work that tells of something before it is done.
    fn run_telling<R: 'static>(
        &self,
        work: impl FnOnce(&Job, &dyn Fn(FocusEvent)) -> Result<R> + Send + 'static,
        wrap: impl FnOnce(Result<R>) -> FocusEvent + Send + 'static,
    ) -> Job {
        let (session, job) = (self.session, Job::new());
        self.runner.spawn(
            &job,
            move |job, report| work(job, &|event| report(Event::Focus { session, event })),
            move |r| Event::Focus { session, event: wrap(r) },
        );
        job
    }

    fn begun(&self, what: &'static str, job: Job) -> Running {
        Running { begun_for: self.about.selected, what, job, since: Instant::now() }
    }
}

fn source_key(take: &Take, source: &Source) -> SourceKey {
    SourceKey(source.hash.clone(), take.span)
}

fn recipe_key(about: &About<'_>, take: &Take, source: &Source) -> Option<RecipeKey> {
    let setup = &about.document.setup;
    let recipe = take.recipe.as_ref()?.sounding();
    // Where nothing is cleaned the room does not matter.
    let room = if recipe.clean.is_on() { stretches_for(about.document, source) } else { None };
    Some(RecipeKey(source_key(take, source), recipe, room, setup.a4, setup.delivery_rate))
}
