//! Each command's JSON against signals whose truth is known.

use super::make::*;

fn numbers(v: &serde_json::Value) -> Vec<f64> {
    v.as_array().unwrap().iter().filter_map(serde_json::Value::as_f64).collect()
}

#[test]
fn survey_finds_note_span_and_room() {
    let dir = folder_of_three();
    let r = run(&["survey", s(dir.path()), "--json"]);
    assert_eq!(r.code, 0, "{}", r.err);
    let j = r.json();
    assert_eq!(j["failed"].as_array().unwrap().len(), 0);
    let files = j["files"].as_array().unwrap();
    let midi: Vec<_> = files.iter().map(|f| f["takes"][0]["midi"].as_u64().unwrap()).collect();
    assert_eq!(midi, [60, 62, 64]);
    for f in files {
        assert_eq!(f["rate"], RATE);
        assert_eq!(f["channels"], 1);
        assert_eq!(f["frames"], 4 * RATE);
        assert_eq!(f["takes"].as_array().unwrap().len(), 1);
        let t = &f["takes"][0];
        // The note begins to sound 0.5 s in and is gone at 3.5 s; it rises over 30 ms.
        let (start, end) = (t["start"].as_f64().unwrap(), t["end"].as_f64().unwrap());
        let rate = f64::from(RATE);
        assert!((0.40..0.51).contains(&(start / rate)), "start {}", start / rate);
        assert!((3.44..3.70).contains(&(end / rate)), "end {}", end / rate);
        assert_eq!(t["named"]["midi"], t["midi"]);
        assert!(t["cents"].as_f64().unwrap().abs() < 6.0, "drift of ±6 cents around the note: {t}");
        // White noise of RMS 0.0003 stands at −70.5 dB.
        let room = &f["room_tone"];
        assert!((room["level_db"].as_f64().unwrap() + 70.46).abs() < 0.5, "{room}");
        assert!(t["snr_db"].as_f64().unwrap() > 45.0);
        assert_eq!(t["concerns"].as_array().unwrap().len(), 0, "{t}");
    }
}

#[test]
fn pitch_follows_a_known_glide() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("glide.wav");
    // ±6 cents at 0.4 Hz around 261.6256 Hz, by construction.
    write(&path, &steady(261.6256, 3.0, 1));
    let j = run(&["pitch", s(&path), "--hop-ms", "10", "--json"]).json();
    assert!((j["hop_s"].as_f64().unwrap() - 0.010).abs() < 1e-12);
    let frames = j["frames"].as_array().unwrap();
    assert_eq!(frames.len(), 401);
    let mut worst = 0f64;
    let mut voiced = 0;
    for f in frames {
        let t = f["t"].as_f64().unwrap() - 0.5;
        if (0.2..2.7).contains(&t) {
            let Some(hz) = f["f0_hz"].as_f64() else { continue };
            voiced += 1;
            let truth = 6.0 * (2.0 * std::f64::consts::PI * 0.4 * t).sin();
            worst = worst.max((1200.0 * (hz / 261.6256).log2() - truth).abs());
        } else if !(-0.1..3.1).contains(&t) {
            assert!(f["f0_hz"].is_null(), "a note in the room tone: {f}");
        }
    }
    assert!(voiced >= 248, "{voiced} of 250");
    // At 50 dB above the room the bound of sources (Cramér–Rao) is far below a tenth of a cent.
    assert!(worst < 0.5, "{worst} cents");
}

#[test]
fn flatten_brings_the_note_to_its_target() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("c.wav");
    let to = dir.path().join("flat.wav");
    write(&path, &take(261.6256, 4.0, |t| 20.0 + 10.0 * (2.0 * std::f64::consts::PI * 0.5 * t).sin(), 5));
    let r = run(&["flatten", s(&path), "--to", s(&to), "--target", "C4", "--rate", "44100", "--json"]);
    assert_eq!(r.code, 0, "{}", r.err);
    let j = r.json();
    assert_eq!(j["rate"], 44_100);
    assert!(j["deviation_cents_rms"]["before"].as_f64().unwrap() > 18.0);
    assert!(j["deviation_cents_rms"]["after"].as_f64().unwrap() < 0.5, "{}", j["deviation_cents_rms"]);
    let map = j["map"].as_array().unwrap();
    assert!(map.windows(2).all(|w| {
        let (a, b) = (numbers(&w[0]), numbers(&w[1]));
        b[0] > a[0] && b[1] > a[1]
    }));
    // Judged by an independent tracker as well.
    let mut wav = hound::WavReader::open(&to).unwrap();
    assert_eq!(wav.spec().sample_rate, 44_100);
    let x: Vec<f64> = wav.samples::<i32>().map(|v| f64::from(v.unwrap()) / 8_388_608.0).collect();
    let hz = zero_crossing_rate(&x[44_100..3 * 44_100], 44_100.0);
    assert!((1200.0 * (hz / 261.6256).log2()).abs() < 1.0, "{hz} Hz");
}

/// Mean frequency from the first and last rising zero crossing of a low-passed wave: needs no
/// spectrum, no window, none of our code.
fn zero_crossing_rate(x: &[f64], rate: f64) -> f64 {
    // Two running means over a sixth of a period leave the fundamental well above the rest.
    let w = (rate / 261.6 / 3.0) as usize;
    let mean = |x: &[f64]| -> Vec<f64> { x.windows(w).map(|v| v.iter().sum::<f64>() / w as f64).collect() };
    let y = mean(&mean(x));
    let rising: Vec<f64> = (1..y.len())
        .filter(|i| y[i - 1] < 0.0 && y[*i] >= 0.0)
        .map(|i| i as f64 - y[i] / (y[i] - y[i - 1]))
        .collect();
    (rising.len() - 1) as f64 * rate / (rising[rising.len() - 1] - rising[0])
}

#[test]
fn loops_then_seam_then_check() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.wav");
    let to = dir.path().join("a looped.wav");
    write(&path, &take(220.0, 4.0, |_| 0.0, 9));
    let before = std::fs::read(&path).unwrap();
    let j = run(&["loops", s(&path), "--top", "5", "--json"]).json();
    assert_eq!(j["rate"], RATE);
    assert!((j["f0_hz"].as_f64().unwrap() - 220.0).abs() < 0.05);
    let best = &j["candidates"][0];
    assert!(j["candidates"].as_array().unwrap().len() <= 5);
    let scores: Vec<f64> =
        j["candidates"].as_array().unwrap().iter().map(|c| c["score"].as_f64().unwrap()).collect();
    assert!(scores.windows(2).all(|w| w[0] >= w[1]), "best first: {scores:?}");
    for part in ["zero_crossing", "waveform", "spectral", "level", "pitch"] {
        assert!((0.0..=100.0).contains(&best["parts"][part].as_f64().unwrap()), "{part}");
    }
    let (start, end) = (best["start"].as_u64().unwrap(), best["end"].as_u64().unwrap());
    // A steady tone loops at whole periods: 48000/220 = 218.18 frames.
    let periods = (end - start) as f64 * 220.0 / 48_000.0;
    assert!((periods - periods.round()).abs() < 0.02, "{periods} periods");
    let crossfade = best["crossfade"].as_u64().unwrap();
    let r = run(&[
        "seam",
        s(&path),
        "--to",
        s(&to),
        "--start",
        &start.to_string(),
        "--end",
        &end.to_string(),
        "--crossfade",
        &crossfade.to_string(),
        "--json",
    ]);
    assert_eq!(r.code, 0, "{}", r.err);
    let c = run(&["check", s(&to), "--json"]);
    assert_eq!(c.code, 0, "{} {}", c.out, c.err);
    let f = &c.json()["files"][0];
    assert_eq!(f["root"], 57);
    assert_eq!((f["loop"]["start"].as_u64(), f["loop"]["end"].as_u64()), (Some(start), Some(end)));
    assert!(f["off_cents"].as_f64().unwrap().abs() < 1.0);
    assert_eq!(std::fs::read(&path).unwrap(), before, "the source was touched");
}

#[test]
fn nothing_of_somebody_elses_is_written_over() {
    let dir = folder_of_three();
    let (c, d) = (dir.path().join("C4.wav"), dir.path().join("D4.wav"));
    let before = std::fs::read(&d).unwrap();
    for args in [
        vec!["flatten", s(&c), "--to", s(&d)],
        vec!["seam", s(&c), "--to", s(&d), "--start", "50000", "--end", "90000"],
    ] {
        let r = run(&args);
        assert_eq!(r.code, 2, "{}", r.err);
        assert!(r.err.contains("not written by this program"), "{}", r.err);
        assert_eq!(std::fs::read(&d).unwrap(), before);
    }
    // What the program wrote itself it may write again.
    let ours = dir.path().join("flat.wav");
    for _ in 0..2 {
        assert_eq!(run(&["flatten", s(&c), "--to", s(&ours)]).code, 0);
    }
}

#[test]
fn demo_runs_all_the_way_through() {
    let dir = tempfile::tempdir().unwrap();
    let demo = dir.path().join("demo");
    let r = run(&["demo", s(&demo), "--headless", "--json"]);
    assert_eq!(r.code, 0, "{}", r.err);
    let j = r.json();
    let takes = j["takes"].as_array().unwrap();
    // Nine notes in four layers, one missing.
    assert_eq!(takes.len(), 35);
    let concerned = |kind: &str| {
        takes.iter().filter(|t| t["concerns"].as_array().unwrap().iter().any(|c| c["kind"] == kind)).count()
    };
    assert_eq!(concerned("wrong_note"), 4, "one bottle, four players");
    assert_eq!(concerned("clipped"), 1);
    assert_eq!(concerned("too_short_to_loop"), 1);
    let written = j["delivery"]["written"].as_array().unwrap().len();
    assert!(written >= 25, "{written} written");
    assert_eq!(sounds(&demo.join("out")).len(), written);
    let c = run(&["check", s(&demo.join("out")), "--json"]);
    assert_eq!(c.code, 0, "{}\n{}", c.out, c.err);
    // Once more: nothing is left to do, and what was delivered is not taken for takes.
    let again = run(&["demo", s(&demo), "--headless", "--json"]).json();
    assert_eq!(again["takes"].as_array().unwrap().len(), 35);
    assert_eq!(again["delivery"]["written"].as_array().unwrap().len(), 0);
    assert_eq!(again["delivery"]["kept"].as_array().unwrap().len(), written);
}

#[test]
fn wrong_usage_exits_with_2_and_says_what_is_allowed() {
    let dir = folder_of_three();
    let c = dir.path().join("C4.wav");
    let to = dir.path().join("out.wav");
    for (args, word) in [
        (vec!["pitch", s(&c), "--hop-ms", "0"], "1 to 20"),
        (vec!["pitch", "nowhere.wav"], "not there"),
        (vec!["flatten", s(&c), "--to", s(&c)], "sources are never written"),
        (vec!["flatten", s(&c), "--to", s(&to), "--drift", "101"], "0 to 100"),
        (vec!["flatten", s(&c), "--to", s(&to), "--target", "H3"], "C#4"),
        (vec!["loops", s(&c), "--from", "9", "--until", "8"], "--from below --until"),
        (vec!["seam", s(&c), "--to", s(&to), "--start", "10", "--end", "99999999"], "frames"),
        (vec!["propose", "nowhere"], "folder"),
        (vec!["deliver", s(dir.path()), "--to", s(&to)], "propose"),
        (vec!["clean", s(&c)], "--to"),
        (vec!["clean", s(&c), "--to", s(&c)], "sources are never written"),
        (vec!["clean", s(&c), "--to", s(&to), "--amount", "101"], "0 to 100"),
        (vec!["clean", s(&c), "--to", s(&to), "--room-tone", "9..8"], "START below END"),
        (vec!["clean", s(&c), "--to", s(&to), "--room-tone", "nowhere.wav"], "0..96000"),
        (vec!["clean", s(&c), "--to", s(&to), "--high-pass", "2"], "5 to 1000"),
        (vec!["no-such-command", "--x"], "no command, folder, sound file or session named “no-such-command”"),
        (vec!["--x"], "seamwright has no option --x; `seamwright --help` lists"),
        (
            vec!["survey", s(&c), "--layuot", "take"],
            "`seamwright survey` has no option --layuot; --layout may be meant",
        ),
        (
            vec!["survey", s(&c), "--layout", "heap"],
            "--layout is “heap”; allowed: detect, take, note or layer",
        ),
        (vec!["survey"], "`seamwright survey` lacks <FILE or FOLDER>"),
        (
            vec!["seam", s(&c)],
            "lacks --to <OUT.wav>, --start <FRAME> and --end <FRAME>; `seamwright seam --help`",
        ),
        (vec!["demo", "a", "b"], "`seamwright demo` has no use for “b”"),
        (vec!["survey", s(&c), "--a4", "440", "--a4", "441"], "--a4 was given more than once"),
        (vec!["pitch", s(&c), "--hop-ms"], "--hop-ms has no value; `seamwright pitch --help` tells which"),
        (vec!["pitch", s(&c), "--json=3"], "--json takes no value, it was given “3”"),
        (
            vec!["loops", s(&c), "--top", "many"],
            "--top is “many”; a whole number from 1 to 1000 is wanted, such as 20",
        ),
        (
            vec!["deliver", s(dir.path()), "--to", s(&to), "--date", "yesterday"],
            "--date is “yesterday”; a date is wanted as year-month-day, such as 2024-05-18",
        ),
    ] {
        let r = run(&args);
        assert_eq!(r.code, 2, "{args:?}: {} {}", r.out, r.err);
        assert!(r.err.contains(word), "{args:?}: {}", r.err);
        // One voice: the program's own.
        assert!(r.err.starts_with("seamwright: ") && !r.err.contains("error:"), "{args:?}: {}", r.err);
        assert!(!r.err.contains("Usage:") && !r.err.contains("try '--help'"), "{args:?}: {}", r.err);
        assert!(!to.exists());
    }
    let r = run(&["pitch", s(&c), "--hop-ms", "0", "--json"]);
    assert!(r.json()["error"]["text"].as_str().unwrap().contains("1 to 20"), "{}", r.out);
}

/// The demo would share a session with takes that lie in its folder already.
#[test]
fn the_demo_keeps_away_from_other_takes() {
    let dir = folder_of_three();
    let before: Vec<_> = std::fs::read_dir(dir.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
    let r = run(&["demo", s(dir.path()), "--headless"]);
    assert_eq!(r.code, 2, "{} {}", r.out, r.err);
    assert!(r.err.contains("holds other sound files"), "{}", r.err);
    let after: Vec<_> = std::fs::read_dir(dir.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(before, after);
}

#[test]
fn a_mistyped_command_opens_no_window() {
    let r = run(&["surfey"]);
    assert_eq!(r.code, 2, "{} {}", r.out, r.err);
    assert!(r.err.contains("no command, folder, sound file or session named “surfey”"), "{}", r.err);
}

#[test]
fn a_file_in_the_place_of_a_folder_is_told_in_words() {
    let dir = folder_of_three();
    let file = dir.path().join("a file.txt");
    std::fs::write(&file, "text").unwrap();
    for args in [vec!["demo", s(&file), "--headless"], vec!["demo", s(&file)]] {
        let r = run(&args);
        assert_eq!(r.code, 2, "{} {}", r.out, r.err);
        assert!(r.err.contains("a file of that name stands there"), "{}", r.err);
    }
    assert_eq!(std::fs::read(&file).unwrap(), b"text");
}
