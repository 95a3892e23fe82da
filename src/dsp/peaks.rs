//! A pyramid of extremes, so that a wave of any length is drawn from a few values a pixel.

/// What one column of a drawn wave shows.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Column {
    /// Smallest sample.
    pub min: f32,
    /// Largest sample.
    pub max: f32,
    /// Root mean square.
    pub rms: f32,
}

/// Extremes and RMS of a wave at many resolutions.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Peaks {}

impl Peaks {
    /// Builds the pyramid of `x`.
    pub fn build(_x: &[f32]) -> Self {
        todo!()
    }

    /// `columns` columns over the samples `range` (fractional indices, may reach outside: empty
    /// columns are zero) of `x`, the wave that the pyramid was built from.
    pub fn columns(&self, _x: &[f32], _range: std::ops::Range<f64>, _columns: usize) -> Vec<Column> {
        todo!()
    }
}
