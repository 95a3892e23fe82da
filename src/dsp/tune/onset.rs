//! Which of several onsets begins the note that a track holds.

use crate::dsp::pitch::{F0Track, summarise};

/// A pitch is told this long after the onset at the latest: three periods of the lowest note.
const TOLD_AFTER_S: f64 = 0.12;
/// An onset may be found this long after the first pitch is told.
const FOUND_AFTER_S: f64 = 0.05;

/// The onset in seconds after the first sample: the one of `found` (seconds, by level) that fits the
/// beginning of the note in `track`, otherwise that beginning itself.
///
/// In much noise a search by level finds no onset, or the whole file; the pitch still tells where
/// the note begins, a little late: then a little more of the attack is kept. The note begins with
/// the first pitch of the stretch without gaps of more than 50 ms that its sustain lies in. Without
/// a note it is the first of `found`, or 0.
pub fn onset_of(track: &F0Track, found: &[f64]) -> f64 {
    let Some(note) = summarise(track) else { return found.first().copied().unwrap_or(0.0) };
    let longest_gap = (0.05 / track.hop_s).round() as usize;
    let inside = ((note.sustain_s.0 / track.hop_s).round() as usize).min(track.f0_hz.len());
    let mut first = inside;
    for i in (0..inside).rev() {
        if track.f0_hz[i].is_some() {
            first = i;
        } else if first - i > longest_gap {
            break;
        }
    }
    let told = first as f64 * track.hop_s;
    let fits = |t: &f64| (told - TOLD_AFTER_S..=told + FOUND_AFTER_S).contains(t);
    let nearest = |a: &f64, b: &f64| (a - told).abs().total_cmp(&(b - told).abs());
    found.iter().copied().filter(fits).min_by(nearest).unwrap_or(told)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn note_from(s: f64) -> F0Track {
        let f0_hz = (0..600).map(|i| (f64::from(i) * 0.005 >= s && i < 500).then_some(440.0)).collect();
        F0Track { hop_s: 0.005, f0_hz, confidence: vec![1.0; 600] }
    }

    #[test]
    fn an_onset_by_level_counts_where_it_fits_the_pitch() {
        let track = note_from(0.55);
        assert_eq!(onset_of(&track, &[0.1, 0.52, 2.0]), 0.52);
        // The whole file was found: the pitch tells.
        assert!((onset_of(&track, &[0.0]) - 0.55).abs() < 1e-9);
        assert!((onset_of(&track, &[]) - 0.55).abs() < 1e-9);
        assert_eq!(onset_of(&F0Track::default(), &[0.3]), 0.3);
        assert_eq!(onset_of(&F0Track::default(), &[]), 0.0);
    }
}
