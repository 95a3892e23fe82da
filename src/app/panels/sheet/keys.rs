//! Keys in the sheet: arrows, Home and End go from take to take; with Shift they select on the way.

use egui::{Event, FocusDirection, Id, Key, Modifiers, Popup, Ui};

use super::SheetPanel;
use super::grid::{Grid, cell_id, unplaced_id};
use crate::app::command::{Command, GoCommand, Room, WorkCommand};
use crate::app::view::View;
use crate::session::{Take, TakeId};
use crate::units::MidiNote;

/// Every press of one of `keys` since the last frame, in their order, and whether it was with Shift; used up.
fn presses(ui: &Ui, keys: &[Key]) -> Vec<(Key, bool)> {
    let mut found = Vec::new();
    ui.input_mut(|i| {
        i.events.retain(|e| {
            let Event::Key { key, pressed: true, modifiers: m, .. } = e else { return true };
            let ours = keys.contains(key) && !(m.command || m.ctrl || m.alt);
            if ours {
                found.push((*key, m.shift));
            }
            !ours
        });
    });
    found
}

/// The keyboard's focus goes to `id`, and not also where the toolkit would take it: for the first frame that
/// something has the focus, arrows are the toolkit's.
fn focus_on(ui: &Ui, id: Id) {
    ui.memory_mut(|m| {
        m.request_focus(id);
        m.move_focus(FocusDirection::None);
    });
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

/// The takes without a note that keys go to, in their order: they stand below the rows of the notes.
struct Below(Vec<TakeId>);

impl Below {
    fn of(view: &View<'_>, filtered: bool) -> Self {
        let filter = view.triage.listing.filter;
        let shown = |id: &&TakeId| !filtered || view.document.take(**id).is_some_and(|t| filter.shows(t));
        Self(view.sheet.unplaced.iter().filter(shown).copied().collect())
    }

    /// Where a key leads from the take at `i`.
    fn beside(&self, i: usize, key: Key) -> Option<TakeId> {
        let last = self.0.len().checked_sub(1)?;
        let to = match key {
            Key::ArrowLeft => i.checked_sub(1)?,
            Key::ArrowRight => i + 1,
            Key::Home => 0,
            Key::End => last,
            _ => return None,
        };
        self.0.get(to).copied()
    }
}

/// Where a take stands for the keys.
enum Spot {
    /// Row and layer.
    Cell(i64, i64),
    /// Among those without a note.
    Below(usize),
}

impl Spot {
    fn of(take: &Take, notes: &[MidiNote], below: &Below) -> Option<Self> {
        match take.note {
            Some(note) => {
                let row = notes.iter().position(|n| *n == note)?;
                Some(Self::Cell(row as i64, i64::from(take.layer)))
            }
            None => below.0.iter().position(|id| *id == take.id).map(Self::Below),
        }
    }
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
        let below = Below::of(view, filtered);
        for (key, to_corner) in [(Key::Home, false), (Key::End, true)] {
            if ui.input_mut(|i| i.consume_key(Modifiers::COMMAND, key)) {
                let walk = view.triage.listing.walk(view.document, view.sheet);
                let id = if to_corner { walk.last() } else { walk.first() };
                self.arrive(ui, view, grid, id.copied(), (false, focused), commands);
            }
        }
        let Some(mut at) = view.selected_take().and_then(|t| Spot::of(t, &notes, &below)) else { return };
        const KEYS: [Key; 6] =
            [Key::ArrowDown, Key::ArrowUp, Key::ArrowRight, Key::ArrowLeft, Key::Home, Key::End];
        // Each goes on from where the one before led; only where the last leads is gone to.
        let mut arrived = None;
        for (key, shift) in presses(ui, &KEYS) {
            let to = match at {
                Spot::Cell(row, layer) => {
                    let (from, step) = match key {
                        Key::ArrowDown => ((row + 1, layer), (1, 0)),
                        Key::ArrowUp => ((row - 1, layer), (-1, 0)),
                        Key::ArrowRight => ((row, layer + 1), (0, 1)),
                        Key::ArrowLeft => ((row, layer - 1), (0, -1)),
                        Key::Home => ((row, 0), (0, 1)),
                        _ => ((row, ends.1 - 1), (0, -1)),
                    };
                    // Below the last row stand the takes without a note.
                    let is_last = || (row + 1..ends.0).all(|r| (0..ends.1).all(|l| there(r, l).is_none()));
                    let down = || below.0.first().copied().filter(|_| key == Key::ArrowDown && is_last());
                    along(from, step, ends, there).or_else(down)
                }
                // Above them the last row that has something to go to.
                Spot::Below(_) if key == Key::ArrowUp => {
                    let rows = (0..ends.0).rev().flat_map(|row| (0..ends.1).map(move |l| (row, l)));
                    rows.into_iter().find_map(|(row, layer)| there(row, layer))
                }
                Spot::Below(i) => below.beside(i, key),
            };
            let Some(to) = to else { continue };
            if !shift {
                self.anchor = Some(to);
            }
            arrived = Some((to, shift));
            if let Some(spot) = view.document.take(to).and_then(|t| Spot::of(t, &notes, &below)) {
                at = spot;
            }
        }
        let (to, shift) = arrived.map_or((None, false), |(to, shift)| (Some(to), shift));
        self.arrive(ui, view, grid, to, (shift, focused), commands);
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
        if focused && let Some(t) = view.document.take(to) {
            focus_on(ui, t.note.map_or_else(|| unplaced_id(to), |note| cell_id(ui, note, t.layer)));
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
        let mut at = view.selected.and_then(|id| order.iter().position(|t| *t == id)).map(|i| i as i64);
        const KEYS: [Key; 6] =
            [Key::ArrowDown, Key::ArrowUp, Key::PageDown, Key::PageUp, Key::Home, Key::End];
        let mut arrived = None;
        for (key, shift) in presses(ui, &KEYS) {
            let to = match key {
                Key::ArrowDown => at.map_or(0, |i| i + 1),
                Key::ArrowUp => at.map_or(0, |i| i - 1),
                Key::PageDown => at.map_or(0, |i| i + page),
                Key::PageUp => at.map_or(0, |i| i - page),
                Key::Home => 0,
                _ => last,
            };
            let to = to.clamp(0, last);
            at = Some(to);
            let to = order[to as usize];
            if !shift {
                self.anchor = Some(to);
            }
            arrived = Some((to, shift));
        }
        let Some((to, shift)) = arrived else { return };
        commands.push(Command::Go(match self.anchor.or(view.selected).filter(|_| shift) {
            Some(from) => GoCommand::SelectMany(to, super::list::between(order, from, to)),
            None => GoCommand::Select(to),
        }));
        if focused {
            focus_on(ui, row_id(to));
        }
    }
}
