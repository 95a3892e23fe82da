//! How a folder stands to what would be written into it now, and how loud the takes are: looked at
//! before anything is written, so that the window can tell.

use std::collections::{BTreeSet, HashMap};
use std::path::Path;

use rayon::prelude::*;

use super::folder;
use super::level::{self, Heard, Loudness};
use super::manifest::Manifest;
use super::names::{accepted, root_of};
use super::plan::{Plan, plan};
use super::take_file::{self, Item};
use crate::error::{Error, ErrorKind, Result};
use crate::jobs::Job;
use crate::session::delivery::LevelMode;
use crate::session::{Document, Source, TakeId, store};
use crate::units::{Decibels, MidiNote};

/// How the file of one take stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum FileStanding {
    /// No file of that name is there.
    New,
    /// A delivery wrote it, from another recipe, source or setting.
    Changed,
    /// It came from what it would come from now.
    Same,
    /// A delivery wrote it; whether it changes depends on levels that are not measured yet.
    Unmeasured,
    /// A file of that name is there that no delivery wrote; it will be left as it is.
    Strange,
}

/// How a folder stands to what would be written into it.
#[derive(Debug, Clone, Default)]
pub struct Standing {
    /// Whether a delivery of this program stands there.
    pub known: bool,
    /// The takes in sheet order.
    pub files: Vec<(TakeId, FileStanding)>,
    /// Files of earlier deliveries that are no longer part of this one, below the folder.
    pub orphans: Vec<String>,
    /// Loudness without the delivery's gain that earlier deliveries measured and that still holds.
    pub levels: Vec<Measured>,
    /// Why nothing may be delivered there.
    pub refused: Option<Error>,
}

/// How loud a take is without the delivery's gain.
#[derive(Debug, Clone, PartialEq)]
pub struct Measured {
    /// Which take.
    pub take: TakeId,
    /// Hash of what decides its sound, as [`sound_of`] gives it.
    pub sound: String,
    /// How loud it is.
    pub loudness: Loudness,
}

impl Standing {
    /// How many files stand so.
    pub fn count(&self, what: FileStanding) -> usize {
        self.files.iter().filter(|(_, s)| *s == what).count()
    }

    /// Whether what is left over is all that deliveries ever wrote there: no file of this one stands there yet.
    pub fn is_all_left_over(&self) -> bool {
        let ours = [FileStanding::Changed, FileStanding::Same, FileStanding::Unmeasured];
        !self.orphans.is_empty() && ours.into_iter().all(|s| self.count(s) == 0)
    }
}

/// Compares what delivering `document` to `folder` would write with what stands there. `known` holds
/// loudness measured before, by [`sound_of`]. Reads the manifest and looks at names; the bytes of the
/// files are compared only when delivering. Changes nothing.
pub fn standing(
    session_path: &Path,
    document: &Document,
    folder: &Path,
    known: &HashMap<String, Loudness>,
) -> Result<Standing> {
    let plan = plan(document);
    let mut items = take_file::items(document, &plan)?;
    let manifest = Manifest::read(folder);
    let mut levels = Vec::new();
    for item in &items {
        let sound = item.sound(document)?;
        let facts = manifest.files.get(item.name).and_then(|e| e.facts.as_ref());
        let before = facts.filter(|f| f.sound == sound).map(super::manifest::Facts::as_played);
        if let Some(loudness) = before.or(known.get(&sound).copied()) {
            levels.push(Measured { take: item.take.id, sound, loudness });
        }
    }
    let gains_known = set_gains(document, &mut items, &levels);
    let files = items.iter().map(|item| {
        let entry = manifest.files.get(item.name);
        let there = std::fs::symlink_metadata(folder.join(item.name)).is_ok();
        let standing = match entry {
            None if there => FileStanding::Strange,
            Some(_) if there && !gains_known => FileStanding::Unmeasured,
            Some(e) if there && item.from(document).is_ok_and(|from| from == e.from) => FileStanding::Same,
            Some(_) if there => FileStanding::Changed,
            _ => FileStanding::New,
        };
        (item.take.id, standing)
    });
    let refused = refused(session_path, document, folder, &plan);
    Ok(Standing {
        known: !manifest.files.is_empty(),
        files: files.collect(),
        orphans: left_over(&plan, &manifest, folder),
        refused,
        levels,
    })
}

/// Why nothing may be delivered to `folder`, if so.
fn refused(session_path: &Path, document: &Document, folder: &Path, plan: &Plan) -> Option<Error> {
    let allowed = folder::refuse_sources(session_path, document, folder, plan);
    allowed.and_then(|()| folder::can_be_made(folder)).err()
}

/// What keeps `plan` from being carried out in `folder`, besides the plan's own problems: the folder itself, files of
/// others that stand there, sources that are gone. Looks at names only, and changes nothing.
pub fn hindrances(session_path: &Path, document: &Document, folder: &Path, plan: &Plan) -> Vec<Error> {
    if let Some(refused) = refused(session_path, document, folder, plan) {
        return vec![refused];
    }
    let manifest = Manifest::read(folder);
    let strangers = plan.paths().filter_map(|name| folder::refuse_stranger(folder, name, &manifest).err());
    let mut sources: Vec<&Source> =
        accepted(document).iter().filter_map(|t| document.source(t.source)).map(|s| &**s).collect();
    sources.sort_by_key(|s| s.id);
    sources.dedup_by_key(|s| s.id);
    let gone = sources.into_iter().map(|s| store::source_path(session_path, &s.path)).filter(|p| !p.exists());
    let gone = gone.map(|path| {
        let text = format!("{} is not there any more; put it back, or survey again", path.display());
        Error::new(ErrorKind::NotFound, text)
    });
    strangers.chain(gone).collect()
}

/// Files of earlier deliveries in `folder` that are not of this plan. A plan that cannot be carried out tells
/// nothing of what is left over: with a mistake in the name pattern it plans no file at all.
fn left_over(plan: &Plan, manifest: &Manifest, folder: &Path) -> Vec<String> {
    if !plan.problems.is_empty() {
        return Vec::new();
    }
    let planned: BTreeSet<&str> = plan.paths().collect();
    let left_over = |name: &&String| !planned.contains(name.as_str()) && folder.join(name).exists();
    manifest.files.keys().filter(left_over).cloned().collect()
}

/// Removes those of `names` that are left over in `folder` as `document` would be delivered now, as
/// [`folder::remove_orphans`] does. Errors: the delivery could not be begun, so that nothing tells what is left
/// over; what that returns.
pub fn remove_left_over(document: &Document, folder: &Path, names: &[String]) -> Result<Vec<String>> {
    let plan = plan(document);
    if let Some(problem) = plan.problems.first() {
        return Err(Error::new(problem.kind(), format!("nothing was removed: {problem}")));
    }
    let still = left_over(&plan, &Manifest::read(folder), folder);
    let names: Vec<String> = names.iter().filter(|n| still.contains(n)).cloned().collect();
    folder::remove_orphans(folder, &names)
}

/// Sets the gains as a delivery would; whether the loudness of every take is known.
fn set_gains(document: &Document, items: &mut [Item<'_>], levels: &[Measured]) -> bool {
    let setup = &document.setup.delivery.level;
    if setup.mode == LevelMode::AsPlayed {
        return true;
    }
    if levels.len() != items.len() {
        return false;
    }
    let heard: Vec<Heard> = items
        .iter()
        .zip(levels)
        .map(|(item, m)| Heard {
            note: root_of(item.take).unwrap_or(MidiNote(60)),
            layer: item.take.layer,
            loudness: m.loudness,
        })
        .collect();
    for (item, gain) in items.iter_mut().zip(level::gains(&heard, setup)) {
        item.gain = gain;
    }
    true
}

fn item(document: &Document, take: TakeId) -> Option<Item<'_>> {
    let (take, source) = document.take_and_source(take)?;
    Some(Item { take, source, name: "", region: None, gain: Decibels(0.0), heard: None })
}

/// Hash of what decides a take's delivered sound but for the delivery's gain; none without a recipe.
pub fn sound_of(document: &Document, take: TakeId) -> Option<String> {
    item(document, take)?.sound(document).ok()
}

/// Renders the accepted takes whose sound is not in `known` and measures them as a delivery would;
/// `report` gets each as it is done. Errors: a cancel; the first take that could not be rendered, after
/// the rest.
pub fn measure_levels(
    session_path: &Path,
    document: &Document,
    known: &HashMap<String, Loudness>,
    job: &Job,
    report: &(dyn Fn(Measured) + Sync),
) -> Result<()> {
    let wanted: Vec<(TakeId, String)> = accepted(document)
        .into_iter()
        .filter_map(|t| Some((t.id, sound_of(document, t.id)?)))
        .filter(|(_, sound)| !known.contains_key(sound))
        .collect();
    job.begin("measure levels", wanted.len() as u64);
    let rooms = super::room::Rooms::default();
    let one = |take: TakeId, sound: &String| -> Result<()> {
        job.check()?;
        let Some(item) = item(document, take) else { return Ok(()) };
        let (_, shaped, _) = take_file::render_item(session_path, document, &item, &rooms, job)?;
        let loudness = level::loudness_while(&shaped.audio, &|| !job.cancel.is_cancelled())?;
        report(Measured { take, sound: sound.clone(), loudness });
        job.advance(1);
        Ok(())
    };
    let failed: Vec<Error> = wanted.par_iter().filter_map(|(take, sound)| one(*take, sound).err()).collect();
    job.check()?;
    failed.into_iter().next().map_or(Ok(()), Err)
}
