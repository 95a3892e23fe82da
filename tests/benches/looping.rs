//! How long the search takes, and how well what it finds goes round.
//!
//! The table compares our best loop with the one that people set, over the recordings of the General
//! MIDI set of Debian's package `timgm6mb-soundfont` (skipped when it is not installed), and lists
//! made-up takes with all the faults of real ones.

use std::fs::File;
use std::hint::black_box;
use std::time::{Duration, Instant};

use criterion::Criterion;
use rustysynth::SoundFont;
use seamwright::audio::{AudioBuf, signals};
use seamwright::dsp::looping::{LoopCandidate, LoopParams, SeamAudit, audit, bake, find_loops};
use seamwright::units::{FrameRange, Hertz, SampleRate};

const SET: &str = "/usr/share/sounds/sf2/TimGM6mb.sf2";
const HZ: f64 = 48_000.0;

/// Numbers that are spread evenly but look drawn: fractional parts of multiples of the golden ratio.
fn spread(i: usize) -> f64 {
    (i as f64 * 0.618_033_988_749_895).fract()
}

/// A take of a held note: attack, drift, vibrato, wandering level, swelling partials, breath.
fn made_up(i: usize, seconds: f64, channels: usize) -> (AudioBuf, f64) {
    use std::f64::consts::TAU;
    let u = |k: usize| spread(17 * i + k + 1);
    let f0 = 65.0 * 2f64.powf(4.5 * u(0));
    let frames = (seconds * HZ) as usize;
    let flat = u(1) < 0.6;
    let vibrato = if flat { 0.0 } else { 18.0 * u(2) };
    let drift = if flat { 0.05 } else { 6.0 * u(3) };
    let pitch = |t: f64| {
        let cents = drift * (TAU * 0.21 * t + 5.0 * u(4)).sin() + vibrato * (TAU * (4.5 + u(5)) * t).sin();
        f0 * (cents / 1200.0).exp2()
    };
    let partials: Vec<f64> = (1..=20).map(|k| 0.25 / f64::from(k).powf(1.0 + u(6))).collect();
    let decay = if u(7) < 0.2 { 3.0 * u(8) } else { 0.0 };
    let planes = (0..channels)
        .map(|c| {
            let soft = signals::harmonic(pitch, &partials[..3], HZ, frames);
            let rich = signals::harmonic(pitch, &partials, HZ, frames);
            let hiss = signals::white_noise(
                0.2 * 10f64.powf(-(25.0 + 30.0 * u(9)) / 20.0),
                frames,
                (i * 2 + c) as u64,
            );
            let mut low = 0f32;
            (0..frames)
                .map(|n| {
                    let t = n as f64 / HZ;
                    let swell = 0.5 + 0.4 * (TAU * 0.37 * t + 6.0 * u(10)).sin();
                    let level_db = 1.5 * u(11) * (TAU * 0.29 * t).sin() + 0.6 * u(12) * (TAU * 1.3 * t).sin()
                        - decay * t;
                    low += 0.3 * (hiss[n] - low);
                    let tone = f64::from(soft[n]) * (1.0 - swell) + f64::from(rich[n]) * swell;
                    let attack = (t / 0.08).min(1.0);
                    ((tone * attack + f64::from(low)) * 10f64.powf(level_db / 20.0)) as f32
                })
                .collect()
        })
        .collect();
    let rate = SampleRate::new(48_000).expect("allowed rate");
    (AudioBuf::new(planes, rate).expect("finite"), f0)
}

fn params(audio: &AudioBuf, from_s: f64) -> LoopParams {
    let rate = audio.rate().as_f64();
    let frames = audio.frames().0;
    LoopParams {
        within: FrameRange::new(((from_s * rate) as u64).min(frames), frames),
        shortest_s: 0.0,
        longest_s: 8.0,
        top: 20,
    }
}

fn measured(audio: &AudioBuf, c: &LoopCandidate) -> Option<SeamAudit> {
    audit(&bake(audio, c.range, c.crossfade).ok()?, c.range).ok()
}

fn row(name: &str, f0: f64, c: &LoopCandidate, rate: f64, a: &SeamAudit) {
    println!(
        "{name:20} {f0:7.1} Hz  loop {:6.3} s  fade {:5.0} ms  score {:5.1} (z {:3.0} w {:3.0} s {:3.0} l {:3.0} p {:3.0})  audit {:5.1}: click {:5.2} flux {:5.2} step {:+5.2} pitch {:+6.2} thump {:4.2}",
        c.range.count().0 as f64 / rate,
        1000.0 * c.crossfade as f64 / rate,
        c.score,
        c.parts.zero_crossing,
        c.parts.waveform,
        c.parts.spectral,
        c.parts.level,
        c.parts.pitch,
        a.audibility,
        a.click_db.0,
        a.flux_db,
        a.level_step_db.0,
        a.pitch_step_cents,
        a.thump_db
    );
}

fn summary(name: &str, mut values: Vec<f64>) {
    values.sort_by(f64::total_cmp);
    if values.is_empty() {
        return;
    }
    let at = |q: f64| values[((values.len() - 1) as f64 * q).round() as usize];
    println!(
        "== {name}: {} loops, audibility median {:.1}, 95 % under {:.1}, most {:.1}",
        values.len(),
        at(0.5),
        at(0.95),
        at(1.0)
    );
}

fn made_up_table() {
    println!("made-up takes of 6 s, best candidate");
    let mut all = Vec::new();
    let mut all_top = Vec::new();
    for i in 0..60 {
        let (audio, f0) = made_up(i, 6.0, 1 + i % 2);
        match find_loops(&audio, Hertz(f0), &params(&audio, 0.3)) {
            Ok(found) => {
                if let Some(a) = measured(&audio, &found[0]) {
                    row(&format!("made up {i}"), f0, &found[0], HZ, &a);
                    all.push(a.audibility);
                }
                all_top.extend(found.iter().filter_map(|c| measured(&audio, c)).map(|a| a.audibility));
            }
            Err(e) => println!("made up {i} {f0:.1} Hz: {e}"),
        }
    }
    summary("made up, best", all);
    summary("made up, all 20", all_top);
}

fn set_table() {
    let Ok(mut file) = File::open(SET) else {
        println!("{SET} is not installed: no comparison with loops set by people");
        return;
    };
    let Ok(font) = SoundFont::new(&mut file) else {
        println!("{SET} cannot be read");
        return;
    };
    println!("recordings of {SET}: the loop people set, and ours");
    let wave = font.get_wave_data();
    let (mut theirs, mut ours, mut ours_all) = (Vec::new(), Vec::new(), Vec::new());
    for h in font.get_sample_headers() {
        let (start, end) = (h.get_start() as usize, h.get_end() as usize);
        let (ls, le) = (h.get_start_loop() as usize, h.get_end_loop() as usize);
        let Ok(rate) = SampleRate::new(h.get_sample_rate() as u32) else { continue };
        if start >= end || ls < start || le > end || le < ls + 32 {
            continue;
        }
        let samples = wave[start..end].iter().map(|s| f32::from(*s) / 32_768.0).collect();
        let Ok(audio) = AudioBuf::mono(samples, rate) else { continue };
        let human = FrameRange::new((ls - start) as u64, (le - start) as u64);
        let Ok(seam) = audit(&audio, human) else { continue };
        let key = f64::from(h.get_original_pitch()) - f64::from(h.get_pitch_correction()) / 100.0;
        let f0 = 440.0 * ((key - 69.0) / 12.0).exp2();
        // The sustain: from where people let the loop start, or a fifth of the way in if that is earlier.
        let len = audio.frames().0;
        let from = human.start.0.min(len / 5);
        let p = LoopParams { within: FrameRange::new(from, len), shortest_s: 0.0, longest_s: 8.0, top: 20 };
        match find_loops(&audio, Hertz(f0), &p) {
            Ok(found) => {
                let Some(a) = measured(&audio, &found[0]) else { continue };
                println!(
                    "   people: {:6.3} s of {:6.3} s, audit {:5.1}",
                    human.count().0 as f64 / rate.as_f64(),
                    (len - from) as f64 / rate.as_f64(),
                    seam.audibility
                );
                row(h.get_name(), f0, &found[0], rate.as_f64(), &a);
                theirs.push(seam.audibility);
                ours.push(a.audibility);
                ours_all.extend(found.iter().filter_map(|c| measured(&audio, c)).map(|a| a.audibility));
            }
            Err(e) => println!("{} {f0:.1} Hz {:.3} s: {e}", h.get_name(), len as f64 / rate.as_f64()),
        }
    }
    summary("set by people", theirs);
    summary("ours, best", ours);
    summary("ours, all", ours_all);
}

fn main() {
    for (i, channels) in [(2, 1), (5, 2), (0, 1)] {
        let (audio, f0) = made_up(i, 20.0, channels);
        let p = LoopParams { longest_s: 20.0, ..params(&audio, 0.3) };
        let mut times: Vec<Duration> = (0..7)
            .map(|_| {
                let clock = Instant::now();
                black_box(find_loops(&audio, Hertz(f0), &p)).ok();
                clock.elapsed()
            })
            .collect();
        times.sort();
        println!("search in 20 s at 48 kHz, {channels} channel(s), {f0:.0} Hz: median {:?}", times[3]);
    }
    made_up_table();
    set_table();
    let mut criterion = Criterion::default().sample_size(10).configure_from_args();
    let (audio, f0) = made_up(2, 20.0, 1);
    let p = LoopParams { longest_s: 20.0, ..params(&audio, 0.3) };
    criterion
        .bench_function("find_loops, 20 s mono", |b| b.iter(|| find_loops(black_box(&audio), Hertz(f0), &p)));
    if let Some(c) = find_loops(&audio, Hertz(f0), &p).ok().and_then(|f| f.first().copied()) {
        criterion.bench_function("audit", |b| b.iter(|| audit(black_box(&audio), c.range)));
    }
    criterion.final_summary();
}
