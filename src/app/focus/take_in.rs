//! What was made for the selected take, taken into the derived data.

use std::sync::Arc;

use super::{Focus, FocusEvent, Found, STOPPED};
use crate::app::derived::{Derived, FromRecipe, FromSource, TakeDerived};
use crate::dsp::tune::Deviation;
use crate::error::{Error, ErrorKind, Result};
use crate::render::chain::Rendered;
use crate::render::loops::Loops;
use crate::render::room::Room;
use crate::session::TakeId;

impl Focus {
    /// Takes in what was made; returns an error that nobody else shows.
    pub fn take_in(&mut self, event: FocusEvent, derived: &mut Derived) -> Option<Error> {
        if let FocusEvent::FilePart(id, hash, columns) = event {
            derived.set_file_wave(id, hash, columns, false);
            return None;
        }
        self.busy = false;
        self.running = None;
        let stopped = std::mem::take(&mut self.stopped);
        match event {
            // Taken in above.
            FocusEvent::FilePart(..) => {}
            FocusEvent::Source(id, Err(e)) if e.is_cancelled() => self.source_given_up(id, stopped, derived),
            FocusEvent::Source(id, result) => source(id, result, derived),
            FocusEvent::Recipe(id, Err(e)) if e.is_cancelled() => self.recipe_given_up(id, stopped, derived),
            FocusEvent::Recipe(id, result) => recipe(id, result, derived),
            FocusEvent::Room(id, Err(e)) if e.is_cancelled() => {
                self.asked.entry(id).or_default().room = None;
            }
            FocusEvent::Room(id, result) => return self.learned(id, result, derived),
            FocusEvent::File(id, hash, Ok(columns)) => derived.set_file_wave(id, hash, columns, true),
            // The take itself says what is wrong with its file.
            FocusEvent::File(id, _, Err(e)) => {
                if e.is_cancelled() && !stopped {
                    self.files.remove(&id);
                }
            }
            FocusEvent::Loops(id, result) => return loops(id, result, derived),
            FocusEvent::Dips(id, recipe, result) => {
                derived.entry(id).dips = result.ok().map(|d| (recipe, Arc::new(d)));
            }
            FocusEvent::After(id, rendered, result) => after(id, &rendered, result, derived),
        }
        None
    }

    /// Decoding ended early: stopped by the user, or given up for another take, and then asked for again when
    /// its turn comes.
    fn source_given_up(&mut self, id: TakeId, stopped: bool, derived: &mut Derived) {
        if stopped {
            say_stopped(id, derived);
        } else {
            self.asked.remove(&id);
        }
    }

    /// The same with rendering.
    fn recipe_given_up(&mut self, id: TakeId, stopped: bool, derived: &mut Derived) {
        if stopped {
            say_stopped(id, derived);
        } else {
            self.asked.entry(id).or_default().recipe = None;
        }
    }

    /// The room it was recorded in; why it could not be learned.
    fn learned(
        &mut self,
        id: TakeId,
        result: Result<Option<Arc<Room>>>,
        derived: &mut Derived,
    ) -> Option<Error> {
        let (room, problem) = match result {
            Ok(room) => (room, None),
            Err(e) => (None, Some(e.context("reading the room tone"))),
        };
        if let Some(source) = &mut derived.entry(id).source {
            source.analysed = Arc::new((*source.analysed).clone().in_room(room));
        }
        // It is rendered anew in this room.
        let asked = self.asked.entry(id).or_default();
        (asked.recipe, asked.loops, asked.after) = (None, None, None);
        problem
    }
}

/// Asked for again when somebody comes back to it.
fn say_stopped(id: TakeId, derived: &mut Derived) {
    let entry = derived.entry(id);
    (entry.failed, entry.updating) = (Some(STOPPED.into()), false);
}

/// Decoded and tracked, or why not.
fn source(id: TakeId, result: Result<Box<FromSource>>, derived: &mut Derived) {
    let entry = derived.entry(id);
    match result {
        Ok(made) => (entry.source, entry.updating) = (Some(*made), false),
        // What was made of another state of the file is no answer any more.
        Err(e) => *entry = TakeDerived { failed: Some(e.to_string()), ..TakeDerived::default() },
    }
}

/// Rendered, or why not.
fn recipe(id: TakeId, result: Result<Box<FromRecipe>>, derived: &mut Derived) {
    let entry = derived.entry(id);
    entry.updating = false;
    let made = match result {
        Ok(made) => made,
        Err(e) => {
            entry.failed = Some(e.to_string());
            return;
        }
    };
    let before = entry.recipe.take().and_then(|r| r.after);
    let (recipe, audit) = (Arc::clone(&made.recipe), made.audit);
    entry.recipe = Some(FromRecipe { after: before, ..*made });
    entry.failed = None;
    if let Some(audit) = audit {
        derived.set_audit(id, recipe, audit);
    }
}

/// Loops to choose from; why there is none, where that is no fact about the take.
fn loops(id: TakeId, result: Result<Box<Found>>, derived: &mut Derived) -> Option<Error> {
    let entry = derived.entry(id);
    let (loops, map) = result.map_or_else(|e| (Err(e), None), |f| (f.loops, f.map));
    entry.loop_map = map.map(Arc::new);
    // No loop to be had is a fact about the take; the bench says so by an empty list.
    let (loops, error) = loops.map_or_else(|e| (Loops::new(), Some(e)), |l| (l, None));
    entry.loops = Some(Arc::new(loops));
    error.filter(|e| e.kind() != ErrorKind::Nothing)
}

/// The rendering tracked again, if it is the one that is shown still.
fn after(id: TakeId, rendered: &Arc<Rendered>, result: Result<Deviation>, derived: &mut Derived) {
    if let Some(made) = &mut derived.entry(id).recipe
        && Arc::ptr_eq(&made.rendered, rendered)
    {
        made.after = result.ok().map(Arc::new);
    }
}
