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

/// Samples in a bucket of the finest level.
const BASE: usize = 32;
/// Buckets of one level in a bucket of the next.
const FACTOR: usize = 4;

/// Extremes and RMS of a wave at many resolutions: buckets of 32 samples and of 4 times as many
/// from level to level. Takes half a byte a sample: 29 MB for ten minutes at 96 kHz.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Peaks {
    /// Finest first; empty for an empty wave.
    levels: Vec<Vec<Bucket>>,
    frames: usize,
}

/// Extremes and energy of a stretch.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Bucket {
    min: f32,
    max: f32,
    squares: f32,
}

/// The same while it is summed, in double precision.
#[derive(Clone, Copy)]
struct Sum {
    min: f32,
    max: f32,
    squares: f64,
}

impl Sum {
    const NOTHING: Self = Self { min: f32::INFINITY, max: f32::NEG_INFINITY, squares: 0.0 };

    fn samples(mut self, x: &[f32]) -> Self {
        for s in x {
            self.min = self.min.min(*s);
            self.max = self.max.max(*s);
            self.squares += f64::from(*s) * f64::from(*s);
        }
        self
    }

    fn buckets(mut self, buckets: &[Bucket]) -> Self {
        for b in buckets {
            self.min = self.min.min(b.min);
            self.max = self.max.max(b.max);
            self.squares += f64::from(b.squares);
        }
        self
    }

    fn bucket(self) -> Bucket {
        Bucket { min: self.min, max: self.max, squares: self.squares as f32 }
    }
}

impl Peaks {
    /// Builds the pyramid of `x`, in one pass over it.
    pub fn build(x: &[f32]) -> Self {
        let mut levels = Vec::new();
        if !x.is_empty() {
            levels.push(x.chunks(BASE).map(|c| Sum::NOTHING.samples(c).bucket()).collect::<Vec<_>>());
        }
        while let Some(fine) = levels.last().filter(|l| l.len() > FACTOR) {
            let coarse = fine.chunks(FACTOR).map(|c| Sum::NOTHING.buckets(c).bucket()).collect();
            levels.push(coarse);
        }
        Self { levels, frames: x.len() }
    }

    /// `columns` columns over the samples `range` (fractional indices, may reach outside: empty
    /// columns are zero) of `x`, the wave that the pyramid was built from.
    ///
    /// Sample n fills the indices from n to n + 1, and a column shows all samples that it touches
    /// (so a column narrower than a sample shows that sample). Extremes are exact; the RMS is that
    /// of the touched samples that exist, to single precision. A column is put together from the
    /// coarsest buckets that lie wholly inside it, finer ones at its sides and samples at the very
    /// ends, so the cost a column is at most 2·(32 + 4 a level) values whatever its width. A range
    /// that is empty or not finite gives zero columns.
    pub fn columns(&self, x: &[f32], range: std::ops::Range<f64>, columns: usize) -> Vec<Column> {
        let width = (range.end - range.start) / columns as f64;
        if !(range.start.is_finite() && width.is_finite() && width > 0.0) {
            return vec![Column::default(); columns];
        }
        let border = |c: usize| snapped(range.start + width * c as f64);
        (0..columns).map(|c| self.column(x, border(c).floor(), border(c + 1).ceil())).collect()
    }

    /// The column of samples `from..until` (whole numbers).
    fn column(&self, x: &[f32], from: f64, until: f64) -> Column {
        let frames = self.frames.min(x.len());
        // Casts of negative or great floats saturate.
        let (from, until) = ((from as usize).min(frames), (until as usize).min(frames));
        if from >= until {
            return Column::default();
        }
        let sum = self.sum(x, from, until);
        let rms = (sum.squares / (until - from) as f64).sqrt() as f32;
        Column { min: sum.min, max: sum.max, rms }
    }

    /// Extremes and energy of the samples `from..until` (which exist).
    fn sum(&self, x: &[f32], from: usize, until: usize) -> Sum {
        let (first, last) = (from.div_ceil(BASE), until / BASE);
        if first >= last {
            return Sum::NOTHING.samples(&x[from..until]);
        }
        let mut sum = Sum::NOTHING.samples(&x[from..first * BASE]).samples(&x[last * BASE..until]);
        let (mut first, mut last) = (first, last);
        for (depth, level) in self.levels.iter().enumerate() {
            let (up, down) = (first.div_ceil(FACTOR), last / FACTOR);
            if up >= down || depth + 1 == self.levels.len() {
                return sum.buckets(&level[first..last]);
            }
            sum = sum.buckets(&level[first..up * FACTOR]).buckets(&level[down * FACTOR..last]);
            (first, last) = (up, down);
        }
        sum
    }
}

/// `x`, or the whole number that it is but for the rounding of the division into columns.
fn snapped(x: f64) -> f64 {
    let whole = x.round();
    if (x - whole).abs() <= 1e-12 * whole.abs().max(1e3) { whole } else { x }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::{level, signals};
    use proptest::prelude::*;

    /// The definition, sample by sample.
    fn slow(x: &[f32], from: usize, until: usize) -> Column {
        let part = &x[from.min(x.len())..until.min(x.len())];
        if part.is_empty() {
            return Column::default();
        }
        Column {
            min: part.iter().copied().fold(f32::INFINITY, f32::min),
            max: part.iter().copied().fold(f32::NEG_INFINITY, f32::max),
            rms: level::rms(part) as f32,
        }
    }

    fn agrees(got: Column, want: Column) -> bool {
        // Energies are held in single precision: 2^-24 relative each, half of that in the root.
        got.min == want.min && got.max == want.max && (got.rms - want.rms).abs() <= 2e-7 * want.rms
    }

    #[test]
    fn whole_wave_at_many_widths() {
        let x = signals::white_noise(0.2, 50_000, 3);
        let p = Peaks::build(&x);
        for columns in [1, 2, 5, 50, 625, 5_000, 50_000] {
            let got = p.columns(&x, 0.0..50_000.0, columns);
            let width = 50_000 / columns;
            for (c, g) in got.iter().enumerate() {
                let want = slow(&x, c * width, (c + 1) * width);
                assert!(agrees(*g, want), "{columns} columns, {c}: {g:?} {want:?}");
            }
        }
    }

    #[test]
    fn between_samples_and_outside() {
        let x = [0.5, -0.25, 1.0];
        let p = Peaks::build(&x);
        let got = p.columns(&x, -2.0..4.0, 12);
        let mins: Vec<f32> = got.iter().map(|c| c.min).collect();
        assert_eq!(mins, [0.0, 0.0, 0.0, 0.0, 0.5, 0.5, -0.25, -0.25, 1.0, 1.0, 0.0, 0.0]);
        assert_eq!(got[6], Column { min: -0.25, max: -0.25, rms: 0.25 });
        for bad in [2.0..2.0, 3.0..1.0, f64::NAN..2.0, 0.0..f64::INFINITY] {
            assert_eq!(p.columns(&x, bad, 2), [Column::default(); 2]);
        }
        assert!(p.columns(&x, 0.0..1.0, 0).is_empty());
        assert_eq!(Peaks::build(&[]).columns(&[], 0.0..9.0, 1), [Column::default()]);
    }

    proptest! {
        #[test]
        fn any_range_equals_the_definition(
            frames in 0usize..3000, from in -100.0f64..3000.0, width in 0.01f64..3000.0, columns in 1usize..40,
        ) {
            let x = signals::white_noise(0.3, frames, 11);
            let got = Peaks::build(&x).columns(&x, from..from + width, columns);
            prop_assert_eq!(got.len(), columns);
            for (c, g) in got.into_iter().enumerate() {
                let step = (from + width - from) / columns as f64;
                let at = |c: usize| snapped(from + step * c as f64);
                let want = slow(&x, at(c).floor().max(0.0) as usize, at(c + 1).ceil().max(0.0) as usize);
                prop_assert!(agrees(g, want), "{:?} {:?}", g, want);
            }
        }
    }
}
