//! Band-limited reading at fractional positions: the one interpolation of the program, and the
//! only user of rubato.

use crate::error::Result;

/// Reads `x` at `positions` (fractional indices, increasing; outside `x` there is silence).
///
/// `speed` is the greatest step between positions; above 1 the pass band narrows so that nothing
/// aliases. Returns one sample a position. Errors: `InvalidParameter` for a speed that is not
/// finite or not in 1/64..=64.
pub fn read_at(_x: &[f32], _positions: &[f64], _speed: f64) -> Result<Vec<f32>> {
    todo!()
}
