//! Writing a file so that it appears whole or not at all.

use std::io::Write;
use std::path::Path;

use crate::error::Result;

/// Lets `fill` write beside `path`, flushes to the disk, then renames over `path`. On any error
/// (also `fill`'s) nothing is left behind and what stood at `path` stands there still.
pub fn write(_path: &Path, _fill: impl FnOnce(&mut dyn Write) -> Result<()>) -> Result<()> {
    todo!()
}
