//! A job that is going on, as the window knows it.

use std::time::Instant;

use super::{DELIVERING, SURVEYING};
use crate::app::view::JobView;
use crate::jobs::Job;

/// A job with progress to show.
pub(super) struct Running {
    pub id: u64,
    /// What the user knows it by; the job's own stages have working names.
    pub name: &'static str,
    pub job: Job,
    /// The stage the job is in by its own words, and since when: each has a pace of its own.
    pub stage: String,
    pub since: Instant,
    /// What is done of steps that are not done yet.
    pub partly: f32,
}

impl Running {
    /// How it stands, for the window.
    pub fn view(&self) -> JobView {
        let counts = self.job.counts();
        let part = if counts.1 > 0 { self.partly / counts.1 as f32 } else { 0.0 };
        let fraction = (self.job.fraction() + part).min(1.0);
        let elapsed = self.since.elapsed();
        // With steps of many minutes the steps that are done tell nothing.
        let seconds_left = if part > 0.01 {
            Some(elapsed.as_secs_f64() * f64::from((1.0 - fraction) / fraction))
        } else {
            self.job.time_left(elapsed).map(|d| d.as_secs_f64())
        };
        JobView {
            id: self.id,
            stage: match &*self.stage {
                "measure levels" if self.name == DELIVERING => format!("{DELIVERING}: measuring levels"),
                "SoundFont" => format!("{DELIVERING}: the SoundFont"),
                _ => self.name.into(),
            },
            fraction,
            counts,
            seconds_left,
            more: false,
            escape: false,
            finds: self.name == SURVEYING,
        }
    }
}
