//! What a survey found, as an edit of the document; and proposals for many takes at once.

use std::collections::BTreeMap;
use std::path::Path;

use rayon::prelude::*;

use super::chain::{self, Analysed};
use super::propose::{self, Proposal};
use super::room::Rooms;
use crate::error::{Error, ErrorKind, Result};
use crate::io::decode;
use crate::jobs::Job;
use crate::session::{
    Concern, ConcernKind, Document, Edit, RoomTone, Source, SourceId, Take, TakeId, TakeState, Unread, store,
};
use crate::survey::{FileSurvey, FoundTake, SetSurvey};
use crate::units::FrameRange;

/// The edit that enters surveyed files into the document of the session at `session_path`.
pub fn found(session_path: &Path, files: &[FileSurvey]) -> Edit {
    let mut sources = Vec::new();
    let mut takes = Vec::new();
    for (i, file) in files.iter().enumerate() {
        let id = SourceId(i as u32);
        sources.push(Source {
            id,
            path: store::path_in_session(session_path, &file.path),
            bytes: file.bytes,
            hash: file.hash.clone(),
            rate: file.rate,
            channels: file.channels,
            frames: file.frames,
            room_tone: file.room.map(|r| RoomTone { range: r.range, level: r.level }),
            room_marked: Vec::new(),
        });
        takes.extend(file.takes.iter().map(|t| take(id, t)));
    }
    Edit::AddFound { sources, takes }
}

/// A file that could not be read as the document keeps it.
pub fn unread(session_path: &Path, file: &Path, error: &Error) -> Unread {
    let (text, name) = (error.to_string(), file.display().to_string());
    let begins = [format!("cannot read {name}: "), format!("{name}: ")];
    let why = begins.iter().find_map(|b| text.strip_prefix(b.as_str())).unwrap_or(&text);
    let short = file.file_name().unwrap_or(file.as_os_str()).to_string_lossy();
    // The folder may be elsewhere when it is read.
    let why = why.replace(&name, &short);
    // What is not Unicode a session cannot keep; such a file is told by what can be read of its name.
    let file = Path::new(&*file.to_string_lossy()).to_path_buf();
    Unread { path: store::path_in_session(session_path, &file), why }
}

/// The edit that adds a file that could not be read to those known; none where it is known so already.
pub fn found_unread(document: &Document, file: Unread) -> Option<Edit> {
    let known = document.unread.iter().position(|u| u.path == file.path);
    if known.is_some_and(|i| document.unread[i] == file) {
        return None;
    }
    let mut all = document.unread.clone();
    match known {
        Some(i) => all[i] = file,
        None => all.push(file),
    }
    Some(Edit::SetUnread(all))
}

/// The edit that enters which files could not be read after a survey: those it met, and those known from
/// before that it did not look at (`whole`: it looked at all of the session's folder) and that are there
/// still. None where nothing changes.
pub fn settle_unread(session_path: &Path, document: &Document, set: &SetSurvey, whole: bool) -> Option<Edit> {
    let failed: Vec<Unread> = set.failed.iter().map(|(p, e)| unread(session_path, p, e)).collect();
    let looked_at = |u: &Unread| (whole && u.path.is_relative()) || failed.iter().any(|f| f.path == u.path);
    let left = |u: &&Unread| !looked_at(u) && is_there(session_path, u);
    let mut all: Vec<Unread> = document.unread.iter().filter(left).cloned().collect();
    all.extend(failed);
    all.sort_by(|a, b| a.path.cmp(&b.path));
    (all != document.unread).then_some(Edit::SetUnread(all))
}

/// Whether a file that could not be read is still there, as far as its name can tell.
pub fn is_there(session_path: &Path, file: &Unread) -> bool {
    let lossy = file.path.to_string_lossy().contains(char::REPLACEMENT_CHARACTER);
    lossy || store::source_path(session_path, &file.path).exists()
}

/// A found take as the document keeps it. Its id is given when it is entered.
fn take(source: SourceId, t: &FoundTake) -> Take {
    Take {
        id: TakeId(0),
        source,
        span: t.span.span,
        onset: t.span.onset,
        sounds: t.sounds,
        f0: t.f0,
        cents: t.cents,
        movement: t.movement,
        level: t.level,
        snr: t.snr,
        named: t.named,
        note: t.note,
        layer: t.layer,
        state: TakeState::New,
        concerns: t.concerns.clone(),
        recipe: None,
    }
}

/// Decodes and analyses takes, one pass a source, and hands each on as soon as it is there.
///
/// `each` runs on worker threads. Errors: only `Cancelled`; a take that fails is handed on as an
/// error.
pub fn analyse_takes(
    session_path: &Path,
    document: &Document,
    takes: &[TakeId],
    rooms: &Rooms,
    job: &Job,
    each: &(dyn Fn(&Take, Result<Analysed>) + Sync),
) -> Result<()> {
    let mut by_source: BTreeMap<SourceId, Vec<&Take>> = BTreeMap::new();
    for id in takes {
        if let Some(take) = document.take(*id) {
            by_source.entry(take.source).or_default().push(take);
        }
    }
    let groups: Vec<_> = by_source.into_iter().collect();
    groups.par_iter().try_for_each(|(source, takes)| {
        let Some(source) = document.source(*source) else { return Ok(()) };
        let room = rooms.of(session_path, document, source, job);
        job.check()?;
        let in_room = |take: &Take, a: Result<Analysed>| {
            each(take, a.and_then(|a| Ok(a.in_room(room.clone()?))));
        };
        analyse_source(session_path, source, takes, job, &in_room)
    })
}

fn analyse_source(
    session_path: &Path,
    source: &Source,
    takes: &[&Take],
    job: &Job,
    each: &dyn Fn(&Take, Result<Analysed>),
) -> Result<()> {
    let ranges: Vec<FrameRange> = takes.iter().map(|t| chain::clip_range(t, source)).collect();
    let mut handed = vec![false; takes.len()];
    let path = store::source_path(session_path, &source.path);
    let go_on = || !job.cancel.is_cancelled();
    let result = decode::decode_ranges_while(&path, &ranges, &go_on, &mut |i, clip| {
        handed[i] = true;
        each(takes[i], chain::analyse_while(clip, takes[i].span, &go_on));
        go_on()
    });
    job.check()?;
    let left = || takes.iter().zip(&handed).filter(|(_, done)| !**done).map(|(t, _)| *t);
    for take in left() {
        let error = result.as_ref().err().cloned().unwrap_or_else(|| {
            Error::new(
                ErrorKind::Decode,
                format!("{} ends before this take; survey again", source.path.display()),
            )
        });
        each(take, Err(error));
    }
    Ok(())
}

/// Proposes recipes for `takes`, several at once; `report` gets each as soon as it is there.
/// Errors: only `Cancelled`.
pub fn propose_takes(
    session_path: &Path,
    document: &Document,
    takes: &[TakeId],
    job: &Job,
    report: &(dyn Fn(TakeId, Result<Proposal>) + Sync),
) -> Result<()> {
    job.begin("propose", takes.len() as u64);
    let rooms = Rooms::default();
    analyse_takes(session_path, document, takes, &rooms, job, &|take, analysed| {
        let changed = || room_changed(session_path, document, take, &rooms, job);
        let result = analysed.and_then(|a| {
            let mut p = propose::propose(take, &a, &document.setup)?;
            p.concerns.extend(changed()?);
            p.concerns.sort_by_key(|c| c.kind);
            Ok(p)
        });
        report(take.id, result);
        job.advance(1);
    })
}

fn room_changed(
    session_path: &Path,
    document: &Document,
    take: &Take,
    rooms: &Rooms,
    job: &Job,
) -> Result<Option<Concern>> {
    let Some(source) = document.source(take.source) else { return Ok(None) };
    let by = rooms.changed(session_path, document, source, job)?;
    Ok(by.map(|db| {
        let text = format!(
            "the room in this file differs by {db:.1} dB from the one that the set is cleaned of or shares; listen, and learn its room from its own room tone"
        );
        Concern::new(ConcernKind::RoomChanged, text)
    }))
}

/// The takes that `propose` fills by itself: those nobody has decided about.
pub fn to_propose(document: &Document) -> Vec<TakeId> {
    document.takes.iter().filter(|t| t.state == TakeState::New).map(|t| t.id).collect()
}

/// The edit that accepts every proposed take that passes at `score`; none when there is none.
pub fn accept_passing(document: &Document, score: f64) -> Option<Edit> {
    let edits: Vec<Edit> = document
        .takes
        .iter()
        .filter(|t| propose::passes(t, score))
        .map(|t| Edit::SetState { take: t.id, state: TakeState::Accepted })
        .collect();
    (!edits.is_empty()).then_some(Edit::Many(edits))
}
