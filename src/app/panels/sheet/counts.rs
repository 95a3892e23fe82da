//! How many takes are how far.

use crate::app::view::View;
use crate::session::TakeState;

/// How many takes are how far.
pub(super) struct Counts {
    by_state: [usize; 4],
    missing: usize,
}

impl Counts {
    pub fn of(view: &View<'_>) -> Self {
        let mut by_state = [0; 4];
        for t in &view.document.takes {
            by_state[t.state as usize] += 1;
        }
        Self { by_state, missing: view.sheet.missing().len() }
    }

    pub fn all(&self) -> usize {
        self.by_state.iter().sum()
    }

    pub fn state(&self, state: TakeState) -> usize {
        self.by_state[state as usize]
    }

    pub fn missing(&self) -> usize {
        self.missing
    }

    pub fn decided(&self) -> usize {
        self.state(TakeState::Accepted) + self.state(TakeState::SetAside)
    }

    pub fn open(&self) -> usize {
        self.all() - self.decided()
    }

    /// Shares of what is accepted and what is set aside.
    pub fn shares(&self) -> (f32, f32) {
        let all = self.all().max(1) as f32;
        (self.state(TakeState::Accepted) as f32 / all, self.state(TakeState::SetAside) as f32 / all)
    }

    pub fn words(&self) -> String {
        let states = [TakeState::New, TakeState::Proposed, TakeState::Accepted, TakeState::SetAside];
        // What there is none of needs no words.
        let some = states.iter().filter(|s| self.state(**s) > 0);
        let mut parts: Vec<_> = some.map(|s| format!("{} {}", self.state(*s), s.word())).collect();
        if self.missing > 0 {
            parts.push(format!("{} missing", self.missing));
        }
        parts.join(" · ")
    }
}
