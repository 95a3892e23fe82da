//! Heavy results, kept by what they depend on; the old one stays until the new one is there.

use std::collections::HashMap;
use std::sync::Arc;

use crate::audio::AudioBuf;
use crate::dsp::looping::LoopCandidate;
use crate::dsp::peaks::Peaks;
use crate::dsp::tune::Deviation;
use crate::render::chain::{Analysed, Rendered};
use crate::session::{LoopRecipe, Recipe, TakeId};

/// What follows from a take's source alone.
#[derive(Debug, Clone)]
pub struct FromSource {
    /// Decoded stretch and tracked pitch.
    pub analysed: Arc<Analysed>,
    /// The mean of the clip's channels, which the peaks belong to.
    pub mixed: Arc<[f32]>,
    /// Extremes of `mixed`.
    pub peaks: Arc<Peaks>,
}

/// What follows from source and recipe.
#[derive(Debug, Clone)]
pub struct FromRecipe {
    /// The recipe it was made with.
    pub recipe: Arc<Recipe>,
    /// The rendered take.
    pub rendered: Arc<Rendered>,
    /// The rendered take with its crossfade.
    pub finished: AudioBuf,
    /// The source read plainly over the same frames, for comparison.
    pub plain: AudioBuf,
    /// Deviation of the rendered take from its target, by the tracker.
    pub after: Option<Arc<Deviation>>,
}

/// The derived data of one take.
#[derive(Debug, Clone, Default)]
pub struct TakeDerived {
    /// From the source.
    pub source: Option<FromSource>,
    /// From source and recipe; may belong to an older recipe while `updating`.
    pub recipe: Option<FromRecipe>,
    /// Loops to choose from, best first.
    pub loops: Option<Arc<Vec<(LoopCandidate, LoopRecipe)>>>,
    /// A newer result is being made.
    pub updating: bool,
    /// Why there is none.
    pub failed: Option<String>,
}

/// Derived data of all takes that were looked at lately.
#[derive(Debug, Default)]
pub struct Derived {
    takes: HashMap<TakeId, TakeDerived>,
}

impl Derived {
    /// What is known of a take.
    pub fn of(&self, take: TakeId) -> Option<&TakeDerived> {
        self.takes.get(&take)
    }

    /// The entry of a take, made if missing.
    pub fn entry(&mut self, take: TakeId) -> &mut TakeDerived {
        self.takes.entry(take).or_default()
    }

    /// Forgets all takes but those that `keep` names (memory stays bounded).
    pub fn keep_only(&mut self, keep: impl Fn(TakeId) -> bool) {
        self.takes.retain(|id, _| keep(*id));
    }
}
