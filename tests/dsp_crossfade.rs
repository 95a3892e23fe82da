//! The crossfade against the published law, and the slow gain that evens a drift out.

use std::f64::consts::TAU;

use proptest::prelude::*;
use seamwright::audio::{AudioBuf, level, signals};
use seamwright::dsp::looping::{
    MOST_RISE_DB, audit, bake, crossfade_frames, crossfade_gains, even_out, evening_gain,
};
use seamwright::error::ErrorKind;
use seamwright::units::{Decibels, FrameRange, SampleRate};

const RATE: SampleRate = SampleRate::DELIVERY;
const HZ: f64 = 48_000.0;

fn db(power_ratio: f64) -> f64 {
    10.0 * power_ratio.log10()
}

/// A take whose loop ends with sin(a) and before whose start stands `gain`·(r·sin(a) + √(1−r²)·sin(b)):
/// both of 500 and 750 Hz, whole in 192 frames, so that the correlation is exactly r over every 192.
fn joined(r: f64, gain: f64, crossfade: usize) -> (AudioBuf, FrameRange) {
    let total = 3 * crossfade;
    let x = (0..total)
        .map(|i| {
            let (a, b) = ((TAU * i as f64 / 96.0).sin(), (TAU * i as f64 / 64.0).sin());
            let v = if i < crossfade { gain * (r * a + (1.0 - r * r).sqrt() * b) } else { a };
            (0.2 * v) as f32
        })
        .collect();
    (AudioBuf::mono(x, RATE).unwrap(), FrameRange::new(crossfade as u64, total as u64))
}

/// Source: Fink, Holters & Zölzer, DAFx-16: gains with g₁² + g₂² + 2·r·g₁g₂ = 1 keep the power of
/// sides whose correlation is r. Measured over whole periods of both sinusoids against that of either
/// side (0.2²/2). Below r = −0.9 the gains are those of −0.9 and the power is what they leave:
/// g₁² + g₂² + 2·r·g₁g₂.
///
/// Tolerance: 0.3 dB is what was promised; shorter fades move the gains within 192 frames, by up to
/// π/2·192/4800 = 6 % of the way.
#[test]
fn power_follows_the_published_law_from_minus_one_to_one() {
    for crossfade in [4_800usize, 19_200, 48_000] {
        for step in -10..=10 {
            let r = f64::from(step) / 10.0;
            let (audio, range) = joined(r, 1.0, crossfade);
            let faded = &crossfade_frames(&audio, range, crossfade as u64).unwrap()[0];
            for (k, part) in faded.chunks_exact(192).enumerate() {
                let position = (k as f64 * 192.0 + 96.0) / crossfade as f64;
                let (a, b) = crossfade_gains(position, r);
                let law = a * a + b * b + 2.0 * r * a * b;
                assert!(r < -0.9 || (law - 1.0).abs() < 1e-9);
                let power = level::rms(part).powi(2) / 0.02;
                if law > 0.3 {
                    assert!(db(power / law).abs() < 0.3, "r {r}, fade {crossfade}, {k}: {power} {law}");
                } else {
                    // Two sides that cancel: nothing can be kept, and nothing is made up.
                    assert!(power < 0.4, "r {r}, fade {crossfade}, {k}: {power} {law}");
                }
            }
        }
    }
}

/// Sides 3 dB apart: the level goes from the one to the other and never above or below both.
#[test]
fn sides_of_unequal_level_are_joined_without_a_dip_or_bump() {
    for r in [-0.8, 0.0, 0.6, 1.0] {
        let (audio, range) = joined(r, 10f64.powf(3.0 / 20.0), 19_200);
        let faded = &crossfade_frames(&audio, range, 19_200).unwrap()[0];
        for (k, part) in faded.chunks_exact(192).enumerate() {
            let got = db(level::rms(part).powi(2) / 0.02);
            assert!((-0.3..3.3).contains(&got), "r {r} at {k}: {got} dB");
        }
        let last = faded.rchunks_exact(192).next().unwrap();
        assert!((db(level::rms(last).powi(2) / 0.02) - 3.0).abs() < 0.1);
    }
}

/// Both channels get the same gains: what stands in the middle stays there.
#[test]
fn channels_are_faded_alike() {
    let (audio, range) = joined(0.3, 1.0, 9_600);
    let half: Vec<f32> = audio.channel(0).iter().map(|v| 0.5 * v).collect();
    let stereo = AudioBuf::new(vec![audio.channel(0).to_vec(), half], RATE).unwrap();
    let faded = crossfade_frames(&stereo, range, 9_600).unwrap();
    for (a, b) in faded[0].iter().zip(&faded[1]) {
        assert!((0.5 * a - b).abs() < 1e-6);
    }
}

/// A tone that sinks by 1.5 dB over a loop of 2 s: the slow gain lifts its end by 1.5 dB, the level
/// then meets itself, and frequency and phase stay as they were (the samples only change by a factor).
#[test]
fn drift_of_the_level_is_evened_out() {
    let gain = |n: usize| 10f64.powf(-0.75 * n as f64 / HZ / 20.0);
    let tone = signals::sine(480.0, 0.3, HZ, 192_000);
    let x = tone.iter().enumerate().map(|(n, v)| (f64::from(*v) * gain(n)) as f32).collect();
    let audio = AudioBuf::mono(x, RATE).unwrap();
    let range = FrameRange::new(48_000, 144_000);
    let lift = evening_gain(&audio, range).unwrap();
    assert!((lift.0 - 1.5).abs() < 0.01, "{lift:?}");
    let even = even_out(&audio, range, lift).unwrap();
    let step = |a: &AudioBuf| audit(a, range).unwrap();
    assert!(step(&audio).level_step_db.0 > 1.2 && step(&audio).audibility > 40.0);
    assert!(step(&even).level_step_db.0.abs() < 0.05 && step(&even).audibility < 1.0, "{:?}", step(&even));
    assert_eq!(even.channel(0)[..48_000], audio.channel(0)[..48_000]);
    for (n, (e, t)) in even.channel(0).iter().zip(&tone).enumerate().skip(48_000).take(96_000) {
        let expected = f64::from(*t) * gain(48_000);
        assert!((f64::from(*e) - expected).abs() < 1e-3, "{n}: {e} {expected}");
    }
    // No more than 3 dB, and 3 dB a second: a dying note stays one.
    let dying: Vec<f32> = (0..192_000).map(|n| tone[n] * (-(n as f32) / 20_000.0).exp()).collect();
    let dying = AudioBuf::mono(dying, RATE).unwrap();
    assert_eq!(evening_gain(&dying, range).unwrap(), Decibels(3.0));
    assert_eq!(evening_gain(&dying, FrameRange::new(48_000, 72_000)).unwrap(), Decibels(1.5));
    assert_eq!(even_out(&audio, range, Decibels(0.0)).unwrap(), audio);
    let e = even_out(&audio, range, Decibels(f64::NAN)).unwrap_err();
    assert_eq!(e.kind(), ErrorKind::InvalidParameter);
    let silent = AudioBuf::mono(vec![0.0; 192_000], RATE).unwrap();
    assert_eq!(evening_gain(&silent, range).unwrap(), Decibels(0.0));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// No frame of a fade rises further above its sides than is promised, whatever they hold.
    #[test]
    fn fades_keep_under_their_bound(seed in 0u64..500, c in 2u64..9_000, share in -1.0f64..1.0) {
        let n = 20_000;
        let a = signals::white_noise(0.1, n, seed);
        let b = signals::white_noise(0.1, n, seed + 1_000);
        let (start, end) = (9_000usize, 19_000usize);
        let mut x = a.clone();
        for i in 0..9_000 {
            // Before the start stands partly what stands before the end, perhaps upside down.
            x[i] = (share * f64::from(a[i + end - start]) + (1.0 - share.abs()) * f64::from(b[i])) as f32;
        }
        let audio = AudioBuf::mono(x.clone(), RATE).unwrap();
        let range = FrameRange::new(start as u64, end as u64);
        let faded = bake(&audio, range, c).unwrap();
        let peak = |x: &[f32]| x.iter().fold(0f32, |m, v| m.max(v.abs()));
        let sides = peak(&x[start - c as usize..start]).max(peak(&x[end - c as usize..end]));
        let most = f64::from(sides) * 10f64.powf(MOST_RISE_DB / 20.0);
        prop_assert!(f64::from(peak(&faded.channel(0)[end - c as usize..end])) <= most);
    }
}
