//! What will be written, under which names, and what the last delivery did.

use std::path::{Path, PathBuf};

use egui::{Grid, Label, ScrollArea, Ui};

use super::model::{Model, NameRow};
use super::settings::length_and_size;
use crate::app::command::{Command, GoCommand, WorkCommand};
use crate::app::view::View;
use crate::app::widgets::control::soft;
use crate::app::widgets::glyph;
use crate::app::widgets::in_sight::follow_focus;
use crate::app::widgets::layer_sign::layer_sign;
use crate::app::words;
use crate::error::{Error, ErrorKind};
use crate::io::SoundForm;
use crate::render::batch::Delivery;
use crate::render::plan::BesideKind;
use crate::render::standing::{FileStanding, Standing};

/// More problems than this at once nobody reads.
const PROBLEMS: usize = 5;
/// More left-over files than this are only counted.
const ORPHANS: usize = 6;
/// Width of the words beside a name.
const WORDS: f32 = 104.0;

/// Everything that keeps the delivery from being begun, and what one may not expect.
pub fn problems(ui: &mut Ui, view: &View<'_>, model: &Model) {
    // A mistake in the pattern is the first of them, and is told where it is typed.
    let problems = &model.plan.problems[usize::from(model.bad_pattern).min(model.plan.problems.len())..];
    for p in problems.iter().take(PROBLEMS) {
        glyph::concern_line(ui, view.theme, p.to_string());
    }
    let more = problems.len().saturating_sub(PROBLEMS);
    if more > 0 {
        ui.label(soft(format!("and {more} more; the names below carry a sign."), view.theme));
    }
}

/// What will be written, in numbers and words.
pub fn summary(ui: &mut Ui, view: &View<'_>, model: &Model) {
    let sums = &model.sums;
    if sums.files == 0 {
        let text = "Nothing yet: no take is accepted. Accept takes in the sheet; they are listed here.";
        ui.add(Label::new(soft(text, view.theme)).wrap());
        return;
    }
    if model.bad_pattern {
        let text = "Nothing: the name pattern has a mistake. It is told at the pattern.";
        ui.add(Label::new(text).wrap());
        return;
    }
    let setup = &view.document.setup;
    let mut size = length_and_size(sums.seconds, sums.bytes);
    if setup.delivery.form == SoundForm::Flac {
        size = size.replace("about", "at most about");
    }
    if sums.bank_bytes > 0.0 {
        size += &format!(", the SoundFont another {}", words::bytes(sums.bank_bytes as u64));
    }
    let beside: Vec<&str> = model.plan.beside.iter().map(|b| b.path.as_str()).collect();
    let mut count = format!("{}, {} of them with a loop", sums.files, sums.looped);
    if !model.plan.problems.is_empty() {
        count = format!("{count}; none is written before what is told at the names is settled");
    }
    let mut rows = vec![
        ("Files", count),
        ("Format", format!("{}, {} Hz", setup.delivery.form.words(), setup.delivery_rate.hz())),
        ("Length, size", size),
        ("Beside them", if beside.is_empty() { "nothing".into() } else { beside.join(", ") }),
    ];
    if let Some(s) = view.derived.deliver().standing() {
        rows.push(("In the folder", in_folder(s)));
    }
    Grid::new("summary").num_columns(2).spacing([12.0, 3.0]).min_row_height(19.0).show(ui, |ui| {
        for (name, value) in rows {
            ui.label(soft(name, view.theme));
            ui.add(Label::new(value).wrap());
            ui.end_row();
        }
    });
    for remark in &model.plan.remarks {
        ui.add(Label::new(soft(format!("Note: {remark}."), view.theme).small()).wrap());
    }
}

/// How the folder stands, in words.
pub fn in_folder(s: &Standing) -> String {
    if !s.known && s.count(FileStanding::Strange) == 0 {
        return "no delivery yet".into();
    }
    let parts: Vec<String> = [
        (FileStanding::New, "new"),
        (FileStanding::Changed, "changed since the last delivery"),
        (FileStanding::Unmeasured, "to be compared once the levels are measured"),
        (FileStanding::Same, "as delivered"),
        (FileStanding::Strange, "taken by a file of somebody else"),
    ]
    .into_iter()
    .map(|(what, text)| (s.count(what), text))
    .filter(|(n, _)| *n > 0)
    .map(|(n, text)| format!("{n} {text}"))
    .collect();
    if parts.is_empty() { "nothing of this delivery".into() } else { parts.join(", ") }
}

/// More names than this are only counted.
const TOLD: usize = 8;

/// What changed since the last delivery, by name.
pub fn since(ui: &mut Ui, view: &View<'_>, model: &Model, commands: &mut Vec<Command>) {
    let Some(standing) = view.derived.deliver().standing() else {
        ui.label(soft("It is being looked at what stands in the folder.", view.theme));
        return;
    };
    let count = |what| model.count(what);
    if model.rows.is_empty() {
        let text = match model.sums.files {
            0 => "Nothing is accepted, so nothing would be written.",
            _ => "It is told as soon as the files have names.",
        };
        ui.add(Label::new(soft(text, view.theme)).wrap());
        return;
    }
    if count(FileStanding::Same) == model.rows.len() {
        let text = match model.rows.len() {
            1 => "Nothing: the file stands in the folder as it would be written now.".to_owned(),
            n => format!("Nothing: all {n} files stand in the folder as they would be written now."),
        };
        ui.add(Label::new(soft(text, view.theme)).wrap());
        return;
    }
    if !standing.known && count(FileStanding::Strange) == 0 {
        ui.add(Label::new(soft("Nothing was delivered into this folder yet.", view.theme)).wrap());
        return;
    }
    for (what, word) in [
        (FileStanding::Changed, "Changed"),
        (FileStanding::New, "New"),
        (FileStanding::Unmeasured, "To be compared once the levels are measured"),
        (FileStanding::Strange, "Taken by a file of somebody else, which stays"),
    ] {
        let rows: Vec<&NameRow> = model.rows.iter().filter(|r| r.standing == Some(what)).collect();
        if rows.is_empty() {
            continue;
        }
        ui.horizontal_wrapped(|ui| {
            ui.spacing_mut().item_spacing = egui::vec2(4.0, 3.0);
            ui.spacing_mut().button_padding = egui::vec2(5.0, 1.0);
            ui.spacing_mut().interact_size.y = 22.0;
            ui.label(format!("{word}, {}:", files(rows.len())));
            for row in rows.iter().take(TOLD) {
                let name = egui::RichText::new(short(&row.path)).size(12.0);
                let button = egui::Button::new(name).truncate();
                if ui.add(button).on_hover_text(format!("{}. Selects the take", row.path)).clicked() {
                    commands.push(Command::Go(GoCommand::Select(row.take)));
                }
            }
            if rows.len() > TOLD {
                ui.label(format!("and {} more", rows.len() - TOLD));
            }
        });
    }
    let same = count(FileStanding::Same);
    if same > 0 {
        ui.label(soft(format!("As delivered, and kept: {}", files(same)), view.theme));
    }
}

/// A path without its ending.
fn short(path: &str) -> &str {
    path.rsplit_once('.').map_or(path, |(stem, _)| stem)
}

/// Files that earlier deliveries left over, and the way to remove them, which asks first.
/// Nothing is left over by what cannot be delivered as it is typed.
pub fn orphans(
    ui: &mut Ui,
    view: &View<'_>,
    (folder, model): (&Path, &Model),
    asking: &mut bool,
    commands: &mut Vec<Command>,
) {
    let standing = view.derived.deliver().standing();
    let standing = standing.filter(|s| !s.orphans.is_empty() && model.plan.problems.is_empty());
    let Some(standing) = standing else {
        *asking = false;
        return;
    };
    let names = &standing.orphans;
    ui.add_space(4.0);
    let text = match (standing.is_all_left_over(), model.rows.is_empty()) {
        (true, true) => {
            format!("No take is accepted, so {} of earlier deliveries would be left over:", all(names.len()))
        }
        (true, false) => format!(
            "{} of earlier deliveries no longer part of this one, of which nothing stands here yet:",
            files(names.len())
        ),
        (false, _) => format!("{} of earlier deliveries no longer part of this one:", files(names.len())),
    };
    ui.add(Label::new(text).wrap());
    let mut list = names.iter().take(ORPHANS).map(String::as_str).collect::<Vec<_>>().join(", ");
    if names.len() > ORPHANS {
        list += &format!(" and {} more", names.len() - ORPHANS);
    }
    ui.add(Label::new(soft(list, view.theme)).wrap()).on_hover_text(names.join("\n"));
    let busy = !view.jobs.is_empty();
    ui.horizontal_wrapped(|ui| {
        if !*asking {
            let tip =
                "They are left as they are unless you ask; files that were changed since stay in any case";
            let button = ui.add_enabled(!busy, egui::Button::new("Remove them…"));
            *asking = button.on_hover_text(tip).on_disabled_hover_text("Something is at work").clicked();
            return;
        }
        let question = if standing.is_all_left_over() {
            format!("Remove {} for good? Nothing that was delivered remains then.", all(names.len()))
        } else {
            format!("Remove {} for good?", files(names.len()))
        };
        ui.add(Label::new(question).wrap());
        if ui.button("Remove").on_hover_text("Deletes the files from the disk; no undo").clicked() {
            let wish = WorkCommand::RemoveOrphans(folder.to_path_buf(), names.clone());
            commands.push(Command::Work(wish));
            *asking = false;
        }
        if ui.button("Keep").on_hover_text("Leaves them where they are").clicked() {
            *asking = false;
        }
    });
}

/// The names as they will be on disk, each with how its file stands; `height`: of the list.
pub fn names(ui: &mut Ui, view: &View<'_>, model: &Model, height: f32, commands: &mut Vec<Command>) {
    problems(ui, view, model);
    if model.rows.is_empty() {
        return;
    }
    let row = 24.0;
    ui.scope(|ui| {
        ui.spacing_mut().item_spacing.y = 0.0;
        ui.spacing_mut().interact_size.y = row;
        let wanted = (model.rows.len() as f32 * row).min(height);
        ScrollArea::vertical().id_salt("names").auto_shrink([false, false]).max_height(wanted).show_rows(
            ui,
            row,
            model.rows.len(),
            |ui, range| {
                // Once for all rows, so that none makes room for the next.
                let right = ui.max_rect().right();
                for line in &model.rows[range] {
                    name(ui, view, line, right, commands);
                }
                follow_focus(ui);
            },
        );
    });
}

/// One name; `right`: where the row ends.
fn name(ui: &mut Ui, view: &View<'_>, line: &NameRow, right: f32, commands: &mut Vec<Command>) {
    ui.horizontal(|ui| {
        let (mark, r) = ui.allocate_exact_size(egui::vec2(11.0, 18.0), egui::Sense::hover());
        let edge = egui::Stroke::new(0.8, view.theme.ink);
        let colour = view.theme.layer(line.layer);
        layer_sign(ui.painter(), mark.center(), 4.4, line.layer, colour, edge);
        r.on_hover_text(format!("Layer {}", u32::from(line.layer) + 1));
        let concern = line.bad.as_ref().or(line.failed.as_ref());
        if concern.is_some() {
            glyph::concern_sign(ui, view.theme);
        }
        let words = standing_words(line);
        let chosen = view.selected == Some(line.take);
        let layout = egui::Layout::left_to_right(egui::Align::Center);
        let room = (right - WORDS - ui.cursor().left()).max(60.0);
        let name = ui.allocate_ui_with_layout(egui::vec2(room, 24.0), layout, |ui| {
            ui.add(egui::Button::selectable(chosen, &line.path).truncate())
        });
        let tip =
            concern.map_or_else(|| "Selects the take".to_owned(), |why| format!("{}\n{why}", line.path));
        if name.inner.on_hover_text(tip).clicked() {
            commands.push(Command::Go(GoCommand::Select(line.take)));
        }
        let left = egui::pos2(right - WORDS, ui.max_rect().top());
        let place = egui::Rect::from_min_size(left, egui::vec2(WORDS, 24.0));
        let inside = egui::UiBuilder::new().max_rect(place).layout(layout);
        ui.scope_builder(inside, |ui| ui.add(Label::new(soft(words, view.theme).small()).truncate()));
    });
}

fn standing_words(line: &NameRow) -> &'static str {
    match line.standing {
        _ if line.bad.is_some() => "refused",
        _ if line.failed.is_some() => "failed",
        None => "",
        Some(FileStanding::New) => "new",
        Some(FileStanding::Changed) => "changed",
        Some(FileStanding::Same) => "as delivered",
        Some(FileStanding::Unmeasured) => "to be compared",
        Some(FileStanding::Strange) => "name taken",
    }
}

/// What the last delivery did.
pub fn result(
    ui: &mut Ui,
    view: &View<'_>,
    (delivery, model, now): (&Delivery, &Model, &Path),
    commands: &mut Vec<Command>,
) {
    let folder = delivery.folder.as_path();
    if folder != now {
        // Another folder is chosen by now: this is not about it.
        ui.add(Label::new(format!("In {}:", folder.display())).wrap());
    }
    let (written, kept) = (delivery.written.len(), delivery.kept.len());
    let mut text = format!("{} written, {} kept as they were", files(written), files(kept));
    if !delivery.beside.is_empty() {
        text += &format!(", {} beside them", files(delivery.beside.len()));
    }
    let failed = delivery.failed.len() + delivery.beside_failed.len();
    if failed > 0 {
        text += &format!(", {failed} failed");
    }
    ui.add(Label::new(text).wrap());
    if delivery.cancelled {
        ui.label("Stopped before the end. What is written is whole and is kept; “Deliver” writes the rest.");
    }
    let first = delivery.written.first().or(delivery.kept.first());
    let report = model.plan.beside(BesideKind::ReportPage).map(|name| folder.join(name));
    let report = report.filter(|p| delivery.beside.contains(p));
    if first.is_some() {
        after_buttons(ui, folder, report, commands);
    }
    let failures = failures(delivery);
    if !failures.is_empty() {
        ScrollArea::vertical().id_salt("failed").auto_shrink([false, true]).max_height(150.0).show(
            ui,
            |ui| {
                failures.into_iter().for_each(|text| {
                    glyph::concern_line(ui, view.theme, text);
                });
            },
        );
    }
}

/// What failed, in sentences; a full disk once for all files.
fn failures(delivery: &Delivery) -> Vec<String> {
    let takes = delivery.failed.iter().map(|(_, name, error)| (name.clone(), error));
    let beside = delivery.beside_failed.iter().map(|(path, error)| (path.display().to_string(), error));
    let all: Vec<(String, &Error)> = takes.chain(beside).collect();
    let full = all.iter().filter(|(_, e)| e.kind() == ErrorKind::DiskFull).count();
    let mut lines = Vec::new();
    if full > 1 {
        lines.push(format!(
            "The disk is full: {} could not be written. Make room or choose another folder, and deliver again: what \
             stands there is whole and is kept.",
            files(full)
        ));
    }
    let told = |e: &Error| full > 1 && e.kind() == ErrorKind::DiskFull;
    lines.extend(all.iter().filter(|(_, e)| !told(e)).map(|(name, e)| format!("{name}: {e}")));
    lines
}

fn after_buttons(ui: &mut Ui, folder: &Path, report: Option<PathBuf>, commands: &mut Vec<Command>) {
    ui.horizontal_wrapped(|ui| {
        if let Some(report) = report
            && ui.button("Open the report").on_hover_text("In the program that opens web pages").clicked()
        {
            commands.push(Command::Work(WorkCommand::OpenFile(report)));
        }
        let tip = format!("Puts the path on the clipboard: {}", folder.display());
        if ui.button("Copy the folder's path").on_hover_text(tip).clicked() {
            ui.ctx().copy_text(folder.display().to_string());
        }
    });
}

/// `the only file`, `all 3 files`.
fn all(n: usize) -> String {
    if n == 1 { "the only file".into() } else { format!("all {n} files") }
}

/// `1 file`, `3 files`.
pub fn files(n: usize) -> String {
    if n == 1 { "1 file".into() } else { format!("{n} files") }
}
