//! One file: room tone, takes, their pitch and level.

use std::path::Path;

use super::{FileSurvey, SurveyOptions};
use crate::error::Result;
use crate::jobs::Job;

/// Surveys one file. Errors: as decoding; `Nothing` for a file without frames.
pub fn survey_file(_path: &Path, _options: &SurveyOptions, _job: &Job) -> Result<FileSurvey> {
    todo!()
}
