//! Documents for the tests of delivery.

#![allow(dead_code)] // Each test binary uses its own part.

use std::sync::Arc;

use seamwright::session::{
    Document, LevelRecipe, Recipe, Source, SourceId, Take, TakeId, TakeState, TrimRecipe, TuneRecipe,
};
use seamwright::units::{Cents, Decibels, Frame, FrameRange, MidiNote, SampleRate, Seconds};

/// An accepted take of `note` in `layer`; `document` gives it its number.
pub fn take(note: u8, layer: u16) -> Take {
    let span = FrameRange::new(0, 96_000);
    Take {
        movement: None,
        id: TakeId(0),
        source: SourceId(1),
        span,
        onset: Frame(4800),
        sounds: Some(MidiNote(note)),
        f0: None,
        cents: Cents(0.0),
        level: Decibels(-20.0),
        snr: None,
        named: None,
        note: Some(MidiNote(note)),
        layer,
        state: TakeState::Accepted,
        concerns: Vec::new(),
        recipe: Some(Recipe {
            clean: Default::default(),
            trim: TrimRecipe {
                range: span,
                onset: Frame(4800),
                fade_in: Seconds(0.0),
                fade_out: Seconds(0.0),
            },
            tune: TuneRecipe::onto(MidiNote(note)),
            looping: None,
            level: LevelRecipe::default(),
        }),
    }
}

/// A document of one source that holds `takes`.
pub fn document(takes: &[Take]) -> Document {
    let source = Source {
        id: SourceId(1),
        path: "takes.wav".into(),
        bytes: 0,
        hash: String::new(),
        rate: SampleRate::DELIVERY,
        channels: 1,
        frames: 96_000,
        room_tone: None,
        room_marked: Vec::new(),
    };
    let mut d = Document::default();
    d.sources.push(Arc::new(source));
    for (i, t) in takes.iter().enumerate() {
        d.takes.push(Arc::new(Take { id: TakeId(i as u32 + 1), ..t.clone() }));
    }
    d
}
