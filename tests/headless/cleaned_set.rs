//! Cleaning as part of a set: proposed, delivered, told in the report; aligned to the frame.

use std::path::{Path, PathBuf};

use super::make::*;
use seamwright::io::decode;
use seamwright::session::{CleanRecipe, Document, Edit, RoomFrom, store};
use seamwright::units::{Cents, FrameRange};

/// Three takes with two seconds' room tone before each, one in ten of a full-scale room.
fn folder(noise: [f32; 3]) -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    for ((name, hz, seed), rms) in
        [("C4", 261.6256, 1), ("D4", 293.6648, 2), ("E4", 329.6276, 3)].into_iter().zip(noise)
    {
        let note = steady(hz, 3.0, seed);
        let mut x = seamwright::audio::signals::white_noise(f64::from(rms), 96_000 + note.len(), 90 + seed);
        x[96_000..].iter_mut().zip(&note).for_each(|(x, n)| *x += n);
        write(&dir.path().join(format!("{name}.wav")), &x);
    }
    dir
}

fn propose(folder: &Path, more: &[&str]) -> PathBuf {
    let r = run(&[&["propose", s(folder), "--accept", "1", "--json"], more].concat());
    assert_eq!(r.code, 0, "{}", r.err);
    PathBuf::from(r.json()["session"].as_str().unwrap())
}

/// Changes the document of a session file.
fn change(session: &Path, how: impl Fn(&mut Document)) {
    let mut d = store::read(session).unwrap();
    how(&mut d);
    store::save(session, &d).unwrap();
}

/// Nothing is tuned and no level changed, so that files can be laid over one another.
fn plainly(d: &mut Document) {
    for t in d.takes.clone() {
        let mut tune = t.recipe.as_ref().unwrap().tune.clone();
        (tune.centre, tune.drift, tune.vibrato, tune.offset) = (0.0, 0.0, 0.0, Cents(0.0));
        *d = Edit::Many(vec![
            Edit::SetTune { take: t.id, tune },
            Edit::SetLoop { take: t.id, looping: None },
            Edit::SetLevel { take: t.id, level: Default::default() },
        ])
        .apply(d)
        .unwrap();
    }
}

fn set_clean(d: &mut Document, clean: &CleanRecipe) {
    for t in d.takes.clone() {
        *d = Edit::SetClean { take: t.id, clean: clean.clone() }.apply(d).unwrap();
    }
}

fn deliver(session: &Path, to: &Path, more: &[&str]) -> Ran {
    let r = run(&[&["deliver", s(session), "--to", s(to), "--json"], more].concat());
    assert_eq!(r.code, 0, "{}", r.err);
    r
}

fn first(folder: &Path) -> Vec<f32> {
    let name = &sounds(folder)[0];
    decode::decode(&folder.join(name)).unwrap().channel(0).to_vec()
}

fn power_db(x: &[f32]) -> f64 {
    10.0 * (x.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>() / x.len() as f64).max(1e-20).log10()
}

/// The window between note and file end, where there is only the room.
#[test]
fn a_recipe_that_cleans_delivers_a_file_aligned_to_the_frame() {
    let dir = folder([0.001; 3]);
    let session = propose(dir.path(), &[]);
    let d = store::read(&session).unwrap();
    assert!(d.takes.iter().all(|t| t.recipe.as_ref().unwrap().clean == CleanRecipe::full()), "proposed");
    change(&session, plainly);
    let (with, without) = (dir.path().join("with"), dir.path().join("without"));
    deliver(&session, &with, &[]);
    change(&session, |d| set_clean(d, &CleanRecipe::default()));
    deliver(&session, &without, &[]);
    let (clean, noisy) = (first(&with), first(&without));
    assert_eq!(clean.len(), noisy.len());
    // 40 dB below the note, so the note itself stays: the two are alike to within the room.
    let removed: Vec<f32> = noisy.iter().zip(&clean).map(|(a, b)| a - b).collect();
    let note = 10_000..100_000;
    let apart = power_db(&noisy[note.clone()]) - power_db(&removed[note]);
    assert!(apart > 30.0, "what was taken lies {apart:.1} dB below the note");
    // What was taken is the room of RMS 0.001 (−60 dB) and little else: ±1.5 dB.
    assert!((power_db(&removed) + 60.0).abs() < 1.5, "{:.1} dB taken", power_db(&removed));
    // Shifted by one frame against one another the note would be taken: 2·sin(π·262/48000) of it is
    // −29 dB re the note, against −40 dB measured.
    let shifted: Vec<f32> = noisy[1..].iter().zip(&clean).map(|(a, b)| a - b).collect();
    assert!(power_db(&shifted[10_000..100_000]) > power_db(&removed[10_000..100_000]) + 6.0);
    // The report tells the room before and after.
    let csv = |folder: &Path| std::fs::read_to_string(folder.join("report.csv")).unwrap();
    let column = |text: &str, name: &str| -> f64 {
        let head: Vec<&str> = text.lines().next().unwrap().split(',').collect();
        let i = head.iter().position(|h| *h == name).unwrap_or_else(|| panic!("{name} in {head:?}"));
        // Only the texts before hold commas; counted from the end.
        let cells: Vec<&str> = text.lines().nth(1).unwrap().rsplit(',').collect();
        cells[head.len() - 1 - i].parse().unwrap()
    };
    let text = csv(&with);
    let (before, after) = (column(&text, "room_before_db"), column(&text, "room_after_db"));
    assert!((before + 60.0).abs() < 0.5 && before - after > 20.0, "{before} to {after}");
    assert!((column(&csv(&without), "room_after_db") + 60.0).abs() < 0.5);
}

#[test]
fn no_amount_is_bit_for_bit_no_cleaning() {
    let dir = folder([0.001; 3]);
    let session = propose(dir.path(), &["--clean", "0"]);
    let d = store::read(&session).unwrap();
    assert!(d.takes.iter().all(|t| !t.recipe.as_ref().unwrap().clean.is_on()));
    let (a, b) = (dir.path().join("a"), dir.path().join("b"));
    deliver(&session, &a, &[]);
    // A session as older versions wrote it, without a word of cleaning.
    let text = std::fs::read_to_string(&session).unwrap();
    let mut file: serde_json::Value = serde_json::from_str(&text).unwrap();
    let document = &mut file["document"];
    for t in document["takes"].as_array_mut().unwrap() {
        t["recipe"].as_object_mut().unwrap().remove("clean").expect("there was one");
    }
    for source in document["sources"].as_array_mut().unwrap() {
        source.as_object_mut().unwrap().remove("room_marked").expect("there was one");
    }
    let setup = document["setup"].as_object_mut().unwrap();
    setup.remove("clean").expect("there was one");
    setup.remove("room_from").expect("there was one");
    std::fs::write(&session, serde_json::to_vec(&file).unwrap()).unwrap();
    let old = store::read(&session).unwrap();
    assert!(old.takes.iter().all(|t| t.recipe.as_ref().unwrap().clean == CleanRecipe::default()));
    assert_eq!(old.setup.clean, CleanRecipe::full());
    deliver(&session, &b, &[]);
    for name in sounds(&a) {
        assert_eq!(std::fs::read(a.join(&name)).unwrap(), std::fs::read(b.join(&name)).unwrap(), "{name}");
    }
}

#[test]
fn another_room_tone_is_another_delivery_and_the_folder_can_share_one() {
    let dir = folder([0.001; 3]);
    let session = propose(dir.path(), &[]);
    let out = dir.path().join("out");
    deliver(&session, &out, &[]);
    let kept = |r: &Ran| r.json()["kept"].as_array().unwrap().len();
    assert_eq!(kept(&deliver(&session, &out, &["--resume"])), 3);
    // A stretch marked by hand in one file: only its take is another now.
    change(&session, |d| d_mark(d, FrameRange::new(10_000, 70_000)));
    assert_eq!(kept(&deliver(&session, &out, &["--resume"])), 2);
    change(&session, |d| d.setup.room_from = RoomFrom::Folder);
    assert_eq!(kept(&deliver(&session, &out, &["--resume"])), 0, "all share one room");
    // The mark survives a new survey.
    propose(dir.path(), &[]);
    assert_eq!(store::read(&session).unwrap().sources[0].room_marked.len(), 1);
}

fn d_mark(d: &mut Document, range: FrameRange) {
    let edit = seamwright::session::cleaning::mark_room(d, d.sources[0].id, vec![range]).unwrap();
    *d = edit.edit.apply(d).unwrap();
}

/// 12 dB more room in one of three files.
#[test]
fn a_room_that_changed_and_one_that_is_hardly_known_are_concerns() {
    let dir = folder([0.0006, 0.0006, 0.0024]);
    let r = run(&["propose", s(dir.path()), "--json"]);
    let j = r.json();
    let kinds = |i: usize| -> Vec<String> {
        let list = j["takes"][i]["concerns"].as_array().unwrap();
        list.iter().map(|c| c["kind"].as_str().unwrap().to_owned()).collect()
    };
    assert!(kinds(2).contains(&"room_changed".to_owned()), "{}", j["takes"][2]);
    assert!(!kinds(0).contains(&"room_changed".to_owned()), "{}", j["takes"][0]);
    // Less than half a second known: a concern, and nothing is cleaned.
    let session = PathBuf::from(j["session"].as_str().unwrap());
    change(&session, |d| {
        d_mark(d, FrameRange::new(20_000, 36_000));
        for t in &mut d.takes {
            std::sync::Arc::make_mut(t).state = seamwright::session::TakeState::New;
        }
    });
    let j = run(&["propose", s(dir.path()), "--json"]).json();
    let takes = j["takes"].as_array().unwrap();
    assert_eq!(takes[0]["clean_percent"], 0.0, "{}", takes[0]);
    assert!(takes[0]["concerns"].to_string().contains("little_room_tone"), "{}", takes[0]);
    assert_eq!(takes[1]["clean_percent"], 100.0);
}
