//! Tuning of whole takes with the real tracker, against pitch that is known exactly, and of anything
//! at all. The table over the whole development set is printed by `cargo bench --bench tune`.

use std::f64::consts::TAU;

use proptest::prelude::*;
use seamwright::audio::{AudioBuf, signals};
use seamwright::dsp::pitch::{F0Params, track_f0};
use seamwright::dsp::tune::{
    Deviation, Movement, PitchMap, StrengthCurve, TuneParams, deviation, movement, pitch_map, read_along,
};
use seamwright::units::{Cents, MidiNote, SampleRate};

#[path = "reference/tune_measures.rs"]
#[allow(dead_code)]
mod measures;
#[path = "reference/tune_takes.rs"]
#[allow(dead_code)]
mod takes;
use measures::{log_mel, null_db, rms_above, value_at};
use takes::{Movement as Moves, NOTE_S, ONSET_S, RATE, TuneTake, take};

fn rate(hz: u32) -> SampleRate {
    SampleRate::new(hz).unwrap()
}

fn full(take: &TuneTake) -> TuneParams {
    TuneParams {
        target: take.target,
        shift: Cents(0.0),
        centre: 1.0,
        drift: 1.0,
        vibrato: 1.0,
        curve: StrengthCurve::default(),
        onset_s: ONSET_S,
    }
}

fn tuned(take: &TuneTake, params: &TuneParams) -> (PitchMap, Vec<f32>) {
    let track = track_f0(&take.x, rate(48_000), &F0Params::default()).unwrap();
    let d = deviation(&track, take.target).unwrap();
    let map = pitch_map(&d, params, 0.0, take.x.len() as f64, rate(48_000), rate(48_000)).unwrap();
    let audio = AudioBuf::mono(take.x.clone(), rate(48_000)).unwrap();
    let y = read_along(&audio, &map, rate(48_000)).unwrap().channel(0).to_vec();
    (map, y)
}

/// Takes of every kind of movement, at notes from A1 to A6.
fn some(snr_db: f64) -> Vec<TuneTake> {
    vec![
        take(MidiNote(33), 21.0, 0, Moves::Drift, snr_db, 1),
        take(MidiNote(45), -13.0, 3, Moves::Both, snr_db, 2),
        take(MidiNote(57), 0.0, 1, Moves::Vibrato(5.0, 50.0), snr_db, 3),
        take(MidiNote(62), 8.0, 2, Moves::Vibrato(7.0, 40.0), snr_db, 4),
        take(MidiNote(69), -35.0, 4, Moves::Scoop(150.0, 0.03), snr_db, 5),
        take(MidiNote(81), 30.0, 0, Moves::Scoop(60.0, 0.08), snr_db, 6),
        take(MidiNote(93), 0.0, 1, Moves::Sinking, snr_db, 7),
    ]
}

/// The bars of the wish: over the sustain, from the true pitch at the places that were read.
#[test]
fn full_strength_leaves_the_note_on_its_target() {
    for (snr_db, most) in [(40.0, 0.3), (25.0, 1.0)] {
        for t in some(snr_db) {
            let (map, _) = tuned(&t, &full(&t));
            let left: Vec<f64> = (250..(1e3 * (NOTE_S - 0.15)) as usize)
                .map(|i| {
                    let at = ONSET_S + i as f64 * 1e-3;
                    t.cents(at) + map.cents_at(map.output_at(at * RATE))
                })
                .collect();
            let mean = left.iter().sum::<f64>() / left.len() as f64;
            let rms = (left.iter().map(|v| v * v).sum::<f64>() / left.len() as f64).sqrt();
            let fast = rms_above(&left, 1e-3, 12.0);
            println!("{snr_db} dB {}: {rms:.3} rms, {mean:+.3}, {fast:.4} above 12 Hz", t.name);
            assert!(rms <= most, "{}: {rms}", t.name);
            assert!(mean.abs() <= 0.2, "{}: {mean}", t.name);
            // No wobble: far below the just noticeable 3.5 cents (Moore, from memory).
            assert!(fast <= 0.2, "{}: {fast}", t.name);
        }
    }
}

/// The spectrum in bands is that of the same note had it been played on its target: formants move by
/// what the cents imply and nothing else happens to them. The bar of the wish is 0.3 dB.
#[test]
fn the_timbre_stays() {
    for snr_db in [40.0, 25.0] {
        for t in some(snr_db) {
            let (map, y) = tuned(&t, &full(&t));
            let centres: Vec<f64> =
                (0..).map(|k| 36_000.0 + 480.0 * f64::from(k)).take_while(|m| *m < 140_000.0).collect();
            let (ours, played) =
                (log_mel(&y, RATE, &centres), log_mel(&t.played(&map, 88_000), RATE, &centres));
            let off = |a: &[Vec<f64>], b: &[Vec<f64>]| {
                let all: Vec<f64> =
                    a.iter().zip(b).flat_map(|(a, b)| a.iter().zip(b).map(|(a, b)| (a - b).abs())).collect();
                all.iter().sum::<f64>() / all.len() as f64
            };
            let db = off(&ours, &played);
            println!("{snr_db} dB {}: {db:.3}", t.name);
            assert!(db <= 0.3, "{}: {db}", t.name);
            // The measure itself can tell: the take as it was recorded, where it was out of tune.
            let source =
                off(&log_mel(&t.x, RATE, &centres), &log_mel(&t.played(&map, 88_000), RATE, &centres));
            assert!(source > 0.3, "{}: {source}", t.name);
        }
    }
}

/// The first 80 ms are the source read at the one speed that the centre asks for: an interpolation of
/// the test's own, along a straight line, gives the same.
#[test]
fn the_attack_is_the_sources_own() {
    for t in some(200.0) {
        let (map, y) = tuned(&t, &full(&t));
        let first = map.output_at(ONSET_S * RATE).ceil() as usize;
        let (p0, p1) = (map.source_at(first as f64), map.source_at((first + 3_840) as f64));
        let line: Vec<f64> =
            (0..3_840).map(|k| value_at(&t.clean, p0 + (p1 - p0) * k as f64 / 3_840.0)).collect();
        let result: Vec<f64> = y[first..first + 3_840].iter().map(|s| f64::from(*s)).collect();
        let db = null_db(&line, &result);
        println!("{}: {db:.1} dB", t.name);
        assert!(db <= -90.0, "{}: {db}", t.name);
        // With the centre left alone too, not one bit of it changes, noise included.
        let (_, y) = tuned(&t, &TuneParams { centre: 0.0, ..full(&t) });
        let attack = (ONSET_S * RATE) as usize..((ONSET_S + 0.085) * RATE) as usize;
        assert_eq!(y[attack.clone()], t.x[attack], "{}", t.name);
    }
}

#[test]
fn movement_in_three_numbers() {
    let of = |drift: &dyn Fn(f64) -> f64, vibrato: &dyn Fn(f64) -> f64| {
        let t = |i: usize| i as f64 * 0.005;
        movement(&Deviation {
            hop_s: 0.005,
            centre: 40.0,
            drift: (0..600).map(|i| drift(t(i))).collect(),
            vibrato: (0..600).map(|i| vibrato(t(i))).collect(),
            voiced: vec![true; 600],
        })
    };
    for (hz, depth) in [(3.1, 4.0), (5.37, 30.0), (6.8, 50.0), (9.2, 12.0)] {
        let m = of(&|_| 7.0, &|t| depth * (TAU * hz * t + 0.4).sin());
        // √2·rms of a sine is its amplitude; 2.7 s hold no whole number of periods, of which the
        // last part may carry 1/(4π·periods) of the power.
        assert!((m.vibrato_depth_cents / depth - 1.0).abs() < 0.01, "{hz}: {m:?}");
        // A parabola on a Hann peak at a tenth of its width is off by less than a thousandth of it.
        assert!((m.vibrato_rate_hz.unwrap() - hz).abs() < 0.005, "{hz}: {m:?}");
        assert!((m.drift_rms - 7.0).abs() < 1e-9, "{m:?}");
    }
    // Too shallow, and noise: no rate.
    assert_eq!(of(&|_| 0.0, &|t| 0.5 * (TAU * 5.0 * t).sin()).vibrato_rate_hz, None);
    let noise = signals::white_noise(5.0, 600, 3);
    assert_eq!(of(&|_| 0.0, &|t| f64::from(noise[(t / 0.005).round() as usize])).vibrato_rate_hz, None);
    assert_eq!(movement(&Deviation::default()), Movement::default());
}

prop_compose! {
    fn any_curve()(steps in prop::collection::vec((0.0f64..0.3, 0.0f64..=1.0), 1..8)) -> StrengthCurve {
        let mut t = -0.2;
        StrengthCurve { nodes: steps.into_iter().map(|(dt, s)| { t += dt; (t, s) }).collect() }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever the curve, the strengths, the shift and the deviation: sound of the length told,
    /// finite, along a map that rises.
    #[test]
    fn any_tuning_gives_finite_sound(
        curve in any_curve(),
        strengths in (0.0f64..=1.0, 0.0f64..=1.0, 0.0f64..=1.0),
        centre in -600.0f64..600.0,
        shift in prop::sample::select(vec![0.0, -1200.0, -200.0, 100.0, 700.0]),
        values in prop::collection::vec((-300.0f64..300.0, -200.0f64..200.0), 0..80),
        onset_s in -0.3f64..0.6,
        from in -500.0f64..3_000.0,
        length in 1.0f64..9_000.0,
        to in prop::sample::select(vec![8_000, 44_100, 48_000, 192_000]),
    ) {
        let (drift, vibrato): (Vec<f64>, Vec<f64>) = values.into_iter().unzip();
        let voiced = vec![true; drift.len()];
        let d = Deviation { hop_s: 0.005, centre, drift, vibrato, voiced };
        let p = TuneParams {
            target: MidiNote(69).frequency(seamwright::units::Hertz(440.0)),
            shift: Cents(shift),
            centre: strengths.0,
            drift: strengths.1,
            vibrato: strengths.2,
            curve,
            onset_s,
        };
        let map = pitch_map(&d, &p, from, from + length, rate(48_000), rate(to)).unwrap();
        let audio = AudioBuf::mono(signals::white_noise(0.2, 4_000, 1), rate(48_000)).unwrap();
        let y = read_along(&audio, &map, rate(to)).unwrap();
        prop_assert_eq!(y.len(), map.frames());
        prop_assert!(y.channel(0).iter().all(|s| s.is_finite() && s.abs() < 4.0));
        let points = map.points();
        prop_assert!(points.windows(2).all(|w| w[1].0 > w[0].0 && w[1].1 > w[0].1));
        prop_assert!((map.output_at(from)).abs() < 1e-6);
    }

    /// Any sound at all is tracked and tuned, or refused in words.
    #[test]
    fn any_sound_is_tuned_or_refused(
        seed in 0u64..1_000, hz in 30.0f64..3_000.0, wide in 0.0f64..300.0, noise in 0.0f64..0.3, n in 0usize..40_000,
    ) {
        let tone = signals::harmonic(
            |t| hz * (wide * (TAU * 6.0 * t).sin() / 1200.0).exp2(), &[0.3, 0.1], 48_000.0, n);
        let x = signals::sum(&tone, &signals::white_noise(noise, n, seed));
        let track = track_f0(&x, rate(48_000), &F0Params::default()).unwrap();
        if let Ok(d) = deviation(&track, seamwright::units::Hertz(hz)) {
            prop_assert!(d.drift.iter().chain(&d.vibrato).all(|v| v.is_finite()));
            let m = movement(&d);
            prop_assert!(m.drift_rms.is_finite() && m.vibrato_depth_cents.is_finite());
        }
    }
}
