//! A line above the sheet where accepted takes cannot all be written as they would be called.

use std::path::PathBuf;

use egui::{Label, RichText, Ui};

use crate::app::view::View;
use crate::app::widgets::glyph;
use crate::error::ErrorKind;
use crate::render::names::planned_names;

/// What is wrong with the names, found out once for each state of the session.
#[derive(Debug, Default)]
pub struct NamesLine {
    of: Option<(PathBuf, u64)>,
    problem: Option<String>,
}

impl NamesLine {
    /// Draws the line; nothing where every name is good.
    pub fn ui(&mut self, ui: &mut Ui, view: &View<'_>) {
        let of = view.path.map(|p| (p.to_path_buf(), view.revision));
        if self.of != of {
            self.problem = problem(view);
            self.of = of;
        }
        let Some(text) = &self.problem else { return };
        ui.horizontal(|ui| {
            glyph::concern_sign(ui, view.theme);
            let words = RichText::new(text).color(view.theme.ink);
            ui.add(Label::new(words).truncate().show_tooltip_when_elided(false)).on_hover_text(text);
        });
    }
}

fn problem(view: &View<'_>) -> Option<String> {
    let (_, problems) = planned_names(view.document);
    let mut clashes = problems.iter().filter(|e| e.kind() == ErrorKind::NameClash);
    let first = clashes.next()?;
    let more = match clashes.count() {
        0 => String::new(),
        n => format!(" And {n} more: see the Deliver room."),
    };
    Some(format!("Cannot be delivered like this: {first}.{more}"))
}
