//! How takes are placed by names and sounds, on surveys made by hand.

use std::path::PathBuf;

use seamwright::dsp::spans::FoundSpan;
use seamwright::session::document::Layout;
use seamwright::session::{ConcernKind, Named};
use seamwright::survey::layout::place;
use seamwright::survey::{FileSurvey, FoundTake, SurveyOptions};
use seamwright::units::{
    Cents, Decibels, Frame, FrameRange, Hertz, MiddleC, MidiNote, STANDARD_A4_HZ, SampleRate,
};

/// A take that sounds MIDI note `exact` (69.25 is A4 and 25 cents).
fn take(index: usize, exact: f64) -> FoundTake {
    let start = 48_000 * (1 + 4 * index as u64);
    let f0 = Hertz(STANDARD_A4_HZ * 2f64.powf((exact - 69.0) / 12.0));
    let (note, cents) = f0.nearest_note(Hertz(STANDARD_A4_HZ));
    FoundTake {
        span: FoundSpan {
            span: FrameRange::new(start, start + 96_000),
            onset: Frame(start + 1_440),
            starts_inside: false,
            ends_inside: false,
            clipped: 0,
        },
        sounds: Some(note),
        cents,
        f0: Some(f0),
        confidence: 0.9,
        movement: None,
        level: Decibels(-20.0),
        snr: Some(Decibels(40.0)),
        named: None,
        note: None,
        layer: 0,
        concerns: Vec::new(),
    }
}

fn file(path: &str, sounds: &[f64]) -> FileSurvey {
    FileSurvey {
        path: PathBuf::from(path),
        bytes: 1,
        hash: String::new(),
        rate: SampleRate::DELIVERY,
        channels: 1,
        frames: 48_000 * 60,
        room: None,
        takes: sounds.iter().enumerate().map(|(i, s)| take(i, *s)).collect(),
        marks: Default::default(),
    }
}

fn place_default(files: &mut [FileSurvey]) -> (Option<Layout>, Vec<String>) {
    let (layout, concerns) = place(files, &SurveyOptions::default());
    (layout, concerns.into_iter().map(|c| c.text).collect())
}

/// Note and layer of every take, file by file.
fn cells(files: &[FileSurvey]) -> Vec<Vec<(u8, u16)>> {
    files.iter().map(|f| f.takes.iter().map(|t| (t.note.map_or(255, |n| n.0), t.layer)).collect()).collect()
}

fn texts(t: &FoundTake, kind: ConcernKind) -> Vec<&str> {
    t.concerns.iter().filter(|c| c.kind == kind).map(|c| c.text.as_str()).collect()
}

fn count(files: &[FileSurvey], kind: ConcernKind) -> usize {
    files.iter().flat_map(|f| &f.takes).filter(|t| !texts(t, kind).is_empty()).count()
}

#[test]
fn a_note_a_file() {
    let mut files = [
        file("C4.wav", &[60.1, 60.0, 59.9, 60.0]),
        file("D4.wav", &[62.0, 62.0, 62.0]),
        file("E4.wav", &[66.0, 64.0, 64.0, 64.1]),
    ];
    let (layout, concerns) = place_default(&mut files);
    assert_eq!(layout, Some(Layout::NotePerFile));
    assert_eq!(cells(&files)[1], [(62, 0), (62, 1), (62, 2)]);
    assert_eq!(files[0].takes[3].named, Some(Named { midi: Some(MidiNote(60)), layer: Some(3) }));
    // The name wins over the sound, and the sound is a concern.
    assert_eq!((files[2].takes[0].note, files[2].takes[0].layer), (Some(MidiNote(64)), 0));
    assert_eq!(
        texts(&files[2].takes[0], ConcernKind::WrongNote),
        ["named E4, sounds F#4: a whole tone above (+200 cents)"]
    );
    assert_eq!(count(&files, ConcernKind::WrongNote), 1);
    assert_eq!(concerns.len(), 1, "{concerns:?}");
    assert!(
        concerns[0].starts_with("D4 has no take in layer 4 (its file holds 3 of the 4 takes"),
        "{concerns:?}"
    );
}

#[test]
fn a_layer_a_file() {
    let row = [60.0, 62.0, 64.0, 66.0];
    let mut files = [
        file("set/layer 1.wav", &row),
        file("set/layer 2.wav", &[60.0, 62.0, 63.0, 66.0]),
        file("set/layer 3.wav", &row),
        file("set/layer 4.wav", &[60.0, 62.0, 66.0]),
    ];
    let (layout, concerns) = place_default(&mut files);
    assert_eq!(layout, Some(Layout::LayerPerFile));
    assert_eq!(cells(&files)[2], [(60, 2), (62, 2), (64, 2), (66, 2)]);
    assert_eq!(files[1].takes[0].named, Some(Named { midi: None, layer: Some(1) }));
    let odd = texts(&files[1].takes[2], ConcernKind::WrongNote);
    assert_eq!(odd.len(), 0, "E4 is missing in two layers, so it is not clear: {odd:?}");
    assert_eq!(concerns, ["E4 has no take in layer 2", "E4 has no take in layer 4"]);

    files[3] = file("set/layer 4.wav", &row);
    let (_, concerns) = place_default(&mut files);
    assert_eq!(concerns, ["E4 has no take in layer 2"]);
    let odd = texts(&files[1].takes[2], ConcernKind::WrongNote);
    assert_eq!(
        odd,
        ["sounds D#4, which no other layer has, and this layer has no E4: was it meant to be that?"]
    );
}

#[test]
fn layers_without_names_go_by_the_order_of_the_files() {
    let mut files = [
        file("monday.wav", &[72.0, 69.0, 67.0]),
        file("tuesday.wav", &[72.0, 69.0, 67.0]),
        file("wednesday.wav", &[]),
        file("x thursday.wav", &[72.0, 69.0, 67.0]),
    ];
    assert_eq!(place_default(&mut files), (Some(Layout::LayerPerFile), vec![]));
    assert_eq!(
        cells(&files),
        [
            vec![(72, 0), (69, 0), (67, 0)],
            vec![(72, 1), (69, 1), (67, 1)],
            vec![],
            vec![(72, 2), (69, 2), (67, 2)]
        ]
    );
}

#[test]
fn a_take_a_file() {
    let mut files = [
        file("bottle C4 L1.wav", &[60.0]),
        file("bottle C4 L2.wav", &[60.0]),
        file("bottle D4 L1.wav", &[62.0]),
        file("bottle D4 L2 again.wav", &[62.0]),
        file("bottle D4 L2.wav", &[62.0]),
        file("bottle E4 L2.wav", &[64.0]),
    ];
    let (layout, concerns) = place_default(&mut files);
    assert_eq!(layout, Some(Layout::TakePerFile));
    assert_eq!(cells(&files).concat(), [(60, 0), (60, 1), (62, 0), (62, 1), (62, 1), (64, 1)]);
    assert_eq!(concerns, ["E4 has no take in layer 1"]);
    assert_eq!(count(&files, ConcernKind::DuplicateCell), 2);
    let text = texts(&files[3].takes[0], ConcernKind::DuplicateCell)[0];
    assert!(text.starts_with("2 takes claim D4 in layer 2: bottle D4 L2 again.wav at 1.0 s"), "{text}");
}

#[test]
fn takes_without_layers_go_by_the_order_of_the_files_with_the_note() {
    let mut files = [
        file("C4 a.wav", &[60.0]),
        file("C4 b.wav", &[60.0]),
        file("C4 layer 2.wav", &[60.0]),
        file("unnamed.wav", &[60.0]),
        file("unnamed too.wav", &[61.0]),
    ];
    assert_eq!(place_default(&mut files).0, Some(Layout::TakePerFile));
    // Layer 2 is taken by name.
    assert_eq!(cells(&files).concat(), [(60, 0), (60, 2), (60, 1), (60, 3), (61, 0)]);
    assert_eq!(files[4].takes[0].named, None);
}

#[test]
fn dynamic_marks_are_layers_from_soft_to_loud_where_there_are_several() {
    let mut files = [
        file("C4_ff.wav", &[60.0]),
        file("C4_mf.wav", &[60.0]),
        file("C4_p.wav", &[60.0]),
        file("D4 p.wav", &[62.0]),
        file("D4 v2.wav", &[62.0]),
    ];
    place_default(&mut files[..4]);
    assert_eq!(cells(&files[..4]).concat(), [(60, 2), (60, 1), (60, 0), (62, 0)]);
    // A lone mark tells nothing, a number tells more.
    place_default(&mut files[3..]);
    assert_eq!(cells(&files[3..]).concat(), [(62, 0), (62, 1)]);
    let mut folders =
        [file("x/mf/C4.wav", &[60.0]), file("x/f/C4.wav", &[60.0]), file("x/f/D4.wav", &[62.0])];
    place_default(&mut folders);
    assert_eq!(cells(&folders).concat(), [(60, 0), (60, 1), (62, 1)]);
}

#[test]
fn running_numbers_are_neither_layers_nor_notes() {
    let sounds = [60.0, 60.0, 62.0, 62.0, 64.0, 64.0];
    let mut takes: Vec<_> = (0..6).map(|i| file(&format!("take {}.wav", i + 1), &[sounds[i]])).collect();
    let mut bare: Vec<_> = (0..6).map(|i| file(&format!("0{}.wav", i + 30), &[sounds[i]])).collect();
    for files in [&mut takes, &mut bare] {
        assert_eq!(place_default(files), (Some(Layout::TakePerFile), vec![]));
        assert_eq!(cells(files).concat(), [(60, 0), (60, 1), (62, 0), (62, 1), (64, 0), (64, 1)]);
        assert_eq!(count(files, ConcernKind::WrongNote), 0);
    }
    // MIDI numbers that are right stay.
    let mut midi = [file("060.wav", &[60.0]), file("062.wav", &[62.0]), file("064.wav", &[66.0])];
    place_default(&mut midi);
    assert_eq!(cells(&midi).concat(), [(60, 0), (62, 0), (64, 0)]);
    assert_eq!(count(&midi, ConcernKind::WrongNote), 1);
}

#[test]
fn folders_name_layers_and_notes() {
    let mut files = [
        file("/x/A4 sessions/layer 1/C4.wav", &[60.0]),
        file("/x/A4 sessions/layer 1/D4.wav", &[62.0]),
        file("/x/A4 sessions/layer 2/C4.wav", &[60.0]),
        file("/x/A4 sessions/layer 2/D4.wav", &[62.0]),
    ];
    assert_eq!(place_default(&mut files), (Some(Layout::TakePerFile), vec![]));
    assert_eq!(cells(&files).concat(), [(60, 0), (62, 0), (60, 1), (62, 1)]);
    let mut files = [
        file("/x/C4/take 1.wav", &[60.0]),
        file("/x/C4/take 2.wav", &[60.0]),
        file("/x/D4/take 1.wav", &[65.0]),
        file("/x/D4/take 2.wav", &[62.0]),
    ];
    place_default(&mut files);
    assert_eq!(cells(&files).concat(), [(60, 0), (60, 1), (62, 0), (62, 1)]);
    assert_eq!(
        texts(&files[2].takes[0], ConcernKind::WrongNote),
        ["named D4, sounds F4: a minor third above (+300 cents)"]
    );
    // The only folder names the project.
    let mut files = [file("/x/A4/one.wav", &[60.0]), file("/x/A4/two.wav", &[62.0])];
    place_default(&mut files);
    assert_eq!(cells(&files).concat(), [(60, 0), (62, 0)]);
}

#[test]
fn an_octave_off_everywhere_is_one_concern() {
    let set = |wrong: f64| {
        let mut files: Vec<_> = [60.0, 62.0, 64.0, 66.0, 68.0]
            .iter()
            .map(|n| file(&format!("{}.wav", MidiNote(*n as u8 - 12)), &[*n]))
            .collect();
        files[4].takes[0] = take(0, wrong);
        files
    };
    let mut files = set(68.0);
    let (_, concerns) = place_default(&mut files);
    assert_eq!(
        concerns,
        [
            "the 5 named takes sound an octave above (+1200 cents) their names' notes: the names probably count middle C as C3; set middle C to C3"
        ]
    );
    assert_eq!(count(&files, ConcernKind::WrongNote), 0);
    // One bottle that is wrong besides is still found.
    let mut files = set(70.0);
    let (_, concerns) = place_default(&mut files);
    assert_eq!(concerns.len(), 1);
    assert_eq!(count(&files, ConcernKind::WrongNote), 1);
    // With middle C as C3 all is well.
    let mut files = set(68.0);
    let options = SurveyOptions { middle_c: MiddleC::C3, ..SurveyOptions::default() };
    assert_eq!(place(&mut files, &options).1, []);
    assert_eq!(cells(&files).concat()[0], (60, 0));
    // A single file an octave off is a wrong note.
    let mut one = [file("C3.wav", &[60.0])];
    assert_eq!(place_default(&mut one).1, [] as [&str; 0]);
    assert_eq!(
        texts(&one[0].takes[0], ConcernKind::WrongNote),
        ["named C3, sounds C4: an octave above (+1200 cents)"]
    );
}

#[test]
fn out_of_tune_is_not_a_wrong_note_and_an_unsure_pitch_accuses_nobody() {
    let mut files = [file("C4.wav", &[60.52]), file("D4.wav", &[61.35]), file("E4.wav", &[70.0])];
    files[2].takes[0].confidence = 0.2;
    place_default(&mut files);
    assert_eq!(files[0].takes[0].sounds, Some(MidiNote(61)));
    assert_eq!(count(&files, ConcernKind::WrongNote), 1);
    assert_eq!(
        texts(&files[1].takes[0], ConcernKind::WrongNote),
        ["named D4, sounds C#4: a semitone below (-65 cents)"]
    );
}

#[test]
fn levels_are_judged_within_their_layer() {
    let mut files: Vec<_> =
        (60..66u8).map(|n| file(&format!("{}.wav", MidiNote(n)), &[f64::from(n), f64::from(n)])).collect();
    for f in &mut files {
        f.takes[1].level = Decibels(-32.0);
    }
    files[2].takes[0].level = Decibels(-31.0);
    files[3].takes[1].level = Decibels(-40.0);
    place_default(&mut files);
    assert_eq!(count(&files, ConcernKind::LevelOutOfLine), 1);
    assert_eq!(
        texts(&files[2].takes[0], ConcernKind::LevelOutOfLine),
        ["11 dB softer than the middle of layer 1 (-20 dB)"]
    );
}

#[test]
fn an_extra_take_makes_nothing_missing() {
    let mut files: Vec<_> =
        (60..66u8).map(|n| file(&format!("{}.wav", MidiNote(n)), &[f64::from(n); 3])).collect();
    files[1].takes.push(take(3, 61.0));
    assert_eq!(place_default(&mut files), (Some(Layout::NotePerFile), vec![]));
}

#[test]
fn a_given_layout_wins_and_placing_twice_changes_nothing() {
    let mut files = [file("one.wav", &[60.0, 62.0, 64.0]), file("two.wav", &[60.0, 62.0, 64.0])];
    let options = SurveyOptions { layout: Some(Layout::NotePerFile), ..SurveyOptions::default() };
    assert_eq!(place(&mut files, &options).0, Some(Layout::NotePerFile));
    assert_eq!(cells(&files)[0].iter().map(|c| c.1).collect::<Vec<_>>(), [0, 1, 2]);
    files[0].takes[1].level = Decibels(-60.0);
    let first = place_default(&mut files);
    let once = files.clone();
    assert_eq!(place_default(&mut files), first);
    assert_eq!(files, once);
    assert_eq!(first.0, Some(Layout::LayerPerFile));
}

#[test]
fn nothing_to_place() {
    assert_eq!(place_default(&mut []), (None, vec![]));
    assert_eq!(place_default(&mut [file("C4.wav", &[])]), (None, vec![]));
    let mut unpitched = [file("C4.wav", &[60.0])];
    unpitched[0].takes[0] =
        FoundTake { sounds: None, f0: None, cents: Cents(0.0), confidence: 0.0, ..take(0, 60.0) };
    assert_eq!(place_default(&mut unpitched), (Some(Layout::TakePerFile), vec![]));
    assert_eq!(cells(&unpitched), [[(60, 0)]]);
}
