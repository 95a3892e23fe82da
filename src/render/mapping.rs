//! Which take sounds on which key, at which velocity, in which turn.

use std::collections::BTreeMap;

use crate::session::TakeId;
use crate::session::delivery::{LayersAs, MapSetup, Reach};
use crate::units::MidiNote;

/// A take as the map sees it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Mapped {
    /// Which take.
    pub take: TakeId,
    /// Its layer, from 0.
    pub layer: u16,
    /// Its root key.
    pub root: MidiNote,
}

/// Where one take sounds. Both ends of a range are included, as in MIDI.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Region {
    /// Which take.
    pub take: TakeId,
    /// Its layer, from 0.
    pub layer: u16,
    /// Its root key.
    pub root: MidiNote,
    /// Lowest and highest key.
    pub keys: (MidiNote, MidiNote),
    /// Lowest and highest velocity, 1 to 127.
    pub velocities: (u8, u8),
    /// Its turn, from 1, and how many turns there are.
    pub turn: (u16, u16),
}

/// The map of a set.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct KeyMap {
    /// By layer, root key and turn.
    pub regions: Vec<Region>,
    /// Takes that sound on no key.
    pub silent: Vec<TakeId>,
    /// The layers that occur, upwards.
    pub layers: Vec<u16>,
}

/// Lays `takes` over the keys.
///
/// Each layer is laid out by itself from the notes it has, so a note that it lacks is filled by its
/// neighbours; without `fill_missing` the keys that the note would have had stay silent. Several
/// takes of one note in one layer take turns. Where the layers themselves take turns, only the
/// first take of a note and layer is used.
pub fn key_map(takes: &[Mapped], setup: &MapSetup) -> KeyMap {
    let mut cells: BTreeMap<u16, BTreeMap<MidiNote, Vec<TakeId>>> = BTreeMap::new();
    for t in takes {
        cells.entry(t.layer).or_default().entry(t.root).or_default().push(t.take);
    }
    let layers: Vec<u16> = cells.keys().copied().collect();
    let mut all_notes: Vec<MidiNote> = takes.iter().map(|t| t.root).collect();
    all_notes.sort_unstable();
    all_notes.dedup();
    let mut map = KeyMap { layers: layers.clone(), ..KeyMap::default() };
    for (place, (layer, notes)) in cells.iter().enumerate() {
        let own: Vec<MidiNote> = notes.keys().copied().collect();
        let roots = if setup.fill_missing { &own } else { &all_notes };
        let velocities = match setup.layers {
            LayersAs::Velocity => velocity_range(place, layers.len()),
            LayersAs::Group | LayersAs::RoundRobin => (1, 127),
        };
        for (i, root) in roots.iter().enumerate() {
            let Some(takes) = notes.get(root) else { continue };
            let keys = keys_of(roots, i, setup);
            let by_layer = setup.layers == LayersAs::RoundRobin;
            for (n, take) in takes.iter().enumerate() {
                let Some(keys) = keys.filter(|_| n == 0 || !by_layer) else {
                    map.silent.push(*take);
                    continue;
                };
                let turn = if by_layer { (place, layers.len()) } else { (n, takes.len()) };
                let turn = (turn.0 as u16 + 1, turn.1 as u16);
                map.regions.push(Region { take: *take, layer: *layer, root: *root, keys, velocities, turn });
            }
        }
    }
    map
}

/// Velocities 1 to 127 shared out among `count` layers; the ranges join without a gap.
pub fn velocity_range(place: usize, count: usize) -> (u8, u8) {
    let edge = |i: usize| (i * 127 / count.max(1)) as u8;
    (edge(place) + 1, edge(place + 1).max(edge(place) + 1))
}

/// The keys of the `i`th of the ascending `roots`; none where its limits leave none.
fn keys_of(roots: &[MidiNote], i: usize, setup: &MapSetup) -> Option<(MidiNote, MidiNote)> {
    let root = i32::from(roots[i].0);
    let before = i.checked_sub(1).map(|i| i32::from(roots[i].0));
    let after = roots.get(i + 1).map(|n| i32::from(n.0));
    let (low, high) = match setup.reach {
        // The middle key of an odd gap goes to the lower root.
        Reach::Nearest => (before.map_or(0, |b| (b + root) / 2 + 1), after.map_or(127, |a| (root + a) / 2)),
        Reach::Upwards => (root, after.map_or(127, |a| a - 1)),
        Reach::Downwards => (before.map_or(0, |b| b + 1), root),
    };
    let furthest = i32::from(setup.furthest);
    let low = low.max(root - furthest).max(i32::from(setup.lowest.0)).max(0);
    let high = high.min(root + furthest).min(i32::from(setup.highest.0)).min(127);
    (low <= high).then_some((MidiNote(low as u8), MidiNote(high as u8)))
}

impl KeyMap {
    /// What sounds when a key is struck for the `stroke`th time (from 0).
    pub fn sounding(&self, key: MidiNote, velocity: u8, stroke: u16) -> Vec<&Region> {
        self.regions
            .iter()
            .filter(|r| {
                (r.keys.0..=r.keys.1).contains(&key)
                    && (r.velocities.0..=r.velocities.1).contains(&velocity)
                    && stroke % r.turn.1 == r.turn.0 - 1
            })
            .collect()
    }

    /// The region of a take.
    pub fn region(&self, take: TakeId) -> Option<&Region> {
        self.regions.iter().find(|r| r.take == take)
    }
}
