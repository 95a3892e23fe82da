//! What only the whole set shows: wrong notes, cells claimed twice or by nobody, levels out of line.

use std::collections::{BTreeMap, BTreeSet};

use super::concerns::{SURE, WRONG_CENTS, interval};
use super::{FileSurvey, FoundTake};
use crate::session::document::Layout;
use crate::session::{Concern, ConcernKind};
use crate::units::{Cents, MiddleC, MidiNote};

/// A take this far from the median of its layer is out of line, in dB (common practice, no source).
const OUT_OF_LINE_DB: f64 = 9.0;
/// Fewer takes than this have no median worth the name.
const FEWEST_FOR_MEDIAN: usize = 4;
/// When so many of the named takes are the same whole octaves off, the names count otherwise.
const MOST_OCTAVES_OFF: f64 = 0.8;
/// A layer (or note) that fewer of the notes (or layers) have than this is an extra, and nothing is
/// missing in it.
const EXTRA: f64 = 0.34;

/// Puts the set's concerns to the takes (those of an earlier call are taken away), worst first, and
/// returns those of the set itself.
pub(super) fn judge(files: &mut [FileSurvey], layout: Layout, middle_c: MiddleC) -> Vec<Concern> {
    use ConcernKind::{DuplicateCell, LevelOutOfLine, WrongNote};
    for take in takes_mut(files) {
        take.concerns.retain(|c| !matches!(c.kind, DuplicateCell | LevelOutOfLine | WrongNote));
    }
    let mut of_set = Vec::new();
    let octaves = octaves_off(files);
    if octaves != 0 {
        of_set.push(octave_concern(files, octaves, middle_c));
    }
    wrong_notes(files, octaves, middle_c);
    if layout == Layout::LayerPerFile {
        odd_notes(files, middle_c);
    }
    duplicates(files, middle_c);
    levels_out_of_line(files);
    of_set.extend(missing(files, layout, middle_c));
    for take in takes_mut(files) {
        take.concerns.sort_by_key(|c| c.kind);
    }
    of_set
}

fn takes(files: &[FileSurvey]) -> impl Iterator<Item = &FoundTake> {
    files.iter().flat_map(|f| &f.takes)
}

fn takes_mut(files: &mut [FileSurvey]) -> impl Iterator<Item = &mut FoundTake> {
    files.iter_mut().flat_map(|f| &mut f.takes)
}

/// How far a take sounds above its named note, in cents; none without a name or a sure pitch.
fn off_name(take: &FoundTake) -> Option<(MidiNote, MidiNote, f64)> {
    let named = take.named?.midi?;
    let sounds = take.sounds.filter(|_| take.confidence >= SURE)?;
    Some((named, sounds, (f64::from(sounds.0) - f64::from(named.0)) * 100.0 + take.cents.0))
}

/// The whole octaves that (nearly) all takes sound above their names; 0 when there is no such thing.
fn octaves_off(files: &[FileSurvey]) -> i32 {
    let mut counts: BTreeMap<i32, usize> = BTreeMap::new();
    let mut all = 0;
    for (_, _, off) in takes(files).filter_map(off_name) {
        all += 1;
        let octaves = (off / 1200.0).round();
        if (off - octaves * 1200.0).abs() < WRONG_CENTS {
            *counts.entry(octaves as i32).or_default() += 1;
        }
    }
    // One file alone may just be named wrong.
    let files_named =
        files.iter().filter(|f| f.takes.iter().any(|t| t.named.is_some_and(|n| n.midi.is_some()))).count();
    match counts.into_iter().max_by_key(|(_, n)| *n) {
        Some((octaves, n)) if files_named > 1 && n as f64 >= MOST_OCTAVES_OFF * f64::from(all) => octaves,
        _ => 0,
    }
}

fn octave_concern(files: &[FileSurvey], octaves: i32, middle_c: MiddleC) -> Concern {
    let n = takes(files).filter(|t| off_name(t).is_some()).count();
    let side = interval(Cents(f64::from(octaves) * 1200.0));
    let cure = match (octaves, middle_c) {
        (1, MiddleC::C4) => "the names probably count middle C as C3; set middle C to C3",
        (-1, MiddleC::C3) => "the names probably count middle C as C4; set middle C to C4",
        _ => {
            "is the instrument written in another octave than it sounds? Rename the files or give the notes by hand"
        }
    };
    Concern::new(
        ConcernKind::WrongNote,
        format!("the {n} named takes sound {side} their names' notes: {cure}"),
    )
}

fn wrong_notes(files: &mut [FileSurvey], octaves: i32, middle_c: MiddleC) {
    for take in takes_mut(files) {
        if let Some((named, sounds, off)) = off_name(take)
            && (off - f64::from(octaves) * 1200.0).abs() >= WRONG_CENTS
        {
            let text = format!(
                "named {}, sounds {}: {}",
                named.name(middle_c),
                sounds.name(middle_c),
                interval(Cents(off))
            );
            take.concerns.push(Concern::new(ConcernKind::WrongNote, text));
        }
    }
}

/// A note that one layer alone has, while that layer lacks one that all others have.
fn odd_notes(files: &mut [FileSurvey], middle_c: MiddleC) {
    let cells = Cells::of(files);
    let layers: BTreeSet<u16> = takes(files).map(|t| t.layer).collect();
    if layers.len() < 3 {
        return;
    }
    for take in takes_mut(files) {
        let Some(note) = take.note.filter(|n| cells.layers_of(*n).len() == 1) else { continue };
        let lacks = cells
            .notes()
            .filter(|n| cells.layers_of(*n).len() + 1 == layers.len() && !cells.has(*n, take.layer))
            .min_by_key(|n| n.0.abs_diff(note.0));
        if let Some(lacks) = lacks {
            let text = format!(
                "sounds {}, which no other layer has, and this layer has no {}: was it meant to be that?",
                note.name(middle_c),
                lacks.name(middle_c)
            );
            take.concerns.push(Concern::new(ConcernKind::WrongNote, text));
        }
    }
}

/// Which notes have which layers.
struct Cells(BTreeMap<MidiNote, BTreeMap<u16, usize>>);

impl Cells {
    fn of(files: &[FileSurvey]) -> Self {
        let mut cells: BTreeMap<MidiNote, BTreeMap<u16, usize>> = BTreeMap::new();
        for take in takes(files) {
            if let Some(note) = take.note {
                *cells.entry(note).or_default().entry(take.layer).or_default() += 1;
            }
        }
        Self(cells)
    }

    fn notes(&self) -> impl Iterator<Item = MidiNote> {
        self.0.keys().copied()
    }

    fn layers_of(&self, note: MidiNote) -> Vec<u16> {
        self.0.get(&note).map(|l| l.keys().copied().collect()).unwrap_or_default()
    }

    fn count(&self, note: MidiNote, layer: u16) -> usize {
        self.0.get(&note).and_then(|l| l.get(&layer)).copied().unwrap_or(0)
    }

    fn has(&self, note: MidiNote, layer: u16) -> bool {
        self.count(note, layer) > 0
    }
}

fn duplicates(files: &mut [FileSurvey], middle_c: MiddleC) {
    let cells = Cells::of(files);
    let mut wheres: BTreeMap<(MidiNote, u16), Vec<String>> = BTreeMap::new();
    for file in files.iter() {
        let name = file.path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        for take in &file.takes {
            if let Some(note) = take.note.filter(|n| cells.count(*n, take.layer) > 1) {
                let place = format!("{name} at {:.1} s", take.span.onset.at(file.rate).0);
                wheres.entry((note, take.layer)).or_default().push(place);
            }
        }
    }
    for take in takes_mut(files) {
        let Some((note, places)) =
            take.note.and_then(|n| wheres.get(&(n, take.layer)).map(|places| (n, places)))
        else {
            continue;
        };
        let text = format!(
            "{} takes claim {} in layer {}: {}; set all but one aside or move them",
            places.len(),
            note.name(middle_c),
            take.layer + 1,
            places.join(", ")
        );
        take.concerns.push(Concern::new(ConcernKind::DuplicateCell, text));
    }
}

fn levels_out_of_line(files: &mut [FileSurvey]) {
    let mut levels: BTreeMap<u16, Vec<f64>> = BTreeMap::new();
    for take in takes(files) {
        levels.entry(take.layer).or_default().push(take.level.0);
    }
    levels.retain(|_, l| l.len() >= FEWEST_FOR_MEDIAN);
    for l in levels.values_mut() {
        l.sort_by(f64::total_cmp);
    }
    for take in takes_mut(files) {
        let Some(l) = levels.get(&take.layer) else { continue };
        let median = (l[(l.len() - 1) / 2] + l[l.len() / 2]) / 2.0;
        let off = take.level.0 - median;
        if off.abs() > OUT_OF_LINE_DB {
            let side = if off > 0.0 { "louder" } else { "softer" };
            let text = format!(
                "{:.0} dB {side} than the middle of layer {} ({median:.0} dB)",
                off.abs(),
                take.layer + 1
            );
            take.concerns.push(Concern::new(ConcernKind::LevelOutOfLine, text));
        }
    }
}

/// Cells without a take. A layer that few notes have, or a note that few layers have, is an extra
/// take and makes nothing else missing.
fn missing(files: &[FileSurvey], layout: Layout, middle_c: MiddleC) -> Vec<Concern> {
    let cells = Cells::of(files);
    let notes: Vec<MidiNote> = cells.notes().collect();
    let used: BTreeSet<u16> = takes(files).filter(|t| t.note.is_some()).map(|t| t.layer).collect();
    let share = |n: usize, of: usize| n as f64 >= EXTRA * of as f64;
    let layers: Vec<u16> = (0..=used.last().copied().unwrap_or(0))
        .filter(|l| {
            // A layer that nobody has at all lies between others: its number may just be left out.
            let having = notes.iter().filter(|n| cells.has(**n, *l)).count();
            having > 0 && share(having, notes.len())
        })
        .collect();
    let mut all = Vec::new();
    for note in notes {
        let present = layers.iter().filter(|l| cells.has(note, **l)).count();
        if !share(present, layers.len()) {
            continue;
        }
        for layer in layers.iter().filter(|l| !cells.has(note, **l)) {
            let mut text = format!("{} has no take in layer {}", note.name(middle_c), layer + 1);
            if layout == Layout::NotePerFile {
                text += &format!(
                    " (its file holds {present} of the {} takes that others hold; which one was left out cannot be told, so the last counts as missing)",
                    layers.len()
                );
            }
            all.push(Concern::new(ConcernKind::MissingCell, text));
        }
    }
    all
}
