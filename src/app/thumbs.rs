//! Small waves for the cells of the sheet, made one file at a time behind everything else.

use std::sync::Arc;

use super::derived::Derived;
use super::work::{Event, Runner, by_source};
use crate::dsp::peaks::{Column, Peaks};
use crate::io::decode::decode_ranges;
use crate::jobs::Job;
use crate::session::store::source_path;
use crate::session::{Document, Take, TakeId};
use crate::units::FrameRange;

/// Columns of a small wave.
pub const COLUMNS: usize = 96;

/// Which small waves are wanted and which were tried.
#[derive(Debug, Default)]
pub struct Thumbs {
    wanted: Vec<TakeId>,
    tried: std::collections::HashSet<(TakeId, FrameRange)>,
    busy: bool,
}

impl Thumbs {
    /// These are on screen now; they come before what was on screen earlier.
    pub fn want(&mut self, takes: Vec<TakeId>) {
        self.wanted.retain(|t| !takes.contains(t));
        let earlier = std::mem::replace(&mut self.wanted, takes);
        self.wanted.extend(earlier);
    }

    /// The file of these takes is not what it was: what was tried of it does not count.
    pub fn again(&mut self, takes: Vec<TakeId>) {
        self.tried.retain(|(id, _)| !takes.contains(id));
        self.want(takes);
    }

    /// The job has ended.
    pub fn ended(&mut self) {
        self.busy = false;
    }

    /// Starts the next file, if one is wanted and none is being read.
    pub fn step(
        &mut self,
        session_path: &std::path::Path,
        document: &Document,
        derived: &Derived,
        runner: &Runner,
        session: u64,
    ) {
        if self.busy {
            return;
        }
        let tried = &self.tried;
        self.wanted.retain(|id| {
            document.take(*id).is_some_and(|t| derived.thumb(t).is_none() && !tried.contains(&(t.id, t.span)))
        });
        let Some((source, takes)) = by_source(document, &self.wanted).into_iter().next() else { return };
        self.tried.extend(takes.iter().map(|t| (t.id, t.span)));
        self.busy = true;
        let path = source_path(session_path, &source.path);
        runner.spawn(
            &Job::new(),
            move |_, report| {
                let ranges: Vec<_> = takes.iter().map(|t| t.span).collect();
                decode_ranges(&path, &ranges, &mut |i, clip| {
                    let mixed = clip.audio.mixed();
                    let columns: Arc<[Column]> =
                        Peaks::build(&mixed).columns(&mixed, 0.0..mixed.len() as f64, COLUMNS).into();
                    report(Event::Thumb { session, take: takes[i].id, span: takes[i].span, columns });
                    true
                })
            },
            // A file that cannot be read is told by the survey and on the bench; a cell without a
            // wave needs no third message.
            move |_: crate::error::Result<()>| Event::ThumbsEnded { session },
        );
    }
}

/// What is on screen and has no small wave yet.
pub fn lacking<'a>(takes: impl Iterator<Item = &'a Arc<Take>>, derived: &Derived) -> Vec<TakeId> {
    takes.filter(|t| derived.thumb(t).is_none()).map(|t| t.id).collect()
}
