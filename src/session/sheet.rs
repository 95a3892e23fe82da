//! The table notes × layers: what exists, what is missing, what is done.

use std::collections::BTreeMap;

use super::document::Document;
use super::take::{TakeId, TakeState};
use crate::units::MidiNote;

/// One place in the sheet.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Cell {
    /// The takes that claim it, those set aside last. Empty: missing.
    pub takes: Vec<TakeId>,
}

/// The sheet of a document.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Sheet {
    /// The notes that occur, upwards.
    pub notes: Vec<MidiNote>,
    /// How many layers there are.
    pub layers: u16,
    cells: BTreeMap<(MidiNote, u16), Cell>,
    /// Takes without a note.
    pub unplaced: Vec<TakeId>,
}

impl Sheet {
    /// The sheet of `document`.
    pub fn of(document: &Document) -> Self {
        let mut sheet = Self::default();
        for take in &document.takes {
            let Some(note) = take.note else {
                sheet.unplaced.push(take.id);
                continue;
            };
            sheet.layers = sheet.layers.max(take.layer + 1);
            if let Err(i) = sheet.notes.binary_search(&note) {
                sheet.notes.insert(i, note);
            }
            let takes = &mut sheet.cells.entry((note, take.layer)).or_default().takes;
            if take.state == TakeState::SetAside {
                takes.push(take.id);
            } else {
                let active = takes
                    .iter()
                    .filter(|id| document.take(**id).is_some_and(|t| t.state != TakeState::SetAside))
                    .count();
                takes.insert(active, take.id);
            }
        }
        sheet
    }

    /// The takes at a place; empty where there is none.
    pub fn at(&self, note: MidiNote, layer: u16) -> &[TakeId] {
        self.cells.get(&(note, layer)).map_or(&[], |c| &c.takes)
    }

    /// Places without a take, by note and layer.
    pub fn missing(&self) -> Vec<(MidiNote, u16)> {
        let layers = self.layers;
        self.notes
            .iter()
            .flat_map(|n| (0..layers).map(move |l| (*n, l)))
            .filter(|(n, l)| self.at(*n, *l).is_empty())
            .collect()
    }

    /// All takes row by row, then the unplaced ones: the order in which keys walk through.
    pub fn walk(&self) -> Vec<TakeId> {
        self.cells.values().flat_map(|c| &c.takes).chain(&self.unplaced).copied().collect()
    }
}
