//! The sound engine without a device: what it plays, that nothing clicks, that it leaves memory alone.

mod playback_support;

use std::f64::consts::TAU;
use std::sync::Arc;

use playback_support::{same_in_any_blocks, touches};
use proptest::prelude::*;
use seamwright::audio::{AudioBuf, signals};
use seamwright::playback::engine::{Engine, START_VOLUME, Trash};
use seamwright::playback::message::{Message, PlayLoop, Playable, Side};
use seamwright::units::{FrameRange, SampleRate};

const DEVICE: SampleRate = SampleRate::DELIVERY;

// ---- helpers ------------------------------------------------------------------------------------

fn mono(samples: Vec<f32>) -> AudioBuf {
    AudioBuf::mono(samples, DEVICE).unwrap()
}

fn a_loop(start: u64, end: u64, tail: Vec<f32>) -> PlayLoop {
    let tail = if tail.is_empty() { vec![] } else { vec![tail] };
    PlayLoop { range: FrameRange::new(start, end), tail: Arc::new(tail), compared: Default::default() }
}

fn playable(rendered: AudioBuf, looping: Option<PlayLoop>) -> Box<Playable> {
    Box::new(Playable { rendered, source: None, removed: None, looping })
}

fn play(what: Box<Playable>, from: u64) -> Message {
    Message::Play { what, from, side: Side::Rendered }
}

/// An engine at full volume, set while silent, so that samples pass as they are.
fn loud() -> Engine {
    let mut e = Engine::new(DEVICE);
    assert!(e.apply(Message::SetVolume(1.0)).is_none());
    e
}

/// The next `frames` frames, left and right.
fn run(e: &mut Engine, frames: usize) -> (Vec<f32>, Vec<f32>) {
    let mut out = vec![9.0; 2 * frames];
    e.render(&mut out);
    (out.iter().step_by(2).copied().collect(), out.iter().skip(1).step_by(2).copied().collect())
}

fn left(e: &mut Engine, frames: usize) -> Vec<f32> {
    run(e, frames).0
}

fn largest_step(x: &[f32]) -> f64 {
    x.windows(2).map(|w| f64::from((w[1] - w[0]).abs())).fold(0.0, f64::max)
}

fn peak(x: &[f32]) -> f32 {
    seamwright::audio::level::peak(x)
}

/// Steps that a sine of amplitude `a` can make while two readings of it are crossfaded over 10 ms:
/// the amplitude stays `a` when the gains know how alike they are, and is √2·a at most when they
/// do not; the gains themselves move by at most 1.5·√2 (the slope of the smooth step in the middle,
/// over the root of ½) over 480 frames each.
fn allowed_step(a: f64, hz: f64) -> f64 {
    a * (2f64.sqrt() * TAU * hz / 48_000.0 + 2.0 * 1.5 * 2f64.sqrt() / 480.0)
}

// ---- what is played ------------------------------------------------------------------------------

#[test]
fn samples_pass_bit_for_bit_at_the_devices_rate() {
    let x: Vec<f32> = signals::white_noise(0.25, 5_000, 1);
    let y: Vec<f32> = signals::white_noise(0.25, 5_000, 2);
    let mut e = loud();
    e.apply(play(playable(mono(x.clone()), None), 0));
    let (l, r) = run(&mut e, 5_000);
    assert!(l == x && r == x, "one channel plays on both");
    assert_eq!(e.position(), None, "it is over");
    assert_eq!(run(&mut e, 10).0, [0.0; 10]);
    let three = AudioBuf::new(vec![x.clone(), y.clone(), vec![0.4; 5_000]], DEVICE).unwrap();
    e.apply(play(playable(three, None), 0));
    let (l, r) = run(&mut e, 5_000);
    assert!(l == x && r == y, "of three channels the first two play");
}

/// The sequence written down directly: the sound up to the loop's end with the tail in place, then
/// the loop over and over.
fn unrolled(x: &[f32], l: &PlayLoop, frames: usize) -> Vec<f32> {
    let mut heard = x.to_vec();
    let (start, end) = (l.range.start.0 as usize, l.range.end.0 as usize);
    if let Some(t) = l.tail.first() {
        heard[end - t.len()..end].copy_from_slice(t);
    }
    let mut out = heard[..end].to_vec();
    while out.len() < frames {
        out.extend_from_slice(&heard[start..end]);
    }
    out.truncate(frames);
    out
}

#[test]
fn loop_is_exact_over_many_rounds() {
    let x = signals::white_noise(0.25, 3_000, 5);
    for (start, end, tail) in
        [(1_000, 2_203, 100), (0, 3_000, 0), (2_999, 3_000, 1), (10, 42, 32), (500, 501, 0)]
    {
        let l = a_loop(start, end, signals::white_noise(0.2, tail, 6));
        let mut e = loud();
        e.apply(play(playable(mono(x.clone()), Some(l.clone())), 0));
        assert_eq!(left(&mut e, 100_000), unrolled(&x, &l, 100_000), "{start}..{end}");
        assert!(e.position().is_some_and(|p| (start..end).contains(&p)));
    }
}

/// A loop of whole periods of a sine, read at another rate, is a sine without end: the reading
/// must stay in phase for ever. Truth: the sine itself.
#[test]
fn loop_at_another_rate_neither_drifts_nor_clicks() {
    let rate = SampleRate::new(44_100).unwrap();
    // 441 Hz has a period of exactly 100 frames.
    let sound = AudioBuf::mono(signals::sine(441.0, 0.4, 44_100.0, 9_000), rate).unwrap();
    let mut e = loud();
    e.apply(play(playable(sound, Some(a_loop(3_000, 5_700, vec![]))), 0));
    let heard = left(&mut e, 48_000 * 30);
    let worst = heard
        .iter()
        .enumerate()
        .skip(10)
        .map(|(n, h)| (f64::from(*h) - 0.4 * (TAU * 441.0 * n as f64 / 48_000.0).sin()).abs());
    let worst = 20.0 * (worst.fold(0.0, f64::max) / 0.4).log10();
    // The interpolation alone: its own test in playback::read allows −84 dB at 440 Hz (and
    // 0.04 dB more at 441).
    assert!(worst < -83.9, "{worst:.1} dB");
}

#[test]
fn a_start_beyond_the_loop_plays_to_the_end() {
    let x = signals::sine(100.0, 0.3, 48_000.0, 4_000);
    let mut e = loud();
    e.apply(play(playable(mono(x.clone()), Some(a_loop(100, 2_000, vec![]))), 3_000));
    let heard = left(&mut e, 1_100);
    // After the fade-in of 3 ms (144 frames) it is the sound itself.
    assert_eq!(heard[150..1_000], x[3_150..]);
    assert_eq!(peak(&heard[1_000..]), 0.0);
    assert!(heard[0] == 0.0 && e.position().is_none());
}

#[test]
fn source_takes_over_without_a_gap_and_is_silent_beyond_its_end() {
    let (a, b) = (signals::sine(200.0, 0.4, 48_000.0, 48_000), signals::sine(200.0, 0.2, 48_000.0, 24_000));
    let what =
        Playable { rendered: mono(a.clone()), source: Some(mono(b.clone())), removed: None, looping: None };
    let mut e = loud();
    e.apply(Message::Play { what: Box::new(what), from: 0, side: Side::Rendered });
    let mut heard = left(&mut e, 5_000);
    assert_eq!(heard, a[..5_000]);
    e.apply(Message::SetSide(Side::Source));
    heard.extend(left(&mut e, 5_000));
    // 8 ms = 384 frames later only the source is there; between, nothing softer than the softer.
    assert_eq!(heard[5_384..], b[5_384..10_000]);
    for n in 5_000..5_384 {
        let (low, high) = (b[n].abs(), a[n].abs());
        assert!(heard[n].abs() >= low - 1e-6 && heard[n].abs() <= high + 1e-6);
    }
    assert!(largest_step(&heard) <= allowed_step(0.4, 200.0));
    let rest = left(&mut e, 38_000);
    assert_eq!(peak(&rest[14_000..]), 0.0, "the source is shorter");
    assert_eq!(e.position(), None, "the take is over");
}

/// Three sounds of one length, switched while they play: always a mix whose shares sum to one.
#[test]
fn what_was_removed_takes_over_without_a_gap_from_either_side() {
    let level = |v: f32| mono(vec![v; 40_000]);
    let what =
        Playable { rendered: level(0.2), source: Some(level(0.4)), removed: Some(level(0.1)), looping: None };
    let mut e = loud();
    e.apply(Message::Play { what: Box::new(what), from: 0, side: Side::Rendered });
    assert_eq!(left(&mut e, 1_000)[999], 0.2);
    let way = [(Side::Removed, 0.2, 0.1), (Side::Source, 0.1, 0.4), (Side::Removed, 0.4, 0.1)];
    for (side, from, to) in way.into_iter().chain([(Side::Rendered, 0.1, 0.2)]) {
        e.apply(Message::SetSide(side));
        let heard = left(&mut e, 1_000);
        // 8 ms = 384 frames later it is there to the bit; between, never outside the two.
        assert_eq!(heard[384], to, "{side:?}");
        let (low, high) = (f32::min(from, to), f32::max(from, to));
        assert!(heard.iter().all(|v| (low - 1e-6..=high + 1e-6).contains(v)), "{side:?}");
        // The smooth step is steepest in the middle: 1.5 over its length.
        assert!(largest_step(&heard) <= 1.5 * f64::from(high - low) / 384.0 + 1e-6);
    }
    // Turned round half way: no step either.
    e.apply(Message::SetSide(Side::Source));
    let mut heard = left(&mut e, 150);
    e.apply(Message::SetSide(Side::Removed));
    heard.extend(left(&mut e, 500));
    assert!(largest_step(&heard) <= 1.5 * 0.3 / 384.0 + 1e-6);
    assert_eq!(heard[649], 0.1);
}

#[test]
fn where_nothing_was_removed_there_is_silence() {
    let mut e = loud();
    let what = playable(mono(vec![0.3; 5_000]), None);
    e.apply(Message::Play { what, from: 0, side: Side::Removed });
    assert_eq!(peak(&left(&mut e, 2_000)), 0.0);
}

#[test]
fn without_a_source_the_rendered_take_sounds_on_both_sides() {
    let x = signals::sine(200.0, 0.4, 48_000.0, 9_000);
    let mut e = loud();
    e.apply(Message::Play { what: playable(mono(x.clone()), None), from: 0, side: Side::Source });
    e.apply(Message::SetSide(Side::Source));
    assert_eq!(left(&mut e, 9_000), x);
}

// ---- changes without a click -----------------------------------------------------------------------

#[test]
fn moving_the_loop_while_it_plays_does_not_click() {
    let (hz, a) = (300.0, 0.3);
    let x = signals::sine(hz, a, 48_000.0, 96_000);
    let mut e = loud();
    // 300 Hz has a period of 160 frames.
    e.apply(play(playable(mono(x), Some(a_loop(16_000, 48_000, vec![]))), 0));
    let mut heard = left(&mut e, 40_000);
    for (start, end) in [(16_000, 47_840), (8_000, 24_000), (8_160, 24_013), (5_000, 90_000), (3_000, 9_001)]
    {
        e.apply(Message::SetLoop(Some(Box::new(a_loop(start, end, vec![])))));
        let at = e.position().unwrap();
        // No seam of the odd loops in what follows: those would click by themselves.
        assert!((start..end - 490).contains(&at), "{at} in the loop {start}..{end}");
        heard.extend(left(&mut e, 490));
    }
    let worst = largest_step(&heard);
    assert!(worst <= allowed_step(a, hz), "{worst} against {}", allowed_step(a, hz));
    // Neither a dip nor a bump: the likeness is measured over 3 periods, so it is known to
    // 1/(2·2π·3) = 0.027, half of which comes into the power at the middle of the crossfade.
    assert!(peak(&heard) <= 1.02 * a as f32, "{}", peak(&heard));
}

#[test]
fn a_loop_of_whole_periods_keeps_its_phase_through_a_jump() {
    let x = signals::sine(300.0, 0.3, 48_000.0, 96_000);
    let mut e = loud();
    e.apply(play(playable(mono(x.clone()), None), 0));
    left(&mut e, 60_000);
    e.apply(Message::SetLoop(Some(Box::new(a_loop(16_000, 32_000, vec![])))));
    let crossing = left(&mut e, 480);
    // In phase the crossfade is by equal gain: the sound goes on as if nothing had happened.
    for (h, x) in crossing.iter().zip(&x[60_000..]) {
        assert!((h - x).abs() <= 4.0 * f32::EPSILON, "{h} {x}");
    }
    // 60 000 lies 44 000 into the loop of 16 000: at 16 000 + 12 000.
    assert_eq!(e.position(), Some(28_480));
    let heard = left(&mut e, 3_000);
    assert_eq!(heard, x[28_480..31_480]);
}

#[test]
fn leaving_the_loop_plays_to_the_end() {
    let x = signals::sine(300.0, 0.3, 48_000.0, 20_000);
    let mut e = loud();
    e.apply(play(playable(mono(x.clone()), Some(a_loop(1_600, 8_000, vec![]))), 0));
    left(&mut e, 10_000);
    let at = e.position().unwrap() as usize;
    assert_eq!(at, 3_600);
    e.apply(Message::SetLoop(None));
    let heard = left(&mut e, 16_500);
    for (h, x) in heard.iter().zip(&x[at..]) {
        // Two gains that add up to 1: two roundings of half a unit in the last place.
        assert!((h - x).abs() <= 0.3 * 2.0 * f32::EPSILON);
    }
    assert_eq!(peak(&heard[16_400..]), 0.0);
}

#[test]
fn a_new_rendering_goes_on_at_the_same_position() {
    let x = signals::sine(300.0, 0.4, 48_000.0, 96_000);
    let y: Vec<f32> = x.iter().map(|s| s * 0.5).collect();
    let mut e = loud();
    let l = a_loop(16_000, 48_000, vec![]);
    let held = Arc::clone(&l.tail);
    e.apply(play(playable(mono(x.clone()), Some(l)), 0));
    let mut heard = left(&mut e, 20_000);
    let back = e.apply(Message::Replace(playable(mono(y.clone()), Some(a_loop(16_000, 48_000, vec![])))));
    assert!(back.is_none() && e.take_trash().is_none(), "the old one still sounds");
    heard.extend(left(&mut e, 1_000));
    assert_eq!(e.position(), Some(21_000));
    assert_eq!(heard[20_481..], y[20_481..21_000]);
    assert!(largest_step(&heard) <= allowed_step(0.4, 300.0));
    assert_eq!(Arc::strong_count(&held), 2, "and is not freed by rendering");
    assert!(matches!(e.take_trash(), Some(Trash::Playable(_))));
    assert_eq!(Arc::strong_count(&held), 1);
    // With nothing playing it comes straight back.
    e.apply(Message::Stop);
    assert!(matches!(e.apply(Message::Replace(playable(mono(y), None))), Some(Trash::Playable(_))));
}

#[test]
fn a_rendering_with_a_shorter_loop_is_entered_in_phase() {
    let x = signals::sine(300.0, 0.3, 48_000.0, 96_000);
    let mut e = loud();
    e.apply(play(playable(mono(x.clone()), Some(a_loop(16_000, 48_000, vec![]))), 0));
    let mut heard = left(&mut e, 40_000);
    e.apply(Message::Replace(playable(mono(x[..32_000].to_vec()), Some(a_loop(16_000, 24_000, vec![])))));
    heard.extend(left(&mut e, 20_000));
    assert!(largest_step(&heard) <= allowed_step(0.3, 300.0));
    assert!(e.position().is_some_and(|p| (16_000..24_000).contains(&p)));
}

#[test]
fn a_replacement_at_another_rate_goes_on_at_the_same_moment() {
    let mut e = loud();
    e.apply(play(playable(mono(vec![0.1; 48_000]), None), 0));
    left(&mut e, 24_000);
    let half = AudioBuf::mono(vec![0.1; 24_000], SampleRate::new(24_000).unwrap()).unwrap();
    e.apply(Message::Replace(playable(half, None)));
    assert_eq!(e.position(), Some(12_000));
    left(&mut e, 1_000);
    assert_eq!(e.position(), Some(12_500));
}

#[test]
fn seeking_and_playing_again_fade_the_old_out() {
    let (hz, a) = (300.0, 0.3);
    let x = signals::sine(hz, a, 48_000.0, 96_000);
    let mut e = loud();
    e.apply(play(playable(mono(x.clone()), None), 0));
    let mut heard = left(&mut e, 10_000);
    e.apply(Message::Seek(50_060));
    heard.extend(left(&mut e, 1_000));
    assert_eq!(heard[10_480..], x[50_540..51_060]);
    e.apply(play(playable(mono(x.clone()), None), 30_000));
    heard.extend(left(&mut e, 1_000));
    assert_eq!(e.position(), Some(31_000));
    // Three gains at most move at once, the fade-in over 3 ms (1.5/144 at its steepest).
    assert!(largest_step(&heard) <= allowed_step(a, hz) + a * 1.5 / 144.0);
    assert!(matches!(e.take_trash(), Some(Trash::Playable(_))));
    e.apply(Message::Seek(u64::MAX));
    left(&mut e, 1_000);
    assert_eq!(e.position(), None);
}

#[test]
fn stop_fades_within_thirty_milliseconds_to_silence() {
    let mut e = loud();
    let what = playable(mono(signals::sine(300.0, 0.4, 48_000.0, 9_600)), Some(a_loop(1_600, 8_000, vec![])));
    e.apply(play(what, 0));
    let mut heard = left(&mut e, 5_000);
    e.apply(Message::Stop);
    assert_eq!(e.position(), None);
    let out = left(&mut e, 3_000);
    heard.extend(&out);
    assert!(peak(&out[480..720]) > 0.01, "not cut off before 15 ms");
    assert_eq!(peak(&out[1_440..]), 0.0);
    assert!(largest_step(&heard) <= allowed_step(0.4, 300.0));
    assert!(matches!(e.take_trash(), Some(Trash::Playable(_))));
}

#[test]
fn a_storm_of_messages_stays_smooth() {
    // One message every 60 frames, far faster than the crossfades: voices have to be taken away.
    let (hz, a) = (100.0, 0.1);
    let x = signals::sine(hz, a, 48_000.0, 96_000);
    let mut e = loud();
    e.apply(play(playable(mono(x.clone()), Some(a_loop(4_800, 48_000, vec![]))), 0));
    let mut heard = left(&mut e, 10_000);
    let calm = largest_step(&heard);
    for n in 0..200u64 {
        if n % 2 == 0 {
            e.apply(Message::SetLoop(Some(Box::new(a_loop(4_800 + 480 * (n % 7), 24_000, vec![])))));
        } else {
            e.apply(Message::Replace(playable(mono(x.clone()), Some(a_loop(4_800, 30_240, vec![])))));
        }
        heard.extend(left(&mut e, 60));
    }
    heard.extend(left(&mut e, 4_000));
    // All readings are in phase here, the gains add up to 1, and what is taken away bridges its step.
    let worst = largest_step(&heard);
    assert!(worst <= 2.0 * calm, "{worst} against {calm}");
}

// ---- levels --------------------------------------------------------------------------------------

#[test]
fn starts_quiet_and_moves_smoothly() {
    let mut e = Engine::new(DEVICE);
    assert!((20.0 * START_VOLUME.log10() + 20.0).abs() < 1e-4);
    e.apply(play(playable(mono(vec![0.5; 48_000]), None), 0));
    let mut heard = left(&mut e, 1_000);
    assert!(heard.iter().all(|s| *s == 0.5 * START_VOLUME));
    e.apply(Message::SetVolume(0.8));
    heard.extend(left(&mut e, 2_000));
    // 30 ms are 1440 frames; the smooth step is 1.5 times as steep as a line.
    assert!(largest_step(&heard) <= 0.5 * 0.7 * 1.5 / 1_440.0 * 1.01);
    assert_eq!(heard[2_999], 0.4);
    for (set, want) in [(7.0, 1.0), (-1.0, 0.0), (f32::NAN, START_VOLUME)] {
        e.apply(Message::SetVolume(set));
        assert_eq!(left(&mut e, 2_000)[1_999], 0.5 * want, "{set}");
    }
    let levels = e.take_levels();
    assert_eq!((levels.peak, levels.limited), ([0.5, 0.5], false));
    assert_eq!(e.take_levels().peak, [0.0, 0.0]);
}

#[test]
fn nothing_leaves_above_minus_one_decibel_nor_what_is_no_number() {
    let ceiling = 10f32.powf(-1.0 / 20.0);
    let mut x: Vec<f32> = signals::sine(220.0, 3.0, 48_000.0, 24_000);
    x[5_000] = f32::MAX;
    x[5_001] = f32::MIN;
    let tail = vec![f32::NAN, f32::INFINITY, 0.1, f32::NEG_INFINITY, 1e30];
    for rate in [48_000, 44_100, 96_000] {
        let sound = AudioBuf::mono(x.clone(), SampleRate::new(rate).unwrap()).unwrap();
        let mut e = loud();
        e.apply(play(playable(sound, Some(a_loop(10_000, 20_000, tail.clone()))), 0));
        let (l, r) = run(&mut e, 96_000);
        for s in l.iter().chain(&r) {
            assert!(s.is_finite() && s.abs() <= ceiling, "{s}");
        }
        assert!(e.take_levels().limited);
        assert!(peak(&l[90_000..]) > 0.5, "it still sounds");
    }
}

// ---- blocks and memory -----------------------------------------------------------------------------

/// A message that can be made twice.
#[derive(Debug, Clone)]
enum Plan {
    Play(u64, usize, bool),
    Replace(usize),
    Loop(u64, u64, usize),
    NoLoop,
    Side(bool),
    Seek(u64),
    Stop,
    Volume(f32),
}

fn sounds() -> Vec<AudioBuf> {
    let stereo = vec![signals::sine(330.0, 0.6, 48_000.0, 6_000), signals::white_noise(0.3, 6_000, 9)];
    vec![
        mono(signals::sine(220.0, 0.5, 48_000.0, 5_000)),
        AudioBuf::new(stereo, DEVICE).unwrap(),
        AudioBuf::mono(signals::white_noise(0.4, 7_000, 8), SampleRate::new(44_100).unwrap()).unwrap(),
        AudioBuf::mono(signals::sine(500.0, 2.0, 96_000.0, 9_000), SampleRate::new(96_000).unwrap()).unwrap(),
    ]
}

fn made(plan: &Plan, sounds: &[AudioBuf]) -> Message {
    let sound = |n: usize| {
        let rendered = sounds[n % sounds.len()].clone();
        let source = (!n.is_multiple_of(3)).then(|| rendered.part(FrameRange::new(0, 4_000)));
        let looping =
            (!n.is_multiple_of(2)).then(|| a_loop(700 + n as u64, 3_000, signals::sine(90.0, 0.2, 48e3, 50)));
        Box::new(Playable { rendered, source, removed: None, looping })
    };
    let side = |s: bool| if s { Side::Source } else { Side::Rendered };
    match *plan {
        Plan::Play(from, n, s) => Message::Play { what: sound(n), from, side: side(s) },
        Plan::Replace(n) => Message::Replace(sound(n)),
        Plan::Loop(start, length, tail) => {
            let tail = signals::sine(70.0, 0.2, 48e3, tail);
            Message::SetLoop(Some(Box::new(a_loop(start, start + length, tail))))
        }
        Plan::NoLoop => Message::SetLoop(None),
        Plan::Side(s) => Message::SetSide(side(s)),
        Plan::Seek(to) => Message::Seek(to),
        Plan::Stop => Message::Stop,
        Plan::Volume(v) => Message::SetVolume(v),
    }
}

fn any_plan() -> impl Strategy<Value = Plan> {
    prop_oneof![
        3 => (0u64..7_000, 0usize..12, any::<bool>()).prop_map(|(f, n, s)| Plan::Play(f, n, s)),
        2 => (0usize..12).prop_map(Plan::Replace),
        4 => (0u64..9_000, 0u64..3_000, 0usize..200).prop_map(|(s, l, t)| Plan::Loop(s, l, t)),
        1 => Just(Plan::NoLoop),
        2 => any::<bool>().prop_map(Plan::Side),
        1 => (0u64..12_000).prop_map(Plan::Seek),
        1 => Just(Plan::Stop),
        1 => (-0.5f32..1.5).prop_map(Plan::Volume),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, failure_persistence: None, ..Default::default() })]
    #[test]
    fn blocks_of_any_size_give_the_same_bits(
        script in prop::collection::vec((any_plan(), 0usize..1_500), 1..25),
        block in 1usize..=4096,
    ) {
        let sounds = sounds();
        let messages = || script.iter().map(|(plan, frames)| (made(plan, &sounds), *frames)).collect();
        same_in_any_blocks(DEVICE, messages, block, Engine::position)?;
    }
}

#[test]
fn memory_is_left_alone() {
    let sounds = sounds();
    let plans: Vec<Plan> = (0..400u64)
        .map(|n| match n % 8 {
            0 => Plan::Play(n * 7, n as usize / 8, n % 3 == 0),
            1 | 5 => Plan::Loop(n * 11 % 5_000, 400 + n, n as usize % 100),
            2 => Plan::Side(n % 16 < 8),
            3 => Plan::Replace(n as usize),
            4 => Plan::Seek(n * 13 % 6_000),
            6 => Plan::Volume(n as f32 / 400.0),
            _ if n % 40 == 7 => Plan::Stop,
            _ => Plan::NoLoop,
        })
        .collect();
    for every in [1_usize, 37, 700] {
        let mut messages: Vec<Message> = plans.iter().rev().map(|p| made(p, &sounds)).collect();
        let mut trash: Vec<Trash> = Vec::with_capacity(4 * messages.len());
        let mut out = vec![0f32; 2 * every];
        let mut e = Engine::new(DEVICE);
        let touched = touches(|| {
            while let Some(m) = messages.pop() {
                trash.extend(e.apply(m));
                e.render(&mut out);
                // Only now and then: trash has to wait inside too.
                if messages.len().is_multiple_of(5) {
                    trash.extend(e.take_trash());
                }
                e.take_levels();
            }
        });
        assert_eq!(touched, 0, "a message every {every} frames");
        assert!(!trash.is_empty());
    }
    // The counter counts.
    assert_eq!(touches(|| drop(std::hint::black_box(Box::new(1u8)))), 2);
}
