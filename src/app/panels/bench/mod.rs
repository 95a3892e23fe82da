//! The bench: one take under the hands.

use egui::Ui;

use crate::app::command::Command;
use crate::app::view::View;

/// The bench room.
#[derive(Debug, Default)]
pub struct BenchPanel {}

impl BenchPanel {
    /// Draws the selected take and returns what the user wants done.
    pub fn ui(&mut self, _ui: &mut Ui, _view: &View<'_>) -> Vec<Command> {
        todo!()
    }
}
