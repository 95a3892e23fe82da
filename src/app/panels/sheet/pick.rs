//! What a click on a take means: alone it selects, with Ctrl (Command) it adds or takes out, with Shift
//! it selects everything from where the last of either was, and with both it adds that to what is selected.
//! Twice: to the bench.

use egui::{Response, Ui};

use crate::app::command::{Command, GoCommand, Room};
use crate::app::view::View;
use crate::session::TakeId;

/// The take that was clicked, and the one from which a range counts.
pub(super) struct Pick<'a> {
    pub id: TakeId,
    pub anchor: &'a mut Option<TakeId>,
}

/// Turns a click on a take into wishes. `between`: what stands from one take to another.
pub(super) fn picked(
    ui: &Ui,
    view: &View<'_>,
    r: &Response,
    pick: Pick<'_>,
    between: impl Fn(TakeId, TakeId) -> Vec<TakeId>,
    commands: &mut Vec<Command>,
) {
    // The menu is about what is selected.
    if r.secondary_clicked() && !view.is_chosen(pick.id) {
        commands.push(Command::Go(GoCommand::Select(pick.id)));
    }
    if !r.clicked() {
        return;
    }
    let m = ui.input(|i| i.modifiers);
    let go = if m.shift {
        let from = pick.anchor.or(view.selected).unwrap_or(pick.id);
        let mut takes = between(from, pick.id);
        if m.command {
            takes.extend(view.chosen());
        }
        GoCommand::SelectMany(pick.id, takes)
    } else if m.command {
        *pick.anchor = Some(pick.id);
        GoCommand::Toggle(pick.id)
    } else {
        *pick.anchor = Some(pick.id);
        GoCommand::Select(pick.id)
    };
    commands.push(Command::Go(go));
    if r.double_clicked() && m.is_none() {
        commands.push(Command::Go(GoCommand::Room(Room::Bench)));
    }
}
