//! A loop's score follows from the sound: where tuning, trim or cleaning changed under a loop, it is judged
//! anew in the rendered take. Only the selected take is: any other keeps the score that it had until it is
//! selected and rendered.

use super::App;
use crate::dsp::looping::LoopParts;
use crate::session::TakeId;

/// A score that differs by less is the same one, told a little differently.
const SAME: f64 = 1.0;

impl App {
    /// Gives the selected take's loop the score that it has in its present rendering, once that is there and
    /// no hand is at it.
    pub(super) fn keep_score(&mut self) {
        if self.session.read_only() || self.session.history().in_gesture() {
            return;
        }
        let Some((take, judged)) = self.judged_anew() else { return };
        let written = self.session.judge(take, judged);
        self.notices.check(written);
    }

    /// The selected take with another score of its loop, where its own is that of another sound.
    fn judged_anew(&self) -> Option<(TakeId, (f64, LoopParts))> {
        let take = self.session.document().take(self.place.selected?)?;
        // A rendering that is about to be replaced says nothing of what comes.
        let derived = self.derived.of(take.id).filter(|d| !d.updating)?;
        let made = derived.recipe.as_ref()?;
        let recipe = take.recipe.as_ref().filter(|r| r.sounds_as(&made.recipe))?;
        let (l, judged) = (recipe.looping?, made.score?);
        ((judged.0 - l.score).abs() >= SAME).then_some((take.id, judged))
    }
}
