//! Keys in the sheet: arrows, Home and End go from take to take; with Shift they select on the way.

use egui::{Key, Modifiers, Popup, Ui};

use super::SheetPanel;
use super::grid::{Grid, cell_id};
use crate::app::command::{Command, GoCommand, Room, WorkCommand};
use crate::app::view::View;
use crate::session::TakeId;

/// Whether a key was pressed, and whether with Shift.
fn pressed(ui: &Ui, key: Key) -> Option<bool> {
    let with = |m| ui.input_mut(|i| i.consume_key(m, key));
    if with(Modifiers::SHIFT) { Some(true) } else { with(Modifiers::NONE).then_some(false) }
}

/// Keys that are the same in the grid and in the list.
pub(super) fn common(ui: &Ui, view: &View<'_>, covered: bool, commands: &mut Vec<Command>) {
    if view.room != Room::Sheet {
        return;
    }
    let key = |key| ui.input_mut(|i| i.consume_key(Modifiers::NONE, key));
    if view.selected.is_some() && key(Key::Enter) {
        commands.push(Command::Go(GoCommand::Room(Room::Bench)));
    }
    if covered {
        return;
    }
    // Of several selected takes the one that all rooms show stays.
    if let (Some(one), false) = (view.selected, view.triage.also.is_empty())
        && key(Key::Escape)
    {
        commands.push(Command::Go(GoCommand::Select(one)));
    } else if let Some(job) = view.jobs.iter().find(|j| j.escape)
        && key(Key::Escape)
    {
        commands.push(Command::Work(WorkCommand::Cancel(job.id)));
    }
}

/// The row and layer that a key leads to, step by step until `there` is something.
fn along(
    (mut row, mut layer): (i64, i64),
    (down, right): (i64, i64),
    (rows, layers): (i64, i64),
    there: impl Fn(i64, i64) -> Option<TakeId>,
) -> Option<TakeId> {
    while (0..rows).contains(&row) && (0..layers).contains(&layer) {
        if let Some(id) = there(row, layer) {
            return Some(id);
        }
        row += down;
        layer += right;
    }
    None
}

impl SheetPanel {
    /// Whether keys are for the sheet now: nothing else has the focus, and no menu is open. A key that
    /// leaves a field or closes a menu is not ours either, so it counts how it was a frame ago too.
    pub(super) fn keys_are_ours(&mut self, ui: &Ui, focused: bool) -> bool {
        let other = ui.memory(|m| m.focused().is_some()) && !focused;
        let elsewhere = other || Popup::is_any_open(ui.ctx());
        !(std::mem::replace(&mut self.keys_elsewhere, elsewhere) || elsewhere)
    }

    /// Arrows go from cell to cell, over the places that are missing or left out.
    pub(super) fn walk_grid(
        &mut self,
        ui: &Ui,
        view: &View<'_>,
        grid: &Grid,
        focused: bool,
        commands: &mut Vec<Command>,
    ) {
        if !self.keys_are_ours(ui, focused) || self.drag.is_some() {
            return;
        }
        common(ui, view, self.covered, commands);
        let notes = grid.notes();
        let filter = view.triage.listing.filter;
        let filtered = view.room == Room::Sheet;
        let there = |row: i64, layer: i64| {
            let takes = view.sheet.at(notes[row as usize], layer as u16);
            let shown = |id: &&TakeId| !filtered || view.document.take(**id).is_some_and(|t| filter.shows(t));
            takes.iter().find(shown).copied()
        };
        let ends = (notes.len() as i64, i64::from(view.sheet.layers));
        let at = view
            .selected_take()
            .and_then(|t| Some((notes.iter().position(|n| Some(*n) == t.note)? as i64, i64::from(t.layer))));
        for (key, to_corner) in [(Key::Home, false), (Key::End, true)] {
            if ui.input_mut(|i| i.consume_key(Modifiers::COMMAND, key)) {
                let walk = view.triage.listing.walk(view.document, view.sheet);
                let id = if to_corner { walk.last() } else { walk.first() };
                self.arrive(ui, view, grid, id.copied(), (false, focused), commands);
            }
        }
        let Some((row, layer)) = at else { return };
        for (key, from, step) in [
            (Key::ArrowDown, (row + 1, layer), (1, 0)),
            (Key::ArrowUp, (row - 1, layer), (-1, 0)),
            (Key::ArrowRight, (row, layer + 1), (0, 1)),
            (Key::ArrowLeft, (row, layer - 1), (0, -1)),
            (Key::Home, (row, 0), (0, 1)),
            (Key::End, (row, ends.1 - 1), (0, -1)),
        ] {
            if let Some(shift) = pressed(ui, key) {
                let to = along(from, step, ends, there);
                self.arrive(ui, view, grid, to, (shift, focused), commands);
            }
        }
    }

    fn arrive(
        &self,
        ui: &Ui,
        view: &View<'_>,
        grid: &Grid,
        to: Option<TakeId>,
        (shift, focused): (bool, bool),
        commands: &mut Vec<Command>,
    ) {
        let Some(to) = to else { return };
        let from = self.anchor.or(view.selected).filter(|_| shift && view.room == Room::Sheet);
        commands.push(Command::Go(match from {
            Some(from) => GoCommand::SelectMany(to, Self::between_in_grid(view, grid, from, to)),
            None => GoCommand::Select(to),
        }));
        // The keyboard's focus goes along, so that a screen reader says where it is.
        if focused
            && let Some(t) = view.document.take(to)
            && let Some(note) = t.note
        {
            ui.memory_mut(|m| m.request_focus(cell_id(ui, note, t.layer)));
        }
    }

    /// The same in the list, of which `order` is what it shows from top to bottom; a page is `page`
    /// rows.
    pub(super) fn walk_list(
        &mut self,
        ui: &Ui,
        view: &View<'_>,
        (order, page): (&[TakeId], i64),
        focused: bool,
        row_id: impl Fn(TakeId) -> egui::Id,
        commands: &mut Vec<Command>,
    ) {
        if !self.keys_are_ours(ui, focused) {
            return;
        }
        common(ui, view, self.covered, commands);
        let Some(last) = order.len().checked_sub(1).map(|n| n as i64) else { return };
        let at = view.selected.and_then(|id| order.iter().position(|t| *t == id)).map(|i| i as i64);
        for (key, to) in [
            (Key::ArrowDown, at.map_or(0, |i| i + 1)),
            (Key::ArrowUp, at.map_or(0, |i| i - 1)),
            (Key::PageDown, at.map_or(0, |i| i + page)),
            (Key::PageUp, at.map_or(0, |i| i - page)),
            (Key::Home, 0),
            (Key::End, last),
        ] {
            let Some(shift) = pressed(ui, key) else { continue };
            let to = order[to.clamp(0, last) as usize];
            commands.push(Command::Go(match self.anchor.or(view.selected).filter(|_| shift) {
                Some(from) => GoCommand::SelectMany(to, super::list::between(order, from, to)),
                None => GoCommand::Select(to),
            }));
            if focused {
                ui.memory_mut(|m| m.request_focus(row_id(to)));
            }
        }
    }
}
