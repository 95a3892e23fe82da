//! Stacks of loops against arithmetic that can be done by hand.

use seamwright::audio::{AudioBuf, signals};
use seamwright::dsp::looping::stack::{
    StackLoop, StackParams, beat_of, choose_apart, level_dips, near_misses, report,
};
use seamwright::error::ErrorKind;
use seamwright::units::{FrameRange, SampleRate};

fn lasting(entry_s: f64, length_s: f64, score: f64) -> StackLoop {
    StackLoop { entry_s, length_s, score }
}

/// By hand: entered at 1 s, 2 s long: the end meets the start at 3, 5, 7, 9 s. A place half a second
/// into it is played at 1.5, 3.5, … s.
#[test]
fn joins_come_every_length() {
    let l = lasting(1.0, 2.0, 90.0);
    assert_eq!(l.joins(10.0), [3.0, 5.0, 7.0, 9.0]);
    assert_eq!(l.joins(3.0), [3.0]);
    assert!(l.joins(2.9).is_empty());
    assert_eq!(l.times_of(0.5, 6.0), [1.5, 3.5, 5.5]);
    assert!(lasting(0.0, 0.0, 1.0).joins(10.0).is_empty());
}

/// By hand: 2 and 3 s meet after 6 s, in 3 and 2 rounds; 2 and 2 s after 2 s; 2 and 2.5 s after 10 s.
/// 1 and 1.001 s drift apart by a millisecond a round: 20 ms is let pass, so they meet at once.
#[test]
fn common_beats_are_those_of_arithmetic() {
    assert_eq!(beat_of(2.0, 3.0, 60.0), Some((6.0, (3, 2))));
    assert_eq!(beat_of(2.0, 2.0, 60.0), Some((2.0, (1, 1))));
    assert_eq!(beat_of(2.0, 2.5, 60.0), Some((10.0, (5, 4))));
    assert_eq!(beat_of(2.0, 3.0, 5.9), None);
    assert_eq!(beat_of(1.0, 1.001, 60.0).map(|b| b.1), Some((1, 1)));
    assert_eq!(beat_of(0.0, 1.0, 60.0), None);
}

/// By hand: joins at 2, 4, 6, … and 2.95, 5.90, 8.85, … (entered at 0): 5.90 and 6 are 0.1 apart,
/// and the first closer than 80 ms: k·2.95 against the next even number: 2.95, 5.90 (0.10), 8.85, 11.80,
/// 14.75, 17.70, 20.65, 23.60, 26.55, 29.50, 32.45, 35.40, 38.35, 41.30, 44.25, 47.20, 50.15, 53.10,
/// 56.05 (0.05 after 56).
#[test]
fn the_first_near_collision_is_found() {
    let loops = [Some(lasting(0.0, 2.0, 90.0)), None, Some(lasting(0.0, 2.95, 90.0))];
    let r = report(&loops, 180.0, 0.08).unwrap();
    assert_eq!(r.joins[0].len(), 90);
    assert!(r.joins[1].is_empty());
    let first = r.first_near.unwrap();
    assert!((first.time_s - 56.05).abs() < 1e-9 && (first.gap_s - 0.05).abs() < 1e-9, "{first:?}");
    assert_eq!(first.layers, (0, 2));
    // 59·2 = 118 s and 40·2.95 = 118 s exactly, every 118 s; 19·2.95 = 56.05, 21·2.95 = 61.95, 40·2.95,
    // 59·2.95 = 174.05: four up to 180 s (61·2.95 = 179.95 is 0.05 off 180: five).
    assert_eq!(r.near_count, 5);
    assert_eq!(r.common_beat.unwrap().layers, (0, 2));
    // 19 rounds of 2.95 against 28 of 2: 50 ms off; 20 ms off or less first at 118 s.
    assert!((r.common_beat.unwrap().seconds - 118.0).abs() < 1e-9, "{:?}", r.common_beat);
    assert!(near_misses(&r.joins, 0.04).iter().all(|n| n.gap_s < 0.04));
}

/// Lengths of 2 and 3 s, entered half a second apart, never come nearer than half a second: the
/// candidate that meets them at once is passed over, at 5 points' cost.
#[test]
fn joins_are_kept_apart_where_candidates_allow() {
    let layers = [
        vec![lasting(0.0, 3.0, 95.0)],
        // Meets the first at 6 s, 12 s, …
        vec![lasting(0.0, 2.0, 99.0), lasting(0.5, 2.0, 94.0), lasting(0.5, 2.0, 80.0)],
    ];
    let params = StackParams { least_beat_s: 5.0, ..StackParams::default() };
    let plan = choose_apart(&layers, &[], &params).unwrap();
    assert_eq!(plan.chosen, [Some(0), Some(1)]);
    assert_eq!(plan.given_up, [0.0, 5.0]);
    assert_eq!(plan.report.near_count, 0);
    assert!(plan.report.first_near.is_none());
    // No more than stated is given up: then they meet.
    let strict = StackParams { most_given_up: 4.0, ..params };
    let plan = choose_apart(&layers, &[], &strict).unwrap();
    assert_eq!(plan.chosen, [Some(0), Some(0)]);
    assert!((plan.report.first_near.unwrap().time_s - 6.0).abs() < 1e-9);
    // A locked loop stays, whatever it scores, and gives up nothing.
    let plan = choose_apart(&layers, &[None, Some(2)], &params).unwrap();
    assert_eq!(plan.chosen, [Some(0), Some(2)]);
    assert_eq!(plan.given_up[1], 0.0);
}

/// Of two choices that never collide the one without a short common beat is taken: 2 s against 2 s
/// comes back every 2 s, 2.41 s against 2 s collides sometime, 3 s against 2 s every 6 s.
#[test]
fn short_common_beats_count_against_a_choice() {
    let layers = [vec![lasting(0.0, 2.0, 95.0)], vec![lasting(1.0, 2.0, 95.0), lasting(0.5, 3.0, 95.0)]];
    let plan = choose_apart(&layers, &[], &StackParams::default()).unwrap();
    assert_eq!(plan.chosen, [Some(0), Some(1)]);
    assert!((plan.report.common_beat.unwrap().seconds - 6.0).abs() < 1e-9);
}

/// Six layers of twenty candidates: the whole choice is made at once, no worse than taking the best
/// scores, and the same each time.
#[test]
fn a_whole_set_is_chosen_at_once() {
    let layers: Vec<Vec<StackLoop>> = (0..6)
        .map(|l| {
            (0..20)
                .map(|c| {
                    let at = |k: usize| ((l * 41 + c * 7 + k) as f64 * 0.618_033_988_749_895).fract();
                    lasting(0.4 + 0.8 * at(0), 1.0 + 3.0 * at(1), 85.0 + 15.0 * at(2))
                })
                .collect()
        })
        .collect();
    let params = StackParams::default();
    let plan = choose_apart(&layers, &[], &params).unwrap();
    assert_eq!(plan, choose_apart(&layers, &[], &params).unwrap());
    let naive: Vec<Option<StackLoop>> =
        layers.iter().map(|l| l.iter().copied().max_by(|a, b| a.score.total_cmp(&b.score))).collect();
    let naive = report(&naive, 180.0, 0.08).unwrap();
    println!("chosen {} near-collisions, best scores {}", plan.report.near_count, naive.near_count);
    assert!(plan.report.near_count < naive.near_count, "{} {}", plan.report.near_count, naive.near_count);
    assert!(plan.given_up.iter().all(|g| (0.0..=10.0).contains(g)), "{:?}", plan.given_up);
}

#[test]
fn what_is_not_allowed_is_said() {
    let good = vec![lasting(0.0, 1.0, 90.0)];
    let params = StackParams::default();
    let wrong = [
        choose_apart(&[vec![lasting(0.0, 0.0, 90.0)]], &[], &params).unwrap_err(),
        choose_apart(&[vec![lasting(f64::NAN, 1.0, 90.0)]], &[], &params).unwrap_err(),
        choose_apart(std::slice::from_ref(&good), &[Some(1)], &params).unwrap_err(),
        choose_apart(std::slice::from_ref(&good), &[], &StackParams { until_s: 1e9, ..params }).unwrap_err(),
        choose_apart(&[good], &[], &StackParams { most_given_up: f64::NAN, ..params }).unwrap_err(),
    ];
    for e in wrong {
        assert_eq!(e.kind(), ErrorKind::InvalidParameter, "{e}");
        assert!(e.to_string().contains("allowed"), "{e}");
    }
    let none = choose_apart(&[Vec::new(), Vec::new()], &[], &params).unwrap();
    assert_eq!(none.chosen, [None, None]);
}

/// A steady tone whose level dips by 4 dB for 120 ms, 1.3 s into a loop of 3 s: a dip is found there,
/// once, and nowhere else. Analytic: a raised-cosine dip of depth d over w: the RMS over 60 of 120 ms
/// around the middle is 0.82 of it in dB (mean of ½+½cos over ±¼ turn: ½ + 1/π).
#[test]
fn a_dip_in_the_level_is_found() {
    let rate = SampleRate::DELIVERY;
    let tone = signals::sine(300.0, 0.3, 48_000.0, 5 * 48_000);
    let start = 24_000;
    let middle = start as f64 + 1.3 * 48_000.0;
    let x: Vec<f32> = tone
        .iter()
        .enumerate()
        .map(|(n, v)| {
            let turn = (n as f64 - middle) / (0.12 * 48_000.0);
            let dip = if turn.abs() < 0.5 { 0.5 + 0.5 * (std::f64::consts::TAU * turn).cos() } else { 0.0 };
            (f64::from(*v) * 10f64.powf(-4.0 * dip / 20.0)) as f32
        })
        .collect();
    let audio = AudioBuf::mono(x, rate).unwrap();
    let range = FrameRange::new(start, start + 3 * 48_000);
    let dips = level_dips(&audio, range).unwrap();
    assert_eq!(dips.len(), 1, "{dips:?}");
    assert!((dips[0].into_s - 1.3).abs() <= 0.01, "{dips:?}");
    assert!((dips[0].depth_db - 4.0 * (0.5 + 1.0 / std::f64::consts::PI)).abs() < 0.25, "{dips:?}");
    assert!((0.05..0.13).contains(&dips[0].length_s), "{dips:?}");
    // A loop that does not hold it has none; over the join none is made up.
    let steady = FrameRange::new(start + 2 * 48_000, start + 3 * 48_000 + 80);
    assert!(level_dips(&audio, steady).unwrap().is_empty());
    // The dip comes back every round: at entry + 1.3 s and every 3 s from there.
    let times = lasting(0.5, 3.0, 90.0).times_of(dips[0].into_s, 9.0);
    assert!(times.iter().zip([1.8, 4.8, 7.8]).all(|(t, w)| (t - w).abs() <= 0.01), "{times:?}");
}
