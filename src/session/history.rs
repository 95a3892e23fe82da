//! The one undo history: snapshots of the document, each with the name of the step after it.
//!
//! A gesture (a drag) is explicit: [`History::begin`], any number of [`History::preview`], then
//! [`History::commit`] or [`History::abort`]; it makes one step. Facts (what a survey finds) are
//! no steps: [`History::amend`] writes them into every snapshot, so undo never loses a take.

use std::sync::Arc;

use super::document::Document;
use super::edit::Edit;
use super::step_name;
use crate::error::Result;

#[derive(Debug, Clone)]
struct Step {
    label: String,
    /// Which takes it changed, in words; none: no take.
    about: Option<String>,
    /// Steps of one background job share a group and are undone together.
    group: Option<u64>,
    before: Arc<Document>,
}

impl Step {
    fn name(&self) -> String {
        step_name::named(&self.label, self.about.as_deref())
    }
}

/// The document as it is, and as it was and will be again.
#[derive(Debug, Clone)]
pub struct History {
    now: Arc<Document>,
    done: Vec<Step>,
    undone: Vec<(Step, Arc<Document>)>,
    gesture: Option<Arc<Document>>,
    revision: u64,
}

impl History {
    /// A history that starts at `document`.
    pub fn new(document: Document) -> Self {
        Self { now: Arc::new(document), done: Vec::new(), undone: Vec::new(), gesture: None, revision: 1 }
    }

    /// The document as it is now (during a gesture: as previewed).
    pub fn document(&self) -> &Arc<Document> {
        &self.now
    }

    /// Grows with every change of [`History::document`].
    pub fn revision(&self) -> u64 {
        self.revision
    }

    /// Makes one step. An open gesture is committed first.
    pub fn apply(&mut self, label: &str, edit: &Edit) -> Result<()> {
        self.apply_grouped(label, edit, None)
    }

    /// Makes a step that joins the step before it if that belongs to the same `group`.
    pub fn apply_grouped(&mut self, label: &str, edit: &Edit, group: Option<u64>) -> Result<()> {
        self.commit(label);
        let next = edit.apply(&self.now)?;
        if next == *self.now {
            return Ok(());
        }
        let joins = group.is_some() && self.done.last().is_some_and(|s| s.group == group);
        let before = std::mem::replace(&mut self.now, Arc::new(next));
        match self.done.last_mut().filter(|_| joins) {
            Some(step) => step.about = step_name::about(&step.before, &self.now),
            None => self.push(label, group, before),
        }
        self.undone.clear();
        self.revision += 1;
        Ok(())
    }

    /// Writes facts into the present and into every snapshot; not a step.
    pub fn amend(&mut self, edit: &Edit) -> Result<()> {
        let now = edit.apply(&self.now)?;
        let snapshots = self
            .done
            .iter_mut()
            .map(|s| &mut s.before)
            .chain(self.undone.iter_mut().flat_map(|(s, after)| [&mut s.before, after]))
            .chain(self.gesture.iter_mut());
        for s in snapshots {
            // A fact about a take that a snapshot does not hold has nowhere to go there.
            if let Ok(amended) = edit.apply(s) {
                *s = Arc::new(amended);
            }
        }
        self.now = Arc::new(now);
        self.revision += 1;
        Ok(())
    }

    /// Completes the present by what follows from it (such as a score, judged once it was rendered); not a
    /// step: it belongs to the present alone, and goes and comes back with the step that led to it.
    pub fn complete(&mut self, edit: &Edit) -> Result<()> {
        self.now = Arc::new(edit.apply(&self.now)?);
        self.revision += 1;
        Ok(())
    }

    /// Opens a gesture; previews that follow make one step.
    pub fn begin(&mut self) {
        if self.gesture.is_none() {
            self.gesture = Some(Arc::clone(&self.now));
        }
    }

    /// Whether a gesture is open.
    pub fn in_gesture(&self) -> bool {
        self.gesture.is_some()
    }

    /// Shows a change without making a step. Opens a gesture if none is open.
    pub fn preview(&mut self, edit: &Edit) -> Result<()> {
        self.begin();
        self.now = Arc::new(edit.apply(&self.now)?);
        self.revision += 1;
        Ok(())
    }

    /// Ends the gesture, if any, as one step called `label`.
    pub fn commit(&mut self, label: &str) {
        if let Some(before) = self.gesture.take()
            && *before != *self.now
        {
            self.push(label, None, before);
            self.undone.clear();
        }
    }

    fn push(&mut self, label: &str, group: Option<u64>, before: Arc<Document>) {
        let about = step_name::about(&before, &self.now);
        self.done.push(Step { label: label.into(), about, group, before });
    }

    /// Ends the gesture, if any, as if it had not been.
    pub fn abort(&mut self) {
        if let Some(before) = self.gesture.take() {
            self.now = before;
            self.revision += 1;
        }
    }

    /// Takes the last step back; its label, if there was one.
    pub fn undo(&mut self) -> Option<String> {
        self.abort();
        let step = self.done.pop()?;
        let after = std::mem::replace(&mut self.now, Arc::clone(&step.before));
        let label = step.label.clone();
        self.undone.push((step, after));
        self.revision += 1;
        Some(label)
    }

    /// Makes the last step that was taken back again; its label, if there was one.
    pub fn redo(&mut self) -> Option<String> {
        self.abort();
        let (step, after) = self.undone.pop()?;
        self.now = after;
        let label = step.label.clone();
        self.done.push(step);
        self.revision += 1;
        Some(label)
    }

    /// What undo would take back.
    pub fn undo_label(&self) -> Option<&str> {
        self.done.last().map(|s| s.label.as_str())
    }

    /// What redo would make again.
    pub fn redo_label(&self) -> Option<&str> {
        self.undone.last().map(|(s, _)| s.label.as_str())
    }

    /// What undo would take back, with the takes that it is about.
    pub fn undo_name(&self) -> Option<String> {
        self.done.last().map(Step::name)
    }

    /// What redo would make again, with the takes that it is about.
    pub fn redo_name(&self) -> Option<String> {
        self.undone.last().map(|(s, _)| s.name())
    }

    /// Names of the steps that can be made again, with the takes they are about, the next one first.
    pub fn undone_names(&self) -> impl Iterator<Item = String> {
        self.undone.iter().rev().map(|(s, _)| s.name())
    }

    /// Names of the steps that can be undone, with the takes they are about, oldest first.
    pub fn names(&self) -> impl Iterator<Item = String> {
        self.done.iter().map(Step::name)
    }

    /// How many steps stand: a place among [`History::labels`] and [`History::undone_labels`].
    pub fn place(&self) -> usize {
        self.done.len()
    }

    /// Takes steps back or makes them again until `place` steps stand; as far as there are any.
    pub fn go_to(&mut self, place: usize) {
        self.abort();
        while self.done.len() > place && self.undo().is_some() {}
        while self.done.len() < place && self.redo().is_some() {}
    }

    /// Labels of the steps that can be made again, the next one first.
    pub fn undone_labels(&self) -> impl Iterator<Item = &str> {
        self.undone.iter().rev().map(|(s, _)| s.label.as_str())
    }

    /// Labels of the steps that can be undone, oldest first.
    pub fn labels(&self) -> impl Iterator<Item = &str> {
        self.done.iter().map(|s| s.label.as_str())
    }
}
