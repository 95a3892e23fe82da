//! A loop's score follows from the sound: where tuning, trim or cleaning changed under a loop, it is judged
//! anew as soon as the take is rendered.

use super::App;
use crate::session::{Edit, LoopRecipe};

/// A score that differs by less is the same one, told a little differently.
const SAME: f64 = 1.0;

impl App {
    /// Gives the selected take's loop the score that it has in its present rendering, once that is there and
    /// no hand is at it.
    pub(super) fn keep_score(&mut self) {
        if self.session.read_only() || self.session.history().in_gesture() {
            return;
        }
        let Some(edit) = self.judged_anew() else { return };
        if self.notices.check(self.session.complete(&edit)).is_none() {
            return;
        }
        let Edit::SetLoop { take, .. } = edit else { return };
        if let Some(recipe) = self.session.document().take(take).and_then(|t| t.recipe.as_ref()) {
            self.derived.rejudged(take, recipe);
            self.work.focus().0.rejudged(take, recipe);
        }
    }

    /// The selected take's loop with another score, where its own is that of another sound.
    fn judged_anew(&self) -> Option<Edit> {
        let take = self.session.document().take(self.place.selected?)?;
        let made = self.derived.of(take.id)?.recipe.as_ref()?;
        let recipe = take.recipe.as_ref().filter(|r| **r == *made.recipe)?;
        let (l, (score, parts)) = (recipe.looping?, made.score?);
        let looping = Some(LoopRecipe { score, parts, ..l });
        ((score - l.score).abs() >= SAME).then_some(Edit::SetLoop { take: take.id, looping })
    }
}
