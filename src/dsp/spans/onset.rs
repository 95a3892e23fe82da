//! Where a note begins to sound.

use super::envelope::Envelope;
use super::levels::quantile;

/// The level of a note is taken from its first seconds.
const HEAD_S: f64 = 2.0;
/// Softer than the note by this is not yet the note, in dB.
const BELOW_DB: f32 = 20.0;
/// A sound that begins must last: half of this time it stays up.
const LASTS_S: f64 = 0.04;
/// Backwards from there it is the same rise as long as it falls by this in 20 ms, in dB.
const STILL_RISING_DB: f32 = 1.5;
const RISING_S: f64 = 0.02;
/// A rise of this within 60 ms is an attack: nothing of the note lies before it. In dB.
const ATTACK_DB: f32 = 12.0;
const ATTACK_S: f64 = 0.06;

/// Where a note begins.
pub(super) struct Onset {
    /// The first hop in which it sounds.
    pub hop: usize,
    /// Level of its first seconds above the room, in dB.
    pub level: f32,
    /// It begins with a clear attack; what comes before is not it (breath, a key).
    pub sharp: bool,
}

/// The onset of the sound in hops `start` to `end`. `rise` is the level above the room of every hop
/// as it is, `low` and `high` the levels from which on it is sound and a take, in dB.
pub(super) fn find(
    envelope: &Envelope,
    rise: &[f32],
    (start, end): (usize, usize),
    low: f32,
    high: f32,
) -> Onset {
    let first_high = (start..end).find(|h| rise[*h] >= high).unwrap_or(start);
    let head = &rise[first_high..end.min(first_high + envelope.hops_in(HEAD_S))];
    let level = quantile(head, 0.8);
    let threshold = high.max(level - BELOW_DB);
    let lasts = envelope.hops_in(LASTS_S).max(1);
    let stays = |h: usize| {
        let next = &rise[h..end.min(h + lasts)];
        rise[h] >= threshold && 2 * next.iter().filter(|r| **r >= threshold - 3.0).count() >= next.len()
    };
    let crossing = (first_high..end).find(|h| stays(*h)).unwrap_or(first_high);
    let back = envelope.hops_in(RISING_S).max(1);
    let mut hop = crossing;
    while hop > start && rise[hop - 1] >= low + 3.0 {
        let before = &rise[hop.saturating_sub(back).max(start)..hop];
        let lowest = before.iter().copied().fold(f32::INFINITY, f32::min);
        if rise[hop] - lowest < STILL_RISING_DB {
            break;
        }
        hop -= 1;
    }
    let attack_end = end.min(hop + envelope.hops_in(ATTACK_S).max(1));
    let top = rise[hop..attack_end].iter().copied().fold(f32::NEG_INFINITY, f32::max);
    let sharp = hop >= 2 && top - rise[hop - 2].max(rise[hop - 1].min(low)) >= ATTACK_DB;
    Onset { hop, level, sharp }
}
