//! The loop as it is played.

use crate::audio::AudioBuf;
use crate::units::FrameRange;

/// Seconds looked at on each side of the join: at most, and for short loops at least.
const SIDE_S: (f64, f64) = (1.5, 0.4);

/// The loop played round, with joins at `side` and every loop length from there.
pub(super) struct Unrolled {
    pub(super) planes: Vec<Vec<f32>>,
    /// Index of the join: of the first frame played after it.
    pub(super) side: usize,
    /// Loop length in frames.
    pub(super) length: usize,
    pub(super) rate: f64,
}

impl Unrolled {
    pub(super) fn new(audio: &AudioBuf, range: FrameRange) -> Self {
        let rate = audio.rate().as_f64();
        let (start, length) = (range.start.0 as usize, range.count().0 as usize);
        let seconds = (2.0 * length as f64 / rate).clamp(SIDE_S.1, SIDE_S.0);
        let side = (seconds * rate) as usize;
        // The join lies at `side`: index i plays start + (i − side) mod length.
        let offset = length - side % length;
        let planes = audio
            .channels()
            .map(|x| {
                let mut plane = Vec::with_capacity(2 * side);
                let mut at = offset % length;
                while plane.len() < 2 * side {
                    let take = (length - at).min(2 * side - plane.len());
                    plane.extend_from_slice(&x[start + at..start + at + take]);
                    at = 0;
                }
                plane
            })
            .collect();
        Self { planes, side, length, rate }
    }

    /// Frames from `i` to the nearest join.
    pub(super) fn join_distance(&self, i: usize) -> usize {
        let past = i.abs_diff(self.side) % self.length;
        past.min(self.length - past)
    }

    /// Largest of `values` within `near` frames of the join, and the value that 19 of 20 maxima
    /// over stretches of the same width elsewhere stay below (0 when there is no elsewhere).
    ///
    /// In short loops the stretch is a sixth of the loop to each side: there is always an elsewhere.
    /// `places` are in frames, ascending, one for each value.
    pub(super) fn join_and_elsewhere(&self, places: &[usize], values: &[f64], near: usize) -> (f64, f64) {
        let near = near.min(self.length / 6).max(1);
        let most = |from: usize, to: usize| {
            let first = places.partition_point(|p| *p < from);
            let last = places.partition_point(|p| *p <= to);
            (first < last).then(|| values[first..last].iter().copied().fold(0.0, f64::max))
        };
        let join = most(self.side.saturating_sub(near), self.side + near).unwrap_or(0.0);
        // Stretches whose middle is more than two widths from every join share no frame with it.
        let mut maxima: Vec<f64> = (near..(2 * self.side).saturating_sub(near))
            .step_by(near)
            .filter(|middle| self.join_distance(*middle) >= 2 * near)
            .filter_map(|middle| most(middle - near, middle + near))
            .collect();
        maxima.sort_by(f64::total_cmp);
        let usual = maxima.get(maxima.len() * 19 / 20).or(maxima.last()).copied();
        (join, usual.unwrap_or(0.0))
    }
}
