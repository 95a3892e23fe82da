//! What a delivery would write, worked out from the document alone: for the preview and for the
//! delivery itself.

use std::collections::HashMap;

use super::mapping::{KeyMap, Mapped, key_map};
use super::names::{self, PlannedName};
use crate::error::{Error, ErrorKind};
use crate::io::SoundForm;
use crate::io::sfz;
use crate::io::wav::MOST_FLAC_HZ;
use crate::session::delivery::{LayersAs, LevelMode, Tail};
use crate::session::{Document, TakeState};

/// What a delivery would write.
#[derive(Debug, Clone, Default)]
pub struct Plan {
    /// The sound files in sheet order.
    pub names: Vec<PlannedName>,
    /// The files beside them (map, report, credits).
    pub beside: Vec<Beside>,
    /// Which take sounds on which key.
    pub map: KeyMap,
    /// What keeps the delivery from being begun; empty: nothing does.
    pub problems: Vec<Error>,
    /// What one may not expect, in sentences.
    pub remarks: Vec<String>,
}

/// A file beside the sound files.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Beside {
    /// What it is.
    pub kind: BesideKind,
    /// Its name in the delivery folder.
    pub path: String,
}

/// What a file beside the sound files is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum BesideKind {
    /// The map as text.
    Sfz,
    /// The SoundFont.
    Sf2,
    /// The report as a page.
    ReportPage,
    /// The report as a table.
    ReportTable,
    /// The report as JSON.
    ReportJson,
    /// Credits and licence.
    Credits,
}

/// What delivering `document` would write. Touches no file.
pub fn plan(document: &Document) -> Plan {
    let setup = &document.setup;
    let (names, mut problems) = names::planned_names(document);
    problems.extend(setup.delivery.validate().err());
    if setup.delivery.form == SoundForm::Flac && setup.delivery_rate.hz() > MOST_FLAC_HZ {
        problems.push(Error::invalid(
            "the rate",
            format!("{} Hz", setup.delivery_rate.hz()),
            &format!("up to {MOST_FLAC_HZ} Hz in FLAC; deliver as WAV or at a lower rate"),
        ));
    }
    let takes: Vec<Mapped> = names::accepted(document)
        .into_iter()
        .filter_map(|t| Some(Mapped { take: t.id, layer: t.layer, root: names::root_of(t)? }))
        .collect();
    if setup.delivery.map.sfz {
        problems.extend(names.iter().filter_map(|n| sfz::check_path(&n.path).err()));
    }
    let map = key_map(&takes, &setup.delivery.map);
    let beside = beside(document);
    problems.extend(bad_beside(&names, &beside));
    let remarks = remarks(document, &map);
    Plan { names, beside, map, problems, remarks }
}

fn beside(document: &Document) -> Vec<Beside> {
    let d = &document.setup.delivery;
    let title = document.setup.title.trim();
    let mut list = Vec::new();
    let mut add = |wanted: bool, kind, path: String| {
        if wanted {
            list.push(Beside { kind, path });
        }
    };
    add(d.map.sfz, BesideKind::Sfz, format!("{title}.sfz"));
    add(d.map.sf2.is_some(), BesideKind::Sf2, format!("{title}.sf2"));
    add(d.report, BesideKind::ReportPage, "report.html".into());
    add(d.report, BesideKind::ReportTable, "report.csv".into());
    add(d.report, BesideKind::ReportJson, "report.json".into());
    let credits = d.credits.as_ref().and_then(|p| p.file_name());
    if let Some(name) = credits {
        add(true, BesideKind::Credits, name.to_string_lossy().into_owned());
    }
    list
}

fn bad_beside(names: &[PlannedName], beside: &[Beside]) -> Vec<Error> {
    let mut taken: HashMap<String, &str> =
        names.iter().map(|n| (names::comparable(&n.path), n.path.as_str())).collect();
    let mut problems = Vec::new();
    for b in beside {
        let stem = b.path.rsplit_once('.').map_or(b.path.as_str(), |(stem, _)| stem);
        problems.extend(names::refuse_bad(&b.path, stem).err());
        if taken.insert(names::comparable(&b.path), &b.path).is_some() {
            problems.push(Error::new(
                ErrorKind::NameClash,
                format!(
                    "two files would be written as \"{}\"; change the set name or the name of the credits file",
                    b.path
                ),
            ));
        }
    }
    problems
}

fn remarks(document: &Document, map: &KeyMap) -> Vec<String> {
    let d = &document.setup.delivery;
    let mut remarks: Vec<String> = names::accepted(document)
        .into_iter()
        .filter_map(|t| {
            let (place, note) = (document.name_of(t), t.goes_elsewhere()?.name(document.setup.middle_c));
            Some(format!(
                "{place}: goes out as {note}, the note that its tuning brings it to, not as the note of its place; move it to the place of {note}, or its sound to its name, where that is not meant"
            ))
        })
        .collect();
    remarks.extend(weak_loops(document));
    remarks.extend(left_out(document));
    if d.map.sf2.is_some()
        && (d.map.layers == LayersAs::RoundRobin || map.regions.iter().any(|r| r.turn.1 > 1))
    {
        remarks.push(
            "a SoundFont knows no round robin: there the first of them sounds, and each layer has a preset of its own"
                .into(),
        );
    }
    if d.map.sf2.is_some() && document.setup.delivery_rate.hz() > 50_000 {
        remarks.push(format!(
            "the SoundFont specification advises against rates above 50000 Hz; this set has {} Hz",
            document.setup.delivery_rate.hz()
        ));
    }
    if !map.silent.is_empty() && (d.map.sfz || d.map.sf2.is_some()) {
        remarks.push(format!("{} takes are written but sound on no key of the map", map.silent.len()));
    }
    if let Tail::Cut = d.tail {
        remarks.push("the files end with their loops: a player that ignores loops stops there".into());
    }
    if d.level.mode != LevelMode::AsPlayed && d.form.is_float() {
        remarks.push("the peak ceiling holds for floating point as well".into());
    }
    if d.form == SoundForm::Flac {
        remarks.push(
            "FLAC has no field of its own for loops and root keys: they are kept in it as they stand in a WAV, which not every player reads; all read them from the map".into(),
        );
    }
    remarks
}

/// At most so many takes are named in a remark.
const NAMED: usize = 6;

/// Accepted takes whose loops score less than is asked for: accepted all the same, or edited since.
fn weak_loops(document: &Document) -> Option<String> {
    let asked = document.setup.accept_score;
    let weak: Vec<String> = names::accepted(document)
        .into_iter()
        .filter_map(|t| Some((t, t.loop_score().filter(|s| *s < asked)?)))
        .map(|(t, score)| format!("{} ({score:.0})", document.name_of(t)))
        .collect();
    let takes = match weak.len() {
        0 => return None,
        1 => "1 accepted take has a loop that scores".to_owned(),
        n => format!("{n} accepted takes have loops that score"),
    };
    Some(format!(
        "{takes} less than {asked:.0} of 100: {}; listen to them before they go out",
        some_of(&weak)
    ))
}

/// The first of them, and how many more there are.
fn some_of(all: &[String]) -> String {
    let more = all.len().saturating_sub(NAMED);
    let named = all[..all.len() - more].join("; ");
    if more > 0 { format!("{named}; and {more} more") } else { named }
}

/// The takes that nobody has decided on, by name: they are not delivered. None where there are none, or
/// nothing is accepted yet.
fn left_out(document: &Document) -> Option<String> {
    let open: Vec<String> = document
        .takes
        .iter()
        .filter(|t| matches!(t.state, TakeState::New | TakeState::Proposed))
        .map(|t| document.name_of(t))
        .collect();
    if open.is_empty() || names::accepted(document).is_empty() {
        return None;
    }
    let takes = if open.len() == 1 { "1 take is".into() } else { format!("{} takes are", open.len()) };
    Some(format!("{takes} not accepted and stay out: {}", some_of(&open)))
}

impl Plan {
    /// The path of one kind of file beside the sound files.
    pub fn beside(&self, kind: BesideKind) -> Option<&str> {
        self.beside.iter().find(|b| b.kind == kind).map(|b| b.path.as_str())
    }

    /// Every path that would be written.
    pub fn paths(&self) -> impl Iterator<Item = &str> {
        self.names.iter().map(|n| n.path.as_str()).chain(self.beside.iter().map(|b| b.path.as_str()))
    }
}
