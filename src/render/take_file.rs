//! One take to its file.

use std::path::Path;

use super::batch::Run;
use super::chain::{self, Rendered};
use super::level::{self, Loudness};
use super::manifest::{Entry, Facts, hash_of};
use super::mapping::Region;
use super::plan::Plan;
use super::room::{self, Levels, Rooms, Stretches};
use super::shape::{self, Shaped};
use crate::audio::{AudioBuf, Clip};
use crate::dsp::looping;
use crate::dsp::tune::Deviation;
use crate::error::{Error, ErrorKind, Result};
use crate::io::form::{Cue, FileMarks, Zone};
use crate::io::riff::SourceMarks;
use crate::io::{PROGRAM, decode, hash, write_sound};
use crate::jobs::Job;
use crate::session::{Document, Recipe, Source, Take, store};
use crate::units::Decibels;

/// Points of the small wave in the report.
const WAVE_POINTS: usize = 240;

/// A take on its way to its file.
pub(super) struct Item<'a> {
    pub(super) take: &'a Take,
    pub(super) source: &'a Source,
    /// Its path below the folder.
    pub(super) name: &'a str,
    pub(super) region: Option<Region>,
    /// The delivery's gain.
    pub(super) gain: Decibels,
    /// The loudness that the gain was worked out from.
    pub(super) heard: Option<Loudness>,
}

/// The takes of a plan.
pub(super) fn items<'a>(document: &'a Document, plan: &'a Plan) -> Result<Vec<Item<'a>>> {
    plan.names
        .iter()
        .map(|n| {
            let (take, source) = document
                .take_and_source(n.take)
                .ok_or_else(|| Error::new(ErrorKind::Internal, format!("take {} has no source", n.take.0)))?;
            let region = plan.map.region(take.id).copied();
            Ok(Item { take, source, name: &n.path, region, gain: Decibels(0.0), heard: None })
        })
        .collect()
}

impl Item<'_> {
    fn recipe(&self, document: &Document, gain: Decibels) -> Result<Recipe> {
        shape::recipe_for(document, self.take, self.source, gain)
            .ok_or_else(|| Error::new(ErrorKind::Nothing, "this take has no recipe; propose one first"))
    }

    /// The same without what no file tells of.
    fn delivered_recipe(&self, document: &Document, gain: Decibels) -> Result<Recipe> {
        Ok(self.recipe(document, gain)?.sounding())
    }

    /// Hash of what decides the sound but for the delivery's gain.
    pub(super) fn sound(&self, document: &Document) -> Result<String> {
        let s = &document.setup;
        hash_of(&(
            PROGRAM,
            &self.source.hash,
            self.take.span,
            self.delivered_recipe(document, Decibels(0.0))?,
            self.room(document),
            (s.a4, s.delivery_rate, s.delivery.pre_roll, s.delivery.tail),
        ))
    }

    /// Hash of everything that decides the file's bytes.
    pub(super) fn from(&self, document: &Document) -> Result<String> {
        hash_of(&(
            PROGRAM,
            &self.source.hash,
            self.take.span,
            self.delivered_recipe(document, self.gain)?,
            self.room(document),
            self.setup_hash(document)?,
            self.name,
        ))
    }

    /// What the room is learned from that it is cleaned of.
    fn room(&self, document: &Document) -> Option<Stretches> {
        let cleaned = self.take.recipe.as_ref().is_some_and(|r| r.clean.is_on());
        cleaned.then(|| room::stretches_for(document, self.source)).flatten()
    }

    /// Hash of the settings that matter for it.
    fn setup_hash(&self, document: &Document) -> Result<String> {
        let (s, d) = (&document.setup, &document.setup.delivery);
        let zone = self.region.map(|r| (r.keys, r.velocities));
        hash_of(&(s.a4, s.delivery_rate, &s.title, d.form, d.pre_roll, d.tail, &d.texts, zone))
    }

    /// The name without folder and ending.
    fn stem(&self) -> &str {
        let file = self.name.rsplit('/').next().unwrap_or(self.name);
        file.rsplit_once('.').map_or(file, |(stem, _)| stem)
    }
}

/// The stretch of a source that a take needs.
pub fn decode_take(source_path: &Path, take: &Take, source: &Source, job: &Job) -> Result<Clip> {
    let range = chain::clip_range(take, source);
    let mut found = None;
    decode::decode_ranges_while(source_path, &[range], &|| !job.cancel.is_cancelled(), &mut |_, clip| {
        found = Some(clip);
        true
    })?;
    job.check()?;
    found.ok_or_else(|| {
        Error::new(
            ErrorKind::Decode,
            format!("{} ends before this take; survey again", source.path.display()),
        )
    })
}

/// Decodes, analyses, cleans, renders and shapes one take: what is held in memory is one take a worker.
/// With the room's level before and after, where it is known.
pub(super) fn render_item(
    session_path: &Path,
    document: &Document,
    item: &Item<'_>,
    rooms: &Rooms,
    job: &Job,
) -> Result<(Rendered, Shaped, Option<Levels>)> {
    let source_path = store::source_path(session_path, &item.source.path);
    let recipe = item.recipe(document, item.gain)?;
    let clip = decode_take(&source_path, item.take, item.source, job)?;
    let room = match item.room(document) {
        Some(stretches) => rooms.learned(session_path, &stretches, job)?,
        None => None,
    };
    let go_on = || !job.cancel.is_cancelled();
    let analysed = chain::analyse_while(clip, item.take.span, &go_on)?.in_room(room);
    job.check()?;
    let (a4, rate) = (document.setup.a4, document.setup.delivery_rate);
    let rendered = chain::render_while(&analysed, &recipe, a4, rate, &go_on)?;
    job.check()?;
    let shaped = shape::shaped(&rendered, &document.setup.delivery)?;
    let levels = match &analysed.room {
        Some(room) => Some(room.levels(&recipe.clean.params(), &go_on)?),
        // Nothing is cleaned: what was found is what is left.
        None => item.source.room_tone.map(|r| Levels { before: r.level, after: r.level }),
    };
    Ok((rendered, shaped, levels))
}

/// Writes one take's file and gives its entry for the manifest.
pub(super) fn write(run: &Run<'_>, item: &Item<'_>) -> Result<Entry> {
    let (rendered, shaped, room) = render_item(run.session_path, run.document, item, &run.rooms, run.job)?;
    let form = run.document.setup.delivery.form;
    let peak = shaped.audio.peak();
    if peak > 1.0 && !form.is_float() {
        let over = Decibels::of_amplitude(f64::from(peak)).0;
        return Err(Error::invalid(
            "the peak level",
            format!("{over:.1} dB over full scale"),
            &format!(
                "at most 0 dB; lower this take's gain by at least {over:.1} dB, or let the delivery set the levels"
            ),
        ));
    }
    run.job.check()?;
    let path = run.folder.join(item.name);
    if let Some(parent) = path.parent().filter(|p| *p != run.folder) {
        std::fs::create_dir_all(parent).map_err(|e| Error::io("make", parent, &e))?;
    }
    let facts = facts(run, item, &rendered, &shaped, room)?;
    run.job.check()?;
    let go_on = || !run.job.cancel.is_cancelled();
    write_sound(&path, &shaped.audio, form, &marks(run.document, item, &rendered, &shaped), &go_on)?;
    let (_, is) = hash::hash_file(&path, &|| true)?;
    Ok(Entry {
        from: item.from(run.document)?,
        is,
        source: item.source.hash.clone(),
        recipe: hash_of(&item.delivered_recipe(run.document, item.gain)?)?,
        setup: item.setup_hash(run.document)?,
        program: PROGRAM.into(),
        facts: Some(facts),
    })
}

fn marks(document: &Document, item: &Item<'_>, r: &Rendered, s: &Shaped) -> FileMarks {
    let t = &document.setup.delivery.texts;
    let texts = [
        ("INAM", item.stem()),
        ("ISFT", PROGRAM),
        ("IPRD", document.setup.title.as_str()),
        ("IART", t.artist.as_str()),
        ("ICOP", t.copyright.as_str()),
        ("ICMT", t.comment.as_str()),
        ("ICRD", t.date.as_str()),
    ];
    let cue = |frame: u64, name: &str| Cue { frame, name: name.into() };
    let mut cues = vec![cue(s.onset.0, "onset")];
    if let Some(l) = s.looping {
        cues.extend([cue(l.start.0, "loop start"), cue(l.end.0, "loop end")]);
    }
    FileMarks {
        sound: SourceMarks {
            root: Some(r.root),
            fine_tune: r.fine_tune,
            loops: s.looping.into_iter().collect(),
            info: texts
                .into_iter()
                .filter(|(_, v)| !v.is_empty())
                .map(|(k, v)| (k.to_owned(), v.replace('\0', "")))
                .collect(),
        },
        cues,
        zone: item.region.map(|r| Zone { keys: r.keys, velocities: r.velocities }),
    }
}

fn facts(run: &Run<'_>, item: &Item<'_>, r: &Rendered, s: &Shaped, room: Option<Levels>) -> Result<Facts> {
    let loudness = level::loudness_while(&s.audio, &|| !run.job.cancel.is_cancelled())?;
    run.job.check()?;
    // A loop that is too short to be judged is told by the check; it is no reason not to deliver.
    let audit = s.looping.and_then(|l| looping::audit(&s.audio, l).ok());
    let own_gain = item.take.recipe.as_ref().map_or(0.0, |r| r.level.gain.0);
    let centre = r.before.as_ref().map(|d: &Deviation| d.centre);
    Ok(Facts {
        sound: item.sound(run.document)?,
        root: r.root.0,
        fine_tune: r.fine_tune.0,
        rate: s.audio.rate().hz(),
        channels: s.audio.channel_count() as u16,
        frames: s.audio.frames().0,
        onset: s.onset.0,
        looping: s.looping.map(|l| (l.start.0, l.end.0)),
        pitch: centre.zip(r.rms_cents).map(|(c, (before, after))| (c, before, after)),
        gain: (own_gain, item.gain.0),
        heard: item.heard.map(|l| (l.lufs, l.true_peak.0)),
        lufs: loudness.lufs,
        true_peak: loudness.true_peak.0,
        audibility: audit.map(|a| a.audibility),
        audit: audit.and_then(|a| serde_json::to_value(a).ok()),
        room: room.map(|l| (l.before.0, l.after.0)),
        wave: small_wave(&s.audio),
    })
}

/// Lowest and highest sample of equal stretches, over all channels.
fn small_wave(audio: &AudioBuf) -> Vec<(i8, i8)> {
    let points = WAVE_POINTS.min(audio.len().max(1));
    let step = |v: f32| (v.clamp(-1.0, 1.0) * 127.0).round() as i8;
    (0..points)
        .map(|i| {
            let (from, to) = (i * audio.len() / points, (i + 1) * audio.len() / points);
            let (low, high) = audio
                .channels()
                .flat_map(|c| c[from..to].iter())
                .fold((0f32, 0f32), |(low, high), s| (low.min(*s), high.max(*s)));
            (step(low), step(high))
        })
        .collect()
}
