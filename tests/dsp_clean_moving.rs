//! Cleaning of notes whose pitch moves, and cleaning that is stopped.

use std::cell::Cell;
use std::f64::consts::TAU;

use seamwright::audio::{AudioBuf, signals};
use seamwright::dsp::clean::{CleanParams, NoiseProfile, clean, clean_while, learn};
use seamwright::dsp::pitch::{F0Params, F0Track, track_f0};
use seamwright::units::{FrameRange, SampleRate};

#[path = "reference/clean_measures.rs"]
#[allow(dead_code)]
mod measures;
use measures::si_sdr;

const RATE: f64 = 48_000.0;
/// Room tone at the head, and how long the note lasts after it.
const HEAD_S: f64 = 1.0;
const HELD_S: f64 = 1.5;

fn at(s: f64) -> usize {
    (s * RATE) as usize
}

/// 40 partials of 196 Hz (as 1/k), the pitch `cents` to either side at 6 Hz, faded in and out over 30 ms.
fn note(cents: f64) -> Vec<f32> {
    let mut cycles = 0.0;
    (0..at(HEAD_S + HELD_S + 0.5))
        .map(|n| {
            let t = n as f64 / RATE - HEAD_S;
            if !(0.0..HELD_S).contains(&t) {
                return 0.0;
            }
            cycles += 196.0 * (cents / 1200.0 * (TAU * 6.0 * t).sin()).exp2() / RATE;
            let fade = (t / 0.03).min((HELD_S - t) / 0.03).min(1.0);
            let tone: f64 = (1..=40).map(|k| (TAU * cycles * f64::from(k)).sin() / f64::from(k)).sum();
            (0.1 * fade * tone) as f32
        })
        .collect()
}

/// `clean` in white noise 30 dB below it, the room learned, the pitch tracked.
fn recorded(clean: &[f32]) -> (AudioBuf, NoiseProfile, F0Track) {
    let rate = SampleRate::new(RATE as u32).unwrap();
    // The note's RMS is 0.1 · √(½ Σ 1/k²) = 0.09.
    let noise = signals::white_noise(0.09 * 10f64.powf(-30.0 / 20.0), clean.len(), 5);
    let x = AudioBuf::mono(signals::sum(clean, &noise), rate).unwrap();
    let profile = learn(&[x.part(FrameRange::new(0, at(HEAD_S) as u64 - 2_400))]).unwrap();
    let track = track_f0(x.channel(0), rate, &F0Params::default()).unwrap();
    (x, profile, track)
}

/// A partial that swings by 30 cents swings over 75 Hz at 4.3 kHz; a window of 341 ms would take that for
/// breath. Read along the pitch it is a line, so the note gains as much as one that stands still.
#[test]
fn a_note_that_moves_gains_as_much_as_one_that_does_not() {
    let gain = |cents: f64| {
        let clean_note = note(cents);
        let (x, profile, track) = recorded(&clean_note);
        let done = clean(&x, &profile, Some(&track), &CleanParams::default()).unwrap();
        let held = at(HEAD_S + 0.2)..at(HEAD_S + HELD_S - 0.2);
        let part = &clean_note[held.clone()];
        si_sdr(part, &done.audio.channel(0)[held.clone()]) - si_sdr(part, &x.channel(0)[held])
    };
    let (still, moving) = (gain(0.0), gain(30.0));
    assert!(still > 10.0, "{still}");
    assert!(moving > still - 1.5, "{moving} of {still}");
}

/// Channels are read by the same map and get the same gains: one that is half the other stays half of it.
#[test]
fn the_stereo_image_of_a_moving_note_stays() {
    let (x, profile, track) = recorded(&note(30.0));
    let left = x.channel(0).to_vec();
    let right = left.iter().map(|v| 0.5 * v).collect();
    let both = AudioBuf::new(vec![left, right], x.rate()).unwrap();
    let done = clean(&both, &profile, Some(&track), &CleanParams::default()).unwrap();
    let pairs = done.removed.channel(0).iter().zip(done.removed.channel(1));
    let worst = pairs.map(|(l, r)| (0.5 * l - r).abs()).fold(0.0, f32::max);
    // Each stands on a step of 24 bits: half a step and half of half a step.
    assert!(worst <= 0.75 / 8_388_608.0 * 1.01, "{worst:e}");
    assert!(done.removed.peak() > 0.001);
}

/// One question every piece of work; the first no ends it, with not one question more.
#[test]
fn cleaning_can_be_stopped_in_its_midst() {
    let (x, profile, track) = recorded(&note(30.0));
    let asked = Cell::new(0u64);
    let until = |no_at: u64| {
        asked.set(0);
        let go_on = || {
            asked.set(asked.get() + 1);
            asked.get() != no_at
        };
        let done = clean_while(&x, &profile, Some(&track), &CleanParams::default(), &go_on);
        (asked.get(), done)
    };
    let (all, done) = until(u64::MAX);
    let whole = clean(&x, &profile, Some(&track), &CleanParams::default()).unwrap();
    assert_eq!(done.unwrap().audio.channel(0), whole.audio.channel(0));
    // Three seconds of sound, at least one question for every 65 536 steps of a transform or more.
    assert!(all > 25, "{all} questions");
    for no_at in [1, 2, all / 2, all] {
        let (questions, done) = until(no_at);
        assert!(done.unwrap_err().is_cancelled());
        assert_eq!(questions, no_at);
    }
}
