//! What the bench says when there is no take to work on: what is missing and what to do about it.

use egui::{Align, Layout, RichText, Ui, vec2};

use crate::app::command::{Command, WorkCommand};
use crate::app::view::View;
use crate::session::Take;

fn message(ui: &mut Ui, view: &View<'_>, title: &str, text: &str, more: impl FnOnce(&mut Ui)) {
    let rect = ui.available_rect_before_wrap();
    ui.painter().rect_filled(rect, 0.0, view.theme.paper);
    let width = 420f32.min(rect.width() - 32.0);
    let top = rect.top() + rect.height() * 0.36;
    let inner = egui::Rect::from_min_size(
        egui::pos2(rect.center().x - width / 2.0, top),
        vec2(width, rect.bottom() - top),
    );
    ui.scope_builder(egui::UiBuilder::new().max_rect(inner).layout(Layout::top_down(Align::Min)), |ui| {
        ui.label(RichText::new(title).size(20.0).color(view.theme.ink));
        ui.add_space(6.0);
        ui.label(RichText::new(text).size(14.0).color(view.theme.ink_soft));
        ui.add_space(12.0);
        more(ui);
    });
}

/// Nothing is selected.
pub fn no_take(ui: &mut Ui, view: &View<'_>) {
    message(
        ui,
        view,
        "No take on the bench",
        "Choose a take in the sheet at the left edge: click its cell, or walk through the cells with \
         the arrow keys. It then lies here with its wave, its pitch and its loop.",
        |_| {},
    );
}

fn title_of(view: &View<'_>, take: &Take) -> String {
    let note = take.note.map_or_else(|| "a take".into(), |n| n.name(view.document.setup.middle_c));
    format!("{note}, layer {}", take.layer + 1)
}

/// Its sound is on its way.
pub fn analysing(ui: &mut Ui, view: &View<'_>, take: &Take) {
    let title = format!("Listening to {}…", title_of(view, take));
    message(
        ui,
        view,
        &title,
        "The file is read and its pitch is followed. This takes a moment for a long take; you can \
         go on with another one meanwhile.",
        |ui| {
            for job in view.jobs {
                ui.horizontal(|ui| {
                    ui.label(RichText::new(&job.stage).color(view.theme.ink_soft));
                    ui.add(egui::ProgressBar::new(job.fraction).desired_width(180.0))
                        .accessible_name(job.stage.as_str());
                });
            }
        },
    );
}

/// Its sound could not be read.
pub fn failed(ui: &mut Ui, view: &View<'_>, take: &Take, why: &str, out: &mut Vec<Command>) {
    let title = format!("{} could not be read", title_of(view, take));
    message(ui, view, &title, why, |ui| {
        let again = ui.button("Look through the files again");
        if again.on_hover_text("Reads the session's folder again; nothing you did is lost.").clicked() {
            out.push(Command::Work(WorkCommand::Survey));
        }
    });
}

/// There is a sound but no recipe: in the place of the lanes that need one.
pub fn no_recipe(
    ui: &mut Ui,
    view: &View<'_>,
    model: &super::model::Model<'_>,
    rect: egui::Rect,
    out: &mut Vec<Command>,
) {
    let t = view.theme;
    ui.painter().rect_filled(rect, 3.0, t.sheet);
    let inner = egui::Rect::from_center_size(rect.center(), vec2(440f32.min(rect.width() - 24.0), 110.0));
    ui.scope_builder(egui::UiBuilder::new().max_rect(inner).layout(Layout::top_down(Align::Min)), |ui| {
        ui.label(RichText::new("No recipe yet").size(17.0).color(t.ink));
        ui.add_space(4.0);
        ui.label(
            RichText::new(
                "Propose one: Seamwright then sets in and out, tunes the note, looks for loops and \
                     evens out the level. All of it can be changed here afterwards.",
            )
            .color(t.ink_soft),
        );
        ui.add_space(8.0);
        let b = ui.add_enabled(!view.read_only, egui::Button::new("Propose a recipe"));
        if b.on_disabled_hover_text("This session is open elsewhere and can only be read.").clicked() {
            out.push(Command::Work(WorkCommand::Propose(model.take.id)));
        }
    });
}
