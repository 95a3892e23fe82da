//! How many times faster than it sounds a file is surveyed (goal: 60 times on one core), and a
//! recipe is proposed for each take in it.

use std::hint::black_box;
use std::path::{Path, PathBuf};
use std::time::Duration;

use criterion::{Criterion, Throughput};
use seamwright::audio::signals::{harmonic, white_noise};
use seamwright::dsp::spans::{EnvelopeBuilder, SpanParams, find_room_tone, find_takes};
use seamwright::jobs::Job;
use seamwright::render::intake;
use seamwright::session::Document;
use seamwright::survey::SurveyOptions;
use seamwright::survey::file::survey_file;
use seamwright::units::SampleRate;

const RATE: u32 = 48_000;

/// Notes of 4 s with pauses of 1 s.
fn recording(seconds: usize) -> Vec<f32> {
    let mut x = white_noise(3e-4, seconds * RATE as usize, 1);
    for i in 0..seconds / 5 {
        let hz = 130.8 * 2f64.powf((i % 12) as f64 / 6.0);
        let note = harmonic(|_| hz, &[0.2, 0.1, 0.05, 0.03, 0.02], f64::from(RATE), 4 * RATE as usize);
        let from = (5 * i + 1) * RATE as usize;
        x[from..].iter_mut().zip(note).for_each(|(a, b)| *a += b);
    }
    x
}

fn write(path: &Path, seconds: usize, channels: u16) {
    let spec = hound::WavSpec {
        channels,
        sample_rate: RATE,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut out = hound::WavWriter::create(path, spec).expect("bench file");
    for s in recording(seconds) {
        for _ in 0..channels {
            out.write_sample((s * 8_388_607.0) as i32).expect("bench file");
        }
    }
    out.finalize().expect("bench file");
}

fn main() {
    let folder = tempfile::tempdir().expect("a folder for the bench files");
    let mut c = Criterion::default().configure_from_args();
    let mut group = c.benchmark_group("survey");
    group.sample_size(10).warm_up_time(Duration::from_millis(200)).measurement_time(Duration::from_secs(5));
    let x = recording(60);
    group.throughput(Throughput::Elements(60));
    group.bench_function("envelope, room and takes of 60 s", |b| {
        b.iter(|| {
            let mut builder = EnvelopeBuilder::new(SampleRate::DELIVERY);
            x.chunks(4_096).for_each(|block| builder.push(&[block]));
            let envelope = builder.finish();
            let room = find_room_tone(&envelope, &SpanParams::default());
            black_box(find_takes(&envelope, room.as_ref(), &SpanParams::default()))
        });
    });
    // One worker: the figures are for one core.
    let one = rayon::ThreadPoolBuilder::new().num_threads(1).build().expect("a worker");
    for (name, seconds, channels) in [("60 s mono", 60, 1), ("10 min stereo", 600, 2)] {
        let path: PathBuf = folder.path().join(name).with_extension("wav");
        write(&path, seconds, channels);
        // Elements are seconds of sound: the rate is the multiple of real time.
        group.throughput(Throughput::Elements(seconds as u64));
        group.bench_function(name, |b| {
            b.iter(|| {
                one.install(|| survey_file(&path, &SurveyOptions::default(), &Job::new()).expect("takes"))
            });
        });
    }
    let path = folder.path().join("10 min stereo.wav");
    let session = folder.path().join("bench.seamwright");
    let found = survey_file(&path, &SurveyOptions::default(), &Job::new()).expect("takes");
    let document = intake::found(&session, &[found]).apply(&Document::default()).expect("a document");
    let takes = intake::to_propose(&document);
    group.throughput(Throughput::Elements(600));
    group.bench_function("propose for the takes of 10 min stereo", |b| {
        b.iter(|| {
            one.install(|| {
                intake::propose_takes(&session, &document, &takes, &Job::new(), &|_, proposal| {
                    black_box(&proposal);
                })
            })
        });
    });
    group.finish();
    c.final_summary();
}
