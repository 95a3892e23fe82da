//! How a take is cleaned, where the room is learned from, and both as named edits over one or many
//! takes. Pure: a document in, an [`Edit`] with its name out.

use serde::{Deserialize, Serialize};

use super::document::{Document, Setup};
use super::edit::Edit;
use super::take::{SourceId, TakeId};
use super::tuning::NamedEdit;
use crate::dsp::clean::{CleanParams, ReductionCurve};
use crate::error::{Error, ErrorKind, Result};
use crate::units::FrameRange;

/// How a take is cleaned. The amount is 0 to 1 here, 0 to 100 % on screen and on the command line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct CleanRecipe {
    /// How much of the reduction; at 0 nothing is done and the source stays bit for bit.
    pub amount: f64,
    /// How deep the room is lowered at full amount, over frequency.
    pub curve: ReductionCurve,
    /// The room is never lowered by more than this, in dB.
    pub floor_db: f64,
    /// Whether steady hum is taken off at its lines.
    pub hum: bool,
    /// Whether the tracked pitch tells where partials may lie, so that soft ones are left.
    pub protect: bool,
    /// Corner of the high-pass in hertz; 0: none.
    pub high_pass_hz: f64,
    /// Whether the mean of each channel is taken off.
    pub remove_dc: bool,
    /// Proposals and changes of many takes leave these settings alone.
    pub own: bool,
}

impl Default for CleanRecipe {
    /// Nothing is cleaned; the rest as [`CleanParams`] has it.
    fn default() -> Self {
        let p = CleanParams::default();
        Self {
            amount: 0.0,
            curve: p.curve,
            floor_db: p.floor_db,
            hum: p.hum,
            protect: true,
            high_pass_hz: 0.0,
            remove_dc: p.remove_dc,
            own: false,
        }
    }
}

impl CleanRecipe {
    /// What a new set begins with. At full amount no take of the development set came out worse than
    /// it went in, at 40, 25 and 15 dB above the room, and takes without a room lost nothing above
    /// −49 dB re the note (`cargo bench --bench clean`): so it does no harm to begin with.
    pub fn full() -> Self {
        Self { amount: 1.0, ..Self::default() }
    }

    /// Whether anything is done at all.
    pub fn is_on(&self) -> bool {
        self.amount > 0.0
    }

    /// The parameters of the signal processing.
    pub fn params(&self) -> CleanParams {
        CleanParams {
            amount: self.amount,
            curve: self.curve.clone(),
            floor_db: self.floor_db,
            hum: self.hum,
            high_pass_hz: (self.high_pass_hz > 0.0).then_some(self.high_pass_hz),
            remove_dc: self.remove_dc,
        }
    }

    /// Whether both do the same to a sound.
    pub fn does_as(&self, other: &Self) -> bool {
        Self { own: other.own, ..self.clone() } == *other
    }
}

/// Where the room is learned from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RoomFrom {
    /// From each file's own room tone; where a file has none, from that of all the others.
    #[default]
    EachFile,
    /// From the room tone of all files together.
    Folder,
    /// From the room tone of this file, for all.
    File(SourceId),
}

/// Every other take of the document.
pub fn all_others(d: &Document, take: TakeId) -> Vec<TakeId> {
    d.takes.iter().filter(|t| t.id != take).map(|t| t.id).collect()
}

/// Gives the takes `to` the cleaning of `from`; those with settings of their own and those without a
/// recipe are passed by. Errors: `Nothing` where `from` has no recipe, or none of `to` takes it.
pub fn copy_cleaning(d: &Document, from: TakeId, to: &[TakeId]) -> Result<NamedEdit> {
    let source = clean_of(d, from)?;
    let edits = copies(d, source, to);
    if edits.is_empty() {
        return Err(Error::new(
            ErrorKind::Nothing,
            "none of these takes takes it: they have no recipe yet, or their cleaning is locked",
        ));
    }
    Ok(NamedEdit { label: label_for(edits.len()), edit: Edit::Many(edits) })
}

/// Makes the cleaning of `from` that of the set: every take without settings of its own gets it, and so
/// do later proposals. Errors: `Nothing` where `from` has no recipe.
pub fn clean_all_like(d: &Document, from: TakeId) -> Result<NamedEdit> {
    let source = clean_of(d, from)?;
    let mut edits = copies(d, source, &all_others(d, from));
    let label = label_for(edits.len());
    let clean = CleanRecipe { own: false, ..source.clone() };
    edits.push(Edit::SetSetup(Box::new(Setup { clean, ..d.setup.clone() })));
    Ok(NamedEdit { label, edit: Edit::Many(edits) })
}

fn label_for(takes: usize) -> String {
    match takes {
        1 => "Copy cleaning".into(),
        n => format!("Copy cleaning ({n} takes)"),
    }
}

fn copies(d: &Document, source: &CleanRecipe, to: &[TakeId]) -> Vec<Edit> {
    to.iter()
        .filter(|id| d.take(**id).and_then(|t| t.recipe.as_ref()).is_some_and(|r| !r.clean.own))
        .map(|id| Edit::SetClean { take: *id, clean: CleanRecipe { own: false, ..source.clone() } })
        .collect()
}

/// The takes whose cleaning is their own.
pub fn with_own_settings(d: &Document) -> Vec<TakeId> {
    d.takes.iter().filter(|t| t.recipe.as_ref().is_some_and(|r| r.clean.own)).map(|t| t.id).collect()
}

/// Marks the room tone of a file by hand (`stretches` inside the file, in its frames); with none the
/// one that was found counts again. Errors: `InvalidParameter` for a stretch that is empty or reaches
/// beyond the file.
pub fn mark_room(d: &Document, source: SourceId, stretches: Vec<FrameRange>) -> Result<NamedEdit> {
    let frames = d.source(source).map_or(0, |s| s.frames);
    if let Some(bad) = stretches.iter().find(|r| r.is_empty() || r.end.0 > frames) {
        return Err(Error::invalid(
            "the room tone",
            format!("frame {} to {}", bad.start.0, bad.end.0),
            &format!("at least one frame inside 0 to {frames}"),
        ));
    }
    let label = if stretches.is_empty() { "Use the room tone that was found" } else { "Mark room tone" };
    Ok(NamedEdit { label: label.into(), edit: Edit::MarkRoom { source, stretches } })
}

fn clean_of(d: &Document, take: TakeId) -> Result<&CleanRecipe> {
    d.take(take)
        .and_then(|t| t.recipe.as_ref())
        .map(|r| &r.clean)
        .ok_or_else(|| Error::new(ErrorKind::Nothing, "this take has no recipe yet; propose one first"))
}
