//! Real recordings with loops and root keys set by people: an open General MIDI sound set, read by
//! an independent library, goes through survey, propose, deliver and check.

use super::make::*;
use rustysynth::{InstrumentRegion, LoopMode, SampleHeader, SoundFont};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

const SET: &str = "/usr/share/sounds/sf2/TimGM6mb.sf2";

/// One sustained sample of the set as a take.
struct Sample {
    name: String,
    rate: u32,
    x: Vec<f32>,
    /// Root key as the set's instruments use the sample.
    root: i32,
    /// The pitch it sounds at its own rate, in MIDI numbers.
    exact: f64,
}

/// Samples whose root key is not the note that an octave-true tracker finds, each with what its
/// spectrum shows (multiples are of the set's own key).
const EXCEPTIONS: &[(&str, &str)] = &[
    ("OceanWaves", "surf: noise without a partial"),
    ("TubeBell", "bell: partials at 0.63, 1.23, 2.00 and 2.94, none at the key, which is a strike note"),
    ("Saw Wave C6", "its loop of 11 frames sounds 2004.5 Hz, nearer to the B below"),
    ("Church Org", "a stop an octave below: a partial at 0.5, a loop of two periods of the key"),
    ("B3LoDistSlow", "organ with a drawbar an octave below: partials at 0.5 and 1.5"),
    ("Perc Organ", "organ with a drawbar an octave below: the strongest partial at 0.5"),
    ("DrawBar Organ", "organ with a drawbar an octave below: the strongest partial at 0.5"),
    ("Octave Wave", "two voices an octave apart: the lower one is the stronger"),
];

fn is_looped(r: &InstrumentRegion) -> bool {
    matches!(r.get_sample_modes(), LoopMode::Continuous | LoopMode::LoopUntilNoteOff)
}

/// The sustained, looped, pitched samples on whose root all their instruments agree.
fn samples(set: &SoundFont) -> Vec<Sample> {
    let drums: Vec<usize> = set
        .get_presets()
        .iter()
        .filter(|p| p.get_bank_number() == 128)
        .flat_map(|p| p.get_regions().iter().map(|r| r.get_instrument_id()))
        .collect();
    let mut uses: BTreeMap<usize, Vec<(i32, f64)>> = BTreeMap::new();
    for (i, instrument) in set.get_instruments().iter().enumerate() {
        for r in instrument.get_regions() {
            let sample = uses.entry(r.get_sample_id()).or_default();
            let tuned = r.get_scale_tuning() == 100 && is_looped(r) && !drums.contains(&i);
            let fine = f64::from(r.get_fine_tune()) / 100.0 + f64::from(r.get_coarse_tune());
            // A use that is no tone makes the sample no tone.
            sample.push(if tuned {
                (r.get_root_key(), f64::from(r.get_root_key()) - fine)
            } else {
                (-1, f64::NAN)
            });
        }
    }
    set.get_sample_headers()
        .iter()
        .enumerate()
        .filter_map(|(i, h)| {
            let uses = uses.get(&i)?;
            let (root, exact) = *uses.first()?;
            let agreed = uses.iter().all(|(_, e)| (e - exact).abs() < 0.3);
            // The tracker's range is 27.5 Hz to 4.2 kHz.
            let pitched = (21.0..=107.0).contains(&exact) && loop_holds_periods(h, exact);
            (agreed && pitched).then(|| unrolled(set, h, root, exact))?
        })
        .collect()
}

/// Whether the loop that people set holds a whole number of periods of the key they gave it: what
/// makes a looped sample sound that key. Loops are cut at whole frames and roots are tuned to
/// somewhat less than half a step, 3 %; loops of many periods hold any number within that.
fn loop_holds_periods(h: &SampleHeader, exact: f64) -> bool {
    let period = f64::from(h.get_sample_rate()) / (440.0 * ((exact - 69.0) / 12.0).exp2());
    let periods = f64::from(h.get_end_loop() - h.get_start_loop()) / period;
    periods > 0.5 && (periods - periods.round()).abs() <= 1.0 / period + 0.03 * periods
}

/// The sample with its own loop gone round until it lasts two and a half seconds, and a release: as
/// long as a played take.
fn unrolled(set: &SoundFont, h: &SampleHeader, root: i32, exact: f64) -> Option<Sample> {
    let wave = set.get_wave_data();
    let (start, loop_start, loop_end) =
        (h.get_start() as usize, h.get_start_loop() as usize, h.get_end_loop() as usize);
    let rate = h.get_sample_rate() as u32;
    if loop_end < loop_start + 8 || !(8_000..=192_000).contains(&rate) {
        return None;
    }
    let frames = (2.5 * f64::from(rate)) as usize;
    let lead = rate as usize / 2;
    let mut x = vec![0f32; lead];
    let mut at = start;
    for n in 0..frames {
        let fall = ((frames - n) as f32 / (0.1 * rate as f32)).min(1.0);
        x.push(f32::from(wave[at]) / 32_768.0 * fall);
        at += 1;
        if at == loop_end {
            at = loop_start;
        }
    }
    x.extend(vec![0f32; lead]);
    Some(Sample { name: h.get_name().trim().to_owned(), rate, x, root, exact })
}

fn write_takes(samples: &[Sample], folder: &Path) -> Vec<PathBuf> {
    samples
        .iter()
        .enumerate()
        .map(|(i, s)| {
            // No note in the name: what sounds must speak for itself.
            let path = folder.join(format!("sample-{}.wav", letters(i)));
            let spec = hound::WavSpec {
                channels: 1,
                sample_rate: s.rate,
                bits_per_sample: 16,
                sample_format: hound::SampleFormat::Int,
            };
            let mut w = hound::WavWriter::create(&path, spec).unwrap();
            for v in &s.x {
                w.write_sample((v * 32_767.0) as i16).unwrap();
            }
            w.finalize().unwrap();
            path
        })
        .collect()
}

/// A number as letters that no note name is made of.
fn letters(i: usize) -> String {
    format!("{i:04}").chars().map(|c| char::from(b'p' + (c as u8 - b'0'))).collect()
}

#[test]
fn a_sound_set_of_real_recordings() {
    let Ok(mut file) = std::fs::File::open(SET) else {
        eprintln!(
            "left out: the sound set is not installed (package timgm6mb-soundfont), so no real recordings were tested"
        );
        return;
    };
    let set = SoundFont::new(&mut file).unwrap();
    let samples = samples(&set);
    assert!(samples.len() >= 150, "only {} samples were taken out", samples.len());
    let dir = tempfile::tempdir().unwrap();
    let takes = dir.path().join("takes");
    std::fs::create_dir(&takes).unwrap();
    let paths = write_takes(&samples, &takes);

    let survey = run(&["survey", s(&takes), "--layout", "take", "--json"]);
    let j = survey.json();
    let mut off = Vec::new();
    for (sample, path) in samples.iter().zip(&paths) {
        let found = j["files"].as_array().unwrap().iter().find(|f| f["path"].as_str() == path.to_str());
        let f0 = found.and_then(|f| f["takes"][0]["f0_hz"].as_f64());
        let cents = f0.map(|f| 100.0 * (69.0 + 12.0 * (f / 440.0).log2() - sample.exact));
        // The root key is the note nearest to what sounds, so half a step decides.
        if cents.is_none_or(|c| c.abs() > 50.0) {
            off.push(format!("{} (root {}): {cents:?} cents", sample.name, sample.root));
        }
    }
    let unnamed: Vec<_> = off.iter().filter(|o| !EXCEPTIONS.iter().any(|(n, _)| o.starts_with(n))).collect();
    println!("{} samples, root key other than the set's: {}\n{}", samples.len(), off.len(), off.join("\n"));
    assert!(off.len() * 20 <= samples.len(), "more than 5 % off:\n{}", off.join("\n"));
    assert!(unnamed.is_empty(), "exceptions without a name:\n{unnamed:?}");

    let r = run(&["propose", s(&takes), "--layout", "take", "--accept", "0", "--json"]);
    assert!(r.code <= 1, "{}", r.err);
    let out = dir.path().join("out");
    let d = run(&["deliver", s(&takes), "--to", s(&out), "--pattern", "{midi} {layer}", "--json"]);
    assert_eq!(d.code, 0, "{}", d.err);
    let written = d.json()["written"].as_array().unwrap().clone();
    assert!(written.len() * 10 >= samples.len() * 8, "{} of {} delivered", written.len(), samples.len());
    let c = run(&["check", s(&out), "--json"]);
    let c = c.json();
    assert_eq!(c["failed"].as_array().unwrap().len(), 0);
    assert_eq!(c["files"].as_array().unwrap().len(), written.len());
    for f in c["files"].as_array().unwrap() {
        let path = PathBuf::from(f["path"].as_str().unwrap());
        let wav = hound::WavReader::open(&path).unwrap();
        assert_eq!(u64::from(wav.duration()), f["frames"].as_u64().unwrap(), "{}", path.display());
        assert!(f["loop"]["end"].as_u64().unwrap() <= u64::from(wav.duration()));
        smpl_agrees(&path, f);
    }
}

/// The `smpl` bytes where the published layout puts them, against what `check` says.
fn smpl_agrees(path: &Path, checked: &serde_json::Value) {
    let bytes = std::fs::read(path).unwrap();
    let at = bytes.windows(4).rposition(|w| w == b"smpl").expect("smpl") + 8;
    let word = |i: usize| u32::from_le_bytes(bytes[at + 4 * i..at + 4 * i + 4].try_into().unwrap());
    assert_eq!(u64::from(word(11)), checked["loop"]["start"].as_u64().unwrap());
    // The last frame played: inclusive on disk.
    assert_eq!(u64::from(word(12)) + 1, checked["loop"]["end"].as_u64().unwrap());
}
