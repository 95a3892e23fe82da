//! Room tone and takes in sounds whose edges are known exactly.

use seamwright::audio::signals::{harmonic, sine, white_noise};
use seamwright::dsp::spans::{
    Envelope, EnvelopeBuilder, FoundRoom, FoundSpan, SpanParams, find_room_tone, find_takes,
};
use seamwright::units::SampleRate;

const RATE: f64 = 48_000.0;

/// A recording that sounds are laid into.
struct Tape(Vec<f32>);

impl Tape {
    /// `seconds` of white noise at `db` RMS.
    fn room(seconds: f64, db: f64) -> Self {
        Self(white_noise(10f64.powf(db / 20.0), frames(seconds), 11))
    }

    /// Adds `sound` at `seconds`.
    fn add(mut self, seconds: f64, sound: &[f32]) -> Self {
        for (a, b) in self.0[frames(seconds)..].iter_mut().zip(sound) {
            *a += b;
        }
        self
    }

    fn envelope(&self) -> Envelope {
        let mut builder = EnvelopeBuilder::new(SampleRate::DELIVERY);
        for block in self.0.chunks(1_000) {
            builder.push(&[block]);
        }
        builder.finish()
    }

    fn find(&self) -> (Option<FoundRoom>, Vec<FoundSpan>) {
        let (envelope, params) = (self.envelope(), SpanParams::default());
        let room = find_room_tone(&envelope, &params);
        let takes = find_takes(&envelope, room.as_ref(), &params);
        (room, takes)
    }
}

fn frames(seconds: f64) -> usize {
    (seconds * RATE).round() as usize
}

fn amplitude(db: f64) -> f64 {
    10f64.powf(db / 20.0)
}

/// A tone at `db` (of its fundamental's peak) with edges of `edge` seconds, shaped by `gain(t)`.
fn shaped(hz: f64, db: f64, seconds: f64, edge: f64, gain: impl Fn(f64) -> f64) -> Vec<f32> {
    let a = amplitude(db);
    let mut x = harmonic(|_| hz, &[a, a / 2.0, a / 4.0], RATE, frames(seconds));
    for (n, s) in x.iter_mut().enumerate() {
        let t = n as f64 / RATE;
        let fade = (t / edge).min((seconds - t) / edge).clamp(0.0, 1.0);
        *s *= (fade * gain(t)) as f32;
    }
    x
}

fn tone(hz: f64, db: f64, seconds: f64) -> Vec<f32> {
    shaped(hz, db, seconds, 0.005, |_| 1.0)
}

/// The take must have its onset at `onset` (to 10 ms), start 20 to 60 ms before it and end within
/// `slack` seconds after `end`, never before it by more than a hop and the tone's edge.
#[track_caller]
fn check(span: &FoundSpan, onset: f64, end: f64, slack: f64) {
    let s = |f: u64| f as f64 / RATE;
    let (found, start, stop) = (s(span.onset.0), s(span.span.start.0), s(span.span.end.0));
    assert!((found - onset).abs() <= 0.010, "onset {found}, true {onset}");
    assert!((0.020..=0.060).contains(&(onset - start)), "start {start}, onset {onset}");
    assert!(stop >= end - 0.010 && stop <= end + slack, "end {stop}, true {end}");
    assert!(!span.starts_inside && !span.ends_inside);
}

#[test]
fn plain_notes_at_all_pitches_and_levels() {
    for hz in [27.5, 55.0, 220.0, 1_000.0, 4_000.0] {
        for db in [-6.0, -30.0, -45.0] {
            let tape = Tape::room(6.0, -70.0).add(1.0, &tone(hz, db, 1.5)).add(3.5, &tone(hz, db, 1.0));
            let (room, takes) = tape.find();
            assert_eq!(takes.len(), 2, "{hz} Hz at {db} dB: {takes:?}");
            // A tone near the 20 Hz corner of the envelope's filter rings in it: its poles decay by
            // 2π·20/√2·8.69 = 772 dB a second, so 65 dB above the room take 84 ms.
            let slack = if hz < 100.0 { 0.1 } else { 0.06 };
            check(&takes[0], 1.0, 2.5, slack);
            check(&takes[1], 3.5, 4.5, slack);
            let room = room.unwrap();
            // 20 Hz to 24 kHz of the noise: as good as all of it.
            assert!((room.level.0 + 70.0).abs() < 0.5, "{room:?}");
            for (a, b) in [(1.0, 2.5), (3.5, 4.5)] {
                let (start, end) = (room.range.start.0 as f64 / RATE, room.range.end.0 as f64 / RATE);
                assert!(end <= a || start >= b, "room tone {start}..{end} lies in a note");
            }
        }
    }
}

#[test]
fn a_soft_note_in_loud_hum() {
    // Hum 20 dB above the note, at 50 Hz and its harmonics falling off.
    let hum = harmonic(|_| 50.0, &[0.1, 0.01, 0.003], RATE, frames(5.0));
    let tape = Tape::room(5.0, -75.0).add(0.0, &hum).add(2.0, &tone(660.0, -40.0, 1.2));
    let (room, takes) = tape.find();
    assert!((room.unwrap().level.0 + 23.0).abs() < 0.5, "0.1 peak is −23 dB RMS: {room:?}");
    assert_eq!(takes.len(), 1, "{takes:?}");
    check(&takes[0], 2.0, 3.2, 0.06);
}

#[test]
fn breath_click_and_key_in_the_gap_are_no_takes() {
    let mut breath = white_noise(amplitude(-50.0), frames(0.2), 5);
    let n = breath.len();
    for (i, s) in breath.iter_mut().enumerate() {
        *s *= (std::f64::consts::PI * i as f64 / n as f64).sin() as f32;
    }
    let click = vec![0.4f32, -0.5, 0.3, -0.1];
    let key = shaped(180.0, -30.0, 0.06, 0.002, |t| (-t / 0.02).exp());
    let tape = Tape::room(8.0, -70.0)
        .add(0.5, &click)
        .add(1.5, &tone(330.0, -15.0, 1.0))
        .add(2.62, &click)
        .add(3.2, &breath)
        .add(4.0, &tone(330.0, -15.0, 1.0))
        .add(5.6, &key)
        .add(6.5, &click);
    let (room, takes) = tape.find();
    assert_eq!(takes.len(), 2, "{takes:?}");
    check(&takes[0], 1.5, 2.5, 0.06);
    check(&takes[1], 4.0, 5.0, 0.06);
    let room = room.unwrap().range;
    for t in [0.5, 2.62, 6.5] {
        assert!(!room.contains(seamwright::units::Frame(frames(t) as u64 + 1)), "click at {t} in {room:?}");
    }
}

#[test]
fn a_click_or_a_breath_right_before_the_note_does_not_move_its_onset() {
    let breath = white_noise(amplitude(-52.0), frames(0.6), 6);
    let tape = Tape::room(6.0, -75.0)
        .add(1.0, &breath)
        .add(1.6, &tone(440.0, -12.0, 1.0))
        .add(3.95, &[0.5, -0.5, 0.4])
        .add(4.0, &tone(440.0, -12.0, 1.0));
    let (_, takes) = tape.find();
    assert_eq!(takes.len(), 2, "{takes:?}");
    check(&takes[0], 1.6, 2.6, 0.06);
    check(&takes[1], 4.0, 5.0, 0.06);
}

#[test]
fn swell_and_tremolo_do_not_split() {
    let tremolo = |depth: f64, hz: f64| {
        move |t: f64| 1.0 - depth * (0.5 - 0.5 * (std::f64::consts::TAU * hz * t).cos())
    };
    for (depth, hz) in [(0.5, 5.0), (0.9, 4.0), (1.0, 6.0)] {
        for db in [-15.0, -45.0] {
            let x = shaped(300.0, db, 3.0, 0.01, tremolo(depth, hz));
            let (_, takes) = Tape::room(5.0, -70.0).add(1.0, &x).find();
            assert_eq!(takes.len(), 1, "tremolo of {depth} at {hz} Hz, {db} dB: {takes:?}");
        }
    }
    // Softly in, a swell of 30 dB and down again.
    let swell = |t: f64| amplitude(-30.0 * (std::f64::consts::PI * t / 4.0).cos().powi(2));
    let (_, takes) = Tape::room(6.0, -75.0).add(1.0, &shaped(300.0, -12.0, 4.0, 0.05, swell)).find();
    assert_eq!(takes.len(), 1, "{takes:?}");
    // From nothing in 1.5 s: nothing of it may be cut off that is over the room.
    let from_nothing = |t: f64| (t / 1.5).min(1.0);
    let (_, takes) = Tape::room(6.0, -75.0).add(1.0, &shaped(300.0, -12.0, 4.0, 0.05, from_nothing)).find();
    assert_eq!(takes.len(), 1, "{takes:?}");
    assert!(takes[0].span.start.0 as f64 / RATE <= 1.02, "{takes:?}");
}

#[test]
fn a_short_gap_splits_and_a_shorter_one_does_not() {
    for (gap, count) in [(0.06, 1), (0.13, 2), (0.2, 2), (0.4, 2)] {
        for db in [-10.0, -40.0] {
            let tape = Tape::room(6.0, -70.0)
                .add(1.0, &tone(392.0, db, 1.0))
                .add(2.0 + gap, &tone(392.0, db - 4.0, 1.0));
            let (_, takes) = tape.find();
            assert_eq!(takes.len(), count, "gap {gap} s at {db} dB: {takes:?}");
        }
    }
    // A gap in which the room is not reached: the first note rings on, 30 dB down.
    let ring = |t: f64| if t < 1.0 { 1.0 } else { 0.03 };
    let tape = Tape::room(6.0, -75.0)
        .add(1.0, &shaped(392.0, -10.0, 1.3, 0.005, ring))
        .add(2.25, &tone(440.0, -10.0, 1.0));
    let (_, takes) = tape.find();
    assert_eq!(takes.len(), 2, "{takes:?}");
    check(&takes[1], 2.25, 3.25, 0.06);
    assert!(takes[0].span.end <= takes[1].span.start);
}

#[test]
fn a_decay_is_kept_until_it_meets_the_room() {
    // −10 dB falling by 20 dB a second into noise at −70 dB. RMS of the tone: peak of the
    // fundamental −10 dB, partials 1, ½, ¼: (1 + ¼ + 1/16)/2 = −1.83 dB. It meets the room's
    // power at (60 − 1.83)/20 = 2.91 s.
    let decay = |t: f64| amplitude(-20.0 * t);
    let tape = Tape::room(8.0, -70.0).add(1.0, &shaped(262.0, -10.0, 6.0, 0.005, decay));
    let (room, takes) = tape.find();
    assert_eq!(takes.len(), 1, "{takes:?}");
    // Above 400 Hz the noise is a little weaker and the tone much: no band sees it later. The
    // level is known to about 1 dB: 50 ms; plus the filters of 20 ms.
    let end = takes[0].span.end.0 as f64 / RATE;
    assert!((end - 3.91).abs() < 0.12, "{end}");
    assert!((room.unwrap().level.0 + 70.0).abs() < 1.0, "{room:?}");
}

#[test]
fn edges_of_the_file() {
    // Cut off in front and at the end.
    let tape =
        Tape::room(6.0, -70.0).add(0.0, &tone(220.0, -20.0, 1.0)[480..]).add(4.0, &tone(220.0, -20.0, 4.0));
    let (_, takes) = tape.find();
    assert_eq!(takes.len(), 2, "{takes:?}");
    assert!(takes[0].starts_inside && !takes[0].ends_inside && takes[0].span.start.0 == 0);
    assert!(!takes[1].starts_inside && takes[1].ends_inside);
    assert_eq!(takes[1].span.end.0, 6 * 48_000);
    // A file that is one sound from end to end, steady or with a tremolo.
    for depth in [0.0, 0.6] {
        let gain = |t: f64| 1.0 - depth * (0.5 - 0.5 * (std::f64::consts::TAU * 5.0 * t).cos());
        let tape = Tape(shaped(220.0, -20.0, 4.0, 1e-9, gain));
        let (room, takes) = tape.find();
        assert_eq!(room, None);
        assert_eq!(takes.len(), 1, "{takes:?}");
        assert!(takes[0].starts_inside && takes[0].ends_inside);
        assert_eq!(takes[0].span, seamwright::units::FrameRange::new(0, 4 * 48_000));
    }
    // Struck at the start, decaying by 6 dB a second, cut off while it sounds.
    let tape = Tape(shaped(220.0, -10.0, 4.0, 1e-9, |t| amplitude(-6.0 * t)));
    let (room, takes) = tape.find();
    assert_eq!(room, None);
    assert_eq!(takes.len(), 1, "{takes:?}");
    assert!(takes[0].starts_inside && takes[0].ends_inside);
}

#[test]
fn digital_silence_between_the_notes() {
    let mut x = vec![0f32; frames(1.0)];
    x.extend(tone(440.0, -20.0, 1.0));
    x.extend(vec![0f32; frames(0.8)]);
    x.extend(tone(494.0, -20.0, 1.0));
    x.extend(vec![0f32; frames(0.2)]);
    let (room, takes) = Tape(x).find();
    assert!(room.is_some());
    assert_eq!(takes.len(), 2, "{takes:?}");
    check(&takes[0], 1.0, 2.0, 0.08);
    check(&takes[1], 2.8, 3.8, 0.08);
}

#[test]
fn the_room_may_get_louder() {
    // The fridge starts: 5 dB more from the fourth second on.
    let louder = white_noise(amplitude(-60.0) * (10f64.powf(0.5) - 1.0).sqrt(), frames(8.0), 21);
    let mut tape = Tape::room(12.0, -60.0).add(4.0, &louder).add(1.5, &tone(440.0, -25.0, 1.0));
    for t in [5.0, 7.0, 9.0] {
        tape = tape.add(t, &tone(440.0, -25.0, 1.0));
    }
    let (room, takes) = tape.find();
    assert!((room.unwrap().level.0 + 60.0).abs() < 0.5);
    assert_eq!(takes.len(), 4, "{takes:?}");
    for (take, t) in takes.iter().zip([1.5, 5.0, 7.0, 9.0]) {
        check(take, t, t + 1.0, 0.1);
    }
}

#[test]
fn nothing_in_nothing() {
    for x in [vec![], vec![0.5], vec![0.0; frames(3.0)], white_noise(amplitude(-55.0), frames(5.0), 1)] {
        let (room, takes) = Tape(x.clone()).find();
        assert!(takes.is_empty(), "{} frames: {takes:?}", x.len());
        assert_eq!(room.is_some(), x.len() > 1);
    }
    // Rumble: noise below about 20 Hz only.
    let mut y = 0f32;
    let rumble: Vec<f32> = white_noise(0.3, frames(6.0), 9)
        .into_iter()
        .map(|s| {
            y += 0.002 * (s - y);
            y
        })
        .collect();
    let (_, takes) = Tape(rumble).find();
    assert!(takes.is_empty(), "{takes:?}");
}

#[test]
fn clipped_samples_are_counted_in_their_take() {
    let over: Vec<f32> = sine(300.0, 1.4, RATE, frames(1.0)).iter().map(|s| s.clamp(-1.0, 1.0)).collect();
    let truth = over.windows(3).filter(|w| w[0].abs() == 1.0 && w[1] == w[0] && w[2] == w[0]).count();
    let mut x = white_noise(1e-4, frames(1.0), 2);
    x.extend(&tone(300.0, -20.0, 1.0));
    x.extend(white_noise(1e-4, frames(1.0), 3));
    x.extend(&over);
    x.extend(white_noise(1e-4, frames(1.0), 4));
    let (_, takes) = Tape(x).find();
    assert_eq!(takes.len(), 2);
    assert_eq!(takes[0].clipped, 0);
    assert!(takes[1].clipped as usize > truth && takes[1].clipped < 48_000, "{}", takes[1].clipped);
}

#[test]
fn channels_count_together() {
    let mut builder = EnvelopeBuilder::new(SampleRate::DELIVERY);
    let silent = white_noise(1e-4, frames(4.0), 2);
    let sounding = Tape(white_noise(1e-4, frames(4.0), 3)).add(1.0, &tone(440.0, -30.0, 2.0)).0;
    builder.push(&[&silent, &sounding]);
    let envelope = builder.finish();
    let params = SpanParams::default();
    let room = find_room_tone(&envelope, &params);
    let takes = find_takes(&envelope, room.as_ref(), &params);
    assert_eq!(takes.len(), 1);
    check(&takes[0], 1.0, 3.0, 0.06);
    assert!((room.unwrap().level.0 + 80.0).abs() < 0.5);
}
