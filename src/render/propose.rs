//! Fills a take's recipe.

use super::chain::Analysed;
use crate::dsp::looping::LoopCandidate;
use crate::error::Result;
use crate::session::{Concern, LoopRecipe, Recipe, Setup, Take};

/// A filled recipe, the loops to choose from, and the concerns the take has now.
#[derive(Debug, Clone)]
pub struct Proposal {
    /// The recipe, with the best loop in it.
    pub recipe: Recipe,
    /// Candidates in source positions, best first.
    pub loops: Vec<LoopRecipe>,
    /// The take's concerns, old and new.
    pub concerns: Vec<Concern>,
}

/// Proposes a recipe. A locked loop in the old recipe stays. Errors: `Nothing` where the take has no note.
pub fn propose(_take: &Take, _a: &Analysed, _setup: &Setup) -> Result<Proposal> {
    todo!()
}

/// Loops for a take whose trim and tuning are settled: candidates in rendered frames and as recipes.
pub fn loops_for(
    _a: &Analysed,
    _recipe: &Recipe,
    _setup: &Setup,
    _top: usize,
) -> Result<Vec<(LoopCandidate, LoopRecipe)>> {
    todo!()
}

/// Whether "accept what passes" accepts this take: proposed, no concern that needs a look, loop
/// score at least `score`.
pub fn passes(_take: &Take, _score: f64) -> bool {
    todo!()
}
