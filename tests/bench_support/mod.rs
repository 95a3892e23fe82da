//! A small session for tests and benches of the bench room: one note in three layers, made of
//! tones whose pitch is known, taken through the real analysis, proposal and rendering.

#![allow(dead_code)]

use std::sync::Arc;

use egui::accesskit::Role;
use egui::{Key, Modifiers, Ui};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable as _;
use seamwright::app::command::{Command, EditCommand, Room};
use seamwright::app::derived::{Derived, FromRecipe, FromSource, LoopMap};
use seamwright::app::panels::bench::BenchPanel;
use seamwright::app::theme::Theme;
use seamwright::app::triage::Triage;
use seamwright::app::view::{SoundView, View};
use seamwright::audio::{AudioBuf, Clip, level, signals};
use seamwright::dsp::looping;
use seamwright::dsp::peaks::Peaks;
use seamwright::playback::message::Side;
use seamwright::render::{chain, loops::Loopable, propose, room};
use seamwright::session::{
    Concern, ConcernKind, Document, History, Recipe, RoomTone, Setup, Sheet, Source, SourceId, Take, TakeId,
    TakeState,
};
use seamwright::units::{Cents, Decibels, Frame, FrameRange, Hertz, MidiNote, SampleRate};

pub const RATE: u32 = 48_000;
pub const TAKE: TakeId = TakeId(1);

/// Everything a view is made of.
pub struct World {
    pub history: History,
    pub derived: Derived,
    pub theme: Theme,
    pub sound: SoundView,
    pub selected: Option<TakeId>,
    pub read_only: bool,
    pub bench: BenchPanel,
    /// Everything the panel ever asked for.
    pub log: Vec<Command>,
}

/// A blown note at A3: a breathy start, drift of ±12 cents at 0.3 Hz, vibrato of ±6 cents at 5 Hz,
/// 18 cents flat.
pub fn note(layer: u16, seconds: f64) -> AudioBuf {
    let rate = f64::from(RATE);
    let frames = (seconds * rate) as usize;
    let (onset, end) = (0.5, seconds - 0.6);
    let hz = move |t: f64| {
        let cents = -18.0
            + 4.0 * f64::from(layer)
            + 12.0 * (std::f64::consts::TAU * 0.3 * t + f64::from(layer)).sin()
            + 6.0 * (std::f64::consts::TAU * 5.0 * t).sin();
        220.0 * (cents / 1200.0).exp2()
    };
    let tone = signals::harmonic(hz, &[0.5, 0.2, 0.12, 0.06, 0.03], rate, frames);
    let hiss = signals::white_noise(0.0006, frames, 11 + u64::from(layer));
    let shaped: Vec<f32> = tone
        .iter()
        .zip(&hiss)
        .enumerate()
        .map(|(i, (s, h))| {
            let t = i as f64 / rate;
            let rise = ((t - onset) / 0.08).clamp(0.0, 1.0);
            let fall = ((end - t) / 0.5).clamp(0.0, 1.0);
            let breath = 1.0 + 0.12 * (1.7 * t + f64::from(layer)).sin();
            (f64::from(*s) * rise * fall * breath * 0.6) as f32 + h
        })
        .collect();
    AudioBuf::mono(shaped, SampleRate::new(RATE).unwrap()).unwrap()
}

fn source(id: u32, audio: &AudioBuf) -> Source {
    Source {
        id: SourceId(id),
        path: format!("bottle {id}.wav").into(),
        bytes: audio.len() as u64 * 3,
        hash: String::new(),
        rate: audio.rate(),
        channels: audio.channel_count() as u16,
        frames: audio.frames().0,
        room_tone: Some(RoomTone { range: FrameRange::new(2_000, 20_000), level: Decibels(-64.0) }),
        room_marked: Vec::new(),
    }
}

fn take(id: u32, audio: &AudioBuf) -> Take {
    let rate = audio.rate();
    let end = audio.frames().0;
    Take {
        id: TakeId(id),
        source: SourceId(id),
        span: FrameRange::new(u64::from(rate.hz()) / 2 - 200, end - u64::from(rate.hz()) * 6 / 10 + 200),
        onset: Frame(u64::from(rate.hz()) / 2),
        sounds: Some(MidiNote(57)),
        f0: Some(Hertz(217.7)),
        cents: Cents(-18.0),
        movement: None,
        level: level::rms_db(audio.channel(0)),
        snr: Some(Decibels(52.0)),
        named: None,
        note: Some(MidiNote(57)),
        layer: (id - 1) as u16,
        state: TakeState::New,
        concerns: vec![],
        recipe: None,
    }
}

/// A world with one take of each of these sounds, none analysed yet.
pub fn bare(sounds: &[AudioBuf]) -> World {
    let document = Document {
        setup: Setup::default(),
        sources: sounds.iter().zip(1..).map(|(a, i)| Arc::new(source(i, a))).collect(),
        takes: sounds.iter().zip(1..).map(|(a, i)| Arc::new(take(i, a))).collect(),
        ..Document::default()
    };
    World {
        history: History::new(document),
        derived: Derived::default(),
        theme: Theme::light(),
        sound: SoundView {
            device: Ok("none".into()),
            playing: None,
            begun: Default::default(),
            side: Side::Rendered,
            judged: None,
            volume_db: -12.0,
            peak: [0.0; 2],
            limited: false,
            stack: Default::default(),
        },
        selected: Some(TAKE),
        read_only: false,
        bench: BenchPanel::default(),
        log: Vec::new(),
    }
}

/// Decodes (so to speak) and tracks a take's sound.
pub fn analyse(audio: &AudioBuf, take: &Take) -> FromSource {
    let clip = Clip { audio: audio.clone(), offset: Frame(0) };
    let tone = audio.part(FrameRange::new(2_000, 20_000));
    let room = room::of_audio(Vec::new(), &[tone]).ok().map(Arc::new);
    let analysed = Arc::new(chain::analyse(clip, take.span).unwrap().in_room(room));
    let mixed: Arc<[f32]> = audio.mixed().into();
    let peaks = Arc::new(Peaks::build(&mixed));
    FromSource { analysed, mixed, peaks }
}

/// Renders a recipe.
pub fn made(sound: &FromSource, recipe: &Recipe, setup: &Setup) -> FromRecipe {
    let rendered = chain::render(&sound.analysed, recipe, setup.a4, setup.delivery_rate).unwrap();
    let target = chain::target_of(&recipe.tune, setup.a4);
    let finished = chain::finished(&rendered).unwrap();
    FromRecipe {
        score: FromRecipe::judge(&rendered, recipe),
        recipe: Arc::new(recipe.clone()),
        audit: rendered.looping.and_then(|l| looping::audit(&finished, l.range).ok()),
        finished,
        plain: chain::plain(&sound.analysed, &rendered).unwrap(),
        cleaning: seamwright::app::derived::CleaningMade::of(&sound.analysed, &rendered, recipe, &|| true)
            .unwrap()
            .map(Arc::new),
        after: chain::deviation_after(&rendered, target).ok().map(Arc::new),
        rendered: Arc::new(rendered),
    }
}

/// The whole note in `layers` layers of `seconds`, the first one proposed and rendered.
pub fn worked(layers: u16, seconds: f64) -> World {
    worked_of(&(0..layers).map(|l| note(l, seconds + 0.2 * f64::from(l))).collect::<Vec<_>>())
}

/// The same of these sounds, a layer each.
pub fn worked_of(sounds: &[AudioBuf]) -> World {
    let mut world = bare(sounds);
    let mut document = (**world.history.document()).clone();
    for (i, audio) in sounds.iter().enumerate() {
        let t = Arc::make_mut(&mut document.takes[i]);
        let sound = analyse(audio, t);
        if i == 0 {
            let p = propose::propose(t, &sound.analysed, &document.setup).unwrap();
            let entry = world.derived.entry(t.id);
            entry.recipe = Some(made(&sound, &p.recipe, &document.setup));
            entry.loops = Some(Arc::new(p.loops));
            let on = Loopable::new(&sound.analysed, &p.recipe, &document.setup).unwrap();
            entry.loop_map = LoopMap::of(on).ok().map(Arc::new);
            if let Some(audit) = p.audit {
                world.derived.set_audit(t.id, Arc::new(p.recipe.clone()), audit);
            }
            t.recipe = Some(p.recipe);
            t.concerns = p.concerns;
            t.state = TakeState::Proposed;
        }
        world.derived.entry(t.id).source = Some(sound);
    }
    world.history = History::new(document);
    world
}

/// A problem, to be shown.
pub fn concern() -> Concern {
    Concern::new(
        ConcernKind::Noisy,
        "The note is only 31 dB above the room; a quieter room or a nearer microphone helps.",
    )
}

/// Gives a context the program's fonts and styles; whether it had them already (they count from the
/// next pass on).
pub fn dress(ctx: &egui::Context) -> bool {
    let id = egui::Id::unique("dressed");
    let had = ctx.data(|d| d.get_temp::<bool>(id)).unwrap_or(false);
    if !had {
        seamwright::app::theme::install(ctx);
        ctx.data_mut(|d| d.insert_temp(id, true));
    }
    had
}

impl World {
    /// The take under the hands.
    pub fn take(&self) -> Arc<Take> {
        Arc::clone(self.history.document().take(TAKE).unwrap())
    }

    /// The recipe of the take under the hands.
    pub fn recipe(&self) -> Recipe {
        self.take().recipe.clone().unwrap()
    }

    /// Runs the panel for one pass and carries its edits out, as the program does.
    pub fn pass(&mut self, ui: &mut Ui) {
        if !dress(ui.ctx()) {
            return;
        }
        let document = Arc::clone(self.history.document());
        let sheet = Sheet::of(&document);
        let triage = Triage::default();
        let view = View {
            document: &document,
            revision: self.history.revision(),
            sheet: &sheet,
            path: None,
            read_only: self.read_only,
            undo: None,
            redo: None,
            room: Room::Bench,
            selected: self.selected,
            triage: &triage,
            derived: &self.derived,
            jobs: &[],
            notices: &[],
            sound: &self.sound,
            theme: &self.theme,
        };
        let commands = self.bench.ui(ui, &view);
        for c in &commands {
            let Command::Edit(e) = c else { continue };
            match e {
                EditCommand::Do { label, edit } => self.history.apply(label, edit).unwrap(),
                EditCommand::Preview(edit) => self.history.preview(edit).unwrap(),
                EditCommand::Commit(label) => self.history.commit(label),
                EditCommand::Abort => self.history.abort(),
                _ => {}
            }
        }
        self.log.extend(commands);
    }
}

/// Replaces what stands in a number field and leaves it with Enter.
pub fn type_number<S>(h: &mut Harness<'_, S>, name: &str, text: &str) {
    h.get_by_role_and_label(Role::SpinButton, name).focus();
    h.run_steps(3);
    h.key_press_modifiers(Modifiers::COMMAND, Key::A);
    h.run_steps(2);
    h.event(egui::Event::Text(text.into()));
    h.run_steps(2);
    h.key_press(Key::Enter);
    h.run_steps(3);
}
