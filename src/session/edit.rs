//! Every way the user can change a document, as data.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::cleaning::CleanRecipe;
use super::document::{Document, Setup};
use super::recipe::{LevelRecipe, LoopRecipe, Recipe, TrimRecipe, TuneRecipe};
use super::stack::StackSetup;
use super::take::{Concern, ConcernKind, Source, SourceId, Take, TakeId, TakeState, Unread, Unsettled};
use crate::error::{Error, ErrorKind, Result};
use crate::units::{FrameRange, MiddleC, MidiNote};

/// One change. Applying it gives a new document or an error; never half of one.
#[derive(Debug, Clone, PartialEq)]
pub enum Edit {
    /// Adds files and what was found in them. A source whose path is there already is replaced,
    /// and those of its takes that overlap a new one keep id, state, place and recipe.
    AddFound {
        /// The files; their ids only tie `takes` to them.
        sources: Vec<Source>,
        /// What was found in them; ids are given anew.
        takes: Vec<Take>,
    },
    /// Replaces a take's concerns (by a fresh look at the whole sheet).
    SetConcerns {
        /// Which take.
        take: TakeId,
        /// Its concerns now.
        concerns: Vec<Concern>,
    },
    /// Says of all takes of a source that it is not what it was, or that it is again.
    MarkSource {
        /// Which source.
        source: SourceId,
        /// What is wrong with it, in a sentence; none: nothing.
        changed: Option<String>,
    },
    /// Accepts, sets aside, or takes either back.
    SetState {
        /// Which take.
        take: TakeId,
        /// Its state now.
        state: TakeState,
    },
    /// Gives a take another note or layer.
    Place {
        /// Which take.
        take: TakeId,
        /// Its note now.
        note: MidiNote,
        /// Its layer now, from 0.
        layer: u16,
    },
    /// Gives a take the place that the whole set tells, where it still stands at the one that its file alone
    /// told; a fact, no step.
    SettlePlace {
        /// Which take.
        take: TakeId,
        /// Its note and layer by its file alone.
        from: (Option<MidiNote>, u16),
        /// Its note and layer by the whole set.
        to: (MidiNote, u16),
    },
    /// Sets or clears the whole recipe and the state that goes with it.
    Propose {
        /// Which take.
        take: TakeId,
        /// Its recipe now.
        recipe: Box<Recipe>,
        /// Its concerns now.
        concerns: Vec<Concern>,
    },
    /// Replaces one part of a recipe.
    SetTrim {
        /// Which take.
        take: TakeId,
        /// The part now.
        trim: TrimRecipe,
    },
    /// Replaces one part of a recipe.
    SetTune {
        /// Which take.
        take: TakeId,
        /// The part now.
        tune: TuneRecipe,
    },
    /// Replaces one part of a recipe.
    SetLoop {
        /// Which take.
        take: TakeId,
        /// The part now.
        looping: Option<LoopRecipe>,
    },
    /// Replaces one part of a recipe.
    SetLevel {
        /// Which take.
        take: TakeId,
        /// The part now.
        level: LevelRecipe,
    },
    /// Replaces one part of a recipe.
    SetClean {
        /// Which take.
        take: TakeId,
        /// The part now.
        clean: CleanRecipe,
    },
    /// Marks the room tone of a source by hand.
    MarkRoom {
        /// Which source.
        source: SourceId,
        /// The stretches in its frames; none: the one that was found counts.
        stretches: Vec<FrameRange>,
    },
    /// Replaces the settings of the set.
    SetSetup(Box<Setup>),
    /// Replaces the list of files that could not be read; a fact, no step.
    SetUnread(Vec<Unread>),
    /// Replaces the list of takes that stand where their file alone put them; a fact, no step.
    SetUnsettled(Vec<Unsettled>),
    /// Replaces how the layers of a note are listened to together; a fact, no step.
    SetStack(Box<StackSetup>),
    /// Several, as one.
    Many(Vec<Edit>),
}

impl Edit {
    /// The document with this change made.
    pub fn apply(&self, document: &Document) -> Result<Document> {
        let mut next = document.clone();
        self.apply_to(&mut next)?;
        Ok(next)
    }

    fn apply_to(&self, d: &mut Document) -> Result<()> {
        match self {
            Self::AddFound { sources, takes } => add_found(d, sources, takes),
            Self::SetConcerns { take, concerns } => take_mut(d, *take)?.concerns.clone_from(concerns),
            Self::MarkSource { source, changed } => mark_source(d, *source, changed.as_deref()),
            Self::SetState { take, state } => {
                set_state(take_mut(d, *take)?, *state)?;
                judge_cells(d);
            }
            Self::Place { take, note, layer } => {
                let middle_c = d.setup.middle_c;
                let t = take_mut(d, *take)?;
                let other = t.note != Some(*note);
                (t.note, t.layer) = (Some(*note), *layer);
                // Another layer does not change how it sounds.
                if let Some(r) = t.recipe.as_mut().filter(|_| other) {
                    (r.tune.target, r.tune.moved) = (*note, 0);
                }
                if other {
                    judge_note(t, middle_c, By::Hand);
                }
                judge_cells(d);
            }
            Self::SettlePlace { take, from, to } => settle_place(d, *take, *from, *to)?,
            Self::Propose { take, recipe, concerns } => {
                let t = take_mut(d, *take)?;
                t.recipe = Some((**recipe).clone());
                t.concerns.clone_from(concerns);
                t.state = TakeState::Proposed;
            }
            Self::SetTrim { take, trim } => recipe_mut(d, *take)?.trim = *trim,
            Self::SetTune { take, tune } => recipe_mut(d, *take)?.tune.clone_from(tune),
            Self::SetLoop { take, looping } => {
                recipe_mut(d, *take)?.looping = *looping;
                let asked = d.setup.accept_score;
                judge_loop(take_mut(d, *take)?, asked);
            }
            Self::SetLevel { take, level } => recipe_mut(d, *take)?.level = *level,
            Self::SetClean { take, clean } => recipe_mut(d, *take)?.clean.clone_from(clean),
            Self::MarkRoom { source, stretches } => {
                let s =
                    d.sources.iter_mut().find(|s| s.id == *source).map(Arc::make_mut).ok_or_else(|| {
                        Error::new(ErrorKind::Internal, format!("there is no source {}", source.0))
                    })?;
                s.room_marked.clone_from(stretches);
            }
            Self::SetSetup(setup) => d.setup = (**setup).clone(),
            Self::SetUnread(files) => d.unread.clone_from(files),
            Self::SetUnsettled(takes) => d.unsettled.clone_from(takes),
            Self::SetStack(stack) => d.stack = (**stack).clone(),
            Self::Many(edits) => {
                for e in edits {
                    e.apply_to(d)?;
                }
            }
        }
        Ok(())
    }
}

fn mark_source(d: &mut Document, source: SourceId, changed: Option<&str>) {
    for take in d.takes.iter_mut().filter(|t| t.source == source) {
        let marked = take.concerns.iter().any(|c| c.kind == ConcernKind::SourceChanged);
        if !marked && changed.is_none() {
            continue;
        }
        let take = Arc::make_mut(take);
        take.concerns.retain(|c| c.kind != ConcernKind::SourceChanged);
        if let Some(text) = changed {
            take.concerns.insert(0, Concern::new(ConcernKind::SourceChanged, text));
        }
    }
}

fn take_mut(d: &mut Document, id: TakeId) -> Result<&mut Take> {
    d.takes
        .iter_mut()
        .find(|t| t.id == id)
        .map(Arc::make_mut)
        .ok_or_else(|| Error::new(ErrorKind::Internal, format!("there is no take {}", id.0)))
}

fn recipe_mut(d: &mut Document, id: TakeId) -> Result<&mut Recipe> {
    take_mut(d, id)?
        .recipe
        .as_mut()
        .ok_or_else(|| Error::new(ErrorKind::Nothing, "this take has no recipe yet; propose one first"))
}

/// Says of a take whose loop scores less than was `asked` for, and only of such a one; that no loop was found
/// stays said while there is none.
fn judge_loop(take: &mut Take, asked: f64) {
    let Some(l) = take.recipe.as_ref().and_then(|r| r.looping) else { return };
    take.concerns.retain(|c| c.kind != ConcernKind::NoGoodLoop);
    if l.score < asked {
        let text = format!("the loop scores {:.0} of 100; {asked:.0} was asked for", l.score);
        take.concerns.push(Concern::new(ConcernKind::NoGoodLoop, text));
        take.concerns.sort_by_key(|c| c.kind);
    }
}

/// A recipe that was proposed meanwhile goes by what sounds, where something does: that stays.
fn settle_place(
    d: &mut Document,
    take: TakeId,
    from: (Option<MidiNote>, u16),
    (note, layer): (MidiNote, u16),
) -> Result<()> {
    let middle_c = d.setup.middle_c;
    let t = take_mut(d, take)?;
    // A recipe that the program proposed meanwhile is nobody's decision about the place.
    let open = matches!(t.state, TakeState::New | TakeState::Proposed);
    if !open || (t.note, t.layer) != from {
        return Ok(());
    }
    (t.note, t.layer) = (Some(note), layer);
    let silent = t.f0.is_none();
    if let Some(r) = t.recipe.as_mut().filter(|_| silent) {
        r.tune.target = note;
    }
    judge_note(t, middle_c, By::Survey);
    judge_cells(d);
    Ok(())
}

/// Who gave a take its note.
#[derive(Clone, Copy, PartialEq, Eq)]
enum By {
    /// The user.
    Hand,
    /// A look at the whole set.
    Survey,
}

/// A take that was given another note no longer has the concern that its file's name gave it; one
/// that was given a note of another pitch class than sounds has a new one. Whole octaves between what sounds
/// and what the file is called are left alone: they are a matter of how names count octaves. Elsewhere the
/// user has chosen that very octave, and is told.
fn judge_note(take: &mut Take, middle_c: MiddleC, by: By) {
    let (Some(note), Some(sounds)) = (take.note, take.sounds) else { return };
    take.concerns.retain(|c| c.kind != ConcernKind::WrongNote);
    let steps = i32::from(sounds.0) - i32::from(note.0);
    let as_named = take.named.and_then(|n| n.midi) == Some(note);
    if steps % 12 != 0 || (steps != 0 && by == By::Hand && !as_named) {
        let (note, sounds) = (note.name(middle_c), sounds.name(middle_c));
        let plural = if steps.abs() == 1 { "" } else { "s" };
        let text = format!("placed as {note}, sounds {sounds} ({steps:+} semitone{plural})");
        take.concerns.push(Concern::new(ConcernKind::WrongNote, text));
        take.concerns.sort_by_key(|c| c.kind);
    }
}

/// Two takes for one cell concern each other until one is moved or set aside.
fn judge_cells(d: &mut Document) {
    let claims = |t: &Take| {
        (t.state != TakeState::SetAside).then_some(())?;
        t.note.map(|n| (n, t.layer))
    };
    let mut count = BTreeMap::new();
    for cell in d.takes.iter().filter_map(|t| claims(t)) {
        *count.entry(cell).or_insert(0usize) += 1;
    }
    let middle_c = d.setup.middle_c;
    for take in &mut d.takes {
        let crowd = claims(take).filter(|cell| count[cell] > 1);
        let known = take.concerns.iter().any(|c| c.kind == ConcernKind::DuplicateCell);
        match crowd {
            None if known => {
                Arc::make_mut(take).concerns.retain(|c| c.kind != ConcernKind::DuplicateCell);
            }
            Some(cell) if !known => {
                let (note, layer) = (cell.0.name(middle_c), cell.1 + 1);
                let text = format!(
                    "{} takes claim {note} in layer {layer}; set all but one aside or move them",
                    count[&cell]
                );
                let concerns = &mut Arc::make_mut(take).concerns;
                concerns.push(Concern::new(ConcernKind::DuplicateCell, text));
                concerns.sort_by_key(|c| c.kind);
            }
            _ => {}
        }
    }
}

fn set_state(take: &mut Take, state: TakeState) -> Result<()> {
    let needs_recipe = matches!(state, TakeState::Proposed | TakeState::Accepted);
    if needs_recipe && take.recipe.is_none() {
        return Err(Error::new(
            ErrorKind::Nothing,
            "this take has no recipe yet; propose one before accepting it",
        ));
    }
    if needs_recipe && take.note.is_none() {
        return Err(Error::new(
            ErrorKind::Nothing,
            "this take has no note yet; give it one before accepting it",
        ));
    }
    if state == TakeState::Accepted {
        // Who accepts it has looked.
        take.concerns.retain(|c| c.kind != ConcernKind::WorkOutdated);
    }
    take.state = state;
    Ok(())
}

/// What was set for the old content of a file may not fit the new one: it has to be looked at again.
fn outdate(take: &mut Take) {
    if take.recipe.is_none() {
        return;
    }
    if take.state == TakeState::Accepted {
        take.state = TakeState::Proposed;
    }
    take.concerns.retain(|c| c.kind != ConcernKind::WorkOutdated);
    let text = "its file has changed since this take was worked on; look at its ends and its loop, then accept it, or propose it again";
    take.concerns.push(Concern::new(ConcernKind::WorkOutdated, text));
    take.concerns.sort_by_key(|c| c.kind);
}

/// What the user did to a take survives a new survey of its file.
fn add_found(d: &mut Document, sources: &[Source], takes: &[Take]) {
    let mut moved = false;
    for fresh in sources {
        let mut fresh = fresh.clone();
        let given_id = fresh.id;
        let old = d.sources.iter().position(|s| s.path == fresh.path);
        fresh.id = old.map_or_else(|| d.free_source_id(), |i| d.sources[i].id);
        let id = fresh.id;
        d.unread.retain(|u| u.path != fresh.path);
        // What the user marked survives, as far as the file still has it.
        if let Some(i) = old {
            fresh.room_marked.clone_from(&d.sources[i].room_marked);
            let frames = fresh.frames;
            fresh.room_marked.retain(|r| r.end.0 <= frames);
        }
        let changed = old.is_some_and(|i| d.sources[i].hash != fresh.hash);
        match old {
            Some(i) => d.sources[i] = Arc::new(fresh),
            None => d.sources.push(Arc::new(fresh)),
        }
        let (mut kept, others): (Vec<_>, Vec<_>) =
            std::mem::take(&mut d.takes).into_iter().partition(|t| t.source == id);
        d.takes = others;
        for t in takes.iter().filter(|t| t.source == given_id) {
            let mut t = t.clone();
            t.source = id;
            let twin = kept
                .iter()
                .position(|k| k.span.overlap(t.span).0 * 2 > k.span.count().0.min(t.span.count().0));
            if let Some(i) = twin {
                let k = kept.swap_remove(i);
                // What a proposal found out about a take, the survey does not look at.
                if k.recipe.is_some() {
                    t.concerns.extend(k.concerns.iter().filter(|c| c.kind.is_of_proposals()).cloned());
                    t.concerns.sort_by_key(|c| c.kind);
                }
                let other_place = (k.note, k.layer) != (t.note, t.layer);
                moved |= other_place;
                let by_hand = k.note != t.note;
                t = Take {
                    id: k.id,
                    state: k.state,
                    recipe: k.recipe.clone(),
                    note: k.note,
                    layer: k.layer,
                    ..t
                };
                // The survey speaks of the note that it would give it.
                if by_hand {
                    judge_note(&mut t, d.setup.middle_c, By::Hand);
                }
                if changed {
                    outdate(&mut t);
                }
            } else {
                let busy = d.takes.iter().chain(&kept).map(|t| t.id.0 + 1).max().unwrap_or(1);
                t.id = TakeId(busy);
            }
            d.takes.push(Arc::new(t));
        }
        // Takes that a new survey no longer finds stay when somebody worked on them.
        kept.retain(|k| k.state != TakeState::New);
        d.takes.extend(kept);
    }
    if moved {
        // Nor does it know which cells they claim where they stand.
        judge_cells(d);
    }
}
