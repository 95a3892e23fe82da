//! From WAV files to found takes.

use std::path::{Path, PathBuf};
use std::sync::Mutex;

use seamwright::audio::AudioBuf;
use seamwright::audio::signals::{harmonic, white_noise};
use seamwright::error::ErrorKind;
use seamwright::io::form::FileMarks;
use seamwright::jobs::Job;
use seamwright::session::ConcernKind as Kind;
use seamwright::session::document::Layout;
use seamwright::survey::file::survey_file;
use seamwright::survey::{FileSurvey, SetSurvey, SurveyEvent, SurveyOptions, sound_files, survey_files};
use seamwright::units::{Hertz, MidiNote, STANDARD_A4_HZ, SampleRate};

const RATE: u32 = 44_100;

fn frames(seconds: f64) -> usize {
    (seconds * f64::from(RATE)).round() as usize
}

fn hz(note: f64) -> f64 {
    STANDARD_A4_HZ * 2f64.powf((note - 69.0) / 12.0)
}

/// One channel of a recording: noise at −66 dB and what is laid into it.
struct Tape(Vec<f32>);

impl Tape {
    fn new(seconds: f64) -> Self {
        Self(white_noise(5e-4, frames(seconds), 77))
    }

    fn add(mut self, at_s: f64, sound: &[f32]) -> Self {
        for (a, b) in self.0[frames(at_s)..].iter_mut().zip(sound) {
            *a += b;
        }
        self
    }

    /// A blown tone of `note` (may be a fraction), `amplitude` and length, edges of 20 ms.
    fn note(self, at_s: f64, note: f64, amplitude: f64, seconds: f64) -> Self {
        self.add(at_s, &tone(note, amplitude, seconds))
    }

    /// As 24-bit WAV with all its channels the same.
    fn write(&self, path: &Path, channels: u16) {
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        let spec = hound::WavSpec {
            channels,
            sample_rate: RATE,
            bits_per_sample: 24,
            sample_format: hound::SampleFormat::Int,
        };
        let mut out = hound::WavWriter::create(path, spec).unwrap();
        for s in &self.0 {
            for _ in 0..channels {
                out.write_sample((f64::from(*s) * 8_388_607.0).round() as i32).unwrap();
            }
        }
        out.finalize().unwrap();
    }
}

fn tone(note: f64, amplitude: f64, seconds: f64) -> Vec<f32> {
    let a = amplitude;
    let mut x = harmonic(|_| hz(note), &[a, a / 3.0, a / 6.0], f64::from(RATE), frames(seconds));
    let n = x.len();
    for (i, s) in x.iter_mut().enumerate() {
        *s *= (i.min(n - 1 - i) as f32 / frames(0.02) as f32).min(1.0);
    }
    x
}

fn survey(path: &Path) -> FileSurvey {
    survey_file(path, &SurveyOptions::default(), &Job::new()).unwrap()
}

fn kinds(take: &seamwright::survey::FoundTake) -> Vec<Kind> {
    take.concerns.iter().map(|c| c.kind).collect()
}

fn survey_set(folder: &Path) -> SetSurvey {
    let files = sound_files(&[folder.to_path_buf()]).unwrap();
    survey_files(&files, &SurveyOptions::default(), &Job::new(), &|_| {}).unwrap()
}

#[test]
fn one_file_with_four_takes() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("C4.wav");
    let breath: Vec<f32> = white_noise(0.004, frames(0.5), 3);
    let tape = Tape::new(14.0)
        .note(1.0, 60.1, 0.2, 2.0)
        .add(3.6, &breath)
        .note(4.5, 60.0, 0.2, 2.0)
        .note(8.0, 62.0, 0.1, 0.5)
        .note(10.0, 60.0, 0.004, 2.0);
    tape.write(&path, 2);
    let found = survey(&path);
    assert_eq!((found.channels, found.rate.hz(), found.frames), (2, RATE, frames(14.0) as u64));
    assert_eq!(found.hash, blake3::hash(&std::fs::read(&path).unwrap()).to_hex().to_string());
    assert_eq!(found.bytes, std::fs::metadata(&path).unwrap().len());
    let room = found.room.unwrap();
    // RMS 5e-4 is −66.0 dB; what lies below 20 Hz is nothing of white noise.
    assert!((room.level.0 + 66.0).abs() < 0.5, "{room:?}");
    assert_eq!(found.takes.len(), 4, "{:#?}", found.takes);
    for (take, (at, length, note, amplitude)) in found.takes.iter().zip([
        (1.0, 2.0, 60.1, 0.2),
        (4.5, 2.0, 60.0, 0.2),
        (8.0, 0.5, 62.0, 0.1),
        (10.0, 2.0, 60.0, 0.004f64),
    ]) {
        let onset = take.span.onset.0 as f64 / f64::from(RATE);
        let end = take.span.span.end.0 as f64 / f64::from(RATE);
        // The tone fades in over 20 ms: it comes out of the room within that, and is found to 10 ms.
        assert!(onset > at - 0.010 && onset < at + 0.025, "{onset} {at}");
        assert!((end - (at + length)).abs() < 0.05, "{end}");
        let sounds = f64::from(take.sounds.unwrap().0) + take.cents.0 / 100.0;
        assert!((sounds - note).abs() < 0.02, "{sounds} {note}");
        assert!((take.f0.unwrap().0 / hz(note) - 1.0).abs() < 0.0012, "2 cents");
        // Partials 1, 1/3, 1/6: power a²/2·(1 + 1/9 + 1/36). The room adds to the soft one.
        let level = 10.0 * (amplitude * amplitude / 2.0 * (1.0 + 1.0 / 9.0 + 1.0 / 36.0)).log10();
        assert!((take.level.0 - level).abs() < 0.4, "{} {level}", take.level.0);
        assert!((take.snr.unwrap().0 - (level + 66.0)).abs() < 0.7);
        assert!(take.named.is_none() && take.note.is_none());
    }
    assert_eq!(kinds(&found.takes[0]), []);
    assert_eq!(kinds(&found.takes[2]), [Kind::TooShortToLoop]);
    assert_eq!(kinds(&found.takes[3]), [Kind::Noisy]);
}

/// A FLAC tells in its head how long it is, and ends where it was cut.
#[test]
fn a_flac_that_was_cut_short_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("C4.flac");
    let tape = Tape::new(8.0).note(1.0, 60.0, 0.2, 6.0);
    let audio = AudioBuf::new(vec![tape.0.clone()], SampleRate::new(RATE).unwrap()).unwrap();
    seamwright::io::flac::write(&path, &audio, &FileMarks::default(), &|| true).unwrap();
    assert_eq!(kinds(&survey(&path).takes[0]), []);
    let bytes = std::fs::read(&path).unwrap();
    std::fs::write(&path, &bytes[..bytes.len() / 2]).unwrap();
    let found = survey(&path);
    assert!(found.frames > frames(2.0) as u64 && found.frames < frames(6.5) as u64);
    assert_eq!(kinds(&found.takes[0]), [Kind::EndsInside]);
    let text = &found.takes[0].concerns[0].text;
    let there = format!("cut short: {:.2} s of the 8.00 s", found.frames as f64 / f64::from(RATE));
    assert!(text.contains(&there), "{text}");
}

#[test]
fn clipped_and_cut_off() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x.wav");
    let mut tape = Tape::new(9.0)
        .add(0.0, &tone(57.0, 0.3, 2.0)[frames(0.5)..])
        .note(3.0, 57.0, 1.3, 2.0)
        .note(7.0, 57.0, 0.3, 4.0);
    tape.0.iter_mut().for_each(|s| *s = s.clamp(-1.0, 1.0));
    tape.write(&path, 1);
    let found = survey(&path);
    assert_eq!(found.takes.len(), 3);
    let all: Vec<_> = found.takes.iter().map(kinds).collect();
    assert_eq!(all, [vec![Kind::StartsInside], vec![Kind::Clipped], vec![Kind::EndsInside]]);
    assert!(found.takes.iter().all(|t| t.sounds == Some(MidiNote(57))));
}

#[test]
fn files_without_a_take_say_why() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x.wav");
    let fails = |tape: &Tape| {
        tape.write(&path, 1);
        let e = survey_file(&path, &SurveyOptions::default(), &Job::new()).unwrap_err();
        assert_eq!(e.kind(), ErrorKind::Nothing, "{e}");
        e.to_string()
    };
    assert!(fails(&Tape(vec![0.0; frames(3.0)])).contains("silent"));
    let room = fails(&Tape::new(3.0));
    assert!(room.contains("nothing rises 9 dB above the room (-66."), "{room}");
    // Loud noise from end to end.
    assert!(fails(&Tape(white_noise(0.1, frames(3.0), 5))).contains("no pitch"));
    // One frame.
    fails(&Tape(vec![0.1]));
    let hum = Tape::new(4.0).add(0.0, &harmonic(|_| 50.0, &[0.003, 0.002], f64::from(RATE), frames(4.0)));
    fails(&hum);
}

#[test]
fn one_long_note_is_one_take() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x.wav");
    // Loud; and so soft that by its level alone it might be the room.
    for (amplitude, note) in [(0.2, 64), (0.008, 76)] {
        let partials = [amplitude, amplitude / 2.0];
        let sound = harmonic(|_| hz(f64::from(note)), &partials, f64::from(RATE), frames(5.0));
        Tape(sound).write(&path, 1);
        let found = survey(&path);
        assert_eq!(found.room, None, "{amplitude}");
        assert_eq!(found.takes.len(), 1);
        assert_eq!(found.takes[0].sounds, Some(MidiNote(note)));
        assert_eq!(kinds(&found.takes[0]), [Kind::StartsInside, Kind::EndsInside]);
        assert_eq!(found.takes[0].snr, None);
    }
}

#[test]
fn a_note_that_swells_without_a_pause_has_no_room() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x.wav");
    // Two seconds at −47 dB, up to −22 dB within one, and on: the soft part is as steady as a room.
    let mut sound = harmonic(|_| hz(74.0), &[0.1, 0.05], f64::from(RATE), frames(6.0));
    for (i, s) in sound.iter_mut().enumerate() {
        let rise = ((i as f32 - frames(2.0) as f32) / frames(1.0) as f32).clamp(0.0, 1.0);
        *s *= 10f32.powf(-25.0 * (1.0 - rise) / 20.0);
    }
    Tape(sound).write(&path, 1);
    let found = survey(&path);
    assert_eq!(found.room, None);
    assert_eq!(found.takes.len(), 1, "{:#?}", found.takes);
    assert_eq!(found.takes[0].sounds, Some(MidiNote(74)));
    assert!(found.takes[0].span.starts_inside && found.takes[0].span.ends_inside);
}

#[test]
fn noises_between_the_takes_are_no_takes() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x.wav");
    // A long breath, a chair that creaks with a pitch of its own, a page turned.
    let creak = tone(50.3, 0.02, 0.3);
    let page: Vec<f32> = white_noise(0.02, frames(0.35), 8);
    Tape::new(13.5)
        .note(1.0, 65.0, 0.2, 2.0)
        .add(3.5, &white_noise(0.006, frames(0.8), 4))
        .note(5.0, 65.0, 0.2, 2.0)
        .add(7.6, &creak)
        .add(8.4, &page)
        .note(10.0, 65.0, 0.2, 2.0)
        .write(&path, 1);
    let found = survey(&path);
    let onsets: Vec<_> =
        found.takes.iter().map(|t| (t.span.onset.0 as f64 / f64::from(RATE)).round()).collect();
    assert_eq!(onsets, [1.0, 5.0, 10.0], "{:#?}", found.takes);
    assert!(found.takes.iter().all(|t| t.concerns.is_empty()), "{:#?}", found.takes);
}

#[test]
fn channels_that_cancel_are_still_heard() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x.wav");
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: RATE,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut out = hound::WavWriter::create(&path, spec).unwrap();
    for s in Tape::new(3.0).note(1.0, 67.0, 0.2, 1.5).0 {
        out.write_sample(s).unwrap();
        out.write_sample(-s).unwrap();
    }
    out.finalize().unwrap();
    let found = survey(&path);
    assert_eq!(found.takes.len(), 1);
    assert_eq!(found.takes[0].sounds, Some(MidiNote(67)));
}

#[test]
fn a_set_of_notes() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    for (name, note) in [("bottle 10 G4.wav", 67.0), ("bottle 2 E4.wav", 66.0), ("bottle 1 C4.wav", 60.0)] {
        let tape = Tape::new(8.0).note(1.0, note, 0.2, 1.5).note(4.0, note + 0.05, 0.2, 1.5);
        tape.write(&root.join(name), 1);
    }
    std::fs::write(root.join("bottle 3 F4.wav"), b"RIFF").unwrap();
    std::fs::write(root.join("notes.txt"), b"to be ignored").unwrap();
    Tape::new(2.0).write(&root.join("room.wav"), 1);
    Tape::new(2.0).write(&root.join(".hidden/C4.wav"), 1);
    let files = sound_files(&[root.to_path_buf()]).unwrap();
    let names = |paths: &[PathBuf]| -> Vec<String> {
        paths.iter().map(|p| p.file_name().unwrap().to_string_lossy().into_owned()).collect()
    };
    let order = ["bottle 1 C4.wav", "bottle 2 E4.wav", "bottle 3 F4.wav", "bottle 10 G4.wav", "room.wav"];
    assert_eq!(names(&files), order);

    let events = Mutex::new(Vec::new());
    let job = Job::new();
    let report = |e: SurveyEvent| {
        let (path, note) = match e {
            SurveyEvent::File(f) => (f.path.clone(), f.takes.first().and_then(|t| t.note)),
            SurveyEvent::Failed(p, _) => (p, None),
            SurveyEvent::Heard { .. } => return,
        };
        events
            .lock()
            .unwrap()
            .push((path.file_name().unwrap().to_string_lossy().into_owned(), note.map(|n| n.0)));
    };
    let set = survey_files(&files, &SurveyOptions::default(), &job, &report).unwrap();
    assert_eq!(job.counts(), (5, 5));
    let mut heard = events.into_inner().unwrap();
    heard.sort();
    let expected = [
        ("bottle 1 C4.wav", Some(60)),
        ("bottle 10 G4.wav", Some(67)),
        ("bottle 2 E4.wav", Some(64)),
        ("bottle 3 F4.wav", None),
        ("room.wav", None),
    ];
    assert_eq!(heard, expected.map(|(n, m)| (n.to_owned(), m)));
    assert_eq!(set.layout, Some(Layout::NotePerFile));
    assert_eq!(
        names(&set.files.iter().map(|f| f.path.clone()).collect::<Vec<_>>()),
        [order[0], order[1], order[3], order[4]],
        "the file of room tone is no failure"
    );
    let failed: Vec<_> =
        set.failed.iter().map(|(p, e)| (names(std::slice::from_ref(p))[0].clone(), e.kind())).collect();
    assert_eq!(failed[0].0, "bottle 3 F4.wav");
    assert_eq!(failed.len(), 1);
    assert!(set.files[3].takes.is_empty() && set.files[3].room.is_some());
    let e4 = &set.files[1].takes;
    assert_eq!((e4[0].note, e4[0].layer, e4[1].layer), (Some(MidiNote(64)), 0, 1));
    assert!(e4.iter().all(|t| kinds(t) == [Kind::WrongNote]), "{e4:#?}");
    assert_eq!(set.concerns, []);
}

#[test]
fn a_set_of_layers() {
    let folder = tempfile::tempdir().unwrap();
    for layer in 1..=3 {
        let mut tape = Tape::new(12.0);
        for (i, note) in [55.0, 57.0, 59.0].into_iter().enumerate() {
            tape = tape.note(1.0 + 3.5 * i as f64, note, 0.2, 1.5);
        }
        tape.write(&folder.path().join(format!("layer {layer}.wav")), 1);
    }
    let set = survey_set(folder.path());
    assert_eq!(set.layout, Some(Layout::LayerPerFile));
    let cells: Vec<_> =
        set.files.iter().flat_map(|f| &f.takes).map(|t| (t.note.unwrap().0, t.layer)).collect();
    assert_eq!(cells, [(55, 0), (57, 0), (59, 0), (55, 1), (57, 1), (59, 1), (55, 2), (57, 2), (59, 2)]);
    assert_eq!(set.concerns, []);
}

#[test]
fn another_a4_moves_the_cents() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x.wav");
    Tape::new(3.0).note(1.0, 69.0, 0.2, 1.5).write(&path, 1);
    let options = SurveyOptions { a4: Hertz(432.0), ..SurveyOptions::default() };
    let found = survey_file(&path, &options, &Job::new()).unwrap();
    // 1200·log2(440/432) = 31.77 cents.
    assert_eq!(found.takes[0].sounds, Some(MidiNote(69)));
    assert!((found.takes[0].cents.0 - 31.77).abs() < 1.0, "{:?}", found.takes[0].cents);
}

#[test]
fn stops_when_asked_and_says_what_is_not_there() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x.wav");
    Tape::new(3.0).note(1.0, 69.0, 0.2, 1.5).write(&path, 1);
    let job = Job::new();
    job.cancel.cancel();
    assert!(survey_file(&path, &SurveyOptions::default(), &job).unwrap_err().is_cancelled());
    let stopped = survey_files(std::slice::from_ref(&path), &SurveyOptions::default(), &job, &|_| {});
    assert!(stopped.unwrap_err().is_cancelled());
    let gone = sound_files(&[folder.path().join("gone")]).unwrap_err();
    assert_eq!(gone.kind(), ErrorKind::NotFound);
    std::fs::remove_file(&path).unwrap();
    let empty = sound_files(&[folder.path().to_path_buf()]).unwrap_err();
    assert_eq!(empty.kind(), ErrorKind::NothingHere);
    assert!(empty.to_string().contains("wav, wave, aif"), "{empty}");
}

/// A take in which a second note sounds, and one whose odd partials are nearly gone, are told with
/// what was heard; a plain take is not.
#[test]
fn two_notes_and_an_open_octave_are_told() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x.wav");
    // A quarter of the amplitude: 12.04 dB below, with the same partials, none of them shared.
    let second = tone(64.0, 0.05, 2.0);
    let weak = harmonic(|_| hz(48.0), &[0.02, 0.2, 0.01, 0.1, 0.01, 0.05], f64::from(RATE), frames(2.0));
    Tape::new(13.0)
        .note(1.0, 60.0, 0.2, 2.0)
        .add(1.0, &second)
        .add(5.0, &weak)
        .note(9.0, 60.0, 0.2, 2.0)
        .write(&path, 1);
    let found = survey(&path);
    assert_eq!(found.takes.len(), 3);
    assert_eq!(kinds(&found.takes[0]), [Kind::TwoNotes]);
    assert_eq!(kinds(&found.takes[1]), [Kind::OctaveUnsure]);
    assert_eq!(kinds(&found.takes[2]), []);
    assert!(Kind::TwoNotes.needs_a_look() && Kind::OctaveUnsure.needs_a_look());
    let text = &found.takes[0].concerns[0].text;
    assert!(text.contains("C4 and, 12 dB softer, E4"), "{text}");
    let text = &found.takes[1].concerns[0].text;
    assert!(text.contains("C3 or C4") || text.contains("C4 or C3"), "{text}");
}
