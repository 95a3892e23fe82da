//! Recipes that were asked for in one act, however many jobs it takes to bring them: a survey that still
//! runs finds more takes to propose.

use std::collections::HashSet;
use std::path::Path;
use std::sync::Arc;

use super::running::Running;
use super::{Event, Work};
use crate::app::view::JobView;
use crate::render::intake;
use crate::session::{Document, TakeId};

/// Proposing, as the user knows it.
pub(super) const PROPOSING: &str = "Proposing recipes";

/// What was asked for in one act.
#[derive(Default)]
pub(super) struct Proposing {
    /// Its name among the jobs, and of its step in the history.
    id: u64,
    /// All takes that are new are asked for, those that are still to be found too.
    all: bool,
    /// Every take that was asked for.
    asked: HashSet<TakeId>,
    /// Those of them that something was brought for, be it that none can be made.
    brought: HashSet<TakeId>,
    /// Those that no job works on yet.
    waiting: Vec<TakeId>,
    /// How many are done with, by jobs that have ended.
    done: u64,
    /// How many of the results were of no use, so that they count for nothing.
    again: u64,
    /// The job at work.
    job: Option<u64>,
}

impl Proposing {
    /// How it stands, for the window; `finding`: takes are still looked for.
    pub fn view(&self, running: &[Running], finding: bool) -> JobView {
        let job = self.job.and_then(|id| running.iter().find(|r| r.id == id)).map(Running::view);
        let done = (self.done + job.as_ref().map_or(0, |j| j.counts.0)).saturating_sub(self.again);
        let total = self.asked.len() as u64;
        let more = self.all && finding;
        // With more to come than the job at work knows of, its pace tells little.
        let seconds_left = job.filter(|_| !more && self.waiting.is_empty()).and_then(|j| j.seconds_left);
        JobView {
            id: self.id,
            stage: match total {
                _ if more => "Proposing; still finding takes",
                1 if !self.all => "Proposing a recipe",
                _ => PROPOSING,
            }
            .into(),
            fraction: if total == 0 { 0.0 } else { (done as f32 / total as f32).min(1.0) },
            counts: (done, total),
            seconds_left,
            more,
            escape: self.all,
            finds: false,
        }
    }

    /// Whether everything asked for has been brought.
    fn is_over(&self, finding: bool) -> bool {
        self.job.is_none() && self.waiting.is_empty() && !(self.all && finding)
    }
}

impl Work {
    /// Begins to propose, with no take yet; its name. `all`: takes that are found meanwhile are asked for
    /// too.
    pub fn begin_proposing(&mut self, all: bool) -> u64 {
        let id = self.fresh_id();
        self.proposing.push(Proposing { id, all, ..Proposing::default() });
        id
    }

    /// Asks for `takes` too, in the act called `id`.
    pub fn propose_more(&mut self, id: u64, session: &Path, document: &Arc<Document>, takes: Vec<TakeId>) {
        if let Some(p) = self.proposing.iter_mut().find(|p| p.id == id) {
            p.asked.extend(&takes);
            p.waiting.extend(takes);
            self.propose_waiting(id, session, document);
        }
    }

    /// Hands what waits to a job, where none is at work.
    fn propose_waiting(&mut self, id: u64, session: &Path, document: &Arc<Document>) {
        let Some(p) = self.proposing.iter_mut().find(|p| p.id == id && p.job.is_none()) else { return };
        let takes = std::mem::take(&mut p.waiting);
        if takes.is_empty() {
            return;
        }
        let (job_id, job) = self.begin(PROPOSING, takes.len() as u64);
        if let Some(p) = self.proposing.iter_mut().find(|p| p.id == id) {
            p.job = Some(job_id);
        }
        let (session, document) = (session.to_path_buf(), Arc::clone(document));
        self.heavy.spawn(
            &job,
            move |job, report| {
                intake::propose_takes(&session, &document, &takes, job, &|take, result| {
                    if let Some(before) = document.take(take).map(Arc::clone) {
                        report(Event::Proposed { job: job_id, before, result: result.map(Box::new) });
                    }
                })
            },
            move |result| Event::ProposeEnded { job: job_id, result },
        );
    }

    /// A job that proposed has ended; what came up meanwhile goes to another.
    pub fn proposing_job_ended(&mut self, job: u64, session: &Path, document: &Arc<Document>) {
        let counted = self.running.iter().find(|r| r.id == job).map_or(0, |r| r.job.counts().0);
        self.ended(job);
        let Some(p) = self.proposing.iter_mut().find(|p| p.job == Some(job)) else { return };
        p.done += counted;
        p.job = None;
        let id = p.id;
        self.propose_waiting(id, session, document);
    }

    /// The act that a job belongs to.
    pub fn proposing_of(&self, job: u64) -> Option<u64> {
        self.proposing.iter().find(|p| p.job == Some(job)).map(|p| p.id)
    }

    /// The act that asked for all takes, while it goes on.
    pub fn proposing_all(&self) -> Option<u64> {
        self.proposing.iter().find(|p| p.all).map(|p| p.id)
    }

    /// Whether an act of that name goes on.
    pub fn is_proposing(&self, id: u64) -> bool {
        self.proposing.iter().any(|p| p.id == id)
    }

    /// The names of all that go on.
    pub fn proposing(&self) -> Vec<u64> {
        self.proposing.iter().map(|p| p.id).collect()
    }

    /// Whether a recipe for `take` was asked for by something that goes on.
    pub fn is_asked_for(&self, take: TakeId) -> bool {
        self.proposing.iter().any(|p| p.asked.contains(&take))
    }

    /// Something was brought for a take of the act `id`.
    pub fn brought(&mut self, id: u64, take: TakeId) {
        if let Some(p) = self.proposing.iter_mut().find(|p| p.id == id) {
            p.brought.insert(take);
        }
    }

    /// A take of the act `id` is to be proposed once more: it is not what it was when its turn came.
    pub fn ask_again(&mut self, id: u64, take: TakeId) {
        if let Some(p) = self.proposing.iter_mut().find(|p| p.id == id) {
            p.asked.remove(&take);
            p.brought.remove(&take);
            p.again += 1;
        }
    }

    /// Takes off, and names, what has brought all that was asked for.
    pub fn proposing_over(&mut self) -> Vec<u64> {
        let finding = self.is_surveying();
        let over: Vec<u64> = self.proposing.iter().filter(|p| p.is_over(finding)).map(|p| p.id).collect();
        self.proposing.retain(|p| !over.contains(&p.id));
        over
    }

    /// Stops an act: nothing of it comes any more.
    pub fn stop_proposing(&mut self, id: u64) {
        self.halt(id);
    }

    /// Stops an act whose step was taken back; it can be taken up again with the step.
    pub fn lay_by(&mut self, id: u64) {
        if let Some(act) = self.halt(id) {
            self.laid_by.push(act);
        }
    }

    fn halt(&mut self, id: u64) -> Option<Proposing> {
        let at = self.proposing.iter().position(|p| p.id == id)?;
        let mut act = self.proposing.remove(at);
        if let Some(job) = act.job.take() {
            self.cancel(job);
            self.ended(job);
        }
        Some(act)
    }

    /// The acts that were laid by, by name.
    pub fn laid_by(&self) -> Vec<u64> {
        self.laid_by.iter().map(|p| p.id).collect()
    }

    /// Forgets an act that was laid by: its step cannot be made again any more.
    pub fn forget_laid_by(&mut self, id: u64) {
        self.laid_by.retain(|p| p.id != id);
    }

    /// Goes on with an act that was laid by, as far as it had come; the takes that are still to be brought.
    pub fn take_up(&mut self, id: u64) -> Vec<TakeId> {
        let Some(at) = self.laid_by.iter().position(|p| p.id == id) else { return Vec::new() };
        let Proposing { all, asked, brought, .. } = self.laid_by.remove(at);
        let mut left: Vec<TakeId> = asked.difference(&brought).copied().collect();
        left.sort_unstable();
        let done = brought.len() as u64;
        self.proposing.push(Proposing {
            id,
            all,
            asked: brought.clone(),
            brought,
            done,
            ..Proposing::default()
        });
        left
    }
}
