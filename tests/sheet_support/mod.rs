//! A recipe for takes that need no sound: what the window shows of them is looked at.
#![allow(dead_code)] // Each test binary uses its own part.

use seamwright::dsp::looping::LoopParts;
use seamwright::session::{LoopRecipe, Recipe, TrimRecipe, TuneRecipe};
use seamwright::units::{Frame, FrameRange, MidiNote, Seconds};

/// The span of every take.
pub const SPAN: FrameRange = FrameRange { start: Frame(48_000), end: Frame(192_000) };

/// Onto `note`, with a loop of `score`.
pub fn recipe(note: MidiNote, score: f64) -> Recipe {
    Recipe {
        clean: Default::default(),
        trim: TrimRecipe {
            range: SPAN,
            onset: Frame(50_000),
            fade_in: Seconds(0.002),
            fade_out: Seconds(0.02),
        },
        tune: TuneRecipe::onto(note),
        looping: Some(LoopRecipe {
            start: 70_000.0,
            end: 150_000.0,
            crossfade: Seconds(0.02),
            score,
            parts: LoopParts::default(),
            locked: false,
            even: false,
        }),
        level: Default::default(),
    }
}
