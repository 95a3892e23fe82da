//! Writing the accepted takes, and the map and report beside them.
//!
//! A file appears whole or not at all; a manifest in the folder says what stands in it and from
//! what it came. A file that no delivery of ours wrote is never written over, and none is deleted
//! without being asked.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use rayon::prelude::*;

use super::beside;
use super::folder::{self, FolderLock};
use super::level::{self, Heard, Loudness};
use super::manifest::{Entry, Facts, Manifest};
use super::names::{described, root_of};
use super::plan::{Plan, plan};
use super::room::Rooms;
use super::take_file::{self, Item};
use crate::error::{Error, ErrorKind, Result};
use crate::io::{PROGRAM, hash};
use crate::jobs::Job;
use crate::session::delivery::LevelMode;
use crate::session::{Document, SourceId, TakeId, store};
use crate::units::{Decibels, MidiNote};

pub use super::folder::remove_orphans;
pub use super::take_file::decode_take;

/// The manifest is saved at most this often while files are written.
const SAVE_EVERY: Duration = Duration::from_millis(300);

/// One delivered file.
#[derive(Debug, Clone)]
pub struct Delivered {
    /// The take.
    pub take: TakeId,
    /// Where it stands.
    pub path: PathBuf,
}

/// What a delivery did.
#[derive(Debug, Clone, Default)]
pub struct Delivery {
    /// Where it was written.
    pub folder: PathBuf,
    /// Files written, in sheet order.
    pub written: Vec<Delivered>,
    /// Files that stood there already and are still right (`resume`).
    pub kept: Vec<Delivered>,
    /// Takes that failed, in words, and why.
    pub failed: Vec<(TakeId, String, Error)>,
    /// Whether it was cancelled; what is written is whole.
    pub cancelled: bool,
    /// Map, report and credits that stand there now.
    pub beside: Vec<PathBuf>,
    /// Those of them that failed, and why.
    pub beside_failed: Vec<(PathBuf, Error)>,
    /// Files of earlier deliveries that this one does not write, below the folder. They are left as
    /// they are; [`remove_orphans`] removes them.
    pub orphans: Vec<String>,
    /// What one may not expect, in sentences.
    pub remarks: Vec<String>,
}

/// How to deliver.
#[derive(Debug, Clone, Default)]
pub struct DeliverOptions {
    /// Leave files alone that are there already and came from the same source and recipe.
    pub resume: bool,
}

/// A delivery under way.
pub(super) struct Run<'a> {
    pub(super) session_path: &'a Path,
    pub(super) document: &'a Document,
    pub(super) folder: &'a Path,
    pub(super) plan: Plan,
    pub(super) job: &'a Job,
    /// The rooms that takes are cleaned of.
    pub(super) rooms: Rooms,
    /// Names that fall on files that are not ours.
    pub(super) strangers: BTreeMap<String, Error>,
    manifest: Mutex<(Manifest, Instant)>,
    /// The entries as they were before.
    before: BTreeMap<String, Entry>,
}

/// What became of one take.
enum Outcome {
    Written,
    Kept,
}

/// Writes every accepted take of `document` to `folder` (made if missing), then the map and the
/// report beside them.
///
/// Errors before anything is written: nothing accepted, bad or clashing names, settings out of range,
/// a folder that cannot be made, that holds the sources or that another delivery is at work in. What
/// fails afterwards (a name that falls on a file that is not ours, a source that is gone) is in the
/// result; so is a cancel.
pub fn deliver(
    session_path: &Path,
    document: &Document,
    folder: &Path,
    options: &DeliverOptions,
    job: &Job,
) -> Result<Delivery> {
    let plan = plan(document);
    if let Some(problem) = plan.problems.first() {
        return Err(problem.clone());
    }
    if plan.names.is_empty() {
        return Err(Error::new(
            ErrorKind::NothingHere,
            "no take is accepted yet, so there is nothing to deliver; accept takes in the sheet or with `propose --accept SCORE`",
        ));
    }
    folder::refuse_sources(session_path, document, folder, &plan)?;
    folder::make(folder)?;
    let _lock = FolderLock::take(folder)?;
    let known = Manifest::read(folder);
    folder::clear_parts(folder);
    let strangers = plan
        .paths()
        .filter_map(|name| folder::refuse_stranger(folder, name, &known).err().map(|e| (name.to_owned(), e)));
    let strangers = strangers.collect();
    let before = known.files.clone();
    let manifest = Mutex::new((Manifest { program: PROGRAM.into(), files: known.files }, Instant::now()));
    let rooms = Rooms::default();
    let run = Run { session_path, document, folder, plan, job, rooms, strangers, manifest, before };
    run.carry_out(options)
}

impl Run<'_> {
    fn carry_out(&self, options: &DeliverOptions) -> Result<Delivery> {
        let mut items = take_file::items(self.document, &self.plan)?;
        let (folder, remarks) = (self.folder.to_path_buf(), self.plan.remarks.clone());
        let mut delivery = Delivery { folder, remarks, ..Delivery::default() };
        match self.set_gains(&mut items) {
            Err(e) if e.is_cancelled() => {
                delivery.cancelled = true;
                return Ok(delivery);
            }
            other => other?,
        }
        self.job.begin("deliver", items.len() as u64);
        let kept: Vec<bool> = items.par_iter().map(|i| options.resume && self.is_right(i)).collect();
        self.announce(&items, &kept)?;
        let sources = self.check_sources(&items, &kept);
        let begun: Vec<AtomicBool> = items.iter().map(|_| AtomicBool::new(false)).collect();
        let results: Vec<Result<Outcome>> = items
            .par_iter()
            .zip(&kept)
            .zip(&begun)
            .map(|((item, kept), begun)| {
                self.job.check()?;
                begun.store(true, Ordering::Relaxed);
                let result = if *kept {
                    Ok(Outcome::Kept)
                } else {
                    self.write_one(item, &sources).map(|()| Outcome::Written)
                };
                self.job.advance(1);
                result
            })
            .collect();
        self.take_back(&items, &begun);
        self.gather(&items, results, &mut delivery);
        if !delivery.cancelled {
            beside::write(self, options, &items, &mut delivery);
        }
        self.end(&mut delivery);
        Ok(delivery)
    }

    /// The manifest, for reading and changing.
    pub(super) fn entries<R>(&self, with: impl FnOnce(&mut BTreeMap<String, Entry>) -> R) -> R {
        // A panic in another worker leaves whole entries behind: the map is still good.
        let mut guard = self.manifest.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        with(&mut guard.0.files)
    }

    /// Saves the manifest; not `now`: only when the last time is long enough ago.
    pub(super) fn save(&self, now: bool) -> Result<()> {
        // Held while writing, so that an older state never lands on a newer one.
        let mut guard = self.manifest.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        if now || guard.1.elapsed() >= SAVE_EVERY {
            guard.0.write(self.folder)?;
            guard.1 = Instant::now();
        }
        Ok(())
    }

    /// Whether a file stands there as the manifest says and came from what it would come from now.
    fn is_right(&self, item: &Item<'_>) -> bool {
        let known = self.entries(|files| files.get(item.name).cloned());
        let go_on = || !self.job.cancel.is_cancelled();
        known.is_some_and(|entry| {
            entry.facts.is_some()
                && !entry.is.is_empty()
                && item.from(self.document).is_ok_and(|from| from == entry.from)
                && hash::hash_file(&self.folder.join(item.name), &go_on).is_ok_and(|(_, is)| is == entry.is)
        })
    }

    /// Empties the entry of every file before it is written: should the program be killed, the
    /// manifest claims nothing that is not so, and the next delivery still knows the file as ours.
    fn announce(&self, items: &[Item<'_>], kept: &[bool]) -> Result<()> {
        self.entries(|files| {
            let ours = |i: &Item<'_>| !self.strangers.contains_key(i.name);
            for item in items.iter().zip(kept).filter(|(i, kept)| !**kept && ours(i)).map(|(i, _)| i) {
                let facts = files.get(item.name).and_then(|e| e.facts.clone());
                files.insert(item.name.to_owned(), Entry { facts, ..Entry::default() });
            }
        });
        self.save(true)
    }

    /// Gives the files that were announced and are still what they were their entries back: all that were
    /// not begun, and of those that were begun and failed the ones that were not replaced.
    fn take_back(&self, items: &[Item<'_>], begun: &[AtomicBool]) {
        for (item, begun) in items.iter().zip(begun) {
            let empty = self.entries(|files| files.get(item.name).is_some_and(|e| e.is.is_empty()));
            let Some(before) = self.before.get(item.name).filter(|b| empty && !b.is.is_empty()) else {
                continue;
            };
            let same = || {
                hash::hash_file(&self.folder.join(item.name), &|| true).is_ok_and(|(_, is)| is == before.is)
            };
            if !begun.load(Ordering::Relaxed) || same() {
                self.entries(|files| files.insert(item.name.to_owned(), before.clone()));
            }
        }
    }

    /// Whether the sources of what is to be written are what they were, each looked at once.
    fn check_sources(&self, items: &[Item<'_>], kept: &[bool]) -> BTreeMap<SourceId, Result<()>> {
        let mut wanted: BTreeMap<SourceId, &Item<'_>> = BTreeMap::new();
        for (item, _) in items.iter().zip(kept).filter(|(_, kept)| !**kept) {
            wanted.entry(item.source.id).or_insert(item);
        }
        let wanted: Vec<_> = wanted.into_iter().collect();
        let go_on = || !self.job.cancel.is_cancelled();
        let check = |item: &Item<'_>| {
            let path = store::source_path(self.session_path, &item.source.path);
            let (_, now) = hash::hash_file(&path, &go_on)?;
            if now == item.source.hash {
                return Ok(());
            }
            Err(Error::new(
                ErrorKind::NotFound,
                format!(
                    "{} is not the file it was when it was surveyed; survey again",
                    item.source.path.display()
                ),
            ))
        };
        wanted.par_iter().map(|(id, item)| (*id, check(item))).collect::<Vec<_>>().into_iter().collect()
    }

    /// Sets the delivery's gain of each item. Where levels follow something, every take is heard
    /// first, but for those that the manifest knows already.
    fn set_gains(&self, items: &mut [Item<'_>]) -> Result<()> {
        let setup = &self.document.setup.delivery.level;
        if setup.mode == LevelMode::AsPlayed {
            return Ok(());
        }
        self.job.begin("measure levels", items.len() as u64);
        let heard: Vec<Option<Heard>> = items
            .par_iter()
            .map(|item| {
                self.job.check()?;
                let loudness = self.loudness_of(item);
                self.job.advance(1);
                match loudness {
                    Ok(loudness) => Ok(Some(Heard {
                        note: root_of(item.take).unwrap_or(MidiNote(60)),
                        layer: item.take.layer,
                        loudness,
                    })),
                    Err(e) if e.is_cancelled() => Err(e),
                    // It fails once more when it is written, and is reported then.
                    Err(_) => Ok(None),
                }
            })
            .collect::<Result<_>>()?;
        let known: Vec<Heard> = heard.iter().flatten().copied().collect();
        let mut gains = level::gains(&known, setup).into_iter();
        for (item, heard) in items.iter_mut().zip(&heard) {
            item.gain = heard.and_then(|_| gains.next()).unwrap_or(Decibels(0.0));
            item.heard = heard.map(|h| h.loudness);
        }
        Ok(())
    }

    fn loudness_of(&self, item: &Item<'_>) -> Result<Loudness> {
        let sound = item.sound(self.document)?;
        let known: Option<Facts> = self.entries(|files| files.get(item.name)?.facts.clone());
        if let Some(facts) = known.filter(|f| f.sound == sound) {
            return Ok(facts.as_played());
        }
        let (_, shaped, _) =
            take_file::render_item(self.session_path, self.document, item, &self.rooms, self.job)?;
        level::loudness_while(&shaped.audio, &|| !self.job.cancel.is_cancelled())
    }

    fn write_one(&self, item: &Item<'_>, sources: &BTreeMap<SourceId, Result<()>>) -> Result<()> {
        if let Some(e) = self.strangers.get(item.name) {
            return Err(e.clone());
        }
        if let Some(Err(e)) = sources.get(&item.source.id) {
            return Err(e.clone());
        }
        let entry = take_file::write(self, item)?;
        self.entries(|files| files.insert(item.name.to_owned(), entry));
        self.save(false)
    }

    fn gather(&self, items: &[Item<'_>], results: Vec<Result<Outcome>>, delivery: &mut Delivery) {
        for (item, result) in items.iter().zip(results) {
            let done = || Delivered { take: item.take.id, path: self.folder.join(item.name) };
            match result {
                Ok(Outcome::Written) => delivery.written.push(done()),
                Ok(Outcome::Kept) => delivery.kept.push(done()),
                Err(e) if e.is_cancelled() => delivery.cancelled = true,
                Err(e) => delivery.failed.push((item.take.id, described(self.document, item.take), e)),
            }
        }
    }

    /// Drops entries without a file, lists those that are not of this delivery, and saves.
    fn end(&self, delivery: &mut Delivery) {
        let planned: std::collections::BTreeSet<&str> = self.plan.paths().collect();
        delivery.orphans = self.entries(|files| {
            files.retain(|name, _| self.folder.join(name).exists());
            files.keys().filter(|name| !planned.contains(name.as_str())).cloned().collect()
        });
        if let Err(e) = self.save(true) {
            delivery.beside_failed.push((self.folder.join(crate::io::DELIVERY_MANIFEST), e));
        }
    }
}
