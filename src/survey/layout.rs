//! How the takes lie in the files, and so which note and layer each is.

use std::collections::{BTreeMap, BTreeSet};

use super::names::{self, Claim};
use super::{FileSurvey, FoundTake, SurveyOptions, set_concerns};
use crate::session::document::Layout;
use crate::session::{Concern, Named};
use crate::units::MidiNote;

/// Share of the takes that must agree before a file counts as one note or as a row of notes.
const MOST: f64 = 0.6;

/// Detects the layout (unless given), fills `named`, `note`, `layer` of every take, and the
/// concerns that only the whole set shows (wrong note, duplicate cell, level out of line). Returns
/// the layout (none without a take) and the problems of the set (missing cells, names that count
/// octaves otherwise).
///
/// The note is the name's, else the one that sounds. The layer is the name's, else the order: of
/// the takes in a file of one note, of the files in a set of one layer a file, of the files with the
/// note where each holds one take. A folder may name what its files do not, where the folders
/// differ. May be called again after a change: what it found before is replaced.
pub fn place(files: &mut [FileSurvey], options: &SurveyOptions) -> (Option<Layout>, Vec<Concern>) {
    if files.iter().all(|f| f.takes.is_empty()) {
        return (None, Vec::new());
    }
    let mut claims = claims_of(files, options);
    drop_counting_numbers(files, &mut claims);
    let layout = options.layout.unwrap_or_else(|| detect(files, &claims));
    if layout == Layout::TakePerFile {
        drop_running_numbers(&mut claims, files);
    }
    match layout {
        Layout::TakePerFile => place_takes(files, &claims),
        Layout::NotePerFile => place_notes(files, &claims),
        Layout::LayerPerFile => place_layers(files, &claims),
    }
    (Some(layout), set_concerns::judge(files, layout, options.middle_c))
}

/// What each file's name and, where that is silent, its folders claim.
fn claims_of(files: &[FileSurvey], options: &SurveyOptions) -> Vec<Claim> {
    let mut own: Vec<Claim> = files.iter().map(|f| names::claim(&stem(f), options.middle_c)).collect();
    layers_by_dynamics(&mut own);
    let mut folders: Vec<Claim> = files
        .iter()
        .map(|f| {
            let mut claim = Claim::default();
            for folder in f.path.ancestors().skip(1).take(2).filter_map(|p| p.file_name()) {
                let c = names::claim(&folder.to_string_lossy(), options.middle_c);
                claim.midi = claim.midi.or(c.midi.filter(|_| !c.bare));
                claim.layer = claim.layer.or(c.layer);
                claim.dynamic = claim.dynamic.or(c.dynamic);
            }
            claim
        })
        .collect();
    layers_by_dynamics(&mut folders);
    // A folder that all files share names the project, not the note.
    let tell_midi = folders.iter().filter_map(|c| c.midi).collect::<BTreeSet<_>>().len() > 1;
    let tell_layer = folders.iter().filter_map(|c| c.layer).collect::<BTreeSet<_>>().len() > 1;
    own.iter()
        .zip(folders)
        .map(|(own, folder)| {
            let folder_midi = folder.midi.filter(|_| tell_midi && (own.midi.is_none() || own.bare));
            Claim {
                midi: folder_midi.or(own.midi),
                bare: own.bare && folder_midi.is_none(),
                layer: own.layer.or(folder.layer.filter(|_| tell_layer)),
                dynamic: None,
            }
        })
        .collect()
}

/// Dynamic marks as layers, the softest first, where the set has several and no number says more.
fn layers_by_dynamics(claims: &mut [Claim]) {
    let marks: BTreeSet<u16> = claims.iter().filter_map(|c| c.dynamic).collect();
    if marks.len() < 2 || claims.iter().any(|c| c.layer.is_some() && c.dynamic.is_some()) {
        return;
    }
    for claim in claims {
        let place = claim.dynamic.and_then(|d| marks.iter().position(|m| *m == d));
        claim.layer = claim.layer.or(place.and_then(|p| u16::try_from(p).ok()));
    }
}

/// The file's name without its ending.
pub(super) fn stem(file: &FileSurvey) -> String {
    file.path.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default()
}

/// Bare numbers that mostly are not the notes that sound (whole octaves aside) count the files.
fn drop_counting_numbers(files: &[FileSurvey], claims: &mut [Claim]) {
    let (mut right, mut wrong) = (0, 0);
    for (file, claim) in files.iter().zip(claims.iter()).filter(|(_, c)| c.bare) {
        let Some(midi) = claim.midi else { continue };
        for sounds in file.takes.iter().filter_map(|t| t.sounds) {
            if sounds.0 % 12 == midi.0 % 12 { right += 1 } else { wrong += 1 }
        }
    }
    if wrong > right {
        for claim in claims.iter_mut().filter(|c| c.bare) {
            claim.midi = None;
        }
    }
}

/// Layers that no two files share although there are several notes are running numbers.
fn drop_running_numbers(claims: &mut [Claim], files: &[FileSurvey]) {
    let named: Vec<u16> = claims.iter().filter_map(|c| c.layer).collect();
    let distinct: BTreeSet<u16> = named.iter().copied().collect();
    let notes: BTreeSet<MidiNote> = files
        .iter()
        .zip(claims.iter())
        .filter_map(|(f, c)| c.midi.or_else(|| f.takes.first().and_then(|t| t.sounds)))
        .collect();
    if named.len() >= 3 && distinct.len() == named.len() && notes.len() > 1 {
        for claim in claims {
            claim.layer = None;
        }
    }
}

/// The layout that most files with several takes speak for, weighted by their takes.
fn detect(files: &[FileSurvey], claims: &[Claim]) -> Layout {
    let with_takes = files.iter().filter(|f| !f.takes.is_empty()).count();
    let several = files.iter().filter(|f| f.takes.len() > 1).count();
    if several * 2 < with_takes {
        return Layout::TakePerFile;
    }
    let mut votes: BTreeMap<u8, (usize, Layout)> = BTreeMap::new();
    for (file, claim) in files.iter().zip(claims).filter(|(f, _)| f.takes.len() > 1) {
        let layout = speaks_for(file, claim);
        votes.entry(layout as u8).or_insert((0, layout)).0 += file.takes.len();
    }
    votes.into_values().max_by_key(|v| v.0).map_or(Layout::TakePerFile, |v| v.1)
}

/// What one file with several takes looks like.
fn speaks_for(file: &FileSurvey, claim: &Claim) -> Layout {
    let sounds: Vec<MidiNote> = file.takes.iter().filter_map(|t| t.sounds).collect();
    let count = sounds.len() as f64;
    let distinct = sounds.iter().collect::<BTreeSet<_>>().len();
    let near_one = most_common(&sounds).map_or(0, |m| {
        // A note out of tune may lie on either side of the line between two.
        sounds.iter().filter(|s| s.0.abs_diff(m.0) <= 1).count()
    });
    let same = most_common(&sounds).map_or(0, |m| sounds.iter().filter(|s| **s == m).count());
    let one_note = if claim.midi.is_some() { near_one } else { same };
    if sounds.len() < 2 {
        if claim.midi.is_some() { Layout::NotePerFile } else { Layout::TakePerFile }
    } else if one_note as f64 >= MOST * count {
        Layout::NotePerFile
    } else if distinct as f64 >= MOST * count {
        Layout::LayerPerFile
    } else {
        Layout::TakePerFile
    }
}

/// The note that occurs most often, the lowest of several.
fn most_common(notes: &[MidiNote]) -> Option<MidiNote> {
    let mut counts: BTreeMap<MidiNote, usize> = BTreeMap::new();
    for n in notes {
        *counts.entry(*n).or_default() += 1;
    }
    counts.into_iter().max_by_key(|(n, count)| (*count, std::cmp::Reverse(*n))).map(|(n, _)| n)
}

fn set(take: &mut FoundTake, midi: Option<MidiNote>, note: Option<MidiNote>, layer: Option<u16>, order: u16) {
    take.named = (midi.is_some() || layer.is_some()).then_some(Named { midi, layer });
    take.note = note.or(take.sounds);
    take.layer = layer.unwrap_or(order);
}

/// One take a file: without a layer in the name, the next layer of the note that no name takes.
fn place_takes(files: &mut [FileSurvey], claims: &[Claim]) {
    let mut taken: BTreeSet<(Option<MidiNote>, u16)> = BTreeSet::new();
    for (file, claim) in files.iter().zip(claims) {
        if let Some(layer) = claim.layer {
            taken.extend(file.takes.iter().map(|t| (claim.midi.or(t.sounds), layer)));
        }
    }
    for (file, claim) in files.iter_mut().zip(claims) {
        for take in &mut file.takes {
            let note = claim.midi.or(take.sounds);
            let mut order = 0;
            while claim.layer.is_none() && !taken.insert((note, order)) {
                order += 1;
            }
            set(take, claim.midi, note, claim.layer, order);
        }
    }
}

/// One note a file, its layers in order; a second file of the note goes on counting.
fn place_notes(files: &mut [FileSurvey], claims: &[Claim]) {
    let mut next: BTreeMap<Option<MidiNote>, u16> = BTreeMap::new();
    for (file, claim) in files.iter_mut().zip(claims) {
        let sounds: Vec<MidiNote> = file.takes.iter().filter_map(|t| t.sounds).collect();
        let note = claim.midi.or_else(|| most_common(&sounds));
        let count = next.entry(note).or_default();
        let alone = file.takes.len() == 1;
        for take in &mut file.takes {
            let layer = claim.layer.filter(|_| alone).unwrap_or(*count);
            *count = (*count).max(layer + 1);
            set(take, claim.midi, note, Some(layer), layer);
        }
    }
}

/// One layer a file: its number by name, else by the order of the files.
fn place_layers(files: &mut [FileSurvey], claims: &[Claim]) {
    let taken: BTreeSet<u16> = claims.iter().filter_map(|c| c.layer).collect();
    let mut order = 0;
    for (file, claim) in files.iter_mut().zip(claims).filter(|(f, _)| !f.takes.is_empty()) {
        let layer = claim.layer.unwrap_or_else(|| {
            while taken.contains(&order) {
                order += 1;
            }
            order += 1;
            order - 1
        });
        for take in &mut file.takes {
            set(take, None, None, Some(layer), layer);
        }
    }
}
