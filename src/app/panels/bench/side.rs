//! Beside the lanes: the take's state and concerns, and every number of its recipe as a field that
//! can be typed into.

use egui::{Button, Frame, Margin, Panel, RichText, ScrollArea, Stroke, Ui, vec2};

use super::cleaning::{self, CleaningSide};
use super::gesture::{Gesture, step};
use super::map::MapCloseUp;
use super::model::{Model, parse_note};
use super::seam::{SeamCloseUp, SpectraCloseUp};
use super::{edits, fields, loop_side, suggestions};
use crate::app::command::{Command, EditCommand, WorkCommand};
use crate::app::panels::{details, hearing};
use crate::app::quantity::Clock;
use crate::app::shortcuts::{Action, tip};
use crate::app::theme::strong;
use crate::app::view::View;
use crate::app::widgets::control::{READ_ONLY, switch};
use crate::app::widgets::glyph;
use crate::app::widgets::in_sight::follow_focus;
use crate::app::widgets::layer_sign::{layer_sign, word};
use crate::app::words;
use crate::session::{Recipe, TakeId, TakeState, TuneRecipe, tuning};
use crate::units::{Cents, MidiNote};

use fields::{Field, Rows};

/// What stands below the seam close-up.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum BelowSeam {
    /// Every start against every end.
    #[default]
    LoopMap,
    /// The spectra of both sides of the join.
    Spectra,
}

/// The pictures on top of the column.
pub struct Pictures<'a> {
    /// The seam.
    pub seam: &'a mut SeamCloseUp,
    /// Its spectra.
    pub spectra: &'a mut SpectraCloseUp,
    /// The loop map.
    pub map: &'a mut MapCloseUp,
    /// Which of the two is seen.
    pub below: &'a mut BelowSeam,
    /// What the rows on cleaning remember.
    pub cleaner: &'a mut CleaningSide,
}

/// Height of the lower picture, by the height of the window: it stays the same however much of the column
/// the concerns take.
fn below(window: f32) -> f32 {
    (window * 0.14).clamp(116.0, 220.0)
}

impl Pictures<'_> {
    fn show(&mut self, ui: &mut Ui, view: &View<'_>, model: &Model<'_>, out: &mut Vec<Command>) {
        let looped = model.looping().is_some();
        let height = below(ui.ctx().content_rect().height());
        ui.add_space(4.0);
        if looped {
            self.seam.show(ui, view, model, out);
        }
        ui.horizontal(|ui| {
            ui.spacing_mut().item_spacing.x = 2.0;
            // Four of them in a narrow column.
            ui.spacing_mut().button_padding.x = 5.0;
            let choices = [
                (BelowSeam::LoopMap, "Loop map", "Every start against every end: where good loops lie"),
                (BelowSeam::Spectra, "Spectra", "The sound before the seam and after it, over frequency"),
            ];
            for (which, text, about) in choices {
                let button = switch(text, *self.below == which, 12.0, view.theme).small();
                if ui
                    .add_enabled(looped || which == BelowSeam::LoopMap, button)
                    .on_hover_text(about)
                    .clicked()
                {
                    *self.below = which;
                }
            }
            ui.with_layout(egui::Layout::right_to_left(egui::Align::Center), |ui| {
                hearing::judging(ui, view, model.take, out);
            });
        });
        match *self.below {
            BelowSeam::Spectra if looped => self.spectra.show(ui, view, model, self.seam, height),
            _ => self.map.show(ui, view, model, height, out),
        }
    }
}

/// Draws the column.
pub fn show(
    ui: &mut Ui,
    view: &View<'_>,
    model: &Model<'_>,
    gesture: &mut Gesture,
    mut pictures: Pictures<'_>,
    out: &mut Vec<Command>,
) {
    header(ui, view, model);
    state_buttons(ui, view, model, out);
    loop_side::decides(ui, view, model);
    let jump = jumps(ui, model);
    let at_foot = ui.available_height() >= FOOT_FROM;
    if at_foot {
        concerns(ui, view, model, out);
    }
    ScrollArea::vertical().auto_shrink([false, false]).show(ui, |ui| {
        ui.spacing_mut().item_spacing = vec2(6.0, 4.0);
        ui.set_max_width(ui.available_width() - 6.0);
        if !at_foot {
            let frame = Frame::new().fill(view.theme.paper).corner_radius(3);
            frame.inner_margin(Margin::symmetric(8, 5)).show(ui, |ui| {
                ui.set_min_width(ui.available_width());
                all_concerns(ui, view, model, out);
            });
        }
        let Some(recipe) = model.recipe() else { return };
        pictures.show(ui, view, model, out);
        let clock = Some(Clock { rate: model.out_rate(), period: model.period_frames() });
        let mut rows = Rows {
            ui,
            theme: view.theme,
            enabled: !view.read_only,
            gesture,
            out,
            jump,
            clock,
            why_not: None,
        };
        rows.heading("Loop", "in the delivered file");
        loop_side::fields(&mut rows, view, model);
        rows.heading("Candidates", "in the delivered file");
        suggestions::show(rows.ui, view, model, rows.out);
        loop_side::search(&mut rows, model);
        rows.heading("Tuning", "");
        tune_fields(&mut rows, model, recipe);
        rows.heading("Trim", fields::IN_SOURCE);
        trim_fields(&mut rows, model);
        rows.heading("Fades and level", "");
        level_fields(&mut rows, model, recipe);
        cleaning::show(&mut rows, view, model, recipe, pictures.cleaner);
        rows.ui.add_space(8.0);
        follow_focus(rows.ui);
    });
}

/// The headings below, to be brought into view by a click; the one that was clicked.
fn jumps(ui: &mut Ui, model: &Model<'_>) -> Option<&'static str> {
    model.recipe()?;
    let mut wanted = None;
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 2.0;
        for (text, heading, about) in [
            ("Loop", "Loop", "Ends, crossfade, the score in parts, candidates"),
            ("Tuning", "Tuning", "Target note and strengths"),
            ("Trim", "Trim", "In point, out point and onset"),
            ("Level", "Fades and level", "Fades and gain"),
            ("Cleaning", "Cleaning", "What is taken of the room"),
        ] {
            let button = Button::new(RichText::new(text).size(12.0)).small();
            let r = ui.add(button).accessible_name(format!("Show {}", heading.to_lowercase()));
            if r.on_hover_text(format!("{about}: brings it into view below")).clicked() {
                wanted = Some(heading);
            }
        }
    });
    ui.add_space(2.0);
    wanted
}

fn header(ui: &mut Ui, view: &View<'_>, model: &Model<'_>) {
    let (t, take) = (view.theme, model.take);
    ui.horizontal(|ui| {
        let (rect, sign) = ui.allocate_exact_size(vec2(16.0, 24.0), egui::Sense::hover());
        layer_sign(
            ui.painter(),
            rect.center(),
            6.0,
            take.layer,
            t.layer(take.layer),
            Stroke::new(1.0, t.ink),
        );
        sign.on_hover_text(format!("The sign of layer {}: {}", take.layer + 1, word(take.layer)));
        let note = take.note.map_or_else(|| "no note".into(), |n| n.name(model.document.setup.middle_c));
        ui.label(RichText::new(note).family(strong()).size(20.0).color(t.ink));
        ui.label(RichText::new(format!("layer {}", take.layer + 1)).color(t.ink_soft));
        ui.with_layout(egui::Layout::right_to_left(egui::Align::Center), |ui| {
            ui.label(RichText::new(take.state.word()).color(t.ink));
            glyph::state_sign(ui, take.state, t);
            if let Some(worst) = take.worst_concern() {
                glyph::concern_sign(ui, t).on_hover_text(words::typeset(&worst.text));
            }
        });
    });
}

fn state_buttons(ui: &mut Ui, view: &View<'_>, model: &Model<'_>, out: &mut Vec<Command>) {
    let take = model.take;
    let id = take.id;
    let free = !view.read_only;
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 4.0;
        let set = |s: TakeState| Command::Edit(EditCommand::SetState(id, s));
        let (text, to) = match take.state {
            TakeState::Accepted => (words::DECIDE_LATER, TakeState::Proposed),
            _ => ("Accept", TakeState::Accepted),
        };
        let ready = free && take.recipe.is_some() && take.note.is_some();
        let b = Button::new(RichText::new(text).color(view.theme.on_accent)).fill(view.theme.accent);
        let b = if ready && take.state != TakeState::Accepted { b } else { Button::new(text) };
        let about = "An accepted take will be delivered. It needs a recipe and a note";
        let about = tip(ui.ctx(), about, if take.state == TakeState::Accepted { Action::Undecide } else { Action::Accept });
        if ui.add_enabled(ready, b).on_hover_text(&about).on_disabled_hover_text(&about).clicked() {
            out.push(set(to));
        }
        let aside = take.state == TakeState::SetAside;
        let back = if take.recipe.is_some() { TakeState::Proposed } else { TakeState::New };
        let text = if aside { words::DECIDE_LATER } else { "Set aside" };
        let r = ui.add_enabled(free, Button::new(text));
        let about = "A take set aside will not be delivered; nothing is lost";
        let about = tip(ui.ctx(), about, if aside { Action::Undecide } else { Action::SetAside });
        if r.on_hover_text(&about).on_disabled_hover_text(READ_ONLY).clicked() {
            out.push(set(if aside { back } else { TakeState::SetAside }));
        }
        let text = if take.recipe.is_some() { "Propose again" } else { "Propose" };
        let about = "Fills the recipe anew from the sound. A loop that is kept stays; undo brings the old recipe back";
        let r = ui.add_enabled(free, Button::new(text)).on_hover_text(tip(ui.ctx(), about, Action::Propose));
        if r.on_disabled_hover_text(READ_ONLY).clicked() {
            out.push(Command::Work(WorkCommand::Propose(id)));
        }
    });
    if view.read_only {
        ui.label(RichText::new("Read only: to look and to listen.").small().color(view.theme.warn));
    }
    ui.add_space(4.0);
}

/// From this height of what is left of the column, what is wrong with the take stands at its foot; below it
/// there is no room for that, and it scrolls with the rest.
const FOOT_FROM: f32 = 360.0;
/// What is wrong with the take takes at most so much of what is left of the column.
const MOST_CONCERNS: f32 = 0.55;

/// What is wrong with the take, whole, at the foot of the column: it grows upwards over what scrolls, so that
/// nothing moves when there is more or less to say.
fn concerns(ui: &mut Ui, view: &View<'_>, model: &Model<'_>, out: &mut Vec<Command>) {
    let most = ui.available_height() * MOST_CONCERNS;
    let frame = Frame::new().fill(view.theme.paper).corner_radius(3).inner_margin(Margin::symmetric(8, 5));
    Panel::bottom("concerns").resizable(false).show_separator_line(false).frame(frame).show(ui, |ui| {
        let area = ScrollArea::vertical().id_salt("concerns").auto_shrink([false, true]);
        area.max_height(most).min_scrolled_height(most).show(ui, |ui| {
            all_concerns(ui, view, model, out);
            follow_focus(ui);
        });
    });
}

fn all_concerns(ui: &mut Ui, view: &View<'_>, model: &Model<'_>, out: &mut Vec<Command>) {
    let t = view.theme;
    ui.spacing_mut().item_spacing.y = 3.0;
    if let Some(why) = &model.derived.failed {
        glyph::concern_line(ui, t, why);
    }
    let mut all: Vec<_> = model.take.concerns.iter().collect();
    all.sort_by_key(|c| c.kind);
    for c in &all {
        glyph::concern_line(ui, t, words::typeset(&c.text)).on_hover_text(c.kind.words());
    }
    let goes = words::goes(model.document, model.take);
    if let Some(goes) = &goes {
        // The concern says why, and the buttons what can be done about it.
        let about = words::goes_about(model.document, model.take).unwrap_or_default();
        let text = if model.take.goes_elsewhere().is_some() { format!("It {goes}.") } else { about.clone() };
        ui.add(egui::Label::new(RichText::new(text).color(t.ink)).wrap()).on_hover_text(about);
    }
    if all.is_empty() && goes.is_none() && model.derived.failed.is_none() {
        ui.label(RichText::new("No concerns").color(t.ink_soft));
    }
    // Small enough that both ways stand side by side.
    ui.scope(|ui| {
        ui.spacing_mut().button_padding.x = 5.0;
        ui.spacing_mut().item_spacing.x = 4.0;
        if let Some(font) = ui.style_mut().text_styles.get_mut(&egui::TextStyle::Button) {
            font.size = 12.0;
        }
        details::put_right(ui, view, model.take, out);
    });
}

fn tune_fields(rows: &mut Rows<'_>, m: &Model<'_>, recipe: &Recipe) {
    let tune = &recipe.tune;
    let middle_c = m.document.setup.middle_c;
    let field = Field::new("Target note", "", 0.0..=127.0, "Set target note")
        .decimals(0)
        .speed(0.05)
        .tip("The note to bring the take to; also its root key. Type a name such as F#3, or a number.");
    let write = |n: f64| MidiNote(n.round().clamp(0.0, 127.0) as u8).name(middle_c);
    let read = |s: &str| parse_note(s, middle_c).map(|n| f64::from(n.0));
    rows.named_number(&field, f64::from(tune.target.0), &write, &read, &|v, _| {
        edits::set_tune(m, |t| (t.target, t.moved) = (MidiNote(v.round().clamp(0.0, 127.0) as u8), 0))
    });
    let field = Field::new("Offset", "cents", -100.0..=100.0, "Set tuning offset")
        .decimals(1)
        .tip("Added to the target's equal-tempered pitch.");
    rows.slider(&field, tune.offset.0, &|v, _| edits::set_tune(m, |t| t.offset = Cents(v)));
    type Part = fn(&mut TuneRecipe) -> &mut f64;
    let percents: [(&str, f64, &str, &str, Part); 3] = [
        ("Centre", tune.centre, "Set centre", "How much of the whole note's deviation is corrected.", |t| {
            &mut t.centre
        }),
        ("Drift", tune.drift, "Set drift", "How much of the movement slower than 2 Hz is flattened.", |t| {
            &mut t.drift
        }),
        (
            "Vibrato",
            tune.vibrato,
            "Set vibrato",
            "How much of the movement from 2 Hz up is flattened.",
            |t| &mut t.vibrato,
        ),
    ];
    for (name, value, label, tip, part) in percents {
        let field = Field::new(name, "%", 0.0..=100.0, label).decimals(0).tip(tip);
        rows.slider(&field, value * 100.0, &|v, _| edits::set_tune(m, |t| *part(t) = v / 100.0));
    }
    wrong_note(rows, m, tune);
    copy_buttons(rows, m);
}

/// A note that is not what it is called: keep it, or move it there.
fn wrong_note(rows: &mut Rows<'_>, m: &Model<'_>, tune: &TuneRecipe) {
    let (Some(f0), Some(named)) = (m.take.f0, m.take.note) else { return };
    let middle_c = m.document.setup.middle_c;
    let sounds = f0.nearest_note(m.document.setup.a4).0;
    if sounds == named {
        return;
    }
    let steps = i16::from(named.0) - i16::from(sounds.0);
    rows.soft(&format!("It sounds {} and stands as {}.", sounds.name(middle_c), named.name(middle_c)));
    let kept = tune.target == sounds && tune.moved == 0;
    let moved = tune.target == named && i16::from(tune.moved) == steps;
    let choices: [(&str, &str, bool, MakesNamed); 2] = [
        (
            "Keep as it sounds",
            "Its root key is then the note that it sounds.",
            kept,
            tuning::keep_as_it_sounds,
        ),
        (
            "Move to its name",
            "Reads the whole take faster or slower until it is the note it stands as; its timbre moves along.",
            moved,
            tuning::move_to_its_name,
        ),
    ];
    rows.ui.horizontal(|ui| {
        for (text, about, now, make) in choices {
            let button = switch(text, now, 14.0, rows.theme);
            if ui.add_enabled(rows.enabled, button).on_hover_text(about).clicked() && !now {
                rows.out.extend(make(m.document, m.take.id).ok().map(|n| step(&n.label, n.edit)));
            }
        }
    });
}

type MakesNamed = fn(&crate::session::Document, TakeId) -> crate::error::Result<tuning::NamedEdit>;

/// Copies strengths and curve to the takes of this note or of this layer.
fn copy_buttons(rows: &mut Rows<'_>, m: &Model<'_>) {
    let targets = [
        ("This note's takes", "the other layers of this note", tuning::others_of_note(m.document, m.take.id)),
        (
            "This layer's takes",
            "the other notes of this layer",
            tuning::others_of_layer(m.document, m.take.id),
        ),
    ];
    rows.ui.horizontal_wrapped(|ui| {
        ui.label(RichText::new("Copy to").color(rows.theme.ink_soft));
        for (text, to, takes) in targets {
            let named = tuning::copy_tuning(m.document, m.take.id, &takes, tuning::Copied::Both);
            let about = format!("Copies strengths and strength curve to {to}, as far as they have a recipe");
            let button = ui.add_enabled(rows.enabled && named.is_ok(), egui::Button::new(text));
            let button = button.accessible_name(format!("Copy tuning to {}", text.to_lowercase()));
            if button
                .on_hover_text(&about)
                .on_disabled_hover_text("No other take there has a recipe")
                .clicked()
            {
                rows.out.extend(named.ok().map(|n| step(&n.label, n.edit)));
            }
        }
    });
}

/// Where the take begins, ends and speaks, in the source file.
fn trim_fields(rows: &mut Rows<'_>, m: &Model<'_>) {
    let clock = Clock { rate: m.rate(), period: m.period_source() };
    for mark in [edits::Mark::In, edits::Mark::Out, edits::Mark::Onset] {
        let (Some(value), Some(limits)) = (mark.value(m), mark.limits(m)) else { continue };
        rows.frames_and_seconds(mark.name(), mark, value, limits, clock, &|v, rest| mark.edit(m, v, rest));
    }
}

fn level_fields(rows: &mut Rows<'_>, m: &Model<'_>, recipe: &Recipe) {
    let fades = [
        ("Fade in", edits::Mark::FadeIn, "From the in point, in milliseconds of the source; half a cosine."),
        (
            "Fade out",
            edits::Mark::FadeOut,
            "Up to the out point, in milliseconds of the source; half a cosine.",
        ),
    ];
    for (name, mark, tip) in fades {
        let (Some(value), Some((low, high))) = (mark.value(m), mark.limits(m)) else { continue };
        let ms = 1000.0 / m.rate();
        let field =
            Field::new(name, "ms", low * ms..=high * ms, mark.label()).decimals(1).speed(0.5).tip(tip);
        rows.number(&field, value * ms, &|v, rest| mark.edit(m, v / ms, rest));
    }
    let field =
        Field::new("Gain", "dB", -60.0..=24.0, "Set gain").decimals(1).tip("Applied to the whole take.");
    rows.slider(&field, recipe.level.gain.0, &|v, _| edits::set_gain(m, v));
}
