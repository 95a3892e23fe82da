//! Small statistics on levels.

use std::collections::VecDeque;

use super::envelope::{ALL, Envelope};

/// Nothing is softer than this, in dB re full scale.
const FLOOR_DB: f32 = -200.0;

/// Level of a mean square, in dB re full scale.
pub(super) fn db(power: f32) -> f32 {
    if power > 1e-20 { 10.0 * power.log10() } else { FLOOR_DB }
}

/// Level of every hop in a band, in dB, as it is.
pub(super) fn raw_db(envelope: &Envelope, band: usize) -> Vec<f32> {
    envelope.power(band).iter().map(|p| db(*p)).collect()
}

/// Level of every hop in a band, in dB, without spikes (clicks) and without the ripple of low
/// notes, with the edges of the sounds where they are.
pub(super) fn steady_db(envelope: &Envelope, band: usize) -> Vec<f32> {
    if band == ALL {
        median7(&averaged(envelope.power(band)).iter().map(|p| db(*p)).collect::<Vec<_>>())
    } else {
        median7(&raw_db(envelope, band))
    }
}

/// Mean over 20 ms of power. Below 100 Hz a hop holds less than a period of the power, which
/// ripples. The smaller of the mean before and the mean after is taken, so that a sound does not
/// spread over its edges.
fn averaged(power: &[f32]) -> Vec<f32> {
    const HOPS: usize = 4;
    let sums = running_sum(power);
    let mean = |a: usize, b: usize| ((sums[b] - sums[a]) / (b - a) as f64) as f32;
    (0..power.len())
        .map(|h| mean((h + 1).saturating_sub(HOPS), h + 1).min(mean(h, (h + HOPS).min(power.len()))))
        .collect()
}

/// Sums from the start: element i is the sum of the first i values.
pub(super) fn running_sum(x: &[f32]) -> Vec<f64> {
    let mut sum = 0f64;
    std::iter::once(0.0)
        .chain(x.iter().map(|v| {
            sum += f64::from(*v);
            sum
        }))
        .collect()
}

/// Median over seven values around each (fewer at the ends): takes out spikes of up to 15 ms, keeps
/// steps where they are.
fn median7(x: &[f32]) -> Vec<f32> {
    let mut window = [0f32; 7];
    (0..x.len())
        .map(|h| {
            let part = &x[h.saturating_sub(3)..(h + 4).min(x.len())];
            let sorted = &mut window[..part.len()];
            sorted.copy_from_slice(part);
            sorted.sort_unstable_by(f32::total_cmp);
            sorted[part.len() / 2]
        })
        .collect()
}

/// The value below which the fraction `q` (0 to 1) of `x` lies; the floor for nothing.
pub(super) fn quantile(x: &[f32], q: f64) -> f32 {
    if x.is_empty() {
        return FLOOR_DB;
    }
    let mut copy = x.to_vec();
    let k = (q * (copy.len() - 1) as f64).round() as usize;
    *copy.select_nth_unstable_by(k, f32::total_cmp).1
}

/// The largest of the `width` values before each position (fewer at the start; −∞ for none).
pub(super) fn largest_before(x: &[f32], width: usize) -> Vec<f32> {
    let mut queue: VecDeque<usize> = VecDeque::new();
    (0..x.len())
        .map(|h| {
            if queue.front().is_some_and(|i| i + width < h) {
                queue.pop_front();
            }
            let largest = queue.front().map_or(f32::NEG_INFINITY, |i| x[*i]);
            while queue.back().is_some_and(|i| x[*i] <= x[h]) {
                queue.pop_back();
            }
            queue.push_back(h);
            largest
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn medians_quantiles_and_maxima() {
        let mut x = vec![0f32; 20];
        x[10..13].fill(9.0);
        assert_eq!(median7(&x), vec![0.0; 20]);
        x[10..20].fill(9.0);
        assert_eq!(median7(&x), x);
        let y: Vec<f32> = (0..=100).map(|v| v as f32).collect();
        assert_eq!((quantile(&y, 0.0), quantile(&y, 0.5), quantile(&y, 1.0)), (0.0, 50.0, 100.0));
        let z = [3.0, 1.0, 2.0, 5.0, 0.0, 0.0, 0.0];
        assert_eq!(largest_before(&z, 2), [f32::NEG_INFINITY, 3.0, 3.0, 2.0, 5.0, 5.0, 0.0]);
    }
}
