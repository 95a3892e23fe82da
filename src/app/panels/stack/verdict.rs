//! What the picture shows, in words; and choosing loops that stay apart.

use egui::{Button, DragValue, Label, RichText, ScrollArea, Ui};

use super::model::{Stack, Together};
use super::{LEAD_S, set};
use crate::app::command::{Command, StackCommand};
use crate::app::quantity;
use crate::app::shortcuts::{Action, tip};
use crate::app::theme::strong;
use crate::app::view::View;
use crate::app::widgets::control::soft;
use crate::app::widgets::glyph;
use crate::app::widgets::time_axis::TimeRange;
use crate::dsp::looping::stack::StackParams;
use crate::render::apart::{moment, remaining};

/// Draws the words and the controls below the lanes.
pub fn show(
    ui: &mut Ui,
    view: &View<'_>,
    stack: &Stack<'_>,
    together: &Together,
    visible: &mut TimeRange,
    out: &mut Vec<Command>,
) {
    near(ui, view, stack, together, visible, out);
    for line in further(stack, together) {
        ui.add(Label::new(soft(line, view.theme)).wrap());
    }
    ui.add_space(4.0);
    choose(ui, view, stack, out);
    done(ui, view);
}

fn number(stack: &Stack<'_>, k: usize) -> u32 {
    stack.layers.get(k).map_or(k as u32, |l| u32::from(*l)) + 1
}

fn near(
    ui: &mut Ui,
    view: &View<'_>,
    stack: &Stack<'_>,
    together: &Together,
    visible: &mut TimeRange,
    out: &mut Vec<Command>,
) {
    let params = &view.sound.stack.setup.params;
    let looped = stack.lanes.iter().filter(|l| l.looping.is_some()).count();
    ui.horizontal_wrapped(|ui| {
        let text = match looped {
            _ if stack.lanes.len() == 1 => {
                "This note has one layer only. Record or open another pass over the notes: its take then stands here as well, and their joins can be kept apart.".to_owned()
            }
            0 | 1 => "Joins can come near each other once two layers have loops.".to_owned(),
            _ => {
                let numbers: Vec<u16> = stack.layers.iter().map(|l| l + 1).collect();
                let text = remaining(&together.report, params, &numbers);
                let mut letters = text.chars();
                letters.next().map(|c| c.to_uppercase().collect::<String>() + letters.as_str()).unwrap_or_default()
            }
        };
        let first = together.report.first_near.filter(|_| looped > 1);
        if first.is_some() {
            glyph::concern_sign(ui, view.theme);
        }
        ui.label(text);
        let Some(first) = first else { return };
        if ui.button("Show it").on_hover_text("Looks at the first near-collision from nearby").clicked() {
            let half = (8.0 * first.gap_s).max(0.5);
            *visible = TimeRange::new(first.time_s - half, first.time_s + half);
        }
        let hear = Button::new("Hear it");
        let hover = "Holds the note from a second and a half before the first near-collision";
        let silent = view.sound.device.as_ref().err().cloned().unwrap_or_default();
        let r = ui.add_enabled(view.sound.device.is_ok(), hear).on_hover_text(hover);
        if r.on_disabled_hover_text(format!("No sound device is open: {silent}")).clicked() {
            out.push(Command::Stack(StackCommand::HoldFrom((first.time_s - LEAD_S).max(0.0))));
        }
    });
}

/// The common beat and the dips, where there are any.
fn further(stack: &Stack<'_>, together: &Together) -> Vec<String> {
    let mut lines = Vec::new();
    if let Some(beat) = together.report.common_beat {
        let (a, b) = (number(stack, beat.layers.0), number(stack, beat.layers.1));
        let (p, q) = beat.rounds;
        lines.push(format!(
            "Shortest common beat: {}, {p} {} of layer {a} and {q} of layer {b}; from there on their joins stand to each other as before.",
            moment(beat.seconds),
            if p == 1 { "round" } else { "rounds" }
        ));
    }
    let dips: usize = stack.lanes.iter().map(|l| l.dips.len()).sum();
    if let (Some(first), true) = (together.dips_near.first(), dips > 0) {
        let (a, b) = (number(stack, first.layers.0), number(stack, first.layers.1));
        let times = if together.dips_near.len() == 1 {
            "once".into()
        } else {
            format!("{} times", together.dips_near.len())
        };
        lines.push(format!(
            "Breaths and dips inside the loops come together {times}, first after {} in layers {} and {}.",
            moment(first.time_s),
            a.min(b),
            a.max(b)
        ));
    } else if dips > 0 {
        lines.push("The breaths and dips inside the loops never come together.".into());
    }
    lines
}

fn choose(ui: &mut Ui, view: &View<'_>, stack: &Stack<'_>, out: &mut Vec<Command>) {
    let setup = &view.sound.stack.setup;
    let mut params = setup.params;
    ui.horizontal_wrapped(|ui| {
        ui.label(RichText::new("Loops that stay apart").family(strong()));
        ui.label("by");
        let (mut ms, mut points) = (1000.0 * params.apart_s, params.most_given_up);
        ui.add(DragValue::new(&mut ms).range(20.0..=500.0).speed(1.0).suffix(" ms").max_decimals(0).custom_parser(|t| quantity::parse(t, "ms", None)))
            .accessible_name("Least distance of joins")
            .on_hover_text("Joins of two layers closer than this collide, 20 to 500 ms");
        ui.label("giving up at most");
        ui.add(DragValue::new(&mut points).range(0.0..=50.0).speed(0.2).suffix(" points").max_decimals(0))
            .accessible_name("Score given up at most")
            .on_hover_text("How much lower than a layer's best loop the loop chosen for it may score, 0 to 50 points of 100");
        params = StackParams { apart_s: (ms.round()) / 1000.0, most_given_up: points.round(), ..params };
        let busy = view.jobs.iter().any(|j| j.stage.starts_with("Choosing loops"));
        let why = if view.read_only {
            Some("Another program has this session open; nothing can be changed here")
        } else if busy {
            Some("Loops are being chosen")
        } else {
            None
        };
        let several = stack.lanes.iter().filter(|l| l.take.recipe.is_some()).count() > 1;
        let note_why = why.or((!several).then_some("This needs two layers with a recipe"));
        let about = "Chooses other loops for the layers of this note, so that their joins stay apart at this spread. Locked loops stay. One step: undo takes it back.";
        let wishes = [
            ("For this note", tip(ui.ctx(), about, Action::Apart), note_why, StackCommand::ApartNote),
            (
                "For every note",
                "The same for all notes of the set, each by itself; takes a while. One step: undo takes it back.".into(),
                why,
                StackCommand::ApartSet,
            ),
        ];
        for (text, hover, why, wish) in wishes {
            let r = ui.add_enabled(why.is_none(), Button::new(text)).on_hover_text(&hover);
            if r.on_disabled_hover_text(format!("{}.\n{hover}", why.unwrap_or_default())).clicked() {
                out.push(Command::Stack(wish));
            }
        }
    });
    if params != setup.params {
        let mut next = setup.clone();
        next.params = params;
        out.push(set(next));
    }
}

/// What was chosen last, as long as it stands.
fn done(ui: &mut Ui, view: &View<'_>) {
    let Some(set) = view.derived.apart().filter(|a| a.holds(view.document)) else { return };
    let lines = set.words(&view.document.setup);
    if lines.is_empty() {
        return;
    }
    ui.add_space(2.0);
    ui.label(RichText::new("What was chosen").family(strong()));
    ScrollArea::vertical().id_salt("apart").max_height(96.0).auto_shrink([false, true]).show(ui, |ui| {
        ui.spacing_mut().item_spacing.y = 2.0;
        for line in lines {
            ui.add(Label::new(RichText::new(line).size(13.0)).wrap());
        }
    });
}
