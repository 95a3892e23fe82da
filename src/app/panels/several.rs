//! Several selected takes: what they are together, and what to do with all of them in one step.

use egui::{RichText, ScrollArea, Ui};

use super::details::{place_field, section, typed_layer, typed_note};
use crate::app::command::{Command, EditCommand, GoCommand};
use crate::app::shortcuts::{Action, command_for};
use crate::app::theme::strong;
use crate::app::view::View;
use crate::app::widgets::control::{READ_ONLY, field, field_with, key_button, soft};
use crate::app::widgets::glyph;
use crate::app::widgets::in_sight::follow_focus;
use crate::app::words;
use crate::session::placing::{self, Decision, Several};
use crate::session::{Take, TakeId, TakeState};

const LAYER_TIP: &str = "The layer that all selected takes are given, from 1; then Enter. One step to undo";
const NOTE_TIP: &str = "The note that all selected takes are given, such as C#4 or 61; then Enter. Each stays in its \
                        layer. One step to undo";

/// What is done with several takes.
#[derive(Debug, Default)]
pub struct SeveralPanel {
    layer: Option<String>,
    note: Option<String>,
    /// What was typed that is no note or layer.
    problem: Option<String>,
}

impl SeveralPanel {
    /// Draws what is selected and what can be done with it.
    pub fn ui(&mut self, ui: &mut Ui, view: &View<'_>) -> Vec<Command> {
        let mut commands = Vec::new();
        let chosen = view.chosen();
        let takes: Vec<&Take> =
            chosen.iter().filter_map(|id| view.document.take(*id)).map(|t| &**t).collect();
        ui.label(
            RichText::new(format!("{} selected", words::takes(chosen.len()))).family(strong()).size(18.0),
        );
        ui.label(soft(state_words(&takes), view.theme));
        ui.add_space(6.0);
        deciding(ui, view, &chosen, &mut commands);
        self.place(ui, view, &chosen, &mut commands);
        section(ui, "Selected");
        let add = ui.ctx().format_modifiers(egui::Modifiers::COMMAND);
        let how = format!(
            "{add}+Click adds or takes out, Shift+Click selects a range, {add}+Shift+Click adds one. Escape keeps only the one with the strong edge."
        );
        ui.label(soft(how, view.theme).small());
        ui.add_space(2.0);
        ui.spacing_mut().item_spacing.y = 0.0;
        ScrollArea::vertical().auto_shrink(false).id_salt("several").show_rows(
            ui,
            24.0,
            takes.len(),
            |ui, range| {
                for take in &takes[range] {
                    line(ui, view, take, &mut commands);
                }
                follow_focus(ui);
            },
        );
        commands
    }

    fn place(&mut self, ui: &mut Ui, view: &View<'_>, chosen: &[TakeId], commands: &mut Vec<Command>) {
        section(ui, "Place in the sheet");
        let (mut layer, mut note) = (None, None);
        ui.add_enabled_ui(!view.read_only, |ui| {
            ui.horizontal(|ui| {
                ui.label("Layer");
                let id = Some(place_field());
                layer = field_with(ui, id, ("Layer for all", LAYER_TIP), "", &mut self.layer, 46.0).1;
                ui.add_space(8.0);
                ui.label("Note");
                note = field(ui, ("Note for all", NOTE_TIP), "", &mut self.note, 70.0);
            });
        });
        let wish = match (layer, note) {
            (Some(text), _) => typed_layer(&text).map(|l| placing::give_layer(view.document, chosen, l)),
            (_, Some(text)) => typed_note(view, &text).map(|n| placing::give_note(view.document, chosen, n)),
            _ => {
                self.tell(ui, view);
                return;
            }
        };
        self.problem = match wish {
            Ok(several) => take_up(several, commands),
            Err(text) => Some(text),
        };
        self.tell(ui, view);
    }

    fn tell(&self, ui: &mut Ui, view: &View<'_>) {
        if let Some(text) = &self.problem {
            ui.label(RichText::new(text).color(view.theme.warn));
        }
    }
}

/// Hands the edit on; what is to be said about takes that it passes by.
fn take_up(several: Several, commands: &mut Vec<Command>) -> Option<String> {
    if let Some(named) = several.named {
        commands.push(Command::Edit(EditCommand::Do { label: named.label, edit: named.edit }));
    }
    let left = (several.passed_by > 0).then(|| words::takes(several.passed_by));
    left.map(|n| format!("{n} without a note left as is; give them a note first"))
}

fn state_words(takes: &[&Take]) -> String {
    let states = [TakeState::New, TakeState::Proposed, TakeState::Accepted, TakeState::SetAside];
    let counted = states.map(|s| (takes.iter().filter(|t| t.state == s).count(), s));
    let parts: Vec<_> =
        counted.iter().filter(|(n, _)| *n > 0).map(|(n, s)| format!("{n} {}", s.word())).collect();
    parts.join(" · ")
}

fn deciding(ui: &mut Ui, view: &View<'_>, chosen: &[TakeId], commands: &mut Vec<Command>) {
    let d = view.document;
    let read_only = view.read_only.then_some(READ_ONLY);
    let accept = placing::decide(d, chosen, Decision::Accept);
    let aside = placing::decide(d, chosen, Decision::SetAside);
    let undecide = placing::decide(d, chosen, Decision::Undecide);
    ui.horizontal_wrapped(|ui| {
        ui.spacing_mut().item_spacing.x = 4.0;
        let mut button = |text: &str, about: &str, action, why_not: Option<&str>| {
            if key_button(ui, text, about, action, read_only.or(why_not)) {
                commands.extend(command_for(action, view, false));
            }
        };
        let nothing = |s: &Several, why| s.named.is_none().then_some(why);
        let about = "These takes will be delivered; one step to undo";
        let why_not = if accept.passed_by > 0 {
            "None of them has a recipe and a note yet; propose first"
        } else {
            "All are accepted already"
        };
        button("Accept all", about, Action::Accept, nothing(&accept, why_not));
        let about = "These takes will not be delivered; nothing is lost, one step to undo";
        button("Set all aside", about, Action::SetAside, nothing(&aside, "All are set aside already"));
        let about = "Takes the decisions back; one step to undo";
        button(
            "Decide later about all",
            about,
            Action::Undecide,
            nothing(&undecide, "None of them is decided"),
        );
        let no_note = chosen.iter().all(|id| d.take(*id).is_none_or(|t| t.note.is_none()));
        let why_not = no_note.then_some("None of them has a note yet");
        button("Propose all selected", "Fills in tuning, trim and loop of each", Action::Propose, why_not);
    });
    if accept.passed_by > 0 && accept.named.is_some() {
        let text =
            format!("{} cannot be accepted yet: no recipe or no note.", words::takes(accept.passed_by));
        ui.label(soft(text, view.theme).small());
    }
}

fn line(ui: &mut Ui, view: &View<'_>, take: &Take, commands: &mut Vec<Command>) {
    ui.horizontal(|ui| {
        glyph::state_sign(ui, take.state, view.theme);
        let mut text = words::take_name(view.document, take);
        if let Some(score) = take.loop_score() {
            text += &format!(", loop {score:.0}");
        }
        if let Some(c) = take.worst_concern() {
            text += &format!(", {}", c.kind.words());
        }
        let shown = view.selected == Some(take.id);
        let button = egui::Button::selectable(shown, text).truncate();
        let name = format!("Only {}", words::take_name(view.document, take));
        if ui.add(button).accessible_name(name).on_hover_text("Selects this one alone").clicked() {
            commands.push(Command::Go(GoCommand::Select(take.id)));
        }
    });
}
