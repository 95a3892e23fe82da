//! What is the same in all windows that lie over the rooms: a heading at the left, a button that closes it
//! at the right, and no title bar.

use egui::{Align, Layout, RichText, Ui, Window};

use crate::app::theme::strong;

/// A window called `name`; its first line is [`heading`].
pub fn dialog(name: &str) -> Window<'_> {
    Window::new(name).title_bar(false).collapsible(false).resizable(false)
}

/// The first line of a window; whether it is to be closed.
pub fn heading(ui: &mut Ui, name: &str) -> bool {
    let mut close = false;
    ui.horizontal(|ui| {
        ui.label(RichText::new(name).family(strong()).size(18.0));
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            let r = ui.button("Close").accessible_name(format!("Close: {name}"));
            close = r.on_hover_text("So does Escape").clicked();
        });
    });
    ui.add_space(4.0);
    close
}
