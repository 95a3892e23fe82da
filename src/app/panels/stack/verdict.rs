//! What the picture shows, in words; and choosing loops that stay apart.

use egui::{Align, Button, DragValue, Label, Layout, Rect, RichText, ScrollArea, Ui, UiBuilder, pos2, vec2};

use super::model::{Stack, Together};
use super::{LEAD_S, set};
use crate::app::command::{Command, StackCommand};
use crate::app::quantity;
use crate::app::shortcuts::{Action, tip};
use crate::app::stack::{APART_S, GIVEN_UP};
use crate::app::theme::strong;
use crate::app::view::View;
use crate::app::widgets::control::{READ_ONLY, escaped, soft};
use crate::app::widgets::glyph;
use crate::app::widgets::time_axis::TimeRange;
use crate::app::widgets::typed::Typed;
use crate::dsp::looping::stack::{NearMiss, StackParams};
use crate::render::apart::{moment, remaining};

/// Wide enough for the longer of the two buttons beside the words.
const BUTTONS: f32 = 84.0;
/// Height of the controls above the words, with what keeps them apart.
const CONTROLS: f32 = 42.0;

/// Below this width the controls take a second line, so much higher.
const ONE_LINE: f32 = 800.0;
const SECOND_LINE: f32 = 34.0;

/// Height of all of it in a room of this size: whatever is said, nothing above it and no button in it
/// moves.
pub fn height(room: egui::Vec2) -> f32 {
    let second = if room.x < ONE_LINE { SECOND_LINE } else { 0.0 };
    CONTROLS + second + (0.13 * room.y).clamp(74.0, 150.0)
}

/// Draws the controls and the words below the lanes.
pub fn show(
    ui: &mut Ui,
    view: &View<'_>,
    stack: &Stack<'_>,
    together: &Together,
    visible: &mut TimeRange,
    out: &mut Vec<Command>,
) {
    choose(ui, view, stack, out);
    ui.add_space(6.0);
    let rest = ui.available_rect_before_wrap();
    let buttons = Rect::from_min_max(rest.min, pos2(rest.left() + BUTTONS, rest.bottom()));
    let words = Rect::from_min_max(pos2(buttons.right() + 10.0, rest.top()), rest.max);
    let top_down = Layout::top_down(Align::Min);
    let first = looped_near(stack, together);
    ui.scope_builder(UiBuilder::new().max_rect(buttons).layout(top_down), |ui| {
        ui.spacing_mut().item_spacing.y = 4.0;
        to_first(ui, view, first, visible, out);
    });
    ui.scope_builder(UiBuilder::new().max_rect(words).layout(top_down), |ui| {
        ScrollArea::vertical().id_salt("stack words").auto_shrink(false).show(ui, |ui| {
            ui.spacing_mut().item_spacing.y = 3.0;
            near(ui, view, stack, together, first.is_some());
            for (line, about) in further(stack, together) {
                ui.add(Label::new(soft(line, view.theme)).wrap()).on_hover_text(about);
            }
            done(ui, view);
        });
    });
}

fn number(stack: &Stack<'_>, k: usize) -> u32 {
    stack.layers.get(k).map_or(k as u32, |l| u32::from(*l)) + 1
}

fn looped(stack: &Stack<'_>) -> usize {
    stack.lanes.iter().filter(|l| l.looping.is_some()).count()
}

/// The first near-collision, where loops can collide at all.
fn looped_near(stack: &Stack<'_>, together: &Together) -> Option<NearMiss> {
    together.report.first_near.filter(|_| looped(stack) > 1)
}

/// To the first near-collision, by eye and by ear.
fn to_first(
    ui: &mut Ui,
    view: &View<'_>,
    first: Option<NearMiss>,
    visible: &mut TimeRange,
    out: &mut Vec<Command>,
) {
    let size = vec2(BUTTONS, 26.0);
    let none = "No seams come near each other here";
    let r = ui.add_enabled(first.is_some(), Button::new("Show it").min_size(size));
    let r = r.on_hover_text("Looks at the first near-collision from nearby").on_disabled_hover_text(none);
    if let (true, Some(first)) = (r.clicked(), first) {
        let half = (8.0 * first.gap_s).max(0.5);
        *visible = TimeRange::new(first.time_s - half, first.time_s + half);
    }
    let silent = view.sound.device.as_ref().err().map(|why| format!("No sound device is open: {why}"));
    let why_not = silent.or_else(|| first.is_none().then(|| none.to_owned()));
    let r = ui.add_enabled(why_not.is_none(), Button::new("Hear it").min_size(size));
    let r = r.on_hover_text("Holds the note from a second and a half before the first near-collision");
    let r = r.on_disabled_hover_text(why_not.unwrap_or_default());
    if let (true, Some(first)) = (r.clicked(), first) {
        out.push(Command::Stack(StackCommand::HoldFrom((first.time_s - LEAD_S).max(0.0))));
    }
}

fn near(ui: &mut Ui, view: &View<'_>, stack: &Stack<'_>, together: &Together, any: bool) {
    let text = match looped(stack) {
        _ if stack.lanes.is_empty() => {
            "Nothing sounds together here: all takes of this note are set aside.".to_owned()
        }
        _ if stack.lanes.len() == 1 => {
            "This note has one layer only. Record or open another pass over the notes: its take then stands \
             here as well, and their seams can be kept apart."
                .to_owned()
        }
        0 | 1 => "Seams can come near each other once two layers have loops.".to_owned(),
        _ => {
            let numbers: Vec<u16> = stack.layers.iter().map(|l| l + 1).collect();
            let text = remaining(&together.report, &view.sound.stack.setup.params, &numbers);
            let mut letters = text.chars();
            letters
                .next()
                .map(|c| c.to_uppercase().collect::<String>() + letters.as_str())
                .unwrap_or_default()
        }
    };
    ui.horizontal_top(|ui| {
        if any {
            glyph::concern_sign(ui, view.theme);
        }
        ui.add(Label::new(text).wrap());
    });
}

/// How soon two loops are as they began, and the dips, where there are any; with what it means.
fn further(stack: &Stack<'_>, together: &Together) -> Vec<(String, &'static str)> {
    let mut lines = Vec::new();
    if let Some(beat) = together.report.common_beat {
        let (a, b) = (number(stack, beat.layers.0), number(stack, beat.layers.1));
        let (p, q) = beat.rounds;
        let rounds = |n: u32| if n == 1 { "1 round".to_owned() } else { format!("{n} rounds") };
        let line = format!(
            "Layers {a} and {b} come round together soonest, every {}: {} of layer {a} {} as long as {} of \
             layer {b}.",
            moment(beat.seconds),
            rounds(p),
            if p == 1 { "lasts" } else { "last" },
            rounds(q)
        );
        lines.push((line, COMES_ROUND));
    }
    let dips: usize = stack.lanes.iter().map(|l| l.dips.len()).sum();
    if let (Some(first), true) = (together.dips_near.first(), dips > 0) {
        let (a, b) = (number(stack, first.layers.0), number(stack, first.layers.1));
        let times = if together.dips_near.len() == 1 {
            "once".into()
        } else {
            format!("{} times", together.dips_near.len())
        };
        let line = format!(
            "Breaths and dips inside the loops come together {times}, first after {} in layers {} and {}.",
            moment(first.time_s),
            a.min(b),
            a.max(b)
        );
        lines.push((line, DIPS));
    } else if dips > 0 {
        lines.push(("The breaths and dips inside the loops never come together.".into(), DIPS));
    }
    lines
}

const COMES_ROUND: &str = "From then on both loops stand to each other as they did at first, so everything that is \
                           heard of them comes again in the same order. The longer that takes, the less it is \
                           noticed; choosing loops that stay apart avoids times under 12 s";
const DIPS: &str =
    "Moments at which a loop is softer than around them, such as breaths; bowls at the foot of a lane";

fn choose(ui: &mut Ui, view: &View<'_>, stack: &Stack<'_>, out: &mut Vec<Command>) {
    let setup = &view.sound.stack.setup;
    let mut params = setup.params;
    ui.horizontal_wrapped(|ui| {
        ui.label(RichText::new("Loops that stay apart").family(strong()));
        ui.label("by");
        // As wide for every value, so that what follows stays where it is.
        ui.spacing_mut().interact_size.x = 84.0;
        let (mut ms, mut points) = (1000.0 * params.apart_s, params.most_given_up);
        let range = 1000.0 * APART_S.start()..=1000.0 * APART_S.end();
        let field = DragValue::new(&mut ms).range(range.clone()).speed(1.0).max_decimals(0);
        let read = |t: &str| quantity::parse(t, "ms", None);
        let typed = Typed { range, unit: "ms", decimals: 0, read: &read, write: None };
        let r = typed.drag_in(ui, field, " ms", 1000.0 * params.apart_s)
            .accessible_name("Least distance of seams")
            .on_hover_text("Seams of two layers closer than this collide, 20 to 500 ms");
        ms = escaped(ui, &r, 1000.0 * params.apart_s).unwrap_or(ms);
        ui.add(Label::new("giving up at most").extend());
        let field = DragValue::new(&mut points).range(GIVEN_UP).speed(0.2).max_decimals(0);
        let read = |t: &str| quantity::parse(t.trim().trim_end_matches("points").trim_end_matches("point"), "", None);
        let typed = Typed { range: GIVEN_UP, unit: "points", decimals: 0, read: &read, write: None };
        let r = typed.drag_in(ui, field, " points", params.most_given_up)
            .accessible_name("Score given up at most")
            .on_hover_text("How much lower than a layer's best loop the loop chosen for it may score, 0 to 50 points of 100");
        points = escaped(ui, &r, params.most_given_up).unwrap_or(points);
        ui.add(Label::new("of score").extend());
        params = StackParams { apart_s: (ms.round()) / 1000.0, most_given_up: points.round(), ..params };
        let busy = view.jobs.iter().any(|j| j.stage.starts_with("Choosing loops"));
        let why = if view.read_only {
            Some(READ_ONLY)
        } else if busy {
            Some("Loops are being chosen")
        } else {
            None
        };
        let several = stack.lanes.iter().filter(|l| l.take.recipe.is_some()).count() > 1;
        let note_why = why.or((!several).then_some("This needs two layers with a recipe"));
        let about = "Chooses other loops for the layers of this note, so that their seams stay apart at this spread. Locked loops stay. One step: undo takes it back.";
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
    for line in lines {
        ui.add(Label::new(RichText::new(line).size(13.0)).wrap());
    }
}
