//! A recipe for takes that need no sound: what the window shows of them is looked at.
#![allow(dead_code)] // Each test binary uses its own part.

use std::path::PathBuf;

use seamwright::dsp::looping::LoopParts;
use seamwright::session::{
    LoopRecipe, Recipe, Source, SourceId, Take, TakeId, TakeState, TrimRecipe, TuneRecipe,
};
use seamwright::units::{Cents, Decibels, Frame, FrameRange, MidiNote, SampleRate, Seconds};

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

/// A proposed take of the first source at a place, without a pitch that was heard and without a recipe.
pub fn bare_take(id: u32, note: Option<MidiNote>, layer: u16) -> Take {
    Take {
        id: TakeId(id),
        source: SourceId(1),
        span: SPAN,
        onset: Frame(50_000),
        sounds: note,
        f0: None,
        cents: Cents(0.0),
        movement: None,
        level: Decibels(-18.0),
        snr: Some(Decibels(41.0)),
        named: None,
        note,
        layer,
        state: TakeState::Proposed,
        concerns: vec![],
        recipe: None,
    }
}

/// The file that all takes are of; it is not there.
pub fn source(name: &str) -> Source {
    Source {
        id: SourceId(1),
        path: PathBuf::from(name),
        bytes: 1,
        hash: "0".into(),
        rate: SampleRate::DELIVERY,
        channels: 1,
        frames: 480_000,
        room_tone: None,
        room_marked: Vec::new(),
    }
}
