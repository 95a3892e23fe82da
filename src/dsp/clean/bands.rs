//! The bands that a resolution is chosen in: low partials are dense and steady, what is high moves fast.

use super::smooth_step;

/// How many bands.
pub(super) const BANDS: usize = 3;
/// Where they meet, in hertz.
const EDGES_HZ: [f64; BANDS - 1] = [500.0, 3_000.0];
/// Half the width of the crossing, in octaves.
const CROSSING: f64 = 0.5;

/// How much of what sounds at `hz` belongs to each band, 1 in sum.
fn weights(hz: f64) -> [f32; BANDS] {
    // How much lies above an edge.
    let above = |edge: f64| smooth_step(0.5 + 0.5 * (hz.max(1e-3) / edge).log2() / CROSSING) as f32;
    let mut left = 1.0;
    let mut all = [0.0; BANDS];
    for (b, weight) in all.iter_mut().enumerate() {
        let over = EDGES_HZ.get(b).map_or(0.0, |e| above(*e).min(left));
        *weight = left - over;
        left = over;
    }
    all
}

/// The same for `bins` bins, `bin_hz` apart, band by band.
pub(super) fn weights_of(bins: usize, bin_hz: f64) -> [Vec<f32>; BANDS] {
    let all: Vec<[f32; BANDS]> = (0..bins).map(|k| weights(k as f64 * bin_hz)).collect();
    std::array::from_fn(|b| all.iter().map(|w| w[b]).collect())
}
