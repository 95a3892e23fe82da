//! `clean` from outside, read back by an independent WAV reader.

use std::path::Path;

use super::make::*;

fn steps(path: &Path) -> Vec<i32> {
    hound::WavReader::open(path).unwrap().samples::<i32>().map(Result::unwrap).collect()
}

fn rms_db(x: &[i32]) -> f64 {
    let power = x.iter().map(|v| (f64::from(*v) / 8_388_608.0).powi(2)).sum::<f64>() / x.len() as f64;
    10.0 * power.max(1e-20).log10()
}

#[test]
fn the_room_goes_and_the_two_files_sum_to_the_source() {
    let dir = folder_of_three();
    let (source, kept, taken) =
        (dir.path().join("C4.wav"), dir.path().join("kept.wav"), dir.path().join("taken.wav"));
    let before = std::fs::read(&source).unwrap();
    let r = run(&["clean", s(&source), "--to", s(&kept), "--room-tone", "0..22000", "--json"]);
    assert_eq!(r.code, 0, "{}", r.err);
    let j = r.json();
    assert_eq!(
        run(&["clean", s(&source), "--to", s(&taken), "--room-tone", "0..22000", "--removed"]).code,
        0
    );
    let (x, k, t) = (steps(&source), steps(&kept), steps(&taken));
    assert_eq!((x.len(), j["frames"].as_u64().unwrap()), (k.len(), k.len() as u64));
    // The source stands on 24-bit steps, so both do, and their sum is exact.
    assert!(x.iter().zip(k.iter().zip(&t)).all(|(x, (k, t))| *x == k + t));
    assert_eq!(std::fs::read(&source).unwrap(), before);
    // White noise of RMS 0.0003 stands at −70.5 dB.
    let (was, is) = (j["noise_db"]["before"].as_f64().unwrap(), j["noise_db"]["after"].as_f64().unwrap());
    assert!((was + 70.46).abs() < 0.3, "{was}");
    assert!(was - is >= 20.0, "{was} to {is}");
    assert!((rms_db(&k[..22_000]) - is).abs() < 0.01);
    assert_eq!(j["room_tone"]["start"], 0);
    assert_eq!(j["room_tone"]["end"], 22_000);
    // Some 0.46 s is less than half a second.
    assert_eq!(j["warnings"][0]["kind"], "little_room_tone");
    // The note is 50 dB above the room: within 0.05 dB of what it was.
    assert!((rms_db(&k[48_000..144_000]) - rms_db(&x[48_000..144_000])).abs() < 0.05);
}

#[test]
fn room_tone_is_found_and_nothing_changes_at_no_amount() {
    let dir = folder_of_three();
    let (source, to) = (dir.path().join("D4.wav"), dir.path().join("out.wav"));
    let r = run(&["clean", s(&source), "--to", s(&to), "--amount", "0", "--json"]);
    assert_eq!(r.code, 0, "{}", r.err);
    assert_eq!(steps(&source), steps(&to));
    let room = &r.json()["room_tone"];
    let (start, end) = (room["start"].as_u64().unwrap(), room["end"].as_u64().unwrap());
    // Nobody plays before 0.5 s and after 3.5 s.
    assert!(end <= 24_000 || start >= 168_000, "{room}");
}

#[test]
fn the_room_of_another_file_and_of_another_room() {
    let dir = folder_of_three();
    let (source, to) = (dir.path().join("E4.wav"), dir.path().join("out.wav"));
    let path = dir.path().join("room.wav");
    let noise = |rms| seamwright::audio::signals::white_noise(rms, 96_000, 77);
    write(&path, &noise(0.0003));
    let r = run(&["clean", s(&source), "--to", s(&to), "--room-tone", s(&path), "--json"]);
    assert_eq!(r.code, 0, "{}", r.err);
    assert_eq!(r.json()["warnings"].as_array().unwrap().len(), 0, "{}", r.out);
    assert!(rms_db(&steps(&to)[..22_000]) < -90.5, "at least 20 dB below −70.5");
    // 12 dB louder: another room.
    write(&path, &noise(0.0012));
    let r = run(&["clean", s(&source), "--to", s(&to), "--room-tone", s(&path), "--json"]);
    assert_eq!(r.json()["warnings"][0]["kind"], "room_changed", "{}", r.out);
}

/// Where the channels cancel each other in their sum the note is tracked in the louder one.
#[test]
fn opposed_channels_are_cleaned_like_one() {
    let dir = folder_of_three();
    let (one, two) = (dir.path().join("C4.wav"), dir.path().join("opposed.wav"));
    let (from_one, from_two) = (dir.path().join("one.wav"), dir.path().join("two.wav"));
    let x = steps(&one);
    let spec = hound::WavSpec { channels: 2, ..hound::WavReader::open(&one).unwrap().spec() };
    let mut w = hound::WavWriter::create(&two, spec).unwrap();
    for v in &x {
        w.write_sample(*v).unwrap();
        w.write_sample(-*v).unwrap();
    }
    w.finalize().unwrap();
    for (source, to) in [(&one, &from_one), (&two, &from_two)] {
        let r = run(&["clean", s(source), "--to", s(to), "--room-tone", "0..22000"]);
        assert_eq!(r.code, 0, "{}", r.err);
    }
    let (a, b) = (steps(&from_one), steps(&from_two));
    // The room is learned from the same frames twice, so that the lowest three quarters of a bin's may hold
    // one more: at most a hundredth of its level, and what is left of the room (some −100 dB) differs by less.
    // Without the pitch weak partials would go, and the two would differ by −92 dB (measured).
    let off = |k: usize, sign: i32| -> Vec<i32> {
        a.iter().zip(b.chunks_exact(2)).map(|(a, b)| a - sign * b[k]).collect()
    };
    assert!(rms_db(&off(0, 1)) < -105.0 && rms_db(&off(1, -1)) < -105.0, "{} dB", rms_db(&off(0, 1)));
}

#[test]
fn a_file_without_room_tone_says_what_to_do() {
    let dir = tempfile::tempdir().unwrap();
    let (source, to) = (dir.path().join("all note.wav"), dir.path().join("out.wav"));
    write(&source, &steady(261.6256, 3.0, 1)[30_000..140_000]);
    let r = run(&["clean", s(&source), "--to", s(&to)]);
    assert_eq!(r.code, 1);
    assert!(r.err.contains("--room-tone START..END"), "{}", r.err);
    assert!(!to.exists());
}
