//! How the takes lie in the files, and so which note and layer each is.

use super::{FileSurvey, SurveyOptions};
use crate::session::Concern;
use crate::session::document::Layout;

/// Detects the layout (unless given), fills `named`, `note`, `layer` of every take, and the
/// concerns that only the whole set shows (wrong note, duplicate cell, level out of line). Returns
/// the layout and the problems of the set (missing cells).
pub fn place(_files: &mut [FileSurvey], _options: &SurveyOptions) -> (Option<Layout>, Vec<Concern>) {
    todo!()
}
