//! Progress and cancel, shared between who works and who waits.

use std::sync::Arc;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering::Relaxed};
use std::time::Duration;

use crate::error::{Error, Result};

/// Asks a job to stop; a clone asks the same job.
#[derive(Debug, Clone, Default)]
pub struct Cancel(Arc<AtomicBool>);

impl Cancel {
    /// Asks.
    pub fn cancel(&self) {
        self.0.store(true, Relaxed);
    }

    /// Whether somebody asked.
    pub fn is_cancelled(&self) -> bool {
        self.0.load(Relaxed)
    }
}

/// One piece of long work as seen from both sides; a clone is the same job.
#[derive(Debug, Clone, Default)]
pub struct Job {
    /// Ask this to stop it.
    pub cancel: Cancel,
    done: Arc<AtomicU64>,
    total: Arc<AtomicU64>,
    stage: Arc<Mutex<String>>,
}

impl Job {
    /// A job nobody has begun.
    pub fn new() -> Self {
        Self::default()
    }

    /// Names what is being done and how many steps there will be; the count starts again.
    pub fn begin(&self, stage: &str, total: u64) {
        if let Ok(mut s) = self.stage.lock() {
            stage.clone_into(&mut s);
        }
        self.done.store(0, Relaxed);
        self.total.store(total, Relaxed);
    }

    /// `n` more steps are done.
    pub fn advance(&self, n: u64) {
        self.done.fetch_add(n, Relaxed);
    }

    /// `Cancelled` if somebody asked to stop.
    pub fn check(&self) -> Result<()> {
        if self.cancel.is_cancelled() { Err(Error::cancelled()) } else { Ok(()) }
    }

    /// Steps done and to be done.
    pub fn counts(&self) -> (u64, u64) {
        (self.done.load(Relaxed), self.total.load(Relaxed))
    }

    /// 0 to 1.
    pub fn fraction(&self) -> f32 {
        let (done, total) = self.counts();
        if total == 0 { 0.0 } else { (done as f32 / total as f32).min(1.0) }
    }

    /// What is being done.
    pub fn stage(&self) -> String {
        self.stage.lock().map(|s| s.clone()).unwrap_or_default()
    }

    /// Time left by the pace so far; none before the first step.
    pub fn time_left(&self, elapsed: Duration) -> Option<Duration> {
        let (done, total) = self.counts();
        (done > 0 && total >= done).then(|| elapsed.mul_f64((total - done) as f64 / done as f64))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn time_left_follows_the_pace() {
        let job = Job::new();
        job.begin("deliver", 10);
        assert_eq!(job.time_left(Duration::from_secs(5)), None);
        job.advance(4);
        assert_eq!(job.time_left(Duration::from_secs(8)), Some(Duration::from_secs(12)));
        assert!(job.check().is_ok());
        job.clone().cancel.cancel();
        assert!(job.check().unwrap_err().is_cancelled());
    }
}
