//! How alike two stretches are, whether there is a pitch at all, and the local period.

/// Normalised cross-correlation of `len` frames from `a` and from `b`, over all channels together:
/// −1 to 1; 0 where either is silent. The caller keeps both stretches inside the audio.
pub(super) fn correlation(channels: &[&[f32]], a: usize, b: usize, len: usize) -> f64 {
    let (mut ab, mut aa, mut bb) = (0.0, 0.0, 0.0);
    for x in channels {
        let sums = products(&x[a..a + len], &x[b..b + len]);
        ab += sums.0;
        aa += sums.1;
        bb += sums.2;
    }
    let norm = (aa * bb).sqrt();
    if norm > 1e-18 { (ab / norm).clamp(-1.0, 1.0) } else { 0.0 }
}

/// Σab, Σaa, Σbb; short blocks in single precision, their sums in double.
pub(super) fn products(a: &[f32], b: &[f32]) -> (f64, f64, f64) {
    let (mut ab, mut aa, mut bb) = (0f64, 0f64, 0f64);
    for (a, b) in a.chunks(BLOCK).zip(b.chunks(BLOCK)) {
        ab += dot(a, b);
        aa += dot(a, a);
        bb += dot(b, b);
    }
    (ab, aa, bb)
}

/// Sum of squares: blocks in single precision, their sums in double.
pub(super) fn energy(x: &[f32]) -> f64 {
    x.chunks(BLOCK).map(|b| dot(b, b)).sum()
}

/// Frames summed in single precision, in [`LANES`] sums: what the processor adds at once.
const BLOCK: usize = 256;
const LANES: usize = 8;

fn dot(a: &[f32], b: &[f32]) -> f64 {
    let mut lanes = [0f32; LANES];
    let (whole_a, whole_b) = (a.chunks_exact(LANES), b.chunks_exact(LANES));
    let rest = whole_a.remainder().iter().zip(whole_b.remainder()).map(|(a, b)| a * b).sum::<f32>();
    for (a, b) in whole_a.zip(whole_b) {
        for i in 0..LANES {
            lanes[i] += a[i] * b[i];
        }
    }
    lanes.iter().map(|l| f64::from(*l)).sum::<f64>() + f64::from(rest)
}

/// How periodic the stretch `from..to` is at `period` frames: the median over up to 24 places of the
/// correlation four periods on (a few per cent either way) less its mean over a whole period of
/// lags. That mean is 0 for anything periodic without an offset, and as high as the peak for slow
/// rumble, so noise of any colour comes out near 0 and a steady tone near 1.
pub(super) fn periodicity(channels: &[&[f32]], from: usize, to: usize, period: f64, rate: f64) -> f64 {
    let span = to.saturating_sub(from);
    let window = (6.0 * period).max(0.03 * rate) as usize;
    // Short stretches: fewer periods on, shorter window.
    let apart = if (window as f64 + 4.5 * period) < span as f64 { 4.0 } else { 1.0 };
    let window = window.min((span as f64 - (apart + 0.5) * period).max(0.0) as usize);
    if (window as f64) < period {
        return 0.0;
    }
    let last = span - window - ((apart + 0.5) * period) as usize;
    let places = (last / window.max(1) + 1).clamp(1, 24);
    let step = (period / 48.0).max(1.0);
    let mut found: Vec<f64> = (0..places)
        .map(|i| {
            let at = from + last * i / places.max(2).saturating_sub(1).max(1);
            let (mut peak, mut sum, mut count) = (-1.0f64, 0.0, 0.0);
            let mut lag = (apart - 0.5) * period;
            while lag < (apart + 0.5) * period {
                let r = correlation(channels, at, at + lag as usize, window);
                if (lag - apart * period).abs() <= 0.04 * apart * period + 1.0 {
                    peak = peak.max(r);
                }
                sum += r;
                count += 1.0;
                lag += step;
            }
            peak - sum / f64::max(count, 1.0)
        })
        .collect();
    found.sort_by(f64::total_cmp);
    found[found.len() / 2]
}

/// The period around frame `at` in frames (fractional), by the correlation's peak within 3 % of
/// some multiple of `period`, and the correlation there. None where the audio is too short.
pub(super) fn local_period(channels: &[&[f32]], at: usize, period: f64, rate: f64) -> Option<(f64, f64)> {
    let len = channels.first()?.len();
    let times = (0.02 * rate / period).round().clamp(1.0, 8.0);
    let window = (3.0 * period).max(0.025 * rate) as usize;
    let lag = times * period;
    let reach = (0.03 * lag).max(1.5);
    let longest = (lag + reach) as usize + 2;
    if window + longest >= len {
        return None;
    }
    let from = at.saturating_sub((window + lag as usize) / 2).min(len - window - longest);
    let shortest = ((lag - reach).floor() as usize).max(2) - 1;
    let at = |l: usize| correlation(channels, from, from + l, window);
    // Coarsely first where that cannot step over the peak.
    let step = (period as usize / 8).clamp(1, 4);
    let rough =
        (shortest + 1..longest).step_by(step).map(|l| (l, at(l))).max_by(|a, b| a.1.total_cmp(&b.1))?.0;
    let (low, high) = (rough.saturating_sub(step).max(shortest + 1), (rough + step).min(longest - 1));
    let curve: Vec<f64> = (low - 1..=high + 1).map(at).collect();
    let best = (1..curve.len() - 1).max_by(|a, b| curve[*a].total_cmp(&curve[*b]))?;
    let (before, peak, after) = (curve[best - 1], curve[best], curve[best + 1]);
    let shortest = low - 1;
    let bend = before - 2.0 * peak + after;
    let shift = if bend < -1e-12 { (0.5 * (before - after) / bend).clamp(-0.5, 0.5) } else { 0.0 };
    Some(((shortest + best) as f64 + shift, peak)).map(|(l, r)| (l / times, r))
}
