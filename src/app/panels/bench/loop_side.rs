//! The loop in the side column: its numbers, what they are worth, what is done with it, and which loops
//! are looked for.

use egui::{RichText, Sense, Ui, UiBuilder, vec2};

use super::edits::{self, Mark};
use super::fields::{Field, Rows};
use super::gesture::step;
use super::model::Model;
use super::score;
use crate::app::command::{Command, WorkCommand};
use crate::app::quantity::Clock;
use crate::app::shortcuts::{Action, tip};
use crate::app::theme::strong;
use crate::app::view::View;
use crate::app::words;
use crate::dsp::looping::SeamAudit;
use crate::session::{Edit, LoopRecipe, LoopSearch, Setup, tuning};
use crate::units::Seconds;

/// Draws the loop's fields.
pub fn fields(rows: &mut Rows<'_>, view: &View<'_>, m: &Model<'_>) {
    let Some(l) = m.looping() else {
        rows.soft("No loop: the take is played to its end.");
        if rows.button("Make a loop", "Takes the best candidate, or the middle of the note.") {
            rows.out.extend(edits::first_loop(m).map(|e| step("Make a loop", e)));
        }
        return;
    };
    let Some((start, end)) = m.loop_frames() else { return };
    let rate = m.out_rate();
    rows.why_not = l.locked.then_some(edits::LOCKED);
    for (name, mark, value) in [("Start", Mark::LoopStart, start), ("End", Mark::LoopEnd, end)] {
        let (low, high) = mark.limits(m).unwrap_or((value, value));
        let of = |v: f64, rest: bool| mark.edit(m, v, rest);
        let clock = Clock { rate, period: m.period_frames() };
        rows.frames_and_seconds(name, mark, value, (low, high), clock, &of);
    }
    let length = |frames: f64, rest: bool| edits::loop_between(m, start, start + frames, rest);
    let longest = m.frame_of(m.recipe().map_or(0.0, |r| r.trim.range.end.0 as f64)).floor() - start;
    let periods = m.period_frames();
    rows.length(end - start, edits::SHORTEST_LOOP + 1.0, longest, rate, periods, &length);
    rows.why_not = None;
    let most = edits::longest_crossfade(start, end) / rate * 1000.0;
    let field = Field::new("Crossfade", "ms", 0.0..=most, "Change crossfade")
        .decimals(1)
        .speed(0.5)
        .tip("What comes before the loop start is faded in before the loop end. 0: none.");
    rows.number(&field, l.crossfade.0 * 1000.0, &|v, rest| edits::crossfade(m, v, rest));
    switches(rows, m, l);
    actions(rows, m);
    rows.ui.add_space(2.0);
    score::in_parts(rows.ui, rows.theme, l);
    score::which_counts(rows.ui, rows.theme, l, audit_of(view, m));
}

/// What is heard of the loop; the old measure stays until the new one is there.
fn audit_of(view: &View<'_>, m: &Model<'_>) -> Option<SeamAudit> {
    view.derived.audit(m.take).or_else(|| m.made.and_then(|x| x.audit))
}

/// Height of what decides about a loop: three lines and what keeps them off the edge.
const DECIDES: f32 = 76.0;

/// What decides about the loop: its length, its score and what is heard of it. It stands above all that
/// scrolls, and as high whatever there is to say.
pub fn decides(ui: &mut Ui, view: &View<'_>, m: &Model<'_>) {
    let t = view.theme;
    let (rect, _) = ui.allocate_exact_size(vec2(ui.available_width(), DECIDES), Sense::hover());
    ui.painter().rect_filled(rect, 3.0, t.paper);
    let inside = UiBuilder::new().max_rect(rect.shrink2(vec2(8.0, 5.0))).id_salt("decides");
    ui.scope_builder(inside, |ui| {
        ui.spacing_mut().item_spacing.y = 2.0;
        ui.spacing_mut().interact_size.y = 20.0;
        let (Some(l), Some((start, end))) = (m.looping(), m.loop_frames()) else {
            let text = match m.recipe() {
                None => "No recipe yet: nothing is trimmed, tuned or looped",
                Some(_) => "No loop: the take is played to its end",
            };
            ui.label(RichText::new(text).color(t.ink_soft));
            return;
        };
        ui.horizontal(|ui| {
            ui.spacing_mut().item_spacing.x = 6.0;
            ui.label("Loop");
            let text = format!("{:.3} s", (end - start) / m.out_rate());
            ui.label(RichText::new(text).family(strong())).on_hover_text("Its length in the delivered file");
            if let Some(period) = m.period_frames() {
                ui.label(RichText::new(words::periods((end - start) / period)).color(t.ink_soft));
            }
            if l.locked {
                ui.label(RichText::new("locked").color(t.ink_soft)).on_hover_text(edits::LOCKED);
            }
        });
        score::whole(ui, t, l);
        score::heard(ui, t, l, audit_of(view, m), m.derived.updating);
    });
    ui.add_space(2.0);
}

/// Locked, and evened.
fn switches(rows: &mut Rows<'_>, m: &Model<'_>, l: &LoopRecipe) {
    let ctx = rows.ui.ctx().clone();
    let mut locked = l.locked;
    let b = rows.ui.add_enabled(rows.enabled, egui::Checkbox::new(&mut locked, "Lock this loop"));
    let about = "A locked loop stays where it is: no key, drag, candidate, place in the loop map, proposal or \
                 copied length moves its ends, and choosing loops that stay apart leaves it alone.";
    if b.on_hover_text(tip(&ctx, about, Action::Lock)).changed() {
        rows.out.extend(edits::lock(m, locked).map(|(label, e)| step(label, e)));
    }
    let mut even = l.even;
    let gain = m.made.filter(|_| l.even).map(|x| x.rendered.evening.0);
    let text = match gain {
        Some(db) => {
            format!("Even the level in the loop ({} dB at its end)", crate::app::words::signed(db, 1))
        }
        None => "Even the level in the loop".into(),
    };
    let b = rows.ui.add_enabled(rows.enabled, egui::Checkbox::new(&mut even, text));
    let b = b.accessible_name("Even the level in the loop");
    let about = "A slow gain over the loop, at most 3 dB, brings the level at its end to that at its start. \
                 Proposals switch it on where the step would else be heard.";
    if b.on_hover_text(about).changed() {
        rows.out.extend(edits::even(m, even).map(|(label, e)| step(label, e)));
    }
}

fn actions(rows: &mut Rows<'_>, m: &Model<'_>) {
    let others = tuning::others_of_note(m.document, m.take.id).len();
    rows.ui.horizontal_wrapped(|ui| {
        let about = "The loops of this note's other layers become as long as this one, each to the nearest \
                     whole number of its own periods, near where it starts now. Locked loops are left alone. \
                     Loops of one length come round together: do it on purpose";
        let b =
            ui.add_enabled(rows.enabled && others > 0, egui::Button::new("Copy length to the other layers"));
        if b.on_hover_text(about).on_disabled_hover_text("This note has no other layer").clicked() {
            rows.out.push(Command::Work(WorkCommand::CopyLoopLength(m.take.id)));
        }
        let locked = m.loop_is_locked();
        let b = ui.add_enabled(rows.enabled && !locked, egui::Button::new("Remove the loop"));
        let b = if locked { b.on_disabled_hover_text(edits::LOCKED) } else { b };
        if b.on_hover_text("The take is then played to its end.").clicked() {
            rows.out.push(step("Remove loop", Edit::SetLoop { take: m.take.id, looping: None }));
        }
    });
}

/// Which loops are looked for, in the whole set.
pub fn search(rows: &mut Rows<'_>, m: &Model<'_>) {
    let setup = &m.document.setup;
    let now = setup.loops;
    let edit = |loops: LoopSearch| Some(Edit::SetSetup(Box::new(Setup { loops, ..setup.clone() })));
    rows.heading("Loops looked for", "in every take");
    let field = Field::new("Shortest", "s", 0.0..=now.longest.0, "Set shortest loop")
        .decimals(2)
        .speed(0.01)
        .tip("Shorter loops are not proposed; two periods are the least.");
    rows.number(&field, now.shortest.0, &|v, _| edit(LoopSearch { shortest: Seconds(v), ..now }));
    let field = Field::new("Longest", "s", now.shortest.0.max(0.05)..=60.0, "Set longest loop")
        .decimals(2)
        .speed(0.05)
        .tip("Longer loops are not proposed.");
    rows.number(&field, now.longest.0, &|v, _| edit(LoopSearch { longest: Seconds(v), ..now }));
    let field = Field::new("Vibrato", "cycles", 0.0..=20.0, "Set vibrato cycles in a loop")
        .decimals(0)
        .speed(0.05)
        .tip("A loop holds at least so many cycles of the vibrato, where there is one; 0: however few.");
    rows.number(&field, now.vibrato_cycles, &|v, _| edit(LoopSearch { vibrato_cycles: v.round(), ..now }));
}
