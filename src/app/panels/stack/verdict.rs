//! What the picture shows, in words; and choosing loops that stay apart.

use egui::{Button, DragValue, Label, Rect, RichText, Role, Sense, Ui, WidgetInfo, vec2};

use super::model::{Stack, Together};
use super::{LEAD_S, set};
use crate::app::command::{Command, StackCommand};
use crate::app::panels::jobs::words_of;
use crate::app::quantity;
use crate::app::shortcuts::{Action, tip};
use crate::app::stack::{APART_S, GIVEN_UP};
use crate::app::theme::strong;
use crate::app::view::View;
use crate::app::widgets::control::{READ_ONLY, escaped, soft};
use crate::app::widgets::glyph;
use crate::app::widgets::time_axis::TimeRange;
use crate::app::widgets::typed::Typed;
use crate::app::words;
use crate::dsp::looping::stack::{CommonBeat, NearMiss, StackParams};
use crate::render::apart::{by_pair, moment, remaining};

/// How the job that chooses loops is called.
const CHOOSING: &str = "Choosing loops";

/// Height of the controls, with what keeps them apart from what is below.
const CONTROLS: f32 = 42.0;
/// Below this width the controls take a second line, so much higher.
const ONE_LINE: f32 = 800.0;
const SECOND_LINE: f32 = 34.0;

/// Height of the controls in a room so wide: whatever is said, no button in them moves.
pub fn controls_height(width: f32) -> f32 {
    CONTROLS + if width < ONE_LINE { SECOND_LINE } else { 0.0 }
}

/// Height of the gist, with what keeps it off what is below: a row of buttons and three lines.
pub const GIST: f32 = 102.0;

/// Draws what decides: how many near-collisions there are, between which layers, and the way from one to the
/// next. `at`: which is looked at.
pub fn gist(
    ui: &mut Ui,
    view: &View<'_>,
    (stack, together): (&Stack<'_>, &Together),
    at: &mut usize,
    visible: &mut TimeRange,
    out: &mut Vec<Command>,
) {
    ui.spacing_mut().item_spacing.y = 4.0;
    steps(ui, view, (stack, together), at, visible, out);
    near(ui, view, stack, together);
}

/// Draws what else there is to say: what is on its way, what was chosen, what comes round together.
pub fn rest(ui: &mut Ui, view: &View<'_>, (stack, together): (&Stack<'_>, &Together)) {
    ui.spacing_mut().item_spacing.y = 4.0;
    loading(ui, view, stack);
    done(ui, view, stack);
    let least_beat_s = view.sound.stack.setup.params.least_beat_s;
    for (line, about) in further(stack, together, least_beat_s) {
        ui.add(Label::new(soft(line, view.theme)).wrap()).on_hover_text(about);
    }
}

/// The near-collision that is looked at, where loops can collide at all.
pub fn looked_at(stack: &Stack<'_>, together: &Together, at: usize) -> Option<NearMiss> {
    if stack.looped() < 2 {
        return None;
    }
    together.near.get(at.min(together.near.len().saturating_sub(1))).copied()
}

/// From one near-collision to the next, by eye and by ear.
fn steps(
    ui: &mut Ui,
    view: &View<'_>,
    (stack, together): (&Stack<'_>, &Together),
    at: &mut usize,
    visible: &mut TimeRange,
    out: &mut Vec<Command>,
) {
    const NONE: &str = "No turns come near each other here";
    let now = looked_at(stack, together, *at);
    let count = if now.is_some() { together.near.len() } else { 0 };
    *at = (*at).min(count.saturating_sub(1));
    let before = *at;
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        let mut button = |text: &str, can: bool, about: &str, why_not: &str| {
            let r = ui.add_enabled(can, Button::new(text).min_size(vec2(60.0, 26.0)));
            r.on_hover_text(about).on_disabled_hover_text(why_not).clicked()
        };
        let none = |other: &'static str| if count == 0 { NONE } else { other };
        if button("Earlier", *at > 0, "To the near-collision before this one", none("This is the first")) {
            *at -= 1;
        }
        let more = *at + 1 < count;
        if button("Later", more, "To the next near-collision", none("This is the last")) {
            *at += 1;
        }
        let show = button("Show it", now.is_some(), "Looks at this near-collision from nearby", NONE);
        if let (true, Some(near)) = (show, now) {
            let half = (8.0 * near.gap_s).max(0.5);
            *visible = TimeRange::new(near.time_s - half, near.time_s + half);
        }
        let silent = view.sound.device.as_ref().err().map(|why| format!("No sound device is open: {why}"));
        let why_not = silent.or_else(|| now.is_none().then(|| NONE.to_owned()));
        let about = "Holds the note from a second and a half before this near-collision";
        let hear = button("Hear it", why_not.is_none(), about, why_not.as_deref().unwrap_or_default());
        if let (true, Some(near)) = (hear, now) {
            out.push(Command::Stack(StackCommand::HoldFrom((near.time_s - LEAD_S).max(0.0))));
        }
    });
    if let Some(near) = together.near.get(*at).filter(|n| *at != before && !visible.contains(n.time_s)) {
        *visible = visible.scrolled(near.time_s - visible.start_s - visible.span_s() / 2.0, super::NO_LIMITS);
    }
    if let Some(n) = looked_at(stack, together, *at) {
        let (a, b) = (stack.number(n.layers.0), stack.number(n.layers.1));
        let (a, b) = (a.min(b), a.max(b));
        let ms = 1000.0 * n.gap_s;
        let text =
            format!("{} of {count}: after {}, layers {a} and {b}, {ms:.0} ms", *at + 1, moment(n.time_s));
        ui.add(Label::new(soft(text, view.theme)).truncate());
    }
}

/// What is still on its way, with how far it is: the layers' sounds, recipes, the choice of loops.
fn loading(ui: &mut Ui, view: &View<'_>, stack: &Stack<'_>) {
    let (ready, all) = stack.ready();
    if ready < all {
        let text = format!("The layers are being made ready: {ready} of {all}.");
        bar(ui, view, &text, ready as f32 / all.max(1) as f32);
    }
    let lacks = stack.lanes.iter().any(|l| l.take.recipe.is_none());
    for job in view.jobs {
        let wanted = job.stage.starts_with(CHOOSING) || (lacks && job.stage.starts_with("Propos"));
        if wanted {
            bar(ui, view, &format!("{}: {}.", job.stage, words_of(job)), job.fraction);
        }
    }
}

fn bar(ui: &mut Ui, view: &View<'_>, text: &str, share: f32) {
    let label = ui.add(Label::new(text).wrap());
    let (rect, r) = ui.allocate_exact_size(vec2(ui.available_width().min(300.0), 6.0), Sense::hover());
    ui.painter().rect_filled(rect, 3.0, view.theme.line);
    let done = Rect::from_min_size(rect.min, vec2(rect.width() * share.clamp(0.0, 1.0), rect.height()));
    ui.painter().rect_filled(done, 3.0, view.theme.accent);
    r.widget_info(|| {
        let mut info = WidgetInfo::labeled(Role::ProgressIndicator, true, text);
        info.value = Some(f64::from(share) * 100.0);
        info
    });
    label.labelled_by(r.id);
}

fn near(ui: &mut Ui, view: &View<'_>, stack: &Stack<'_>, together: &Together) {
    let (ready, all) = stack.ready();
    let text = match stack.looped() {
        _ if stack.lanes.is_empty() => {
            "Nothing sounds together here: all takes of this note are set aside.".to_owned()
        }
        _ if stack.lanes.len() == 1 => {
            "This note has one layer only. Record or open another pass over the notes: its take then stands \
             here as well, and their turns can be kept apart."
                .to_owned()
        }
        0 | 1 if ready < all => "What comes near what is told as soon as two layers are ready.".into(),
        0 | 1 if all < 2 => "Turns can come near each other once two layers have recipes with loops.".into(),
        0 => "No layer has a loop, so no turns come near each other.".into(),
        1 => {
            let only = stack.lanes.iter().position(|l| l.looping.is_some()).unwrap_or_default();
            format!("Only layer {} has a loop: nothing to stay apart from.", stack.number(only))
        }
        _ => {
            let so_far = if ready < all { "So far: " } else { "" };
            let text = remaining(&together.report, &view.sound.stack.setup.params);
            if so_far.is_empty() { capital(&text) } else { format!("{so_far}{text}") }
        }
    };
    ui.horizontal_top(|ui| {
        if looked_at(stack, together, 0).is_some() {
            glyph::concern_sign(ui, view.theme);
        }
        ui.add(Label::new(text).wrap());
    });
    if let Some(text) = pairs(stack, together) {
        ui.add(Label::new(soft(text, view.theme)).wrap());
    }
}

/// How often which layers come near each other, the most frequent first; of one pair alone the count is told
/// already.
fn pairs(stack: &Stack<'_>, together: &Together) -> Option<String> {
    let mut pairs: Vec<_> = by_pair(&together.near).into_iter().collect();
    if pairs.len() < 2 {
        return None;
    }
    // Those as frequent stay in the layers' order.
    pairs.sort_by_key(|(_, n)| std::cmp::Reverse(*n));
    let one = |(i, ((a, b), n)): (usize, ((usize, usize), usize))| {
        let unit = match (i, n) {
            (0, 1) => " time",
            (0, _) => " times",
            _ => "",
        };
        format!("{} and {}: {n}{unit}", stack.number(a), stack.number(b))
    };
    let all: Vec<String> = pairs.into_iter().enumerate().map(one).collect();
    Some(format!("Layers {}", all.join(" · ")))
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map(|c| c.to_uppercase().collect::<String>() + letters.as_str()).unwrap_or_default()
}

/// Which two loops come round together too soon, and the dips, where there are any; with what it means.
fn further(stack: &Stack<'_>, together: &Together, least_beat_s: f64) -> Vec<(String, &'static str)> {
    let mut lines = Vec::new();
    let (ready, all) = stack.ready();
    // Of loops that are on their way nothing is known yet.
    let beat = together.report.common_beat.filter(|b| ready == all && b.seconds < least_beat_s);
    if let Some(beat) = beat {
        let of = (stack.number(beat.layers.0), stack.number(beat.layers.1));
        lines.push((pulse(beat, of), PULSE));
    }
    let dips: usize = stack.lanes.iter().map(|l| l.dips.len()).sum();
    if let (Some(first), true) = (together.dips_near.first(), dips > 0) {
        let (a, b) = (stack.number(first.layers.0), stack.number(first.layers.1));
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

/// What is heard of two loops that come round together, and what can be done. `of`: the layers' numbers.
fn pulse(beat: CommonBeat, of: (u32, u32)) -> String {
    let (a, b) = (of.0.min(of.1), of.0.max(of.1));
    let every = moment(beat.seconds);
    let heard = match beat.rounds {
        (1, 1) => "their loops are about as long",
        _ => "their loops turn at once then",
    };
    format!(
        "Layers {a} and {b} come round together every {every} ({heard}), which is heard as a pulse. A loop of \
         another length for one of them breaks it up: choose loops that stay apart, or move a loop end on the bench."
    )
}

const PULSE: &str = "After that time both loops stand to each other nearly as they did before, so everything that \
                     is heard of them comes again in the same order. Of all pairs this is the one that comes round \
                     soonest. The longer it takes the less it is noticed; from 12 s on nothing is said of it";
const DIPS: &str = "Moments at which a loop is softer than around them, such as breaths; bowls at the foot of the picture, filled \
     where two layers have one together";

/// Draws what staying apart means, and the buttons that choose loops for it.
pub fn controls(ui: &mut Ui, view: &View<'_>, stack: &Stack<'_>, out: &mut Vec<Command>) {
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
        let busy = view.jobs.iter().any(|j| j.stage.starts_with(CHOOSING));
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

/// What was chosen last, as long as it stands: how many near-collisions there were and are and between which
/// layers, what was changed for it, and why some remain.
fn done(ui: &mut Ui, view: &View<'_>, stack: &Stack<'_>) {
    let Some(set) = view.derived.apart().filter(|a| a.holds(view.document)) else { return };
    let sum = set.sum();
    let here = set.notes.iter().find(|n| n.note == stack.note);
    if sum.is_none() && here.is_none() {
        return;
    }
    let line = |ui: &mut Ui, text: &str| ui.add(Label::new(RichText::new(text).size(13.0)).wrap());
    ui.add_space(2.0);
    ui.label(RichText::new("What was chosen").family(strong()));
    if let Some(sum) = &sum {
        line(ui, sum);
    }
    if let Some(told) = here {
        line(ui, &capital(&told.counts(&set.params)));
        for text in told.changes().iter().chain(&told.why(&set.params)) {
            line(ui, text);
        }
    }
    for other in set.notes.iter().filter(|n| n.note != stack.note) {
        let name = words::note(view.document, other.note);
        line(ui, &format!("{name}: {}", other.counts(&set.params)));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pulse_says_what_is_heard_and_what_to_do() {
        let beat = |seconds, rounds| CommonBeat { seconds, layers: (2, 0), rounds };
        let told = pulse(beat(2.1, (1, 1)), (3, 1));
        assert!(
            told.starts_with(
                "Layers 1 and 3 come round together every 2.1 s (their loops are about as long)"
            )
        );
        assert!(told.contains("heard as a pulse") && told.contains("choose loops that stay apart"), "{told}");
        assert!(pulse(beat(6.0, (3, 2)), (3, 1)).contains("turn at once then"));
    }
}
