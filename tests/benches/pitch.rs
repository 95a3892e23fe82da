//! Error table and speed of the fundamental tracker over the invented development set.
//!
//! `cargo bench --bench pitch`: the table first, then the speed.

use std::hint::black_box;
use std::time::Instant;

use criterion::{Criterion, Throughput};
use seamwright::dsp::pitch::{F0Params, F0Track, track_f0};
use seamwright::units::SampleRate;

#[path = "../reference/pitch_takes.rs"]
mod pitch_takes;
use pitch_takes::{RATE, Take, development_set, room_tone};

#[derive(Default)]
struct Tally {
    cents: Vec<f64>,
    gross: usize,
    wanted: usize,
    room: usize,
    room_voiced: usize,
}

impl Tally {
    fn add(&mut self, track: &F0Track, take: &Take) {
        for (i, f) in track.f0_hz.iter().enumerate() {
            let t = i as f64 * track.hop_s;
            if t >= take.sustain.0 && t <= take.sustain.1 {
                self.wanted += 1;
                if let Some(f) = f {
                    let c = (1200.0 * (f / (take.truth)(t)).log2()).abs();
                    self.gross += usize::from(c > 50.0);
                    self.cents.push(c);
                }
            } else if take.room.iter().any(|r| t >= r.0 && t <= r.1) {
                self.room += 1;
                self.room_voiced += usize::from(f.is_some());
            }
        }
    }

    fn line(&self) -> String {
        let mut sorted = self.cents.clone();
        sorted.sort_by(f64::total_cmp);
        let part = |p: f64| sorted.get((sorted.len() as f64 * p) as usize).copied().unwrap_or(f64::NAN);
        format!(
            "{:8.4} {:8.4} {:8.3} {:6} {:8.4} {:8.4}",
            part(0.5),
            part(0.95),
            sorted.last().copied().unwrap_or(f64::NAN),
            self.gross,
            self.cents.len() as f64 / self.wanted.max(1) as f64,
            self.room_voiced as f64 / self.room.max(1) as f64
        )
    }
}

fn main() {
    let rate = SampleRate::new(RATE as u32).expect("a legal rate");
    let params = F0Params::default();
    let only = std::env::var("PITCH_ONLY").ok();
    let each = std::env::var_os("PITCH_TAKES").is_some();
    println!(
        "cents: {:>7} {:>8} {:>8} {:>6} {:>8} {:>8}",
        "median", "p95", "worst", "gross", "recall", "false"
    );
    let (mut seconds, mut spent) = (0.0, 0.0);
    for snr_db in [40.0, 25.0, 15.0] {
        let mut all = Tally::default();
        for take in development_set(snr_db) {
            if only.as_ref().is_some_and(|o| !take.name.contains(o.as_str())) {
                continue;
            }
            let begin = Instant::now();
            let track = track_f0(&take.x, rate, &params).expect("legal parameters");
            spent += begin.elapsed().as_secs_f64();
            seconds += take.x.len() as f64 / RATE;
            all.add(&track, &take);
            if each {
                let mut one = Tally::default();
                one.add(&track, &take);
                println!("       {} {}", one.line(), take.name);
            }
        }
        println!("{snr_db:3} dB {}", all.line());
    }
    for db in [-70.0, -60.0, -50.0] {
        let gain = 10f64.powf(db / 20.0) as f32;
        let room: Vec<f32> = room_tone(5 * RATE as usize, 7).iter().map(|v| v * gain).collect();
        let track = track_f0(&room, rate, &params).expect("legal parameters");
        let voiced = track.f0_hz.iter().flatten().count() as f64 / track.f0_hz.len() as f64;
        println!("room tone alone at {db} dB: {voiced:.4} voiced");
    }
    println!("{:.0} x real time over the set (5 ms hop, 48 kHz, one thread)", seconds / spent);
    speed();
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
