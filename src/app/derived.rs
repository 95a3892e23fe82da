//! Heavy results, kept by what they depend on; the old one stays until the new one is there.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

pub use super::deliver_state::DeliverDerived;
use crate::audio::{AudioBuf, level};
use crate::dsp::clean::{GainPicture, gain_picture};
use crate::dsp::looping::stack::Dip;
use crate::dsp::looping::{LoopParts, PairMap, SeamAudit};
use crate::dsp::peaks::{Column, Peaks};
use crate::dsp::tune::Deviation;
use crate::error::Result;
use crate::render::apart::SetApart;
use crate::render::batch::Delivery;
use crate::render::chain::{self, Analysed, Rendered};
use crate::render::loops::{Loopable, Loops, score_in};
use crate::render::room::Levels;
use crate::session::{Recipe, Source, SourceId, Take, TakeId};
use crate::units::{Decibels, FrameRange};

/// A long file that a survey works on.
#[derive(Debug, Clone)]
pub struct Listening {
    /// Which.
    pub path: PathBuf,
    /// Which part of the work on it is done, 0 to 1.
    pub done: f64,
    /// Its wave as far as it was read.
    pub wave: Option<Arc<[Column]>>,
}

/// Cells of the gain picture.
const PICTURE: (usize, usize) = (600, 108);
/// What was removed is raised to the take's level to be heard, by this at most, in dB.
const MOST_RAISED_DB: f64 = 40.0;

/// What follows from a take's source alone.
#[derive(Debug, Clone)]
pub struct FromSource {
    /// Decoded stretch and tracked pitch.
    pub analysed: Arc<Analysed>,
    /// The mean of the clip's channels, which the peaks belong to.
    pub mixed: Arc<[f32]>,
    /// Extremes of `mixed`.
    pub peaks: Arc<Peaks>,
}

/// What follows from source and recipe.
#[derive(Debug, Clone)]
pub struct FromRecipe {
    /// The recipe it was made with; the score of its loop is that of before it was made.
    pub recipe: Arc<Recipe>,
    /// The rendered take.
    pub rendered: Arc<Rendered>,
    /// The rendered take with its crossfade.
    pub finished: AudioBuf,
    /// The source read plainly over the same frames, for comparison.
    pub plain: AudioBuf,
    /// Deviation of the rendered take from its target, by the tracker.
    pub after: Option<Arc<Deviation>>,
    /// What cleaning did; none: nothing was cleaned.
    pub cleaning: Option<Arc<CleaningMade>>,
    /// What its loop measures when it goes round; none where there is none.
    pub audit: Option<SeamAudit>,
    /// How well its loop joins, with the parts of that: judged in this very rendering.
    pub score: Option<(f64, LoopParts)>,
}

/// What cleaning did to a take.
#[derive(Debug, Clone)]
pub struct CleaningMade {
    /// What was removed, lined up with the rendered take and raised to be heard.
    pub removed: AudioBuf,
    /// By how many dB it was raised.
    pub raised_db: f64,
    /// Gain over time and frequency of the clip.
    pub picture: GainPicture,
    /// The room before and after.
    pub levels: Levels,
}

impl FromRecipe {
    /// How well the loop of `recipe` joins in what was made of it; none where there is none.
    pub fn judge(rendered: &Rendered, recipe: &Recipe) -> Option<(f64, LoopParts)> {
        let (l, f0) = (rendered.looping?, rendered.f0?);
        score_in(rendered, f0, l.range, l.crossfade, recipe.looping?.even)
    }
}

impl CleaningMade {
    /// What `recipe` cleaned of a take, of which it made `r`; none where nothing was cleaned.
    pub fn of(a: &Analysed, r: &Rendered, recipe: &Recipe, go_on: &dyn Fn() -> bool) -> Result<Option<Self>> {
        let (Some(cleaned), Some(room)) = (&r.cleaned, &a.room) else { return Ok(None) };
        let Some(taken) = chain::removed(r, recipe)? else { return Ok(None) };
        let raised_db = raised_db(&r.audio, &taken);
        Ok(Some(Self {
            removed: taken.scaled(Decibels(raised_db).gain() as f32)?,
            raised_db,
            picture: gain_picture(&a.clip.audio, &cleaned.audio, PICTURE.0, PICTURE.1)?,
            levels: room.levels(&recipe.clean.params(), go_on)?,
        }))
    }
}

/// What brings `removed` to the level of the take, but never over the take's own peak.
fn raised_db(take: &AudioBuf, removed: &AudioBuf) -> f64 {
    let rms = |a: &AudioBuf| Decibels::of_amplitude(a.channels().map(level::rms).fold(0.0, f64::max)).0;
    let peak = |a: &AudioBuf| Decibels::of_amplitude(f64::from(a.peak())).0;
    (rms(take) - rms(removed)).min(peak(take) - peak(removed)).clamp(0.0, MOST_RAISED_DB)
}

/// Every start against every end of a take, and the take without a loop that it was made of.
#[derive(Debug, Clone)]
pub struct LoopMap {
    /// The take without a loop.
    pub on: Loopable,
    /// The map, in rendered frames of `on`.
    pub map: PairMap,
}

impl LoopMap {
    /// Cells to each side of a map.
    pub const CELLS: usize = 96;

    /// The map of a take. Errors: as [`Loopable::map`].
    pub fn of(on: Loopable) -> crate::error::Result<Self> {
        Ok(Self { map: on.map(Self::CELLS)?, on })
    }
}

/// The derived data of one take.
#[derive(Debug, Clone, Default)]
pub struct TakeDerived {
    /// From the source.
    pub source: Option<FromSource>,
    /// From source and recipe; may belong to an older recipe while `updating`.
    pub recipe: Option<FromRecipe>,
    /// Breaths and dips inside its loop, and the recipe of the rendering they were found in.
    pub dips: Option<(Arc<Recipe>, Arc<Vec<Dip>>)>,
    /// Loops to choose from, best first.
    pub loops: Option<Arc<Loops>>,
    /// Every start against every end; may be of an older trim or tuning.
    pub loop_map: Option<Arc<LoopMap>>,
    /// A newer result is being made.
    pub updating: bool,
    /// Why there is none.
    pub failed: Option<String>,
}

/// Derived data of all takes that were looked at lately.
#[derive(Debug, Default)]
pub struct Derived {
    takes: HashMap<TakeId, TakeDerived>,
    thumbs: HashMap<TakeId, (FrameRange, Arc<[Column]>)>,
    /// With the hash of the file, and whether all of it was read.
    files: HashMap<SourceId, (String, Arc<[Column]>, bool)>,
    listening: Vec<Listening>,
    delivery: Option<Arc<Delivery>>,
    deliver: DeliverDerived,
    apart: Option<Arc<SetApart>>,
    /// What loops measured, with the recipe they measured it in; kept for all takes: it is small.
    audits: HashMap<TakeId, (Arc<Recipe>, SeamAudit)>,
}

impl Derived {
    /// What is known of a take.
    pub fn of(&self, take: TakeId) -> Option<&TakeDerived> {
        self.takes.get(&take)
    }

    /// The entry of a take, made if missing.
    pub fn entry(&mut self, take: TakeId) -> &mut TakeDerived {
        self.takes.entry(take).or_default()
    }

    /// The small wave of a take, if it was drawn for the span the take has now.
    pub fn thumb(&self, take: &Take) -> Option<&Arc<[Column]>> {
        self.thumbs.get(&take.id).filter(|(span, _)| *span == take.span).map(|(_, columns)| columns)
    }

    /// Keeps the small wave of a take, drawn for `span`.
    pub fn set_thumb(&mut self, take: TakeId, span: FrameRange, columns: Arc<[Column]>) {
        self.thumbs.insert(take, (span, columns));
    }

    /// Forgets the small waves of takes whose file is not what it was.
    pub fn forget_thumbs(&mut self, takes: &[TakeId]) {
        takes.iter().for_each(|id| drop(self.thumbs.remove(id)));
    }

    /// The wave of a whole file, in equal parts, as far as it was read for what the file is now.
    pub fn file_wave(&self, source: &Source) -> Option<&Arc<[Column]>> {
        self.files.get(&source.id).filter(|(hash, ..)| *hash == source.hash).map(|(_, columns, _)| columns)
    }

    /// Whether the wave of a whole file is there to its end.
    pub fn has_file_wave(&self, source: &Source) -> bool {
        self.files.get(&source.id).is_some_and(|(hash, _, whole)| *whole && *hash == source.hash)
    }

    /// Files that are being listened through: how far, and the wave as far as it was read.
    pub fn listening(&self) -> &[Listening] {
        &self.listening
    }

    /// Keeps how far a file has come.
    pub fn hear(&mut self, path: PathBuf, done: f64, wave: Option<Arc<[Column]>>) {
        match self.listening.iter_mut().find(|l| l.path == path) {
            Some(known) => {
                known.done = done;
                known.wave = wave.or(known.wave.take());
            }
            None => self.listening.push(Listening { path, done, wave }),
        }
    }

    /// A file was listened through; none: all.
    pub fn heard(&mut self, path: Option<&Path>) {
        self.listening.retain(|l| path.is_some_and(|p| p != l.path));
    }

    /// Keeps the wave of a whole file of this hash; `whole`: it was read to its end.
    pub fn set_file_wave(&mut self, source: SourceId, hash: String, columns: Arc<[Column]>, whole: bool) {
        self.files.insert(source, (hash, columns, whole));
    }

    /// What a take's loop measures when it goes round, as far as that is known of its present recipe.
    pub fn audit(&self, take: &Take) -> Option<SeamAudit> {
        let (recipe, audit) = self.audits.get(&take.id)?;
        take.recipe.as_ref().is_some_and(|r| r.sounds_as(recipe)).then_some(*audit)
    }

    /// Keeps what the loop of a recipe measures.
    pub fn set_audit(&mut self, take: TakeId, recipe: Arc<Recipe>, audit: SeamAudit) {
        self.audits.insert(take, (recipe, audit));
    }

    /// What the last delivery did.
    pub fn delivery(&self) -> Option<&Arc<Delivery>> {
        self.delivery.as_ref()
    }

    /// Keeps (or forgets) what the last delivery did.
    pub fn set_delivery(&mut self, delivery: Option<Arc<Delivery>>) {
        self.delivery = delivery;
    }

    /// What the deliver room knows beyond the document.
    pub fn deliver(&self) -> &DeliverDerived {
        &self.deliver
    }

    /// The same, to be changed.
    pub fn deliver_mut(&mut self) -> &mut DeliverDerived {
        &mut self.deliver
    }

    /// What was chosen last so that loops stay apart.
    pub fn apart(&self) -> Option<&Arc<SetApart>> {
        self.apart.as_ref()
    }

    /// Keeps (or forgets) what was chosen last so that loops stay apart.
    pub fn set_apart(&mut self, apart: Option<Arc<SetApart>>) {
        self.apart = apart;
    }

    /// Forgets all takes but those that `keep` names (memory stays bounded).
    pub fn keep_only(&mut self, keep: impl Fn(TakeId) -> bool) {
        self.takes.retain(|id, _| keep(*id));
    }
}
