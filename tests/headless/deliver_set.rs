//! A whole delivery from outside: forms, maps, levels, report, resuming.

use std::collections::BTreeMap;
use std::f64::consts::PI;
use std::path::{Path, PathBuf};
use std::sync::{Arc, OnceLock};

use rustysynth::{SoundFont, Synthesizer, SynthesizerSettings};
use serde_json::Value;

use super::make::*;

fn deliver(session: &Path, out: &Path, more: &[&str]) -> Ran {
    run(&[&["deliver", s(session), "--to", s(out), "--json"], more].concat())
}

/// A session with two layers of three notes, the second 6 dB louder; its middle note is missing. Made
/// once: a delivery only reads it.
fn session() -> &'static Path {
    static SESSION: OnceLock<PathBuf> = OnceLock::new();
    SESSION.get_or_init(|| {
        let dir = Path::new(env!("CARGO_TARGET_TMPDIR")).join("two layers");
        let _ = std::fs::remove_dir_all(&dir);
        std::fs::create_dir_all(&dir).unwrap();
        for (name, hz, gain, seed) in [
            ("C4 layer 1", 261.6256, 0.5, 1),
            ("D#4 layer 1", 311.1270, 0.5, 2),
            ("F#4 layer 1", 369.9944, 0.5, 3),
            ("C4 layer 2", 261.6256, 1.0, 4),
            ("F#4 layer 2", 369.9944, 1.0, 5),
        ] {
            let x: Vec<f32> = steady(hz, 2.0, seed).iter().map(|s| s * gain).collect();
            write(&dir.join(format!("{name}.wav")), &x);
        }
        accepted(&dir)
    })
}

/// The session, and a folder for this test.
fn two_layers() -> (tempfile::TempDir, &'static Path) {
    (tempfile::tempdir().unwrap(), session())
}

fn manifest(out: &Path) -> Value {
    serde_json::from_slice(&std::fs::read(out.join(MANIFEST)).unwrap()).unwrap()
}

#[test]
fn every_form_is_delivered_and_checks_out() {
    let (dir, session) = two_layers();
    for (form, ending) in [("wav16", "wav"), ("wav32f", "wav"), ("flac", "flac"), ("aiff", "aif")] {
        let out = dir.path().join(form);
        let r = deliver(
            session,
            &out,
            &["--format", form, "--title", "set", "--spelling", "letter", "--folders", "layer"],
        );
        assert_eq!(r.code, 0, "{form}: {}", r.err);
        let expected = [
            "layer 1/set C4 1",
            "layer 1/set Ds4 1",
            "layer 1/set Fs4 1",
            "layer 2/set C4 2",
            "layer 2/set Fs4 2",
        ];
        let mut expected: Vec<String> = expected.iter().map(|n| format!("{n}.{ending}")).collect();
        expected.extend(["report.csv", "report.html", "report.json", "set.sfz"].map(String::from));
        assert_eq!(all_files(&out), expected);
        let c = run(&["check", s(&out), "--json"]);
        assert_eq!(c.code, 0, "{form}: {}", c.out);
        let c = c.json();
        assert_eq!(c["files"].as_array().unwrap().len(), 5);
        for f in c["files"].as_array().unwrap() {
            assert!(f["loop"].is_object() && f["root"].is_number(), "{form}: {f}");
        }
        assert_eq!((c["unused"].as_array().unwrap().len(), c["maps"][0]["regions"].as_u64()), (0, Some(5)));
    }
}

/// The phase of the partial at `hz` over a stretch, by its inner product with a complex wave.
fn phase(x: &[f32], from: usize, hz: f64) -> f64 {
    let n = 9600;
    let (mut re, mut im) = (0.0, 0.0);
    for i in 0..n {
        let window = 0.5 - 0.5 * (2.0 * PI * i as f64 / n as f64).cos();
        let angle = 2.0 * PI * hz * (from + i) as f64 / 48_000.0;
        re += f64::from(x[from + i]) * window * angle.cos();
        im -= f64::from(x[from + i]) * window * angle.sin();
    }
    im.atan2(re)
}

/// Cents from `hz` to the partial near it: how far its phase runs away in a fifth of a second.
fn cents_off(x: &[f32], hz: f64) -> f64 {
    let mut by = phase(x, 48_000 + 9600, hz) - phase(x, 48_000, hz);
    by -= (by / (2.0 * PI)).round() * 2.0 * PI;
    1200.0 * (1.0 + by / (2.0 * PI * 0.2) / hz).log2()
}

#[test]
fn the_soundfont_plays_every_key_in_tune_for_a_minute() {
    let (dir, session) = two_layers();
    for kind in ["sf2", "sf2-24"] {
        let out = dir.path().join(kind);
        let r =
            deliver(session, &out, &["--title", "set", "--map", kind, "--layers", "velocity", "--no-report"]);
        assert_eq!(r.code, 0, "{}", r.err);
        assert!(
            out.join("set.sf2").exists()
                && !out.join("set.sfz").exists()
                && !out.join("report.html").exists()
        );
        let c = run(&["check", s(&out.join("set.sf2")), "--json"]);
        assert_eq!(c.code, 0, "{}", c.out);
        assert_eq!(c.json()["maps"][0]["seams"].as_array().unwrap().len(), 5);
        let font = SoundFont::new(&mut std::fs::File::open(out.join("set.sf2")).unwrap()).unwrap();
        let font = Arc::new(font);
        for (key, velocity) in
            [(58, 40), (60, 40), (62, 40), (63, 40), (66, 40), (70, 40), (60, 100), (63, 100), (68, 100)]
        {
            let mut settings = SynthesizerSettings::new(48_000);
            settings.enable_reverb_and_chorus = false;
            let mut synth = Synthesizer::new(&font, &settings).unwrap();
            synth.note_on(0, key, velocity);
            let seconds = if key == 60 { 60 } else { 3 };
            let (mut x, mut right) = (vec![0.0; 48_000 * seconds], vec![0.0; 48_000 * seconds]);
            synth.render(&mut x, &mut right);
            let hz = 440.0 * ((f64::from(key) - 69.0) / 12.0).exp2();
            let off = cents_off(&x, hz);
            assert!(off.abs() < 1.0, "key {key}: {off} cents");
            // It does not fade or swell as its loop goes round.
            let rms =
                |x: &[f32]| (x.iter().map(|s| f64::from(*s).powi(2)).sum::<f64>() / x.len() as f64).sqrt();
            let (early, late) = (rms(&x[48_000..96_000]), rms(&x[x.len() - 48_000..]));
            assert!((20.0 * (late / early).log10()).abs() < 0.5, "key {key}: {early} {late}");
        }
    }
}

#[test]
fn the_preview_tells_what_the_delivery_then_does() {
    let (dir, session) = two_layers();
    let out = dir.path().join("out");
    let options = ["--title", "set", "--format", "flac", "--folders", "layer", "--map", "sfz,sf2"];
    let p = deliver(session, &out, &[&options[..], &["--preview"]].concat());
    assert_eq!(p.code, 0, "{}", p.err);
    assert!(!out.exists(), "a preview writes nothing");
    let p = p.json();
    let mut planned: Vec<String> =
        p["files"].as_array().unwrap().iter().map(|f| f["path"].as_str().unwrap().into()).collect();
    planned.extend(p["beside"].as_array().unwrap().iter().map(|b| b.as_str().unwrap().to_owned()));
    planned.sort();
    // Every minor third: each reaches one key down and one up, its neighbours the rest (middle to the lower).
    assert_eq!(p["files"][1]["keys"], serde_json::json!([48, 63]), "layer 2 fills its missing note");
    assert_eq!(deliver(session, &out, &options).code, 0);
    assert_eq!(all_files(&out), planned);
    let bad = deliver(session, &out, &["--preview", "--pattern", "x:{note}"]);
    assert_eq!(bad.code, 1);
    assert_eq!(bad.json()["problems"].as_array().unwrap().len(), 7, "five names with a colon, two clashes");
}

#[test]
fn levels_pre_roll_and_tail_are_as_asked() {
    let (dir, session) = two_layers();
    let out = dir.path().join("out");
    let r = deliver(
        session,
        &out,
        &["--level", "loudness:-24", "--ceiling", "-3", "--pre-roll", "20", "--tail", "fade:0.1"],
    );
    assert_eq!(r.code, 0, "{}", r.err);
    let takes: Value = serde_json::from_slice(&std::fs::read(out.join("report.json")).unwrap()).unwrap();
    for t in takes["takes"].as_array().unwrap() {
        let n = |k: &str| t[k].as_f64().unwrap();
        assert!((n("loudness_lufs") + 24.0).abs() < 0.05, "{t}");
        assert!(n("true_peak_db") <= -3.0 + 0.01, "{t}");
        assert_eq!(n("onset"), 960.0, "20 ms at 48 kHz");
        let file = out.join(t["file"].as_str().unwrap());
        let mut wav = hound::WavReader::open(&file).unwrap();
        let frames = f64::from(wav.duration());
        let end = t["loop"]["end"].as_f64().unwrap();
        assert!((end..=end + 4800.0).contains(&frames), "a tenth of a second after the loop at most");
        let last = wav.samples::<i32>().last().unwrap().unwrap();
        assert!(last.abs() < 1 << 12, "it has faded: {last}");
    }
    let r = deliver(session, &out, &["--tail", "cut", "--resume"]);
    assert_eq!(r.code, 0, "{}", r.err);
    let c = run(&["check", s(&out), "--json"]).json();
    for f in c["files"].as_array().unwrap() {
        assert_eq!(f["loop"]["end"], f["frames"], "the loop ends with the file");
    }
    for bad in [["--level", "loud"], ["--tail", "off"], ["--pre-roll", "600"], ["--lowest-key", "128"]] {
        let r = deliver(session, &dir.path().join("never"), &bad);
        assert_eq!(r.code, 2, "{bad:?}: {}", r.err);
    }
    assert!(!dir.path().join("never").exists());
}

/// The gains are worked out from what was measured the first time: a second delivery comes to the same.
#[test]
fn resuming_with_evened_levels_writes_nothing() {
    let (dir, session) = two_layers();
    for level in ["even:100", "loudness:-23"] {
        let out = dir.path().join(&level[..4]);
        let base = ["--resume", "--level", level, "--level-together"];
        assert_eq!(deliver(session, &out, &base).json()["written"].as_array().unwrap().len(), 5);
        let again = deliver(session, &out, &base).json();
        assert_eq!(again["written"].as_array().unwrap().len(), 0, "{level}: {again}");
    }
}

#[test]
fn resuming_writes_only_what_changed_and_lists_what_is_left_over() {
    let (dir, session) = two_layers();
    let out = dir.path().join("out");
    let credits = dir.path().join("Licence.txt");
    std::fs::write(&credits, "Made in a kitchen. Public domain.\n").unwrap();
    let base = ["--resume", "--title", "set", "--map", "sfz,sf2", "--credits", s(&credits)];
    let first = deliver(session, &out, &base);
    assert_eq!(first.code, 0, "{}", first.err);
    assert_eq!(std::fs::read(out.join("Licence.txt")).unwrap(), std::fs::read(&credits).unwrap());
    let times = |out: &Path| -> BTreeMap<String, std::time::SystemTime> {
        all_files(out)
            .into_iter()
            .map(|n| (n.clone(), out.join(n).metadata().unwrap().modified().unwrap()))
            .collect()
    };
    let before = times(&out);
    assert_eq!(before.len(), 5 + 3 + 2 + 1);
    let m = manifest(&out);
    assert!(m["program"].as_str().unwrap().starts_with("Seamwright "));
    for n in sounds(&out) {
        let e = &m["files"][&n];
        assert!(
            ["from", "is", "source", "recipe", "setup"].iter().all(|k| e[*k].as_str().unwrap().len() == 64),
            "{e}"
        );
    }
    // Nothing changed: nothing is written, not even map and report.
    let again = deliver(session, &out, &base).json();
    assert_eq!((again["written"].as_array().unwrap().len(), again["kept"].as_array().unwrap().len()), (0, 5));
    assert_eq!(times(&out), before);
    // A text of the map changes the map alone.
    let r = deliver(session, &out, &[&base[..], &["--release", "1"]].concat()).json();
    assert_eq!(r["written"].as_array().unwrap().len(), 0);
    let changed: Vec<String> =
        times(&out).into_iter().filter(|(n, t)| before[n] != *t).map(|(n, _)| n).collect();
    assert_eq!(changed, ["set.sf2", "set.sfz"]);
    // Other names: the old files are listed and stay, until they are asked to be removed.
    std::fs::write(out.join("mine.wav"), b"not delivered").unwrap();
    let renamed = [&base[..], &["--pattern", "{note}-{layer}"]].concat();
    let r = deliver(session, &out, &renamed);
    assert_eq!(r.json()["orphans"].as_array().unwrap().len(), 5, "{}", r.out);
    assert!(r.err.contains("--remove-orphans"), "{}", r.err);
    assert!(out.join("set C4 1.wav").exists());
    // One of them was worked on since: it is somebody's now.
    std::fs::write(out.join("set C4 2.wav"), b"changed by hand").unwrap();
    let r = deliver(session, &out, &[&renamed[..], &["--remove-orphans"]].concat()).json();
    assert_eq!(r["removed"].as_array().unwrap().len(), 4, "{r}");
    assert!(!out.join("set C4 1.wav").exists());
    assert!(out.join("set C4 2.wav").exists() && out.join("mine.wav").exists());
    // A delivery that could not write all, or nothing at all because of a mistake, removes nothing.
    std::fs::write(out.join("060-1.wav"), b"not delivered").unwrap();
    let numbered = [&base[..], &["--pattern", "{midi}-{layer}", "--remove-orphans"]].concat();
    let r = deliver(session, &out, &numbered);
    assert_eq!((r.code, r.json()["removed"].as_array().unwrap().len()), (1, 0), "{}", r.err);
    assert!(r.err.contains("once every take can be written"), "{}", r.err);
    let mistaken = [&base[..], &["--pattern", "{note}-{layer}{foo", "--remove-orphans"]].concat();
    assert_eq!(deliver(session, &out, &mistaken).code, 2);
    assert!(out.join("C4-1.wav").exists() && out.join("C4-2.wav").exists());
}

#[test]
fn the_report_stands_alone() {
    let (dir, session) = two_layers();
    let out = dir.path().join("out");
    let r = deliver(session, &out, &["--title", "a <b> & c\"", "--copyright", "CC0", "--artist", "<script>"]);
    // The title is no file name on some systems; the page must hold it all the same.
    assert_eq!(r.code, 2, "{}", r.err);
    let r = deliver(session, &out, &["--title", "a & c", "--copyright", "CC0", "--artist", "<script>"]);
    assert_eq!(r.code, 0, "{}", r.err);
    let page = std::fs::read_to_string(out.join("report.html")).unwrap();
    for away in ["http:", "https:", "src=", "href=", "url(", "@import", "<script"] {
        assert!(!page.contains(away), "{away}: the page must need nothing else");
    }
    assert!(page.contains("a &amp; c") && page.contains("&lt;script&gt;") && page.contains("CC0"));
    assert_eq!(page.matches("<svg").count(), 5);
    for part in ["click ", "spectrum ", "level ", "pitch ", "thump "] {
        assert!(page.matches(part).count() >= 5, "each seam tells its {part}");
    }
    assert!(page.contains("<td class=\"soft\">missing</td>"), "the note that layer 2 lacks");
    // Minus signs, never a hyphen before a number (the drawings aside); the unit of a number stands in its heading.
    let body = &page[page.find("<body>").unwrap()..];
    let drawn = |text: &str| {
        text.split("<svg").map(|t| t.split("</svg>").last().unwrap().to_owned()).collect::<String>()
    };
    let told = drawn(body);
    assert!(told.contains('−'), "levels are below zero");
    let hyphens =
        told.match_indices('-').filter(|(i, _)| told[i + 1..].starts_with(|c: char| c.is_ascii_digit()));
    let hyphens: Vec<&str> = hyphens.map(|(i, _)| &told[i.saturating_sub(20)..i + 5]).collect();
    assert!(hyphens.iter().all(|h| !h[..20].ends_with([' ', '>', '('])), "{hyphens:?}");
    for head in ["Length<span>s<", "Loudness<span>LUFS<", "True peak<span>dB<", "Gain<span>dB<"] {
        assert!(page.contains(head), "{head}");
    }
    // The seam counts as it does in the window: what is hidden, 100 is best. JSON keeps its own count.
    assert!(page.contains("Seam hidden<span>0 to 100, 100 is best"));
    let json: Value = serde_json::from_slice(&std::fs::read(out.join("report.json")).unwrap()).unwrap();
    for take in json["takes"].as_array().unwrap() {
        let audibility = take["seam"]["audibility"].as_f64().unwrap();
        let hidden = format!(">{:.0}<br><span class=\"soft\">click", (100.0 - audibility).round());
        assert!(page.contains(&hidden), "{hidden}");
    }
    // The window's colours, light and dark.
    for theme in [seamwright::app::theme::Theme::light(), seamwright::app::theme::Theme::dark()] {
        for (name, c) in [
            ("paper", theme.paper),
            ("line", theme.line),
            ("ink", theme.ink),
            ("soft", theme.ink_soft),
            ("accent", theme.accent),
        ] {
            let css = format!("--{name}:#{:02x}{:02x}{:02x};", c.r(), c.g(), c.b());
            assert!(page.contains(&css), "{css}");
        }
        for layer in 0..seamwright::app::theme::LAYERS.len() {
            let (by, own) = (if theme.dark { 0.12 } else { 0.22 }, theme.layer(layer as u16));
            let c = seamwright::app::theme::mix(own, theme.ink, by);
            let css = format!("--layer{layer}:#{:02x}{:02x}{:02x};", c.r(), c.g(), c.b());
            assert!(page.contains(&css), "{css}");
        }
    }
    assert!(page.contains("prefers-color-scheme:dark"));
    let csv = std::fs::read_to_string(out.join("report.csv")).unwrap();
    let lines: Vec<&str> = csv.split("\r\n").filter(|l| !l.is_empty()).collect();
    assert_eq!(lines.len(), 6);
    assert!(lines.iter().all(|l| l.matches(',').count() >= 20));
    let json: Value = serde_json::from_slice(&std::fs::read(out.join("report.json")).unwrap()).unwrap();
    assert_eq!(json["takes"].as_array().unwrap().len(), 5);
}

#[test]
fn check_finds_what_was_done_to_a_delivered_folder() {
    let (dir, session) = two_layers();
    let out = dir.path().join("out");
    assert_eq!(deliver(session, &out, &["--title", "set"]).code, 0);
    std::fs::remove_file(out.join("set C4 1.wav")).unwrap();
    let mut bytes = std::fs::read(out.join("set D#4 1.wav")).unwrap();
    bytes[2000] ^= 1;
    std::fs::write(out.join("set D#4 1.wav"), bytes).unwrap();
    std::fs::copy(out.join("set F#4 1.wav"), out.join("another.wav")).unwrap();
    let map = std::fs::read_to_string(out.join("set.sfz")).unwrap();
    let c = run(&["check", s(&out), "--json"]);
    assert_eq!(c.code, 1);
    let c = c.json();
    assert_eq!(c["missing"], serde_json::json!(["set C4 1.wav"]));
    assert_eq!(c["unused"], serde_json::json!(["another.wav"]));
    assert!(c["changed"][0].as_str().unwrap().starts_with("set D#4 1.wav"), "{}", c["changed"]);
    // Named as another note than it says itself, counted either way; and as some systems refuse it.
    let renamed = dir.path().join("renamed");
    std::fs::create_dir(&renamed).unwrap();
    for name in ["set D4 1.wav", "set F#3 1.wav", "F#4 what?.wav"] {
        std::fs::copy(out.join("set F#4 1.wav"), renamed.join(name)).unwrap();
    }
    let c = run(&["check", s(&renamed), "--json"]);
    assert_eq!(c.code, 1);
    let c = c.json();
    let problems = |i: usize| c["files"][i]["problems"].clone();
    assert_eq!(problems(0), serde_json::json!(["its name is refused by some systems"]));
    assert_eq!(problems(1), serde_json::json!(["its name says D4, its root key is F#4"]));
    assert_eq!(problems(2), serde_json::json!([]), "middle C as C3");
    // A loop beyond the file, another root, keys the wrong way round.
    let foreign = dir.path().join("foreign");
    std::fs::create_dir(&foreign).unwrap();
    std::fs::copy(out.join("set F#4 1.wav"), foreign.join("x.wav")).unwrap();
    let text = "<region> sample=x.wav lokey=70 hikey=60 pitch_keycenter=60 loop_mode=loop_continuous loop_start=5 loop_end=99999999";
    std::fs::write(foreign.join("x.sfz"), text).unwrap();
    let c = run(&["check", s(&foreign.join("x.sfz")), "--json"]);
    assert_eq!(c.code, 1);
    assert_eq!(c.json()["maps"][0]["problems"].as_array().unwrap().len(), 3, "{}", c.out);
    // A loop that lies in the file and is another than the file's own.
    let text =
        "<region> sample=x.wav pitch_keycenter=66 loop_mode=loop_continuous loop_start=100 loop_end=8099";
    std::fs::write(foreign.join("x.sfz"), text).unwrap();
    let c = run(&["check", s(&foreign.join("x.sfz")), "--json"]);
    let told = c.json()["maps"][0]["problems"].clone();
    assert_eq!((c.code, told.as_array().unwrap().len()), (1, 1), "{told}");
    assert!(told[0].as_str().unwrap().contains("from 100 to 8100; the file says from"), "{told}");
    assert!(map.contains("loop_end="));
    std::fs::write(foreign.join("x.sf2"), b"RIFF\x08\0\0\0sfbkLIST").unwrap();
    let c = run(&["check", s(&foreign.join("x.sf2")), "--json"]);
    assert_eq!((c.code, c.json()["failed"].as_array().unwrap().len()), (1, 1));
}

#[test]
fn a_folder_that_vanishes_is_told_and_does_not_bring_it_down() {
    use seamwright::jobs::Job;
    use seamwright::render::batch::{DeliverOptions, deliver};
    use seamwright::session::store;
    let (dir, session) = two_layers();
    let document = store::read(session).unwrap();
    let out = dir.path().join("out");
    let job = Job::new();
    let over = std::sync::atomic::AtomicBool::new(false);
    let done = std::thread::scope(|scope| {
        scope.spawn(|| {
            while job.counts().0 == 0 && !over.load(std::sync::atomic::Ordering::Relaxed) {
                std::thread::yield_now();
            }
            let _ = std::fs::rename(&out, dir.path().join("moved"));
        });
        let one = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap();
        let done = one.install(|| deliver(session, &document, &out, &DeliverOptions::default(), &job));
        over.store(true, std::sync::atomic::Ordering::Relaxed);
        done.unwrap()
    });
    assert!(!done.failed.is_empty() && !done.beside_failed.is_empty(), "{done:?}");
    assert!(done.failed.iter().all(|(_, _, e)| e.to_string().contains("is not there")), "{:?}", done.failed);
}

#[test]
fn two_deliveries_into_one_folder_do_not_mix() {
    let (dir, session) = two_layers();
    let out = dir.path().join("out");
    std::fs::create_dir(&out).unwrap();
    let lock = std::fs::File::create(out.join(".seamwright-delivery.lock")).unwrap();
    lock.lock().unwrap();
    let r = deliver(session, &out, &[]);
    assert_eq!(r.code, 1, "{}", r.err);
    assert!(r.err.contains("another delivery"), "{}", r.err);
    drop(lock);
    assert_eq!(deliver(session, &out, &[]).code, 0);
}

/// Tables for people: each column's unit below its name, real minus signs, notes by name; the seam as everywhere.
#[test]
fn tables_for_people_have_units_and_minus_signs() {
    let (dir, session) = two_layers();
    let out = dir.path().join("out");
    let r = run(&["deliver", s(session), "--to", s(&out), "--title", "set", "--preview"]);
    assert_eq!(r.code, 0, "{}", r.err);
    // Nearest root, the middle to the lower: D#4 (63) sounds from D4 (62) to E4 (64).
    assert!(r.out.contains("set D#4 1.wav  (keys D4 (62) to E4 (64))"), "{}", r.out);
    assert_eq!(deliver(session, &out, &["--title", "set"]).code, 0);
    let r = run(&["check", s(&out)]);
    assert_eq!(r.code, 0, "{}", r.out);
    let lines: Vec<&str> = r.out.lines().collect();
    let words = |line: &str| {
        line.split("  ").map(str::trim).filter(|w| !w.is_empty()).map(str::to_owned).collect::<Vec<_>>()
    };
    assert_eq!(
        words(lines[0]),
        ["file", "root", "out of tune", "loop lasts", "level", "peak", "seam hidden", "problems"]
    );
    assert_eq!(words(lines[1]), ["note", "cents", "s", "dB", "dB", "of 100, 100 is best"]);
    let row = words(lines[2]);
    assert!(row[4].starts_with('−') && row[5].starts_with('−'), "{row:?}");
    assert!(row[6].parse::<u32>().is_ok_and(|hidden| hidden > 80), "{row:?}");
    let take = session.with_file_name("C4 layer 1.wav");
    for (args, names, units) in [
        (vec!["survey", s(&take)], "above room", "dB"),
        (vec!["loops", s(&take)], "length score", "frames"),
        (vec!["pitch", s(&take)], "fundamental", "Hz"),
    ] {
        let r = run(&args);
        let lines: Vec<&str> = r.out.lines().collect();
        assert!(lines[0].contains(names) && lines[1].contains(units), "{args:?}: {}", r.out);
        assert_eq!(
            words(lines[0]).len() - usize::from(args[0] == "survey") * 2,
            words(lines[1]).len(),
            "{args:?}"
        );
        assert!(!r.err.contains(" -") && !lines[2].contains(" -"), "{args:?}: {} {}", r.err, lines[2]);
    }
    let to = dir.path().join("seam.wav");
    let r = run(&["seam", s(&take), "--to", s(&to), "--start", "40000", "--end", "60000"]);
    assert!(
        r.out.contains("loop from frame 40000 to 60000, seam hidden ") && r.out.contains("(100 is best)"),
        "{}",
        r.out
    );
}
