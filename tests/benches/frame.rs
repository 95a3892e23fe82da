//! Time of one frame of the bench room, without a GPU: UI pass and tessellation at 1920 × 1080 with
//! a ten-minute 96 kHz stereo take open, at many zooms; then of the sheet with ninety-six takes, scrolled
//! and pointed at. Target: p99 at most 8 ms.

#[path = "../bench_support/mod.rs"]
mod bench_support;

use std::sync::Arc;
use std::time::{Duration, Instant};

use bench_support::{TAKE, World, bare, concern, made};
use egui::{Context, Event, Pos2, RawInput, Rect, pos2, vec2};
use seamwright::app::command::Room;
use seamwright::app::derived::{Derived, FromSource};
use seamwright::app::panels::details::DetailsPanel;
use seamwright::app::panels::sheet::SheetPanel;
use seamwright::app::triage::Triage;
use seamwright::app::view::View;
use seamwright::app::widgets::time_axis::TimeRange;
use seamwright::audio::{AudioBuf, Clip};
use seamwright::dsp::looping::{LoopCandidate, LoopParts};
use seamwright::dsp::peaks::{Column, Peaks};
use seamwright::dsp::pitch::F0Track;
use seamwright::dsp::tune::StrengthCurve;
use seamwright::render::chain::Analysed;
use seamwright::session::{
    History, LevelRecipe, LoopRecipe, Recipe, Sheet, Take, TakeId, TakeState, TrimRecipe, TuneRecipe,
};
use seamwright::units::{Frame, FrameRange, MidiNote, SampleRate, Seconds};

const MINUTES: f64 = 10.0;
const RATE: f64 = 96_000.0;

fn long_note() -> AudioBuf {
    let frames = (MINUTES * 60.0 * RATE) as usize;
    let plane = |shift: f64| -> Vec<f32> {
        (0..frames)
            .map(|i| {
                let t = i as f64 / RATE;
                let phase = std::f64::consts::TAU * 220.0 * t + 0.8 * (std::f64::consts::TAU * 5.0 * t).sin();
                (0.4 * (1.0 + 0.3 * (t * 0.7 + shift).sin()) * (phase.sin() + 0.3 * (3.0 * phase).sin()))
                    as f32
            })
            .collect()
    };
    AudioBuf::new(vec![plane(0.0), plane(1.0)], SampleRate::new(96_000).unwrap()).unwrap()
}

/// The pitch is known, so it is not tracked: minutes of work that the frame has no part in.
fn track() -> F0Track {
    let n = (MINUTES * 60.0 / 0.005) as usize + 1;
    let f0 = |i: usize| {
        let t = i as f64 * 0.005;
        Some(220.0 * ((6.0 * (31.4 * t).sin() + 10.0 * (0.9 * t).sin() - 8.0) / 1200.0).exp2())
    };
    F0Track {
        hop_s: 0.005,
        f0_hz: (0..n).map(f0).collect(),
        confidence: (0..n).map(|i| 0.6 + 0.4 * ((i / 400) % 2) as f32).collect(),
    }
}

fn world() -> World {
    let audio = long_note();
    let mut world = bare(std::slice::from_ref(&audio));
    let frames = audio.frames().0;
    let parts = LoopParts {
        zero_crossing: 90.0,
        waveform: 80.0,
        spectral: 85.0,
        level: 70.0,
        pitch: 95.0,
        ..LoopParts::default()
    };
    let candidate = |i: u64| {
        let start = frames / 5 + i * frames / 60;
        let end = start + frames / 9 + i * 90_000;
        let l = LoopRecipe {
            start: start as f64,
            end: end as f64,
            crossfade: Seconds(0.02),
            score: 95.0 - 3.0 * i as f64,
            parts,
            locked: false,
            even: false,
        };
        (
            LoopCandidate {
                range: FrameRange::new(start / 2, end / 2),
                crossfade: 960,
                score: l.score,
                parts,
            },
            l,
        )
    };
    let loops: Vec<_> = (0..24).map(candidate).collect();
    let recipe = Recipe {
        clean: Default::default(),
        trim: TrimRecipe {
            range: FrameRange::new(40_000, frames - 30_000),
            onset: Frame(48_000),
            fade_in: Seconds(0.004),
            fade_out: Seconds(0.5),
        },
        tune: TuneRecipe {
            vibrato: 0.5,
            curve: StrengthCurve {
                nodes: (0..12).map(|i| (f64::from(i) * 45.0 + 0.1, f64::from(i % 3) / 2.0)).collect(),
            },
            ..TuneRecipe::onto(MidiNote(57))
        },
        looping: Some(loops[0].1),
        level: LevelRecipe::default(),
    };
    let clip = Clip { audio: audio.clone(), offset: Frame(0) };
    let mixed: Arc<[f32]> = audio.mixed().into();
    let peaks = Arc::new(Peaks::build(&mixed));
    let analysed = Arc::new(Analysed::new(clip, track(), Some(FrameRange::new(60_000, frames - 90_000))));
    let sound = FromSource { analysed, mixed, peaks };
    let mut document = (**world.history.document()).clone();
    let mut from_recipe = made_quickly(&sound, &recipe);
    from_recipe.after = from_recipe.rendered.before.clone().map(Arc::new);
    let t = Arc::make_mut(&mut document.takes[0]);
    t.recipe = Some(recipe);
    t.state = TakeState::Proposed;
    let entry = world.derived.entry(TAKE);
    entry.recipe = Some(from_recipe);
    entry.loops = Some(Arc::new(loops));
    entry.source = Some(sound);
    world.history = History::new(document);
    world
}

/// As `made`, but the pitch after is not tracked anew.
fn made_quickly(sound: &FromSource, recipe: &Recipe) -> seamwright::app::derived::FromRecipe {
    use seamwright::render::chain;
    let setup = seamwright::session::Setup::default();
    let rendered = chain::render(&sound.analysed, recipe, setup.a4, setup.delivery_rate).unwrap();
    let _ = made; // used by the tests
    seamwright::app::derived::FromRecipe {
        audit: None,
        score: None,
        recipe: Arc::new(recipe.clone()),
        finished: chain::finished(&rendered).unwrap(),
        plain: rendered.audio.clone(),
        after: None,
        cleaning: None,
        rendered: Arc::new(rendered),
    }
}

#[derive(Default)]
struct Clock {
    ui: Vec<Duration>,
    all: Vec<Duration>,
    /// What this thread itself ran of `all`: other programs' turns are not in it. The system counts
    /// it in steps of a few milliseconds, so only the mean of many frames tells something.
    cpu: Vec<Duration>,
}

/// Time that this thread has run so far; none where the system does not tell.
fn thread_time() -> Option<Duration> {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").ok()?;
    text.split_whitespace().next()?.parse().ok().map(Duration::from_nanos)
}

fn frame(
    ctx: &Context,
    mut pass: impl FnMut(&mut egui::Ui),
    events: Vec<Event>,
    time: f64,
    clock: &mut Clock,
) {
    let input = RawInput {
        screen_rect: Some(Rect::from_min_size(Pos2::ZERO, vec2(1920.0, 1080.0))),
        time: Some(time),
        events,
        ..Default::default()
    };
    let cpu = thread_time();
    let begin = Instant::now();
    let output = ctx.run_ui(input, &mut pass);
    let ui = begin.elapsed();
    let primitives = ctx.tessellate(output.shapes, output.pixels_per_point);
    clock.ui.push(ui);
    clock.all.push(begin.elapsed());
    if let (Some(before), Some(after)) = (cpu, thread_time()) {
        clock.cpu.push(after.saturating_sub(before));
    }
    assert!(primitives.len() > 5, "something was drawn");
}

fn quantile(sorted: &[Duration], q: f64) -> f64 {
    sorted[((sorted.len() - 1) as f64 * q).round() as usize].as_secs_f64() * 1e3
}

fn mean_ms(times: &[Duration]) -> f64 {
    times.iter().sum::<Duration>().as_secs_f64() * 1e3 / times.len() as f64
}

fn main() {
    let begin = Instant::now();
    let mut world = world();
    eprintln!("made the take in {:.1} s", begin.elapsed().as_secs_f64());
    let ctx = Context::default();
    ctx.enable_accesskit();
    bench_support::dress(&ctx);
    let total = MINUTES * 60.0;
    let mut time = 0.0;
    let mut warm = Clock::default();
    for _ in 0..10 {
        time += 1.0 / 60.0;
        let events = vec![Event::PointerMoved(pos2(500.0, 400.0))];
        frame(&ctx, |ui| world.pass(ui), events, time, &mut warm);
    }
    let mut whole = Clock::default();
    println!(
        "{:>12} {:>9} {:>9} {:>9} {:>9} {:>9}",
        "seen", "ui p50", "ui p99", "all p50", "all p99", "cpu mean"
    );
    for zoom in 0..=20 {
        let span = total / 2f64.powi(zoom);
        let mut clock = Clock::default();
        for i in 0..60 {
            time += 1.0 / 60.0;
            let share = f64::from(i) / 59.0;
            let start = (total - span) * share;
            world.bench.look_at(TimeRange::new(start, start + span));
            let at = pos2(80.0 + 1500.0 * share as f32, 60.0 + 16.0 * i as f32);
            frame(&ctx, |ui| world.pass(ui), vec![Event::PointerMoved(at)], time, &mut clock);
        }
        whole.ui.extend(&clock.ui);
        whole.all.extend(&clock.all);
        whole.cpu.extend(&clock.cpu);
        clock.ui.sort();
        clock.all.sort();
        let [a, b] = [0.5, 0.99].map(|q| quantile(&clock.ui, q));
        let [c, d] = [0.5, 0.99].map(|q| quantile(&clock.all, q));
        let e = mean_ms(&clock.cpu);
        println!("{span:>10.4} s {a:>9.2} {b:>9.2} {c:>9.2} {d:>9.2} {e:>9.2}");
    }
    told("all zooms", whole);
    sheet(&ctx, &world, time);
}

fn told(what: &str, mut whole: Clock) {
    whole.ui.sort();
    whole.all.sort();
    println!(
        "{what}, {} frames: ui p50 {:.2} p99 {:.2} ms; ui + tessellation p50 {:.2} p99 {:.2} max {:.2} ms; \
         of the thread itself {:.2} ms in the mean",
        whole.all.len(),
        quantile(&whole.ui, 0.5),
        quantile(&whole.ui, 0.99),
        quantile(&whole.all, 0.5),
        quantile(&whole.all, 0.99),
        quantile(&whole.all, 1.0),
        mean_ms(&whole.cpu),
    );
}

/// The sheet with twenty-four notes in four layers and the details beside it.
fn sheet(ctx: &Context, world: &World, mut time: f64) {
    let mut document = (**world.history.document()).clone();
    let first = Arc::clone(&document.takes[0]);
    let mut derived = Derived::default();
    let columns: Arc<[Column]> =
        (0..96).map(|i| Column { min: -1.0, max: 1.0 - (i % 7) as f32 / 9.0, rms: 0.5 }).collect();
    document.takes = (0..96u32)
        .map(|i| {
            let take = Take {
                id: TakeId(i + 1),
                note: Some(MidiNote(48 + (i / 4) as u8)),
                layer: (i % 4) as u16,
                concerns: if i % 5 == 0 { vec![concern()] } else { Vec::new() },
                ..(*first).clone()
            };
            derived.set_thumb(take.id, take.span, Arc::clone(&columns));
            Arc::new(take)
        })
        .collect();
    let sheet = Sheet::of(&document);
    let triage = Triage::default();
    let (mut cells, mut details) = (SheetPanel::default(), DetailsPanel::default());
    let mut clock = Clock::default();
    for i in 0..600u32 {
        time += 1.0 / 60.0;
        let selected = Some(TakeId(i / 8 % 96 + 1));
        let at = pos2(60.0 + (i * 37 % 1400) as f32, 160.0 + (i * 23 % 850) as f32);
        let delta = vec2(0.0, if i % 60 < 30 { -40.0 } else { 40.0 });
        let wheel = Event::MouseWheel {
            unit: egui::MouseWheelUnit::Point,
            delta,
            phase: egui::TouchPhase::Move,
            source: egui::MouseWheelSource::Wheel,
            modifiers: egui::Modifiers::NONE,
        };
        let pass = |ui: &mut egui::Ui| {
            let view = View {
                document: &document,
                revision: 1,
                sheet: &sheet,
                path: Some(std::path::Path::new("set.seamwright")),
                read_only: false,
                undo: None,
                redo: None,
                room: Room::Sheet,
                selected,
                triage: &triage,
                derived: &derived,
                jobs: &[],
                notices: &[],
                sound: &world.sound,
                theme: &world.theme,
            };
            egui::Panel::right("details").exact_size(350.0).show(ui, |ui| details.ui(ui, &view));
            egui::CentralPanel::default().show(ui, |ui| cells.ui(ui, &view));
        };
        frame(ctx, pass, vec![Event::PointerMoved(at), wheel], time, &mut clock);
    }
    told("the sheet with 96 takes", clock);
}
