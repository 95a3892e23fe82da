//! The loops of a take: evened, near a place, of a given length, and the sounds they are judged by.

use seamwright::audio::{AudioBuf, Clip, level, signals};
use seamwright::dsp::looping::{HEARD_LEVEL_DB, LoopParts, best_of_length};
use seamwright::error::ErrorKind;
use seamwright::render::audition::{Audition, Judged};
use seamwright::render::chain::{Analysed, Rendered, analyse, finished, render};
use seamwright::render::loops::Loopable;
use seamwright::session::{LevelRecipe, LoopRecipe, LoopSearch, Recipe, Setup, TrimRecipe, TuneRecipe};
use seamwright::units::{Frame, FrameRange, Hertz, MidiNote, SampleRate, Seconds};

const RATE: SampleRate = SampleRate::DELIVERY;
const A4: Hertz = Hertz(440.0);

/// Four seconds of A3 (220 Hz) that loses `db` dB a second, with silence around it.
fn a3(db: f64) -> Analysed {
    let rate = RATE.as_f64();
    let mut x = vec![0f32; 24_000];
    let tone = signals::harmonic(|_| 220.0, &[0.3, 0.1, 0.05], rate, 192_000);
    let fade = |i: usize| (i as f32 / 1_440.0).min(1.0).min((192_000 - i) as f32 / 4_800.0);
    let decay = |i: usize| 10f64.powf(-db * i as f64 / rate / 20.0) as f32;
    x.extend(tone.iter().enumerate().map(|(i, s)| s * fade(i) * decay(i)));
    x.extend(vec![0f32; 24_000]);
    let clip = Clip { audio: AudioBuf::mono(x, RATE).unwrap(), offset: Frame(0) };
    analyse(clip, FrameRange::new(23_000, 217_000)).unwrap()
}

fn recipe(looping: Option<LoopRecipe>) -> Recipe {
    Recipe {
        clean: Default::default(),
        trim: TrimRecipe {
            range: FrameRange::new(23_500, 216_000),
            onset: Frame(24_000),
            fade_in: Seconds(0.0),
            fade_out: Seconds(0.0),
        },
        tune: TuneRecipe::onto(MidiNote(57)),
        looping,
        level: LevelRecipe::default(),
    }
}

/// 72 000 frames: 330 periods of 220 Hz.
fn looping(crossfade: f64, even: bool) -> LoopRecipe {
    LoopRecipe {
        start: 60_000.0,
        end: 132_000.0,
        crossfade: Seconds(crossfade),
        score: 80.0,
        parts: LoopParts::default(),
        locked: false,
        even,
    }
}

fn made(a: &Analysed, l: LoopRecipe) -> Rendered {
    render(a, &recipe(Some(l)), A4, RATE).unwrap()
}

/// RMS in dB over the first and over the last tenth of a second inside the loop (22 periods).
fn ends(audio: &AudioBuf, range: FrameRange) -> (f64, f64) {
    let x = audio.channel(0);
    let (start, end) = (range.start.0 as usize, range.end.0 as usize);
    (level::rms_db(&x[start..start + 4_800]).0, level::rms_db(&x[end - 4_800..end]).0)
}

#[test]
fn evening_brings_the_level_at_the_end_to_that_at_the_start() {
    let a = a3(1.2);
    for crossfade in [0.0, 0.05] {
        let plain = made(&a, looping(crossfade, false));
        let (first, last) = ends(&finished(&plain).unwrap(), plain.looping.unwrap().range);
        if crossfade == 0.0 {
            // 1.2 dB a second over the 1.4 s from the middle of the one tenth to that of the other.
            assert!((first - last - 1.68).abs() < 0.02, "{first} {last}");
        }
        assert_eq!((plain.evening.0, plain.uneven.is_none()), (0.0, true));
        let even = made(&a, looping(crossfade, true));
        let range = even.looping.unwrap().range;
        assert_eq!(range, plain.looping.unwrap().range);
        let (first, last) = ends(&finished(&even).unwrap(), range);
        assert!((first - last).abs() < 0.1, "{first} {last}");
        // 1.2 dB a second over 1.5 s.
        assert!((even.evening.0 - 1.8).abs() < 0.02, "{}", even.evening);
        // What lies before the loop is as it was, and so is what the evening was made of.
        let start = range.start.0 as usize;
        assert_eq!(even.audio.channel(0)[..start], plain.audio.channel(0)[..start]);
        assert_eq!(even.uneven.unwrap(), plain.audio);
    }
}

#[test]
fn a_note_that_dies_away_is_proposed_evened_and_a_steady_one_is_not() {
    let setup = Setup::default();
    let a = a3(1.2);
    let found = Loopable::new(&a, &recipe(None), &setup).unwrap().candidates(&a, 12).unwrap();
    for (c, l) in &found {
        // Over the loop it loses 1.2 dB a second: evened from a step that is just heard on.
        let step = 1.2 * c.range.count().lasts(RATE).0;
        if l.even {
            assert!(step > HEARD_LEVEL_DB - 0.05, "{step} dB");
            let r = made(&a, *l);
            let (first, last) = ends(&finished(&r).unwrap(), r.looping.unwrap().range);
            assert!((first - last).abs() < 0.1, "{first} {last}");
        }
    }
    assert!(found.iter().any(|(c, l)| l.even && c.range.count().0 > 48_000), "none was evened");
    assert!(found.windows(2).all(|w| w[0].0.score >= w[1].0.score), "best first");
    let a = a3(0.0);
    let steady = Loopable::new(&a, &recipe(None), &setup).unwrap().candidates(&a, 12).unwrap();
    assert!(steady.iter().all(|(_, l)| !l.even));
}

#[test]
fn the_search_keeps_to_the_lengths_of_the_set() {
    let a = a3(0.0);
    let loops = LoopSearch { shortest: Seconds(0.4), longest: Seconds(0.6), vibrato_cycles: 0.0 };
    let on = Loopable::new(&a, &recipe(None), &Setup { loops, ..Setup::default() }).unwrap();
    for (c, _) in on.candidates(&a, 12).unwrap() {
        let length = c.range.count().lasts(RATE).0;
        assert!((0.4..=0.6).contains(&length), "{length}");
    }
    let map = on.map(32).unwrap();
    let cell = map.starts[1] - map.starts[0];
    for (row, end) in map.ends.iter().enumerate() {
        for (column, start) in map.starts.iter().enumerate() {
            let length = (*end as f64 - *start as f64) / RATE.as_f64();
            // A cell holds pairs up to a cell longer and shorter than from corner to corner.
            let slack = 1.5 * cell as f64 / RATE.as_f64();
            let fits = (0.4 - slack..=0.6 + slack).contains(&length);
            assert!(fits || map.score(column, row).is_none(), "{length} s");
        }
    }
}

#[test]
fn a_place_of_the_map_gives_a_loop_near_it() {
    let a = a3(0.0);
    let on = Loopable::new(&a, &recipe(None), &Setup::default()).unwrap();
    let (start, end) = (70_000.0, 120_000.0);
    let l = on.near(&a, start, end, 0.05).unwrap();
    // Within the reach and the hop of the search, 0.06 s in all.
    assert!((l.start - start).abs() < 2_880.0 && (l.end - end).abs() < 2_880.0, "{l:?}");
    let periods = (l.end - l.start) / (48_000.0 / 220.0);
    // To the frame: a period has 218 of them.
    assert!((periods - periods.round()).abs() < 0.006, "{periods}");
    assert!(l.score > 90.0, "{}", l.score);
    let audit = on.audit(&a, &l).unwrap();
    assert!(audit.audibility < 5.0, "{audit:?}");
    assert_eq!(on.near(&a, end, start, 0.05).unwrap_err().kind(), ErrorKind::Nothing);
}

#[test]
fn a_copied_length_is_whole_periods_near_the_loop_s_own_start() {
    let a = a3(0.0);
    let on = Loopable::new(&a, &recipe(None), &Setup::default()).unwrap();
    let own = LoopRecipe { locked: true, ..looping(0.02, false) };
    // 0.7301 s are 160.6 periods of 220 Hz; 161 of them are 35 127.3 frames.
    let l = on.of_length(&a, &own, Seconds(0.7301)).unwrap();
    let r = made(&a, l);
    assert_eq!(r.looping.unwrap().range.count().0, 35_127);
    // Half a second and the period that it may be moved to a zero crossing.
    assert!((l.start - own.start).abs() <= 24_000.0 + 219.0, "{}", l.start);
    assert!(l.locked && l.score > 90.0, "{l:?}");
    let too_long = on.of_length(&a, &own, Seconds(3.9)).unwrap_err();
    assert_eq!(too_long.kind(), ErrorKind::Nothing);
}

#[test]
fn a_length_that_cannot_be_is_refused() {
    let audio = AudioBuf::mono(signals::sine(220.0, 0.5, 48_000.0, 48_000), RATE).unwrap();
    let within = FrameRange::new(0, 48_000);
    let of = |length, reach| best_of_length(&audio, Hertz(220.0), within, 10_000, length, reach);
    for (length, reach) in [(31, 0.1), (4_800, 0.001), (4_800, 3.0), (4_800, f64::NAN)] {
        assert_eq!(of(length, reach).unwrap_err().kind(), ErrorKind::InvalidParameter, "{length} {reach}");
    }
    for length in [48_001, 47_000, u64::MAX / 4] {
        assert_eq!(of(length, 0.1).unwrap_err().kind(), ErrorKind::Nothing, "{length}");
    }
    let found = of(10_909, 0.1).unwrap();
    assert_eq!(found.range.count().0, 10_909);
}

#[test]
fn the_seam_is_played_a_second_before_and_after() {
    let a = a3(0.0);
    for l in [looping(0.05, false), LoopRecipe { end: 60_000.0 + 24_000.0, ..looping(0.02, false) }] {
        let r = made(&a, l);
        let range = r.looping.unwrap().range;
        let x = finished(&r).unwrap();
        let seam = Audition::of(&r, Judged::Seam).unwrap();
        assert!(seam.straight.is_none());
        let heard = seam.looped.channel(0);
        let rate = RATE.hz() as usize;
        // Beyond the fades at its ends each sample is the one of the place that is told for it.
        for i in (1_000..2 * rate - 1_000).step_by(7) {
            let place = seam.place(i as u64, false);
            assert!(range.contains(Frame(place)));
            assert_eq!(heard[i], x.channel(0)[place as usize], "{i}");
        }
        assert_eq!(seam.place(rate as u64 - 1, false), range.end.0 - 1, "the join is in the middle");
        assert_eq!(seam.place(rate as u64, false), range.start.0);
        assert!(heard[2 * rate..].iter().all(|s| *s == 0.0) && heard.len() > 2 * rate, "then silence");
    }
}

#[test]
fn the_loop_and_the_own_sustain_are_as_loud_and_begin_as_one() {
    let a = a3(1.0);
    // The sustain goes on for more than a second after this loop end, in the other case it does not.
    let whole = FrameRange::new(60_000, 132_000);
    let late = LoopRecipe { start: 100_000.0, end: 206_000.0, ..looping(0.05, false) };
    for (l, together) in [(looping(0.05, false), true), (late, false)] {
        let r = made(&a, l);
        let range = r.looping.unwrap().range;
        let both = Audition::of(&r, Judged::Sustain).unwrap();
        let straight = both.straight.as_ref().unwrap();
        assert_eq!(straight.frames(), both.looped.frames(), "one can change over anywhere");
        let loud = |x: &AudioBuf| level::rms_db(x.channel(0)).0;
        // Only the fades at both ends differ: 16 ms of more than a second, far below 0.1 dB.
        assert!((loud(straight) - loud(&both.looped)).abs() < 0.1);
        let frames = straight.frames().0;
        let seam = (1..frames).find(|i| both.place(*i, false) < both.place(i - 1, false)).unwrap();
        assert_eq!(both.place(seam, false), range.start.0);
        assert_eq!(both.place(0, true) == both.place(0, false), together, "{whole:?}");
        if together {
            assert!((0..seam).all(|i| both.place(i, true) == both.place(i, false)));
        }
        assert!(seam > 2_400 && seam + 2_400 < frames, "the seam is heard: {seam} of {frames}");
    }
    assert_eq!(
        Audition::of(&render(&a, &recipe(None), A4, RATE).unwrap(), Judged::Seam).unwrap_err().kind(),
        ErrorKind::Nothing
    );
}

/// A session written before loops could be evened and searched for by length.
#[test]
fn older_loops_and_settings_are_read_as_they_were_meant() {
    let mut l = serde_json::to_value(looping(0.05, true)).unwrap();
    l.as_object_mut().unwrap().remove("even");
    let l: LoopRecipe = serde_json::from_value(l).unwrap();
    assert_eq!(l, looping(0.05, false));
    let mut setup = serde_json::to_value(Setup { title: "bottles".into(), ..Setup::default() }).unwrap();
    setup.as_object_mut().unwrap().remove("loops");
    let setup: Setup = serde_json::from_value(setup).unwrap();
    // As long as the command `loops` looks for by itself.
    assert_eq!(
        (setup.loops.shortest.0, setup.loops.longest.0, setup.loops.vibrato_cycles),
        (0.05, 12.0, 0.0)
    );
}
