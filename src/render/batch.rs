//! Writing the accepted takes.
//!
//! A file appears whole or not at all; a manifest in the folder says what stands in it and from
//! what it came. A file that no delivery of ours wrote is never written over.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, OnceLock};

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::chain::{self, Rendered};
use super::names::{delivered_names, described};
use crate::audio::{AudioBuf, Clip};
use crate::error::{Error, ErrorKind, Result};
use crate::io::riff::SourceMarks;
use crate::io::{DELIVERY_MANIFEST, PROGRAM, atomic, decode, hash, wav};
use crate::jobs::Job;
use crate::session::{Document, Source, SourceId, Take, TakeId, store};

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
    /// Files written, in sheet order.
    pub written: Vec<Delivered>,
    /// Files that stood there already and are still right (`resume`).
    pub kept: Vec<Delivered>,
    /// Takes that failed, in words, and why.
    pub failed: Vec<(TakeId, String, Error)>,
    /// Whether it was cancelled; what is written is whole.
    pub cancelled: bool,
}

/// How to deliver.
#[derive(Debug, Clone, Default)]
pub struct DeliverOptions {
    /// Leave files alone that are there already and came from the same source and recipe.
    pub resume: bool,
}

/// What a delivered file came from, and what it is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct Entry {
    /// Hash of everything that decides its bytes.
    from: String,
    /// Hash of its bytes.
    is: String,
}

#[derive(Debug, Clone, Default, Serialize, Deserialize)]
struct Manifest {
    program: String,
    files: BTreeMap<String, Entry>,
}

struct Item<'a> {
    take: &'a Take,
    source: &'a Source,
    name: String,
}

enum Outcome {
    Written,
    Kept,
}

/// What the workers of a delivery share.
struct Delivering<'a> {
    session_path: &'a Path,
    document: &'a Document,
    folder: &'a Path,
    resume: bool,
    job: &'a Job,
    /// Whether each source still is what it was; read once, however many takes lie in it.
    sources: BTreeMap<SourceId, OnceLock<Result<()>>>,
    manifest: Mutex<Manifest>,
}

/// Writes every accepted take of `document` to `folder` (made if missing).
///
/// Errors before anything is written: nothing accepted, bad or clashing names, a folder that cannot
/// be made or that holds the sources. A take that fails afterwards (its name falls on a file that is
/// not ours, its source is gone) is in the result; so is a cancel.
pub fn deliver(
    session_path: &Path,
    document: &Document,
    folder: &Path,
    options: &DeliverOptions,
    job: &Job,
) -> Result<Delivery> {
    let items = items(document)?;
    refuse_sources(session_path, document, folder, &items)?;
    std::fs::create_dir_all(folder).map_err(|e| Error::io("make", folder, &e))?;
    let known = read_manifest(folder);
    job.begin("deliver", items.len() as u64);
    let strangers: Vec<Option<Error>> = items.iter().map(|i| stranger(folder, i, &known)).collect();
    let delivering = Delivering {
        session_path,
        document,
        folder,
        resume: options.resume,
        job,
        sources: document.sources.iter().map(|s| (s.id, OnceLock::new())).collect(),
        manifest: Mutex::new(Manifest { program: PROGRAM.into(), files: known.files }),
    };
    delivering.announce(items.iter().zip(&strangers).filter(|(_, s)| s.is_none()).map(|(i, _)| i))?;
    let results: Vec<Result<Outcome>> = items
        .par_iter()
        .zip(strangers)
        .map(|(item, stranger)| {
            job.check()?;
            let result = stranger.map_or_else(|| delivering.one(item), Err);
            job.advance(1);
            result
        })
        .collect();
    lock(&delivering.manifest).files.retain(|name, e| !e.is.is_empty() || folder.join(name).exists());
    write_manifest(folder, &delivering.manifest)?;
    Ok(gather(document, folder, &items, results))
}

impl Delivering<'_> {
    /// Enters every name before its file is written: should the program be killed between a file
    /// and its entry, the next delivery still knows the file as ours.
    fn announce<'i>(&self, items: impl Iterator<Item = &'i Item<'i>>) -> Result<()> {
        for item in items {
            let unknown = Entry { from: String::new(), is: String::new() };
            lock(&self.manifest).files.entry(item.name.clone()).or_insert(unknown);
        }
        write_manifest(self.folder, &self.manifest)
    }

    fn one(&self, item: &Item<'_>) -> Result<Outcome> {
        let path = self.folder.join(&item.name);
        let from = fingerprint(self.document, item)?;
        let go_on = || !self.job.cancel.is_cancelled();
        if self.resume {
            let known = lock(&self.manifest).files.get(&item.name).cloned();
            if let Some(entry) = known
                && entry.from == from
                && hash::hash_file(&path, &go_on).is_ok_and(|(_, is)| is == entry.is)
            {
                return Ok(Outcome::Kept);
            }
        }
        self.check_source(item.source)?;
        let source_path = store::source_path(self.session_path, &item.source.path);
        let (rendered, audio) = render_item(&source_path, self.document, item, self.job)?;
        self.job.check()?;
        wav::write24(&path, &audio, &marks(self.document, item, &rendered))?;
        let (_, is) = hash::hash_file(&path, &|| true)?;
        lock(&self.manifest).files.insert(item.name.clone(), Entry { from, is });
        write_manifest(self.folder, &self.manifest)?;
        Ok(Outcome::Written)
    }

    /// Whether a source is the file it was when it was surveyed.
    fn check_source(&self, source: &Source) -> Result<()> {
        let check = || {
            let path = store::source_path(self.session_path, &source.path);
            let (_, now) = hash::hash_file(&path, &|| !self.job.cancel.is_cancelled())?;
            if now == source.hash {
                return Ok(());
            }
            let name = source.path.display();
            Err(Error::new(
                ErrorKind::NotFound,
                format!("{name} is not the file it was when it was surveyed; survey again"),
            ))
        };
        self.sources.get(&source.id).map_or_else(check, |known| known.get_or_init(check).clone())
    }
}

fn items(document: &Document) -> Result<Vec<Item<'_>>> {
    let names = delivered_names(document)?;
    if names.is_empty() {
        return Err(Error::new(
            ErrorKind::NothingHere,
            "no take is accepted yet, so there is nothing to deliver; accept takes in the sheet or with `propose --accept SCORE`",
        ));
    }
    names
        .into_iter()
        .map(|(id, name)| {
            let (take, source) = document
                .take_and_source(id)
                .ok_or_else(|| Error::new(ErrorKind::Internal, format!("take {} has no source", id.0)))?;
            Ok(Item { take, source, name })
        })
        .collect()
}

fn gather(document: &Document, folder: &Path, items: &[Item<'_>], results: Vec<Result<Outcome>>) -> Delivery {
    let mut delivery = Delivery::default();
    for (item, result) in items.iter().zip(results) {
        let done = || Delivered { take: item.take.id, path: folder.join(&item.name) };
        match result {
            Ok(Outcome::Written) => delivery.written.push(done()),
            Ok(Outcome::Kept) => delivery.kept.push(done()),
            Err(e) if e.is_cancelled() => delivery.cancelled = true,
            Err(e) => delivery.failed.push((item.take.id, described(document, item.take), e)),
        }
    }
    delivery
}

/// Decodes, analyses and renders one take: what is held in memory is one take a worker.
fn render_item(
    source_path: &Path,
    document: &Document,
    item: &Item<'_>,
    job: &Job,
) -> Result<(Rendered, AudioBuf)> {
    let clip = decode_take(source_path, item.take, item.source, job)?;
    let analysed = chain::analyse(clip, item.take.span)?;
    job.check()?;
    let recipe = item
        .take
        .recipe
        .as_ref()
        .ok_or_else(|| Error::new(ErrorKind::Nothing, "this take has no recipe; propose one first"))?;
    let rendered = chain::render(&analysed, recipe, document.setup.a4, document.setup.delivery_rate)?;
    let audio = chain::finished(&rendered)?;
    Ok((rendered, audio))
}

/// The stretch of a source that a take needs.
pub fn decode_take(source_path: &Path, take: &Take, source: &Source, job: &Job) -> Result<Clip> {
    let range = chain::clip_range(take, source);
    let mut found = None;
    decode::decode_ranges(source_path, &[range], &mut |_, clip| {
        found = Some(clip);
        !job.cancel.is_cancelled()
    })?;
    job.check()?;
    found.ok_or_else(|| {
        Error::new(
            ErrorKind::Decode,
            format!("{} ends before this take; survey again", source.path.display()),
        )
    })
}

fn marks(document: &Document, item: &Item<'_>, r: &Rendered) -> SourceMarks {
    let texts = [
        ("INAM", item.name.trim_end_matches(".wav").to_owned()),
        ("ISFT", PROGRAM.to_owned()),
        ("IPRD", document.setup.title.clone()),
    ];
    SourceMarks {
        root: Some(r.root),
        fine_tune: r.fine_tune,
        loops: r.looping.iter().map(|l| l.range).collect(),
        info: texts.into_iter().map(|(k, v)| (k.to_owned(), v)).collect(),
    }
}

/// Hash of everything that decides a delivered file's bytes.
fn fingerprint(document: &Document, item: &Item<'_>) -> Result<String> {
    let parts = (
        PROGRAM,
        &item.source.hash,
        item.take.span,
        &item.take.recipe,
        document.setup.a4,
        document.setup.delivery_rate,
        &document.setup.title,
        &item.name,
    );
    let bytes = serde_json::to_vec(&parts)
        .map_err(|e| Error::new(ErrorKind::Internal, format!("a recipe cannot be written down: {e}")))?;
    Ok(blake3::hash(&bytes).to_hex().to_string())
}

/// Nothing is written over that a delivery of ours did not write.
fn stranger(folder: &Path, item: &Item<'_>, known: &Manifest) -> Option<Error> {
    let path = folder.join(&item.name);
    (path.exists() && !known.files.contains_key(&item.name)).then(|| {
        let text = format!(
            "{} is there already and was not delivered by this program; it is left as it is. Deliver into another folder, or move that file away",
            path.display()
        );
        Error::new(ErrorKind::NameClash, text)
    })
}

/// No delivery beside or over the sources: what is written there would be found as takes.
fn refuse_sources(session_path: &Path, document: &Document, folder: &Path, items: &[Item<'_>]) -> Result<()> {
    let real = |p: &Path| std::fs::canonicalize(p).ok();
    let sources: Vec<PathBuf> =
        document.sources.iter().filter_map(|s| real(&store::source_path(session_path, &s.path))).collect();
    for item in items {
        let path = folder.join(&item.name);
        if real(&path).is_some_and(|p| sources.contains(&p)) {
            return Err(Error::new(
                ErrorKind::NameClash,
                format!("{} is a source; deliver into another folder", path.display()),
            ));
        }
    }
    let here = real(folder);
    if here.is_some() && sources.iter().any(|s| s.parent().map(Path::to_path_buf) == here) {
        return Err(Error::new(
            ErrorKind::NameClash,
            format!(
                "{} holds the takes themselves; what is delivered there would be found as takes. Deliver into a folder of its own, such as {}",
                folder.display(),
                folder.join("delivered").display()
            ),
        ));
    }
    Ok(())
}

/// A manifest that is missing or damaged counts as empty: then every file there is a stranger's.
fn read_manifest(folder: &Path) -> Manifest {
    std::fs::read(folder.join(DELIVERY_MANIFEST))
        .ok()
        .and_then(|bytes| serde_json::from_slice(&bytes).ok())
        .unwrap_or_default()
}

fn write_manifest(folder: &Path, manifest: &Mutex<Manifest>) -> Result<()> {
    // Held while writing, so that an older state never lands on a newer one.
    let manifest = lock(manifest);
    let bytes = serde_json::to_vec_pretty(&*manifest)
        .map_err(|e| Error::new(ErrorKind::Internal, format!("the manifest cannot be written: {e}")))?;
    let path = folder.join(DELIVERY_MANIFEST);
    atomic::write(&path, |w| w.write_all(&bytes).map_err(|e| Error::io("write", &path, &e)))
}

fn lock(manifest: &Mutex<Manifest>) -> std::sync::MutexGuard<'_, Manifest> {
    // A panic in another worker leaves whole entries behind: the map is still good.
    manifest.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
}
