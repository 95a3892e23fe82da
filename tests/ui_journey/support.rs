//! A folder of invented takes and the real window over it: real files, real survey, real sound
//! engine; only the device, the clock of the frames and the settings file are not the system's.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

use eframe::App as _;
use egui::accesskit::Role;
use egui::{DroppedFile, Key, Modifiers, vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable as _;
use seamwright::app::command::{Command, SessionCommand};
use seamwright::app::derived::FromRecipe;
use seamwright::app::sound::SoundKind;
use seamwright::app::{App, Environment};
use seamwright::audio::signals;
use seamwright::session::{Document, Take, TakeId, store};
use seamwright::units::MidiNote;

pub const RATE: f64 = 48_000.0;
/// Frames of sound in a frame of the picture.
pub const A_FRAME: usize = 800;

/// A blown note: hiss, a soft start, drift of ±10 cents at 0.4 Hz and vibrato of ±4 cents at 5 Hz.
pub fn note(hz: f64, seconds: f64, seed: u64) -> Vec<f32> {
    let frames = (seconds * RATE) as usize;
    let (onset, end) = (0.45, seconds - 0.5);
    let at = move |t: f64| {
        let turn = std::f64::consts::TAU * t;
        let cents = 6.0 + 10.0 * (0.4 * turn + seed as f64).sin() + 4.0 * (5.0 * turn).sin();
        hz * (cents / 1200.0).exp2()
    };
    let tone = signals::harmonic(at, &[0.3, 0.12, 0.07, 0.03], RATE, frames);
    let hiss = signals::white_noise(0.0005, frames, seed);
    let shaped = tone.iter().zip(&hiss).enumerate().map(|(i, (s, h))| {
        let t = i as f64 / RATE;
        let rise = ((t - onset) / 0.06).clamp(0.0, 1.0);
        let fall = ((end - t) / 0.3).clamp(0.0, 1.0);
        (f64::from(*s) * rise * fall) as f32 + h
    });
    shaped.collect()
}

/// Writes 24 bits by a general library.
pub fn write_wav(path: &Path, samples: &[f32]) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: RATE as u32,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut w = hound::WavWriter::create(path, spec).unwrap();
    for s in samples {
        w.write_sample((f64::from(*s) * 8_388_607.0) as i32).unwrap();
    }
    w.finalize().unwrap();
}

/// A folder called `name` in `dir` with a file for each of the notes 57, 58, ….
pub fn takes(dir: &Path, name: &str, count: u8) -> PathBuf {
    let folder = dir.join(name);
    std::fs::create_dir_all(&folder).unwrap();
    for i in 0..count {
        let midi = MidiNote(57 + i);
        let hz = 440.0 * ((f64::from(midi.0) - 69.0) / 12.0).exp2();
        write_wav(&folder.join(format!("bottle {midi}.wav")), &note(hz, 3.0, i.into()));
    }
    folder
}

/// The session file that the window makes for a folder.
pub fn session_of(folder: &Path) -> PathBuf {
    store::path_for_folder(folder)
}

#[derive(Debug)]
struct Dropped(PathBuf);

impl DroppedFile for Dropped {
    fn path(&self) -> &Path {
        &self.0
    }

    fn bytes(&self) -> Result<Vec<u8>, String> {
        std::fs::read(&self.0).map_err(|e| e.to_string())
    }
}

pub struct Window {
    pub h: Harness<'static, App>,
    /// Left side of everything that was heard.
    pub heard: Vec<f32>,
}

impl Window {
    pub fn new() -> Self {
        let environment =
            Environment { sound: SoundKind::Fetched, inline_jobs: false, ..Environment::for_tests() };
        let h = Harness::builder()
            .with_size(vec2(1280.0, 800.0))
            .with_step_dt(1.0 / 60.0)
            .build_eframe(move |cc| App::new(&cc.egui_ctx, &environment, vec![]).unwrap());
        let mut w = Self { h, heard: Vec::new() };
        w.frames(3);
        w
    }

    /// A window that has opened `folder` and knows all its takes.
    pub fn over(folder: &Path, takes: usize) -> Self {
        let mut w = Self::new();
        w.open(folder);
        w.until("the takes are found", |w| w.document().takes.len() == takes && w.is_idle());
        w
    }

    /// The same with a recipe for every take.
    pub fn proposed(folder: &Path, takes: usize) -> Self {
        let mut w = Self::over(folder, takes);
        w.keys(Modifiers::SHIFT, Key::P);
        w.until("all are proposed", |w| w.document().takes.iter().all(|t| t.recipe.is_some()) && w.is_idle());
        w
    }

    /// Draws frames, and fetches as much sound as belongs to them.
    pub fn frames(&mut self, n: usize) {
        for _ in 0..n {
            self.h.step();
            let both = self.app_mut().fetch_sound(A_FRAME);
            self.heard.extend(both.iter().step_by(2));
        }
    }

    /// Draws frames until `done`. The wait is there to end a test that hangs, not to measure.
    pub fn until(&mut self, what: &str, mut done: impl FnMut(&Self) -> bool) {
        let begun = Instant::now();
        while !done(self) {
            assert!(begun.elapsed() < Duration::from_secs(120), "never: {what}; {:?}", self.words());
            self.frames(1);
            std::thread::sleep(Duration::from_millis(1));
        }
    }

    pub fn app(&self) -> &App {
        self.h.state()
    }

    pub fn app_mut(&mut self) -> &mut App {
        self.h.state_mut()
    }

    pub fn document(&self) -> &Arc<Document> {
        self.app().session().document()
    }

    pub fn send(&mut self, command: Command) {
        let ctx = self.h.ctx.clone();
        self.app_mut().dispatch(&ctx, command);
    }

    pub fn open(&mut self, path: &Path) {
        self.send(Command::Session(SessionCommand::Open(vec![path.to_path_buf()])));
    }

    pub fn drop_file(&mut self, path: &Path) {
        let file: egui::DroppedFileHandle = Arc::new(Dropped(path.to_path_buf()));
        self.h.input_mut().dropped_files.push(file);
        self.frames(2);
    }

    pub fn key(&mut self, key: Key) {
        self.keys(Modifiers::NONE, key);
    }

    pub fn keys(&mut self, modifiers: Modifiers, key: Key) {
        self.h.key_press_modifiers(modifiers, key);
        self.frames(3);
    }

    /// Presses `keys` one after the other between two frames.
    pub fn at_once(&mut self, keys: &[Key]) {
        for key in keys {
            for pressed in [true, false] {
                self.h.input_mut().events.push(egui::Event::Key {
                    key: *key,
                    physical_key: None,
                    pressed,
                    repeat: false,
                    modifiers: Modifiers::NONE,
                });
            }
        }
        self.frames(keys.len() + 2);
    }

    pub fn click(&mut self, label: &str) {
        self.h.get_by_label(label).click();
        self.frames(3);
    }

    pub fn says(&self, part: &str) -> bool {
        self.h.query_all_by_label_contains(part).next().is_some()
    }

    /// The messages that stand.
    pub fn words(&self) -> Vec<String> {
        self.app().notices().views().iter().map(|n| n.text.clone()).collect()
    }

    /// Replaces what stands in a field and leaves it with Enter.
    pub fn type_into(&mut self, label: &str, text: &str) {
        self.h.get_by_role_and_label(Role::TextInput, label).focus();
        self.frames(2);
        self.keys(Modifiers::COMMAND, Key::A);
        self.h.get_by_role_and_label(Role::TextInput, label).type_text(text);
        self.frames(2);
        self.key(Key::Enter);
    }

    pub fn is_idle(&self) -> bool {
        !self.says("Cancel")
    }

    pub fn selected(&self) -> TakeId {
        self.app().selected().unwrap()
    }

    pub fn take(&self) -> Arc<Take> {
        Arc::clone(self.document().take(self.selected()).unwrap())
    }

    /// The rendering of the selected take, when it is that of the recipe it has now, whatever its score.
    pub fn made(&self) -> Option<&FromRecipe> {
        let made = self.app().derived().of(self.selected())?.recipe.as_ref()?;
        self.take().recipe.as_ref().is_some_and(|r| r.sounds_as(&made.recipe)).then_some(made)
    }

    pub fn until_made(&mut self) -> FromRecipe {
        // Not one that is about to be replaced: an undo that was taken back at once is still being made.
        let settled = |w: &Self| w.app().derived().of(w.selected()).is_some_and(|d| !d.updating);
        self.until("the take is rendered", |w| w.made().is_some() && settled(w));
        // What plays follows with the next frames.
        self.frames(4);
        self.made().unwrap().clone()
    }

    /// Closes the window as its user does.
    pub fn close(mut self) {
        self.app_mut().on_exit(None);
    }
}
