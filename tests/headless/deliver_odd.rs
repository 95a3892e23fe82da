//! Deliveries that are out of the ordinary: a loop held for a minute by an independent player and
//! listened to by the seam audit, sets of one take, without loops, of mixed channels and rates.

use std::f64::consts::PI;
use std::path::Path;
use std::sync::Arc;

use rustysynth::{SoundFont, Synthesizer, SynthesizerSettings};
use seamwright::audio::AudioBuf;
use seamwright::dsp::looping::audit;
use seamwright::io::form::Zone;
use seamwright::io::sf2::{BankTexts, Sf2Writer};
use seamwright::io::sf2_hydra::{Instrument, Preset};
use seamwright::render::chain::clip_range;
use seamwright::session::{Document, store};
use seamwright::units::{Cents, FrameRange, MidiNote, SampleRate, Seconds};
use serde_json::Value;

use super::make::*;

fn deliver(session: &Path, out: &Path, more: &[&str]) -> Ran {
    run(&[&["deliver", s(session), "--to", s(out), "--json"], more].concat())
}

fn takes(out: &Path) -> Vec<Value> {
    let report: Value = serde_json::from_slice(&std::fs::read(out.join("report.json")).unwrap()).unwrap();
    report["takes"].as_array().unwrap().clone()
}

/// `seconds` of a key held, by an independent player.
fn held(path: &Path, key: u8, seconds: usize) -> AudioBuf {
    let font = Arc::new(SoundFont::new(&mut std::fs::File::open(path).unwrap()).unwrap());
    let mut settings = SynthesizerSettings::new(48_000);
    settings.enable_reverb_and_chorus = false;
    let mut synth = Synthesizer::new(&font, &settings).unwrap();
    synth.note_on(0, key.into(), 127);
    let (mut left, mut right) = (vec![0.0; 48_000 * seconds], vec![0.0; 48_000 * seconds]);
    synth.render(&mut left, &mut right);
    AudioBuf::new(vec![left, right], SampleRate::DELIVERY).unwrap()
}

/// How audible the joins are that a player makes of a loop: at its own key the player reads one frame
/// a frame, so the first join is heard at frame `end`, and one more each loop length from there. What
/// the player sounds from one join to the next is audited as a loop: its end meets its start as played.
fn heard_joins(played: &AudioBuf, l: FrameRange) -> Vec<f64> {
    let (end, length) = (l.end.0, l.count().0);
    let rounds = (played.frames().0 - end) / length;
    [0, rounds / 2, rounds - 1]
        .map(|k| audit(played, FrameRange::new(end + k * length, end + (k + 1) * length)).unwrap().audibility)
        .to_vec()
}

/// Twenty points are "just heard" (`dsp::looping::audit`).
#[test]
fn loops_held_for_a_minute_by_a_player_have_no_seam_that_is_heard() {
    let dir = folder_of_three();
    let session = accepted(dir.path());
    let out = dir.path().join("out");
    let r = deliver(&session, &out, &["--title", "set", "--map", "sf2-24"]);
    assert_eq!(r.code, 0, "{}", r.err);
    let all = takes(&out);
    assert_eq!(all.len(), 3);
    for t in &all {
        let n = |v: &Value| v.as_u64().unwrap();
        let l = FrameRange::new(n(&t["loop"]["start"]), n(&t["loop"]["end"]));
        let key = MidiNote(n(&t["midi"]) as u8);
        for audibility in heard_joins(&held(&out.join("set.sf2"), key.0, 60), l) {
            assert!(audibility < 20.0, "{t}: {audibility}");
        }
    }
    // The same proof hears a loop that is wrong by half a period of its note.
    let t = &all[0];
    let file = out.join(t["file"].as_str().unwrap());
    let samples: Vec<f32> = hound::WavReader::open(&file)
        .unwrap()
        .samples::<i32>()
        .map(|x| x.unwrap() as f32 / 8_388_608.0)
        .collect();
    let key = MidiNote(t["midi"].as_u64().unwrap() as u8);
    let half = (48_000.0 / (440.0 * ((f64::from(key.0) - 69.0) / 12.0).exp2()) / 2.0) as u64;
    let end = t["loop"]["end"].as_u64().unwrap() - half;
    let l = FrameRange::new(t["loop"]["start"].as_u64().unwrap(), end);
    let path = dir.path().join("wrong.sf2");
    let mut w = Sf2Writer::new(&path, true).unwrap();
    let audio = AudioBuf::mono(samples, SampleRate::DELIVERY).unwrap();
    let index = w.add("wrong", &audio, Some(l), key, Cents(0.0)).unwrap();
    let zone = Zone { keys: (MidiNote(0), MidiNote(127)), velocities: (1, 127) };
    let i = Instrument { name: "wrong".into(), zones: vec![(index, zone)], release: Seconds(0.3) };
    w.finish(&BankTexts::default(), &[Preset { name: "wrong".into(), program: 0, instruments: vec![i] }])
        .unwrap();
    for audibility in heard_joins(&held(&path, key.0, 60), l) {
        assert!(audibility > 50.0, "a loop that is wrong goes unheard: {audibility}");
    }
}

/// A sine of `hz` with a soft start and end, written at `rate` for each channel.
fn write_at(path: &Path, hz: f64, rate: u32, channels: u16) {
    let spec = hound::WavSpec {
        channels,
        sample_rate: rate,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut w = hound::WavWriter::create(path, spec).unwrap();
    let (lead, seconds) = (0.5, 3.0);
    let mut noise = 1u32;
    for i in 0..((seconds + 2.0 * lead) * f64::from(rate)) as usize {
        let t = i as f64 / f64::from(rate) - lead;
        let shape = (t / 0.03).clamp(0.0, 1.0) * ((seconds - t) / 0.15).clamp(0.0, 1.0);
        let tone: f64 = (1..=4).map(|k| (2.0 * PI * hz * f64::from(k) * t).sin() * 0.2 / f64::from(k)).sum();
        for _ in 0..channels {
            noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let hiss = (f64::from(noise >> 8) / 8_388_608.0 - 1.0) * 3e-4;
            w.write_sample(((tone * shape + hiss) * 8_388_607.0) as i32).unwrap();
        }
    }
    w.finalize().unwrap();
}

/// The frequency near `hz` in Hz: the phase of its partial at 1.0 and 1.2 s.
fn near(x: &[f32], hz: f64) -> f64 {
    let phase = |from: usize| {
        let (mut re, mut im) = (0.0, 0.0);
        for i in 0..9600 {
            let window = 0.5 - 0.5 * (2.0 * PI * i as f64 / 9600.0).cos();
            let angle = 2.0 * PI * hz * (from + i) as f64 / 48_000.0;
            re += f64::from(x[from + i]) * window * angle.cos();
            im -= f64::from(x[from + i]) * window * angle.sin();
        }
        im.atan2(re)
    };
    let mut by = phase(57_600) - phase(48_000);
    by -= (by / (2.0 * PI)).round() * 2.0 * PI;
    hz + by / (2.0 * PI * 0.2)
}

/// Mono and stereo, three rates, one take without its loop: each file keeps its channels, has the rate
/// of the set, and the SoundFont plays all of them in tune.
#[test]
fn a_mixed_set_is_delivered_in_every_form() {
    let dir = tempfile::tempdir().unwrap();
    write_at(&dir.path().join("C4.wav"), 261.6256, 44_100, 1);
    write_at(&dir.path().join("E4.wav"), 329.6276, 48_000, 2);
    write_at(&dir.path().join("G4.wav"), 391.9954, 96_000, 1);
    let session = accepted(dir.path());
    let mut d: Document = store::read(&session).unwrap();
    let c4 = d.takes.iter().position(|t| t.note == Some(MidiNote(60))).unwrap();
    let mut take = (*d.takes[c4]).clone();
    take.recipe.as_mut().unwrap().looping = None;
    d.takes[c4] = Arc::new(take);
    store::save(&session, &d).unwrap();
    for form in ["wav16", "wav24", "wav32f", "flac", "aiff"] {
        let out = dir.path().join(form);
        let options = ["--title", "set", "--format", form, "--map", "sfz,sf2", "--tail", "cut"];
        let r = deliver(&session, &out, &options);
        assert_eq!(r.code, 0, "{form}: {}", r.err);
        let c = run(&["check", s(&out), "--json"]);
        assert_eq!(c.code, 1, "a take without a loop is told of: {}", c.out);
        let c = c.json();
        assert!(c["maps"].as_array().unwrap().iter().all(|m| m["problems"].as_array().unwrap().is_empty()));
        for f in c["files"].as_array().unwrap() {
            let name = Path::new(f["path"].as_str().unwrap()).file_name().unwrap().to_str().unwrap();
            let problems = f["problems"].as_array().unwrap();
            let wanted: &[&str] = if name.contains("C4") { &["it holds no loop"] } else { &[] };
            assert!(problems.iter().eq(wanted), "{form}: {f}");
            assert_eq!(f["rate"], 48_000, "{form}: {f}");
            assert_eq!(f["channels"], if name.contains("E4") { 2 } else { 1 }, "{form}: {f}");
            assert_eq!(f["loop"].is_null(), name.contains("C4"), "{form}: {f}");
        }
        for (key, hz) in [(60, 261.6256), (64, 329.6276), (67, 391.9954)] {
            let x = held(&out.join("set.sf2"), key, 3);
            let left = x.channels().next().unwrap();
            let off = 1200.0 * (near(left, hz) / hz).log2();
            assert!(off.abs() < 1.0, "{form}, key {key}: {off} cents");
        }
        // Without a loop it ends, with one it sounds on.
        let end = |key| {
            let x = held(&out.join("set.sf2"), key, 8);
            x.channels().next().unwrap()[7 * 48_000..].iter().fold(0f32, |m, s| m.max(s.abs()))
        };
        assert!(end(60) < 1e-4 && end(67) > 0.01, "{form}: {} {}", end(60), end(67));
    }
}

/// One take alone, with everything beside it; its level is its own line.
#[test]
fn a_set_of_one_take() {
    let dir = tempfile::tempdir().unwrap();
    write(&dir.path().join("A3.wav"), &steady(220.0, 3.0, 7));
    let session = accepted(dir.path());
    let out = dir.path().join("out");
    let r = deliver(&session, &out, &["--title", "one", "--map", "sfz,sf2", "--level", "even:100"]);
    assert_eq!(r.code, 0, "{}", r.err);
    let t = takes(&out);
    assert_eq!(t.len(), 1);
    assert!(t[0]["gain_db"].as_f64().unwrap().abs() < 1e-9, "{}", t[0]);
    // A2 to A4: an octave to each side.
    let map = std::fs::read_to_string(out.join("one.sfz")).unwrap();
    assert!(map.contains("lokey=45") && map.contains("hikey=69"), "{map}");
    let c = run(&["check", s(&out), "--json"]);
    assert_eq!(c.code, 0, "{}", c.out);
}

/// A recipe that reaches beyond its recording (it was cut since): that take fails in words, the rest
/// is delivered.
#[test]
fn a_recording_that_was_cut_short() {
    let dir = folder_of_three();
    let session = accepted(dir.path());
    let d = store::read(&session).unwrap();
    let (take, source) = d.take_and_source(d.takes[0].id).unwrap();
    assert!(clip_range(take, source).count().0 > 48_000);
    let path = dir.path().join(&source.path);
    let bytes = std::fs::read(&path).unwrap();
    std::fs::write(&path, &bytes[..bytes.len() / 3]).unwrap();
    let r = deliver(&session, &dir.path().join("out"), &[]);
    assert_eq!(r.code, 1, "{}", r.err);
    assert_eq!(r.json()["failed"].as_array().unwrap().len(), 1);
    assert!(r.err.contains("survey again"), "{}", r.err);
    assert_eq!(sounds(&dir.path().join("out")).len(), 2);
}
