//! Long work: starts it, names it, stops it, and hands on what it reports.

mod event;
mod proposing;
mod runner;
mod running;

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering::Relaxed};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use super::deliver_state::DeliverWork;
use super::derived::{FromSource, LoopMap};
use super::dialog;
use super::focus::Focus;
use super::opening::{self, Outcome};
use super::session_state::Snapshot;
use super::surveying::SurveyFor;
use super::thumbs::Thumbs;
use super::view::JobView;
use crate::dsp::looping::stack::StackParams;
use crate::error::Result;
use crate::jobs::{Job, Pool};
use crate::playback::{device, midi};
use crate::render::apart::apart;
use crate::render::batch::{DeliverOptions, deliver};
use crate::render::chain::Analysed;
use crate::render::level::Loudness;
use crate::render::loops::copy_length;
use crate::render::standing::{measure_levels, remove_left_over};
use crate::session::store;
use crate::session::{Document, Source, Take, TakeId};
use crate::survey::{self, SurveyEvent, SurveyOptions};
use crate::units::{Cents, MidiNote};

use event::Belongs;
pub use event::{Changed, Event, Purpose};
use proposing::{PROPOSING, Proposing};
pub use runner::Runner;
use running::Running;

/// Progress is shown at most this often.
pub const PROGRESS_EVERY: Duration = Duration::from_millis(100);

/// Stands for the work on the selected take among the jobs.
const OF_FOCUS: u64 = u64::MAX;
/// Opening, as the user knows it.
const OPENING: &str = "Opening";
/// Choosing loops for the layers of a note together, as the user knows it.
const APART: &str = "Choosing loops that stay apart";
/// Surveying, as the user knows it.
const SURVEYING: &str = "Looking for takes";
/// Delivering, as the user knows it.
const DELIVERING: &str = "Delivering";

/// All long work of the window.
pub struct Work {
    /// Whole files and sets.
    heavy: Runner,
    /// The selected take: never behind a survey.
    quick: Runner,
    /// Small waves: never before either.
    light: Runner,
    running: Vec<Running>,
    /// Recipes that are on their way.
    proposing: Vec<Proposing>,
    /// Those whose step was taken back before all had come; it can be made again.
    laid_by: Vec<Proposing>,
    views: Vec<JobView>,
    next: AtomicU64,
    /// Counts the sessions opened, so that late results of an old one are known.
    session: u64,
    focus: Focus,
    thumbs: Thumbs,
    deliver_room: DeliverWork,
    dialogs: bool,
    chosen: (Sender<Event>, Receiver<Event>),
}

impl Work {
    /// Work on threads that wake `ctx`, or inline. `dialogs`: whether the system may be asked.
    pub fn new(ctx: &egui::Context, inline: bool, dialogs: bool) -> Result<Self> {
        let runner = |threads: usize, wake_after: Duration| -> Result<Runner> {
            if inline {
                return Ok(Runner::Inline(Mutex::new(Vec::new())));
            }
            let ctx = ctx.clone();
            Pool::new(threads, move || ctx.request_repaint_after(wake_after)).map(Runner::Threads)
        };
        let cores = std::thread::available_parallelism().map_or(2, usize::from);
        Ok(Self {
            heavy: runner(cores, PROGRESS_EVERY)?,
            quick: runner(1, Duration::ZERO)?,
            light: runner(1, PROGRESS_EVERY)?,
            running: Vec::new(),
            proposing: Vec::new(),
            laid_by: Vec::new(),
            views: Vec::new(),
            next: AtomicU64::new(1),
            session: 1,
            focus: Focus::default(),
            thumbs: Thumbs::default(),
            deliver_room: DeliverWork::default(),
            dialogs,
            chosen: channel(),
        })
    }

    /// Forgets everything that belongs to the session before.
    pub fn new_session(&mut self) {
        self.running.drain(..).for_each(|r| r.job.cancel.cancel());
        self.proposing.clear();
        self.laid_by.clear();
        self.views.clear();
        self.session += 1;
        self.focus = Focus::default();
        self.thumbs = Thumbs::default();
        self.deliver_room = DeliverWork::default();
    }

    /// What came in since the last call. What belongs to an older session or a job that was
    /// forgotten is left out.
    pub fn events(&mut self) -> Vec<Event> {
        let mut events: Vec<_> = [&self.heavy, &self.quick, &self.light]
            .into_iter()
            .flat_map(Runner::events)
            .chain(self.chosen.1.try_iter())
            .collect();
        events.retain(|e| match e.belongs_to() {
            Belongs::Job(job) => self.running.iter().any(|r| r.id == job),
            Belongs::Session(session) => session == self.session,
            Belongs::Window => true,
        });
        events
    }

    /// Reads the progress of what runs.
    pub fn refresh_views(&mut self) {
        for r in &mut self.running {
            let stage = r.job.stage();
            if stage != r.stage {
                (r.stage, r.since, r.partly) = (stage, Instant::now(), 0.0);
            }
        }
        let finding = self.is_surveying();
        let proposing = self.proposing.iter().map(|p| p.view(&self.running, finding));
        // First, because in a small window there is room for one: it tells of the takes that are still found too.
        let others = self.running.iter().filter(|r| r.name != PROPOSING);
        self.views = proposing.chain(others.map(Running::view)).collect();
        if let Some((what, job, since)) = self.focus.going_on() {
            self.views.push(JobView {
                id: OF_FOCUS,
                stage: what.into(),
                fraction: job.fraction(),
                counts: (0, 0),
                seconds_left: job.time_left(since).map(|d| d.as_secs_f64()),
                more: false,
                escape: false,
                finds: false,
            });
        }
    }

    /// What runs, for the window.
    pub fn views(&self) -> &[JobView] {
        &self.views
    }

    /// Whether anything with progress to show runs.
    pub fn is_busy(&self) -> bool {
        !self.running.is_empty() || !self.proposing.is_empty() || self.focus.is_busy()
    }

    /// Asks a job to stop.
    pub fn cancel(&mut self, id: u64) {
        if id == OF_FOCUS {
            self.focus.stop();
        }
        self.running.iter().filter(|r| r.id == id).for_each(|r| r.job.cancel.cancel());
    }

    /// Asks all jobs to stop.
    pub fn cancel_all(&self) {
        self.running.iter().for_each(|r| r.job.cancel.cancel());
    }

    /// A job has ended.
    pub fn ended(&mut self, id: u64) {
        self.running.retain(|r| r.id != id);
    }

    fn fresh_id(&self) -> u64 {
        self.next.fetch_add(1, Relaxed)
    }

    fn begin(&mut self, name: &'static str, total: u64) -> (u64, Job) {
        let id = self.fresh_id();
        let job = Job::new();
        job.begin(name, total);
        self.running.push(Running {
            id,
            name,
            stage: job.stage(),
            since: Instant::now(),
            partly: 0.0,
            job: job.clone(),
        });
        (id, job)
    }

    /// The selected take's work, with where it runs.
    pub fn focus(&mut self) -> (&mut Focus, &Runner, u64) {
        (&mut self.focus, &self.quick, self.session)
    }

    /// The small waves, with where they run.
    pub fn thumbs(&mut self) -> (&mut Thumbs, &Runner, u64) {
        (&mut self.thumbs, &self.light, self.session)
    }

    /// What is looked at for the deliver room, with where it runs.
    pub fn deliver_room(&mut self) -> (&mut DeliverWork, &Runner, u64) {
        (&mut self.deliver_room, &self.light, self.session)
    }

    /// Where the sounds of keys are made: behind the selected take, not behind a survey.
    pub fn key_sounds(&self) -> (&Runner, u64) {
        (&self.light, self.session)
    }

    /// Looks which devices there are: asking them may take a while.
    pub fn look_for_devices(&self) {
        self.quick.spawn(
            &Job::new(),
            |_, _| Ok((device::outputs(), midi::inputs())),
            |result| match result {
                Ok((outputs, inputs)) => Event::Devices { outputs, inputs },
                Err(e) => Event::Devices { outputs: Err(e.clone()), inputs: Err(e) },
            },
        );
    }

    /// Looks which of `paths` are not there: a disk that sleeps may take a while.
    pub fn look_for(&self, paths: Vec<PathBuf>) {
        self.light.spawn(
            &Job::new(),
            move |_, _| Ok(paths.into_iter().filter(|p| !p.exists()).collect()),
            |missing: Result<_>| Event::Missing(missing.unwrap_or_default()),
        );
    }

    /// Whether takes are being looked for.
    pub fn is_surveying(&self) -> bool {
        self.running.iter().any(|r| r.name == SURVEYING)
    }

    /// Whether a delivery runs.
    pub fn is_delivering(&self) -> bool {
        self.running.iter().any(|r| r.name == DELIVERING)
    }

    /// What is done of the steps of a job that are being worked on: so many whole steps' worth.
    pub fn partly(&mut self, id: u64, steps: f32) {
        self.running.iter_mut().filter(|r| r.id == id).for_each(|r| r.partly = steps);
    }

    /// Waits, at the end of the program, until a delivery that was asked to stop has finished the
    /// files it was writing: ended with the program, they would leave parts behind.
    pub fn finish_delivery(&mut self, at_most: Duration) {
        let until = Instant::now() + at_most;
        while self.is_delivering() && Instant::now() < until {
            if let Some(Event::Delivered { job, .. }) = self.heavy.wait(Duration::from_millis(50)) {
                self.ended(job);
            }
        }
    }

    /// Finds out what `paths` lead to; what was to be opened before that is forgotten. `current` is
    /// the session that is open and ours to write.
    pub fn open(&mut self, paths: Vec<PathBuf>, current: Option<PathBuf>) {
        self.begin_opening(move || opening::open(paths, current.as_deref()));
    }

    /// The same for the autosave of the session at `path`.
    pub fn rescue(&mut self, path: PathBuf) {
        self.begin_opening(move || opening::rescue(path));
    }

    fn begin_opening(&mut self, work: impl FnOnce() -> Result<Outcome> + Send + 'static) {
        self.running.iter().filter(|r| r.name == OPENING).for_each(|r| r.job.cancel.cancel());
        self.running.retain(|r| r.name != OPENING);
        let (id, job) = self.begin(OPENING, 0);
        self.quick.spawn(
            &job,
            move |job, _| {
                let outcome = work()?;
                // Whoever asks for something else meanwhile gives up the lock as well.
                job.check()?;
                Ok(outcome)
            },
            move |result| Event::Opened { job: id, result },
        );
    }

    /// Saves a snapshot of the session.
    pub fn save(&self, snapshot: Snapshot) {
        let (session, revision) = (self.session, snapshot.revision);
        self.quick.spawn(
            &Job::new(),
            move |_, _| snapshot.write(),
            move |result| Event::Saved { session, revision, result },
        );
    }

    /// Compares the sources with their hashes, one after the other: it reads them all.
    pub fn verify(&mut self, session: &Path, document: &Arc<Document>) {
        let (id, job) = self.begin("Checking the recordings", document.sources.len() as u64);
        let (session, document) = (session.to_path_buf(), Arc::clone(document));
        self.heavy.spawn(
            &job,
            move |job, _| {
                let mut changed = Vec::new();
                for source in &document.sources {
                    let alone = Document { sources: vec![Arc::clone(source)], ..Document::default() };
                    let found = store::verify_sources(&session, &alone, &|| !job.cancel.is_cancelled())?;
                    changed.extend(found.into_iter().map(|(s, text)| (s, source.hash.clone(), text)));
                    job.advance(1);
                }
                Ok(changed)
            },
            move |result| Event::Verified { job: id, result },
        );
    }

    /// Surveys files and folders.
    pub fn survey(&mut self, paths: Vec<PathBuf>, options: SurveyOptions, purpose: SurveyFor) -> u64 {
        let (id, job) = self.begin(SURVEYING, 0);
        self.heavy.spawn(
            &job,
            move |job, report| {
                let files = survey::sound_files(&paths)?;
                survey::survey_files(&files, &options, job, &|e| {
                    report(match e {
                        SurveyEvent::File(file) => Event::Found { job: id, file },
                        SurveyEvent::Heard { path, done, wave } => Event::Heard { job: id, path, done, wave },
                        SurveyEvent::Failed(path, error) => Event::NotRead { job: id, path, error },
                    });
                })
            },
            move |result| Event::Surveyed { job: id, purpose, result },
        );
        id
    }

    /// Chooses loops that stay apart for the layers of each of `notes`.
    pub fn apart(
        &mut self,
        session: &Path,
        document: &Arc<Document>,
        notes: Vec<MidiNote>,
        how: (Cents, StackParams),
        known: HashMap<TakeId, Arc<Analysed>>,
    ) {
        self.running.iter().filter(|r| r.name == APART).for_each(|r| r.job.cancel.cancel());
        let (id, job) = self.begin(APART, 0);
        let (session, document) = (session.to_path_buf(), Arc::clone(document));
        self.heavy.spawn(
            &job,
            move |job, _| apart(&session, &document, &notes, how, known, job),
            move |result| Event::Apart { job: id, result },
        );
    }

    /// Looks for the best loop of `take` near two source positions.
    pub fn loop_near(
        &self,
        take: &Arc<Take>,
        (sound, map): (&FromSource, &Arc<LoopMap>),
        (start, end, reach_s): (f64, f64, f64),
    ) {
        let (session, before) = (self.session, Arc::clone(take));
        let (analysed, map) = (Arc::clone(&sound.analysed), Arc::clone(map));
        self.quick.spawn(
            &Job::new(),
            move |_, _| map.on.near(&analysed, start, end, reach_s),
            move |result| Event::LoopNear { session, before, result },
        );
    }

    /// Refits the loops of the other layers of `take`'s note to the length of its loop.
    pub fn copy_loop_length(&mut self, session: &Path, document: &Arc<Document>, take: TakeId) {
        let (id, job) = self.begin("Copying the loop length", 0);
        let (session, document) = (session.to_path_buf(), Arc::clone(document));
        self.heavy.spawn(
            &job,
            move |job, _| copy_length(&session, &document, take, job),
            move |result| Event::LengthCopied { job: id, result },
        );
    }

    /// Delivers the accepted takes.
    pub fn deliver(&mut self, session: &Path, document: &Arc<Document>, folder: PathBuf) {
        let (id, job) = self.begin(DELIVERING, 0);
        let (session, document, into) = (session.to_path_buf(), Arc::clone(document), folder.clone());
        self.heavy.spawn(
            &job,
            move |job, _| deliver(&session, &document, &into, &DeliverOptions { resume: true }, job),
            move |result| Event::Delivered { job: id, folder, result },
        );
    }

    /// Measures how loud the accepted takes are, but for what is `known` by the hash of its sound.
    pub fn measure(&mut self, session: &Path, document: &Arc<Document>, known: HashMap<String, Loudness>) {
        let (id, job) = self.begin("Measuring levels", 0);
        let (session, document) = (session.to_path_buf(), Arc::clone(document));
        self.heavy.spawn(
            &job,
            move |job, report| {
                measure_levels(&session, &document, &known, job, &|measured| {
                    report(Event::Measured { job: id, measured });
                })
            },
            move |result| Event::MeasureEnded { job: id, result },
        );
    }

    /// Removes files of earlier deliveries that are left over as `document` would be delivered.
    pub fn remove_orphans(&mut self, document: &Arc<Document>, folder: PathBuf, names: Vec<String>) {
        let (id, job) = self.begin("Removing files", 0);
        let document = Arc::clone(document);
        self.heavy.spawn(
            &job,
            move |_, _| remove_left_over(&document, &folder, &names),
            move |result| Event::OrphansRemoved { job: id, result },
        );
    }

    /// Shows a file in another program; false where none could be started.
    pub fn open_file(&self, path: &Path) -> bool {
        self.dialogs && dialog::open_file(path).is_ok()
    }

    /// Asks for a folder without blocking the frame.
    pub fn choose_folder(&self, ctx: &egui::Context, purpose: Purpose, start: Option<&Path>) {
        let send = self.chosen.0.clone();
        if !self.dialogs {
            // The receiver is ours and alive.
            let _ = send.send(Event::Chosen { purpose, path: None, at_once: true });
            return;
        }
        let title = match purpose {
            Purpose::Open => "Choose the folder with the takes",
            Purpose::Deliver => "Choose the folder to deliver into",
        };
        let ctx = ctx.clone();
        dialog::choose_folder(title, start, move |path, at_once| {
            let _ = send.send(Event::Chosen { purpose, path, at_once });
            ctx.request_repaint();
        });
    }
}

/// Groups takes by the source they lie in, so that each file is decoded once.
pub fn by_source(document: &Document, takes: &[TakeId]) -> Vec<(Arc<Source>, Vec<Arc<Take>>)> {
    let mut groups: Vec<(Arc<Source>, Vec<Arc<Take>>)> = Vec::new();
    for (take, source) in takes.iter().filter_map(|id| document.take_and_source(*id)) {
        match groups.iter_mut().find(|(s, _)| s.id == source.id) {
            Some((_, takes)) => takes.push(Arc::clone(take)),
            None => groups.push((Arc::clone(source), vec![Arc::clone(take)])),
        }
    }
    groups
}
