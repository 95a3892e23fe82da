//! What the deliver room shows, worked out from the document and from what was found out about it.

use std::collections::HashMap;

use crate::app::derived::Derived;
use crate::io::sfz;
use crate::render::level::{Heard, gains};
use crate::render::names::{self, Example, accepted, comparable, root_of};
use crate::render::pattern::fault;
use crate::render::plan::{Plan, plan};
use crate::render::standing::{FileStanding, sound_of};
use crate::session::delivery::{LevelMode, Tail};
use crate::session::{Document, Source, Take, TakeId};
use crate::units::MidiNote;

/// One name on disk.
#[derive(Debug, Clone, PartialEq)]
pub struct NameRow {
    /// Which take.
    pub take: TakeId,
    /// Its layer, from 0.
    pub layer: u16,
    /// Its path below the folder.
    pub path: String,
    /// Why it cannot be written so.
    pub bad: Option<String>,
    /// How the file stands.
    pub standing: Option<FileStanding>,
    /// Why the last delivery could not write it.
    pub failed: Option<String>,
}

/// What is written, in numbers.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Sums {
    /// Sound files.
    pub files: usize,
    /// Those with a loop.
    pub looped: usize,
    /// Length of all, in seconds.
    pub seconds: f64,
    /// Size of the sound files, in bytes.
    pub bytes: f64,
    /// Size of the SoundFont, in bytes.
    pub bank_bytes: f64,
}

/// How loud one take is and will be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelPoint {
    /// Which take.
    pub take: TakeId,
    /// Its root key.
    pub note: MidiNote,
    /// Its layer, from 0.
    pub layer: u16,
    /// Loudness as played, LUFS.
    pub before: f64,
    /// The delivery's gain, dB.
    pub gain: f64,
    /// True peak as delivered, dB.
    pub peak: f64,
    /// It was changed since it was measured.
    pub stale: bool,
}

impl LevelPoint {
    /// Loudness as delivered, LUFS.
    pub fn after(&self) -> f64 {
        self.before + self.gain
    }
}

/// The levels of the set.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Levels {
    /// Takes that have a loudness, by layer and note.
    pub points: Vec<LevelPoint>,
    /// Accepted takes that are not measured.
    pub unmeasured: usize,
    /// Those that were changed since they were measured.
    pub stale: usize,
    /// Measured takes that are too quiet to have a loudness.
    pub silent: usize,
}

/// Everything the room shows.
#[derive(Debug, Clone, Default)]
pub struct Model {
    /// What would be written.
    pub plan: Plan,
    /// The names in sheet order.
    pub rows: Vec<NameRow>,
    /// In numbers.
    pub sums: Sums,
    /// Levels before and after.
    pub levels: Levels,
    /// A name as it would be, and what each placeholder stands for in it.
    pub example: Example,
    /// The name pattern cannot be read, so that there are no names; told at its field.
    pub bad_pattern: bool,
}

impl Model {
    /// The model of `document`.
    pub fn of(document: &Document, derived: &Derived, selected: Option<TakeId>) -> Self {
        let plan = plan(document);
        let rows = rows(document, &plan, derived);
        let example = names::example(document, selected);
        let bad_pattern = fault(&document.setup.name_pattern).is_some();
        Self { rows, sums: sums(document), levels: levels(document, derived), plan, example, bad_pattern }
    }

    /// How many rows stand so.
    pub fn count(&self, what: FileStanding) -> usize {
        self.rows.iter().filter(|r| r.standing == Some(what)).count()
    }
}

fn rows(document: &Document, plan: &Plan, derived: &Derived) -> Vec<NameRow> {
    let mut times: HashMap<String, usize> = HashMap::new();
    for name in &plan.names {
        *times.entry(comparable(&name.path)).or_default() += 1;
    }
    let standing: HashMap<TakeId, FileStanding> =
        derived.deliver().standing().map(|s| s.files.iter().copied().collect()).unwrap_or_default();
    let failed: HashMap<TakeId, String> = derived
        .delivery()
        .map(|d| d.failed.iter().map(|(id, _, e)| (*id, e.to_string())).collect())
        .unwrap_or_default();
    let row = |n: &names::PlannedName| {
        let file = n.path.rsplit('/').next().unwrap_or(&n.path);
        let stem = file.rsplit_once('.').map_or(file, |(stem, _)| stem);
        let bad = if times.get(&comparable(&n.path)).is_some_and(|t| *t > 1) {
            Some("Another take would get the same name.".to_owned())
        } else {
            let text = |e: crate::error::Error| e.to_string();
            let misread = document.setup.delivery.map.sfz.then(|| sfz::check_path(&n.path).err()).flatten();
            names::refuse_bad(file, stem).err().or(misread).map(text)
        };
        NameRow {
            take: n.take,
            layer: document.take(n.take).map_or(0, |t| t.layer),
            path: n.path.clone(),
            bad,
            standing: standing.get(&n.take).copied(),
            failed: failed.get(&n.take).cloned(),
        }
    };
    plan.names.iter().map(row).collect()
}

/// Length of a take as it is written, in seconds; the pitch map's small changes are left out.
fn seconds_of(document: &Document, take: &Take, source: &Source) -> f64 {
    let Some(recipe) = &take.recipe else { return 0.0 };
    let rate = source.rate.as_f64();
    let (start, mut end) = (recipe.trim.range.start.0 as f64, recipe.trim.range.end.0 as f64);
    let d = &document.setup.delivery;
    if let Some(l) = &recipe.looping {
        match d.tail {
            Tail::Kept => {}
            Tail::Cut => end = end.min(l.end),
            Tail::Faded(s) => end = end.min(l.end + s.0 * rate),
        }
    }
    let pre_roll = d.pre_roll.map_or(0.0, |p| p.0 - (recipe.trim.onset.0 as f64 - start) / rate);
    ((end - start) / rate + pre_roll).max(0.0)
}

fn sums(document: &Document) -> Sums {
    let d = &document.setup.delivery;
    let rate = document.setup.delivery_rate.as_f64();
    let bank_bytes = match d.map.sf2 {
        None => 0.0,
        Some(crate::session::delivery::BankDepth::Bits16) => 2.0,
        Some(crate::session::delivery::BankDepth::Bits24) => 3.0,
    };
    let mut sums = Sums::default();
    for take in accepted(document) {
        let Some(source) = document.source(take.source) else { continue };
        let seconds = seconds_of(document, take, source);
        let samples = seconds * rate * f64::from(source.channels);
        sums.files += 1;
        sums.looped += usize::from(take.recipe.as_ref().is_some_and(|r| r.looping.is_some()));
        sums.seconds += seconds;
        sums.bytes += samples * f64::from(d.form.bits()) / 8.0;
        sums.bank_bytes += samples * bank_bytes;
    }
    sums
}

fn levels(document: &Document, derived: &Derived) -> Levels {
    let mut levels = Levels::default();
    let mut heard = Vec::new();
    let mut takes = Vec::new();
    for take in accepted(document) {
        let (Some(note), Some((sound, loudness))) = (root_of(take), derived.deliver().level(take.id)) else {
            levels.unmeasured += 1;
            continue;
        };
        let stale = sound_of(document, take.id).as_ref() != Some(sound);
        levels.stale += usize::from(stale);
        heard.push(Heard { note, layer: take.layer, loudness: *loudness });
        takes.push((take.id, stale));
    }
    let gains = gains(&heard, &document.setup.delivery.level);
    for ((h, (take, stale)), gain) in heard.iter().zip(takes).zip(gains) {
        let Some(before) = h.loudness.lufs else {
            levels.silent += 1;
            continue;
        };
        let peak = h.loudness.true_peak.0 + gain.0;
        let (note, layer) = (h.note, h.layer);
        levels.points.push(LevelPoint { take, note, layer, before, gain: gain.0, peak, stale });
    }
    levels.points.sort_by_key(|p| (p.layer, p.note, p.take));
    levels
}

/// Whether the delivery changes levels at all.
pub fn changes_levels(document: &Document) -> bool {
    document.setup.delivery.level.mode != LevelMode::AsPlayed
}
