//! All the edit parameters of one take.

use serde::{Deserialize, Serialize};

use super::cleaning::CleanRecipe;
use crate::dsp::looping::LoopParts;
use crate::dsp::tune::StrengthCurve;
use crate::units::{Cents, Decibels, Frame, FrameRange, MidiNote, Seconds};

/// What is to be done with a take, from the source's frames to the file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Recipe {
    /// How the room is taken out; a session of an older form has none of it.
    #[serde(default)]
    pub clean: CleanRecipe,
    /// Which part of the source, and its fades.
    pub trim: TrimRecipe,
    /// Where to bring the pitch, and how much of it.
    pub tune: TuneRecipe,
    /// The loop; none: the take is delivered without one.
    pub looping: Option<LoopRecipe>,
    /// Its level.
    pub level: LevelRecipe,
}

impl Recipe {
    /// Whether both make the same sound and guard the same: all but the score of the loop, which follows
    /// from the sound.
    pub fn same_but_score(&self, other: &Self) -> bool {
        let Self { clean, trim, tune, looping, level } = self;
        *trim == other.trim
            && *level == other.level
            && *tune == other.tune
            && *clean == other.clean
            && same_loop(*looping, other.looping)
    }

    /// Whether both make the same sound: what only guards a setting from being changed does not matter.
    pub fn sounds_as(&self, other: &Self) -> bool {
        self.sounding() == other.sounding()
    }

    /// The same without what is not heard: the score of the loop, locks, and how a take would be cleaned that is
    /// not. What is made of a recipe hangs on this alone.
    pub fn sounding(&self) -> Self {
        let clean = match self.clean.is_on() {
            true => CleanRecipe { own: false, ..self.clean.clone() },
            false => CleanRecipe::default(),
        };
        let looping = self.looping.map(|l| LoopRecipe { locked: false, ..l.unscored() });
        Self { clean, looping, ..self.clone() }
    }

    /// The same without the score of its loop.
    pub fn unscored(&self) -> Self {
        Self { looping: self.looping.map(LoopRecipe::unscored), ..self.clone() }
    }
}

/// Whether both are the same loop, whatever its score.
pub fn same_loop(a: Option<LoopRecipe>, b: Option<LoopRecipe>) -> bool {
    a.map(LoopRecipe::unscored) == b.map(LoopRecipe::unscored)
}

/// In and out points in source frames, and fades.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TrimRecipe {
    /// The part of the source that is delivered.
    pub range: FrameRange,
    /// The onset, in source frames.
    pub onset: Frame,
    /// Fade at the in point.
    pub fade_in: Seconds,
    /// Fade at the out point.
    pub fade_out: Seconds,
}

/// Target and strengths. The strengths are 0 to 1 here, 0 to 100 % on screen and on the command
/// line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TuneRecipe {
    /// The note to bring the take to; also the delivered root key.
    pub target: MidiNote,
    /// Semitones by which the take is moved besides: 0 leaves what sounds on its note; a wrong note
    /// is moved to its name by the steps between them (−2: sounded a whole tone above `target`). The
    /// strengths have no say in this, so half a centre never makes half a step.
    #[serde(default)]
    pub moved: i8,
    /// Added to the target's equal-tempered pitch.
    pub offset: Cents,
    /// How much of the whole take's deviation is taken out.
    pub centre: f64,
    /// How much of the slow movement (below 2 Hz).
    pub drift: f64,
    /// How much of the fast movement (2 Hz and above).
    pub vibrato: f64,
    /// How much of drift and vibrato flattening applies where, over seconds after the onset.
    pub curve: StrengthCurve,
}

impl TuneRecipe {
    /// What is proposed for a take of `target`: brought to it as a whole, drift taken out, vibrato and
    /// attack left as they were played.
    pub fn onto(target: MidiNote) -> Self {
        Self {
            target,
            moved: 0,
            offset: Cents(0.0),
            centre: 1.0,
            drift: 1.0,
            vibrato: 0.0,
            curve: StrengthCurve::default(),
        }
    }
}

/// A loop, kept as source positions so that it survives a change of tuning.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LoopRecipe {
    /// Source position (fractional frames) of the loop's first frame.
    pub start: f64,
    /// Source position of the first frame after the loop.
    pub end: f64,
    /// Length of the crossfade before the loop end; 0: none.
    pub crossfade: Seconds,
    /// 0 to 100 (see `dsp::looping`): as of when it was chosen, or as it was judged last in the rendered
    /// take since. It follows from the sound and says nothing of what is to be done.
    pub score: f64,
    /// The parts of the score, as of the same moment.
    pub parts: LoopParts,
    /// A locked loop is not touched by proposals.
    pub locked: bool,
    /// Whether a slow gain brings the level at the loop end to that at the loop start.
    #[serde(default)]
    pub even: bool,
}

impl LoopRecipe {
    /// The same without its score: what is to be done.
    pub fn unscored(self) -> Self {
        Self { score: 0.0, parts: LoopParts::default(), ..self }
    }
}

/// What loops are looked for.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LoopSearch {
    /// Shortest loop.
    pub shortest: Seconds,
    /// Longest loop.
    pub longest: Seconds,
    /// At least so many cycles of the vibrato, where there is one; 0: however few.
    pub vibrato_cycles: f64,
}

impl Default for LoopSearch {
    /// Loops under 50 ms sound like a machine; beyond 12 s nothing is gained.
    fn default() -> Self {
        Self { shortest: Seconds(0.05), longest: Seconds(12.0), vibrato_cycles: 0.0 }
    }
}

/// Level changes.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct LevelRecipe {
    /// Gain applied to the whole take.
    pub gain: Decibels,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_guards_a_setting_is_not_heard_and_what_is_heard_counts() {
        let base = Recipe {
            clean: CleanRecipe::full(),
            trim: TrimRecipe {
                range: FrameRange::new(0, 9_000),
                onset: Frame(100),
                fade_in: Seconds(0.0),
                fade_out: Seconds(0.01),
            },
            tune: TuneRecipe::onto(MidiNote(60)),
            looping: Some(LoopRecipe {
                start: 1_000.0,
                end: 5_000.0,
                crossfade: Seconds(0.02),
                score: 80.0,
                parts: LoopParts::default(),
                locked: false,
                even: false,
            }),
            level: LevelRecipe::default(),
        };
        let with = |change: fn(&mut Recipe, &mut LoopRecipe)| {
            let mut other = base.clone();
            let mut l = base.looping.unwrap();
            change(&mut other, &mut l);
            Recipe { looping: Some(l), ..other }
        };
        type Change = fn(&mut Recipe, &mut LoopRecipe);
        let unheard: [Change; 3] = [|_, l| l.locked = true, |_, l| l.score = 3.0, |r, _| r.clean.own = true];
        for change in unheard {
            assert!(with(change).sounds_as(&base));
        }
        let heard: [Change; 5] = [
            |_, l| l.end += 1.0,
            |_, l| l.even = true,
            |r, _| r.clean.floor_db += 1.0,
            |r, _| r.clean.amount = 0.5,
            |r, _| r.level.gain = Decibels(1.0),
        ];
        for change in heard {
            assert!(!with(change).sounds_as(&base));
        }
        // How it would be cleaned is not heard of a take that is not.
        let dry = with(|r, _| r.clean.amount = 0.0);
        let mut other = dry.clone();
        other.clean.floor_db += 6.0;
        assert!(other.sounds_as(&dry) && !other.same_but_score(&dry));
    }
}
