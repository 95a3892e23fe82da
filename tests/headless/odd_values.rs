//! Values that no option takes and files that no command reads: each is told by the name of the option
//! or file, with what is allowed; the exit code is 2 where nothing could be begun and 1 where it was
//! begun and failed; with `--json` there is always one document.

use std::path::{Path, PathBuf};

use super::make::*;

/// Runs it with and without `--json`: the same exit code, the same words, and never a panic.
fn told(args: &[&str], code: i32, words: &[&str]) {
    let plain = run(args);
    let json = run(&[args, &["--json"]].concat());
    assert_eq!((plain.code, json.code), (code, code), "{args:?}: {} {}", plain.out, plain.err);
    let text = json.json()["error"]["text"].as_str().unwrap_or_else(|| panic!("{args:?}")).to_owned();
    // For people with real minus signs, for machines with hyphens.
    assert!(!text.contains('−'), "{args:?}: {text}");
    for said in [plain.err, json.err, text].map(|said| said.replace('−', "-")) {
        assert!(!said.contains("panicked") && !said.contains("os error"), "{args:?}: {said}");
        for word in words {
            assert!(said.contains(word), "{args:?} should say \"{word}\": {said}");
        }
    }
}

#[test]
fn values_out_of_range_are_told_by_the_name_of_their_option() {
    let dir = tempfile::tempdir().unwrap();
    let c = dir.path().join("C4.wav");
    write(&c, &steady(261.6256, 1.0, 1));
    let out = dir.path().join("out.wav");
    let c = s(&c);
    let flatten = ["flatten", c, "--to", s(&out)];
    let seam = ["seam", c, "--to", s(&out)];
    let clean = ["clean", c, "--to", s(&out)];
    for (command, option, value, words) in [
        (&["pitch", c][..], "--hop-ms", "-1", "1 to 20 ms"),
        (&["pitch", c], "--hop-ms", "nan", "a number"),
        (&["pitch", c], "--hop-ms", "1e99", "a number"),
        (&["survey", c], "--a4", "-440", "380 to 500 Hz"),
        (&["survey", c], "--a4", "1e9", "380 to 500 Hz"),
        (&["survey", c], "--middle-c", "d4", "c3"),
        (&["check", c], "--a4", "0", "380 to 500 Hz"),
        (&["propose", s(dir.path())], "--accept", "-1", "0 to 100"),
        (&["propose", s(dir.path())], "--accept", "101", "0 to 100"),
        (&["propose", s(dir.path())], "--clean", "-0.5", "0 to 100 %"),
        (&flatten, "--target", "-5", "C#4"),
        (&flatten, "--target", "0", "up to an octave"),
        (&flatten, "--target", "1e9Hz", "277.2Hz"),
        (&flatten, "--centre", "-1", "0 to 100 %"),
        (&flatten, "--drift", "-5", "0 to 100 %"),
        (&flatten, "--vibrato", "inf", "a number"),
        (&flatten, "--keep-attack-ms", "-1", "0 to 10000 ms"),
        (&flatten, "--rate", "1", "8000 to 192000 Hz"),
        (&flatten, "--rate", "-48000", "8000 to 192000 Hz"),
        (&flatten, "--rate", "99999999999", "8000 to 192000 Hz"),
        (&flatten, "--rate", "44100.5", "8000 to 192000 Hz"),
        (&["loops", c], "--from", "-1", "whole number of frames"),
        (&["loops", c], "--from", "99999999", "the file's frames"),
        (&["loops", c], "--until", "99999999", "the file's frames"),
        (&["loops", c], "--shortest", "-1", "0 to 600 s"),
        (&["loops", c], "--longest", "0.01", "0.05 to 600 s"),
        (&["loops", c], "--vibrato-cycles", "-1", "0 to 1000"),
        (&["loops", c], "--top", "0", "1 to 1000"),
        (&["loops", c], "--top", "99999999999999999999", "1 to 1000"),
        (&[&seam[..], &["--end", "9"]].concat(), "--start", "-1", "whole number of frames"),
        (&[&seam[..], &["--start", "9"]].concat(), "--end", "many", "whole number of frames"),
        (
            &[&seam[..], &["--start", "9", "--end", "99"]].concat(),
            "--crossfade",
            "-1",
            "whole number of frames",
        ),
        (&clean, "--amount", "-1", "0 to 100 %"),
    ] {
        told(&[command, &[option, value]].concat(), 2, &[option, words]);
    }
    assert!(!out.exists());
}

#[test]
fn settings_of_a_delivery_out_of_range() {
    let dir = folder_of_three();
    let session = accepted(dir.path());
    let out = dir.path().join("out");
    for (option, value, words) in [
        ("--rate", "7999", "8000 to 192000 Hz"),
        ("--pre-roll", "-1", "0 to 500 ms"),
        ("--pre-roll", "501", "0 to 500 ms"),
        ("--pre-roll", "soon", "trim"),
        ("--tail", "fade:0", "0.001 to 60 s"),
        ("--tail", "fade:", "fade:0.5"),
        ("--level", "even:101", "0 to 100 %"),
        ("--level", "loudness:0", "-60 to -5 LUFS"),
        ("--level", "loudness:nan", "loudness:-20"),
        ("--ceiling", "0.1", "-20 to 0 dB"),
        ("--ceiling", "-20.5", "-20 to 0 dB"),
        ("--lowest-key", "-1", "0 to 127"),
        ("--lowest-key", "128", "0 to 127"),
        ("--highest-key", "300", "0 to 127"),
        ("--furthest", "128", "0 to 127"),
        ("--release", "-0.1", "0 to 30 s"),
        ("--release", "31", "0 to 30 s"),
        ("--map", "none,sfz", "none alone"),
        ("--map", "doc", "sf2-24"),
        ("--format", "mp3", "wav24"),
        ("--credits", "/nowhere/at all.txt", "not there"),
        ("--credits", s(dir.path()), "a text file"),
    ] {
        told(&["deliver", s(&session), "--to", s(&out), option, value], 2, &[option, words]);
    }
    let keys = ["--lowest-key", "90", "--highest-key", "20"];
    told(
        &[&["deliver", s(&session), "--to", s(&out)], &keys[..]].concat(),
        2,
        &["--lowest-key is 90", "0 to 20"],
    );
    for (pattern, words) in
        [("{x}", "{note}"), ("{", "without its }"), ("{layer:0}", "{layer:02}"), ("../x", "'/'")]
    {
        told(&["deliver", s(&session), "--to", s(&out), "--pattern", pattern], 2, &[words]);
    }
    for title in ["a/b", ".hidden", "NUL", "x\u{7}"] {
        told(&["deliver", s(&session), "--to", s(&out), "--title", title], 2, &["refused by some systems"]);
    }
    assert!(!out.exists(), "nothing may be written before all settings are right");
}

/// Takes the place of a good file in every command that reads one.
fn bad_files(dir: &Path) -> Vec<(PathBuf, i32, &'static str)> {
    let good = dir.join("good.wav");
    write(&good, &steady(261.6256, 1.0, 1));
    let bytes = std::fs::read(&good).unwrap();
    let with = |name: &str, bytes: &[u8]| {
        std::fs::write(dir.join(name), bytes).unwrap();
        dir.join(name)
    };
    let head = |at: usize, value: u32| {
        let mut b = bytes.clone();
        b[at..at + 2].copy_from_slice(&value.to_le_bytes()[..2]);
        b
    };
    std::fs::create_dir(dir.join("folder.wav")).unwrap();
    let long = dir.join("x".repeat(300));
    vec![
        (dir.join("nowhere.wav"), 2, "not there"),
        (dir.join("folder.wav"), 2, "a folder"),
        (long, 2, "no such name"),
        (good.join("inside.wav"), 2, "stands there"),
        (with("empty.wav", b""), 1, "empty"),
        (with("text.wav", b"no samples, but words, and enough of them to be looked at"), 1, "a text"),
        (with("cut.wav", &bytes[..30]), 1, "fmt chunk"),
        (with("no channels.wav", &head(22, 0)), 1, "0 channels"),
        (with("1 Hz.wav", &head(24, 1)), 1, "8000 to 192000 Hz"),
        (with("3 bits.wav", &head(34, 3)), 1, "bit"),
        (with("bad.flac", &[b"fLaC".as_slice(), &[0; 50]].concat()), 1, "damaged"),
        (with("bad.mp3", &[[0xFF, 0xFB].as_slice(), &[0; 500]].concat()), 1, "recognised as sound"),
        (with("bad.aif", b"FORM\0\0\0\x10AIFFCOMM\0\0\0\x12\0\0\0\0"), 1, "COMM chunk"),
    ]
}

#[test]
fn files_that_no_command_reads() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("out.wav");
    for (file, code, words) in bad_files(dir.path()) {
        // A name that is too long to be shown whole is told by its beginning.
        let name: String = file.file_name().unwrap().to_str().unwrap().chars().take(40).collect();
        let f = s(&file);
        for command in [
            &["pitch", f][..],
            &["loops", f],
            &["flatten", f, "--to", s(&out)],
            &["seam", f, "--to", s(&out), "--start", "0", "--end", "9000"],
            &["clean", f, "--to", s(&out)],
        ] {
            told(command, code, &[&name, words]);
        }
        assert!(!out.exists(), "{f}");
        // A survey and a check go on with the rest, so they tell it in their document.
        if code == 1 {
            for command in ["survey", "check"] {
                let r = run(&[command, f, "--json"]);
                assert_eq!(r.code, 1, "{command} {f}: {}", r.err);
                let text = r.json()["failed"][0]["error"].as_str().unwrap().to_owned();
                assert!(text.contains(&name) && text.contains(words), "{command}: {text}");
                assert_eq!(text.matches(&name).count(), 1, "it is named once: {text}");
            }
        }
    }
}

#[test]
fn places_that_cannot_be_written_to() {
    let dir = folder_of_three();
    let session = accepted(dir.path());
    let c = dir.path().join("C4.wav");
    let at = |name: &str| dir.path().join(name);
    let to = |name: &str, words: &[&str]| told(&["flatten", s(&c), "--to", s(&at(name))], 2, words);
    to("x.txt", &["--to", "ends in .wav"]);
    to("x.flac", &["--to", "24-bit WAV"]);
    to("x", &["--to", "x.wav"]);
    to("none/x.wav", &["make the folder first"]);
    to("C4.wav/x.wav", &["no folder"]);
    told(&["flatten", s(&c), "--to", s(dir.path())], 2, &["--to", "a folder"]);
    let deliver =
        |folder: &Path, words: &[&str]| told(&["deliver", s(&session), "--to", s(folder)], 2, words);
    deliver(&c, &["C4.wav", "choose another folder"]);
    deliver(&at("C4.wav/x"), &["C4.wav is a file"]);
    deliver(&at(&"y".repeat(300)), &["no such name"]);
    told(&["deliver", s(&c), "--to", s(&at("out"))], 2, &["a sound file", ".seamwright"]);
    told(&["deliver", s(&at("nowhere")), "--to", s(&at("out"))], 2, &["not there"]);
}

/// A damaged session is told with the line it is damaged at, that it is left as it is, and the way out.
#[test]
fn a_damaged_session_is_told_in_words() {
    let dir = folder_of_three();
    let path = accepted(dir.path());
    let good = std::fs::read_to_string(&path).unwrap();
    let out = dir.path().join("out");
    let cut = &good[..good.len() / 2];
    let lines = format!("in line {}", cut.lines().count());
    for (text, words) in [
        ("", "it is empty"),
        ("hello", "does not begin as a session does"),
        (cut, lines.as_str()),
        (&good.replace("\"takes\"", "\"tokes\""), "is not what belongs there"),
        (&good.replacen("\"frames\": 192000", "\"frames\": 192000,,", 1), "cannot be understood from line"),
        (&good.replacen("seamwright session", "another thing", 1), "it calls itself \"another thing\""),
    ] {
        std::fs::write(&path, text).unwrap();
        let all = [words, "damaged session", "left as it is", "A good autosave of it is", ".autosave"];
        told(&["deliver", s(&path), "--to", s(&out)], 1, &all);
        told(&["propose", s(dir.path())], 1, &all);
        assert_eq!(std::fs::read_to_string(&path).unwrap(), text);
    }
    std::fs::remove_file(
        path.with_file_name(format!(".{}.autosave", path.file_name().unwrap().to_str().unwrap())),
    )
    .unwrap();
    told(&["deliver", s(&path), "--to", s(&out)], 1, &["No good autosave", "backup"]);
}
