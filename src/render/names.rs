//! Names of delivered files from a pattern.

use crate::error::Result;
use crate::session::{Document, TakeId};

/// The file name (with ending) of every accepted take, in sheet order. Errors: `InvalidParameter`
/// for an unknown field; `NameClash` naming the takes that would get one name, or a name that some
/// systems refuse.
pub fn delivered_names(_document: &Document) -> Result<Vec<(TakeId, String)>> {
    todo!()
}
