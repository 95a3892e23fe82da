//! Time of the whole window's frames while everything is analysed behind it: ninety takes and a ten-minute
//! 96 kHz stereo file are surveyed, then proposed, while takes are selected and rooms changed. Target: no frame
//! over 30 ms. Then what the first picture of a two-hour file takes. Target: 300 ms after decoding begins.
//!
//! A frame is all of it: events, the UI pass, the tree for screen readers and tessellation, without a GPU; here
//! also the test harness's own reading of that tree.

#[allow(dead_code)]
#[path = "../ui_journey/support.rs"]
mod support;

use std::io::Write as _;
use std::path::Path;
use std::sync::Mutex;
use std::time::{Duration, Instant};

use egui::{Key, Modifiers, vec2};
use seamwright::app::command::{Command, GoCommand};
use seamwright::jobs::Job;
use seamwright::survey::{SurveyEvent, SurveyOptions, survey_files};
use seamwright::units::MidiNote;
use support::{Window, note, write_wav};

const NOTES: u8 = 15;
const LAYERS: u8 = 6;
const LONG_S: usize = 600;
/// The work behind the window is watched for so long at most, each of its two parts.
const WATCHED: Duration = Duration::from_secs(60);

/// No frame should take longer.
const SLOW: Duration = Duration::from_millis(30);

/// Ninety takes, one a file, and ten minutes of notes in 96 kHz stereo.
fn recordings(folder: &Path) {
    for i in 0..NOTES {
        let midi = MidiNote(48 + 2 * i);
        let hz = 440.0 * ((f64::from(midi.0) - 69.0) / 12.0).exp2();
        for layer in 1..=LAYERS {
            let name = format!("bottle {midi} layer {layer}.wav");
            write_wav(&folder.join(name), &note(hz, 4.0, u64::from(i * LAYERS + layer)));
        }
    }
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: 96_000,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    // Made for 48 kHz and read at 96: an octave up, which is as good.
    let one = note(220.0, 20.0, 1);
    let mut w = hound::WavWriter::create(folder.join("long bottle A4 layer 7.wav"), spec).unwrap();
    for s in one.iter().cycle().take(LONG_S * 96_000) {
        for _ in 0..2 {
            w.write_sample((f64::from(*s) * 8_388_607.0) as i32).unwrap();
        }
    }
    w.finalize().unwrap();
}

/// Time that this thread has run so far; none where the system does not tell.
fn thread_time() -> Option<Duration> {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").ok()?;
    text.split_whitespace().next()?.parse().ok().map(Duration::from_nanos)
}

/// Draws frames while `busy`, as somebody who looks around meanwhile.
fn watch(w: &mut Window, what: &str, busy: impl Fn(&Window) -> bool) {
    let (begun, mut times, mut i) = (Instant::now(), Vec::new(), 0usize);
    while busy(w) && begun.elapsed() < WATCHED {
        i += 1;
        if i.is_multiple_of(20) {
            let walk = w.app().session().sheet().walk();
            if !walk.is_empty() {
                w.send(Command::Go(GoCommand::Select(walk[i / 20 * 7 % walk.len()])));
            }
        }
        if i.is_multiple_of(90) {
            let room = [Key::Num2, Key::Num3, Key::Num4, Key::Num1][i / 90 % 4];
            w.h.key_press(room);
        }
        w.h.hover_at(egui::pos2(60.0 + (i * 37 % 1800) as f32, 60.0 + (i * 23 % 980) as f32));
        let (start, ran) = (Instant::now(), thread_time());
        w.h.step();
        let output = w.h.output();
        let shapes = output.shapes.clone();
        let drawn = w.h.ctx.tessellate(shapes, output.pixels_per_point);
        let all = start.elapsed();
        times.push(all);
        if all > SLOW {
            let own = thread_time().zip(ran).map(|(after, before)| (after - before).as_secs_f64() * 1e3);
            let own = own.map_or_else(String::new, |ms| format!(", of which this thread ran {ms:.1} ms"));
            println!("  {:.1} ms in the {:?} room{own}", all.as_secs_f64() * 1e3, w.app().room());
        }
        assert!(drawn.len() > 5, "something was drawn");
        // About sixty a second.
        std::thread::sleep(Duration::from_millis(16).saturating_sub(start.elapsed()));
    }
    times.sort();
    let ms = |q: f64| times[((times.len() - 1) as f64 * q).round() as usize].as_secs_f64() * 1e3;
    println!(
        "{what}, {} frames in {:.0} s: p50 {:.2} p99 {:.2} max {:.2} ms; {} over 30 ms",
        times.len(),
        begun.elapsed().as_secs_f64(),
        ms(0.5),
        ms(0.99),
        ms(1.0),
        times.iter().filter(|t| **t > SLOW).count()
    );
}

fn behind_the_window(dir: &Path) {
    let folder = dir.join("bottles");
    std::fs::create_dir_all(&folder).unwrap();
    recordings(&folder);
    let mut w = Window::new();
    w.h.set_size(vec2(1920.0, 1080.0));
    w.h.run_steps(3);
    w.open(&folder);
    watch(&mut w, "while the files are surveyed", |w| w.document().takes.len() < 91 || !w.is_idle());
    w.keys(Modifiers::SHIFT, Key::P);
    watch(&mut w, "while recipes are proposed", |w| !w.is_idle());
    let rest = Instant::now();
    watch(&mut w, "afterwards", |_| rest.elapsed() < Duration::from_secs(10));
    println!("{} takes in the session", w.document().takes.len());
}

/// A mono file of two hours, 16 bits at 48 kHz.
fn two_hours(path: &Path) {
    let mut file = std::io::BufWriter::new(std::fs::File::create(path).unwrap());
    let minute: Vec<u8> =
        note(220.0, 60.0, 3).iter().flat_map(|s| ((s * 32_767.0) as i16).to_le_bytes()).collect();
    let bytes = 120 * minute.len() as u32;
    file.write_all(b"RIFF").unwrap();
    file.write_all(&(36 + bytes).to_le_bytes()).unwrap();
    file.write_all(b"WAVEfmt \x10\0\0\0\x01\0\x01\0").unwrap();
    file.write_all(&48_000u32.to_le_bytes()).unwrap();
    file.write_all(&96_000u32.to_le_bytes()).unwrap();
    file.write_all(b"\x02\0\x10\0data").unwrap();
    file.write_all(&bytes.to_le_bytes()).unwrap();
    (0..120).for_each(|_| file.write_all(&minute).unwrap());
    file.flush().unwrap();
}

fn first_picture(dir: &Path) {
    let path = dir.join("two hours A3.wav");
    two_hours(&path);
    let (begun, first, job) = (Instant::now(), Mutex::new(None), Job::new());
    let told = |event| {
        if let SurveyEvent::Heard { wave: Some(wave), .. } = event
            && wave.iter().any(|c| c.max > 0.0)
        {
            first.lock().unwrap().get_or_insert_with(|| begun.elapsed());
            job.cancel.cancel();
        }
    };
    // Ended by the first picture.
    let _ = survey_files(&[path], &SurveyOptions::default(), &job, &told);
    let first = first.lock().unwrap().expect("a picture");
    println!(
        "two hours: first picture {:.0} ms after the file was taken up (its bytes are told apart first, then decoded)",
        first.as_secs_f64() * 1e3
    );
}

fn main() {
    let dir = tempfile::tempdir().expect("a folder for the recordings");
    first_picture(dir.path());
    behind_the_window(dir.path());
}
