//! Groups of voices in the sound engine: a sum of sounds begun at one onset, at any pitch, changed
//! without a click, released, and nothing of it touching memory.

mod playback_support;

use std::f64::consts::TAU;
use std::sync::Arc;

use playback_support::{same_in_any_blocks, touches};
use proptest::prelude::*;
use seamwright::audio::{AudioBuf, signals};
use seamwright::playback::engine::{Engine, MOST_IN_GROUP, Trash};
use seamwright::playback::message::{
    Group, GroupFrom, GroupKey, GroupVoice, Message, Mix, PlayLoop, Playable, Side,
};
use seamwright::units::{FrameRange, SampleRate};

const DEVICE: SampleRate = SampleRate::DELIVERY;
const KEY: GroupKey = GroupKey(57);

fn mono(samples: Vec<f32>) -> AudioBuf {
    AudioBuf::mono(samples, DEVICE).unwrap()
}

fn a_loop(start: u64, end: u64) -> PlayLoop {
    PlayLoop { range: FrameRange::new(start, end), tail: Arc::new(vec![]), compared: Default::default() }
}

fn voice(rendered: AudioBuf, looping: Option<PlayLoop>, onset: u64, mix: Mix) -> GroupVoice {
    GroupVoice {
        what: Some(Box::new(Playable { rendered, source: None, removed: None, looping })),
        onset,
        period: 0.0,
        mix,
    }
}

fn start(key: GroupKey, from: GroupFrom, voices: Vec<GroupVoice>) -> Message {
    Message::StartGroup(Box::new(Group { key, from, voices }))
}

fn mix(gain: f32, pan: f32, ratio: f64) -> Mix {
    Mix { gain, pan, ratio }
}

fn loud() -> Engine {
    let mut e = Engine::new(DEVICE);
    e.apply(Message::SetVolume(1.0));
    e
}

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

/// A looped sound written down: `frames` of it, going round.
fn unrolled(x: &[f32], range: FrameRange, frames: usize) -> Vec<f32> {
    let mut out = x[..range.end.0 as usize].to_vec();
    while out.len() < frames {
        out.extend_from_slice(&x[range.as_usize()]);
    }
    out.truncate(frames);
    out
}

// ---- the sum ---------------------------------------------------------------------------------------

#[test]
fn a_group_is_the_sum_of_its_loops_begun_at_one_onset() {
    let parts =
        [(480u64, 2_000, 5_003, 0.5, 0.0), (720, 1_500, 9_001, 0.8, -1.0), (0, 3_000, 4_999, 0.3, 0.6)];
    let mut voices = Vec::new();
    let mut want = (vec![0f64; 200_000], vec![0f64; 200_000]);
    for (i, (onset, from, to, gain, pan)) in parts.into_iter().enumerate() {
        let x = signals::white_noise(0.12, 10_000, 3 + i as u64);
        // The one with the longest way to its onset begins at once, the others wait for it.
        let wait = 720 - onset as usize;
        let heard = unrolled(&x, FrameRange::new(from, to), 200_000 - wait);
        // Equal power: the squares of both sides make 2 wherever the voice stands.
        let (l, r) = ((1.0 - f64::from(pan as f32)).sqrt(), (1.0 + f64::from(pan as f32)).sqrt());
        assert!((l * l + r * r - 2.0).abs() < 1e-12);
        for (n, s) in heard.iter().enumerate() {
            want.0[n + wait] += f64::from(*s) * f64::from(gain as f32) * l;
            want.1[n + wait] += f64::from(*s) * f64::from(gain as f32) * r;
        }
        voices.push(voice(mono(x), Some(a_loop(from, to)), onset, mix(gain as f32, pan as f32, 1.0)));
    }
    let mut e = loud();
    assert!(matches!(e.apply(start(KEY, GroupFrom::Start, voices)), Some(Trash::Group(_))));
    assert_eq!(e.group_position(), Some((KEY, -720)));
    let (l, r) = run(&mut e, 200_000);
    assert_eq!(e.group_position(), Some((KEY, 200_000 - 720)));
    // Three products and two sums in single precision, each within half a unit of the last place of
    // at most 0.25: 6 roundings of 2⁻²⁶ at most.
    let room = 6.0 * 2f64.powi(-26);
    for (heard, want) in [(l, want.0), (r, want.1)] {
        for (n, (h, w)) in heard.iter().zip(&want).enumerate() {
            assert!((f64::from(*h) - w).abs() <= room, "frame {n}: {h} for {w}");
        }
    }
}

/// Frequency by the phase of a quadrature pair at the wanted frequency between two stretches: what
/// the phase turns in the time between them is what the frequency is off.
fn hertz(x: &[f32], near: f64) -> f64 {
    let phase = |from: usize, n: usize| {
        let (mut re, mut im) = (0.0, 0.0);
        for i in 0..n {
            // Hann's window keeps the image at −near out of it.
            let w = 0.5 - 0.5 * (TAU * i as f64 / n as f64).cos();
            let t = TAU * near * (from + i) as f64 / 48_000.0;
            re += f64::from(x[from + i]) * w * t.cos();
            im -= f64::from(x[from + i]) * w * t.sin();
        }
        im.atan2(re)
    };
    let n = 9_600;
    let apart = x.len() - n;
    let turn = (phase(apart, n) - phase(0, n) + TAU / 2.0).rem_euclid(TAU) - TAU / 2.0;
    near + turn / TAU * 48_000.0 / apart as f64
}

/// f = f₀·2^(c/1200) (the definition of the cent, Ellis 1885 in his translation of Helmholtz; from
/// memory).
#[test]
fn spread_voices_sound_at_their_pitch_to_a_tenth_of_a_cent_and_go_round_without_a_seam() {
    for cents in [-1_800.0, -700.0, -12.5, 0.0, 0.5, 250.0, 600.0, 1_200.0] {
        let ratio = (cents / 1200f64).exp2();
        // 300 Hz has 160 frames a period; the loop holds 75 of them and is gone round some 30 times.
        let x = signals::sine(300.0, 0.25, 48_000.0, 20_000);
        let mut e = loud();
        let v = voice(mono(x), Some(a_loop(4_000, 16_000)), 0, mix(1.0, 0.0, ratio));
        e.apply(start(KEY, GroupFrom::Start, vec![v]));
        let heard = left(&mut e, 480_000);
        let want = 300.0 * ratio;
        let off = 1_200.0 * (hertz(&heard[100..], want) / want).log2();
        // The estimator itself: rounding of the sums; the engine rounds the speed to 2⁻⁴⁵.
        assert!(off.abs() < 1e-4, "{cents}: off by {off} cents");
        // Against the tone itself: the interpolation's own −84 dB (its test in playback::read).
        let worst = (10..480_000)
            .map(|n| (f64::from(heard[n]) - 0.25 * (TAU * want * n as f64 / 48_000.0).sin()).abs())
            .fold(0.0, f64::max);
        assert!(20.0 * (worst / 0.25).log10() < -84.0, "{cents}: {worst}");
    }
}

#[test]
fn onsets_meet_at_any_speed_and_rate() {
    let half = SampleRate::new(24_000).unwrap();
    let bump = |onset: usize, rate: f64| -> Vec<f32> {
        // A Gaussian of 2 ms at the onset: narrow in time, and far below half the rate.
        (0..9_000)
            .map(|i| {
                let t = (i as f64 - onset as f64) / rate;
                (0.3 * (-0.5 * (t / 0.002).powi(2)).exp()) as f32
            })
            .collect()
    };
    let mut voices = vec![
        voice(mono(bump(3_000, 48_000.0)), None, 3_000, mix(1.0, -1.0, 1.0)),
        voice(AudioBuf::mono(bump(1_201, 24_000.0), half).unwrap(), None, 1_201, mix(1.0, 1.0, 1.25)),
    ];
    for _ in 0..2 {
        let mut e = loud();
        e.apply(start(KEY, GroupFrom::Start, voices.clone()));
        let lead = -e.group_position().unwrap().1;
        assert!((3_000..3_002).contains(&lead), "{lead}");
        let (l, r) = run(&mut e, 6_000);
        // The centre of gravity of either is where the onset was to be.
        for x in [l, r] {
            let sum: f64 = x.iter().map(|s| f64::from(*s)).sum();
            let centre = x.iter().enumerate().map(|(n, s)| n as f64 * f64::from(*s)).sum::<f64>() / sum;
            assert!((centre - lead as f64).abs() < 0.01, "{centre} for {lead}");
        }
        voices.reverse();
    }
}

#[test]
fn begun_later_it_stands_where_it_would_have_come() {
    let x = signals::white_noise(0.2, 10_000, 4);
    let parts = || {
        vec![
            voice(mono(x.clone()), Some(a_loop(2_000, 7_001)), 300, mix(1.0, -1.0, 1.0)),
            voice(mono(x.clone()), Some(a_loop(1_000, 9_000)), 40, mix(1.0, 1.0, 1.0)),
        ]
    };
    let mut whole = loud();
    whole.apply(start(KEY, GroupFrom::Start, parts()));
    let (l, r) = run(&mut whole, 150_000);
    let mut e = loud();
    e.apply(start(KEY, GroupFrom::At(2.5), parts()));
    assert_eq!(e.group_position(), Some((KEY, 120_000)));
    let (l2, r2) = run(&mut e, 20_000);
    // After the fade-in of 3 ms.
    assert!(
        l2[145..] == l[120_300 + 145..][..20_000 - 145] && r2[145..] == r[120_300 + 145..][..20_000 - 145]
    );
}

#[test]
fn several_keys_sound_together_and_each_is_let_go_alone() {
    let mut e = loud();
    let tone = |hz: f64| mono(signals::sine(hz, 0.2, 48_000.0, 20_000));
    for (key, hz, pan) in [(1, 300.0, -1.0), (2, 400.0, 1.0)] {
        let v = voice(tone(hz), Some(a_loop(4_800, 19_200)), 0, mix(0.7, pan, 1.0));
        e.apply(start(GroupKey(key), GroupFrom::Start, vec![v]));
    }
    let (l, r) = run(&mut e, 50_000);
    assert!(peak(&l[40_000..]) > 0.19 && peak(&r[40_000..]) > 0.19);
    e.apply(Message::Release(GroupKey(1)));
    let (l, r) = run(&mut e, 40_000);
    assert!(peak(&l[20_000..]) == 0.0 && peak(&r[20_000..]) > 0.19);
    e.apply(Message::Stop);
    run(&mut e, 2_000);
    assert_eq!((peak(&left(&mut e, 100)), e.group_position()), (0.0, None));
}

// ---- changes without a click -----------------------------------------------------------------------

const HZ: f64 = 300.0;
const A: f64 = 0.15;

fn tone(frames: usize) -> AudioBuf {
    mono(signals::sine(HZ, A, 48_000.0, frames))
}

/// Largest step of sines of [`HZ`] whose amplitudes make `a`, while gains over them move by at most
/// `moves` within `frames` by a smooth step (1.5 times as steep as a line).
fn allowed(a: f64, ratio: f64, moves: f64, frames: f64) -> f64 {
    a * TAU * HZ * ratio / 48_000.0 + moves * 1.5 / frames
}

#[test]
fn mute_level_and_pan_move_within_30_ms_without_a_click() {
    let mut e = loud();
    let two = || {
        vec![
            voice(tone(40_000), Some(a_loop(4_800, 33_600)), 0, mix(1.0, 0.0, 1.0)),
            voice(tone(40_000), Some(a_loop(8_000, 24_000)), 0, mix(1.0, 0.0, 1.0)),
        ]
    };
    e.apply(start(KEY, GroupFrom::Start, two()));
    let (mut l, mut r) = run(&mut e, 20_000);
    for (n, m) in [mix(0.0, 0.0, 1.0), mix(1.0, -1.0, 1.0), mix(0.3, 1.0, 1.0), mix(1.0, 0.0, 1.0)]
        .into_iter()
        .enumerate()
    {
        e.apply(Message::SetMix { key: KEY, voice: 1, mix: m });
        let (a, b) = run(&mut e, 3_000);
        if n == 0 {
            // 30 ms are 1440 frames: from there on only the other is heard, to the bit.
            let alone = signals::sine(HZ, A, 48_000.0, 40_000);
            assert!(a[1_440..] == alone[21_440..23_000]);
        }
        l.extend(a);
        r.extend(b);
    }
    // No gain moves by more than √2 at once; both tones together reach 2.5·A at most.
    for x in [&l, &r] {
        let (worst, most) =
            (largest_step(x), allowed((1.0 + 2f64.sqrt()) * A, 1.0, A * 2f64.sqrt(), 1_440.0));
        assert!(worst <= most, "{worst} against {most}");
    }
    // The measure sees a click: the same tone cut off at once.
    let cut: Vec<f32> = signals::sine(HZ, A, 48_000.0, 40).into_iter().chain([0.0; 4]).collect();
    assert!(largest_step(&cut) > allowed((1.0 + 2f64.sqrt()) * A, 1.0, A * 2f64.sqrt(), 1_440.0));
}

#[test]
fn spreading_glides_without_a_click() {
    let mut e = loud();
    e.apply(start(
        KEY,
        GroupFrom::Start,
        vec![voice(tone(40_000), Some(a_loop(4_800, 33_600)), 0, Mix::default())],
    ));
    let mut heard = left(&mut e, 10_000);
    for cents in [50.0, 100.0, 700.0, 1_200.0, -1_200.0f64] {
        e.apply(Message::SetMix { key: KEY, voice: 0, mix: mix(1.0, 0.0, (cents / 1_200.0).exp2()) });
        heard.extend(left(&mut e, 9_600));
    }
    assert!(largest_step(&heard) <= allowed(A, 2.0, 0.0, 1.0) * 1.001);
    // What it ends on is exact again: an octave below.
    let last = left(&mut e, 96_000);
    assert!((1_200.0 * (hertz(&last, 150.0) / 150.0).log2()).abs() < 1e-3);
}

#[test]
fn another_loop_for_one_voice_leaves_the_others_as_they_are() {
    let noise = signals::white_noise(0.1, 20_000, 6);
    let parts = |end: u64| {
        vec![
            voice(mono(noise.clone()), Some(a_loop(3_000, 17_003)), 120, mix(1.0, -1.0, 1.1)),
            voice(tone(40_000), Some(a_loop(4_800, end)), 0, mix(1.0, 1.0, 1.0)),
        ]
    };
    let (mut e, mut still) = (loud(), loud());
    for e in [&mut e, &mut still] {
        e.apply(start(KEY, GroupFrom::Start, parts(33_600)));
    }
    let mut heard = run(&mut e, 60_000);
    run(&mut still, 60_000);
    // The last one is out of phase; its seam does not come within what is listened to.
    for end in [16_000, 8_000, 38_400, 24_037] {
        e.apply(start(KEY, GroupFrom::Now, parts(end)));
        let (l, r) = run(&mut e, 480);
        let (same, _) = run(&mut still, 480);
        // Two readings of one place with gains that add up to 1: two roundings.
        for (a, b) in l.iter().zip(&same) {
            assert!((a - b).abs() <= 2.0 * 0.15 * f32::EPSILON, "{a} {b}");
        }
        heard.0.extend(l);
        heard.1.extend(r);
        assert_eq!(e.group_position(), still.group_position());
    }
    // The crossfade is by what the two have in common: neither a step nor a bump (see
    // playback_engine.rs for both bounds).
    let most = 2f64.sqrt() * A * (2f64.sqrt() * TAU * HZ / 48_000.0 + 2.0 * 1.5 * 2f64.sqrt() / 480.0);
    assert!(largest_step(&heard.1) <= most);
    assert!(f64::from(peak(&heard.1)) <= 1.02 * 2f64.sqrt() * A);
}

#[test]
fn layers_that_come_later_join_where_the_others_are() {
    let x = signals::white_noise(0.2, 20_000, 4);
    let first = || voice(mono(x.clone()), Some(a_loop(3_000, 17_003)), 100, mix(1.0, -1.0, 1.0));
    let second = || voice(mono(x.clone()), Some(a_loop(5_000, 12_000)), 700, mix(1.0, 1.0, 1.0));
    let mut e = loud();
    let silent = GroupVoice { what: None, onset: 0, period: 0.0, mix: Mix::default() };
    e.apply(start(KEY, GroupFrom::Start, vec![first(), silent]));
    run(&mut e, 30_100);
    e.apply(start(KEY, GroupFrom::Now, vec![first(), second()]));
    let (_, r) = run(&mut e, 1_000);
    // 30 000 after the onset the second is at 30 700 of its own, three rounds in.
    let want = unrolled(&x, FrameRange::new(5_000, 12_000), 40_000);
    assert!(r[145..].iter().zip(&want[30_845..]).all(|(a, b)| (a - b * 2f32.sqrt()).abs() <= 4e-8));
}

#[test]
fn a_release_plays_what_comes_after_the_loop_in_phase_or_fades() {
    let mut e = loud();
    // 160 frames a period; the tail of 20 000 frames goes on in phase with the loop.
    let with_tail = |frames: usize| {
        let mut v = voice(tone(frames), Some(a_loop(4_800, 20_000)), 0, Mix::default());
        v.period = 160.0;
        v
    };
    e.apply(start(KEY, GroupFrom::Start, vec![with_tail(40_000)]));
    let mut heard = left(&mut e, 33_333);
    e.apply(Message::Release(KEY));
    heard.extend(left(&mut e, 15_000));
    // A pure tone goes on as if nothing had happened.
    let whole = signals::sine(HZ, A, 48_000.0, heard.len());
    for (n, (h, w)) in heard.iter().zip(&whole).enumerate() {
        assert!((h - w).abs() <= 4.0 * f32::EPSILON, "{n}: {h} {w}");
    }
    let end = left(&mut e, 6_000);
    assert_eq!((peak(&end[5_200..]), e.group_position()), (0.0, None), "the tail is over");
    // Without a tail it fades out within a quarter of a second, going round.
    e.apply(start(KEY, GroupFrom::Start, vec![with_tail(20_100)]));
    let mut heard = left(&mut e, 33_333);
    e.apply(Message::Release(KEY));
    heard.extend(left(&mut e, 14_000));
    assert!(peak(&heard[33_333 + 5_000..]) > 0.05 && peak(&heard[33_333 + 12_001..]) == 0.0);
    assert!(largest_step(&heard) <= allowed(A, 1.0, A, 12_000.0));
}

#[test]
fn too_much_at_once_stays_below_the_ceiling_and_lets_the_softest_go() {
    let mut e = loud();
    for key in 0..12 {
        let voices = (0..MOST_IN_GROUP + 3)
            .map(|i| {
                voice(
                    tone(9_000),
                    Some(a_loop(1_600, 8_000)),
                    i as u64 * 10,
                    mix(4.0, 0.3, 1.0 + 0.01 * i as f64),
                )
            })
            .collect();
        let Some(Trash::Group(back)) = e.apply(start(GroupKey(key), GroupFrom::Start, voices)) else {
            panic!("what it came in goes back")
        };
        // Those beyond the most come back unheard.
        assert!(back.voices[MOST_IN_GROUP..].iter().all(|v| v.what.is_some()));
        let (l, r) = run(&mut e, 5_000);
        assert!(l.iter().chain(&r).all(|s| s.abs() <= 10f32.powf(-1.0 / 20.0)));
    }
    assert!(e.take_levels().limited);
    // What is no number does no harm.
    e.apply(Message::SetMix { key: GroupKey(11), voice: 0, mix: mix(f32::NAN, f32::INFINITY, f64::NAN) });
    assert!(left(&mut e, 5_000).iter().all(|s| s.is_finite()));
}

#[test]
fn playing_a_take_fades_the_groups_out() {
    let mut e = loud();
    e.apply(start(
        KEY,
        GroupFrom::Start,
        vec![voice(tone(40_000), Some(a_loop(4_800, 33_600)), 0, Mix::default())],
    ));
    left(&mut e, 9_600);
    let x = signals::white_noise(0.2, 5_000, 3);
    let what = Box::new(Playable { rendered: mono(x.clone()), source: None, removed: None, looping: None });
    e.apply(Message::Play { what, from: 0, side: Side::Rendered });
    assert_eq!(e.group_position(), None);
    assert!(left(&mut e, 5_000)[480..] == x[480..]);
}

// ---- blocks and memory -----------------------------------------------------------------------------

#[derive(Debug, Clone)]
enum Plan {
    Start(u64, u8, usize),
    Mix(u64, usize, f32, f64),
    Release(u64),
    Play,
    Stop,
}

fn any_plan() -> impl Strategy<Value = Plan> {
    prop_oneof![
        4 => (0u64..3, 0u8..3, 0usize..6).prop_map(|(k, f, n)| Plan::Start(k, f, n)),
        4 => (0u64..3, 0usize..5, -1.5f32..1.5, 0.2f64..4.0).prop_map(|(k, v, g, r)| Plan::Mix(k, v, g, r)),
        2 => (0u64..3).prop_map(Plan::Release),
        1 => Just(Plan::Play),
        1 => Just(Plan::Stop),
    ]
}

fn sounds() -> Vec<AudioBuf> {
    let stereo = vec![signals::sine(330.0, 0.3, 48_000.0, 6_000), signals::white_noise(0.2, 6_000, 9)];
    vec![
        mono(signals::sine(220.0, 0.3, 48_000.0, 5_000)),
        AudioBuf::new(stereo, DEVICE).unwrap(),
        AudioBuf::mono(signals::white_noise(0.2, 7_000, 8), SampleRate::new(44_100).unwrap()).unwrap(),
    ]
}

fn made(plan: &Plan, sounds: &[AudioBuf]) -> Message {
    match *plan {
        Plan::Start(key, from, count) => {
            let from = [GroupFrom::Start, GroupFrom::Now, GroupFrom::At(0.7)][usize::from(from)];
            let voices = (0..count)
                .map(|i| {
                    let looping = (i % 3 != 2).then(|| a_loop(900 + 7 * i as u64, 4_000));
                    let m = mix(0.5, 0.3 * i as f32 - 0.5, 0.8 + 0.13 * i as f64);
                    GroupVoice { period: 50.5, ..voice(sounds[i % 3].clone(), looping, 60 * i as u64, m) }
                })
                .collect();
            start(GroupKey(key), from, voices)
        }
        Plan::Mix(key, voice, gain, ratio) => {
            Message::SetMix { key: GroupKey(key), voice, mix: mix(gain, gain, ratio) }
        }
        Plan::Release(key) => Message::Release(GroupKey(key)),
        Plan::Play => Message::Play {
            what: Box::new(Playable {
                rendered: sounds[0].clone(),
                source: None,
                removed: None,
                looping: None,
            }),
            from: 100,
            side: Side::Rendered,
        },
        Plan::Stop => Message::Stop,
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, failure_persistence: None, ..Default::default() })]
    #[test]
    fn blocks_of_any_size_give_the_same_bits(
        script in prop::collection::vec((any_plan(), 0usize..1_500), 1..25),
        block in 1usize..=4096,
    ) {
        let sounds = sounds();
        let messages = || script.iter().map(|(plan, frames)| (made(plan, &sounds), *frames)).collect();
        same_in_any_blocks(DEVICE, messages, block, |e| e.group_position().map(|(_, at)| at))?;
    }
}

#[test]
fn memory_is_left_alone() {
    let sounds = sounds();
    let plans: Vec<Plan> = (0..300u64)
        .map(|n| match n % 7 {
            0 | 3 => Plan::Start(n % 3, (n % 5 % 3) as u8, n as usize % 6),
            6 => Plan::Release(n % 3),
            5 if n % 35 == 5 => Plan::Stop,
            5 if n % 35 == 12 => Plan::Play,
            _ => Plan::Mix(n % 3, n as usize % 5, n as f32 / 300.0, 0.5 + n as f64 / 300.0),
        })
        .collect();
    for every in [1_usize, 37, 700] {
        let mut messages: Vec<Message> = plans.iter().rev().map(|p| made(p, &sounds)).collect();
        let mut trash: Vec<Trash> = Vec::with_capacity(8 * messages.len());
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
}
