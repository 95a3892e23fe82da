//! Worker threads that send results into one channel; a panic in a job becomes an error.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, Sender, channel};

use super::progress::Job;
use crate::error::{Error, ErrorKind, Result};

/// Which state of the document a result belongs to; results of another one are dropped.
pub type Revision = u64;

/// Runs jobs and collects their events of type `T`.
pub struct Pool<T> {
    workers: Workers,
    send: Sender<T>,
    receive: Receiver<T>,
    wake: Arc<dyn Fn() + Send + Sync>,
}

/// How far whole files and sets step back, in steps of the system.
#[cfg(target_os = "linux")]
const BEHIND: i32 = 10;

/// Where jobs run.
enum Workers {
    /// One after the other on one thread.
    InTurn(Arc<rayon::ThreadPool>),
    /// Each on so many threads of its own. On shared ones a worker that waits for the pieces of its job
    /// takes up whatever else there is to do, another whole job too, and its own ends only after that.
    SideBySide(usize),
}

fn threads(count: usize) -> Result<Arc<rayon::ThreadPool>> {
    let pool = rayon::ThreadPoolBuilder::new().num_threads(count).thread_name(|i| format!("worker {i}"));
    let pool = if count > 1 { pool.start_handler(|_| step_back()) } else { pool };
    pool.build().map(Arc::new).map_err(|e| Error::new(ErrorKind::Internal, format!("no worker threads: {e}")))
}

/// Lets whoever draws the window go first: these threads take all there is of the processor. Where the system
/// does not let a thread alone step back, or does not allow it, they work on as all others do.
fn step_back() {
    #[cfg(target_os = "linux")]
    let _ = rustix::process::nice(BEHIND);
}

impl Workers {
    /// The threads for one more job; its own ones end when it is done.
    fn for_a_job(&self) -> Result<Arc<rayon::ThreadPool>> {
        match self {
            Self::InTurn(pool) => Ok(Arc::clone(pool)),
            Self::SideBySide(count) => threads(*count),
        }
    }
}

impl<T: Send + 'static> Pool<T> {
    /// A pool whose jobs run side by side, each on `count` threads; with one thread they run in turn.
    /// `wake` is called after each event (to repaint).
    pub fn new(count: usize, wake: impl Fn() + Send + Sync + 'static) -> Result<Self> {
        let workers = if count == 1 { Workers::InTurn(threads(1)?) } else { Workers::SideBySide(count) };
        let (send, receive) = channel();
        Ok(Self { workers, send, receive, wake: Arc::new(wake) })
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
        let wake = Arc::clone(&self.wake);
        let report = move |event: T| {
            // Nobody listens any more when the program is closing.
            let _ = send.send(event);
            wake();
        };
        let workers = match self.workers.for_a_job() {
            Ok(workers) => workers,
            Err(e) => return report(finish(Err(e))),
        };
        workers.spawn(move || {
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

    /// A job whose one piece waits for the other ends before a later job that has begun meanwhile.
    #[test]
    fn a_job_does_not_wait_for_a_later_one() {
        let pool: Pool<&str> = Pool::new(2, || {}).unwrap();
        let (begun, is_begun) = channel();
        let (end, may_end) = channel::<()>();
        pool.spawn(
            &Job::new(),
            move |_, _| {
                // The other half holds on until the later job runs, or for long enough.
                rayon::join(|| (), move || is_begun.recv_timeout(Duration::from_secs(5)).is_ok());
                Ok(())
            },
            |_| "first",
        );
        pool.spawn(
            &Job::new(),
            move |_, _| {
                let _ = begun.send(());
                // Nobody says so before the first has ended.
                let _ = may_end.recv_timeout(Duration::from_secs(10));
                Ok(())
            },
            |_| "second",
        );
        assert_eq!(pool.wait(Duration::from_secs(30)), Some("first"));
        end.send(()).unwrap();
        assert_eq!(pool.wait(Duration::from_secs(30)), Some("second"));
    }

    /// Those that take all of the processor step back behind the thread that draws; others do not.
    #[cfg(target_os = "linux")]
    #[test]
    fn many_workers_step_back() {
        // Of the thread that asks.
        let niceness = || rustix::process::getpriority_process(None).unwrap();
        let here = niceness();
        for (count, by) in [(1, 0), (2, BEHIND)] {
            let pool: Pool<i32> = Pool::new(count, || {}).unwrap();
            pool.spawn(&Job::new(), move |_, _| Ok(niceness()), |r| r.unwrap());
            assert_eq!(pool.wait(Duration::from_secs(10)), Some((here + by).min(19)), "{count} threads");
        }
        assert_eq!(niceness(), here, "whoever starts them stays as it is");
    }

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
