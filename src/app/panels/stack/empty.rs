//! What the stack room says when there is nothing to stack.

use egui::{Align, Layout, RichText, Ui, vec2};

use crate::app::theme::strong;
use crate::app::view::View;

/// No take with a note is selected.
pub fn no_note(ui: &mut Ui, view: &View<'_>) {
    let rect = ui.available_rect_before_wrap();
    let size = vec2(440f32.min(rect.width() - 24.0), 160.0);
    let inner = egui::Rect::from_center_size(rect.center(), size);
    ui.scope_builder(egui::UiBuilder::new().max_rect(inner).layout(Layout::top_down(Align::Min)), |ui| {
        let (title, text) = if view.selected.is_some() {
            (
                "This take has no note",
                "A stack is made of the takes of one note, one of each layer. Give the take a note in the \
                 sheet, or choose another take at the left edge.",
            )
        } else {
            (
                "No note in the stack",
                "Choose a take in the sheet at the left edge. All layers of its note then stand here over \
                 one another, with their loops unrolled, and can be heard together.",
            )
        };
        ui.label(RichText::new(title).family(strong()).size(20.0));
        ui.add_space(6.0);
        ui.label(RichText::new(text).color(view.theme.ink_soft));
    });
}
