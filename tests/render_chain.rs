//! A take through its recipe: what must stay stays bit for bit, what must change changes as said.

use seamwright::audio::{AudioBuf, Clip, signals};
use seamwright::dsp::looping::LoopParts;
use seamwright::render::chain::{Analysed, analyse, deviation_after, finished, render};
use seamwright::render::tuning::tuning_row;
use seamwright::session::{
    LevelRecipe, LoopRecipe, Recipe, SourceId, Take, TakeId, TakeState, TrimRecipe, TuneRecipe,
};
use seamwright::units::{Cents, Decibels, Frame, FrameRange, Hertz, MidiNote, SampleRate, Seconds};

const RATE: SampleRate = SampleRate::DELIVERY;
const A4: Hertz = Hertz(440.0);

/// Four seconds of A3 (220 Hz) that sits `cents` high, with silence around it; the clip begins at
/// frame 1000 of its file.
fn a3(cents: impl Fn(f64) -> f64) -> Analysed {
    let rate = RATE.as_f64();
    let mut x = vec![0f32; 24_000];
    let tone = signals::harmonic(|t| 220.0 * (cents(t) / 1200.0).exp2(), &[0.3, 0.1, 0.05], rate, 192_000);
    let fade = |i: usize| (i as f32 / 1_440.0).min(1.0).min((192_000 - i) as f32 / 4_800.0);
    x.extend(tone.iter().enumerate().map(|(i, s)| s * fade(i)));
    x.extend(vec![0f32; 24_000]);
    let clip = Clip { audio: AudioBuf::mono(x, RATE).unwrap(), offset: Frame(1000) };
    analyse(clip, FrameRange::new(24_000, 218_000)).unwrap()
}

fn recipe(strength: f64) -> Recipe {
    Recipe {
        clean: Default::default(),
        trim: TrimRecipe {
            range: FrameRange::new(24_500, 217_000),
            onset: Frame(25_000),
            fade_in: Seconds(0.0),
            fade_out: Seconds(0.0),
        },
        tune: TuneRecipe {
            centre: strength,
            drift: strength,
            vibrato: strength,
            ..TuneRecipe::onto(MidiNote(57))
        },
        looping: None,
        level: LevelRecipe::default(),
    }
}

#[test]
fn a_recipe_that_does_nothing_gives_the_source_bit_for_bit() {
    let a = a3(|t| 12.0 + 5.0 * t);
    let r = render(&a, &recipe(0.0), A4, RATE).unwrap();
    assert_eq!(r.audio.channel(0), &a.clip.audio.channel(0)[23_500..216_000]);
    assert_eq!(r.onset, Frame(500));
    // What was not taken out is told to whoever plays it: 12 to 32 cents, the middle is 22.
    assert!((r.fine_tune.0 - 22.0).abs() < 1.0, "{}", r.fine_tune);
}

#[test]
fn full_strength_brings_the_note_to_its_target_and_says_what_is_left() {
    let a = a3(|t| 20.0 + 8.0 * (std::f64::consts::TAU * 0.5 * t).sin());
    let r = render(&a, &recipe(1.0), A4, RATE).unwrap();
    let (before, after) = r.rms_cents.unwrap();
    // √(20² + 8²/2) = 20.8 cents by construction.
    assert!((before - 20.8).abs() < 0.5, "{before}");
    assert!(after < 0.3, "{after}");
    assert!(r.fine_tune.0.abs() < 0.2, "{}", r.fine_tune);
    // Tracked afresh, the middle stands where it was to be brought.
    let d = deviation_after(&r, A4.shifted(Cents(-1200.0))).unwrap();
    assert!(d.centre.abs() < 0.2, "{}", d.centre);
}

#[test]
fn an_offset_and_another_a4_move_the_target() {
    let a = a3(|_| 0.0);
    let mut r = recipe(1.0);
    r.tune.offset = Cents(7.0);
    let out = render(&a, &r, Hertz(442.0), RATE).unwrap();
    let d = deviation_after(&out, Hertz(221.0).shifted(Cents(7.0))).unwrap();
    assert!(d.centre.abs() < 0.2, "{}", d.centre);
    assert!((out.fine_tune.0 - 7.0).abs() < 0.2, "{}", out.fine_tune);
}

#[test]
fn the_loop_is_whole_in_frames_and_in_periods() {
    let a = a3(|t| 9.0 + 4.0 * (std::f64::consts::TAU * 0.3 * t).sin());
    let mut r = recipe(1.0);
    // About 1.5 s: 72 000 frames are 330 periods of 220 Hz.
    r.looping = Some(LoopRecipe {
        start: 90_000.0,
        end: 90_000.0 + 72_000.0 / (9.0f64 / 1200.0).exp2(),
        crossfade: Seconds(0.02),
        score: 90.0,
        parts: LoopParts::default(),
        locked: false,
        even: false,
    });
    let out = render(&a, &r, A4, RATE).unwrap();
    let l = out.looping.unwrap();
    let frames = l.range.count().0 as f64;
    let f0 = out.f0.unwrap().0;
    let periods = frames * f0 / RATE.as_f64();
    // A hundredth of a cent over 330 periods is 330·(2^(0.01/1200)−1) = 0.0019 periods: whoever is
    // nearer than that to a whole number is made whole.
    let off = (periods - periods.round()).abs();
    assert!(!(1e-9..=0.0019).contains(&off), "{periods} periods in {frames} frames");
    assert_eq!(l.crossfade, 960);
    assert!((f0 / 220.0).log2().abs() * 1200.0 < 0.3, "{f0} Hz");
    // Exactly at the loop's own frequency the join has no step in phase.
    let whole = FrameRange::new(l.range.start.0, l.range.start.0 + 72_000);
    let mut exact = r.clone();
    let source = |frame: u64| out.source_of(&a.clip, frame as f64);
    exact.looping =
        Some(LoopRecipe { start: source(whole.start.0), end: source(whole.end.0), ..r.looping.unwrap() });
    let out = render(&a, &exact, A4, RATE).unwrap();
    let l = out.looping.unwrap();
    let periods = l.range.count().0 as f64 * out.f0.unwrap().0 / RATE.as_f64();
    assert!((periods - 330.0).abs() < 1e-9, "{periods}");
}

/// The A3 counts as a G3 that was fingered wrong.
#[test]
fn a_wrong_note_is_kept_as_it_sounds_or_moved_to_its_name() {
    let a = a3(|t| 14.0 + 6.0 * (std::f64::consts::TAU * 0.5 * t).sin());
    let kept = render(&a, &recipe(1.0), A4, RATE).unwrap();
    assert_eq!(kept.root, MidiNote(57));
    let g3 = MidiNote(55).frequency(A4);
    for (centre, left) in [(1.0, 0.0), (0.5, 7.0), (0.0, 14.0)] {
        let mut r = recipe(1.0);
        (r.tune.target, r.tune.moved, r.tune.centre) = (MidiNote(55), -2, centre);
        let moved = render(&a, &r, A4, RATE).unwrap();
        assert_eq!(moved.root, MidiNote(55));
        assert!((moved.fine_tune.0 - left).abs() < 0.2, "{centre}: {}", moved.fine_tune);
        // Tracked afresh it stands at its name and what was left of its centre.
        let d = deviation_after(&moved, g3).unwrap();
        assert!((d.centre - left).abs() < 0.2, "{centre}: {}", d.centre);
        // A whole tone slower is 2^(2/12) as long: one reading, so formants go by as much.
        let longer = moved.audio.len() as f64 / kept.audio.len() as f64;
        let cents = 1200.0 * longer.log2() - 200.0 + 14.0 * (1.0 - centre);
        assert!(cents.abs() < 0.1, "{cents}");
    }
    // A target far from what sounds with the centre left alone: the root key told is what sounds.
    let mut r = recipe(0.0);
    r.tune.target = MidiNote(55);
    let left = render(&a, &r, A4, RATE).unwrap();
    assert_eq!(left.root, MidiNote(57));
    assert!((left.fine_tune.0 - 14.0).abs() < 0.5, "{}", left.fine_tune);
    assert_eq!(left.audio.channel(0), &a.clip.audio.channel(0)[23_500..216_000]);
}

/// After full flattening the fundamental meets itself over the join of a loop that is whole.
#[test]
fn the_fundamental_meets_itself_over_the_join() {
    let tau = std::f64::consts::TAU;
    let a = a3(|t| 9.0 + 7.0 * (tau * 0.3 * t).sin() + 20.0 * (tau * 5.0 * t).sin());
    let mut r = recipe(1.0);
    let flat = render(&a, &r, A4, RATE).unwrap();
    // 24 000 frames are 110 periods of 220 Hz; three places in the sustain.
    for start in [40_000u64, 62_345, 101_003] {
        r.looping = Some(LoopRecipe {
            start: flat.source_of(&a.clip, start as f64),
            end: flat.source_of(&a.clip, (start + 24_000) as f64),
            crossfade: Seconds(0.0),
            score: 90.0,
            parts: LoopParts::default(),
            locked: false,
            even: false,
        });
        let out = render(&a, &r, A4, RATE).unwrap();
        let l = out.looping.unwrap().range;
        let periods = l.count().0 as f64 * out.f0.unwrap().0 / RATE.as_f64();
        assert!((periods - periods.round()).abs() < 1e-9, "{periods}");
        // Phase of the fundamental around a frame: mixed down over 22 periods (4800 frames) under a
        // Hann window, whose zeros lie on the other partials.
        let phase = |centre: u64| {
            let (mut re, mut im) = (0.0, 0.0);
            for k in 0..4_800u64 {
                let n = centre - 2_400 + k;
                let w = (tau / 2.0 * (k as f64 + 0.5) / 4_800.0).sin().powi(2);
                let angle = tau * 220.0 * n as f64 / RATE.as_f64();
                re += w * f64::from(out.audio.channel(0)[n as usize]) * angle.cos();
                im -= w * f64::from(out.audio.channel(0)[n as usize]) * angle.sin();
            }
            im.atan2(re) / tau
        };
        let mut step = phase(l.end.0) - phase(l.start.0);
        step -= step.round();
        // What the exactness cannot take out is the tracked pitch's own error: 0.02 cents over 110
        // periods are 0.0013 periods, half a degree.
        println!("join at {start}: {:.4} degrees", 360.0 * step);
        assert!(step.abs() < 0.0013, "{start}: {step} periods");
    }
}

#[test]
fn the_table_tells_centre_drift_and_vibrato() {
    let tau = std::f64::consts::TAU;
    let a = a3(|t| -11.0 + 6.0 * (tau * 0.5 * t).sin() + 18.0 * (tau * 5.2 * t).sin());
    let take = Take {
        id: TakeId(4),
        source: SourceId(1),
        span: FrameRange::new(24_000, 218_000),
        onset: Frame(25_000),
        sounds: Some(MidiNote(57)),
        f0: Some(Hertz(219.0)),
        cents: Cents(-11.0),
        movement: None,
        level: Decibels(-20.0),
        snr: None,
        named: None,
        note: Some(MidiNote(57)),
        layer: 0,
        state: TakeState::New,
        concerns: vec![],
        recipe: None,
    };
    let moved = Take {
        recipe: Some({
            let mut r = recipe(1.0);
            (r.tune.target, r.tune.moved) = (MidiNote(55), -2);
            r
        }),
        ..take.clone()
    };
    let d = seamwright::dsp::tune::deviation(&a.track, Hertz(219.0)).unwrap();
    let measured = Some(seamwright::dsp::tune::movement(&d));
    let takes = [Take { movement: measured, ..take }, Take { movement: measured, ..moved }];
    for row in takes.iter().map(|t| tuning_row(t, A4)) {
        // 219 Hz lie 1200·log2(219/220) = −7.887 cents from A3.
        assert!((row.centre.unwrap().0 + 7.887).abs() < 0.001, "{row:?}");
        let m = row.movement.unwrap();
        // 6/√2 = 4.24 over whole periods; 3.7 s are 1.85 of them.
        assert!((m.drift_rms - 4.24).abs() < 0.5, "{row:?}");
        assert!((m.vibrato_rate_hz.unwrap() - 5.2).abs() < 0.02, "{row:?}");
        assert!((m.vibrato_depth_cents - 18.0).abs() < 0.3, "{row:?}");
    }
}

#[test]
fn positions_go_to_and_fro() {
    let a = a3(|t| 15.0 * (std::f64::consts::TAU * 0.7 * t).sin());
    let r = render(&a, &recipe(1.0), A4, SampleRate::new(44_100).unwrap()).unwrap();
    for frame in [0.0, 1.0, 777.25, 90_000.0, (r.audio.len() - 1) as f64] {
        let back = r.frame_of(&a.clip, r.source_of(&a.clip, frame));
        assert!((back - frame).abs() < 1e-6, "{frame} came back as {back}");
    }
    assert!((r.source_of(&a.clip, 0.0) - 24_500.0).abs() < 1e-9);
}

#[test]
fn fades_gain_and_crossfade_do_what_they_say() {
    let a = a3(|_| 0.0);
    let mut r = recipe(0.0);
    r.trim.fade_in = Seconds(0.005);
    r.trim.fade_out = Seconds(0.5);
    r.level.gain = Decibels(-6.0);
    let plain = render(&a, &recipe(0.0), A4, RATE).unwrap();
    let out = render(&a, &r, A4, RATE).unwrap();
    let n = out.audio.len();
    let gain = 10f32.powf(-6.0 / 20.0);
    // Untouched in the middle but for the gain.
    for i in (300..n - 24_001).step_by(997) {
        let wanted = plain.audio.channel(0)[i] * gain;
        assert!((out.audio.channel(0)[i] - wanted).abs() <= f32::EPSILON, "frame {i}");
    }
    // Half a cosine stands at one half in its middle.
    let middle = n - 12_000;
    let ratio = out.audio.channel(0)[middle] / (plain.audio.channel(0)[middle] * gain);
    assert!((ratio - 0.5).abs() < 1e-3, "{ratio}");
    assert!(out.audio.channel(0)[n - 1].abs() < 1e-6);
    // Without a loop the finished take is the rendered one.
    assert_eq!(finished(&out).unwrap(), out.audio);
}

#[test]
fn silence_has_no_pitch_and_is_read_plainly() {
    let clip = Clip { audio: AudioBuf::mono(vec![0.0; 96_000], RATE).unwrap(), offset: Frame(0) };
    let a = analyse(clip, FrameRange::new(0, 96_000)).unwrap();
    assert!(a.sustain.is_none());
    let mut r = recipe(1.0);
    r.trim.range = FrameRange::new(10, 90_000);
    r.trim.onset = Frame(10);
    let out = render(&a, &r, A4, RATE).unwrap();
    assert_eq!(out.audio.len(), 89_990);
    assert!(out.rms_cents.is_none() && out.f0.is_none());
    // A part outside the clip is refused in words.
    r.trim.range = FrameRange::new(200_000, 300_000);
    assert!(render(&a, &r, A4, RATE).unwrap_err().to_string().contains("at least one frame"));
}

/// A take is tracked and a delivered file read back with a question every piece of work; the first no
/// ends it, with not one question more (how much work lies between two is tested in `dsp::pitch`).
#[test]
fn analysing_and_checking_can_be_stopped_in_their_midst() {
    use seamwright::error::Result;
    use seamwright::io::riff::SourceMarks;
    use seamwright::io::{SoundForm, write_sound};
    use seamwright::render::chain::analyse_while;
    use seamwright::render::check::check_file;
    use std::cell::Cell;
    let long: Vec<f32> = signals::harmonic(|_| 110.0, &[0.3, 0.1, 0.05], RATE.as_f64(), 480_000);
    let audio = AudioBuf::mono(long, RATE).unwrap();
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("A2.wav");
    let root = SourceMarks { root: Some(MidiNote(45)), ..SourceMarks::default() };
    write_sound(&path, &audio, SoundForm::Wav24, &root.into(), &|| true).unwrap();
    let analysed = |go_on: &dyn Fn() -> bool| -> Result<()> {
        let clip = Clip { audio: audio.clone(), offset: Frame(0) };
        analyse_while(clip, FrameRange::new(0, 480_000), go_on).map(|_| ())
    };
    let checked = |go_on: &dyn Fn() -> bool| check_file(&path, A4, go_on).map(|_| ());
    for work in [&analysed as &dyn Fn(&dyn Fn() -> bool) -> Result<()>, &checked] {
        let asked = Cell::new(0u64);
        let until = |no_at: u64| {
            asked.set(0);
            let result = work(&|| {
                asked.set(asked.get() + 1);
                asked.get() != no_at
            });
            (asked.get(), result)
        };
        let (all, done) = until(u64::MAX);
        done.unwrap();
        assert!(all > 100, "ten seconds of sound, {all} questions");
        for no_at in [1, 2, all / 3, all / 2, all] {
            let (questions, result) = until(no_at);
            assert!(result.unwrap_err().is_cancelled());
            assert_eq!(questions, no_at);
        }
    }
}
