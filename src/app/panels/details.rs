//! The selected take in words and numbers: what it is, what is wrong with it, what to do with it.

use egui::{Button, Grid, Id, RichText, ScrollArea, Sense, Ui, vec2};

use super::{hearing, keeper};
use crate::app::command::{Command, EditCommand, GoCommand, Room};
use crate::app::shortcuts::{Action, command_for, tip};
use crate::app::theme::strong;
use crate::app::triage::{Filter, Listing};
use crate::app::view::View;
use crate::app::widgets::cell::wave;
use crate::app::widgets::control::{READ_ONLY, field, field_with, key_button, soft};
use crate::app::widgets::glyph;
use crate::app::widgets::in_sight::follow_focus;
use crate::app::words;
use crate::render::standing::FileStanding;
use crate::session::{Source, Take, TakeId, TakeState, placing, tuning};
use crate::survey::names::parse_note;
use crate::units::MidiNote;

const NOTE_TIP: &str =
    "The note the take stands at in the sheet: a name such as C#4 or a number from 0 to 127, then Enter";
const LAYER_TIP: &str = "Which pass over the notes it belongs to, from 1; then Enter";

/// Below this width buttons are narrower, so that what belongs together stands in one row.
const NARROW: f32 = 300.0;

/// The field that a key goes to, to give what is selected another note or layer.
pub fn place_field() -> Id {
    Id::unique("place field")
}

/// The details.
#[derive(Debug, Default)]
pub struct DetailsPanel {
    /// The take that the half-typed values belong to.
    about: Option<TakeId>,
    note: Option<String>,
    layer: Option<String>,
    /// What was typed that is no note or layer.
    problem: Option<String>,
}

impl DetailsPanel {
    /// Draws the details of the selected take.
    pub fn ui(&mut self, ui: &mut Ui, view: &View<'_>) -> Vec<Command> {
        let mut commands = Vec::new();
        let found = view.selected.and_then(|id| view.document.take_and_source(id));
        let Some((take, source)) = found else {
            ui.label(soft("Choose a take in the sheet to see it here.", view.theme));
            return commands;
        };
        if self.about != Some(take.id) {
            *self = Self { about: Some(take.id), ..Self::default() };
        }
        ScrollArea::vertical().auto_shrink(false).show(ui, |ui| {
            if ui.available_width() < NARROW {
                ui.spacing_mut().button_padding.x = 5.0;
            }
            heading(ui, view, take);
            picture(ui, view, take);
            hearing(ui, view, take, &mut commands);
            left_out(ui, view, take, &mut commands);
            deciding(ui, view, take, &mut commands);
            concerns(ui, view, take);
            // What is not seen in the sheet is not changed.
            ui.add_enabled_ui(!view.is_left_out(take.id), |ui| {
                goes_elsewhere(ui, view, take, &mut commands);
                keeper::choice(ui, view, take, &mut commands);
                self.place(ui, view, take, &mut commands);
            });
            facts(ui, view, take, source);
            follow_focus(ui);
        });
        commands
    }

    fn place(&mut self, ui: &mut Ui, view: &View<'_>, take: &Take, commands: &mut Vec<Command>) {
        section(ui, "Place in the sheet");
        let now_note = take.note.map(|n| words::note(view.document, n)).unwrap_or_default();
        let now_layer = (u32::from(take.layer) + 1).to_string();
        let (mut note, mut layer) = (None, None);
        ui.add_enabled_ui(!view.read_only, |ui| {
            ui.horizontal(|ui| {
                ui.label("Note");
                let id = Some(place_field());
                note = field_with(ui, id, ("Note", NOTE_TIP), &now_note, &mut self.note, 70.0).1;
                ui.add_space(8.0);
                ui.label("Layer");
                layer = field(ui, ("Layer", LAYER_TIP), &now_layer, &mut self.layer, 46.0);
            });
        });
        if self.note.is_none() && self.layer.is_none() && note.is_none() && layer.is_none() {
            self.problem = None;
        }
        if note.is_some() || layer.is_some() {
            match wanted_place(view, take, note.as_deref(), layer.as_deref()) {
                Ok((note, layer)) => {
                    self.problem = None;
                    let named = placing::move_to(view.document, take.id, (note, layer));
                    commands.push(Command::Edit(EditCommand::Do { label: named.label, edit: named.edit }));
                }
                Err(text) => {
                    // What was typed stays to be mended.
                    self.note = note.or(self.note.take());
                    self.layer = layer.or(self.layer.take());
                    self.problem = Some(text);
                }
            }
        }
        // In the place of the hint, so that what is below stays where it is.
        match &self.problem {
            Some(text) => ui.label(RichText::new(text).color(view.theme.warn).small()),
            None => ui.label(soft("Type a note such as C#4 or 61, then Enter.", view.theme).small()),
        };
    }
}

/// The place that typed values ask for, or what is wrong with them.
fn wanted_place(
    view: &View<'_>,
    take: &Take,
    note: Option<&str>,
    layer: Option<&str>,
) -> Result<(MidiNote, u16), String> {
    let note = match note {
        Some(text) => typed_note(view, text)?,
        None => take.note.ok_or("give the take a note first, such as C#4")?,
    };
    let layer = layer.map_or(Ok(take.layer), typed_layer)?;
    Ok((note, layer))
}

/// The note that a text names. Errors: a sentence.
pub(super) fn typed_note(view: &View<'_>, text: &str) -> Result<MidiNote, String> {
    parse_note(text.trim(), view.document.setup.middle_c)
        .ok_or_else(|| format!("“{text}” is no note; write one such as C#4, Db4 or a number from 0 to 127"))
}

/// The layer that a text names, counted from 0. Errors: a sentence.
pub(super) fn typed_layer(text: &str) -> Result<u16, String> {
    let number = text.trim().parse::<u16>().ok().filter(|n| (1..=99).contains(n));
    number.map(|n| n - 1).ok_or_else(|| format!("“{text}” is no layer; write a number from 1 to 99"))
}

pub(super) fn section(ui: &mut Ui, name: &str) {
    ui.add_space(10.0);
    ui.label(RichText::new(name).family(strong()));
}

/// How the take's file in the delivery folder stands to what would be written now; none: nothing was
/// delivered there, or the take is not to be.
fn delivered(view: &View<'_>, take: &Take) -> Option<(&'static str, &'static str)> {
    let standing = view.derived.deliver().standing().filter(|s| s.known)?;
    let (_, file) = standing.files.iter().find(|(id, _)| *id == take.id)?;
    match file {
        FileStanding::Changed => Some((
            "Changed since the delivery",
            "The file in the delivery folder was made from another recipe, recording or setting; delivering again writes it anew",
        )),
        FileStanding::New => {
            Some(("Not delivered yet", "Other takes of this set are delivered, this one is not"))
        }
        FileStanding::Same => {
            Some(("Delivered as it is", "The file in the delivery folder is what would be written now"))
        }
        FileStanding::Unmeasured | FileStanding::Strange => None,
    }
}

fn heading(ui: &mut Ui, view: &View<'_>, take: &Take) {
    ui.label(RichText::new(words::take_name(view.document, take)).family(strong()).size(18.0));
    ui.horizontal(|ui| {
        glyph::state_sign(ui, take.state, view.theme);
        ui.label(take.state.word());
        if let Some(score) = take.loop_score() {
            let locked = take.recipe.as_ref().and_then(|r| r.looping).is_some_and(|l| l.locked);
            let locked = if locked { ", locked" } else { "" };
            ui.label(soft(format!("loop score {score:.0}{locked}"), view.theme))
                .on_hover_text(format!("Of 100, and 100 is best: {}", words::score_words(score)));
        }
    });
    if let Some((text, about)) = delivered(view, take) {
        let changed = text.starts_with("Changed");
        let colour = if changed { view.theme.ink } else { view.theme.ink_soft };
        ui.horizontal(|ui| {
            if changed {
                glyph::changed_sign(ui, about, view.theme);
            }
            ui.label(RichText::new(text).color(colour)).on_hover_text(about);
        });
    }
    if take.loop_score().is_some() {
        // It has its place before it is measured, so that nothing moves when it comes.
        let heard = view.derived.audit(take).map_or("not measured yet".into(), |a| words::seam_words(&a));
        let hidden = view.derived.audit(take).map_or_else(String::new, |a| {
            format!("Hidden {:.0} of 100, and 100 is best. ", words::seam_hidden(a.audibility))
        });
        ui.label(soft(format!("Seam: {heard}"), view.theme)).on_hover_text(format!(
            "{hidden}The loop as it will be delivered, played round and measured; the score compares its ends before \
             they are joined"
        ));
    }
}

fn picture(ui: &mut Ui, view: &View<'_>, take: &Take) {
    let (rect, _) = ui.allocate_exact_size(vec2(ui.available_width(), 64.0), Sense::hover());
    ui.painter().rect_filled(rect, 3.0, view.theme.paper);
    if let Some(columns) = view.derived.thumb(take) {
        wave(&ui.painter_at(rect), rect.shrink(4.0), columns, view.theme.layer(take.layer));
    }
}

fn hearing(ui: &mut Ui, view: &View<'_>, take: &Take, commands: &mut Vec<Command>) {
    ui.add_space(4.0);
    ui.horizontal_wrapped(|ui| {
        ui.spacing_mut().item_spacing.x = 4.0;
        hearing::buttons(ui, view, take, commands);
    });
}

/// The filter leaves the take out of the sheet: that, and the way back.
fn left_out(ui: &mut Ui, view: &View<'_>, take: &Take, commands: &mut Vec<Command>) {
    if !view.is_left_out(take.id) {
        return;
    }
    ui.add_space(4.0);
    let text =
        "The filter leaves this take out of the sheet, so nothing is decided about it or changed here.";
    ui.add(egui::Label::new(text).wrap());
    if ui.button("Show it again").on_hover_text("Clears the filter; this take stays selected").clicked() {
        let listing = Listing { filter: Filter::default(), ..view.triage.listing };
        commands.push(Command::Go(GoCommand::List(listing)));
    }
}

/// Why nothing about the take may be changed here, if so.
fn guarded(view: &View<'_>, take: &Take) -> Option<&'static str> {
    let left_out = view.is_left_out(take.id).then_some("The filter leaves this take out of the sheet");
    view.read_only.then_some(READ_ONLY).or(left_out)
}

fn deciding(ui: &mut Ui, view: &View<'_>, take: &Take, commands: &mut Vec<Command>) {
    let has_recipe = take.recipe.is_some();
    let decided = matches!(take.state, TakeState::Accepted | TakeState::SetAside);
    ui.horizontal_wrapped(|ui| {
        ui.spacing_mut().item_spacing.x = 4.0;
        let mut button = |text, about, action, why_not: Option<&str>| {
            if key_button(ui, text, about, action, guarded(view, take).or(why_not)) {
                commands.extend(command_for(action, view, false));
            }
        };
        let why_not = match take.state {
            TakeState::Accepted => Some("It is accepted already"),
            _ if !has_recipe => Some("It has no recipe yet; propose one first"),
            _ => None,
        };
        button("Accept", "This take will be delivered", Action::Accept, why_not);
        let why_not = (take.state == TakeState::SetAside).then_some("It is set aside already");
        button("Set aside", "This take will not be delivered; nothing is lost", Action::SetAside, why_not);
        let why_not = (!decided).then_some("It is not decided yet");
        button(
            words::DECIDE_LATER,
            "Takes the decision back: the take is open again",
            Action::Undecide,
            why_not,
        );
    });
    ui.horizontal_wrapped(|ui| {
        ui.spacing_mut().item_spacing.x = 4.0;
        let again = if has_recipe { "Propose again" } else { "Propose" };
        let why_not = match take.note {
            _ if guarded(view, take).is_some() => guarded(view, take),
            None => Some("Give the take a note first, under “Place in the sheet”"),
            Some(_) => None,
        };
        if key_button(ui, again, "Fills in tuning, trim and loop", Action::Propose, why_not) {
            commands.extend(command_for(Action::Propose, view, false));
        }
        let bench = Button::new("Open on the bench");
        let hover = tip(ui.ctx(), "Tune, trim and loop this take by hand", Action::RoomBench);
        if ui.add(bench).on_hover_text(hover).clicked() {
            commands.push(Command::Go(GoCommand::Room(Room::Bench)));
        }
    });
}

fn concerns(ui: &mut Ui, view: &View<'_>, take: &Take) {
    if take.concerns.is_empty() {
        return;
    }
    section(ui, "Concerns");
    for c in &take.concerns {
        glyph::concern_line(ui, view.theme, words::typeset(&c.text));
    }
}

/// A take that goes out as another note than its place says.
fn goes_elsewhere(ui: &mut Ui, view: &View<'_>, take: &Take, commands: &mut Vec<Command>) {
    let Some(about) = words::goes_about(view.document, take) else { return };
    ui.add_space(4.0);
    ui.add(egui::Label::new(about).wrap());
    put_right(ui, view, take, commands);
}

/// The two ways to make place and sound of a take one, where they are not: here and on the bench.
pub(super) fn put_right(ui: &mut Ui, view: &View<'_>, take: &Take, commands: &mut Vec<Command>) {
    let d = view.document;
    let (Some(to), Some(place)) = (take.goes_elsewhere(), take.note) else { return };
    let (to_name, place_name) = (words::note(d, to), words::note(d, place));
    let read_only = view.read_only.then(|| READ_ONLY.to_owned());
    let up = tuning::move_to_its_name(d, take.id).map_err(|e| e.to_string());
    let ways = [
        (
            format!("Place it at {to_name}"),
            format!("It sounds {to_name}, so it moves to that row of the sheet. One step to undo"),
            Ok(placing::move_to(d, take.id, (to, take.layer))),
        ),
        (
            format!("Move its sound to {place_name}"),
            format!(
                "Read faster or slower as a whole until it is {place_name}; its timbre moves along. One step to undo"
            ),
            up,
        ),
    ];
    ui.horizontal_wrapped(|ui| {
        for (text, about, named) in ways {
            let why_not = read_only.clone().or(named.as_ref().err().cloned());
            let r = ui.add_enabled(why_not.is_none(), Button::new(text)).on_hover_text(about);
            if r.on_disabled_hover_text(why_not.unwrap_or_default()).clicked()
                && let Ok(named) = named
            {
                commands.push(Command::Edit(EditCommand::Do { label: named.label, edit: named.edit }));
            }
        }
    });
}

fn facts(ui: &mut Ui, view: &View<'_>, take: &Take, source: &Source) {
    section(ui, "What it is");
    let d = view.document;
    let at = |f: crate::units::Frame| f.at(source.rate).0;
    let note = |n: Option<MidiNote>| n.map_or("–".into(), |n| words::note(d, n));
    let sounding = match (take.sounds, take.f0) {
        (Some(n), Some(f)) => {
            format!("{} {} cents ({f})", words::note(d, n), words::signed(take.cents.0, 1))
        }
        (n, _) => note(n),
    };
    let span = format!(
        "{:.2} to {:.2} s, {} long",
        at(take.span.start),
        at(take.span.end),
        words::duration(take.span.count().lasts(source.rate).0)
    );
    let snr = take.snr.map_or("no room tone to compare with".into(), |s| format!("{:.0} dB", s.0));
    let rows = [
        ("File", source.path.display().to_string()),
        ("In the file", span),
        ("Named", note(take.named.and_then(|n| n.midi))),
        ("Sounding", sounding),
        ("Level", words::decibels(take.level.0)),
        ("Above the room", snr),
        ("Format", format!("{} Hz, {}", source.rate.hz(), channels(source.channels))),
    ];
    Grid::new("facts").num_columns(2).spacing([12.0, 3.0]).min_row_height(20.0).show(ui, |ui| {
        for (name, value) in rows {
            ui.label(soft(name, view.theme));
            ui.add(egui::Label::new(&value).truncate().show_tooltip_when_elided(false)).on_hover_text(&value);
            ui.end_row();
        }
    });
}

fn channels(n: u16) -> String {
    match n {
        1 => "mono".into(),
        2 => "stereo".into(),
        n => format!("{n} channels"),
    }
}
