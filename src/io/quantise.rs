//! Samples to whole numbers: rounding with dither.

use rand::{RngCore, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::audio::AudioBuf;

/// Frames that are worked on at once.
pub(super) const BLOCK_FRAMES: usize = 4096;

/// Turns samples into steps of one width, a channel at a time, in order.
pub(super) struct Quantiser {
    /// Full scale: 2^(bits−1).
    full: f64,
    /// One stream of random bits a channel; none where every sample is a step already.
    random: Vec<ChaCha8Rng>,
}

impl Quantiser {
    /// For `audio` with `bits` bits (2 to 24). The dither's seed is drawn from the samples: the same
    /// audio gives the same bits, and two files do not share their dither.
    ///
    /// Where every sample of the file is a step already (a source of no more bits that nothing was done
    /// to, silence), nothing is rounded, so there is nothing to dither: they come out unchanged.
    /// Otherwise all samples of all channels are dithered: a dither that came and went with the signal
    /// would be a part of it.
    pub(super) fn new(audio: &AudioBuf, bits: u16) -> Self {
        let full = 2f64.powi(i32::from(bits) - 1);
        if audio.channels().all(|x| x.iter().all(|s| is_step(*s, full))) {
            return Self { full, random: Vec::new() };
        }
        let seed = seed_of(audio);
        let random = (0..audio.channel_count() as u64)
            .map(|c| {
                let mut rng = ChaCha8Rng::from_seed(seed);
                rng.set_stream(c);
                rng
            })
            .collect();
        Self { full, random }
    }

    /// Hands the steps of the next `samples` of `channel` to `put`, in order.
    pub(super) fn quantise(&mut self, channel: usize, samples: &[f32], mut put: impl FnMut(usize, i32)) {
        match self.random.get_mut(channel) {
            None => samples.iter().enumerate().for_each(|(i, s)| put(i, (f64::from(*s) * self.full) as i32)),
            Some(rng) => {
                for (i, s) in samples.iter().enumerate() {
                    put(i, step_of(*s, self.full, rng.next_u64()));
                }
            }
        }
    }
}

/// Whether a sample is a step as it is. (+1 is none: the highest step lies below it.)
fn is_step(sample: f32, full: f64) -> bool {
    let steps = f64::from(sample) * full;
    steps.fract() == 0.0 && (-full..full).contains(&steps)
}

/// The nearest step to a sample with dither from 64 random bits: the sum of two uniform variables,
/// triangular on ±1 step, which makes the error's power Δ²/4 whatever the signal. +1 itself becomes
/// the highest step, 1 − 1/full. Source: Lipshitz, Wannamaker & Vanderkooy, JAES 40(5), 1992
/// (non-subtractive TPDF).
fn step_of(sample: f32, full: f64, random: u64) -> i32 {
    let (a, b) = (random >> 32, random & 0xFFFF_FFFF);
    let triangular = (a + b) as f64 / 4_294_967_296.0 - 1.0;
    let step = (f64::from(sample) * full + triangular).round();
    step.clamp(-full, full - 1.0) as i32
}

fn seed_of(audio: &AudioBuf) -> [u8; 32] {
    let mut hash = blake3::Hasher::new();
    let mut bytes = [0u8; 4 * BLOCK_FRAMES];
    for x in audio.channels() {
        for part in x.chunks(BLOCK_FRAMES) {
            for (b, s) in bytes.chunks_exact_mut(4).zip(part) {
                b.copy_from_slice(&s.to_le_bytes());
            }
            hash.update(&bytes[..4 * part.len()]);
        }
    }
    *hash.finalize().as_bytes()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_stay_within_their_bits() {
        for bits in [16, 24] {
            let full = 2f64.powi(bits - 1);
            for random in [0, u64::MAX, 0x8000_0000_8000_0000] {
                assert!((full as i32 - 2..=full as i32 - 1).contains(&step_of(1.0, full, random)));
                assert!((-full as i32..=1 - full as i32).contains(&step_of(-1.0, full, random)));
            }
            // Two halves make a triangular value of zero: pure rounding.
            assert_eq!(step_of(0.5, full, 0x8000_0000_8000_0000), (full / 2.0) as i32);
        }
    }
}
