//! The deliver room: every setting by its name, names while they are typed, the drawn map and levels,
//! what stands in the folder.

#[path = "../deliver_support/mod.rs"]
mod deliver_support;
mod names;
#[path = "../painted_support/mod.rs"]
mod painted_support;
mod pictures;
mod settings;
mod written;

use std::path::{Path, PathBuf};
use std::sync::Arc;

use deliver_support::{document, take};
use egui::accesskit::Role;
use egui::{Key, Modifiers, vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT as _, Queryable as _};
use seamwright::app::command::{Command, WorkCommand};
use seamwright::app::session_state::SessionState;
use seamwright::app::{App, Environment};
use seamwright::audio::signals;
use seamwright::io::SoundForm;
use seamwright::io::hash::hash_file;
use seamwright::render::standing::FileStanding;
use seamwright::session::delivery::*;
use seamwright::session::{Document, Setup, Source, TakeState};
use seamwright::units::{MiddleC, MidiNote, Seconds};

struct Window(Harness<'static, App>);

impl Window {
    fn over(document: Document, session: &Path, size: egui::Vec2) -> Self {
        let environment = Environment::for_tests();
        let harness = Harness::builder()
            .with_size(size)
            .with_step_dt(1.0 / 60.0)
            .build_eframe(move |cc| App::new(&cc.egui_ctx, &environment, vec![]).unwrap());
        let mut w = Self(harness);
        w.0.state_mut().show_session(SessionState::unlocked(document, session.to_path_buf()));
        w.steps();
        w.0.key_press(Key::Num4);
        w.steps();
        w
    }

    /// High enough that nothing has to be scrolled to.
    fn of(document: Document) -> Self {
        Self::over(document, Path::new("/not there/bottles.seamwright"), vec2(1600.0, 1700.0))
    }

    fn steps(&mut self) {
        self.0.run_steps(6);
    }

    fn setup(&self) -> Setup {
        self.0.state().session().document().setup.clone()
    }

    fn delivery(&self) -> DeliverySetup {
        self.setup().delivery
    }

    fn click(&mut self, label: &str) {
        self.0.get_by_label(label).click();
        self.steps();
    }

    fn pick(&mut self, name: &str, option: &str) {
        self.0.get_by_role_and_label(Role::ComboBox, name).click();
        self.steps();
        self.0.get_by_role_and_label(Role::Button, option).click();
        self.steps();
    }

    fn number(&mut self, name: &str, value: f64) {
        self.0.get_by_role_and_label(Role::SpinButton, name).set_value_accesskit(value);
        self.steps();
    }

    /// Types into a field without leaving it.
    fn begin_typing(&mut self, name: &str, text: &str) {
        self.0.get_by_role_and_label(Role::TextInput, name).focus();
        self.steps();
        self.0.key_press_modifiers(Modifiers::COMMAND, Key::A);
        self.steps();
        self.0.get_by_role_and_label(Role::TextInput, name).type_text(text);
        self.steps();
    }

    fn type_into(&mut self, name: &str, text: &str) {
        self.begin_typing(name, text);
        self.0.key_press(Key::Enter);
        self.steps();
    }

    fn undo(&mut self) {
        self.0.key_press_modifiers(Modifiers::COMMAND, Key::Z);
        self.steps();
    }

    fn says(&self, part: &str) -> bool {
        self.0.query_all_by_label_contains(part).next().is_some()
    }

    fn can_deliver(&self) -> bool {
        !self.0.get_by_role_and_label(Role::Button, "Deliver").accesskit_node().is_disabled()
    }

    fn send(&mut self, command: Command) {
        let ctx = self.0.ctx.clone();
        self.0.state_mut().dispatch(&ctx, command);
        self.steps();
    }
}

fn two_layers() -> Document {
    let mut d = document(&[take(60, 0), take(63, 0), take(60, 1), take(63, 1)]);
    d.setup.title = "bottles".into();
    d
}

/// A real recording of 2 s with two takes' worth of tones at the levels asked for.
fn recorded(folder: &Path) -> (Document, PathBuf) {
    let mut d = document(&[take(57, 0), take(60, 0)]);
    d.setup.title = "set".into();
    d.setup.delivery.report = false;
    d.sources.clear();
    for (i, (hz, gain)) in [(220.0, 0.1f32), (261.6256, 0.2)].into_iter().enumerate() {
        let path = folder.join(format!("{i}.wav"));
        let spec = hound::WavSpec {
            channels: 1,
            sample_rate: 48_000,
            bits_per_sample: 24,
            sample_format: hound::SampleFormat::Int,
        };
        let mut wav = hound::WavWriter::create(&path, spec).unwrap();
        for s in signals::sine(hz, f64::from(gain), 48_000.0, 96_000) {
            wav.write_sample((s * 8_388_607.0) as i32).unwrap();
        }
        wav.finalize().unwrap();
        let (bytes, hash) = hash_file(&path, &|| true).unwrap();
        let source = Source {
            id: seamwright::session::SourceId(i as u32 + 1),
            path: path.file_name().unwrap().into(),
            bytes,
            hash,
            rate: seamwright::units::SampleRate::DELIVERY,
            channels: 1,
            frames: 96_000,
            room_tone: None,
            room_marked: Vec::new(),
        };
        let mut take = (*d.takes[i]).clone();
        take.source = source.id;
        d.takes[i] = Arc::new(take);
        d.sources.push(Arc::new(source));
    }
    (d, folder.join("set.seamwright"))
}
