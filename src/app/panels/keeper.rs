//! Several takes for one cell: which of them is kept.

use egui::{Button, Ui};

use super::details::section;
use crate::app::command::{Command, EditCommand, GoCommand};
use crate::app::shortcuts::{Action, tip};
use crate::app::view::View;
use crate::app::widgets::control::{READ_ONLY, soft};
use crate::app::widgets::glyph;
use crate::app::words;
use crate::session::{Take, TakeId, placing};

const KEEP_TIP: &str = "Accepts this take for the cell and sets the others aside (without a recipe it waits to be proposed); one step to undo";

/// Draws the list of takes for the cell of `take`; nothing where it is the only one.
pub(super) fn choice(ui: &mut Ui, view: &View<'_>, take: &Take, commands: &mut Vec<Command>) {
    let claims = placing::claims(view.document, take.id);
    if claims.len() < 2 {
        return;
    }
    section(ui, &format!("{} for this cell", words::takes(claims.len())));
    ui.label(
        soft("Listen to each and keep one: it is accepted, the others are set aside, not lost.", view.theme)
            .small(),
    );
    for id in claims {
        if let Some(t) = view.document.take(id) {
            row(ui, view, t, take.id, commands);
        }
    }
}

fn row(ui: &mut Ui, view: &View<'_>, take: &Take, shown: TakeId, commands: &mut Vec<Command>) {
    let file = view.document.source(take.source).map(|s| {
        let name = s.path.file_stem().unwrap_or(s.path.as_os_str()).to_string_lossy().into_owned();
        format!("{name}, {:.1} s", take.span.start.at(s.rate).0)
    });
    let file = file.unwrap_or_default();
    ui.horizontal(|ui| {
        glyph::state_sign(ui, take.state, view.theme);
        let score = take.loop_score().map_or("–".into(), |s| format!("{s:.0}"));
        ui.allocate_ui_with_layout(
            egui::vec2(26.0, 18.0),
            egui::Layout::right_to_left(egui::Align::Center),
            |ui| ui.label(score).on_hover_text("Loop score, 0 to 100"),
        );
        ui.with_layout(egui::Layout::right_to_left(egui::Align::Center), |ui| {
            let why_not = match placing::keep(view.document, take.id) {
                _ if view.read_only => Some(READ_ONLY.to_owned()),
                Ok(_) => None,
                Err(e) => Some(e.to_string()),
            };
            let keep = ui
                .add_enabled(why_not.is_none(), Button::new("Keep"))
                .accessible_name(format!("Keep take {}", take.id.0))
                .on_hover_text(tip(ui.ctx(), KEEP_TIP, Action::Keep))
                .on_disabled_hover_text(why_not.unwrap_or_default());
            if keep.clicked() {
                commands.push(Command::Edit(EditCommand::Keep(take.id)));
            }
            let chosen = take.id == shown;
            let name = format!("Take {} from {file}", take.id.0);
            ui.with_layout(egui::Layout::left_to_right(egui::Align::Center), |ui| {
                let pick =
                    ui.add(Button::selectable(chosen, file.as_str()).truncate()).accessible_name(&name);
                if pick.on_hover_text(format!("{name}; click to see and hear it")).clicked() && !chosen {
                    commands.push(Command::Go(GoCommand::Select(take.id)));
                }
            });
        });
    });
}
