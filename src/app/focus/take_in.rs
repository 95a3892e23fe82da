//! What was made for the selected take, taken into the derived data.

use std::sync::Arc;

use super::{Focus, FocusEvent, STOPPED};
use crate::app::derived::{Derived, FromRecipe, TakeDerived};
use crate::error::{Error, ErrorKind};
use crate::render::loops::Loops;

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
            // Asked for again when somebody comes back to it.
            FocusEvent::Source(id, Err(e)) | FocusEvent::Recipe(id, Err(e))
                if e.is_cancelled() && stopped =>
            {
                let entry = derived.entry(id);
                (entry.failed, entry.updating) = (Some(STOPPED.into()), false);
                None
            }
            // Given up for another take: asked for again when its turn comes.
            FocusEvent::Source(id, Err(e)) if e.is_cancelled() => {
                self.asked.remove(&id);
                None
            }
            FocusEvent::Recipe(id, Err(e)) if e.is_cancelled() => {
                self.asked.entry(id).or_default().recipe = None;
                None
            }
            FocusEvent::Room(id, Err(e)) if e.is_cancelled() => {
                self.asked.entry(id).or_default().room = None;
                None
            }
            FocusEvent::Room(id, result) => {
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
            // Taken in above.
            FocusEvent::FilePart(..) => None,
            FocusEvent::File(id, hash, Ok(columns)) => {
                derived.set_file_wave(id, hash, columns, true);
                None
            }
            // The take itself says what is wrong with its file.
            FocusEvent::File(id, _, Err(e)) => {
                if e.is_cancelled() && !stopped {
                    self.files.remove(&id);
                }
                None
            }
            FocusEvent::Source(id, Ok(made)) => {
                let entry = derived.entry(id);
                entry.source = Some(*made);
                entry.updating = false;
                None
            }
            FocusEvent::Recipe(id, Ok(made)) => {
                let entry = derived.entry(id);
                let before = entry.recipe.take().and_then(|r| r.after);
                let (recipe, audit) = (Arc::clone(&made.recipe), made.audit);
                entry.recipe = Some(FromRecipe { after: before, ..*made });
                entry.updating = false;
                entry.failed = None;
                if let Some(audit) = audit {
                    derived.set_audit(id, recipe, audit);
                }
                None
            }
            FocusEvent::Source(id, Err(e)) => {
                // What was made of another state of the file is no answer any more.
                *derived.entry(id) = TakeDerived { failed: Some(e.to_string()), ..TakeDerived::default() };
                None
            }
            FocusEvent::Recipe(id, Err(e)) => {
                let entry = derived.entry(id);
                entry.updating = false;
                entry.failed = Some(e.to_string());
                None
            }
            FocusEvent::Loops(id, result) => {
                let entry = derived.entry(id);
                let (loops, map) = result.map_or_else(|e| (Err(e), None), |f| (f.loops, f.map));
                entry.loop_map = map.map(Arc::new);
                // No loop to be had is a fact about the take; the bench says so by an empty list.
                let (loops, error) = loops.map_or_else(|e| (Loops::new(), Some(e)), |l| (l, None));
                entry.loops = Some(Arc::new(loops));
                error.filter(|e| e.kind() != ErrorKind::Nothing)
            }
            FocusEvent::Dips(id, recipe, result) => {
                derived.entry(id).dips = result.ok().map(|d| (recipe, Arc::new(d)));
                None
            }
            FocusEvent::After(id, rendered, result) => {
                if let Some(made) = &mut derived.entry(id).recipe
                    && Arc::ptr_eq(&made.rendered, &rendered)
                {
                    made.after = result.ok().map(Arc::new);
                }
                None
            }
        }
    }
}
