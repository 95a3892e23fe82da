//! Below the takes: files that could not be read, each with the reason, and a way to try them again. They
//! are kept with the session, so that they are not forgotten when it is opened the next time.

use egui::{Align, Button, Label, Layout, Margin, Panel, RichText, ScrollArea, Ui};

use crate::app::command::{Command, WorkCommand};
use crate::app::panels::frame;
use crate::app::view::View;
use crate::app::widgets::control::{READ_ONLY, soft};
use crate::app::widgets::glyph;
use crate::app::widgets::in_sight::follow_focus;
use crate::session::Unread;

/// Height of the list where there are many.
const LIST: f32 = 132.0;

/// The line, and the list that opens from it.
#[derive(Debug, Default)]
pub(super) struct UnreadLine {
    open: bool,
}

impl UnreadLine {
    /// Draws the line at the lower edge of what is left of `ui`; nothing where every file could be read.
    pub fn ui(&mut self, ui: &mut Ui, view: &View<'_>, commands: &mut Vec<Command>) {
        let files = &view.document.unread;
        if files.is_empty() {
            return;
        }
        let margin = Margin { top: 6, ..Margin::ZERO };
        Panel::bottom("unread files").frame(frame(view.theme.paper, margin)).show_separator_line(false).show(
            ui,
            |ui| {
                ui.horizontal(|ui| self.line(ui, view, files, commands));
                if self.open && files.len() > 1 {
                    ScrollArea::vertical()
                        .auto_shrink([false, true])
                        .max_height(LIST)
                        .id_salt("unread")
                        .show(ui, |ui| {
                            for file in files {
                                ui.add(Label::new(RichText::new(words(file)).color(view.theme.ink)).wrap());
                            }
                            follow_focus(ui);
                        });
                }
            },
        );
    }

    fn line(&mut self, ui: &mut Ui, view: &View<'_>, files: &[Unread], commands: &mut Vec<Command>) {
        glyph::concern_sign(ui, view.theme);
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            let about = "Looks at them once more: one that can be read by now comes into the sheet, one that is gone \
                         leaves this line";
            let again = ui.add_enabled(!view.read_only, Button::new("Try again")).on_hover_text(about);
            let again = again.accessible_name("Try to read them again").on_disabled_hover_text(READ_ONLY);
            if again.clicked() {
                commands.push(Command::Work(WorkCommand::TryUnread));
            }
            if files.len() > 1 {
                let text = if self.open { "Hide them" } else { "Which, and why" };
                if ui.add(Button::new(text)).on_hover_text("The files with what is wrong with each").clicked() {
                    self.open = !self.open;
                }
            }
            ui.with_layout(Layout::left_to_right(Align::Center), |ui| {
                let text = match files {
                    [one] => format!("No take from {}", words(one)),
                    _ => format!("No take from {} files", files.len()),
                };
                let label = Label::new(soft(&text, view.theme)).truncate().show_tooltip_when_elided(false);
                ui.add(label).on_hover_text(text);
            });
        });
    }
}

/// The file's name and what is wrong with it.
fn words(file: &Unread) -> String {
    format!("{}: {}", file.path.display(), file.why)
}
