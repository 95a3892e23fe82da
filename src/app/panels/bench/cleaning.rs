//! The side column's part on cleaning: how much, how deep over frequency, of which room, for which
//! takes, and what it did to the room.

use egui::{Button, Checkbox, FontId, Rect, RichText, Role, Sense, Ui, WidgetInfo, pos2, vec2};

use super::fields::{Field, Rows};
use super::gesture::step;
use super::model::Model;
use super::{edits, reduction, room_lane};
use crate::app::theme::Theme;
use crate::app::view::View;
use crate::app::widgets::control::switch;
use crate::app::widgets::drag_handle::HandleMemory;
use crate::app::widgets::glyph;
use crate::app::words;
use crate::render::room::{Levels, doubts};
use crate::session::cleaning::{self, RoomFrom};
use crate::session::{CleanRecipe, Edit, Recipe, Setup, TakeId, tuning};

/// What this part remembers; may be lost.
#[derive(Debug, Default)]
pub struct CleaningSide {
    /// Whether the gain picture shows under the wave.
    pub picture: bool,
    memory: HandleMemory,
}

impl CleaningSide {
    /// Forgets a drag whose take is gone; whether one was open.
    pub fn drop_drag(&mut self) -> bool {
        self.memory.drop_drag()
    }
}

/// Below this a high-pass is none.
const LOWEST_HIGH_PASS_HZ: f64 = 5.0;
/// As high as the signal processing takes it.
const HIGHEST_HIGH_PASS_HZ: f64 = 1_000.0;

/// Draws the rows.
pub fn show(rows: &mut Rows<'_>, view: &View<'_>, m: &Model<'_>, recipe: &Recipe, side: &mut CleaningSide) {
    rows.heading("Cleaning", "");
    room_of(rows, m);
    let clean = &recipe.clean;
    let field = Field::new("Amount", "%", 0.0..=100.0, "Set cleaning amount")
        .decimals(0)
        .tip("How far the room is lowered: at 50 % by half as many dB as the curve below says. At 0 nothing is done, \
              the recording stays bit for bit.");
    rows.slider(&field, clean.amount * 100.0, &|v, _| edits::set_clean(m, |c| c.amount = v / 100.0));
    levels(rows.ui, rows.theme, m);
    reduction::show(rows, m, clean, &mut side.memory);
    let field = Field::new("Most reduction", "dB", 0.0..=80.0, "Set most reduction")
        .decimals(0)
        .tip("The room is never lowered by more than this, whatever the reduction curve says.");
    rows.slider(&field, clean.floor_db, &|v, _| edits::set_clean(m, |c| c.floor_db = v));
    let field = Field::new("High-pass", "Hz", 0.0..=HIGHEST_HIGH_PASS_HZ, "Set high-pass")
        .decimals(0)
        .tip("Removes what lies below it, with the rest of the cleaning: 5 to 1000 Hz. Under 5 Hz it is off.")
        .logarithmic()
        .off_below(LOWEST_HIGH_PASS_HZ);
    rows.slider(&field, clean.high_pass_hz, &|v, _| {
        edits::set_clean(m, |c| c.high_pass_hz = if v < LOWEST_HIGH_PASS_HZ { 0.0 } else { v })
    });
    switches(rows, m, clean);
    let about = "What cleaning removed, over time and frequency, under the wave (I)";
    let mut picture = side.picture;
    if rows.ui.add(Checkbox::new(&mut picture, "Gain picture")).on_hover_text(about).changed() {
        side.picture = picture;
    }
    which_room(rows, view, m);
    doubtful(rows, m);
    for_others(rows, m, clean);
}

/// A switch: its name, its step, what it does, how it stands, how to set it.
type Switch = (&'static str, &'static str, &'static str, bool, fn(&mut CleanRecipe, bool));

fn switches(rows: &mut Rows<'_>, m: &Model<'_>, clean: &CleanRecipe) {
    let all: [Switch; 3] = [
        (
            "Remove hum",
            "Switch hum removal",
            "Steady lines of the room (mains hum and its multiples, a fan's whine) are removed as the \
             waves they are; a partial at the same frequency stays",
            clean.hum,
            |c, on| c.hum = on,
        ),
        (
            "Keep soft overtones",
            "Switch sparing of overtones",
            "Where overtones (partials) of the note may lie, as its pitch tells, soft sound is left alone",
            clean.protect,
            |c, on| c.protect = on,
        ),
        (
            "Remove DC",
            "Switch removal of DC",
            "Removes the mean of each channel (direct current)",
            clean.remove_dc,
            |c, on| c.remove_dc = on,
        ),
    ];
    for (name, label, about, now, set) in all {
        let mut on = now;
        let r = rows.ui.add_enabled(rows.enabled, Checkbox::new(&mut on, name)).on_hover_text(about);
        if r.changed() {
            rows.out.extend(edits::set_clean(m, |c| set(c, on)).map(|e| step(label, e)));
        }
    }
}

/// What is known of the room, and what is doubtful.
fn room_of(rows: &mut Rows<'_>, m: &Model<'_>) {
    let Some(room) = &m.sound.analysed.room else {
        if m.source.room_stretches().is_empty() {
            rows.soft(
                "No room tone is known, so nothing can be cleaned: double-click in the File lane where \
                 nobody plays, or press Mark room tone.",
            );
        } else {
            rows.soft("The room is being learned…");
        }
        return;
    };
    if room_lane::plays_in_room(m) {
        glyph::concern_line(
            rows.ui,
            rows.theme,
            "The room tone reaches into a take: drag it to where nobody plays",
        );
    }
    // One line whatever is found out: nothing below moves when it is.
    rows.soft(if doubts(&room.profile).is_empty() {
        "The room is known."
    } else {
        "The room is not well known: see below."
    });
}

/// What is doubtful about the room, beside what mends it.
fn doubtful(rows: &mut Rows<'_>, m: &Model<'_>) {
    let Some(room) = &m.sound.analysed.room else { return };
    for (_, text) in doubts(&room.profile) {
        glyph::concern_line(rows.ui, rows.theme, text);
    }
}

/// The quietest and the loudest level that the meters show, in dB.
const METER_DB: (f64, f64) = (-120.0, -20.0);

/// The room's level before and after, as two bars.
fn levels(ui: &mut Ui, t: &Theme, m: &Model<'_>) {
    let cleaned = m.made.and_then(|r| r.cleaning.as_ref()).map(|c| c.levels);
    let plain =
        m.sound.analysed.room.as_ref().map(|r| Levels { before: r.profile.level, after: r.profile.level });
    let levels = cleaned.or(plain);
    if levels.is_none() && m.source.room_stretches().is_empty() {
        return;
    }
    for (name, after) in [("Room before", false), ("Room after", true)] {
        let (rect, r) = ui.allocate_exact_size(vec2(ui.available_width(), 16.0), Sense::hover());
        let painter = ui.painter();
        let font = FontId::proportional(13.0);
        painter.text(rect.left_center(), egui::Align2::LEFT_CENTER, name, font.clone(), t.ink_soft);
        // Their place is kept while they are measured.
        let Some(levels) = levels else { continue };
        let db = if after { levels.after.0 } else { levels.before.0 };
        let text = words::decibels(db);
        painter.text(rect.right_center(), egui::Align2::RIGHT_CENTER, &text, font, t.ink);
        let track = Rect::from_min_max(
            pos2(rect.left() + 84.0, rect.center().y - 3.0),
            pos2(rect.right() - 70.0, rect.center().y + 3.0),
        );
        painter.rect_filled(track, 1.0, t.line);
        let part = ((db - METER_DB.0) / (METER_DB.1 - METER_DB.0)).clamp(0.0, 1.0) as f32;
        let mut bar = track;
        bar.set_width(track.width() * part);
        painter.rect_filled(bar, 1.0, t.ink);
        r.widget_info(|| WidgetInfo::labeled(Role::Meter, true, format!("{name}: {text}")));
        r.on_hover_text(
            "RMS level of the room tone re full scale, as recorded and as these settings leave it",
        );
    }
}

/// Where the room is learned from.
fn which_room(rows: &mut Rows<'_>, view: &View<'_>, m: &Model<'_>) {
    let setup = &view.document.setup;
    let choices = [
        (
            "Each its own",
            RoomFrom::EachFile,
            "Each take by the room tone of its own file; where that has none, by all others'",
        ),
        ("All together", RoomFrom::Folder, "Every take by the room tone of all files together"),
        ("This one for all", RoomFrom::File(m.source.id), "Every take by the room tone of this one file"),
    ];
    rows.soft("Whose room tone each file is cleaned of");
    rows.ui.horizontal_wrapped(|ui| {
        ui.spacing_mut().item_spacing.x = 3.0;
        for (name, from, about) in choices {
            let now = setup.room_from == from;
            let r = ui.add_enabled(rows.enabled, switch(name, now, 14.0, rows.theme));
            let r = r.accessible_name(format!("Room tone: {}", name.to_lowercase()));
            if r.on_hover_text(about).clicked() && !now {
                let edit = Edit::SetSetup(Box::new(Setup { room_from: from, ..setup.clone() }));
                rows.out.push(step("Set where the room is learned", edit));
            }
        }
    });
    room_lane::fields(rows, m);
    rows.ui.horizontal_wrapped(|ui| {
        ui.spacing_mut().item_spacing.x = 4.0;
        let about = "Marks two seconds in the longest pause; drag its ends in the File lane";
        let another = room_lane::another(m);
        let r = ui.add_enabled(rows.enabled && another.is_some(), Button::new("Mark room tone"));
        let why_not = "There is no pause left between the takes of this file";
        if r.on_hover_text(about).on_disabled_hover_text(why_not).clicked() {
            rows.out.extend(another.and_then(|all| room_lane::marked(m, all)));
        }
        let marked = !m.source.room_marked.is_empty();
        let r = ui.add_enabled(rows.enabled && marked, Button::new("Back to found room tone"));
        let about = "Forgets what was marked by hand; the room tone that was found counts again";
        if r.on_hover_text(about).on_disabled_hover_text("Nothing is marked by hand").clicked() {
            rows.out.extend(room_lane::marked(m, Vec::new()));
        }
    });
}

/// The same for other takes, and which take no part in that.
fn for_others(rows: &mut Rows<'_>, m: &Model<'_>, clean: &CleanRecipe) {
    let (d, id) = (m.document, m.take.id);
    let targets: [(&str, &str, Option<Vec<TakeId>>); 3] = [
        ("This note's takes", "the other layers of this note", Some(tuning::others_of_note(d, id))),
        ("This layer's takes", "the other notes of this layer", Some(tuning::others_of_layer(d, id))),
        ("Every take", "every take, and to later proposals", None),
    ];
    rows.ui.horizontal_wrapped(|ui| {
        ui.spacing_mut().item_spacing.x = 4.0;
        ui.label(RichText::new("Copy to").color(rows.theme.ink_soft));
        for (text, to, takes) in targets {
            let named = match takes {
                None => cleaning::clean_all_like(d, id),
                Some(takes) => cleaning::copy_cleaning(d, id, &takes),
            };
            let name = format!("Copy cleaning to {}", text.to_lowercase());
            let about = format!("Gives this cleaning to {to}; takes whose cleaning is locked are left alone");
            let button = ui.add_enabled(rows.enabled && named.is_ok(), Button::new(text));
            let button = button.accessible_name(name);
            let why_not = "No other take there has a recipe, or the cleaning of all of them is locked";
            if button.on_hover_text(about).on_disabled_hover_text(why_not).clicked() {
                rows.out.extend(named.ok().map(|n| step(&n.label, n.edit)));
            }
        }
    });
    let mut own = clean.own;
    let r = rows.ui.add_enabled(rows.enabled, Checkbox::new(&mut own, "Lock this take's cleaning"));
    let about =
        "A locked cleaning stays as it is: proposals and copies of other takes' cleaning leave it alone";
    if r.on_hover_text(about).changed() {
        let label = if own { "Lock cleaning" } else { "Unlock cleaning" };
        rows.out.extend(edits::set_clean(m, |c| c.own = own).map(|e| step(label, e)));
    }
    let others = with_own(m);
    if !others.is_empty() {
        rows.soft(&format!("Cleaning locked: {others}"));
    }
}

/// How many takes are named at most.
const NAMED: usize = 4;

/// The takes whose cleaning is locked, in words.
fn with_own(m: &Model<'_>) -> String {
    let all = cleaning::with_own_settings(m.document);
    let named = all.iter().take(NAMED).filter_map(|id| m.document.take(*id));
    let mut text = named.map(|t| words::take_name(m.document, t)).collect::<Vec<_>>().join("; ");
    if all.len() > NAMED {
        text += &format!("; and {} more", all.len() - NAMED);
    }
    text
}

/// I shows or hides the gain picture; not while something is typed.
pub fn key(ui: &Ui, side: &mut CleaningSide) {
    if ui.ctx().text_edit_focused() {
        return;
    }
    if ui.input_mut(|i| i.consume_key(egui::Modifiers::NONE, egui::Key::I)) {
        side.picture = !side.picture;
    }
}
