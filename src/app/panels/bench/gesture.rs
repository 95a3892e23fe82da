//! Turns what a slider or number field reports into edits: a drag is one step, Escape gives it up,
//! anything else (a key, a typed number, a screen reader) is a step of its own.

use egui::{Id, Key, Modifiers, Response, Ui};

use crate::app::command::{Command, EditCommand};
use crate::session::Edit;

/// The drag of a slider that is going on.
#[derive(Debug, Clone, Copy, Default)]
pub struct Gesture {
    open: Option<Id>,
    given_up: Option<Id>,
}

/// A wish for one step.
pub fn step(label: &str, edit: Edit) -> Command {
    Command::Edit(EditCommand::Do { label: label.to_owned(), edit })
}

/// A wish to show a change.
pub fn preview(edit: Edit) -> Command {
    Command::Edit(EditCommand::Preview(edit))
}

/// A wish to make a step of what was shown.
pub fn commit(label: &str) -> Command {
    Command::Edit(EditCommand::Commit(label.to_owned()))
}

/// A wish to take back what was shown.
pub fn abort() -> Command {
    Command::Edit(EditCommand::Abort)
}

impl Gesture {
    /// Follows `response`; `edit(at_rest)` makes the change it asks for, if it changed.
    pub fn follow(
        &mut self,
        ui: &Ui,
        response: &Response,
        label: &str,
        edit: impl Fn(bool) -> Option<Edit>,
        out: &mut Vec<Command>,
    ) {
        let id = response.id;
        if self.given_up == Some(id) {
            if !response.dragged() {
                self.given_up = None;
            }
            return;
        }
        // The toolkit itself lets go of a drag on Escape, in the same frame.
        if self.open == Some(id) && ui.input_mut(|i| i.consume_key(Modifiers::NONE, Key::Escape)) {
            self.open = None;
            self.given_up = response.dragged().then_some(id);
            out.push(abort());
        } else if response.dragged() {
            if response.changed()
                && let Some(e) = edit(false)
            {
                self.open = Some(id);
                out.push(preview(e));
            }
        } else if self.open == Some(id) {
            self.open = None;
            out.extend(edit(true).map(preview));
            out.push(commit(label));
        } else if response.changed() {
            out.extend(edit(true).map(|e| step(label, e)));
        }
    }

    /// Forgets a drag whose slider is gone; whether one was open.
    pub fn drop_drag(&mut self) -> bool {
        self.given_up = None;
        self.open.take().is_some()
    }
}
