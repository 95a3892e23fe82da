//! The stack room as a panel: what it says, what its controls ask for, what it says when there is
//! nothing to stack, at three sizes of the window.

#[path = "../bench_support/mod.rs"]
mod bench_support;
mod controls;
mod sizes;
mod told;

use std::sync::Arc;

use bench_support::{RATE, World, analyse, bare, made, type_number};
use egui::accesskit::Role;
use egui::{Key, Modifiers, Vec2, pos2, vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT as _, Queryable as _};
use seamwright::app::command::{Command, EditCommand, Room, StackCommand, WorkCommand};
use seamwright::app::panels::stack::StackPanel;
use seamwright::app::stack::StackSetup;
use seamwright::app::theme::Theme;
use seamwright::app::triage::Triage;
use seamwright::app::view::View;
use seamwright::audio::{AudioBuf, signals};
use seamwright::dsp::looping::LoopParts;
use seamwright::dsp::looping::stack::{Dip, StackLoop};
use seamwright::render::apart::{LayerLoops, SetApart, note_apart};
use seamwright::render::propose;
use seamwright::session::placing::Decision;
use seamwright::session::{History, LoopRecipe, Sheet, TakeId, TakeState};
use seamwright::units::{Cents, MidiNote, SampleRate, Seconds};

struct State {
    world: World,
    panel: StackPanel,
    log: Vec<Command>,
}

/// A steady tone of exactly 220 Hz, so that rendering changes no time.
fn steady(layer: u16) -> AudioBuf {
    let rate = f64::from(RATE);
    let tone = signals::harmonic(|_| 220.0, &[0.3, 0.1, 0.05], rate, (3.5 * rate) as usize);
    let hiss = signals::white_noise(0.0004, tone.len(), u64::from(layer));
    let shaped = tone.iter().zip(&hiss).enumerate().map(|(i, (s, h))| {
        let t = i as f64 / rate;
        let shape = ((t - 0.5) / 0.05).clamp(0.0, 1.0) * ((2.9 - t) / 0.3).clamp(0.0, 1.0);
        (f64::from(*s) * shape) as f32 + h
    });
    AudioBuf::mono(shaped.collect(), SampleRate::new(RATE).unwrap()).unwrap()
}

/// Loops of these lengths in whole periods of about 220 Hz, all entered half a second after the
/// onset; none: a layer without a recipe.
fn world(periods: &[Option<u32>]) -> World {
    let sounds: Vec<_> = (0..periods.len()).map(|l| steady(l as u16)).collect();
    let mut world = bare(&sounds);
    let mut d = (**world.history.document()).clone();
    for (i, (audio, periods)) in sounds.iter().zip(periods).enumerate() {
        let t = Arc::make_mut(&mut d.takes[i]);
        let sound = analyse(audio, t);
        if let Some(n) = periods {
            let mut recipe = propose::propose(t, &sound.analysed, &d.setup).unwrap().recipe;
            let start = t.onset.0 as f64 + 0.5 * f64::from(RATE);
            recipe.looping = Some(LoopRecipe {
                start,
                end: start + f64::from(*n) * f64::from(RATE) / 220.0,
                crossfade: Seconds(0.02),
                score: 80.0,
                parts: LoopParts::default(),
                even: false,
                locked: false,
            });
            world.derived.entry(t.id).recipe = Some(made(&sound, &recipe, &d.setup));
            t.recipe = Some(recipe);
            t.state = TakeState::Proposed;
        }
        world.derived.entry(t.id).source = Some(sound);
    }
    world.history = History::new(d);
    world
}

fn pass(ui: &mut egui::Ui, state: &mut State) {
    if !bench_support::dress(ui.ctx()) {
        return;
    }
    let w = &mut state.world;
    let document = Arc::clone(w.history.document());
    let sheet = Sheet::of(&document);
    let triage = Triage::default();
    let theme = Theme::of(ui.ctx());
    let view = View {
        document: &document,
        revision: w.history.revision(),
        sheet: &sheet,
        path: None,
        read_only: w.read_only,
        undo: None,
        redo: None,
        room: Room::Stack,
        selected: w.selected,
        triage: &triage,
        derived: &w.derived,
        jobs: &[],
        notices: &[],
        sound: &w.sound,
        theme: &theme,
    };
    let more = state.panel.ui(ui, &view);
    for c in &more {
        if let Command::Stack(StackCommand::Set(setup)) = c {
            w.sound.stack.setup = (**setup).clone();
        }
    }
    state.log.extend(more);
}

fn window(world: World, size: Vec2) -> Harness<'static, State> {
    let state = State { world, panel: StackPanel::default(), log: Vec::new() };
    let mut h = Harness::builder().with_size(size).with_step_dt(1.0 / 60.0).build_ui_state(pass, state);
    h.run_steps(4);
    h.state_mut().log.clear();
    h
}

fn setup(h: &Harness<'_, State>) -> StackSetup {
    h.state().world.sound.stack.setup.clone()
}

/// The picture of the turns.
fn field(h: &Harness<'_, State>) -> egui::Rect {
    h.get_by_label_contains("Turns of all loops").rect()
}

fn says(h: &Harness<'_, State>, part: &str) -> bool {
    h.query_all_by_label_contains(part).next().is_some()
}

/// What the strip at the lower edge of the window is given to tell of a text that was refused.
fn refusal(h: &Harness<'_, State>) -> String {
    seamwright::app::widgets::typed::refusal(&h.ctx).unwrap_or_default()
}

fn click(h: &mut Harness<'_, State>, label: &str) {
    h.get_by_label(label).click();
    h.run_steps(3);
}
