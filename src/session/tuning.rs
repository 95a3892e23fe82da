//! Changes of tuning over one or many takes, as named edits: each is one step of the undo history.
//!
//! Pure: a document in, an [`Edit`] with its name out. Takes without a recipe are passed by.

use super::document::Document;
use super::edit::Edit;
use super::recipe::TuneRecipe;
use super::take::{Take, TakeId};
use crate::error::{Error, ErrorKind, Result};
use crate::units::MidiNote;

/// An edit and the name of its step.
#[derive(Debug, Clone, PartialEq)]
pub struct NamedEdit {
    /// What undo calls it.
    pub label: String,
    /// What it does.
    pub edit: Edit,
}

/// Which part of a tuning is copied. The target stays each take's own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Copied {
    /// How much of centre, drift and vibrato is taken out.
    Strengths,
    /// Where it is taken out.
    Curve,
    /// Both.
    Both,
}

/// Strengths to set, 0 to 1; none: left as they are.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Strengths {
    /// Of the centre.
    pub centre: Option<f64>,
    /// Of the drift.
    pub drift: Option<f64>,
    /// Of the vibrato.
    pub vibrato: Option<f64>,
}

impl Strengths {
    /// One strength for drift and vibrato; the centre is left as it is.
    pub fn flattening(strength: f64) -> Self {
        Self { centre: None, drift: Some(strength), vibrato: Some(strength) }
    }
}

/// The other takes of a take's note, in every layer, as they stand in the document.
pub fn others_of_note(d: &Document, take: TakeId) -> Vec<TakeId> {
    others(d, take, |a, b| a.note.is_some() && a.note == b.note)
}

/// The other takes of a take's layer, of every note, as they stand in the document.
pub fn others_of_layer(d: &Document, take: TakeId) -> Vec<TakeId> {
    others(d, take, |a, b| a.note.is_some() && b.note.is_some() && a.layer == b.layer)
}

fn others(d: &Document, take: TakeId, alike: impl Fn(&Take, &Take) -> bool) -> Vec<TakeId> {
    let Some(one) = d.take(take) else { return Vec::new() };
    d.takes.iter().filter(|t| t.id != take && alike(one, t)).map(|t| t.id).collect()
}

/// Copies strengths or curve of `from` to the takes `to`. Errors: `Nothing` where `from` has no
/// recipe or none of `to` has one.
pub fn copy_tuning(d: &Document, from: TakeId, to: &[TakeId], what: Copied) -> Result<NamedEdit> {
    let source = tune_of(d, from)?.clone();
    let name = match what {
        Copied::Strengths => "Copy tuning strengths",
        Copied::Curve => "Copy strength curve",
        Copied::Both => "Copy tuning",
    };
    for_each(d, to, name, |t| {
        if what != Copied::Curve {
            (t.centre, t.drift, t.vibrato) = (source.centre, source.drift, source.vibrato);
        }
        if what != Copied::Strengths {
            t.curve.clone_from(&source.curve);
        }
    })
}

/// Sets strengths of the takes `takes` at once. Errors: `InvalidParameter` for a strength outside 0
/// to 1; `Nothing` where none of the takes has a recipe.
pub fn set_strengths(d: &Document, takes: &[TakeId], strengths: Strengths) -> Result<NamedEdit> {
    for value in [strengths.centre, strengths.drift, strengths.vibrato].into_iter().flatten() {
        if !(0.0..=1.0).contains(&value) {
            return Err(Error::invalid("strength", format!("{} %", value * 100.0), "0 to 100 %"));
        }
    }
    for_each(d, takes, "Set tuning strengths", |t| {
        t.centre = strengths.centre.unwrap_or(t.centre);
        t.drift = strengths.drift.unwrap_or(t.drift);
        t.vibrato = strengths.vibrato.unwrap_or(t.vibrato);
    })
}

/// Sets the target of one take; what sounds is brought there as a deviation of the whole, by as much
/// as the centre's strength says. Errors: `Nothing` where it has no recipe.
pub fn set_target(d: &Document, take: TakeId, target: MidiNote) -> Result<NamedEdit> {
    tune_of(d, take)?;
    for_each(d, &[take], "Set target note", |t| (t.target, t.moved) = (target, 0))
}

/// Leaves a wrong note on the note that it is: target and root key are what sounds. Errors:
/// `Nothing` where it has no recipe or it is not known what sounds.
pub fn keep_as_it_sounds(d: &Document, take: TakeId) -> Result<NamedEdit> {
    tune_of(d, take)?;
    let sounds = sounding(d, take)?;
    for_each(d, &[take], "Keep the note as it sounds", |t| (t.target, t.moved) = (sounds, 0))
}

/// Moves a wrong note to the note it is placed as, by whole semitones: target and root key are that
/// note. Errors: `Nothing` where it has no recipe, no note, or it is not known what sounds;
/// `InvalidParameter` for a move of more than an octave.
pub fn move_to_its_name(d: &Document, take: TakeId) -> Result<NamedEdit> {
    tune_of(d, take)?;
    let sounds = sounding(d, take)?;
    let name = d.take(take).and_then(|t| t.note).ok_or_else(|| {
        Error::new(ErrorKind::Nothing, "this take has no note yet; give it one before moving it there")
    })?;
    let steps = i16::from(name.0) - i16::from(sounds.0);
    let moved = i8::try_from(steps).ok().filter(|m| m.abs() <= 12).ok_or_else(|| {
        Error::invalid(
            "move",
            format!("{steps:+} semitones"),
            "up to an octave; check how the file names count octaves, or give the take another note",
        )
    })?;
    for_each(d, &[take], "Move the note to its name", |t| (t.target, t.moved) = (name, moved))
}

fn tune_of(d: &Document, take: TakeId) -> Result<&TuneRecipe> {
    d.take(take).and_then(|t| t.recipe.as_ref()).map(|r| &r.tune).ok_or_else(no_recipe)
}

fn no_recipe() -> Error {
    Error::new(ErrorKind::Nothing, "this take has no recipe yet; propose one first")
}

/// The note nearest to what sounds.
fn sounding(d: &Document, take: TakeId) -> Result<MidiNote> {
    let a4 = d.setup.a4;
    d.take(take).and_then(|t| t.f0.map(|f| f.nearest_note(a4).0).or(t.sounds)).ok_or_else(|| {
        Error::new(ErrorKind::Nothing, "it is not known which note this take sounds; set its target by hand")
    })
}

fn for_each(
    d: &Document,
    takes: &[TakeId],
    what: &str,
    change: impl Fn(&mut TuneRecipe),
) -> Result<NamedEdit> {
    let edits: Vec<Edit> = takes
        .iter()
        .filter_map(|id| {
            let mut tune = d.take(*id)?.recipe.as_ref()?.tune.clone();
            change(&mut tune);
            Some(Edit::SetTune { take: *id, tune })
        })
        .collect();
    let label = match edits.len() {
        0 => {
            return Err(Error::new(
                ErrorKind::Nothing,
                "none of these takes has a recipe yet; propose first",
            ));
        }
        1 => what.to_owned(),
        n => format!("{what} ({n} takes)"),
    };
    Ok(NamedEdit { label, edit: Edit::Many(edits) })
}
