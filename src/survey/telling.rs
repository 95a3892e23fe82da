//! What a survey tells of a long file while it works on it: how far it is, and its wave as it is read.

use std::path::Path;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering::Relaxed};
use std::time::{Duration, Instant};

use super::SurveyEvent;
use crate::dsp::peaks::Column;
use crate::units::{FrameCount, SampleRate};

/// So often something is told.
const EVERY: Duration = Duration::from_millis(100);
/// Shorter files are done before anybody could read it.
const LONG_S: f64 = 20.0;
/// Parts that the wave is drawn in.
const COLUMNS: u64 = 1000;

/// Who tells of one file.
pub(super) struct Telling<'a> {
    path: &'a Path,
    report: &'a (dyn Fn(SurveyEvent) + Sync),
    /// Frames of work, each counted twice (found, analysed); 0: a short file, nothing is told.
    total: AtomicU64,
    done: AtomicU64,
    told: Mutex<Instant>,
}

impl<'a> Telling<'a> {
    pub fn new(path: &'a Path, report: &'a (dyn Fn(SurveyEvent) + Sync)) -> Self {
        let (total, done) = (AtomicU64::new(0), AtomicU64::new(0));
        Self { path, report, total, done, told: Mutex::new(Instant::now()) }
    }

    /// So many frames more are found or analysed.
    pub fn step(&self, frames: u64) {
        self.done.fetch_add(frames, Relaxed);
        if self.is_due() {
            self.tell(None);
        }
    }

    /// Something to draw the wave of a file of `frames` with; none where it is short.
    pub fn wave(&self, frames: u64, rate: SampleRate) -> Option<Wave<'_>> {
        if FrameCount(frames).lasts(rate).0 < LONG_S {
            return None;
        }
        self.total.store(2 * frames, Relaxed);
        let nothing = Column { min: 0.0, max: 0.0, rms: 0.0 };
        Some(Wave { telling: self, columns: vec![nothing; COLUMNS as usize], at: 0, frames })
    }

    fn is_due(&self) -> bool {
        if self.total.load(Relaxed) == 0 {
            return false;
        }
        let Ok(mut told) = self.told.lock() else { return false };
        let due = told.elapsed() >= EVERY;
        if due {
            *told = Instant::now();
        }
        due
    }

    fn tell(&self, wave: Option<&[Column]>) {
        let (done, total) = (self.done.load(Relaxed) as f64, self.total.load(Relaxed) as f64);
        let (path, done) = (self.path.to_path_buf(), (done / total).clamp(0.0, 1.0));
        (self.report)(SurveyEvent::Heard { path, done, wave: wave.map(Into::into) });
    }
}

/// The wave of a file while it is read.
pub(super) struct Wave<'a> {
    telling: &'a Telling<'a>,
    columns: Vec<Column>,
    at: u64,
    frames: u64,
}

impl Wave<'_> {
    /// Takes in the next block.
    pub fn push(&mut self, planes: &[&[f32]]) {
        for i in 0..planes.first().map_or(0, |p| p.len()) {
            let k = ((self.at + i as u64) * COLUMNS / self.frames).min(COLUMNS - 1);
            let column = &mut self.columns[k as usize];
            for p in planes {
                column.min = column.min.min(p[i]);
                column.max = column.max.max(p[i]);
            }
        }
        self.at += planes.first().map_or(0, |p| p.len() as u64);
        if self.telling.is_due() {
            self.telling.tell(Some(&self.columns));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_wave_is_told_as_far_as_it_was_read() {
        let told = Mutex::new(Vec::new());
        let report = |e| told.lock().unwrap().push(e);
        let path = Path::new("x.wav");
        let telling = Telling::new(path, &report);
        let rate = SampleRate::new(8000).unwrap();
        assert!(telling.wave(152_000, rate).is_none(), "a short file is soon done");
        let mut wave = telling.wave(320_000, rate).unwrap();
        *telling.told.lock().unwrap() -= EVERY;
        // 320 frames a column: half of them.
        wave.push(&[&[0.5; 160_000], &[-0.25; 160_000]]);
        telling.step(160_000);
        let told = told.lock().unwrap();
        let [SurveyEvent::Heard { wave: Some(wave), .. }, ..] = &told[..] else { panic!("{told:?}") };
        assert!(wave[..500].iter().all(|c| (c.min, c.max) == (-0.25, 0.5)));
        assert!(wave[500..].iter().all(|c| (c.min, c.max) == (0.0, 0.0)));
    }
}
