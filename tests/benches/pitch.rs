//! Error table and speed of the fundamental tracker over the invented development set.
//!
//! `cargo bench --bench pitch`: the table first, then the speed.

use std::hint::black_box;
use std::time::Instant;

use criterion::{Criterion, Throughput};
use seamwright::dsp::pitch::{F0Params, track_f0};
use seamwright::units::SampleRate;

#[path = "../reference/pitch_models.rs"]
mod pitch_models;
#[path = "../reference/pitch_second.rs"]
mod pitch_second;
#[path = "../reference/pitch_takes.rs"]
mod pitch_takes;
#[path = "../reference/pitch_tally.rs"]
mod pitch_tally;
use pitch_second::second_set;
use pitch_takes::{RATE, Take, development_set, room_tone};
use pitch_tally::{Tally, bound_cents, ideal};

fn rate_of(take: &Take) -> SampleRate {
    SampleRate::new(take.rate as u32).expect("a legal rate")
}

fn line(t: &Tally) -> String {
    format!(
        "{:8.4} {:8.4} {:8.3} {:6} {:8.4} {:8.4}",
        t.part(0.5),
        t.part(0.95),
        t.part(1.0),
        t.gross,
        t.recall(),
        t.false_voiced()
    )
}

fn table(name: &str, set: fn(f64) -> Vec<Take>) {
    let only = std::env::var("PITCH_ONLY").ok();
    let each = std::env::var_os("PITCH_TAKES").is_some();
    println!("{name}; cents, beside them the bound for 60 ms (at least 6 periods) of sound");
    println!(
        "       {:>8} {:>8} {:>8} {:>6} {:>8} {:>8} {:>9} {:>8}",
        "median", "p95", "worst", "gross", "recall", "false", "bound 50%", "95%"
    );
    let (mut seconds, mut spent) = (0.0, 0.0);
    for snr_db in [40.0, 25.0, 15.0] {
        let mut all = Tally::default();
        let mut bounds = Vec::new();
        for take in set(snr_db) {
            if only.as_ref().is_some_and(|o| !take.name.contains(o.as_str())) {
                continue;
            }
            let begin = Instant::now();
            let track = track_f0(&take.x, rate_of(&take), &F0Params::default()).expect("legal parameters");
            spent += begin.elapsed().as_secs_f64();
            seconds += take.x.len() as f64 / take.rate;
            all.add(&track, &take);
            let low = (take.truth)(0.5 * (take.sustain.0 + take.sustain.1));
            let bound = bound_cents(&take, 0.06f64.max(6.0 / low));
            bounds.push(bound);
            if each {
                let mut one = Tally::default();
                one.add(&track, &take);
                println!("       {} {bound:9.4} {}", line(&one), take.name);
            }
        }
        let (median, most) = ideal(&bounds);
        println!("{snr_db:3} dB {} {median:9.4} {most:8.4}", line(&all));
    }
    println!("{:.0} x real time over the set (5 ms hop, one thread)\n", seconds / spent);
}

fn main() {
    table("first set", development_set);
    table("second set", second_set);
    let rate = SampleRate::new(RATE as u32).expect("a legal rate");
    for db in [-70.0, -60.0, -50.0] {
        let gain = 10f64.powf(db / 20.0) as f32;
        let room: Vec<f32> = room_tone(5 * RATE as usize, 7).iter().map(|v| v * gain).collect();
        let track = track_f0(&room, rate, &F0Params::default()).expect("legal parameters");
        let voiced = track.f0_hz.iter().flatten().count() as f64 / track.f0_hz.len() as f64;
        println!("room tone alone at {db} dB: {voiced:.4} voiced");
    }
    if std::env::var_os("PITCH_TABLE_ONLY").is_none() {
        speed();
    }
}

fn speed() {
    let rate = SampleRate::new(RATE as u32).expect("a legal rate");
    let mut criterion = Criterion::default().sample_size(20).configure_from_args();
    let mut group = criterion.benchmark_group("track_f0");
    for take in development_set(40.0).iter().step_by(12) {
        group.throughput(Throughput::Elements(take.x.len() as u64));
        group.bench_function(take.name.trim(), |b| {
            b.iter(|| track_f0(black_box(&take.x), rate, &F0Params::default()));
        });
    }
    group.finish();
}
