//! Everything a folder can hold that is no good take. The rest of the batch goes on.

use super::make::*;
use seamwright::audio::signals;
use std::path::Path;

/// Surveys a folder that holds the good take C4 beside `bad`; returns the words about `bad`.
fn beside_a_good_one(name: &str, make: impl FnOnce(&Path)) -> (Ran, String) {
    let dir = tempfile::tempdir().unwrap();
    write(&dir.path().join("C4.wav"), &steady(261.6256, 2.0, 1));
    make(&dir.path().join(name));
    let r = run(&["survey", s(dir.path()), "--json"]);
    let j = r.json();
    let good =
        j["files"].as_array().unwrap().iter().find(|f| f["path"].as_str().unwrap().ends_with("C4.wav"));
    assert_eq!(good.expect("the good file is gone")["takes"][0]["midi"], 60);
    let words = j["failed"]
        .as_array()
        .unwrap()
        .iter()
        .find(|f| f["path"].as_str().unwrap().ends_with(name))
        .map(|f| f["error"].as_str().unwrap().to_owned())
        .unwrap_or_default();
    (r, words)
}

fn refused(name: &str, bytes: &[u8], word: &str) {
    let (r, words) = beside_a_good_one(name, |p| std::fs::write(p, bytes).unwrap());
    assert_eq!(r.code, 1, "{name}: {}", r.err);
    // The name itself says nothing.
    let said = words.replace(name, "").to_lowercase();
    assert!(said.contains(word), "{name}: \"{words}\" should say \"{word}\"");
    assert!(r.err.contains(name), "{name}: standard error says nothing of it: {}", r.err);
}

/// A WAV head of the published layout (Microsoft/IBM 1991) around `data`.
fn wav(format: u16, channels: u16, rate: u32, bits: u16, claimed: u32, data: &[u8]) -> Vec<u8> {
    let align = channels * bits / 8;
    let mut b = b"RIFF".to_vec();
    b.extend((36 + data.len() as u32).to_le_bytes());
    b.extend(b"WAVEfmt ");
    b.extend(16u32.to_le_bytes());
    b.extend(format.to_le_bytes());
    b.extend(channels.to_le_bytes());
    b.extend(rate.to_le_bytes());
    b.extend((rate.wrapping_mul(u32::from(align))).to_le_bytes());
    b.extend(align.to_le_bytes());
    b.extend(bits.to_le_bytes());
    b.extend(b"data");
    b.extend(claimed.to_le_bytes());
    b.extend(data);
    b
}

#[test]
fn empty_folder_and_folder_of_texts() {
    let dir = tempfile::tempdir().unwrap();
    for command in ["survey", "propose", "check"] {
        let r = run(&[command, s(dir.path())]);
        assert_eq!(r.code, 2, "{command}");
        assert!(r.err.contains("sound file") && r.err.contains("wav"), "{}", r.err);
    }
    std::fs::write(dir.path().join("notes.txt"), "C4 was good").unwrap();
    std::fs::write(dir.path().join("list.csv"), "1,2").unwrap();
    assert_ne!(run(&["survey", s(dir.path())]).code, 0);
    assert_eq!(visible(dir.path()), ["list.csv", "notes.txt"], "nothing may be left behind");
}

#[test]
fn files_that_are_no_sound() {
    refused("zero.wav", b"", "empty");
    refused("text.wav", b"These are no samples, only words, and quite a lot of them to be sure.", "a text");
    refused("text.flac", b"fLaC? no. These are no samples, only words.", "damaged");
    refused("head only.wav", &wav(1, 1, 48_000, 16, 0, b"")[..20], "fmt chunk");
}

#[test]
fn heads_that_lie() {
    let data = vec![0u8; 4800];
    refused("rate 0.wav", &wav(1, 1, 0, 16, 4800, &data), "0 hz");
    refused("rate too high.wav", &wav(1, 1, 4_000_000, 16, 4800, &data), "192000");
    refused("no channels.wav", &wav(1, 0, 48_000, 16, 4800, &data), "0 channels");
    refused("no bits.wav", &wav(1, 1, 48_000, 0, 4800, &data), "0-bit");
}

#[test]
fn a_truncated_file_gives_what_is_there() {
    // The head claims twice of what follows: the take in the first half is still found.
    let x = steady(293.6648, 2.0, 4);
    let data: Vec<u8> = x.iter().flat_map(|v| ((v * 32_767.0) as i16).to_le_bytes()).collect();
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("D4.wav"), wav(1, 1, RATE, 16, 2 * data.len() as u32, &data)).unwrap();
    let r = run(&["survey", s(dir.path()), "--json"]);
    assert_eq!(r.code, 0, "{}", r.err);
    let f = &r.json()["files"][0];
    assert_eq!(f["frames"], x.len());
    assert_eq!(f["takes"][0]["midi"], 62);
    let concern = &f["takes"][0]["concerns"][0];
    assert_eq!(concern["kind"], "ends_inside");
    let there = x.len() as f64 / f64::from(RATE);
    let told = format!("cut short: {there:.2} s of the {:.2} s", 2.0 * there);
    assert!(concern["text"].as_str().unwrap().contains(&told), "{concern}");
}

#[test]
fn wrong_usage_answers_in_json_too() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("C4.wav");
    write(&path, &steady(261.6256, 2.0, 1));
    for (args, word) in [
        (vec!["pitch", s(&path), "--hop-ms", "many", "--json"], "many"),
        (vec!["pitch", "--json"], "FILE"),
        (vec!["pitch", s(&path), "--hops", "5", "--json"], "--hops"),
        (vec!["survey", s(dir.path()), "--layout", "heap", "--json"], "heap"),
        (vec!["flatten", s(&path), "--to", s(&dir.path().join("none/x.wav")), "--json"], "folder"),
    ] {
        let r = run(&args);
        assert_eq!(r.code, 2, "{args:?}: {} {}", r.out, r.err);
        let text = r.json()["error"]["text"].as_str().unwrap().to_owned();
        assert!(text.contains(word), "{args:?}: {text}");
        assert!(r.err.contains(word), "{args:?}: {}", r.err);
    }
}

#[test]
fn a_layout_that_is_given_holds() {
    // A pause inside a take: told as two takes, unless every file holds one.
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("C4.wav");
    let x = [steady(261.6256, 1.5, 1), steady(261.6256, 1.5, 2)].concat();
    write(&path, &x);
    let takes = |layout: &str| {
        let r = run(&["survey", s(&path), "--layout", layout, "--json"]);
        assert_eq!(r.code, 0, "{}", r.err);
        r.json()["files"][0]["takes"].as_array().unwrap().clone()
    };
    let two = takes("detect");
    assert_eq!(two.len(), 2);
    let one = takes("take");
    assert_eq!(one.len(), 1);
    assert_eq!((&one[0]["start"], &one[0]["end"]), (&two[0]["start"], &two[1]["end"]));
    assert_eq!(one[0]["midi"], 60);
}

#[test]
fn samples_that_are_no_numbers() {
    for (name, bad) in [("nan.wav", f32::NAN), ("inf.wav", f32::NEG_INFINITY)] {
        let mut x = steady(293.6648, 2.0, 4);
        x[30_000] = bad;
        let data: Vec<u8> = x.iter().flat_map(|v| v.to_le_bytes()).collect();
        let bytes = wav(3, 1, RATE, 32, data.len() as u32, &data);
        refused(name, &bytes, "30000");
        let (_, words) = beside_a_good_one(name, |p| std::fs::write(p, &bytes).unwrap());
        assert!(words.contains("not a finite number"), "{words}");
    }
}

#[test]
fn sounds_that_hold_no_note() {
    for (name, x) in [
        ("one frame.wav", vec![0.5f32]),
        ("silence.wav", vec![0.0; 96_000]),
        ("noise.wav", signals::white_noise(0.1, 96_000, 3)),
    ] {
        let (r, words) = beside_a_good_one(name, |p| write(p, &x));
        let j = r.json();
        let listed =
            j["files"].as_array().unwrap().iter().find(|f| f["path"].as_str().unwrap().ends_with(name));
        let takes = listed.map(|f| f["takes"].as_array().unwrap().clone()).unwrap_or_default();
        assert!(takes.iter().all(|t| t["midi"].is_null()), "{name}: a note in it: {takes:?}");
        // Either there is no take and a sentence why, or a take with a concern.
        let concerned =
            !takes.is_empty() && takes.iter().all(|t| !t["concerns"].as_array().unwrap().is_empty());
        assert!(concerned || !words.is_empty(), "{name}: nobody says anything");
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join(name);
        write(&path, &x);
        for command in ["pitch", "loops", "survey", "check"] {
            let r = run(&[command, s(&path), "--json"]);
            assert!((0..=2).contains(&r.code), "{command} {name}: {} {}", r.code, r.err);
            assert!(!r.err.contains("panicked"), "{}", r.err);
        }
        let r = run(&["loops", s(&path)]);
        assert_eq!(r.code, 1, "{name}: {}", r.err);
        assert!(r.err.contains("no steady note"), "{}", r.err);
    }
}

#[cfg(unix)]
#[test]
fn files_that_cannot_be_opened() {
    use std::os::unix::fs::PermissionsExt;
    // A name that leads nowhere is what a file that vanishes looks like when its turn comes.
    let (r, words) =
        beside_a_good_one("gone.wav", |p| std::os::unix::fs::symlink("/nowhere/at/all.wav", p).unwrap());
    assert_eq!(r.code, 1);
    assert!(words.contains("not there"), "{words}");
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("locked.wav");
    write(&path, &steady(261.6256, 1.0, 1));
    std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o000)).unwrap();
    if std::fs::File::open(&path).is_ok() {
        eprintln!("left out: this user may read everything, so an unreadable file cannot be made");
        return;
    }
    let r = run(&["pitch", s(&path)]);
    assert!(r.err.contains("does not allow"), "{}", r.err);
}

#[test]
fn a_file_that_vanishes_while_it_is_read() {
    use seamwright::jobs::Job;
    use seamwright::survey::{SurveyEvent, SurveyOptions, survey_files};
    let dir = folder_of_three();
    let files: Vec<_> = ["C4", "D4", "E4"].iter().map(|n| dir.path().join(format!("{n}.wav"))).collect();
    // All files vanish as soon as the first is done; those that were not begun are gone.
    let one = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap();
    let found = one
        .install(|| {
            survey_files(&files, &SurveyOptions::default(), &Job::new(), &|e| {
                if let SurveyEvent::File(_) = e {
                    for f in &files {
                        // Gone already the second time.
                        let _ = std::fs::remove_file(f);
                    }
                }
            })
        })
        .unwrap();
    assert_eq!(found.files.len(), 1);
    assert_eq!(found.failed.len(), 2);
    assert!(found.failed.iter().all(|(_, e)| e.to_string().contains("not there")), "{:?}", found.failed);
}

#[test]
fn names_of_all_sorts() {
    let dir = tempfile::tempdir().unwrap();
    let long = format!("{} E4", "x".repeat(190));
    for (name, hz) in [
        ("Größe der Flasche C4", 261.6256),
        ("🍾 bottle  with   spaces D4", 293.6648),
        (long.as_str(), 329.6276),
    ] {
        write(&dir.path().join(format!("{name}.wav")), &steady(hz, 2.5, 7));
    }
    let session = accepted(dir.path());
    let out = dir.path().join("out 📁 ü");
    let r = run(&["deliver", s(&session), "--to", s(&out), "--title", "Söt & klein 🎵"]);
    assert_eq!(r.code, 0, "{}", r.err);
    assert_eq!(
        sounds(&out),
        ["Söt & klein 🎵 C4 1.wav", "Söt & klein 🎵 D4 1.wav", "Söt & klein 🎵 E4 1.wav"]
    );
}

#[cfg(target_os = "linux")]
#[test]
fn a_name_that_is_no_text() {
    use std::os::unix::ffi::OsStrExt;
    let dir = tempfile::tempdir().unwrap();
    write(&dir.path().join("C4.wav"), &steady(261.6256, 2.0, 1));
    let name = std::ffi::OsStr::from_bytes(b"bad\xff D4.wav");
    write(&dir.path().join(name), &steady(293.6648, 2.0, 1));
    for command in ["survey", "propose", "check"] {
        let r = run(&[command, s(dir.path()), "--json"]);
        assert_eq!(r.code, 1, "{command}: {}", r.err);
        assert!(!r.err.contains("panicked"), "{command}: {}", r.err);
        r.json();
    }
    let r = run(&["survey", s(dir.path()), "--json"]);
    assert_eq!(r.json()["files"].as_array().unwrap().len(), 1);
    assert!(r.json()["failed"][0]["error"].as_str().unwrap().contains("rename the file"));
}

#[test]
fn two_files_for_one_name() {
    let dir = tempfile::tempdir().unwrap();
    write(&dir.path().join("C4 layer 1.wav"), &steady(261.6256, 2.5, 1));
    write(&dir.path().join("C4 layer 2.wav"), &steady(261.6256, 2.5, 2));
    let session = accepted(dir.path());
    let out = dir.path().join("out");
    let r = run(&["deliver", s(&session), "--to", s(&out), "--pattern", "{set} {note}"]);
    assert_eq!(r.code, 2, "{}", r.err);
    assert!(r.err.contains("C4 layer 1.wav") && r.err.contains("C4 layer 2.wav"), "{}", r.err);
    assert!(!out.exists(), "nothing may be written before the names are right");
    let r = run(&["deliver", s(&session), "--to", s(&out), "--pattern", "{set} {notes}"]);
    assert_eq!(r.code, 2);
    assert!(r.err.contains("{notes}") && r.err.contains("{note}"), "{}", r.err);
}

#[test]
fn a_two_hour_file() {
    // 8-bit at 8 kHz keeps the test's own file small; three notes lie far apart in it.
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("two hours.wav");
    let rate = 8_000u32;
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: rate,
        bits_per_sample: 8,
        sample_format: hound::SampleFormat::Int,
    };
    let mut w = hound::WavWriter::create(&path, spec).unwrap();
    let hiss = signals::white_noise(0.006, 80_000, 1);
    for n in 0..7200u32 * rate {
        let t = f64::from(n) / f64::from(rate);
        let tone: f64 = [(600.0, 261.6256), (3600.0, 293.6648), (7100.0, 329.6276)]
            .iter()
            .filter(|(at, _)| (*at..at + 4.0).contains(&t))
            .map(|(at, hz)| 0.4 * ((t - at) / 0.03).min(1.0) * (std::f64::consts::TAU * hz * t).sin())
            .sum();
        let s = tone + f64::from(hiss[n as usize % hiss.len()]);
        w.write_sample((s * 127.0).round() as i8).unwrap();
    }
    w.finalize().unwrap();
    let r = run(&["survey", s(&path), "--json"]);
    assert_eq!(r.code, 0, "{}", r.err);
    let f = &r.json()["files"][0];
    assert_eq!(f["frames"], 7200 * rate);
    let midi: Vec<_> = f["takes"].as_array().unwrap().iter().map(|t| t["midi"].as_u64()).collect();
    assert_eq!(midi, [Some(60), Some(62), Some(64)]);
}
