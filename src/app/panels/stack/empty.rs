//! What the stack room says when there is nothing to stack.

use egui::{Align, Button, Layout, RichText, Ui, vec2};

use crate::app::command::{Command, EditCommand};
use crate::app::theme::strong;
use crate::app::view::View;
use crate::app::widgets::control::READ_ONLY;
use crate::app::words;
use crate::session::TakeId;
use crate::session::placing::Decision;
use crate::units::MidiNote;

/// No take with a note is selected.
pub fn no_note(ui: &mut Ui, view: &View<'_>) {
    in_the_middle(ui, |ui| {
        let (title, text) = if view.selected.is_some() {
            (
                "This take has no note",
                "A stack is made of the takes of one note, one of each layer. Give the take a note in the \
                 sheet, or choose another take at the left edge.",
            )
        } else {
            (
                "No note in the stack",
                "Choose a take in the sheet at the left edge. All layers of its note can then be heard together here, \
                 and the picture shows when their loops turn and which turns come near each other.",
            )
        };
        ui.label(RichText::new(title).family(strong()).size(20.0));
        ui.add_space(6.0);
        ui.label(RichText::new(text).color(view.theme.ink_soft));
    });
}

/// Every take of the note is set aside.
pub fn all_set_aside(ui: &mut Ui, view: &View<'_>, note: MidiNote, out: &mut Vec<Command>) {
    let takes: Vec<TakeId> = (0..view.sheet.layers).flat_map(|l| view.sheet.at(note, l)).copied().collect();
    in_the_middle(ui, |ui| {
        let name = words::note(view.document, note);
        ui.label(RichText::new(format!("All takes of {name} are set aside")).family(strong()).size(20.0));
        ui.add_space(6.0);
        let text = "A take set aside is neither delivered nor heard in the stack. Take the decisions back to hear \
                    these here, or choose another note at the left edge.";
        ui.label(RichText::new(text).color(view.theme.ink_soft));
        ui.add_space(8.0);
        let button = ui.add_enabled(!view.read_only, Button::new("Decide later about them"));
        let button = button
            .on_hover_text("They are proposed again, or new where they have no recipe. One step to undo");
        if button.on_disabled_hover_text(READ_ONLY).clicked() {
            out.push(Command::Edit(EditCommand::Decide(takes, Decision::Undecide)));
        }
    });
}

fn in_the_middle(ui: &mut Ui, add: impl FnOnce(&mut Ui)) {
    let rect = ui.available_rect_before_wrap();
    let size = vec2(440f32.min(rect.width() - 24.0), 160f32.min(rect.height()));
    let inner = egui::Rect::from_center_size(rect.center(), size);
    ui.scope_builder(egui::UiBuilder::new().max_rect(inner).layout(Layout::top_down(Align::Min)), add);
}
