//! Worker threads that send results into one channel; a panic in a job becomes an error.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::mpsc::{Receiver, Sender, channel};

use super::progress::Job;
use crate::error::{Error, ErrorKind, Result};

/// Which state of the document a result belongs to; results of another one are dropped.
pub type Revision = u64;

/// Runs jobs and collects their events of type `T`.
pub struct Pool<T> {
    workers: rayon::ThreadPool,
    send: Sender<T>,
    receive: Receiver<T>,
    wake: std::sync::Arc<dyn Fn() + Send + Sync>,
}

impl<T: Send + 'static> Pool<T> {
    /// A pool of `threads` workers; `wake` is called after each event (to repaint).
    pub fn new(threads: usize, wake: impl Fn() + Send + Sync + 'static) -> Result<Self> {
        let workers = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .thread_name(|i| format!("worker {i}"))
            .build()
            .map_err(|e| Error::new(ErrorKind::Internal, format!("no worker threads: {e}")))?;
        let (send, receive) = channel();
        Ok(Self { workers, send, receive, wake: std::sync::Arc::new(wake) })
    }

    /// Starts `work`. It reports through the function it is given; what it returns is reported
    /// last, through `finish`, which also learns of a panic as an error.
    pub fn spawn<R>(
        &self,
        job: &Job,
        work: impl FnOnce(&Job, &(dyn Fn(T) + Sync)) -> Result<R> + Send + 'static,
        finish: impl FnOnce(Result<R>) -> T + Send + 'static,
    ) {
        let job = job.clone();
        let send = self.send.clone();
        let wake = std::sync::Arc::clone(&self.wake);
        self.workers.spawn(move || {
            let report = |event: T| {
                // Nobody listens any more when the program is closing.
                let _ = send.send(event);
                wake();
            };
            let result = catch_unwind(AssertUnwindSafe(|| {
                job.check()?;
                work(&job, &report)
            }))
            .unwrap_or_else(|_| {
                Err(Error::new(
                    ErrorKind::Internal,
                    "this step failed in an unforeseen way; the rest goes on. Please report it",
                ))
            });
            report(finish(result));
        });
    }

    /// Events that came in since the last call.
    pub fn events(&self) -> impl Iterator<Item = T> + '_ {
        self.receive.try_iter()
    }

    /// Waits for the next event (for commands and tests).
    pub fn wait(&self, at_most: std::time::Duration) -> Option<T> {
        self.receive.recv_timeout(at_most).ok()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    #[test]
    fn reports_then_finishes_and_survives_a_panic() {
        let pool: Pool<String> = Pool::new(1, || {}).unwrap();
        let end = |r: Result<u8>| match r {
            Ok(n) => format!("end {n}"),
            Err(e) => format!("failed {:?}", e.kind()),
        };
        pool.spawn(
            &Job::new(),
            |_, report| {
                report("half".into());
                Ok(7)
            },
            end,
        );
        pool.spawn(&Job::new(), |_, _| panic!("on purpose"), end);
        let cancelled = Job::new();
        cancelled.cancel.cancel();
        pool.spawn(&cancelled, |_, _| Ok(1), end);
        let said: Vec<_> = (0..4).filter_map(|_| pool.wait(Duration::from_secs(10))).collect();
        assert_eq!(said, ["half", "end 7", "failed Internal", "failed Cancelled"]);
    }
}
