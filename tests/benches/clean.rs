//! What cleaning gives on the development set, beside a textbook gain, and its speed.
//!
//! `cargo bench --bench clean`: the table. `CLEAN_TAKES=1` prints each take, `CLEAN_ONLY=text` only
//! takes whose names hold the text, `CLEAN_THIRD=1` takes notes that come up slowly in other rooms,
//! `CLEAN_HELD_OUT=1` the set that nothing was chosen by.

use std::time::Instant;

use seamwright::audio::AudioBuf;
use seamwright::dsp::clean::{CleanParams, NoiseProfile, Plan, learn};
use seamwright::dsp::pitch::{F0Params, F0Track, track_f0};
use seamwright::units::{FrameRange, SampleRate};

#[path = "../reference/clean_measures.rs"]
mod measures;
#[path = "../reference/clean_takes.rs"]
mod takes;
#[path = "../reference/clean_textbook.rs"]
mod textbook;
use measures::{kurtosis, log_spectral_distance, median, segmental, si_sdr, snr};
use takes::{HEAD_S, HELD_S, RATE, Take, development_set, held_out_set, third_set};
use textbook::Textbook;

const COLUMNS: [&str; 8] = ["si-sdr", "segment", "attack", "kurtosis", "room", "harm", "end", "lsd"];

/// One take cleaned one way.
struct Measured {
    values: [f64; 8],
}

fn measure(take: &Take, recorded: &[f32], cleaned: &[f32], harmed: &[f32]) -> Measured {
    let (from, to) = take.sounds;
    let at = |s: f64| (s * RATE) as usize;
    let room = at(0.1)..at(HEAD_S - 0.1);
    let attack = from..from + at(0.08);
    let gain = |f: &dyn Fn(&[f32], &[f32]) -> f64, r: std::ops::Range<usize>| {
        f(&take.note[r.clone()], &cleaned[r.clone()]) - f(&take.note[r.clone()], &recorded[r])
    };
    let power = |x: &[f32]| x.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>().max(1e-20);
    // Clicks are told apart by their own measure: the room's level is the median over 20 ms.
    let level = |x: &[f32]| median(&x.chunks(960).map(power).collect::<Vec<_>>());
    let end = at(HEAD_S + HELD_S) - at(0.0)..to.min(at(HEAD_S + HELD_S) + at(0.15));
    let values = [
        gain(&si_sdr, from..to),
        gain(&segmental, from..to),
        gain(&snr, attack),
        kurtosis(&cleaned[room.clone()]) / kurtosis(&recorded[room.clone()]),
        10.0 * (level(&recorded[room.clone()]) / level(&cleaned[room])).log10(),
        si_sdr(&take.note[from..to], &harmed[from..to]),
        10.0 * (power(&cleaned[end.clone()]) / power(&take.note[end])).log10(),
        log_spectral_distance(&take.note[from..to], &cleaned[from..to]),
    ];
    Measured { values }
}

struct Cleaned {
    out: Vec<f32>,
    harmed: Vec<f32>,
    shares: Vec<f32>,
    seconds: [f64; 2],
}

fn ours(take: &Take, x: &[f32]) -> Cleaned {
    let rate = SampleRate::new(RATE as u32).expect("a legal rate");
    let audio = AudioBuf::mono(x.to_vec(), rate).expect("finite samples");
    let profile: NoiseProfile =
        learn(&[audio.part(FrameRange::new(0, (HEAD_S * RATE) as u64 - 2_400))]).expect("a room tone");
    let begin = Instant::now();
    let track: F0Track = track_f0(x, rate, &F0Params::default()).expect("legal parameters");
    let tracked = begin.elapsed().as_secs_f64();
    let begin = Instant::now();
    let plan =
        Plan::new(&audio, &profile, Some(&track), 0.0, &CleanParams::default()).expect("legal parameters");
    let removed = plan.removed_from(0);
    let cleaned = begin.elapsed().as_secs_f64();
    let minus = |a: &[f32], b: &[f32]| a.iter().zip(b).map(|(a, b)| a - b).collect::<Vec<f32>>();
    Cleaned {
        out: minus(x, &removed),
        harmed: minus(&take.note, &plan.removed(&take.note)),
        shares: plan.shares(),
        seconds: [tracked, cleaned],
    }
}

fn main() {
    let only = std::env::var("CLEAN_ONLY").unwrap_or_default();
    let each = std::env::var_os("CLEAN_TAKES").is_some();
    let all = match (std::env::var_os("CLEAN_HELD_OUT"), std::env::var_os("CLEAN_THIRD")) {
        (Some(_), _) => held_out_set(),
        (_, Some(_)) => third_set(),
        _ => development_set(),
    };
    let takes: Vec<Take> = all.into_iter().filter(|t| t.name.contains(&only)).collect();
    let head: String = COLUMNS.iter().map(|c| format!("{c:>9}")).collect();
    println!("{:>14}{head}", "");
    let line = |v: &[f64]| v.iter().map(|v| format!("{v:9.2}")).collect::<String>();
    let mut spent = [0.0; 2];
    for snr_db in [40.0, 25.0, 15.0] {
        let (mut mine, mut books) = (Vec::new(), Vec::new());
        for take in &takes {
            let (x, _) = take.recorded(snr_db);
            let book = Textbook::new(&x, (HEAD_S * RATE) as usize - 2_400);
            books.push(measure(take, &x, &book.apply(&x), &book.apply(&take.note)).values);
            let c = ours(take, &x);
            mine.push(measure(take, &x, &c.out, &c.harmed).values);
            spent.iter_mut().zip(c.seconds).for_each(|(s, v)| *s += v);
            if each {
                println!(
                    "{snr_db:4}     ours {} {} {:.2?}",
                    line(&mine[mine.len() - 1]),
                    take.name,
                    c.shares
                );
                println!("{snr_db:4} textbook {}", line(&books[books.len() - 1]));
            }
        }
        let column = |v: &[[f64; 8]], c: usize| median(&v.iter().map(|m| m[c]).collect::<Vec<_>>());
        let medians = |v: &[[f64; 8]]| (0..8).map(|c| column(v, c)).collect::<Vec<_>>();
        let worst = |v: &[[f64; 8]]| {
            (0..8)
                .map(|c| {
                    let all = v.iter().map(|m| m[c]);
                    match COLUMNS[c] {
                        "kurtosis" | "lsd" => all.fold(f64::MIN, f64::max),
                        "end" => all.fold(0.0, |a: f64, b| if b.abs() > a.abs() { b } else { a }),
                        _ => all.fold(f64::MAX, f64::min),
                    }
                })
                .collect::<Vec<_>>()
        };
        println!("{snr_db:4} dB textbook{}", line(&medians(&books)));
        println!("{snr_db:4} dB     ours{}", line(&medians(&mine)));
        println!("{snr_db:4} dB ours wst{}", line(&worst(&mine)));
        let better = mine.iter().zip(&books).filter(|(m, b)| m[7] < b[7]).count();
        println!("        lsd better than the textbook on {better} of {}", takes.len());
    }
    let seconds = 3.0 * takes.iter().map(|t| t.note.len() as f64 / RATE).sum::<f64>();
    println!("x real time: tracking {:.0}, cleaning {:.0}", seconds / spent[0], seconds / spent[1]);
}
