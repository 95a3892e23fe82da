//! Decisions about takes and their places in the sheet, for one or many, as named edits: each is one
//! step of the undo history.
//!
//! Pure: a document in, an [`Edit`] with its name out. Takes that something cannot be done with are
//! passed by and counted.

use super::document::Document;
use super::edit::Edit;
use super::take::{Take, TakeId, TakeState};
use super::tuning::NamedEdit;
use crate::error::{Error, ErrorKind, Result};
use crate::units::MidiNote;

/// What is decided about takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Decision {
    /// They will be delivered.
    Accept,
    /// They will not.
    SetAside,
    /// Neither.
    Undecide,
}

/// An edit over several takes.
#[derive(Debug, Clone, PartialEq)]
pub struct Several {
    /// The edit; none: nothing changes.
    pub named: Option<NamedEdit>,
    /// How many takes it changes.
    pub changed: usize,
    /// How many takes it cannot be done with.
    pub passed_by: usize,
}

impl Several {
    fn of(edits: Vec<Edit>, passed_by: usize, label: impl FnOnce(usize) -> String) -> Self {
        let changed = edits.len();
        let named = (changed > 0).then(|| NamedEdit { label: label(changed), edit: Edit::Many(edits) });
        Self { named, changed, passed_by }
    }
}

/// Decides about `takes`. Takes that stand so already are left as they are; those without a recipe
/// or a note cannot be accepted and are passed by.
pub fn decide(d: &Document, takes: &[TakeId], decision: Decision) -> Several {
    let (mut edits, mut passed_by) = (Vec::new(), 0);
    for t in takes.iter().filter_map(|id| d.take(*id)) {
        let state = match decision {
            Decision::Accept => TakeState::Accepted,
            Decision::SetAside => TakeState::SetAside,
            Decision::Undecide if t.needs_a_look() => continue,
            Decision::Undecide => undecided(t),
        };
        if t.state == state {
            continue;
        }
        if decision == Decision::Accept && (t.recipe.is_none() || t.note.is_none()) {
            passed_by += 1;
            continue;
        }
        edits.push(Edit::SetState { take: t.id, state });
    }
    let only = match edits[..] {
        [Edit::SetState { take, .. }] => d.take(take).map(|t| d.name_of(t)),
        _ => None,
    };
    Several::of(edits, passed_by, |n| {
        let takes = only.unwrap_or_else(|| takes_of(n));
        match decision {
            Decision::Accept => format!("Accept {takes}"),
            Decision::SetAside => format!("Set aside {takes}"),
            Decision::Undecide => format!("Decide later about {takes}"),
        }
    })
}

/// The state of a take that nobody has decided about.
pub fn undecided(take: &Take) -> TakeState {
    if take.recipe.is_some() && take.note.is_some() { TakeState::Proposed } else { TakeState::New }
}

/// Gives `takes` another layer; those without a note have no place and are passed by.
pub fn give_layer(d: &Document, takes: &[TakeId], layer: u16) -> Several {
    place_all(d, takes, |t| Some((t.note?, layer)), |n| format!("Layer {} for {}", layer + 1, takes_of(n)))
}

/// Gives `takes` another note; each stays in its layer.
pub fn give_note(d: &Document, takes: &[TakeId], note: MidiNote) -> Several {
    let name = note.name(d.setup.middle_c);
    place_all(d, takes, |t| Some((note, t.layer)), |n| format!("{name} for {}", takes_of(n)))
}

fn place_all(
    d: &Document,
    takes: &[TakeId],
    to: impl Fn(&Take) -> Option<(MidiNote, u16)>,
    label: impl FnOnce(usize) -> String,
) -> Several {
    let (mut edits, mut passed_by) = (Vec::new(), 0);
    for t in takes.iter().filter_map(|id| d.take(*id)) {
        match to(t) {
            None => passed_by += 1,
            Some((note, layer)) if (Some(note), layer) == (t.note, t.layer) => {}
            Some((note, layer)) => edits.push(Edit::Place { take: t.id, note, layer }),
        }
    }
    Several::of(edits, passed_by, label)
}

/// Moves one take to a place of the sheet; whoever is there stays there too.
pub fn move_to(d: &Document, take: TakeId, (note, layer): (MidiNote, u16)) -> NamedEdit {
    let from = d.take(take).map_or_else(String::new, |t| format!(" {}", d.name_of(t)));
    let label = format!("Move{from} to {}", d.name_of_place(note, layer));
    NamedEdit { label, edit: Edit::Place { take, note, layer } }
}

/// Moves several takes by as many rows and layers as brings `lead` to a place; `rows`: the notes of the
/// sheet, upwards. Those without a note have no place to move from and are passed by, so are those that
/// would leave the sheet's rows.
pub fn move_all(
    d: &Document,
    takes: &[TakeId],
    lead: TakeId,
    (note, layer): (MidiNote, u16),
    rows: &[MidiNote],
) -> Several {
    let row = |n: MidiNote| rows.iter().position(|r| *r == n).map(|i| i as i64);
    let by =
        d.take(lead).and_then(|t| Some((row(note)? - row(t.note?)?, i64::from(layer) - i64::from(t.layer))));
    let to = |t: &Take| {
        let (down, across) = by?;
        let row = usize::try_from(row(t.note?)? + down).ok()?;
        let layer = u16::try_from(i64::from(t.layer) + across).ok()?;
        Some((*rows.get(row)?, layer))
    };
    let place = d.name_of_place(note, layer);
    place_all(d, takes, to, |n| format!("Move {}, the first to {place}", takes_of(n)))
}

/// The takes that claim the place of `take` (itself among them), as they stand in the document.
pub fn claims(d: &Document, take: TakeId) -> Vec<TakeId> {
    let Some(one) = d.take(take).filter(|t| t.note.is_some()) else { return Vec::new() };
    let here = |t: &Take| (t.note, t.layer) == (one.note, one.layer);
    d.takes.iter().filter(|t| here(t)).map(|t| t.id).collect()
}

/// Keeps `take` of the several that claim its place: it is accepted, so that it is what is delivered there
/// (without a recipe it cannot be, and is only taken back if it was set aside), and the others are set
/// aside. Errors: `Nothing` where it is the only one, or kept already.
pub fn keep(d: &Document, take: TakeId) -> Result<NamedEdit> {
    let claims = claims(d, take);
    if claims.len() < 2 {
        return Err(Error::new(
            ErrorKind::Nothing,
            "this take is the only one for its note and layer; there is nothing to choose between",
        ));
    }
    let mut edits = Vec::new();
    for t in claims.iter().filter_map(|id| d.take(*id)) {
        if t.id != take && t.state != TakeState::SetAside {
            edits.push(Edit::SetState { take: t.id, state: TakeState::SetAside });
        } else if t.id == take {
            let state = match t.state {
                _ if t.recipe.is_some() => TakeState::Accepted,
                TakeState::SetAside => undecided(t),
                state => state,
            };
            if t.state != state {
                edits.push(Edit::SetState { take, state });
            }
        }
    }
    if edits.is_empty() {
        return Err(Error::new(
            ErrorKind::Nothing,
            "this take is kept already: the others for its note and layer are set aside",
        ));
    }
    let place = d.take(take).map_or_else(String::new, |t| d.name_of(t));
    let label = format!("Keep one of {} for {place}", takes_of(claims.len()));
    Ok(NamedEdit { label, edit: Edit::Many(edits) })
}

fn takes_of(n: usize) -> String {
    if n == 1 { "1 take".into() } else { format!("{n} takes") }
}
