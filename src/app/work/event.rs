//! What long work reports.

use std::collections::HashSet;
use std::path::PathBuf;
use std::sync::Arc;

use crate::app::focus::FocusEvent;
use crate::app::opening::Outcome;
use crate::app::surveying::SurveyFor;
use crate::dsp::peaks::Column;
use crate::error::{Error, Result};
use crate::render::apart::SetApart;
use crate::render::batch::Delivery;
use crate::render::key_sound::KeySound;
use crate::render::loops::CopiedLength;
use crate::render::propose::Proposal;
use crate::render::standing::{Measured, Standing};
use crate::session::{LoopRecipe, SourceId, Take, TakeId};
use crate::survey::{FileSurvey, SetSurvey};
use crate::units::FrameRange;

/// What a chosen folder is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Purpose {
    /// To be opened.
    Open,
    /// To be delivered into.
    Deliver,
}

/// What long work reports.
pub enum Event {
    /// What was to be opened is known.
    Opened { job: u64, result: Result<Outcome> },
    /// A revision of a session was saved.
    Saved { session: u64, revision: u64, result: Result<()> },
    /// The sources were compared with their hashes: for each that differs its id, the hash it was to
    /// have, and a sentence.
    Verified { job: u64, result: Result<Vec<Changed>> },
    /// One file of a survey is done.
    Found { job: u64, file: Box<FileSurvey> },
    /// How far a long file of a survey has come, and its wave as far as it was read.
    Heard { job: u64, path: PathBuf, done: f64, wave: Option<Arc<[Column]>> },
    /// One file of a survey could not be read.
    NotRead { job: u64, path: PathBuf, error: Error },
    /// A survey is done.
    Surveyed { job: u64, purpose: SurveyFor, result: Result<SetSurvey> },
    /// The recipe of a take, which was as `before` when the work began.
    Proposed { job: u64, before: Arc<Take>, result: Result<Box<Proposal>> },
    /// All recipes asked for are there.
    ProposeEnded { job: u64, result: Result<()> },
    /// A loop near a place of the loop map, for a take that was as `before` when it was asked for.
    LoopNear { session: u64, before: Arc<Take>, result: Result<LoopRecipe> },
    /// The loops of a note's other layers, all as long as one; the takes as they were.
    LengthCopied { job: u64, result: Result<CopiedLength> },
    /// A delivery is done.
    Delivered { job: u64, folder: PathBuf, result: Result<Delivery> },
    /// How the folder of the deliver room stands.
    Standing { session: u64, result: Result<Box<Standing>> },
    /// How loud a take is.
    Measured { job: u64, measured: Measured },
    /// All levels asked for are there.
    MeasureEnded { job: u64, result: Result<()> },
    /// Files of earlier deliveries were removed.
    OrphansRemoved { job: u64, result: Result<Vec<String>> },
    /// Loops that stay apart were chosen.
    Apart { job: u64, result: Result<SetApart> },
    /// About the selected take.
    Focus { session: u64, event: FocusEvent },
    /// A small wave.
    Thumb { session: u64, take: TakeId, span: FrameRange, columns: Arc<[Column]> },
    /// The small waves of one file are done.
    ThumbsEnded { session: u64 },
    /// The sound of a key was made of what has the hash `of`.
    KeySound { session: u64, take: TakeId, of: String, result: Result<Box<KeySound>> },
    /// Which sound devices and MIDI inputs there are.
    Devices { outputs: Result<Vec<String>>, inputs: Result<Vec<String>> },
    /// Which of the folders and sessions opened lately are not there.
    Missing(HashSet<PathBuf>),
    /// A dialog closed; `at_once`: faster than anybody can press a button.
    Chosen { purpose: Purpose, path: Option<PathBuf>, at_once: bool },
}

/// A source that is not what it was: its id, the hash it was to have, and a sentence.
pub type Changed = (SourceId, String, String);

impl Event {
    /// What it belongs to: to whom it is of no use any more when that is forgotten.
    pub(super) fn belongs_to(&self) -> Belongs {
        match self {
            Self::Found { job, .. }
            | Self::NotRead { job, .. }
            | Self::Heard { job, .. }
            | Self::Surveyed { job, .. }
            | Self::Proposed { job, .. }
            | Self::ProposeEnded { job, .. }
            | Self::Apart { job, .. }
            | Self::Opened { job, .. }
            | Self::Verified { job, .. }
            | Self::Measured { job, .. }
            | Self::MeasureEnded { job, .. }
            | Self::OrphansRemoved { job, .. }
            | Self::LengthCopied { job, .. }
            | Self::Delivered { job, .. } => Belongs::Job(*job),
            Self::Saved { session, .. }
            | Self::Standing { session, .. }
            | Self::Focus { session, .. }
            | Self::LoopNear { session, .. }
            | Self::KeySound { session, .. }
            | Self::Thumb { session, .. }
            | Self::ThumbsEnded { session } => Belongs::Session(*session),
            Self::Chosen { .. } | Self::Devices { .. } | Self::Missing(_) => Belongs::Window,
        }
    }
}

/// What an event belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Belongs {
    /// A job with progress to show.
    Job(u64),
    /// The session that was open when it was asked for.
    Session(u64),
    /// The window itself.
    Window,
}
