//! The invented takes against what they claim to be, measured by means of their own.

use std::f64::consts::TAU;
use std::sync::OnceLock;

use seamwright::audio::{AudioBuf, level};
use seamwright::demo::{self, BOTTLES, Fault, LAYERS, TakeTruth};
use seamwright::jobs::Job;
use seamwright::units::{FrameRange, Hertz, MidiNote, STANDARD_A4_HZ};

fn files() -> &'static [(String, AudioBuf)] {
    static FILES: OnceLock<Vec<(String, AudioBuf)>> = OnceLock::new();
    FILES.get_or_init(|| demo::synthesise(&Job::new()).unwrap())
}

fn samples(take: &TakeTruth, range: FrameRange) -> &'static [f32] {
    let (_, audio) = files().iter().find(|(name, _)| *name == take.file).unwrap();
    &audio.channel(0)[range.as_usize()]
}

#[test]
fn the_set_is_as_told() {
    let takes = demo::takes();
    let names: Vec<&str> = files().iter().map(|(n, _)| n.as_str()).collect();
    assert_eq!(names.len(), BOTTLES);
    assert_eq!((names[0], names[8]), ("Cellar bottles F3.wav", "Cellar bottles A4.wav"));
    assert_eq!(takes.len(), BOTTLES * usize::from(LAYERS) - 1);
    let (note, layer) = demo::missing();
    assert!(!takes.iter().any(|t| (t.note, t.layer) == (note, layer)));
    let with = |f: Fault| takes.iter().filter(|t| t.fault == Some(f)).collect::<Vec<_>>();
    assert_eq!((with(Fault::Clipped).len(), with(Fault::CutShort).len()), (1, 1));
    let high = with(Fault::WholeToneHigh);
    assert_eq!(high.len(), 4);
    assert!(high.iter().all(|t| t.sounds.0 == t.note.0 + 2 && t.note == MidiNote(59)));
    for t in takes.iter().filter(|t| t.fault != Some(Fault::WholeToneHigh)) {
        assert_eq!(t.sounds, t.note);
    }
    for (_, audio) in files() {
        assert_eq!((audio.channel_count(), audio.rate().hz()), (1, demo::RATE_HZ));
        // On the grid of 24 bits.
        assert!(audio.channel(0).iter().all(|s| (f64::from(*s) * 8_388_608.0).fract() == 0.0));
    }
}

#[test]
fn takes_last_four_to_six_seconds_with_room_tone_before_and_gaps_between() {
    let takes = demo::takes();
    let rate = f64::from(demo::RATE_HZ);
    let seconds = |frames: u64| frames as f64 / rate;
    let mut end = 0;
    let mut file = "";
    for t in &takes {
        if t.file != file {
            file = &t.file;
            assert!(seconds(t.range.start.0) > 2.5, "{file}");
        } else {
            assert!(seconds(t.range.start.0 - end) >= 1.19, "{file}");
        }
        end = t.range.end.0;
        let length = seconds(t.range.count().0);
        match t.fault {
            Some(Fault::CutShort) => assert!((0.4..0.6).contains(&length), "{length}"),
            _ => assert!((4.0..6.0).contains(&length), "{length}"),
        }
        assert!(t.range.start < t.sustain.start && t.sustain.end < t.range.end);
    }
}

/// Phase of the component at `hz` around each point, by a quadrature mixer and a Hann window of
/// `window` frames (the other partials lie at least `hz` away, far outside its main lobe), one
/// value every `hop`: unwrapped, its slope is the deviation from `hz`.
fn deviations(x: &[f32], hz: f64, rate: f64, window: usize, hop: usize) -> Vec<f64> {
    let mixer: Vec<(f64, f64)> = (0..window)
        .map(|k| {
            let hann = 0.5 - 0.5 * (TAU * k as f64 / window as f64).cos();
            let turn = TAU * hz * k as f64 / rate;
            (hann * turn.cos(), -hann * turn.sin())
        })
        .collect();
    let phase = |at: usize| {
        let sum = mixer
            .iter()
            .zip(&x[at..])
            .fold((0.0, 0.0), |(re, im), (m, s)| (re + m.0 * f64::from(*s), im + m.1 * f64::from(*s)));
        // The mixer begins anew at every window: what it would have turned meanwhile.
        sum.1.atan2(sum.0) - TAU * (hz * at as f64 / rate).fract()
    };
    let phases: Vec<f64> =
        (0..).map(|k| k * hop).take_while(|at| at + window <= x.len()).map(phase).collect();
    let slope = |w: &[f64]| {
        let d = w[1] - w[0];
        (d - TAU * (d / TAU).round()) * rate / (TAU * hop as f64)
    };
    phases.windows(2).map(slope).collect()
}

#[test]
fn each_take_sounds_the_pitch_it_claims() {
    let rate = f64::from(demo::RATE_HZ);
    for t in demo::takes() {
        let x = samples(&t, t.sustain);
        let note = t.sounds.frequency(Hertz(STANDARD_A4_HZ));
        // A window of 50 ms: at least 8 periods of the lowest bottle.
        let (window, hop) = (2_205, 441);
        if x.len() < 3 * window {
            assert_eq!(t.fault, Some(Fault::CutShort));
            continue;
        }
        let mut cents: Vec<f64> = deviations(x, note.0, rate, window, hop)
            .iter()
            .map(|d| Hertz(note.0 + d).cents_above(note).0)
            .collect();
        // Against the curve: the middle of what step k compares lies at k·hop + (window + hop)/2.
        let from = (t.sustain.start.0 - t.range.start.0) as f64;
        let error: Vec<f64> = cents
            .iter()
            .enumerate()
            .map(|(k, c)| {
                let after = (from + (k * hop) as f64 + 0.5 * (window + hop) as f64) / rate;
                c - t.f0(seamwright::units::Seconds(after)).cents_above(note).0
            })
            .collect();
        let rms = (error.iter().map(|e| e * e).sum::<f64>() / error.len() as f64).sqrt();
        cents.sort_by(f64::total_cmp);
        let median = cents[cents.len() / 2];
        // The airy player's breath has RMS 0.75 · 10^(−28/20) = 0.030 around the resonance, on F3 in a
        // band of 55 Hz (π/2 · 174/5), of which the Hann window lets about half through (1.5 bins of
        // 20 Hz): a phase noise of 0.021 rad. Windows a fifth of their length apart agree to 0.87, so
        // their difference has 0.021 · √(2 · 0.13) = 0.011 rad, over 10 ms 0.17 Hz: 1.7 cents; half
        // as much again is allowed. Some 70 windows of a take do not overlap: the median is known
        // to 1.25 · 1.7/√70 = 0.25 cents; three times that is allowed.
        assert!(rms < 2.5, "{} layer {}: {rms:.2} cents rms", t.file, t.layer);
        assert!((median - t.centre.0).abs() < 0.8, "{} {}: {median} {}", t.file, t.layer, t.centre);
        assert!(t.centre.0.abs() < 30.0);
        // A few to fifteen cents of drift to either side.
        let spread = cents[cents.len() - 1] - cents[0];
        assert!((2.0..40.0).contains(&spread), "{spread}");
    }
}

#[test]
fn room_tone_and_levels_are_pleasant() {
    let half = 10f64.powf(-6.0 / 20.0);
    for (name, audio) in files() {
        let x = audio.channel(0);
        let room = level::rms_db(&x[..(2.5 * f64::from(demo::RATE_HZ)) as usize]).0;
        assert!((-62.0..-58.0).contains(&room), "{name}: room at {room}");
        // The low-passed part of the hiss alone has a mean; clipping one side more than the other
        // makes a larger one.
        if !demo::takes().iter().any(|t| t.file == *name && t.fault == Some(Fault::Clipped)) {
            assert!(level::dc(x).abs() < 1e-4, "{name}: {}", level::dc(x));
        }
        let of_file: Vec<_> = demo::takes().into_iter().filter(|t| t.file == *name).collect();
        for t in &of_file {
            let y = samples(t, t.range);
            let tone = level::rms_db(samples(t, t.sustain)).0;
            assert!((-24.0..-8.0).contains(&tone), "{name} {}: {tone}", t.layer);
            let full = y.iter().filter(|s| s.abs() > 0.999_999).count();
            if t.fault == Some(Fault::Clipped) {
                let first = y.iter().position(|s| s.abs() > 0.999_999).unwrap();
                let last = y.iter().rposition(|s| s.abs() > 0.999_999).unwrap();
                assert!(full > 100 && last - first < demo::RATE_HZ as usize * 3 / 10, "{full}");
            } else {
                assert!(f64::from(level::peak(y)) < half, "{name} {}", t.layer);
            }
        }
        // Between the takes nothing rises: no stretch of 0.25 s 6 dB above the room.
        let gaps = of_file.windows(2).map(|w| FrameRange { start: w[0].range.end, end: w[1].range.start });
        for gap in gaps {
            for part in x[gap.as_usize()].chunks_exact(demo::RATE_HZ as usize / 4) {
                assert!(level::rms_db(part).0 < room + 6.0, "{name}");
            }
        }
    }
}

#[test]
fn the_bits_are_what_they_always_were() {
    // Nothing outside says what they should be: this only tells when they change, on another
    // machine or by another release of the generator of chance. Then look whether it was meant.
    let mut hash = blake3::Hasher::new();
    for (name, audio) in files() {
        hash.update(name.as_bytes());
        for s in audio.channel(0) {
            hash.update(&s.to_le_bytes());
        }
    }
    assert_eq!(hash.finalize().to_hex()[..16], *"b7fa464fc92fa109");
}
