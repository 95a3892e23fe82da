//! `cargo bench --bench tune`: first what tuning leaves of notes whose pitch is known exactly
//! (`TUNE_TAKES=1` lists each take, `TUNE_ONLY=text` picks), then the interpolation beside a general
//! resampler, then the speed of reading, splitting a track, making a map and drawing.

use criterion::{Criterion, Throughput, criterion_group};
use seamwright::audio::{AudioBuf, signals};
use seamwright::dsp::peaks::Peaks;
use seamwright::dsp::pitch::F0Track;
use seamwright::dsp::resample::read_at;
use seamwright::dsp::tune::{StrengthCurve, TuneParams, deviation, pitch_map, read_along};
use seamwright::units::{Cents, Hertz, SampleRate};

#[path = "../reference/tune_measures.rs"]
mod measures;
#[path = "../bench_support/tune_tables.rs"]
mod tables;
#[path = "../reference/tune_takes.rs"]
mod takes;

const TARGET: Hertz = Hertz(440.0);

fn wavering(t: f64) -> f64 {
    TARGET.0 * ((20.0 + 30.0 * (33.0 * t).sin() + 8.0 * t.sin()) / 1200.0).exp2()
}

fn reading(c: &mut Criterion) {
    // Ten seconds in; elements are seconds of input, so elements/s is times real time.
    let mut group = c.benchmark_group("read_at, 10 s, one channel");
    group.throughput(Throughput::Elements(10)).sample_size(10);
    for (name, rate, step) in [
        ("44.1 to 48 kHz", 44_100.0, 44.1 / 48.0),
        ("44.1 kHz, -50 cents", 44_100.0, (-50f64 / 1200.0).exp2()),
        ("48 kHz, +50 cents", 48_000.0, (50f64 / 1200.0).exp2()),
        ("96 to 48 kHz", 96_000.0, 2.0),
    ] {
        let x = signals::white_noise(0.2, (10.0 * rate) as usize, 1);
        let positions: Vec<f64> = (0..(x.len() as f64 / step) as usize).map(|m| m as f64 * step).collect();
        group.bench_function(name, |b| b.iter(|| read_at(&x, &positions, step).unwrap()));
    }
    group.finish();
}

fn tuning(c: &mut Criterion) {
    let (from, to) = (SampleRate::new(44_100).unwrap(), SampleRate::DELIVERY);
    let track = F0Track {
        hop_s: 0.005,
        f0_hz: (0..2_001).map(|i| Some(wavering(f64::from(i) * 0.005))).collect(),
        confidence: vec![1.0; 2_001],
    };
    let d = deviation(&track, TARGET).unwrap();
    let params = TuneParams {
        target: TARGET,
        shift: Cents(0.0),
        centre: 1.0,
        drift: 1.0,
        vibrato: 1.0,
        curve: StrengthCurve::default(),
        onset_s: 0.0,
    };
    let x = signals::harmonic(wavering, &[0.5], 44_100.0, 441_000);
    let audio = AudioBuf::new(vec![x.clone(), x], from).unwrap();
    let map = pitch_map(&d, &params, 0.0, 441_000.0, from, to).unwrap();
    let mut group = c.benchmark_group("tune, 10 s");
    group.sample_size(10);
    group.bench_function("deviation", |b| b.iter(|| deviation(&track, TARGET).unwrap()));
    group.bench_function("pitch_map", |b| {
        b.iter(|| pitch_map(&d, &params, 0.0, 441_000.0, from, to).unwrap())
    });
    group.bench_function("points", |b| b.iter(|| map.points()));
    group.bench_function("read_along, stereo, one thread", |b| {
        b.iter(|| read_along(&audio, &map, to).unwrap())
    });
    group.finish();
}

fn drawing(c: &mut Criterion) {
    let x = signals::white_noise(0.2, 57_600_000, 1);
    let peaks = Peaks::build(&x);
    let mut group = c.benchmark_group("peaks, 10 min at 96 kHz");
    group.sample_size(10);
    group.bench_function("build", |b| b.iter(|| Peaks::build(&x)));
    for (name, range) in [
        ("2000 columns of all", 0.0..57_600_000.0),
        ("2000 columns of 10 s", 1e6 + 0.3..1e6 + 960_000.7),
        ("2000 columns of 50 ms", 1e6..1e6 + 4_800.0),
    ] {
        group.bench_function(name, |b| b.iter(|| peaks.columns(&x, range.clone(), 2_000)));
    }
    group.finish();
}

criterion_group!(benches, reading, tuning, drawing);

fn main() {
    tables::flattening();
    tables::interpolation();
    benches();
    Criterion::default().configure_from_args().final_summary();
}
