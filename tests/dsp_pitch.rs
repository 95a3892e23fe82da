//! The fundamental tracker against analytic truth, the Cramér–Rao bound and an independent library.

use std::f64::consts::{LN_2, TAU};

use seamwright::audio::signals::{harmonic, sine, sum, white_noise};
use seamwright::dsp::pitch::{F0Params, F0Track, NoteSummary, summarise, track_f0};
use seamwright::error::ErrorKind;
use seamwright::units::SampleRate;

#[path = "reference/pitch_takes.rs"]
#[allow(dead_code)] // Shared with the bench, which uses other parts of it.
mod pitch_takes;
use pitch_takes::{Movement, Timbre, room_tone, take};

fn run_at(x: &[f32], rate: u32, hop_s: f64) -> F0Track {
    let params = F0Params { hop_s, ..F0Params::default() };
    track_f0(x, SampleRate::new(rate).unwrap(), &params).unwrap()
}

fn run(x: &[f32]) -> F0Track {
    run_at(x, 48_000, 0.005)
}

fn cents(f: f64, reference: f64) -> f64 {
    1200.0 * (f / reference).log2()
}

/// Errors in cents of the values from `from_s` to `until_s`; all of them must be there.
fn errors(track: &F0Track, truth: impl Fn(f64) -> f64, from_s: f64, until_s: f64) -> Vec<f64> {
    let mut found = Vec::new();
    for (i, f) in track.f0_hz.iter().enumerate() {
        let t = i as f64 * track.hop_s;
        if t >= from_s && t <= until_s {
            let f = f.unwrap_or_else(|| panic!("no value at {t:.3} s"));
            found.push(cents(f, truth(t)));
        }
    }
    assert!(!found.is_empty());
    found
}

fn worst(errors: &[f64]) -> f64 {
    errors.iter().fold(0.0, |m: f64, e| m.max(e.abs()))
}

fn median_abs(errors: &[f64]) -> f64 {
    let mut v: Vec<f64> = errors.iter().map(|e| e.abs()).collect();
    v.sort_by(f64::total_cmp);
    v[v.len() / 2]
}

fn summary(track: &F0Track) -> NoteSummary {
    summarise(track).expect("a note")
}

/// Without noise what is left is leakage between partials (window sidelobes at −93 dB) and single
/// precision: far below a hundredth of a cent. Equal temperament: MIDI Tuning Standard, ISO 16.
#[test]
fn pure_and_harmonic_tones_over_the_piano() {
    for midi in (21..=108).step_by(3) {
        let f = 440.0 * ((f64::from(midi) - 69.0) / 12.0).exp2();
        for partials in [&[0.4][..], &[0.3, 0.2, 0.15, 0.1, 0.08, 0.05]] {
            let x = harmonic(|_| f, partials, 48_000.0, 48_000);
            let e = errors(&run(&x), |_| f, 0.15, 0.85);
            assert!(worst(&e) < 0.02, "MIDI {midi}, {} partials: {}", partials.len(), worst(&e));
            assert!((cents(summary(&run(&x)).f0.0, f)).abs() < 0.01);
        }
    }
}

#[test]
fn missing_and_weak_fundamentals_keep_their_octave() {
    for f in [41.2, 98.0, 220.0, 440.0, 659.3] {
        for first in [0.0, 0.002, 0.05] {
            let x = harmonic(|_| f, &[first, 0.3, 0.25, 0.2, 0.1, 0.1, 0.05], 48_000.0, 48_000);
            let e = errors(&run(&x), |_| f, 0.2, 0.8);
            assert!(worst(&e) < 0.02, "{f} Hz, first partial {first}: {}", worst(&e));
        }
        // Odd partials alone.
        let x = harmonic(|_| f, &[0.4, 0.0, 0.15, 0.0, 0.1, 0.0, 0.05], 48_000.0, 48_000);
        assert!(worst(&errors(&run(&x), |_| f, 0.2, 0.8)) < 0.02, "{f} Hz, odd partials");
    }
}

/// A bar's partials stand at 1 : 2.756 : 5.404 (free ends, Fletcher & Rossing, The Physics of Musical
/// Instruments, ch. 2.15: the squares of 3.0112, 5, 7 over that of the first). Four periods of the
/// first nearly hold eleven of the second; the note is the first partial all the same.
#[test]
fn bars_give_their_first_partial() {
    for f in [698.5, 1_046.5, 1_864.7] {
        for second in [0.03, 0.06] {
            let ratio = |n: f64| (n / 3.0112).powi(2);
            let mut x = sine(f, 0.3, 48_000.0, 72_000);
            x = sum(&x, &sine(f * ratio(5.0), second, 48_000.0, 72_000));
            x = sum(&x, &sine(f * ratio(7.0), 0.5 * second, 48_000.0, 72_000));
            let e = errors(&run(&x), |_| f, 0.3, 1.2);
            // The other partials lie more than eight main-lobe half widths away: sidelobes at −93 dB.
            assert!(median_abs(&e) < 0.05, "{f} Hz, {second}: {}", median_abs(&e));
        }
    }
}

/// Many voices a little apart have no common phase, yet a pitch. Sixteen voices with a standard
/// deviation of 10 cents stand around their mean with 10/√16 = 2.5 cents of standard error at any
/// moment; over a second and more the median must lie within three of these, every value within
/// a semitone.
#[test]
fn many_voices_have_one_pitch() {
    for f in [261.6, 523.3, 1_046.5, 1_568.0] {
        let mut x = vec![0f32; 96_000];
        let offs = white_noise(10.0, 16, 4);
        let mean = f * (offs.iter().map(|o| f64::from(*o)).sum::<f64>() / 16.0 / 1_200.0).exp2();
        for (v, off) in (0..16).zip(offs) {
            let hz = f * (f64::from(off) / 1_200.0).exp2();
            for k in 1..=4 {
                let kf = f64::from(k);
                // Phases that have nothing to do with each other: the golden angle.
                let phase = TAU * 0.618_034 * f64::from(v * 7 + k * k);
                let voice: Vec<f32> = (0..96_000)
                    .map(|n| (0.05 / kf * (TAU * hz * kf * f64::from(n) / 48_000.0 + phase).sin()) as f32)
                    .collect();
                x = sum(&x, &voice);
            }
        }
        let track = run(&x);
        let s = summary(&track);
        assert!(cents(s.f0.0, mean).abs() < 7.5, "{f} Hz: {s:?}");
        let voiced: Vec<f64> = track.f0_hz.iter().flatten().copied().collect();
        assert!(voiced.len() * 10 > track.f0_hz.len() * 7, "{f} Hz: {} values", voiced.len());
        assert!(voiced.iter().all(|v| cents(*v, mean).abs() < 100.0), "{f} Hz");
    }
}

/// Partials at k·f·√(1 + B·k²) (Fletcher, JASA 36(1), 1964). The value is the first partial,
/// f·√(1 + B), not a compromise: without that, the eighth partial alone would pull by 5 cents.
#[test]
fn stiff_strings_give_their_first_partial() {
    for (f, b) in [(110.0, 1e-4), (220.0, 1e-4), (440.0, 3e-4), (880.0, 1e-3)] {
        let frames = 72_000;
        let mut x = vec![0f32; frames];
        for k in 1..=10 {
            let kf = f64::from(k);
            let hz = kf * f * (1.0f64 + b * kf * kf).sqrt();
            if hz < 20_000.0 {
                x = sum(&x, &sine(hz, 0.2 / kf, 48_000.0, frames));
            }
        }
        let first = f * (1.0f64 + b).sqrt();
        let e = errors(&run(&x), |_| first, 0.2, 1.3);
        // The fit is to second order in B·k²: (B·k²)²/8 of the tenth partial is 0.3 cents at
        // B = 5e-4, weighted down by the nine below it.
        assert!(median_abs(&e) < 0.25, "{f} Hz, B {b}: {}", median_abs(&e));
    }
}

/// Value i belongs to i·hop exactly: on a chirp a delay of 1 ms would show as rate·1 ms.
#[test]
fn chirps_are_followed_without_delay() {
    for (f, octaves_per_s) in [(60.0, 0.25), (220.0, 1.0), (440.0, -1.0), (1_500.0, 1.0)] {
        let truth = |t: f64| f * (octaves_per_s * t).exp2();
        let x = harmonic(truth, &[0.3, 0.2, 0.1], 48_000.0, 48_000);
        for hop_s in [0.001, 0.005, 0.02] {
            let e = errors(&run_at(&x, 48_000, hop_s), truth, 0.2, 0.8);
            // 1 octave a second is 1.2 cents a millisecond: half a frame of the test signal's own
            // first-order phase (see `signals::harmonic`) is 0.01 ms, so 0.0125 cents; the rest is ours.
            assert!(worst(&e) < 0.1, "{f} Hz {octaves_per_s} oct/s hop {hop_s}: {}", worst(&e));
        }
    }
}

/// Vibrato of ±50 cents at 5 Hz keeps its depth to 2 % and its phase: the values are projected on
/// the sine and the cosine of the truth.
#[test]
fn vibrato_keeps_its_depth_and_phase() {
    for f in [110.0, 220.0, 440.0, 1_318.5, 2_637.0] {
        let truth = |t: f64| f * (50.0 * (TAU * 5.0 * t).sin() / 1200.0).exp2();
        let x = harmonic(truth, &[0.3, 0.2, 0.1, 0.05], 48_000.0, 96_000);
        for hop_s in [0.002, 0.005, 0.01] {
            let track = run_at(&x, 48_000, hop_s);
            let (mut s, mut c, mut n) = (0.0, 0.0, 0.0);
            for (i, v) in track.f0_hz.iter().enumerate() {
                let t = i as f64 * hop_s;
                // Whole periods: 0.4 to 1.6 s is six of them.
                if (0.4..1.6 - 1e-9).contains(&t) {
                    let e = cents(v.expect("voiced"), f);
                    s += e * (TAU * 5.0 * t).sin();
                    c += e * (TAU * 5.0 * t).cos();
                    n += 0.5;
                }
            }
            let (depth, delay_ms) = ((s * s + c * c).sqrt() / n, -c.atan2(s) / (TAU * 5.0) * 1e3);
            assert!((depth / 50.0 - 1.0).abs() < 0.02, "{f} Hz hop {hop_s}: depth {depth}");
            assert!(delay_ms.abs() < 0.1, "{f} Hz hop {hop_s}: {delay_ms} ms late");
        }
    }
}

#[test]
fn rates_from_8_to_192_khz() {
    for rate in [8_000, 11_025, 16_000, 22_050, 32_000, 44_100, 48_000, 63_999, 64_000, 96_000, 192_000] {
        for f in [55.0, 440.0, 2_093.0, 3_300.0] {
            let r = f64::from(rate);
            let x = harmonic(|_| f, &[0.3, 0.1], r, rate as usize);
            let track = run_at(&x, rate, 0.005);
            assert_eq!(track.f0_hz.len(), 201);
            assert_eq!(track.confidence.len(), 201);
            let e = errors(&track, |_| f, 0.2, 0.8);
            // At 8 kHz the upper partial of 2 093 Hz lies in the filter's slope and its image beside it.
            assert!(worst(&e) < 0.05, "{f} Hz at {rate}: {}", worst(&e));
        }
    }
}

/// What a tapered window loses against the bound, as a ratio of standard errors: a weighted
/// least-squares slope of the phase has var ∝ Σw²t²/(Σwt²)², an even window 1/Σt². The window is
/// the four-term one of Nuttall, IEEE TASSP 29(1), 1981.
fn window_loss() -> f64 {
    let (mut wwtt, mut wtt, mut tt) = (0.0, 0.0, 0.0);
    for i in -1_000..=1_000 {
        let t = f64::from(i) / 1_000.0;
        let a = std::f64::consts::PI * t;
        let w = 0.355768 + 0.487396 * a.cos() + 0.144232 * (2.0 * a).cos() + 0.012604 * (3.0 * a).cos();
        wwtt += w * w * t * t;
        wtt += w * t * t;
        tt += t * t;
    }
    (wwtt / (wtt * wtt) * tt).sqrt()
}

/// The least error any estimator can have: Rife & Boorstyn, IEEE Trans. Inf. Theory 20(5), 1974:
/// var(ω) ≥ 12/(η·N·(N² − 1)), η = A²/(2σ²), one real sinusoid, N samples. All 2 s of a steady tone
/// may be used, so their bound holds from below. From above: every
/// further round widens the response 1 − (1 − H)^n, at most to that of the first round, so the
/// bound for its 25 ms window with what the taper loses; a fifth for scatter.
#[test]
fn error_in_white_noise_stands_beside_the_cramer_rao_bound() {
    let rate = 48_000.0;
    for (f, snr_db) in [(440.0, 40.0), (440.0, 15.0), (1_760.0, 25.0), (3_520.0, 15.0)] {
        let amplitude = 0.3;
        let sigma = amplitude / 2f64.sqrt() * 10f64.powf(-snr_db / 20.0);
        let bound = |seconds: f64| {
            let n = seconds * rate;
            let eta = amplitude * amplitude / (2.0 * sigma * sigma);
            let omega = (12.0 / (eta * n * (n * n - 1.0))).sqrt();
            omega * rate / TAU / f * 1200.0 / LN_2
        };
        let mut squares = 0.0;
        let mut count = 0.0;
        for seed in 0..3 {
            let x = sum(&sine(f, amplitude, rate, 96_000), &white_noise(sigma, 96_000, seed));
            for e in errors(&run(&x), |_| f, 0.3, 1.7) {
                squares += e * e;
                count += 1.0;
            }
        }
        let rms = f64::sqrt(squares / count);
        println!(
            "{f} Hz, {snr_db} dB: rms {rms:.5} cents; bound {:.5} (2 s), {:.5} (60 ms)",
            bound(2.0),
            bound(0.06)
        );
        assert!(rms > bound(2.0), "better than possible: {rms}");
        let most = 1.22 * window_loss() * bound(0.025);
        assert!(rms < most, "{f} Hz, {snr_db} dB: {rms} against {most}");
    }
}

#[test]
fn what_holds_no_note_has_no_value() {
    let none = |what: &str, x: &[f32]| {
        for hop_s in [0.001, 0.005, 0.02] {
            let track = run_at(x, 48_000, hop_s);
            let hops = (x.len() as f64 / 48_000.0 / hop_s + 1e-9) as usize;
            assert_eq!(track.f0_hz.len(), hops + 1, "{what}");
            let voiced = track.f0_hz.iter().flatten().count();
            assert!(voiced as f64 <= 0.02 * track.f0_hz.len() as f64, "{what}, hop {hop_s}: {voiced}");
            assert!(summarise(&track).is_none(), "{what}");
        }
    };
    none("nothing", &[]);
    none("one sample", &[0.7]);
    none("less than a window", &sine(440.0, 0.5, 48_000.0, 100));
    none("silence", &vec![0.0; 48_000]);
    none("DC", &vec![0.25; 48_000]);
    none("white noise", &white_noise(0.1, 96_000, 5));
    let room: Vec<f32> = room_tone(96_000, 9).iter().map(|v| v * 0.002).collect();
    none("room tone", &room);
    none("hum", &harmonic(|_| 50.0, &[0.002, 0.001, 0.0005], 48_000.0, 96_000));
    none("not a number", &vec![f32::NAN; 48_000]);
    let mut odd = sine(440.0, 0.3, 48_000.0, 48_000);
    odd[20_000] = f32::INFINITY;
    odd[20_001] = f32::NAN;
    let found = run(&odd);
    assert!(found.f0_hz.iter().flatten().all(|f| f.is_finite()));
}

/// A hum that is there before and after the note is no note, however steady; the note over it is.
#[test]
fn hum_before_and_under_a_note() {
    for f in [98.0, 261.6, 1_046.5] {
        let hum = harmonic(|_| 50.0, &[0.01, 0.008, 0.003], 48_000.0, 144_000);
        let mut note = vec![0f32; 144_000];
        note[48_000..96_000].copy_from_slice(&harmonic(|_| f, &[0.2, 0.1, 0.05], 48_000.0, 48_000));
        let track = run(&sum(&hum, &note));
        for (i, v) in track.f0_hz.iter().enumerate() {
            let t = i as f64 * 0.005;
            if !(0.95..2.05).contains(&t) {
                assert_eq!(*v, None, "{f} Hz: at {t:.3} s");
            }
        }
        let e = errors(&track, |_| f, 1.1, 1.9);
        // The hum's 100 Hz beside a note of 98 Hz, 22 dB below it, pulls by what nobody can tell apart
        // in less than half a second: 2 Hz·0.08 is 2.8 cents.
        assert!(worst(&e) < if f < 120.0 { 3.5 } else { 0.5 }, "{f} Hz: {}", worst(&e));
        let s = summary(&track);
        assert!(s.sustain_s.0 > 0.95 && s.sustain_s.1 < 2.05 && s.confidence > 0.5, "{s:?}");
    }
}

/// Confidence falls as the noise rises, and stays within 0 and 1.
#[test]
fn confidence_means_something() {
    let mut before = 1.0;
    for snr_db in [40.0, 20.0, 10.0] {
        let t = take(220.0, Timbre::Bowed, Movement::Steady, snr_db, 3);
        let track = run(&t.x);
        assert!(track.confidence.iter().all(|c| (0.0..=1.0).contains(c)));
        for (f, c) in track.f0_hz.iter().zip(&track.confidence) {
            assert_eq!(f.is_some(), *c > 0.0);
        }
        let s = summary(&track);
        assert!(s.confidence < before, "{snr_db} dB: {} after {before}", s.confidence);
        before = s.confidence;
    }
    assert!(before < 0.9);
}

/// The summary leaves the scoop out and finds the median; truth from the movement's formula.
#[test]
fn summary_is_the_sustain_without_the_scoop() {
    let t = take(330.0, Timbre::Bowed, Movement::Scoop, 40.0, 11);
    let s = summary(&run(&t.x));
    assert!(cents(s.f0.0, 330.0).abs() < 0.1, "{s:?}");
    // −150·exp(−t/0.03) is within 30 cents after 0.03·ln 5 = 48 ms.
    let steady = pitch_takes::ONSET_S + 0.03 * 5f64.ln();
    assert!(s.sustain_s.0 > steady - 0.01 && s.sustain_s.0 < steady + 0.05, "{s:?}");
    let end = pitch_takes::ONSET_S + pitch_takes::NOTE_S;
    assert!((s.sustain_s.1 - end).abs() < 0.06, "{s:?}");
    assert!(s.confidence > 0.8, "{s:?}");
}

/// An octave that part of the track calls differently lowers the confidence; too little is nothing.
#[test]
fn summary_of_hand_made_tracks() {
    let track = |f: Vec<Option<f64>>| {
        let confidence = f.iter().map(|v| if v.is_some() { 0.9 } else { 0.0 }).collect();
        F0Track { hop_s: 0.01, f0_hz: f, confidence }
    };
    let sure = summary(&track(vec![Some(200.0); 100]));
    assert!((sure.f0.0, sure.sustain_s) == (200.0, (0.0, 0.99)) && (sure.confidence - 0.9).abs() < 1e-6);
    let mut torn = vec![Some(200.0); 70];
    torn.extend(vec![Some(400.0); 30]);
    let torn = summary(&track(torn));
    assert!(torn.f0.0 == 200.0 && (torn.confidence - 0.9 * 0.7).abs() < 1e-6, "{torn:?}");
    assert!(summarise(&track(vec![Some(200.0); 5])).is_none());
    assert!(summarise(&track(vec![None; 100])).is_none());
    assert!(summarise(&F0Track::default()).is_none());
}

/// Every bad value is refused with the legal range and a value that works.
#[test]
fn bad_parameters_are_refused() {
    let good = F0Params::default();
    for (p, says) in [
        (F0Params { hop_s: 0.0, ..good.clone() }, "0.001 to 0.02 s, such as 0.005"),
        (F0Params { hop_s: 0.021, ..good.clone() }, "0.001 to 0.02 s"),
        (F0Params { hop_s: -0.005, ..good.clone() }, "0.001 to 0.02 s"),
        (F0Params { hop_s: f64::NAN, ..good.clone() }, "0.001 to 0.02 s"),
        (F0Params { fmin_hz: 5.0, ..good.clone() }, "15 to 2000 Hz, such as 25"),
        (F0Params { fmin_hz: f64::INFINITY, ..good.clone() }, "15 to 2000 Hz"),
        (F0Params { fmax_hz: 9_000.0, ..good.clone() }, "60 to 8000 Hz, such as 4500"),
        (F0Params { fmax_hz: f64::NAN, ..good.clone() }, "60 to 8000 Hz"),
        (F0Params { fmin_hz: 100.0, fmax_hz: 150.0, ..good.clone() }, "such as 400"),
    ] {
        let e = track_f0(&[0.0; 100], SampleRate::DELIVERY, &p).unwrap_err();
        assert_eq!(e.kind(), ErrorKind::InvalidParameter, "{p:?}");
        assert!(e.to_string().contains(says), "{p:?}: {e}");
    }
    for hop_s in [0.001, 0.02] {
        assert!(F0Params { hop_s, ..good.clone() }.check().is_ok());
    }
}

/// An independent implementation of Mauch & Dixon 2014 (crate `pyin`) on the same tones: both must
/// agree within half of its grid of pitches, its time offset and its parabola's error (10 cents).
#[test]
fn an_independent_library_agrees() {
    for f in [110.0, 261.6, 523.3] {
        let truth = |t: f64| f * (20.0 * (TAU * 0.5 * t).sin() / 1200.0).exp2();
        let rate = 16_000;
        let x = harmonic(truth, &[0.3, 0.2, 0.1], f64::from(rate), 24_000);
        let wide: Vec<f64> = x.iter().map(|v| f64::from(*v)).collect();
        // Window 128 ms, hop 10 ms, pitches 10 cents apart.
        let mut other =
            pyin::PYINExecutor::<f64>::new(60.0, 1_000.0, rate, 2_048, None, Some(160), Some(0.1));
        let (times, theirs, voiced, _) =
            other.pyin(&wide, f64::NAN, pyin::Framing::Center(pyin::PadMode::Constant(0.0)));
        let ours = run_at(&x, rate, 0.01);
        let mut compared = 0;
        for ((t, f), v) in times.iter().zip(&theirs).zip(&voiced) {
            if *v && (0.2..1.2).contains(t) {
                let own = ours.at(*t).expect("voiced");
                // It looks at the first half of its 128 ms frames, 32 ms early at most; the pitch moves
                // by up to 20·2π·0.5 = 63 cents a second, so by 2 cents. Half a pitch bin is 5.
                assert!(cents(own, *f).abs() < 7.0 + 3.0, "{f} at {t}: {own}");
                compared += 1;
            }
        }
        assert!(compared > 80, "only {compared} moments compared");
    }
}

/// The same bits every time.
#[test]
fn the_same_input_gives_the_same_track() {
    let t = take(146.8, Timbre::Breathy, Movement::Vibrato(30.0), 25.0, 2);
    assert_eq!(run(&t.x), run(&t.x));
}
