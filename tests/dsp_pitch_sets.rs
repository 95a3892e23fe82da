//! The fundamental tracker over whole sets of takes in a room: its goals, what its confidence is
//! worth, its doubts; and against the bound for harmonic tones.

use std::f64::consts::{LN_2, TAU};

use proptest::prelude::*;
use seamwright::audio::signals::{harmonic, sum, white_noise};
use seamwright::dsp::pitch::{Doubts, F0Params, F0Track, NoteSummary, doubts, summarise, track_f0};
use seamwright::units::SampleRate;

#[path = "reference/pitch_models.rs"]
mod pitch_models;
#[path = "reference/pitch_second.rs"]
#[allow(dead_code)] // Shared with the bench, which uses all of it.
mod pitch_second;
#[path = "reference/pitch_takes.rs"]
#[allow(dead_code)]
mod pitch_takes;
#[path = "reference/pitch_tally.rs"]
#[allow(dead_code)]
mod pitch_tally;
use pitch_models::{Body, sound};
use pitch_takes::{Movement, Take, Timbre, development_set, take};
use pitch_tally::{Tally, bound_cents};

const SNRS_DB: [f64; 3] = [40.0, 25.0, 15.0];

fn rate(hz: f64) -> SampleRate {
    SampleRate::new(hz as u32).unwrap()
}

fn run(x: &[f32], rate_hz: f64, hop_s: f64) -> F0Track {
    track_f0(x, rate(rate_hz), &F0Params { hop_s, ..F0Params::default() }).unwrap()
}

fn heard(x: &[f32], rate_hz: f64) -> (Option<NoteSummary>, Doubts) {
    let track = run(x, rate_hz, 0.005);
    let note = summarise(&track);
    (note, note.map(|n| doubts(x, rate(rate_hz), &track, &n)).unwrap_or_default())
}

fn cents(f: f64, reference: f64) -> f64 {
    1200.0 * (f / reference).log2()
}

/// The goals of the program: median and 95th percentile of the error in cents at 40, 25 and 15 dB.
const GOALS: [(f64, f64); 3] = [(0.08, 0.3), (0.25, 1.0), (0.60, 2.5)];

fn reaches_its_goals(set: impl Fn(usize, f64) -> Vec<Take>) {
    for (n, (snr_db, (median, p95))) in SNRS_DB.into_iter().zip(GOALS).enumerate() {
        let mut tally = Tally::default();
        for take in set(n, snr_db) {
            let gross = tally.gross;
            tally.add(&run(&take.x, take.rate, 0.005), &take);
            assert_eq!(tally.gross, gross, "{} at {snr_db} dB: a gross error", take.name);
        }
        let (m, p) = (tally.part(0.5), tally.part(0.95));
        println!("{snr_db} dB: median {m:.4}, p95 {p:.4}, recall {:.4}", tally.recall());
        assert!(m <= median && p <= p95, "{snr_db} dB: median {m}, p95 {p}");
        assert!(tally.recall() >= 0.99, "{snr_db} dB: recall {}", tally.recall());
        assert!(tally.false_voiced() <= 0.02, "{snr_db} dB: {} false", tally.false_voiced());
    }
}

#[test]
fn first_set_at_40_25_and_15_db() {
    reaches_its_goals(|_, snr_db| development_set(snr_db));
}

/// A third of the takes at each ratio (the bench runs them all).
#[test]
fn second_set_at_40_25_and_15_db() {
    reaches_its_goals(|n, snr_db| pitch_second::every(snr_db, 3, n));
}

/// The surer the tracker, the more of its values lie within 10 cents, and the smaller the error
/// that nine of ten stay below: over the noisy halves of both sets, in bins of confidence.
#[test]
fn confidence_grows_with_truth() {
    let mut tally = Tally::default();
    // Down to 7 dB, where errors beyond 10 cents are not rare.
    for (n, snr_db) in [15.0, 10.0, 7.0].into_iter().enumerate() {
        let takes = development_set(snr_db).into_iter().skip(n).step_by(5);
        for take in takes.chain(pitch_second::every(snr_db, 10, n)) {
            tally.add(&run(&take.x, take.rate, 0.005), &take);
        }
    }
    let mut before = (0.0, f64::MAX);
    for (low, high) in [(0.0, 0.5), (0.5, 0.7), (0.7, 0.85), (0.85, 0.95), (0.95, 1.01)] {
        let mut errors: Vec<f64> =
            tally.cents.iter().filter(|c| (low..high).contains(&f64::from(c.1))).map(|c| c.0).collect();
        errors.sort_by(f64::total_cmp);
        let within = errors.partition_point(|e| *e < 10.0) as f64 / errors.len() as f64;
        let nine_tenths = errors[errors.len() * 9 / 10];
        println!(
            "{low}..{high}: {} values, {within:.4} within 10 cents, 90 % {nine_tenths:.3}",
            errors.len()
        );
        assert!(errors.len() >= 100, "{low}..{high}: only {} values", errors.len());
        assert!(within >= before.0 && nine_tenths < before.1, "{low}..{high}: {within} {nine_tenths}");
        before = (within, nine_tenths);
    }
    assert!(before.0 > 0.999);
}

/// No doubt is raised about single notes: strong and weak, odd and even partials, stiff strings,
/// breath, hum, vibrato.
#[test]
fn single_notes_raise_no_doubts() {
    for (n, snr_db) in SNRS_DB.into_iter().enumerate() {
        let takes = development_set(snr_db).into_iter().skip(n).step_by(5);
        for take in takes.chain(pitch_second::every(snr_db, 5, (n + 1) % 3)) {
            let (note, doubts) = heard(&take.x, take.rate);
            assert!(note.is_some(), "{} at {snr_db} dB: no note", take.name);
            assert_eq!(doubts, Doubts::default(), "{} at {snr_db} dB", take.name);
        }
    }
}

/// Two notes are told with both names, from a minor third to a major tenth, the second as loud or
/// 12 dB softer and drifting on its own. Equal temperament: ISO 16.
#[test]
fn two_notes_are_told() {
    let hz = |midi: f64| 440.0 * ((midi - 69.0) / 12.0).exp2();
    for (n, timbre) in [Timbre::Bowed, Timbre::Flute, Timbre::Brass].into_iter().enumerate() {
        for (i, interval) in [3.0, 4.0, 5.0, 7.0, 8.0, 9.0, 16.0].into_iter().enumerate() {
            let low = [60.0, 55.0, 67.0][(n + i) % 3];
            let softer_db = [0.0, 12.0][i % 2];
            let a = take(hz(low), timbre, Movement::Steady, 40.0, 5);
            let b = take(hz(low + interval), timbre, Movement::Drift, 100.0, 6);
            let gain = 10f64.powf(-softer_db / 20.0) as f32;
            let x: Vec<f32> = a.x.iter().zip(&b.clean).map(|(a, b)| a + gain * b).collect();
            let (note, doubts) = heard(&x, a.rate);
            let what = format!("{timbre:?} {low} + {interval}, {softer_db} dB: {note:?} {doubts:?}");
            let two = doubts.two_notes.unwrap_or_else(|| panic!("{what}"));
            let mut found = [two.louder.0, two.softer.0];
            found.sort_by(f64::total_cmp);
            // The drift is ±12 cents.
            assert!(cents(found[0], hz(low)).abs() < 15.0, "{what}");
            assert!(cents(found[1], hz(low + interval)).abs() < 15.0, "{what}");
            assert_eq!(doubts.octave, None, "{what}");
        }
    }
}

/// Two tones without overtones are two notes as well, though one with the two lines as its partials
/// could be thought of; a single one, and an octave, are not.
#[test]
fn two_pure_tones_are_told() {
    let sine = |f: f64, a: f64| harmonic(|_| f, &[a], 48_000.0, 96_000);
    let room = white_noise(1e-4, 96_000, 4);
    for (low, high) in
        [(110.0, 146.8), (220.0, 261.6), (220.0, 277.2), (220.0, 311.1), (220.0, 329.6), (440.0, 493.9)]
    {
        for gain in [1.0, 0.4] {
            let x = sum(&sum(&sine(low, 0.1), &sine(high, 0.1 * gain)), &room);
            let (note, doubts) = heard(&x, 48_000.0);
            let what = format!("{low} and {high}, {gain}: {note:?} {doubts:?}");
            let two = doubts.two_notes.unwrap_or_else(|| panic!("{what}"));
            let mut found = [two.louder.0, two.softer.0];
            found.sort_by(f64::total_cmp);
            // They are multiples of a common fundamental that the tuning of the steps only comes near to:
            // 9/7 and 7/5 are within 18 cents of theirs.
            assert!(cents(found[0], low).abs() < 20.0 && cents(found[1], high).abs() < 20.0, "{what}");
        }
    }
    for other in [0.0, 440.0] {
        let x = sum(&sum(&sine(220.0, 0.1), &sine(other, 0.05)), &room);
        assert_eq!(heard(&x, 48_000.0).1.two_notes, None, "{other}");
    }
}

/// Odd partials 16 to 28 dB below the even ones are a note or the octave above it; told as such
/// whichever of them is tracked. At −10 dB they make a note, at −40 dB they are gone.
#[test]
fn open_octaves_are_told() {
    for f in [98.0, 220.0, 440.0] {
        for (odd_db, open) in [(-10.0, false), (-17.0, true), (-22.0, true), (-27.0, true), (-40.0, false)] {
            let g = 10f64.powf(odd_db / 20.0);
            let x = harmonic(|_| f, &[0.2 * g, 0.2, 0.1 * g, 0.1, 0.05 * g, 0.05], 48_000.0, 72_000);
            let (note, doubts) = heard(&sum(&x, &white_noise(1e-4, 72_000, 2)), 48_000.0);
            let f0 = note.expect("a note").f0.0;
            let what = format!("{f} Hz, odd {odd_db} dB: {f0} {doubts:?}");
            assert_eq!(doubts.two_notes, None, "{what}");
            assert_eq!(doubts.octave.is_some(), open, "{what}");
            if let Some(other) = doubts.octave {
                let mut both = [f0, other.0];
                both.sort_by(f64::total_cmp);
                assert!(cents(both[0], f).abs() < 1.0 && cents(both[1], 2.0 * f).abs() < 1.0, "{what}");
            }
        }
    }
}

/// Values at the same moment are the same whatever the hop, to within the noise: the difference's
/// standard deviation stays below the least standard error from 60 ms of sound (`bound_cents`),
/// which each of them has at best.
#[test]
fn hops_of_1_5_and_20_ms_agree() {
    for (hz, timbre, movement) in [
        (82.4, Timbre::Bowed, Movement::Drift),
        (311.1, Timbre::Flute, Movement::Vibrato(30.0)),
        (1_244.5, Timbre::Reed, Movement::Steady),
    ] {
        let t = take(hz, timbre, movement, 25.0, 21);
        let most = bound_cents(&t, 0.06f64.max(6.0 / hz));
        let tracks = [0.001, 0.005, 0.02].map(|hop_s| run(&t.x, t.rate, hop_s));
        let (mut squares, mut count) = (0.0, 0.0);
        for i in 0..(t.x.len() as f64 / t.rate / 0.02) as usize {
            let at = i as f64 * 0.02;
            if at < t.sustain.0 || at > t.sustain.1 {
                continue;
            }
            let [a, b, c] = [20 * i, 4 * i, i];
            let f = [tracks[0].f0_hz[a], tracks[1].f0_hz[b], tracks[2].f0_hz[c]].map(|f| f.expect("voiced"));
            squares += cents(f[0], f[1]).powi(2) + cents(f[2], f[1]).powi(2);
            count += 2.0;
        }
        let rms = f64::sqrt(squares / count);
        println!("{hz} Hz: {rms:.4} cents between hops, bound {most:.4}");
        assert!(rms < most, "{hz} Hz: {rms} against {most}");
    }
}

/// A harmonic tone in white noise: var(ω₀) ≥ 24σ²/(N(N² − 1)·Σ k²A_k²) (Nehorai & Porat, IEEE TASSP
/// 34(5), 1986, from Rife & Boorstyn 1974). Not below it for all the sound there is, and not above
/// what the first round's window (25 ms, the widest response) allows with the loss of its taper.
#[test]
fn harmonic_tones_stand_beside_their_bound() {
    let amplitudes = [0.1, 0.2, 0.1, 0.05];
    for (f, snr_db) in [(220.0, 25.0), (440.0, 40.0), (880.0, 15.0)] {
        let power: f64 = amplitudes.iter().map(|a| a * a / 2.0).sum();
        let sigma = power.sqrt() * 10f64.powf(-snr_db / 20.0);
        let bound = |seconds: f64| {
            let n = seconds * 48_000.0;
            let sharp: f64 = amplitudes.iter().enumerate().map(|(i, a)| ((i + 1) as f64 * a).powi(2)).sum();
            let omega = (24.0 * sigma * sigma / (n * (n * n - 1.0) * sharp)).sqrt();
            omega * 48_000.0 / TAU / f * 1200.0 / LN_2
        };
        let (mut squares, mut count) = (0.0, 0.0);
        for seed in 0..3 {
            let x = harmonic(|_| f, &amplitudes, 48_000.0, 96_000);
            let track = run(&sum(&x, &white_noise(sigma, 96_000, seed)), 48_000.0, 0.005);
            for v in &track.f0_hz[60..340] {
                squares += cents(v.expect("voiced"), f).powi(2);
                count += 1.0;
            }
        }
        let rms = f64::sqrt(squares / count);
        println!(
            "{f} Hz, {snr_db} dB: rms {rms:.5}; bound {:.5} (2 s), {:.5} (60 ms)",
            bound(2.0),
            bound(0.06)
        );
        assert!(rms > bound(2.0), "better than possible: {rms}");
        // The four-term window loses a factor 2.4 in standard error against an even one (computed in
        // `dsp_pitch`), scatter a fifth.
        assert!(rms < 1.2 * 2.4 * bound(0.025), "{f} Hz: {rms} against {}", bound(0.025));
    }
}

/// An independent implementation of Mauch & Dixon 2014 (crate `pyin`) on sounds of waveguides: half
/// of its grid of 10 cents and the 2 cents that its parabola leaves.
#[test]
fn an_independent_library_agrees_on_waveguides() {
    for (body, hz) in [(Body::Reed, 152.0), (Body::Flute, 262.7), (Body::Bow, 203.0)] {
        // Sounded at three times the rate; means of three.
        let fine = sound(body, hz, 0.4, 48_000.0, 120_000);
        let wide: Vec<f64> = fine.chunks(3).map(|c| c.iter().sum::<f64>() / 3.0).collect();
        let x: Vec<f32> = wide.iter().map(|v| (0.2 * v) as f32).collect();
        let mut other =
            pyin::PYINExecutor::<f64>::new(60.0, 1_000.0, 16_000, 2_048, None, Some(160), Some(0.1));
        let (times, theirs, voiced, _) =
            other.pyin(&wide, f64::NAN, pyin::Framing::Center(pyin::PadMode::Constant(0.0)));
        let ours = run(&x, 16_000.0, 0.01);
        let mut compared = 0;
        for ((t, f), v) in times.iter().zip(&theirs).zip(&voiced) {
            if *v && (1.0..2.2).contains(t) {
                let own = ours.at(*t).unwrap_or_else(|| panic!("{body:?} at {t}: nothing, they {f}"));
                assert!(cents(own, *f).abs() < 5.0 + 2.0, "{body:?} at {t}: {own} and {f}");
                compared += 1;
            }
        }
        assert!(compared > 80, "{body:?}: only {compared} moments compared");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever comes in, out come as many values as hops, finite, within the limits, confidence
    /// from 0 to 1 and 0 just where there is no value; doubts are finite too.
    #[test]
    fn anything_goes_in_and_only_sense_comes_out(
        noise in 0.0..1.0f64,
        tones in prop::collection::vec((10.0..12_000.0f64, 0.0..1.5f64), 0..4),
        frames in 0usize..30_000,
        spikes in prop::collection::vec((0usize..30_000, prop::num::f32::ANY), 0..5),
        rate_hz in prop::sample::select(vec![8_000.0, 22_050.0, 44_100.0, 96_000.0, 192_000.0]),
        hop_s in 0.001..0.02f64,
    ) {
        let mut x = white_noise(noise, frames, 1);
        for (hz, a) in tones {
            x = sum(&x, &harmonic(|_| hz, &[a, a / 2.0, a / 3.0], rate_hz, frames));
        }
        for (at, v) in spikes {
            if let Some(s) = x.get_mut(at) { *s = v; }
        }
        let track = run(&x, rate_hz, hop_s);
        let hops = (frames as f64 / rate_hz / hop_s + 1e-9) as usize;
        prop_assert_eq!(track.f0_hz.len(), hops + 1);
        for (f, c) in track.f0_hz.iter().zip(&track.confidence) {
            prop_assert!((0.0..=1.0).contains(c));
            prop_assert_eq!(f.is_some(), *c > 0.0);
            prop_assert!(f.is_none_or(|f| (25.0..=4_500.0).contains(&f)));
        }
        if let Some(note) = summarise(&track) {
            prop_assert!(note.f0.0.is_finite() && (0.0..=1.0).contains(&note.confidence));
            let doubts = doubts(&x, rate(rate_hz), &track, &note);
            prop_assert!(doubts.octave.is_none_or(|f| f.0.is_finite()));
            prop_assert!(doubts.two_notes.is_none_or(|t| t.by.0 >= 0.0 && t.louder.0 > 0.0 && t.softer.0 > 0.0));
        }
    }
}
