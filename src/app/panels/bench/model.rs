//! What the bench shows, gathered from the view, and the two countings of time: source frames and
//! rendered frames. No widget.

use crate::app::derived::{FromRecipe, FromSource, TakeDerived};
use crate::app::view::View;
use crate::app::widgets::time_axis::TimeRange;
use crate::dsp::looping::LoopCandidate;
use crate::render::chain;
use crate::session::{Document, LoopRecipe, Recipe, Source, Take};
use crate::units::{Hertz, MiddleC, MidiNote};

/// How much of a take there is to show.
pub enum Stage<'a> {
    /// Nothing is selected.
    NoTake,
    /// Its sound is being read.
    Analysing(&'a Take),
    /// Its sound could not be read.
    Failed(&'a Take, &'a str),
    /// Its sound is here; perhaps a recipe as well.
    Here(Model<'a>),
}

/// One take with what is known of it.
#[derive(Clone, Copy)]
pub struct Model<'a> {
    /// The document.
    pub document: &'a Document,
    /// The take.
    pub take: &'a Take,
    /// The file it lies in.
    pub source: &'a Source,
    /// Derived data.
    pub derived: &'a TakeDerived,
    /// Its sound and pitch.
    pub sound: &'a FromSource,
    /// What its recipe made of it; perhaps an older recipe.
    pub made: Option<&'a FromRecipe>,
}

impl<'a> Stage<'a> {
    /// The stage of the selected take.
    pub fn of(view: &View<'a>) -> Self {
        let Some((take, source)) = view.selected.and_then(|id| view.document.take_and_source(id)) else {
            return Self::NoTake;
        };
        let Some(derived) = view.derived.of(take.id) else { return Self::Analysing(take) };
        match (&derived.source, &derived.failed) {
            (Some(sound), _) => Self::Here(Model {
                document: view.document,
                take,
                source,
                derived,
                sound,
                made: derived.recipe.as_ref(),
            }),
            (None, Some(why)) => Self::Failed(take, why),
            (None, None) => Self::Analysing(take),
        }
    }
}

impl<'a> Model<'a> {
    /// What is to be done with the take.
    pub fn recipe(&self) -> Option<&'a Recipe> {
        self.take.recipe.as_ref()
    }

    /// Its loop.
    pub fn looping(&self) -> Option<&'a LoopRecipe> {
        self.recipe()?.looping.as_ref()
    }

    /// Whether its loop is kept from being moved.
    pub fn loop_is_locked(&self) -> bool {
        self.looping().is_some_and(|l| l.locked)
    }

    /// Loops to choose from.
    pub fn suggestions(&self) -> &'a [(LoopCandidate, LoopRecipe)] {
        self.derived.loops.as_ref().map_or(&[], |l| l.as_slice())
    }

    /// Which suggestion the recipe's loop is: both ends within half a source frame.
    pub fn chosen_suggestion(&self) -> Option<usize> {
        let l = self.looping()?;
        self.suggestions()
            .iter()
            .position(|(_, s)| (s.start - l.start).abs() < 0.5 && (s.end - l.end).abs() < 0.5)
    }

    /// Source frames a second.
    pub fn rate(&self) -> f64 {
        self.source.rate.as_f64()
    }

    /// Rendered frames a second.
    pub fn out_rate(&self) -> f64 {
        self.made.map_or(self.document.setup.delivery_rate, |m| m.rendered.audio.rate()).as_f64()
    }

    /// Moment of a source position.
    pub fn s(&self, source: f64) -> f64 {
        source / self.rate()
    }

    /// The decoded stretch, in source frames.
    pub fn clip_frames(&self) -> (f64, f64) {
        let r = self.sound.analysed.clip.range();
        (r.start.0 as f64, r.end.0 as f64)
    }

    /// The decoded stretch in time.
    pub fn clip_s(&self) -> TimeRange {
        let (a, b) = self.clip_frames();
        TimeRange::new(self.s(a), self.s(b))
    }

    /// Rendered frame (fractional) of a source position. Before there is a rendering: as if nothing
    /// but the rate were changed.
    pub fn frame_of(&self, source: f64) -> f64 {
        match self.made {
            Some(m) => m.rendered.frame_of(&self.sound.analysed.clip, source),
            None => (source - self.in_point()) * self.out_rate() / self.rate(),
        }
    }

    /// Source position of a rendered frame: the inverse of [`Model::frame_of`].
    pub fn source_of(&self, frame: f64) -> f64 {
        match self.made {
            Some(m) => m.rendered.source_of(&self.sound.analysed.clip, frame),
            None => self.in_point() + frame * self.rate() / self.out_rate(),
        }
    }

    fn in_point(&self) -> f64 {
        self.recipe().map_or(self.clip_frames().0, |r| r.trim.range.start.0 as f64)
    }

    /// Start and end of the loop in whole rendered frames.
    pub fn loop_frames(&self) -> Option<(f64, f64)> {
        let l = self.looping()?;
        Some((self.frame_of(l.start).round(), self.frame_of(l.end).round()))
    }

    /// The fundamental of what is rendered.
    pub fn f0(&self) -> Option<Hertz> {
        let target = || {
            let t = &self.recipe()?.tune;
            Some(chain::target_of(t, self.document.setup.a4))
        };
        self.made.and_then(|m| m.rendered.f0).or_else(target).filter(|f| f.0 > 0.0)
    }

    /// One period, in rendered frames.
    pub fn period_frames(&self) -> Option<f64> {
        Some(self.out_rate() / self.f0()?.0)
    }

    /// One period, in source frames.
    pub fn period_source(&self) -> Option<f64> {
        Some(self.rate() / self.take.f0.or_else(|| self.f0())?.0)
    }

    /// The onset in source frames.
    pub fn onset(&self) -> f64 {
        self.recipe().map_or(self.take.onset, |r| r.trim.onset).0 as f64
    }
}

/// A note as it is typed: a number from 0 to 127, or a letter with sharps or flats and an octave.
pub fn parse_note(text: &str, middle_c: MiddleC) -> Option<MidiNote> {
    let text = text.trim();
    if let Ok(n) = text.parse::<i32>() {
        return MidiNote::new(n).ok();
    }
    let mut chars = text.chars().peekable();
    let step = i32::from(MidiNote::semitones_of(chars.next()?)?);
    let mut alter = 0;
    while let Some(c) = chars.peek() {
        match c {
            '#' | '\u{266f}' => alter += 1,
            'b' | '\u{266d}' => alter -= 1,
            _ => break,
        }
        chars.next();
    }
    let octave: i32 = chars.collect::<String>().parse().ok()?;
    MidiNote::new(octave.checked_sub(middle_c.octave_offset())?.checked_mul(12)? + step + alter).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Note numbers: MIDI Tuning Standard's table (60 is middle C, 69 is A4).
    #[test]
    fn notes_are_read_as_they_are_written() {
        for (text, n) in
            [("C4", 60), ("a4", 69), ("Bb3", 58), ("F#2", 42), ("b2", 47), ("69", 69), (" C-1 ", 0)]
        {
            assert_eq!(parse_note(text, MiddleC::C4), Some(MidiNote(n)), "{text}");
        }
        assert_eq!(parse_note("C3", MiddleC::C3), Some(MidiNote(60)));
        for bad in ["", "H2", "C", "128", "-1", "G#9", "C99999999999", "C4x"] {
            assert_eq!(parse_note(bad, MiddleC::C4), None, "{bad}");
        }
        for n in 0..=127 {
            let note = MidiNote(n);
            assert_eq!(parse_note(&note.name(MiddleC::C4), MiddleC::C4), Some(note));
        }
    }
}
