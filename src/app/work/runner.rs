//! Where jobs run: on threads, or (for tests) at once where they are started.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Mutex;
use std::time::Duration;

use super::event::Event;
use crate::error::{Error, ErrorKind, Result};
use crate::jobs::{Job, Pool};

/// Runs jobs: on threads, or (for tests) at once where they are started.
pub enum Runner {
    /// On threads.
    Threads(Pool<Event>),
    /// At once.
    Inline(Mutex<Vec<Event>>),
}

impl Runner {
    /// Starts `work`, as [`Pool::spawn`] does.
    pub fn spawn<R>(
        &self,
        job: &Job,
        work: impl FnOnce(&Job, &(dyn Fn(Event) + Sync)) -> Result<R> + Send + 'static,
        finish: impl FnOnce(Result<R>) -> Event + Send + 'static,
    ) {
        match self {
            Self::Threads(pool) => pool.spawn(job, work, finish),
            Self::Inline(events) => {
                let report = |e| {
                    if let Ok(mut all) = events.lock() {
                        all.push(e);
                    }
                };
                // As on threads: a panic in a job is an error of that job.
                let result = catch_unwind(AssertUnwindSafe(|| {
                    job.check()?;
                    work(job, &report)
                }))
                .unwrap_or_else(|_| {
                    Err(Error::new(ErrorKind::Internal, "this step failed in an unforeseen way"))
                });
                report(finish(result));
            }
        }
    }

    pub(super) fn wait(&self, at_most: Duration) -> Option<Event> {
        match self {
            Self::Threads(pool) => pool.wait(at_most),
            Self::Inline(events) => events.lock().ok()?.pop(),
        }
    }

    pub(super) fn events(&self) -> Vec<Event> {
        match self {
            Self::Threads(pool) => pool.events().collect(),
            Self::Inline(events) => events.lock().map(|mut e| std::mem::take(&mut *e)).unwrap_or_default(),
        }
    }
}
