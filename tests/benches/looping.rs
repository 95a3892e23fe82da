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
use seamwright::dsp::looping::{LoopCandidate, LoopParams, SeamAudit, audit, bake, find_loops, score_loop};
use seamwright::units::{FrameRange, Hertz, SampleRate};

const SET: &str = "/usr/share/sounds/sf2/TimGM6mb.sf2";
const HZ: f64 = 48_000.0;

/// Numbers that are spread evenly but look drawn: fractional parts of multiples of the golden ratio.
fn spread(i: usize) -> f64 {
    (i as f64 * 0.618_033_988_749_895).fract()
}

/// A take of a held note: attack, drift, vibrato, wandering level, swelling partials, breath. Of three
/// neighbours one has its noise 40, one 25, one 15 dB under the tone; every other three are flattened.
fn made_up(i: usize, seconds: f64, channels: usize) -> (AudioBuf, f64) {
    use std::f64::consts::TAU;
    let u = |k: usize| spread(17 * i + k + 1);
    let f0 = 65.0 * 2f64.powf(4.5 * u(0));
    let frames = (seconds * HZ) as usize;
    let flat = (i / 3).is_multiple_of(2);
    let noise_db = [40.0, 25.0, 15.0][i % 3];
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
                // A one-pole filter of 0.3 leaves 0.3/1.7 of white noise's power; the tone has about 0.2.
                0.2 * 10f64.powf(-noise_db / 20.0) * (1.7f64 / 0.3).sqrt(),
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
    let within = FrameRange::new(((from_s * rate) as u64).min(frames), frames);
    LoopParams { shortest_s: 0.0, longest_s: 8.0, ..LoopParams::new(within) }
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

/// Spearman's rank correlation.
fn rank_correlation(pairs: &[(f64, f64)]) -> f64 {
    let ranks = |of: fn(&(f64, f64)) -> f64| {
        let mut order: Vec<usize> = (0..pairs.len()).collect();
        order.sort_by(|a, b| of(&pairs[*a]).total_cmp(&of(&pairs[*b])));
        let mut ranks = vec![0f64; pairs.len()];
        let mut i = 0;
        while i < order.len() {
            let same = order[i..].iter().take_while(|k| of(&pairs[**k]) == of(&pairs[order[i]])).count();
            order[i..i + same].iter().for_each(|k| ranks[*k] = i as f64 + 0.5 * (same - 1) as f64);
            i += same;
        }
        ranks
    };
    let (a, b) = (ranks(|p| p.0), ranks(|p| p.1));
    let mean = (pairs.len() as f64 - 1.0) / 2.0;
    let product =
        |x: &[f64], y: &[f64]| -> f64 { x.iter().zip(y).map(|(x, y)| (x - mean) * (y - mean)).sum() };
    product(&a, &b) / (product(&a, &a) * product(&b, &b)).sqrt().max(1e-12)
}

/// Audits every candidate: best audibility, all with their scores.
fn audited(audio: &AudioBuf, found: &[LoopCandidate]) -> Vec<(f64, f64)> {
    found.iter().filter_map(|c| Some((c.score, measured(audio, c)?.audibility))).collect()
}

/// Loops taken anywhere, without any fade: their score against their audit.
fn arbitrary_table() {
    let mut all = Vec::new();
    for i in 0..27 {
        let (audio, f0) = made_up(i, 6.0, 1);
        for k in 0..12 {
            let at = |n: usize| spread(31 * i + 5 * k + n);
            let start = (HZ * (0.4 + 2.0 * at(1))) as u64;
            // Half of them whole periods long, as nearly as may be.
            let length = HZ * (0.5 + 2.5 * at(2));
            let length = if k % 2 == 0 { (length * f0 / HZ).round() * HZ / f0 } else { length };
            let range = FrameRange::new(start, start + length as u64);
            let fade = [0, 480, 4_800][k % 3];
            let Ok(c) = score_loop(&audio, Hertz(f0), range, fade) else { continue };
            all.extend(audited(&audio, &[c]));
        }
    }
    println!("loops taken anywhere: rank correlation of score and audit {:.2}", rank_correlation(&all));
    for (low, high) in [(0.0, 20.0), (20.0, 40.0), (40.0, 60.0), (60.0, 80.0), (80.0, 95.0), (95.0, 101.0)] {
        let within = all.iter().filter(|p| (low..high).contains(&p.0)).map(|p| p.1).collect();
        summary(&format!("score {low} to {high}"), within);
    }
}

fn made_up_table() {
    println!("made-up takes of 6 s, best candidate");
    let (mut best, mut all, mut short) = (Vec::new(), Vec::new(), 0);
    for i in 0..54 {
        let (audio, f0) = made_up(i, 6.0, 1 + i % 2);
        match find_loops(&audio, Hertz(f0), &params(&audio, 0.3)) {
            Ok(found) => {
                if let Some(a) = measured(&audio, &found[0]) {
                    row(&format!("made up {i}"), f0, &found[0], HZ, &a);
                    best.push(a.audibility);
                    short += usize::from((found[0].range.count().0 as f64) < HZ);
                }
                all.extend(audited(&audio, &found));
            }
            Err(e) => println!("made up {i} {f0:.1} Hz: {e}"),
        }
    }
    summary("made up, best", best);
    summary("made up, all 20", all.iter().map(|p| p.1).collect());
    println!(
        "   loops under 1 s: {short}; rank correlation of score and audit {:.2}",
        rank_correlation(&all)
    );
}

/// The pitch around the middle of a loop: the first high peak of the plain autocorrelation of 80 ms.
fn pitch_of(audio: &AudioBuf, range: FrameRange) -> Option<f64> {
    let rate = audio.rate().as_f64();
    let n = (0.08 * rate) as usize;
    let middle = ((range.start.0 + range.end.0) / 2) as usize;
    let from = middle.saturating_sub(n).min(audio.len().checked_sub(2 * n)?);
    let x = &audio.channel(0)[from..];
    let energy = |at: usize| x[at..at + n].iter().map(|v| f64::from(*v).powi(2)).sum::<f64>();
    let e0 = energy(0);
    let r: Vec<f64> = (0..n)
        .map(|lag| {
            let ab: f64 = (0..n).map(|i| f64::from(x[i]) * f64::from(x[i + lag])).sum();
            ab / (e0 * energy(lag)).sqrt().max(1e-12)
        })
        .collect();
    let low = (rate / 4000.0) as usize + 1;
    let peaks: Vec<usize> = (low..n - 1).filter(|i| r[*i] > r[i - 1] && r[*i] >= r[i + 1]).collect();
    let most = peaks.iter().map(|i| r[*i]).fold(0.0, f64::max);
    let at = *peaks.iter().find(|i| r[**i] > 0.93 * most && most > 0.6)?;
    let bend = r[at - 1] - 2.0 * r[at] + r[at + 1];
    let period = at as f64 + (0.5 * (r[at - 1] - r[at + 1]) / bend).clamp(-0.5, 0.5);
    Some(rate / period)
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
    let (mut as_good, mut as_long, mut both, mut missed, mut short) = (0, 0, 0, 0, 0);
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
        let named = {
            let key = f64::from(h.get_original_pitch()) - f64::from(h.get_pitch_correction()) / 100.0;
            440.0 * ((key - 69.0) / 12.0).exp2()
        };
        // Many headers name no key: take the pitch of the loop that people set.
        let Some(f0) = pitch_of(&audio, human) else {
            println!("{} named {named:.1} Hz: no clear pitch, left out", h.get_name());
            continue;
        };
        // The sustain: from where people let the loop start, or a fifth of the way in if that is earlier.
        let len = audio.frames().0;
        let from = human.start.0.min(len / 5);
        let p = LoopParams { shortest_s: 0.0, longest_s: 8.0, ..LoopParams::new(FrameRange::new(from, len)) };
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
                ours_all.extend(audited(&audio, &found));
                let good = a.audibility <= seam.audibility;
                // "At least as long" within one period.
                let long = found[0].range.count().0 as f64 + rate.as_f64() / f0 >= human.count().0 as f64;
                as_good += usize::from(good);
                as_long += usize::from(long);
                // At least as long on purpose: what the search has when asked for that.
                let p = LoopParams {
                    shortest_s: (human.count().0 as f64 / rate.as_f64() - 1.0 / f0).max(0.0),
                    ..p.clone()
                };
                let asked = find_loops(&audio, Hertz(f0), &p);
                if let Err(e) = &asked {
                    println!("   as long as people's: {e}");
                }
                let other = asked.ok().and_then(|f| measured(&audio, &f[0]));
                if let Some(o) = other.as_ref().filter(|o| o.audibility > seam.audibility) {
                    println!(
                        "   as long as people's: audit {:.1} against {:.1}",
                        o.audibility, seam.audibility
                    );
                }
                both += usize::from(other.as_ref().is_some_and(|o| o.audibility <= seam.audibility));
                missed += usize::from(other.is_none());
                let sustain_s = (len - from) as f64 / rate.as_f64();
                short += usize::from(sustain_s >= 2.5 && found[0].range.count().0 < u64::from(rate.hz()));
            }
            Err(e) => println!("{} {f0:.1} Hz {:.3} s: {e}", h.get_name(), len as f64 / rate.as_f64()),
        }
    }
    summary("set by people", theirs);
    summary("ours, best", ours);
    let count = ours_all.len();
    println!("   rank correlation of score and audit {:.2}, {count} loops", rank_correlation(&ours_all));
    summary("ours, all", ours_all.iter().map(|p| p.1).collect());
    println!(
        "   at least as good as people's {as_good}, at least as long {as_long}; asked to be as long: as good {both}, none {missed}; short ones where 2.5 s are there: {short}"
    );
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
    let (audio, f0) = made_up(2, 20.0, 1);
    if let Some(c) = find_loops(&audio, Hertz(f0), &params(&audio, 0.3)).ok().and_then(|f| f.first().copied())
    {
        let clock = Instant::now();
        black_box(audit(&audio, c.range)).ok();
        println!("audit of one loop: {:?}", clock.elapsed());
    }
    arbitrary_table();
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
