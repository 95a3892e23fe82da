//! Where the waveform passes zero.

use crate::audio::AudioBuf;

/// The zero crossing nearest to `frame` going `forward` (or back), not `frame` itself: index of the
/// first sample at or above zero after one below it, of the channels' mean (rising crossings only, so
/// that two of them share their slope). `frame` may lie beyond the audio. None where there is none.
pub fn next_zero_crossing(audio: &AudioBuf, frame: u64, forward: bool) -> Option<u64> {
    let channels: Vec<&[f32]> = audio.channels().collect();
    let len = audio.len();
    let rises = |i: &usize| mean_at(&channels, *i - 1) < 0.0 && mean_at(&channels, *i) >= 0.0;
    let found = if forward {
        let from = usize::try_from(frame).ok()?.checked_add(1)?;
        (from..len).find(rises)
    } else {
        let until = usize::try_from(frame).unwrap_or(usize::MAX).min(len);
        (1..until).rev().find(rises)
    };
    found.map(|i| i as u64)
}

/// Sum of the channels at a frame (the mean but for a factor, which no sign depends on).
pub(super) fn mean_at(channels: &[&[f32]], i: usize) -> f32 {
    channels.iter().map(|c| c[i]).sum()
}

/// Distance in frames from `at` to the nearest rising (or falling) crossing, looking at most `reach`
/// frames to both sides; `reach` where there is none. The samples `at` and `at − 1` both count as at
/// the crossing when it lies between them.
pub(super) fn distance_to(channels: &[&[f32]], at: usize, rising: bool, reach: usize) -> usize {
    let len = channels.first().map_or(0, |c| c.len());
    let is = |i: usize| {
        i > 0 && i < len && {
            let (a, b) = (mean_at(channels, i - 1), mean_at(channels, i));
            if rising { a < 0.0 && b >= 0.0 } else { a >= 0.0 && b < 0.0 }
        }
    };
    (0..reach).find(|d| is(at + d) || at.checked_sub(*d).is_some_and(&is)).unwrap_or(reach)
}
