//! Clicks in the room: where nobody plays, a burst of a few milliseconds is the room's.

use super::noise_profile::median;

/// Block that energy is taken over, in seconds, and its least length in frames: with fewer, noise alone
/// stands out too often (a second difference's power over 32 frames holds some 16 independent values).
const BLOCK_S: f64 = 0.001;
const LEAST_BLOCK: usize = 32;
/// The level that a click stands out of is the median over this long to either side, in seconds.
const AROUND_S: f64 = 0.06;
/// A click stands out by this (power); noise over a block of 48 frames stays within 3. A weaker one that is
/// taken for the beginning of something opens the long windows around it.
const STANDS_OUT: f64 = 4.0;
/// It begins and ends where it is within this of the level around (power).
const OVER: f64 = 2.5;
/// Longer than this is no click, in seconds.
const LONGEST_S: f64 = 0.012;

/// Frames of a block.
pub(super) fn block_frames(rate: f64) -> usize {
    ((BLOCK_S * rate) as usize).max(LEAST_BLOCK)
}

/// First and last (exclusive) frames of the clicks in `x`, softened borders included. Energy is that
/// of the second difference, which holds down hum and rumble.
pub(super) fn find(x: &[f32], rate: f64) -> Vec<(usize, usize)> {
    let block = block_frames(rate);
    let energy: Vec<f64> = (0..x.len() / block)
        .map(|b| {
            let from = (b * block).max(2);
            (from..(b + 1) * block)
                .map(|n| f64::from(x[n] - 2.0 * x[n - 1] + x[n - 2]).powi(2))
                .sum::<f64>()
                .max(1e-24)
        })
        .collect();
    let blocks = |seconds: f64| (seconds * rate / block as f64).round() as usize;
    let (reach, longest) = (blocks(AROUND_S).max(8), blocks(LONGEST_S).max(3));
    let mut found: Vec<(usize, usize)> = Vec::new();
    let mut b = 0;
    // The level around is the same for some blocks: a median of every one is not worth its time.
    let mut level = 0.0;
    while b < energy.len() {
        if b % 16 == 0 || level == 0.0 {
            level = median(&energy[b.saturating_sub(reach)..(b + reach).min(energy.len())]);
        }
        if energy[b] < STANDS_OUT * level {
            b += 1;
            continue;
        }
        let mut from = b;
        while from > 0 && b - from < longest && energy[from - 1] > OVER * level {
            from -= 1;
        }
        let mut to = b + 1;
        while to < energy.len() && to - b <= longest && energy[to] > OVER * level {
            to += 1;
        }
        if to - from <= longest {
            found.push((from.saturating_sub(1) * block, ((to + 1) * block).min(x.len())));
        }
        b = to;
    }
    found
}

/// How much of frame `n` belongs to the click from `from` to `to`: 1 inside, softened over its first
/// and last `soft` frames (a block of [`find`], in which there is no click yet).
pub(super) fn share(n: usize, (from, to): (usize, usize), soft: usize) -> f32 {
    let soft = soft.max(1) as f32;
    let edge = ((n - from) as f32 + 0.5).min((to - n) as f32 - 0.5) / soft;
    0.5 - 0.5 * (std::f32::consts::PI * edge.clamp(0.0, 1.0)).cos()
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: f64 = 48_000.0;

    /// White Gaussian noise: the sum of twelve uniform values (Knuth's MMIX generator).
    fn noise(len: usize) -> Vec<f32> {
        let mut state = 1u64;
        let mut uniform = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f32 / 16_777_216.0 - 0.5
        };
        (0..len).map(|_| (0..12).map(|_| uniform()).sum()).collect()
    }

    #[test]
    fn noise_holds_no_clicks_at_any_rate() {
        for rate in [8_000.0, 16_000.0, 22_050.0, 44_100.0, 96_000.0] {
            assert_eq!(find(&noise((30.0 * rate) as usize), rate), [], "{rate}");
        }
    }

    #[test]
    fn soft_clicks_that_lie_over_two_blocks_are_found_and_noise_is_not() {
        let mut x = noise(60 * 48_000);
        assert_eq!(find(&x, RATE), []);
        // One every two seconds, a millisecond long, 10.8 dB above the room: over two blocks that makes 6.5 times
        // the power in each, give or take 40 % (half a block holds some 12 independent values). Both lie below
        // what is found in some 4 % of cases.
        let (block, count) = (block_frames(RATE), 30);
        let starts: Vec<usize> = (0..count).map(|i| (2_000 * i + 500) * block + block / 2).collect();
        for start in &starts {
            x[*start..start + block].iter_mut().for_each(|v| *v *= 12f32.sqrt());
        }
        let found = find(&x, RATE);
        let hit = |(from, to): &&(usize, usize)| starts.iter().any(|s| from <= s && s + block <= *to);
        assert!(found.iter().filter(hit).count() >= 24, "{} of {count}", found.len());
        assert!(found.iter().all(|(from, to)| to - from <= 5 * block), "{found:?}");
    }
}
