//! One take through its recipe.

use crate::audio::{AudioBuf, Clip};
use crate::dsp::pitch::F0Track;
use crate::dsp::tune::{Deviation, PitchMap};
use crate::error::Result;
use crate::session::{Document, Recipe, Source, Take};
use crate::units::{Cents, Frame, FrameRange, Hertz, MidiNote, SampleRate};

/// A take's sound and what was tracked in it: derived from the source alone, the same for every
/// recipe.
#[derive(Debug, Clone)]
pub struct Analysed {
    /// The decoded stretch around the take.
    pub clip: Clip,
    /// The fundamental over the clip.
    pub track: F0Track,
}

/// What a recipe makes of a take.
#[derive(Debug, Clone)]
pub struct Rendered {
    /// The tuned, trimmed, faded sound with its gain, without the crossfade.
    pub audio: AudioBuf,
    /// From rendered frames to indices of the clip.
    pub map: PitchMap,
    /// The loop in rendered frames.
    pub looping: Option<RenderedLoop>,
    /// Root key.
    pub root: MidiNote,
    /// Deviation from the root key that was left in.
    pub fine_tune: Cents,
    /// The onset in rendered frames.
    pub onset: Frame,
    /// Deviation of the source from the target; none where no note was found.
    pub before: Option<Deviation>,
    /// Deviation in cents rms over the sustain, before and after.
    pub rms_cents: Option<(f64, f64)>,
}

/// A loop in rendered frames.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RenderedLoop {
    /// Start, and the first frame after.
    pub range: FrameRange,
    /// Crossfade before the end.
    pub crossfade: u64,
}

/// The stretch of the source to decode for a take: its span with room to move the handles.
pub fn clip_range(_take: &Take, _source: &Source) -> FrameRange {
    todo!()
}

/// Tracks a clip.
pub fn analyse(_clip: Clip) -> Result<Analysed> {
    todo!()
}

/// Does `recipe` to a take, up to but without the crossfade.
pub fn render(_a: &Analysed, _recipe: &Recipe, _a4: Hertz, _rate: SampleRate) -> Result<Rendered> {
    todo!()
}

/// What is written to disk: [`Rendered::audio`] with the crossfade baked in.
pub fn finished(_r: &Rendered) -> Result<AudioBuf> {
    todo!()
}

impl Rendered {
    /// Source position (frames of the file) of a rendered frame.
    pub fn source_of(&self, _clip: &Clip, _frame: f64) -> f64 {
        todo!()
    }

    /// Rendered frame (fractional) of a source position.
    pub fn frame_of(&self, _clip: &Clip, _source: f64) -> f64 {
        todo!()
    }
}

/// The fundamental that the rendered take has: target, offset and what was left of the centre.
pub fn rendered_f0(_r: &Rendered, _d: &Document) -> Hertz {
    todo!()
}
