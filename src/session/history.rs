//! The one undo history: snapshots of the document, each with the name of the step after it.
//!
//! A gesture (a drag) is explicit: [`History::begin`], any number of [`History::preview`], then
//! [`History::commit`] or [`History::abort`]; it makes one step. Facts (what a survey finds) are
//! no steps: [`History::amend`] writes them into every snapshot, so undo never loses a take.
//!
//! A background job has a step too, from the moment it was asked for: [`History::open_step`]. What the
//! job brings joins that step ([`History::join`]), however many steps came after it: it is written into
//! every later snapshot, so undoing a later step undoes that one alone, and nothing that can be made
//! again is lost. What was undone before the job was asked for goes as with any new step, but not until
//! the job brings something; and it stays where the user made some of it again meanwhile, because then it
//! comes after the job's step. The step of a job that has not ended stands for all that was asked for: undone,
//! it can be made again even where nothing had come into it yet, and what comes after that joins it.
//!
//! The score of a loop follows from the sound and is no step either: [`History::judge`] writes it into
//! the present and into all snapshots around it in which the take sounds the same, so it goes and comes
//! back with the step that changed the sound.

use std::sync::Arc;

use super::document::Document;
use super::edit::Edit;
use super::recipe::LoopRecipe;
use super::step_name;
use super::take::TakeId;
use crate::dsp::looping::LoopParts;
use crate::error::{Error, ErrorKind, Result};

#[derive(Debug, Clone)]
struct Step {
    label: String,
    /// Which takes it changed, in words; none: no take.
    about: Option<String>,
    /// The background job that fills it, if one does.
    job: Option<u64>,
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
    /// Jobs that were asked for over steps that were undone: those go when one of them brings something.
    over_undone: Vec<u64>,
    gesture: Option<Arc<Document>>,
    revision: u64,
}

impl History {
    /// A history that starts at `document`.
    pub fn new(document: Document) -> Self {
        Self {
            now: Arc::new(document),
            done: Vec::new(),
            undone: Vec::new(),
            over_undone: Vec::new(),
            gesture: None,
            revision: 1,
        }
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
        self.commit(label);
        let next = edit.apply(&self.now)?;
        if next == *self.now {
            return Ok(());
        }
        let before = std::mem::replace(&mut self.now, Arc::new(next));
        self.push(label, before);
        self.revision += 1;
        Ok(())
    }

    /// Opens the step of `job`, with nothing in it yet. An open gesture is committed first. What was undone
    /// can be made again until the job brings something.
    pub fn open_step(&mut self, label: &str, job: u64) {
        self.commit(label);
        let before = Arc::clone(&self.now);
        self.done.push(Step { label: label.into(), about: None, job: Some(job), before });
        if !self.undone.is_empty() {
            self.over_undone.push(job);
        }
        self.revision += 1;
    }

    /// Whether the step of `job` stands.
    pub fn has_step(&self, job: u64) -> bool {
        self.step_of(job).is_some()
    }

    /// Whether the step of `job` stands and something came into it.
    pub fn is_filled(&self, job: u64) -> bool {
        self.step_of(job).is_some_and(|place| self.done[place].before != *self.after(place))
    }

    fn step_of(&self, job: u64) -> Option<usize> {
        self.done.iter().position(|s| s.job == Some(job))
    }

    /// The document as it was right after the step at `place`.
    fn after(&self, place: usize) -> &Arc<Document> {
        let next = self.done.get(place + 1).map(|s| &s.before);
        next.or(self.gesture.as_ref()).unwrap_or(&self.now)
    }

    /// Adds what `job` brings to its step, and so to all that came after: `change` gives the edit for one
    /// state of the document, or none where that state is not what the job worked on. Whether it was added;
    /// not where the step does not stand any more, or the document as it is now is not as it was.
    pub fn join(&mut self, job: u64, change: impl Fn(&Document) -> Option<Edit>) -> Result<bool> {
        let Some(place) = self.step_of(job) else { return Ok(false) };
        let Some(edit) = change(&self.now) else { return Ok(false) };
        let now = edit.apply(&self.now)?;
        if self.over_undone.contains(&job) && now != *self.now {
            self.forget_undone();
        }
        let later = self.done.iter_mut().skip(place + 1).map(|s| &mut s.before);
        let undone = self.undone.iter_mut().flat_map(|(s, after)| [&mut s.before, after]);
        for s in later.chain(undone).chain(self.gesture.iter_mut()) {
            // Where somebody had changed it, what they did stays.
            if let Some(Ok(joined)) = change(s).map(|edit| edit.apply(s)) {
                *s = Arc::new(joined);
            }
        }
        self.now = Arc::new(now);
        self.done[place].about = step_name::about(&self.done[place].before, self.after(place));
        self.revision += 1;
        Ok(true)
    }

    /// The job has ended: a step that nothing came into goes, and nothing joins one that stands.
    pub fn close_step(&mut self, job: u64) {
        let Some(place) = self.step_of(job) else { return };
        if self.done[place].before == *self.after(place) {
            self.done.remove(place);
            self.revision += 1;
        } else {
            self.done[place].job = None;
        }
    }

    /// Whether the step of `job` was taken back before the job had ended, and can be made again.
    pub fn can_make_again(&self, job: u64) -> bool {
        self.undone.iter().any(|(s, _)| s.job == Some(job))
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

    /// Gives the loop of a take the score that it was found to have in its present sound; not a step. It
    /// belongs to that sound: it is written into every snapshot before and after, as far as the take sounds
    /// the same there, and so goes and comes back with the step that changed the sound, not with one that
    /// came in between. Errors: `Nothing` where the take has no loop.
    pub fn judge(&mut self, take: TakeId, (score, parts): (f64, LoopParts)) -> Result<()> {
        let looping = self.now.take(take).and_then(|t| t.recipe.as_ref()?.looping);
        let Some(l) = looping else {
            return Err(Error::new(ErrorKind::Nothing, "this take has no loop to be judged"));
        };
        let edit = Edit::SetLoop { take, looping: Some(LoopRecipe { score, parts, ..l }) };
        let now = Arc::new(edit.apply(&self.now)?);
        let then = std::mem::replace(&mut self.now, now);
        let before = self.gesture.iter_mut().chain(self.done.iter_mut().rev().map(|s| &mut s.before));
        let after = self.undone.iter_mut().rev().flat_map(|(s, after)| [&mut s.before, after]);
        write_while(before, &edit, |d| d.sounds_alike(&then, take));
        write_while(after, &edit, |d| d.sounds_alike(&then, take));
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
            self.push(label, before);
        }
    }

    /// A new step; nothing that was undone can be made again after it.
    fn push(&mut self, label: &str, before: Arc<Document>) {
        let about = step_name::about(&before, &self.now);
        self.done.push(Step { label: label.into(), about, job: None, before });
        self.forget_undone();
    }

    fn forget_undone(&mut self) {
        self.undone.clear();
        self.over_undone.clear();
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
        // What was still to come when it was taken back joins it, if its job goes on.
        self.done.push(step);
        // From now on it comes after the steps of all jobs, and so does the rest.
        self.over_undone.clear();
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

/// Makes an edit in the snapshots from the nearest on, until one is not as it has to be for that.
fn write_while<'a>(
    snapshots: impl Iterator<Item = &'a mut Arc<Document>>,
    edit: &Edit,
    fits: impl Fn(&Document) -> bool,
) {
    for s in snapshots {
        if !fits(s) {
            return;
        }
        let Ok(written) = edit.apply(s) else { return };
        *s = Arc::new(written);
    }
}
