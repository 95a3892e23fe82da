//! Names, mapping and levels of a delivery: pure functions against arithmetic and published rules.

mod deliver_support;

use deliver_support::{document, take};
use proptest::prelude::*;
use seamwright::audio::{AudioBuf, signals};
use seamwright::error::ErrorKind;
use seamwright::io::SoundForm;
use seamwright::render::level::{Heard, Loudness, gains, loudness, smooth_line};
use seamwright::render::mapping::{Mapped, key_map, velocity_range};
use seamwright::render::names::delivered_names;
use seamwright::render::plan::{BesideKind, plan};
use seamwright::session::delivery::{
    DeliverySetup, Folders, LayersAs, LevelMode, LevelSetup, MapSetup, Reach, Spelling, Tail,
};
use seamwright::session::{Document, TakeId};
use seamwright::units::{Decibels, MiddleC, MidiNote, SampleRate, Seconds};

fn names(d: &Document) -> Vec<String> {
    delivered_names(d).unwrap().into_iter().map(|(_, n)| n).collect()
}

#[test]
fn every_field_and_width() {
    let mut d = document(&[take(61, 0), take(61, 1), take(70, 0)]);
    d.setup.title = "bottles".into();
    d.setup.name_pattern = "{set}-{note}-{midi}-{midi:04}-{layer:02}-{index:3}-{velocity}-{round}".into();
    // Walked by note, then layer: C#4 is MIDI 61, A#4 is 70 (MIDI Tuning Standard).
    assert_eq!(
        names(&d),
        [
            "bottles-C#4-061-0061-01-001-127-1.wav",
            "bottles-C#4-061-0061-02-002-127-1.wav",
            "bottles-A#4-070-0070-01-003-127-1.wav"
        ]
    );
    d.setup.name_pattern = "{note} {layer}".into();
    for (spelling, middle_c, form, expected) in [
        (Spelling::Flat, MiddleC::C4, SoundForm::Flac, "Db4 1.flac"),
        (Spelling::Letter, MiddleC::C4, SoundForm::Aiff, "Cs4 1.aif"),
        (Spelling::Sharp, MiddleC::C3, SoundForm::Wav16, "C#3 1.wav"),
        (Spelling::Flat, MiddleC::C3, SoundForm::Wav32f, "Db3 1.wav"),
    ] {
        d.setup.delivery = DeliverySetup { spelling, middle_c: Some(middle_c), form, ..Default::default() };
        assert_eq!(names(&d)[0], expected);
    }
    d.setup.delivery = DeliverySetup { folders: Folders::PerLayer, ..Default::default() };
    assert_eq!(names(&d)[1], "layer 2/C#4 2.wav");
}

/// The flat names of the chromatic scale (common practice, no source).
#[test]
fn flats_are_spelt_from_the_note_above() {
    let flats: Vec<String> = (60..72).map(|n| Spelling::Flat.name(MidiNote(n), MiddleC::C4)).collect();
    assert_eq!(flats.join(" "), "C4 Db4 D4 Eb4 E4 F4 Gb4 G4 Ab4 A4 Bb4 B4");
}

#[test]
fn velocity_and_turn_follow_the_layers() {
    let mut d = document(&[take(60, 0), take(60, 1), take(60, 2)]);
    d.setup.name_pattern = "v{velocity} r{rr} {layer}".into();
    d.setup.delivery.map.layers = LayersAs::Velocity;
    assert_eq!(names(&d), ["v42 r1 1.wav", "v84 r1 2.wav", "v127 r1 3.wav"]);
    d.setup.delivery.map.layers = LayersAs::RoundRobin;
    assert_eq!(names(&d), ["v127 r1 1.wav", "v127 r2 2.wav", "v127 r3 3.wav"]);
    // Two takes of one note and layer: the pattern must tell them apart.
    let mut d = document(&[take(60, 0), take(60, 0)]);
    d.setup.name_pattern = "{note}".into();
    let e = delivered_names(&d).unwrap_err();
    assert_eq!(e.kind(), ErrorKind::NameClash);
    assert!(e.to_string().contains("{round}"), "{e}");
    d.setup.name_pattern = "{note} {round}".into();
    assert_eq!(names(&d), ["C4 1.wav", "C4 2.wav"]);
}

#[test]
fn bad_patterns_and_refused_names_are_all_told_before_anything_is_written() {
    let mut d = document(&[take(60, 0), take(62, 0)]);
    for bad in ["{what}", "{note", "{layer:}", "{layer:x}", "{layer:10}", "{set:3}", "{note:2}", "{layer:+2}"]
    {
        d.setup.name_pattern = bad.into();
        let p = plan(&d);
        assert_eq!(p.problems.len(), 1, "{bad}");
        assert_eq!(p.problems[0].kind(), ErrorKind::InvalidParameter, "{bad}");
        assert!(p.problems[0].to_string().contains("{layer:02}"), "{}", p.problems[0]);
    }
    d.setup.name_pattern = "a:{note}?".into();
    let p = plan(&d);
    assert_eq!(p.names.len(), 2, "shown as they would be");
    assert_eq!(p.problems.len(), 2);
    assert!(p.problems.iter().all(|e| e.kind() == ErrorKind::NameClash), "{:?}", p.problems);
    d.setup.name_pattern = "{set}".into();
    assert_eq!(plan(&d).problems.len(), 1, "one clash");
    // A sound file that would be called as the credits are.
    let mut d = document(&[take(60, 0)]);
    d.setup.name_pattern = "Licence".into();
    d.setup.delivery.credits = Some("texts/licence.WAV".into());
    let p = plan(&d);
    assert_eq!(p.beside(BesideKind::Credits), Some("licence.WAV"));
    assert!(p.problems[0].to_string().contains("two files"), "{:?}", p.problems);
}

#[test]
fn values_out_of_range_are_refused() {
    let bad = |change: &dyn Fn(&mut DeliverySetup)| {
        let mut d = DeliverySetup::default();
        change(&mut d);
        d.validate().unwrap_err().to_string()
    };
    assert!(bad(&|d| d.pre_roll = Some(Seconds(0.6))).contains("0 to 0.5 s"));
    assert!(bad(&|d| d.pre_roll = Some(Seconds(f64::NAN))).contains("0 to 0.5 s"));
    assert!(bad(&|d| d.tail = Tail::Faded(Seconds(0.0))).contains("0.001 to 60 s"));
    assert!(bad(&|d| d.level.mode = LevelMode::Even(1.1)).contains("0 to 100 %"));
    assert!(bad(&|d| d.level.mode = LevelMode::Loudness(0.0)).contains("-60 to -5 LUFS"));
    assert!(bad(&|d| d.level.ceiling = Decibels(0.1)).contains("-20 to 0 dB"));
    assert!(bad(&|d| d.map.lowest = MidiNote(128)).contains("0 to 127"));
    DeliverySetup::default().validate().unwrap();
}

#[test]
fn a_session_without_delivery_settings_opens() {
    let json = r#"{"title":"x","a4":440.0,"middle_c":"C4","layout":null,"name_pattern":"{set}",
        "delivery_rate":48000,"accept_score":70.0}"#;
    let setup: seamwright::session::Setup = serde_json::from_str(json).unwrap();
    assert_eq!(setup.delivery, DeliverySetup::default());
    // And one that has only some of them.
    let partly: DeliverySetup =
        serde_json::from_str(r#"{"form":"flac","level":{"mode":{"even":0.5}}}"#).unwrap();
    assert_eq!((partly.form, partly.level.mode), (SoundForm::Flac, LevelMode::Even(0.5)));
    assert!(partly.map.sfz && partly.report);
}

// ---------------------------------------------------------------- mapping

fn mapped(notes: &[(u8, u16)]) -> Vec<Mapped> {
    let one = |(i, (root, layer)): (usize, &(u8, u16))| Mapped {
        take: TakeId(i as u32),
        layer: *layer,
        root: MidiNote(*root),
    };
    notes.iter().enumerate().map(one).collect()
}

fn keys(notes: &[(u8, u16)], setup: MapSetup) -> Vec<(u8, u8)> {
    key_map(&mapped(notes), &setup).regions.iter().map(|r| (r.keys.0.0, r.keys.1.0)).collect()
}

const WIDE: u8 = 127;

/// Every minor third, each stretched by at most two semitones to the nearest (common practice, no
/// source [derived]); worked out by hand.
#[test]
fn ranges_reach_to_the_nearest_up_and_down() {
    let notes = [(60, 0), (63, 0), (66, 0)];
    let of = |reach, furthest| keys(&notes, MapSetup { reach, furthest, ..Default::default() });
    assert_eq!(of(Reach::Nearest, WIDE), [(0, 61), (62, 64), (65, 127)]);
    assert_eq!(of(Reach::Upwards, WIDE), [(60, 62), (63, 65), (66, 127)]);
    assert_eq!(of(Reach::Downwards, WIDE), [(0, 60), (61, 63), (64, 66)]);
    assert_eq!(of(Reach::Nearest, 2), [(58, 61), (62, 64), (65, 68)]);
    let limited = MapSetup { lowest: MidiNote(61), highest: MidiNote(65), ..Default::default() };
    assert_eq!(keys(&notes, limited), [(61, 61), (62, 64), (65, 65)]);
    // An even gap has a key in the middle, as far from both: the lower root takes it.
    assert_eq!(keys(&[(60, 0), (64, 0)], MapSetup::default()), [(48, 62), (63, 76)]);
    // A take that its limits leave no key is told.
    let above = MapSetup { lowest: MidiNote(80), furthest: 3, ..Default::default() };
    let map = key_map(&mapped(&notes), &above);
    assert_eq!((map.regions.len(), map.silent.len()), (0, 3));
}

#[test]
fn a_missing_note_is_filled_by_its_neighbours_or_stays_silent() {
    let notes = [(60, 0), (63, 0), (66, 0), (60, 1), (66, 1)];
    let filled = key_map(&mapped(&notes), &MapSetup::default());
    let sounding = |map: &seamwright::render::mapping::KeyMap, key| -> Vec<(u16, u8)> {
        map.sounding(MidiNote(key), 64, 0).iter().map(|r| (r.layer, r.root.0)).collect()
    };
    assert_eq!(sounding(&filled, 63), [(0, 63), (1, 60)]);
    assert_eq!(sounding(&filled, 64), [(0, 63), (1, 66)]);
    let bare = key_map(&mapped(&notes), &MapSetup { fill_missing: false, ..Default::default() });
    assert_eq!(sounding(&bare, 63), [(0, 63)]);
    assert_eq!(sounding(&bare, 61), [(0, 60), (1, 60)]);
}

#[test]
fn layers_become_groups_turns_or_velocities() {
    let notes = [(60, 0), (60, 1), (60, 2)];
    let heard = |layers, velocity, stroke| -> Vec<u16> {
        let map = key_map(&mapped(&notes), &MapSetup { layers, ..Default::default() });
        map.sounding(MidiNote(60), velocity, stroke).iter().map(|r| r.layer).collect()
    };
    assert_eq!(heard(LayersAs::Group, 64, 5), [0, 1, 2]);
    for stroke in 0..7 {
        assert_eq!(heard(LayersAs::RoundRobin, 64, stroke), [stroke % 3]);
    }
    assert_eq!(heard(LayersAs::Velocity, 1, 0), [0]);
    assert_eq!(heard(LayersAs::Velocity, 64, 0), [1]);
    assert_eq!(heard(LayersAs::Velocity, 127, 0), [2]);
    // Two takes of one cell take turns within their layer.
    let map = key_map(&mapped(&[(60, 0), (60, 0), (60, 1)]), &MapSetup::default());
    let strokes: Vec<usize> = (0..4).map(|s| map.sounding(MidiNote(60), 9, s)[0].take.0 as usize).collect();
    assert_eq!(strokes, [0, 1, 0, 1]);
    assert_eq!(map.sounding(MidiNote(60), 9, 1).len(), 2);
}

proptest! {
    /// Within the limits each key sounds exactly once per layer, by the nearest root there is.
    #[test]
    fn every_key_sounds_once_a_layer_by_its_nearest_root(
        notes in proptest::collection::btree_set((0u8..128, 0u16..3), 1..20),
        furthest in 0u8..40,
    ) {
        let notes: Vec<(u8, u16)> = notes.into_iter().collect();
        let map = key_map(&mapped(&notes), &MapSetup { furthest, ..Default::default() });
        for layer in map.layers.clone() {
            for key in 0..128u8 {
                let nearest = notes.iter().filter(|n| n.1 == layer).map(|n| n.0.abs_diff(key)).min().unwrap();
                let hit: Vec<u8> = map.sounding(MidiNote(key), 64, 0).iter()
                    .filter(|r| r.layer == layer).map(|r| r.root.0.abs_diff(key)).collect();
                let expected = if nearest <= furthest { vec![nearest] } else { vec![] };
                prop_assert_eq!(hit, expected);
            }
        }
    }

    /// Velocity ranges cover 1 to 127 without gap or overlap (MIDI 1.0: 0 is a note off).
    #[test]
    fn velocities_are_shared_out_whole(count in 1usize..=127) {
        let mut next = 1;
        for i in 0..count {
            let (low, high) = velocity_range(i, count);
            prop_assert_eq!(low, next);
            prop_assert!(high >= low);
            next = high + 1;
        }
        prop_assert_eq!(next, 128);
    }
}

// ---------------------------------------------------------------- levels

fn heard(note: u8, layer: u16, lufs: f64, peak: f64) -> Heard {
    let loudness = Loudness { lufs: Some(lufs), true_peak: Decibels(peak) };
    Heard { note: MidiNote(note), layer, loudness }
}

/// EBU Tech 3341, test signal 1 and 2: a stereo 1 kHz sine at −23 dBFS a channel reads −23.0 LUFS,
/// at −33 dBFS −33.0; tolerance ±0.1 as published there.
#[test]
fn loudness_of_the_published_test_signals() {
    for level in [-23.0, -33.0] {
        let amplitude = 10f64.powf(level / 20.0);
        let x = signals::sine(1000.0, amplitude, 48_000.0, 48_000 * 20);
        let stereo = AudioBuf::new(vec![x.clone(), x], SampleRate::DELIVERY).unwrap();
        let l = loudness(&stereo).unwrap();
        assert!((l.lufs.unwrap() - level).abs() <= 0.1, "{l:?}");
    }
}

/// EBU Tech 3341, test signals 3 to 5: stereo 1 kHz sines of the levels and lengths given there, which
/// the two gates of BS.1770 bring to −23.0 LUFS; tolerance ±0.1 as published there.
#[test]
fn the_gates_leave_out_what_is_quiet() {
    let tests: [&[(f64, f64)]; 3] = [
        &[(-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0)],
        &[(-72.0, 10.0), (-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0), (-72.0, 10.0)],
        &[(-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0)],
    ];
    for (i, parts) in tests.into_iter().enumerate() {
        let part = |(level, seconds): &(f64, f64)| {
            let frames = (seconds * 48_000.0).round() as usize;
            signals::sine(1000.0, 10f64.powf(level / 20.0), 48_000.0, frames)
        };
        let x: Vec<f32> = parts.iter().flat_map(part).collect();
        let stereo = AudioBuf::new(vec![x.clone(), x], SampleRate::DELIVERY).unwrap();
        let lufs = loudness(&stereo).unwrap().lufs.unwrap();
        assert!((lufs + 23.0).abs() <= 0.1, "signal {}: {lufs}", i + 3);
    }
}

/// EBU Tech 3341, test signals 15 to 18 in kind: a sine at a quarter of the rate whose samples miss its
/// crest by 45° reads 3.01 dB less than its true peak; the tolerance there is +0.2/−0.4 dB.
#[test]
fn true_peak_lies_between_the_samples() {
    let amplitude = 10f64.powf(-6.0 / 20.0);
    let w = std::f64::consts::FRAC_PI_2;
    let n = 48_000;
    // Faded, as the published signals are, so that no step rings.
    let x: Vec<f32> = (0..n)
        .map(|i| {
            let edge = (i.min(n - 1 - i) as f64 / 4800.0).min(1.0);
            (amplitude * edge * (w * i as f64 + w / 2.0).sin()) as f32
        })
        .collect();
    let audio = AudioBuf::mono(x, SampleRate::DELIVERY).unwrap();
    assert!((20.0 * f64::from(audio.peak()).log10() + 9.01).abs() < 0.01);
    let peak = loudness(&audio).unwrap().true_peak.0;
    assert!((-6.4..=-5.8).contains(&peak), "{peak}");
}

#[test]
fn a_short_sound_has_the_loudness_of_a_long_one_and_silence_none() {
    let of = |n: usize| {
        loudness(&AudioBuf::mono(signals::sine(1000.0, 0.1, 48_000.0, n), SampleRate::DELIVERY).unwrap())
    };
    // A whole number of periods, so repeating it leaves no step.
    let (short, long) = (of(4800).unwrap().lufs.unwrap(), of(96_000).unwrap().lufs.unwrap());
    assert!((short - long).abs() < 0.1, "{short} {long}");
    let silent = AudioBuf::mono(vec![0.0; 48_000], SampleRate::DELIVERY).unwrap();
    assert_eq!(loudness(&silent).unwrap().lufs, None);
}

/// A straight line is its own smooth line, whatever the weights [derived: weighted least squares].
#[test]
fn a_line_over_the_notes_is_left_as_it_is() {
    let takes: Vec<Heard> =
        (0..15).map(|i| heard(48 + 3 * i, 0, -30.0 + 0.4 * f64::from(i), -20.0)).collect();
    for strength in [0.0, 0.5, 1.0] {
        let setup = LevelSetup { mode: LevelMode::Even(strength), ..Default::default() };
        assert!(gains(&takes, &setup).iter().all(|g| g.0.abs() < 1e-9));
    }
}

#[test]
fn one_loud_note_is_brought_to_its_neighbours_and_they_stay() {
    let mut takes: Vec<Heard> = (0..15).map(|i| heard(48 + 3 * i, 0, -25.0, -20.0)).collect();
    takes[7] = heard(69, 0, -17.0, -12.0);
    let setup = LevelSetup { mode: LevelMode::Even(1.0), ..Default::default() };
    let g = gains(&takes, &setup);
    // All others lie on one line, so the median distance is nothing and the bisquare leaves the loud
    // one no weight but the floor of 1e-6 (times 8 dB).
    assert!((g[7].0 + 8.0).abs() < 0.01, "{g:?}");
    assert!(g.iter().enumerate().all(|(i, g)| i == 7 || g.0.abs() < 0.01), "{g:?}");
    let half = gains(&takes, &LevelSetup { mode: LevelMode::Even(0.5), ..setup });
    assert!((half[7].0 - g[7].0 / 2.0).abs() < 1e-9);
}

#[test]
fn layers_keep_their_distance_or_come_together() {
    let takes: Vec<Heard> = (0..10)
        .flat_map(|i| [heard(50 + 2 * i, 0, -30.0, -25.0), heard(50 + 2 * i, 1, -20.0, -15.0)])
        .collect();
    let even = LevelSetup { mode: LevelMode::Even(1.0), ..Default::default() };
    assert!(gains(&takes, &even).iter().all(|g| g.0.abs() < 1e-6));
    let together = gains(&takes, &LevelSetup { per_layer: false, ..even });
    for pair in together.chunks(2) {
        assert!((pair[0].0 - pair[1].0 - 10.0).abs() < 1e-6, "{pair:?}");
    }
}

#[test]
fn a_loudness_is_reached_and_the_ceiling_lowers_all_together() {
    let takes = [heard(60, 0, -30.0, -24.0), heard(62, 0, -20.0, -3.0), heard(64, 0, -26.0, -18.0)];
    let setup = |lufs, ceiling| LevelSetup {
        mode: LevelMode::Loudness(lufs),
        ceiling: Decibels(ceiling),
        per_layer: true,
    };
    let free: Vec<f64> = gains(&takes, &setup(-24.0, 0.0)).iter().map(|g| g.0).collect();
    assert_eq!(free, [6.0, -4.0, 2.0]);
    // At −18 the second would peak at −3 + 2 = −1 dB: 2 dB above a ceiling of −3.
    let held: Vec<f64> = gains(&takes, &setup(-18.0, -3.0)).iter().map(|g| g.0).collect();
    assert_eq!(held, [10.0, 0.0, 6.0]);
    assert!(gains(&takes, &LevelSetup::default()).iter().all(|g| g.0 == 0.0));
}

proptest! {
    #[test]
    fn no_set_of_points_breaks_the_line(
        points in proptest::collection::vec((0f64..128.0, -60f64..0.0), 0..30), at in 0f64..128.0,
    ) {
        match smooth_line(&points, at) {
            None => prop_assert!(points.is_empty()),
            Some(y) => prop_assert!(y.is_finite()),
        }
    }
}
