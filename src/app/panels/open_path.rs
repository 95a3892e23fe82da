//! The field for a path to open while a session is open: for where the system has no folder dialog.

use egui::{Align2, Context};

use super::start::path_row;
use crate::app::command::{Command, LookCommand};
use crate::app::view::View;
use crate::app::widgets::control::soft;
use crate::app::widgets::dialog::{self, Arrows, dialog, heading};

/// The field; what was typed stays while it is away.
#[derive(Debug, Default)]
pub struct OpenPathPanel {
    path: String,
    /// It was there in the pass before.
    last: u64,
}

impl OpenPathPanel {
    /// Draws it over what is worked on.
    pub fn ui(&mut self, ctx: &Context, view: &View<'_>) -> Vec<Command> {
        let mut out = Vec::new();
        let mut close = false;
        let now = ctx.cumulative_pass_nr();
        let fresh = now > std::mem::replace(&mut self.last, now) + 1;
        let mut opened = false;
        let shown = dialog("Open a path").anchor(Align2::CENTER_TOP, [0.0, 90.0]).show(ctx, |ui| {
            ui.set_width(f32::min(520.0, ctx.content_rect().width() - 60.0));
            close = heading(ui, "Open a path", false);
            opened = path_row(ui, &mut self.path, fresh, &mut out);
            let about = "A folder or sound file of this session is looked through in it; anything else \
                             opens its own session. Files can be dropped anywhere, too.";
            ui.label(soft(about, view.theme));
        });
        let escape = shown.is_some_and(|s| {
            dialog::drawn(ctx, s.response.layer_id, Arrows::Walk);
            dialog::escaped(ctx, s.response.layer_id)
        });
        if close || escape || opened {
            out.push(Command::Look(LookCommand::OpenPath(false)));
        }
        out
    }
}
