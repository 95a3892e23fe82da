//! The tables that the bench `tune` prints before it times anything.

use std::f64::consts::TAU;
use std::time::Instant;

use rubato::audioadapter_buffers::direct::InterleavedSlice;
use rubato::{
    Async, FixedAsync, Resampler, SincInterpolationParameters, SincInterpolationType, WindowFunction,
};
use seamwright::audio::{AudioBuf, signals};
use seamwright::dsp::pitch::{F0Params, F0Track, track_f0};
use seamwright::dsp::resample::read_at;
use seamwright::dsp::spans::{EnvelopeBuilder, SpanParams, find_room_tone, find_takes};
use seamwright::dsp::tune::{
    PitchMap, StrengthCurve, TuneParams, deviation, onset_of, pitch_map, read_along,
};
use seamwright::units::{Cents, SampleRate};

use super::measures::{log_mel, null_db, rms_above, si_sdr_db, value_at};
use super::takes::{NOTE_S, ONSET_S, RATE, TuneTake, tune_set};

/// Judged from here after the onset to here before the end.
const SETTLED_S: f64 = 0.25;
const BEFORE_END_S: f64 = 0.15;
/// The attack, as the wish for it says.
const ATTACK_S: f64 = 0.08;

/// One value for each figure, in the order of [`HEADS`].
type Row = [f64; 13];
const HEADS: [&str; 13] = [
    "before", "track", "after", "centre", "by ear", "centre", "null", "SI-SDR", "mel", "mel src", "mel LT",
    ">12 Hz", "early",
];

/// Deviation before and after full flattening and what became of the rest, over takes with exact truth.
pub fn flattening() {
    let only = std::env::var("TUNE_ONLY").unwrap_or_default();
    let each = std::env::var_os("TUNE_TAKES").is_some();
    println!("full strength: centre, drift and vibrato 100 %, the standard curve; cents but for dB");
    println!(
        "track: the tracker's own error; after, centre: from the true pitch at the places the map reads; by ear: tracked afresh, clean"
    );
    println!("           {}", HEADS.map(|h| format!("{h:>8}")).join(" "));
    let (mut seconds, mut spent, mut tracking) = (0.0, 0.0, 0.0);
    for snr_db in [40.0, 25.0, 15.0] {
        let mut rows: Vec<Row> = Vec::new();
        for take in tune_set(snr_db).iter().filter(|t| t.name.contains(&only)) {
            let (row, took, tracked) = one(take);
            if each {
                println!("{snr_db:3} dB     {} {}", line(&row), take.name);
            }
            rows.push(row);
            seconds += take.x.len() as f64 / RATE;
            spent += took;
            tracking += tracked;
        }
        let column = |k: usize| {
            let mut c: Vec<f64> = rows.iter().map(|r| r[k]).collect();
            c.sort_by(f64::total_cmp);
            c
        };
        let of = |f: fn(&[f64]) -> f64| -> Row { std::array::from_fn(|k| f(&column(k))) };
        println!("{snr_db:3} dB med {}", line(&of(|c| c[c.len() / 2])));
        println!("       max {}", line(&of(|c| c[c.len() - 1])));
        println!("       min {}", line(&of(|c| c[0])));
    }
    println!(
        "{:.0} x real time a channel (split, map, read); {:.0} with tracking",
        seconds / spent,
        seconds / (spent + tracking)
    );
}

fn line(row: &Row) -> String {
    row.map(|v| format!("{v:8.3}")).join(" ")
}

/// The figures of one take, and the seconds that tuning and tracking took.
fn one(take: &TuneTake) -> (Row, f64, f64) {
    let rate = SampleRate::new(RATE as u32).expect("a legal rate");
    let begin = Instant::now();
    let track = track_f0(&take.x, rate, &F0Params::default()).expect("legal parameters");
    let tracked = begin.elapsed().as_secs_f64();
    let onset_s = onset(&take.x, rate, &track);
    let begin = Instant::now();
    let d = deviation(&track, take.target).expect("a note");
    let params = TuneParams {
        target: take.target,
        shift: Cents(0.0),
        centre: 1.0,
        drift: 1.0,
        vibrato: 1.0,
        curve: StrengthCurve::default(),
        onset_s,
    };
    let map = pitch_map(&d, &params, 0.0, take.x.len() as f64, rate, rate).expect("a legal map");
    let audio = AudioBuf::mono(take.x.clone(), rate).expect("a channel");
    let tuned = read_along(&audio, &map, rate).expect("a legal map");
    let took = begin.elapsed().as_secs_f64();

    let (from, until) = (ONSET_S + SETTLED_S, ONSET_S + NOTE_S - BEFORE_END_S);
    let before = rms(&grid(from, until).map(|t| take.cents(t)).collect::<Vec<_>>());
    let off: Vec<f64> = (0..track.f0_hz.len())
        .map(|i| (i as f64 * track.hop_s, track.f0_hz[i]))
        .filter(|(t, _)| (from..until).contains(t))
        .filter_map(|(t, f)| f.map(|f| 1200.0 * (f / take.f0(t)).log2()))
        .collect();
    let left = |t: f64| take.cents(t) + map.cents_at(map.output_at(t * RATE));
    let after: Vec<f64> = grid(from, until).map(left).collect();
    let (heard, heard_centre) = by_ear(take, &map, rate, (from, until));
    let (null, si_sdr) = attack(take, tuned.channel(0), &map);
    let [mel, mel_source, mel_long] = timbre(take, tuned.channel(0), &map, (from, until));
    let correction: Vec<f64> =
        grid(from, until).map(|t| map.cents_at(map.output_at(t * RATE)) + take.cents(t)).collect();
    // In the first 0.3 s: against the part of the true movement that the curve lets through.
    let early: Vec<f64> = grid(ONSET_S, ONSET_S + 0.3)
        .map(|t| {
            let strength = params.curve.at(t - onset_s);
            let constant = -d.centre;
            map.cents_at(map.output_at(t * RATE)) - constant + strength * (take.cents(t) - d.centre)
        })
        .collect();
    let row = [
        before,
        rms(&off),
        rms(&after),
        mean(&after),
        heard,
        heard_centre,
        null,
        si_sdr,
        mel,
        mel_source,
        mel_long,
        rms_above(&correction, 0.001, 12.0),
        rms(&early),
    ];
    (row, took, tracked)
}

/// Times every millisecond.
fn grid(from: f64, until: f64) -> impl Iterator<Item = f64> {
    (0..((until - from) * 1e3) as usize).map(move |i| from + i as f64 * 1e-3)
}

fn mean(x: &[f64]) -> f64 {
    x.iter().sum::<f64>() / x.len().max(1) as f64
}

fn rms(x: &[f64]) -> f64 {
    (x.iter().map(|v| v * v).sum::<f64>() / x.len().max(1) as f64).sqrt()
}

/// The onset that the commands would find.
fn onset(x: &[f32], rate: SampleRate, track: &F0Track) -> f64 {
    let mut builder = EnvelopeBuilder::new(rate);
    builder.push(&[x]);
    let (envelope, params) = (builder.finish(), SpanParams::default());
    let found = find_takes(&envelope, find_room_tone(&envelope, &params).as_ref(), &params);
    let onsets: Vec<f64> = found.iter().map(|t| t.onset.at(rate).0).collect();
    onset_of(track, &onsets)
}

/// RMS and mean in cents of the clean sound read along the map, tracked afresh.
fn by_ear(take: &TuneTake, map: &PitchMap, rate: SampleRate, (from, until): (f64, f64)) -> (f64, f64) {
    let clean = AudioBuf::mono(take.clean.clone(), rate).expect("a channel");
    let y = read_along(&clean, map, rate).expect("a legal map");
    let track = track_f0(y.channel(0), rate, &F0Params::default()).expect("legal parameters");
    let out = |t: f64| map.output_at(t * RATE) / RATE;
    let cents: Vec<f64> = (0..track.f0_hz.len())
        .filter(|i| (out(from)..out(until)).contains(&(*i as f64 * track.hop_s)))
        .filter_map(|i| track.f0_hz[i].map(|f| 1200.0 * (f / take.target.0).log2()))
        .collect();
    (rms(&cents), mean(&cents))
}

/// The first 80 ms against the source read at the one speed that the centre asks for, by an
/// interpolation of the bench's own: null of the clean sound, SI-SDR of the one with noise, in dB.
fn attack(take: &TuneTake, tuned: &[f32], map: &PitchMap) -> (f64, f64) {
    let first = map.output_at(ONSET_S * RATE).ceil() as usize;
    let frames = (ATTACK_S * RATE) as usize;
    // Aligned by a straight line through both ends, as one without knowledge of the curve would.
    let (p0, p1) = (map.source_at(first as f64), map.source_at((first + frames) as f64));
    let positions: Vec<f64> = (0..frames).map(|k| p0 + (p1 - p0) * k as f64 / frames as f64).collect();
    let read = |x: &[f32]| positions.iter().map(|p| value_at(x, *p)).collect::<Vec<f64>>();
    let clean: Vec<f64> =
        (first..first + frames).map(|m| value_at(&take.clean, map.source_at(m as f64))).collect();
    let result: Vec<f64> = tuned[first..first + frames].iter().map(|s| f64::from(*s)).collect();
    (null_db(&read(&take.clean), &clean), si_sdr_db(&read(&take.x), &result))
}

/// Mean difference of the log-mel spectra in dB: frame by frame from the note as it would be had it
/// been played on its target (what tuning does to the timbre besides moving it), then from the source
/// (which any change of pitch moves through the bands), and of the source's mean spectrum.
fn timbre(take: &TuneTake, tuned: &[f32], map: &PitchMap, (from, until): (f64, f64)) -> [f64; 3] {
    let out: Vec<f64> = (0..)
        .map(|k| map.output_at(from * RATE).ceil() + 480.0 * f64::from(k))
        .take_while(|m| map.source_at(*m) < until * RATE)
        .collect();
    let source: Vec<f64> = out.iter().map(|m| map.source_at(*m).round()).collect();
    let played = take.played(map, out[out.len() / 2] as usize);
    let b = log_mel(tuned, RATE, &out);
    let from_frames = |a: &[Vec<f64>]| {
        let frames = a.iter().zip(&b).flat_map(|(a, b)| a.iter().zip(b).map(|(a, b)| (a - b).abs()));
        mean(&frames.collect::<Vec<_>>())
    };
    let a = log_mel(&take.x, RATE, &source);
    let long = |x: &[Vec<f64>], band: usize| {
        10.0 * mean(&x.iter().map(|f| 10f64.powf(f[band] / 10.0)).collect::<Vec<_>>()).log10()
    };
    let bands: Vec<f64> = (0..a[0].len()).map(|k| (long(&a, k) - long(&b, k)).abs()).collect();
    [from_frames(&log_mel(&played, RATE, &out)), from_frames(&a), mean(&bands)]
}

/// THD+N of sines and speed, beside a general resampler at its best setting.
pub fn interpolation() {
    println!("interpolation 44.1 to 48 kHz, THD+N in dB and x real time: ours, general resampler");
    for hz in [100.0, 1_000.0, 10_000.0, 19_000.0, 20_000.0] {
        let x = signals::sine(hz, 0.9, 44_100.0, 44_100 * 4);
        let begin = Instant::now();
        let positions: Vec<f64> = (0..48_000 * 4).map(|m| f64::from(m) * 44.1 / 48.0).collect();
        let ours = read_at(&x, &positions, 44.1 / 48.0).expect("legal positions");
        let took = begin.elapsed().as_secs_f64();
        let begin = Instant::now();
        let theirs = general(&x);
        let theirs_took = begin.elapsed().as_secs_f64();
        println!(
            "{hz:8.0} Hz {:8.1} {:6.0} x {:8.1} {:6.0} x",
            thdn_db(&ours.iter().map(|s| f64::from(*s)).collect::<Vec<_>>(), hz / 48_000.0),
            4.0 / took,
            thdn_db(&theirs, hz / 48_000.0),
            4.0 / theirs_took
        );
    }
}

/// 44.1 to 48 kHz by rubato's own streaming resampler in double precision, at its longest kernel.
fn general(x: &[f32]) -> Vec<f64> {
    let params = SincInterpolationParameters {
        sinc_len: 512,
        f_cutoff: Some(0.97),
        oversampling_factor: 512,
        interpolation: SincInterpolationType::Cubic,
        window: WindowFunction::BlackmanHarris2,
    };
    let mut resampler = Async::<f64>::new_sinc(48.0 / 44.1, 1.0, &params, 4096, 1, FixedAsync::Input)
        .expect("legal parameters");
    let wave: Vec<f64> = x.iter().map(|s| f64::from(*s)).collect();
    let frames = wave.len();
    let input = InterleavedSlice::new(&wave, 1, frames).expect("one channel");
    resampler.process_all(&input, frames, None).expect("one channel").take_data()
}

/// What is left of `y` after a least-squares sine at `cycles` a frame is taken out, against it; the
/// first and last 2000 frames left out.
fn thdn_db(y: &[f64], cycles: f64) -> f64 {
    let y = &y[2_000..y.len() - 2_000];
    // Whole multiples of the period would make cosine and sine orthogonal; so many periods nearly do:
    // the fit is repeated on what is left until nothing more comes out.
    let mut rest = y.to_vec();
    let (mut a, mut b) = (0.0, 0.0);
    for _ in 0..12 {
        let (mut c, mut s) = (0.0, 0.0);
        for (n, v) in rest.iter().enumerate() {
            let w = TAU * (cycles * n as f64).fract();
            c += v * w.cos();
            s += v * w.sin();
        }
        let (c, s) = (2.0 * c / y.len() as f64, 2.0 * s / y.len() as f64);
        a += c;
        b += s;
        for (n, v) in rest.iter_mut().enumerate() {
            let w = TAU * (cycles * n as f64).fract();
            *v -= c * w.cos() + s * w.sin();
        }
    }
    20.0 * (rms(&rest) / (f64::hypot(a, b) / 2f64.sqrt())).log10()
}
