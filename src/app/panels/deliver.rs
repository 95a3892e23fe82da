//! The deliver room: what will be written, under which names, where; and what was.

use std::path::{Path, PathBuf};

use egui::{ComboBox, Grid, RichText, ScrollArea, TextEdit, Ui};

use crate::app::command::{Command, EditCommand, GoCommand, WorkCommand};
use crate::app::theme::strong;
use crate::app::thumbs;
use crate::app::view::View;
use crate::app::widgets::control::{field, main_button, soft};
use crate::app::widgets::glyph;
use crate::app::words;
use crate::error::Result;
use crate::render::batch::Delivery;
use crate::render::names::delivered_names;
use crate::session::{Edit, Setup, TakeId, TakeState};
use crate::units::SampleRate;

/// Bytes of a delivered sample.
const SAMPLE_BYTES: f64 = 3.0;
/// Rates that can be delivered, in Hz (common practice, no source).
const RATES: [u32; 4] = [44_100, 48_000, 88_200, 96_000];

const TITLE_TIP: &str = "What {set} stands for in the names; Enter takes it";
const PATTERN_TIP: &str = "How the files are called: {set} the set name, {note} such as C#4, {midi} its number, {layer} from 1; Enter takes it";
const SCORE_TIP: &str =
    "“Accept what passes” takes proposals with at least this loop score, 0 to 100; Enter takes it";
const FOLDER_TIP: &str = "Where the files are written; the folder is made if it is not there";

/// Names on disk, or why there are none.
type Names = Result<Vec<(TakeId, String)>>;

/// The deliver room.
#[derive(Debug, Default)]
pub struct DeliverPanel {
    title: Option<String>,
    pattern: Option<String>,
    score: Option<String>,
    /// The folder as typed, and the session it was typed for.
    folder: Option<(PathBuf, String)>,
    /// Names, and the revision they belong to.
    names: Option<(u64, Names)>,
}

impl DeliverPanel {
    /// Draws the room.
    pub fn ui(&mut self, ui: &mut Ui, view: &View<'_>) -> Vec<Command> {
        let mut commands = Vec::new();
        if self.names.as_ref().is_none_or(|(revision, _)| *revision != view.revision) {
            self.names = Some((view.revision, delivered_names(view.document)));
        }
        let left = (ui.available_width() * 0.46).clamp(300.0, 460.0);
        ui.horizontal_top(|ui| {
            let height = ui.available_height();
            let down = egui::Layout::top_down(egui::Align::Min);
            ui.allocate_ui_with_layout(egui::vec2(left, height), down, |ui| {
                ScrollArea::vertical().id_salt("deliver form").auto_shrink(false).show(ui, |ui| {
                    ui.set_width(left - 14.0);
                    self.form(ui, view, &mut commands);
                });
            });
            ui.add_space(12.0);
            ui.vertical(|ui| self.list(ui, view, &mut commands));
        });
        commands
    }

    fn form(&mut self, ui: &mut Ui, view: &View<'_>, commands: &mut Vec<Command>) {
        ui.label(RichText::new("Deliver").family(strong()).size(20.0));
        let setup = &view.document.setup;
        ui.add_enabled_ui(!view.read_only, |ui| {
            Grid::new("set-up").num_columns(2).spacing([12.0, 8.0]).show(ui, |ui| {
                self.setup_fields(ui, setup, commands);
            });
        });
        ui.label(
            soft("Fields of the pattern: {set} {note} {midi} {layer}. The ending is added.", view.theme)
                .small(),
        );
        ui.add_space(10.0);
        summary(ui, view);
        ui.add_space(10.0);
        self.folder(ui, view, commands);
        if let Some(delivery) = view.derived.delivery() {
            result(ui, view, delivery);
        }
    }

    fn setup_fields(&mut self, ui: &mut Ui, setup: &Setup, commands: &mut Vec<Command>) {
        let mut change = |label: &str, setup: Setup| {
            let edit = Edit::SetSetup(Box::new(setup));
            commands.push(Command::Edit(EditCommand::Do { label: label.into(), edit }));
        };
        ui.label("Set name");
        if let Some(title) = field(ui, ("Set name", TITLE_TIP), &setup.title, &mut self.title, 220.0)
            && !title.trim().is_empty()
        {
            change("Name of the set", Setup { title: title.trim().into(), ..setup.clone() });
        }
        ui.end_row();
        ui.label("Name pattern");
        if let Some(name_pattern) =
            field(ui, ("Name pattern", PATTERN_TIP), &setup.name_pattern, &mut self.pattern, 220.0)
        {
            change("Name pattern", Setup { name_pattern, ..setup.clone() });
        }
        ui.end_row();
        ui.label("Rate");
        let rate = setup.delivery_rate.hz();
        let shown = ComboBox::from_id_salt("rate").selected_text(format!("{rate} Hz")).show_ui(ui, |ui| {
            for hz in RATES {
                if ui.selectable_label(hz == rate, format!("{hz} Hz")).clicked()
                    && hz != rate
                    && let Ok(delivery_rate) = SampleRate::new(hz)
                {
                    change("Rate of delivery", Setup { delivery_rate, ..setup.clone() });
                }
            }
        });
        shown
            .response
            .accessible_name("Rate")
            .on_hover_text("Frames a second of the delivered files; 24 bits each");
        ui.end_row();
        ui.label("Accept from score");
        let now = format!("{:.0}", setup.accept_score);
        if let Some(text) = field(ui, ("Accept from score", SCORE_TIP), &now, &mut self.score, 60.0)
            && let Some(accept_score) = text.trim().parse().ok().filter(|s| (0.0..=100.0).contains(s))
        {
            change("Accept score", Setup { accept_score, ..setup.clone() });
        }
        ui.end_row();
    }

    fn folder(&mut self, ui: &mut Ui, view: &View<'_>, commands: &mut Vec<Command>) {
        let session = view.path.unwrap_or(Path::new("")).to_path_buf();
        if self.folder.as_ref().is_none_or(|(of, _)| *of != session) {
            let folder = session.parent().unwrap_or(Path::new("")).join("delivered");
            self.folder = Some((session, folder.display().to_string()));
        }
        let Some((_, folder)) = &mut self.folder else { return };
        ui.label("Folder");
        ui.add(TextEdit::singleline(folder).desired_width(f32::INFINITY))
            .accessible_name("Folder")
            .on_hover_text(FOLDER_TIP);
        let names_fit = matches!(&self.names, Some((_, Ok(names))) if !names.is_empty());
        let busy = view.jobs.iter().any(|j| j.stage.starts_with("Deliver"));
        let ready = names_fit && !busy && !folder.trim().is_empty();
        ui.horizontal(|ui| {
            let why = if busy {
                "A delivery is going on"
            } else {
                "Accept at least one take, and mend the names if they clash"
            };
            if main_button(ui, "Deliver", ready, view.theme)
                .on_hover_text("Writes the files listed here; files that are still right are kept")
                .on_disabled_hover_text(why)
                .clicked()
            {
                commands.push(Command::Work(WorkCommand::Deliver(PathBuf::from(folder.trim()))));
            }
            let choose = egui::Button::new("Choose a folder and deliver…").min_size(egui::vec2(0.0, 32.0));
            if ui.add_enabled(names_fit && !busy, choose).on_disabled_hover_text(why).clicked() {
                commands.push(Command::Work(WorkCommand::ChooseDeliverFolder));
            }
        });
    }

    fn list(&self, ui: &mut Ui, view: &View<'_>, commands: &mut Vec<Command>) {
        ui.label(RichText::new("Names on disk").family(strong()));
        match &self.names {
            Some((_, Ok(names))) if names.is_empty() => {
                ui.label(soft(
                    "No take is accepted yet. Accept takes in the sheet; they are listed here.",
                    view.theme,
                ));
            }
            Some((_, Ok(names))) => {
                let height = ui.spacing().interact_size.y;
                ScrollArea::vertical().id_salt("names").auto_shrink(false).show_rows(
                    ui,
                    height,
                    names.len(),
                    |ui, rows| {
                        for (id, name) in &names[rows] {
                            let chosen = view.selected == Some(*id);
                            if ui.selectable_label(chosen, name).on_hover_text("Selects the take").clicked() {
                                commands.push(Command::Go(GoCommand::Select(*id)));
                            }
                        }
                    },
                );
            }
            Some((_, Err(e))) => {
                ui.horizontal_top(|ui| {
                    glyph::concern_sign(ui, view.theme);
                    ui.add(egui::Label::new(e.to_string()).wrap());
                });
            }
            None => {}
        }
    }
}

fn summary(ui: &mut Ui, view: &View<'_>) {
    let rate = view.document.setup.delivery_rate;
    let (mut count, mut looped, mut seconds, mut bytes) = (0, 0, 0.0, 0.0);
    for take in view.document.takes.iter().filter(|t| t.state == TakeState::Accepted) {
        let Some(source) = view.document.source(take.source) else { continue };
        let length = take
            .recipe
            .as_ref()
            .map_or_else(|| thumbs::seconds(take, source), |r| r.trim.range.count().lasts(source.rate).0);
        count += 1;
        looped += usize::from(take.recipe.as_ref().is_some_and(|r| r.looping.is_some()));
        seconds += length;
        bytes += length * rate.as_f64() * f64::from(source.channels) * SAMPLE_BYTES;
    }
    ui.label(RichText::new("What will be written").family(strong()));
    if count == 0 {
        ui.label(soft("Nothing yet: no take is accepted.", view.theme));
        return;
    }
    let rows = [
        ("Files", format!("{count}, {looped} of them with a loop")),
        ("Form", format!("WAV, 24 bits, {} Hz", rate.hz())),
        ("Length", format!("{} in all", words::duration(seconds))),
        ("Size", format!("about {}", words::bytes(bytes as u64))),
    ];
    Grid::new("summary").num_columns(2).spacing([12.0, 4.0]).min_row_height(20.0).show(ui, |ui| {
        for (name, value) in rows {
            ui.label(soft(name, view.theme));
            ui.label(value);
            ui.end_row();
        }
    });
}

fn result(ui: &mut Ui, view: &View<'_>, delivery: &Delivery) {
    ui.add_space(12.0);
    ui.label(RichText::new("What was done").family(strong()));
    ui.label(format!(
        "{} written, {} kept as they were",
        files(delivery.written.len()),
        files(delivery.kept.len())
    ));
    if let Some(folder) = delivery.written.first().or(delivery.kept.first()).and_then(|d| d.path.parent()) {
        ui.add(egui::Label::new(soft(folder.display().to_string(), view.theme)).wrap());
    }
    if delivery.cancelled {
        ui.label("Stopped before the end; what is written is whole.");
    }
    let takes = delivery.failed.iter().map(|(_, name, error)| format!("{name}: {error}"));
    let beside = delivery.beside_failed.iter().map(|(path, error)| format!("{}: {error}", path.display()));
    for text in takes.chain(beside) {
        ui.horizontal_top(|ui| {
            glyph::concern_sign(ui, view.theme);
            ui.add(egui::Label::new(text).wrap());
        });
    }
}

fn files(n: usize) -> String {
    if n == 1 { "1 file".into() } else { format!("{n} files") }
}
