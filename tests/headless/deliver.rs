//! What is written: bytes by the published layout, whole files only, never over a stranger.

use super::make::*;
use std::collections::HashMap;
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering::Relaxed};

use seamwright::dsp::looping::LoopParts;
use seamwright::io::SoundForm;
use seamwright::jobs::Job;
use seamwright::render::batch::{self, DeliverOptions, Delivery};
use seamwright::render::standing::{FileStanding, sound_of, standing};
use seamwright::session::{CleanRecipe, Document, Edit, LevelRecipe, LoopRecipe, TakeState, store};
use seamwright::units::Decibels;

/// The chunks of a RIFF file, walked here by the published layout.
fn chunks(bytes: &[u8]) -> Vec<(String, Vec<u8>)> {
    assert_eq!((&bytes[..4], &bytes[8..12]), (&b"RIFF"[..], &b"WAVE"[..]));
    let total = u32::from_le_bytes(bytes[4..8].try_into().unwrap()) as usize;
    assert_eq!(total + 8, bytes.len(), "the RIFF size tells the truth");
    let mut at = 12;
    let mut found = Vec::new();
    while at + 8 <= bytes.len() {
        let n = u32::from_le_bytes(bytes[at + 4..at + 8].try_into().unwrap()) as usize;
        found.push((
            String::from_utf8_lossy(&bytes[at..at + 4]).into_owned(),
            bytes[at + 8..at + 8 + n].to_vec(),
        ));
        at += 8 + n + n % 2;
    }
    found
}

fn deliver(session: &Path, out: &Path, more: &[&str]) -> Ran {
    run(&[&["deliver", s(session), "--to", s(out), "--json"], more].concat())
}

/// `smpl` by the Multimedia Programming Interface and Data Specifications 1.0 and its 1994 update.
#[test]
fn smpl_stands_where_the_published_layout_says() {
    let dir = folder_of_three();
    let session = accepted(dir.path());
    let out = dir.path().join("out");
    let r = deliver(&session, &out, &["--title", "bottles"]);
    assert_eq!(r.code, 0, "{}", r.err);
    assert_eq!(sounds(&out), ["bottles C4 1.wav", "bottles D4 1.wav", "bottles E4 1.wav"]);
    for (name, root) in [("bottles C4 1.wav", 60u32), ("bottles D4 1.wav", 62), ("bottles E4 1.wav", 64)] {
        let path = out.join(name);
        let bytes = std::fs::read(&path).unwrap();
        let all = chunks(&bytes);
        let smpl = &all.iter().find(|(id, _)| id == "smpl").expect("smpl").1;
        let word = |i: usize| u32::from_le_bytes(smpl[4 * i..4 * i + 4].try_into().unwrap());
        assert_eq!(smpl.len(), 36 + 24);
        assert_eq!(word(2), 20_833, "sample period of 48 kHz in ns");
        // Tuned all the way, so the fraction is next to nothing, just above or just below the note.
        let exact = f64::from(word(3)) + f64::from(word(4)) / 4_294_967_296.0;
        assert!((exact - f64::from(root)).abs() < 0.003, "{name}: {exact}");
        // Players that read only the root key must not be a semitone off for a hair below the note.
        assert_eq!(word(3), root, "{name}");
        assert_eq!(word(7), 1, "one loop");
        assert_eq!(word(8), 0, "no extra bytes");
        let (kind, start, last, count) = (word(10), word(11), word(12), word(14));
        assert_eq!((kind, count), (0, 0), "forward, for ever");
        let wav = hound::WavReader::open(&path).unwrap();
        assert_eq!((wav.spec().sample_rate, wav.spec().bits_per_sample), (48_000, 24));
        assert!(start < last && last < wav.duration(), "{start} {last} of {}", wav.duration());
        assert!(
            last - start > 24_000,
            "three seconds of steady sound hold a loop of more than half a second"
        );
        let data = &all.iter().find(|(id, _)| id == "data").unwrap().1;
        assert_eq!(data.len(), 3 * wav.duration() as usize);
        let info = &all.iter().find(|(id, _)| id == "LIST").expect("INFO").1;
        assert!(info.starts_with(b"INFO") && info.windows(4).any(|w| w == b"ISFT"));
    }
    // The loop is exact: its length is a whole number of periods of the note it was tuned to.
    let c = run(&["check", s(&out), "--json"]);
    assert_eq!(c.code, 0, "{}", c.out);
    for f in c.json()["files"].as_array().unwrap() {
        let root = f["root"].as_f64().unwrap() + f["fine_tune_cents"].as_f64().unwrap() / 100.0;
        let hz = 440.0 * ((root - 69.0) / 12.0).exp2();
        let frames = f["loop"]["end"].as_f64().unwrap() - f["loop"]["start"].as_f64().unwrap();
        let periods = frames * hz / 48_000.0;
        assert!((periods - periods.round()).abs() < 0.01, "{periods} periods in {frames} frames");
    }
}

#[test]
fn the_same_recipe_gives_the_same_bits_and_resume_keeps_them() {
    let dir = folder_of_three();
    let session = accepted(dir.path());
    let (a, b) = (dir.path().join("out a"), dir.path().join("out b"));
    assert_eq!(deliver(&session, &a, &[]).code, 0);
    assert_eq!(deliver(&session, &b, &[]).code, 0);
    for name in sounds(&a) {
        assert_eq!(std::fs::read(a.join(&name)).unwrap(), std::fs::read(b.join(&name)).unwrap(), "{name}");
    }
    let first = a.join(&sounds(&a)[0]);
    std::fs::write(&first, b"damaged").unwrap();
    let r = deliver(&session, &a, &["--resume"]);
    assert_eq!(r.code, 0, "{}", r.err);
    assert_eq!(r.json()["written"].as_array().unwrap().len(), 1);
    assert_eq!(r.json()["kept"].as_array().unwrap().len(), 2);
    assert_eq!(std::fs::read(&first).unwrap(), std::fs::read(b.join(first.file_name().unwrap())).unwrap());
}

#[test]
fn window_and_command_render_the_same_bits() {
    use seamwright::io::decode;
    use seamwright::jobs::Job;
    use seamwright::render::{batch, chain, room::Rooms, shape};
    use seamwright::session::store;
    let dir = folder_of_three();
    let session = accepted(dir.path());
    let out = dir.path().join("out");
    assert_eq!(deliver(&session, &out, &[]).code, 0);
    let d = store::read(&session).unwrap();
    for (take, name) in d.takes.iter().zip(sounds(&out)) {
        let source = d.source(take.source).unwrap();
        let path = store::source_path(&session, &source.path);
        let clip = batch::decode_take(&path, take, source, &Job::new()).unwrap();
        let room = Rooms::default().of(&session, &d, source, &Job::new()).unwrap();
        let analysed = chain::analyse(clip, take.span).unwrap().in_room(room);
        let recipe = take.recipe.as_ref().unwrap();
        let r = chain::render(&analysed, recipe, d.setup.a4, d.setup.delivery_rate).unwrap();
        let here = shape::shaped(&r, &d.setup.delivery).unwrap().audio;
        let there = decode::decode(&out.join(&name)).unwrap();
        assert_eq!(here.frames(), there.frames());
        // 24 bits with triangular dither: off by at most one and a half steps of 2^-23.
        let worst =
            here.channel(0).iter().zip(there.channel(0)).map(|(a, b)| (a - b).abs()).fold(0f32, f32::max);
        assert!(worst <= 1.6 / 8_388_608.0, "{name}: {worst}");
    }
}

#[test]
fn never_over_a_source_nor_over_a_strangers_file() {
    let dir = tempfile::tempdir().unwrap();
    let source = dir.path().join("set C4 1.wav");
    write(&source, &steady(261.6256, 2.5, 1));
    let before = std::fs::read(&source).unwrap();
    let session = accepted(dir.path());
    let r = deliver(&session, dir.path(), &["--title", "set"]);
    assert_eq!(r.code, 2, "{}", r.err);
    assert!(r.err.contains("is a source"), "{}", r.err);
    assert_eq!(std::fs::read(&source).unwrap(), before);
    // Nor beside the sources, where it would be found as takes.
    let r = deliver(&session, dir.path(), &["--title", "other"]);
    assert_eq!(r.code, 2, "{}", r.err);
    assert!(r.err.contains("folder of its own"), "{}", r.err);
    assert!(!dir.path().join("other C4 1.wav").exists());
    let out = dir.path().join("out");
    std::fs::create_dir(&out).unwrap();
    std::fs::write(out.join("set C4 1.wav"), b"somebody's own").unwrap();
    let r = deliver(&session, &out, &["--title", "set"]);
    assert_eq!(r.code, 1, "one take could not be written: {}", r.err);
    assert!(r.err.contains("not delivered by this program"), "{}", r.err);
    assert_eq!(std::fs::read(out.join("set C4 1.wav")).unwrap(), b"somebody's own");
}

#[test]
fn one_bad_take_does_not_stop_the_rest() {
    let dir = folder_of_three();
    let session = accepted(dir.path());
    std::fs::remove_file(dir.path().join("D4.wav")).unwrap();
    let out = dir.path().join("out");
    let r = deliver(&session, &out, &[]);
    assert_eq!(r.code, 1, "{}", r.err);
    assert_eq!(sounds(&out).len(), 2);
    assert_eq!(r.json()["failed"].as_array().unwrap().len(), 1);
    assert!(r.err.contains("D4"), "{}", r.err);
}

/// A delivery that is asked to stop as soon as its first file is written.
fn cancelled_after_the_first(session: &Path, d: &Document, out: &Path, options: &DeliverOptions) -> Delivery {
    let job = Job::new();
    let over = AtomicBool::new(false);
    std::thread::scope(|scope| {
        scope.spawn(|| {
            while job.counts().0 == 0 && !over.load(Relaxed) {
                std::thread::yield_now();
            }
            job.cancel.cancel();
        });
        let one = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap();
        let result = one.install(|| batch::deliver(session, d, out, options, &job));
        over.store(true, Relaxed);
        result.unwrap()
    })
}

/// What a cancelled delivery did not come to stands as it stood, and counts so.
#[test]
fn a_cancel_keeps_what_is_known_of_the_files_it_did_not_touch() {
    let dir = folder_of_three();
    let session = accepted(dir.path());
    let d = store::read(&session).unwrap();
    let out = dir.path().join("out");
    let whole = batch::deliver(&session, &d, &out, &DeliverOptions::default(), &Job::new()).unwrap();
    assert_eq!(whole.written.len(), 3);
    let mut float = d.clone();
    float.setup.delivery.form = SoundForm::Wav32f;
    let done = cancelled_after_the_first(&session, &float, &out, &DeliverOptions { resume: true });
    assert!(done.cancelled && done.written.len() < 3);
    let now = standing(&session, &d, &out, &HashMap::new()).unwrap();
    assert_eq!(now.count(FileStanding::Changed), done.written.len(), "{:?}", now.files);
    assert_eq!(now.count(FileStanding::Same), 3 - done.written.len(), "{:?}", now.files);
    let again = batch::deliver(&session, &d, &out, &DeliverOptions { resume: true }, &Job::new()).unwrap();
    assert_eq!(again.kept.len(), 3 - done.written.len());
}

/// What changes no file is no change since the delivery: a guard on the loop or on the cleaning, another
/// score of the same loop, a decision that was taken back, a take that was moved and moved back.
#[test]
fn only_what_is_delivered_counts_as_changed() {
    let dir = folder_of_three();
    let session = accepted(dir.path());
    let d = store::read(&session).unwrap();
    let out = dir.path().join("out");
    batch::deliver(&session, &d, &out, &DeliverOptions::default(), &Job::new()).unwrap();
    let count = |d: &Document, what| standing(&session, d, &out, &HashMap::new()).unwrap().count(what);
    let take = d.takes[0].clone();
    let id = take.id;
    let with = |edits: Vec<Edit>| Edit::Many(edits).apply(&d).unwrap();
    let recipe = take.recipe.as_ref().unwrap();
    assert!(recipe.looping.is_some(), "there is a loop to lock and to judge");
    let parts = LoopParts { level: 1.0, ..LoopParts::default() };
    let judged = recipe.looping.map(|l| LoopRecipe { score: l.score - 9.0, parts, ..l });
    let judged = Edit::SetLoop { take: id, looping: judged };
    let lock =
        Edit::SetLoop { take: id, looping: recipe.looping.map(|l| LoopRecipe { locked: !l.locked, ..l }) };
    let own =
        Edit::SetClean { take: id, clean: CleanRecipe { own: !recipe.clean.own, ..recipe.clean.clone() } };
    let state = |state| Edit::SetState { take: id, state };
    let place = |note, layer| Edit::Place { take: id, note, layer };
    let note = take.note.unwrap();
    for (what, edits) in [
        ("locked", vec![lock]),
        ("judged anew", vec![judged.clone()]),
        ("cleaned by settings of its own", vec![own]),
        ("set aside and back", vec![state(TakeState::SetAside), state(TakeState::Accepted)]),
        ("undecided and back", vec![state(TakeState::Proposed), state(TakeState::Accepted)]),
        ("in another layer and back", vec![place(note, 7), place(note, take.layer)]),
    ] {
        assert_eq!(count(&with(edits), FileStanding::Same), 3, "{what}");
    }
    // Nor is anything measured or made again for a score that is kept by what it sounds like.
    let sound = sound_of(&d, id).unwrap();
    assert_eq!(sound_of(&with(vec![judged]), id).unwrap(), sound);
    // What is heard counts.
    let gain = LevelRecipe { gain: Decibels(recipe.level.gain.0 - 1.0) };
    assert_eq!(count(&with(vec![Edit::SetLevel { take: id, level: gain }]), FileStanding::Changed), 1);
}

#[test]
fn a_cancel_leaves_only_whole_files() {
    let dir = folder_of_three();
    let session = accepted(dir.path());
    let d = store::read(&session).unwrap();
    let out = dir.path().join("out");
    let done = cancelled_after_the_first(&session, &d, &out, &DeliverOptions::default());
    assert!(done.cancelled && done.failed.is_empty());
    assert!(done.written.len() < 3);
    let names = sounds(&out);
    assert_eq!(names.len(), done.written.len());
    for name in names {
        let mut wav = hound::WavReader::open(out.join(name)).unwrap();
        assert!(wav.samples::<i32>().all(|s| s.is_ok()));
    }
    let hidden = std::fs::read_dir(&out).unwrap().count() - visible(&out).len();
    assert_eq!(hidden, 1, "only the manifest");
}

#[cfg(target_os = "linux")]
#[test]
fn folders_that_cannot_be_written() {
    let dir = folder_of_three();
    let session = accepted(dir.path());
    let r = deliver(&session, Path::new("/proc/no such folder"), &[]);
    assert_ne!(r.code, 0);
    assert!(r.err.contains("cannot make"), "{}", r.err);
}

/// A limit on file sizes stops writing in the middle as a full disk does, and needs no disk.
#[cfg(target_os = "linux")]
#[test]
fn a_disk_that_fills_up_while_delivering() {
    let dir = folder_of_three();
    let session = accepted(dir.path());
    let out = dir.path().join("out");
    let script = format!(
        "trap '' XFSZ; ulimit -f 100; exec '{}' deliver '{}' --to '{}' --json",
        env!("CARGO_BIN_EXE_seamwright"),
        session.display(),
        out.display()
    );
    let r = ran(std::process::Command::new("bash").args(["-c", &script]).output().unwrap());
    assert_eq!(r.code, 1, "{} {}", r.out, r.err);
    assert_eq!(r.json()["failed"].as_array().unwrap().len(), 3);
    assert!(r.err.contains("cannot write"), "{}", r.err);
    assert_eq!(visible(&out).len(), 0, "no half-written file");
}

#[cfg(target_os = "linux")]
#[test]
fn a_disk_that_is_full() {
    let dir = folder_of_three();
    let session = accepted(dir.path());
    let disk = dir.path().join("disk");
    std::fs::create_dir(&disk).unwrap();
    let mounted = std::process::Command::new("mount")
        .args(["-t", "tmpfs", "-o", "size=600k", "tmpfs", s(&disk)])
        .status()
        .is_ok_and(|x| x.success());
    if !mounted {
        eprintln!("left out: no small disk can be mounted by this user; the limit on file sizes is tested");
        return;
    }
    let r = deliver(&session, &disk.join("out"), &[]);
    let names = sounds(&disk.join("out"));
    let whole = names.iter().all(|n| {
        hound::WavReader::open(disk.join("out").join(n))
            .is_ok_and(|mut w| w.samples::<i32>().all(|s| s.is_ok()))
    });
    let unmounted = std::process::Command::new("umount").arg(&disk).status().is_ok_and(|x| x.success());
    assert!(unmounted);
    assert_eq!(r.code, 1, "{} {}", r.out, r.err);
    assert!(r.err.contains("disk is full"), "{}", r.err);
    assert!(whole && names.len() < 3, "{names:?}");
}

/// A file that was cut short and one whose loop was moved out of it are told as what they are, by path where
/// they lie in folders.
#[test]
fn check_tells_a_cut_file_and_a_loop_beyond_the_end() {
    let dir = folder_of_three();
    let session = accepted(dir.path());
    let out = dir.path().join("out");
    assert_eq!(deliver(&session, &out, &["--folders", "layer"]).code, 0);
    let files: Vec<_> = all_files(&out).into_iter().filter(|n| n.ends_with(".wav")).collect();
    let [first, second, ..] = files.as_slice() else { panic!("{files:?}") };
    assert!(first.contains('/'), "{first}");
    let (first, second) = (out.join(first), out.join(second));
    let bytes = std::fs::read(&first).unwrap();
    std::fs::write(&first, &bytes[..bytes.len() * 6 / 10]).unwrap();
    // The loop's end in `smpl`: 8 bytes of head, 36 of the chunk, 12 into the first loop.
    let mut bytes = std::fs::read(&second).unwrap();
    let at = bytes.windows(4).position(|w| w == b"smpl").unwrap() + 8 + 36 + 12;
    bytes[at..at + 4].copy_from_slice(&900_000_000u32.to_le_bytes());
    std::fs::write(&second, &bytes).unwrap();
    let r = run(&["check", s(&out), "--json"]);
    assert_eq!(r.code, 1, "{}", r.err);
    let json = r.json();
    let problems = |path: &Path| {
        let all = json["files"].as_array().unwrap().iter();
        all.filter(|f| f["path"].as_str().is_some_and(|p| Path::new(p) == path))
            .map(|f| f["problems"].to_string())
            .collect::<String>()
    };
    assert!(problems(&first).contains("cut short"), "{}", problems(&first));
    assert!(problems(&second).contains("to 900000001 does not lie in its"), "{}", problems(&second));
}
