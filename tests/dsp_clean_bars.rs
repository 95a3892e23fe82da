//! What cleaning gives on the development set, against what it shall give (medians, and each take where
//! that is said); `cargo bench --bench clean` prints the whole table, beside a textbook gain.

use rayon::prelude::*;
use seamwright::audio::AudioBuf;
use seamwright::dsp::clean::{CleanParams, Plan, learn};
use seamwright::dsp::pitch::{F0Params, track_f0};
use seamwright::units::{FrameRange, SampleRate};

#[path = "reference/clean_measures.rs"]
mod measures;
#[path = "reference/clean_takes.rs"]
#[allow(dead_code)]
mod takes;
use measures::{kurtosis, log_spectral_distance, median, segmental, si_sdr, snr};
use takes::{HEAD_S, HELD_S, RATE, Take, development_set};

/// What is measured of a take: by how many dB the whole and its attack got better, and what must stay.
struct Row {
    si_sdr: f64,
    segmental: f64,
    attack: f64,
    harm: f64,
    kurtosis: f64,
    room: f64,
    end: f64,
    spectrum: f64,
}

fn measured(take: &Take, snr_db: f64) -> Row {
    let at = |s: f64| (s * RATE) as usize;
    let rate = SampleRate::new(RATE as u32).unwrap();
    let (x, _) = take.recorded(snr_db);
    let audio = AudioBuf::mono(x.clone(), rate).unwrap();
    let profile = learn(&[audio.part(FrameRange::new(0, at(HEAD_S) as u64 - 2_400))]).unwrap();
    let track = track_f0(&x, rate, &F0Params::default()).unwrap();
    let plan = Plan::new(&audio, &profile, Some(&track), 0.0, &CleanParams::default()).unwrap();
    let minus = |a: &[f32], b: &[f32]| a.iter().zip(b).map(|(a, b)| a - b).collect::<Vec<f32>>();
    let y = minus(&x, &plan.removed_from(0));
    let harmed = minus(&take.note, &plan.removed(&take.note));
    let (from, to) = take.sounds;
    let (note, room) = (from..to, at(0.1)..at(HEAD_S - 0.1));
    let (attack, end) = (from..from + at(0.08), at(HEAD_S + HELD_S)..to.min(at(HEAD_S + HELD_S + 0.15)));
    let better = |f: &dyn Fn(&[f32], &[f32]) -> f64, r: std::ops::Range<usize>| {
        f(&take.note[r.clone()], &y[r.clone()]) - f(&take.note[r.clone()], &x[r])
    };
    let power = |x: &[f32]| x.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>().max(1e-20);
    let level = |x: &[f32]| median(&x.chunks(960).map(power).collect::<Vec<_>>());
    Row {
        si_sdr: better(&si_sdr, note.clone()),
        segmental: better(&segmental, note.clone()),
        attack: better(&snr, attack),
        harm: si_sdr(&take.note[note.clone()], &harmed[note.clone()]),
        kurtosis: kurtosis(&y[room.clone()]) / kurtosis(&x[room.clone()]),
        room: 10.0 * (level(&x[room.clone()]) / level(&y[room])).log10(),
        end: 10.0 * (power(&y[end.clone()]) / power(&take.note[end])).log10(),
        spectrum: log_spectral_distance(&take.note[note.clone()], &y[note.clone()])
            - log_spectral_distance(&take.note[note.clone()], &x[note]),
    }
}

#[test]
fn what_it_shall_give_it_gives() {
    let takes: Vec<Take> = development_set();
    let asked = [(40.0, 6.0, 3.0, 55.0), (25.0, 10.0, 4.0, 45.0), (15.0, 12.0, 6.0, 36.0)];
    for (snr_db, gain, attack, harm) in asked {
        let rows: Vec<Row> = takes.par_iter().map(|t| measured(t, snr_db)).collect();
        let middle = |f: &dyn Fn(&Row) -> f64| median(&rows.iter().map(f).collect::<Vec<_>>());
        let told = [
            middle(&|r| r.si_sdr),
            middle(&|r| r.segmental),
            middle(&|r| r.attack),
            middle(&|r| r.harm),
            middle(&|r| r.end),
        ];
        assert!(told[0] >= gain && told[1] >= gain, "{snr_db} dB: {told:.2?}");
        assert!(told[2] >= attack && told[3] >= harm, "{snr_db} dB: {told:.2?}");
        assert!(told[4].abs() <= 0.3, "{snr_db} dB: {told:.2?}");
        for (row, take) in rows.iter().zip(&takes) {
            // No take is worse than its input, in no part.
            assert!(row.si_sdr > 0.0 && row.segmental > 0.0 && row.attack > 0.0, "{snr_db} dB {}", take.name);
            assert!(row.spectrum < 0.0, "{snr_db} dB {}", take.name);
            assert!(row.kurtosis <= 1.5 && row.room >= 20.0, "{snr_db} dB {}", take.name);
        }
    }
}
