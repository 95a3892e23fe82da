//! Writing the accepted takes.

use std::path::{Path, PathBuf};

use crate::error::{Error, Result};
use crate::jobs::Job;
use crate::session::{Document, TakeId};

/// One delivered file.
#[derive(Debug, Clone)]
pub struct Delivered {
    /// The take.
    pub take: TakeId,
    /// Where it was written.
    pub path: PathBuf,
}

/// What a delivery did.
#[derive(Debug, Clone, Default)]
pub struct Delivery {
    /// Files written, in sheet order.
    pub written: Vec<Delivered>,
    /// Files that stood there already and are still right (`--resume`).
    pub kept: Vec<Delivered>,
    /// Takes that failed, and why.
    pub failed: Vec<(TakeId, String, Error)>,
    /// Whether it was cancelled; what is written is whole.
    pub cancelled: bool,
}

/// How to deliver.
#[derive(Debug, Clone, Default)]
pub struct DeliverOptions {
    /// Leave files alone that are there already and came from the same source and recipe.
    pub resume: bool,
}

/// Writes every accepted take of `document` to `folder` (made if missing).
///
/// Errors before anything is written: nothing accepted, bad or clashing names, a folder that cannot
/// be made, a name that would fall on a source. A take that fails afterwards is in the result.
pub fn deliver(
    _session_path: &Path,
    _document: &Document,
    _folder: &Path,
    _options: &DeliverOptions,
    _job: &Job,
) -> Result<Delivery> {
    todo!()
}
