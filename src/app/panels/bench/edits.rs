//! From a wish to an [`Edit`]: the limits of every handle, and what moving it changes. No widget.

use super::gesture::step;
use super::model::{Model, Stage};
use crate::app::command::{Command, EditCommand};
use crate::app::shortcuts::{By, Nudge};
use crate::app::view::View;
use crate::dsp::looping::{self, LoopParts};
use crate::render::loops::score_in;
use crate::session::{CleanRecipe, Edit, LoopRecipe, TrimRecipe, TuneRecipe};
use crate::units::{Decibels, Frame, FrameRange, Seconds};

/// A loop is longer than this, in rendered frames.
pub const SHORTEST_LOOP: f64 = 32.0;
/// The part of the source between in and out is at least this long, in source frames.
pub const SHORTEST_TAKE: f64 = 64.0;

/// What stands beside a locked loop that somebody tries to move.
pub const LOCKED: &str = "This loop is locked; L unlocks it";

/// A wish to be told why the locked loop does not move.
pub fn refused(m: &Model<'_>) -> Command {
    Command::Edit(EditCommand::LoopIsLocked(m.take.id))
}

/// A handle on the wave.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Mark {
    /// In point.
    In,
    /// Out point.
    Out,
    /// Onset.
    Onset,
    /// Loop start.
    LoopStart,
    /// Loop end.
    LoopEnd,
    /// Length of the fade in.
    FadeIn,
    /// Length of the fade out.
    FadeOut,
}

impl Mark {
    /// All, in the order in which Tab goes through them. The fades come last: their handles are small and lie
    /// over the lines, of which there is more to take hold of elsewhere.
    pub const ALL: [Self; 7] =
        [Self::In, Self::Onset, Self::LoopStart, Self::LoopEnd, Self::Out, Self::FadeIn, Self::FadeOut];

    /// What it is called.
    pub fn name(self) -> &'static str {
        match self {
            Self::In => "In point",
            Self::Out => "Out point",
            Self::Onset => "Onset",
            Self::LoopStart => "Loop start",
            Self::LoopEnd => "Loop end",
            Self::FadeIn => "Fade in",
            Self::FadeOut => "Fade out",
        }
    }

    /// The step in the history.
    pub fn label(self) -> &'static str {
        match self {
            Self::In => "Move in point",
            Self::Out => "Move out point",
            Self::Onset => "Move onset",
            Self::LoopStart => "Move loop start",
            Self::LoopEnd => "Move loop end",
            Self::FadeIn => "Change fade in",
            Self::FadeOut => "Change fade out",
        }
    }

    /// Whether it is counted in rendered frames (the others: source frames).
    pub fn in_rendered(self) -> bool {
        matches!(self, Self::LoopStart | Self::LoopEnd)
    }

    /// Whether it belongs to a locked loop, and so stays where it is.
    pub fn is_locked(self, m: &Model<'_>) -> bool {
        self.in_rendered() && m.loop_is_locked()
    }

    /// Whether it is a length, not a place.
    pub fn is_length(self) -> bool {
        matches!(self, Self::FadeIn | Self::FadeOut)
    }

    /// What it is worth: rendered frames for the loop, else source frames.
    pub fn value(self, m: &Model<'_>) -> Option<f64> {
        let trim = &m.recipe()?.trim;
        Some(match self {
            Self::In => trim.range.start.0 as f64,
            Self::Out => trim.range.end.0 as f64,
            Self::Onset => trim.onset.0 as f64,
            Self::LoopStart => m.loop_frames()?.0,
            Self::LoopEnd => m.loop_frames()?.1,
            Self::FadeIn => trim.fade_in.frames(m.source.rate).0 as f64,
            Self::FadeOut => trim.fade_out.frames(m.source.rate).0 as f64,
        })
    }

    /// Where it stands, as a source position.
    pub fn source_position(self, m: &Model<'_>) -> Option<f64> {
        let trim = &m.recipe()?.trim;
        Some(match self {
            Self::LoopStart => m.looping()?.start,
            Self::LoopEnd => m.looping()?.end,
            Self::FadeIn => trim.range.start.0 as f64 + self.value(m)?,
            Self::FadeOut => trim.range.end.0 as f64 - self.value(m)?,
            _ => self.value(m)?,
        })
    }

    /// The value that puts it at a source position: the inverse of [`Mark::source_position`].
    pub fn value_at(self, m: &Model<'_>, source: f64) -> f64 {
        let Some(r) = m.recipe() else { return source };
        match self {
            Self::LoopStart | Self::LoopEnd => m.frame_of(source),
            Self::FadeIn => source - r.trim.range.start.0 as f64,
            Self::FadeOut => r.trim.range.end.0 as f64 - source,
            _ => source,
        }
    }

    /// Least and greatest value.
    pub fn limits(self, m: &Model<'_>) -> Option<(f64, f64)> {
        let now = self.value(m)?;
        let trim = &m.recipe()?.trim;
        let (clip_start, clip_end) = m.clip_frames();
        let (first, last) = (trim.range.start.0 as f64, trim.range.end.0 as f64);
        let fades = |m: &Model<'_>| Some(Self::FadeIn.value(m)? + Self::FadeOut.value(m)?);
        let (looped_from, looped_to) =
            m.looping().map_or((f64::INFINITY, f64::NEG_INFINITY), |l| (l.start.floor(), l.end.ceil()));
        let (low, high) = match self {
            Self::In => {
                let room = last - SHORTEST_TAKE.max(fades(m)?);
                (clip_start, room.min(trim.onset.0 as f64).min(looped_from))
            }
            Self::Out => {
                let room = first + SHORTEST_TAKE.max(fades(m)?);
                (room.max(trim.onset.0 as f64 + 1.0).max(looped_to), clip_end)
            }
            Self::Onset => (first, last - 1.0),
            Self::LoopStart => (m.frame_of(first).ceil(), m.loop_frames()?.1 - SHORTEST_LOOP - 1.0),
            Self::LoopEnd => (m.loop_frames()?.0 + SHORTEST_LOOP + 1.0, m.frame_of(last).floor()),
            Self::FadeIn => (0.0, last - first - Self::FadeOut.value(m)?),
            Self::FadeOut => (0.0, last - first - Self::FadeIn.value(m)?),
        };
        // A value that an older rule allowed is never pushed about by looking at it.
        Some((low.min(now), high.max(now)))
    }

    /// The value in words.
    pub fn text(self, m: &Model<'_>, value: f64) -> String {
        let rate = if self.in_rendered() { m.out_rate() } else { m.rate() };
        if self.is_length() {
            format!("{:.1} ms, {value:.0} frames", value / rate * 1000.0)
        } else {
            format!("{:.3} s, frame {value:.0}", value / rate)
        }
    }

    /// The change that gives it `value`, clamped; `scored`: with the loop's new score (at rest). None for
    /// an end of a locked loop.
    pub fn edit(self, m: &Model<'_>, value: f64, scored: bool) -> Option<Edit> {
        if self.is_locked(m) {
            return None;
        }
        let (low, high) = self.limits(m)?;
        let value = value.round().clamp(low, high.max(low));
        if self.in_rendered() {
            let (start, end) = m.loop_frames()?;
            let (start, end) = if self == Self::LoopStart { (value, end) } else { (start, value) };
            return loop_edit(m, self, start, end, scored);
        }
        let mut trim = m.recipe()?.trim;
        let frame = Frame(value.max(0.0) as u64);
        let length = Seconds(value / m.rate());
        match self {
            Self::In => trim.range.start = frame,
            Self::Out => trim.range.end = frame,
            Self::Onset => trim.onset = frame,
            Self::FadeIn => trim.fade_in = length,
            _ => trim.fade_out = length,
        }
        Some(set_trim(m, trim))
    }
}

/// The end that was not touched keeps its source position to the bit.
fn loop_edit(m: &Model<'_>, which: Mark, start: f64, end: f64, scored: bool) -> Option<Edit> {
    let mut l = *m.looping()?;
    if which == Mark::LoopStart {
        l.start = m.source_of(start);
    } else {
        l.end = m.source_of(end);
    }
    l.crossfade = Seconds(l.crossfade.0.min(longest_crossfade(start, end) / m.out_rate()));
    Some(set_loop(m, if scored { rescored(m, l) } else { l }))
}

/// A crossfade is no longer than the loop, nor than what lies before it; in rendered frames.
pub fn longest_crossfade(start: f64, end: f64) -> f64 {
    (end - start).min(start).max(0.0)
}

/// The change of both ends, in rendered frames, clamped; none for a locked loop.
pub fn loop_between(m: &Model<'_>, start: f64, end: f64, scored: bool) -> Option<Edit> {
    let mut l = m.looping().copied().filter(|l| !l.locked)?;
    let trim = &m.recipe()?.trim;
    let (low, high) =
        (m.frame_of(trim.range.start.0 as f64).ceil(), m.frame_of(trim.range.end.0 as f64).floor());
    let start = start.round().clamp(low, (high - SHORTEST_LOOP - 1.0).max(low));
    let end = end.round().clamp(start + SHORTEST_LOOP + 1.0, high.max(start + SHORTEST_LOOP + 1.0));
    l.start = m.source_of(start);
    l.end = m.source_of(end);
    l.crossfade = Seconds(l.crossfade.0.min(longest_crossfade(start, end) / m.out_rate()));
    Some(set_loop(m, if scored { rescored(m, l) } else { l }))
}

/// The change of the crossfade's length.
pub fn crossfade(m: &Model<'_>, ms: f64, scored: bool) -> Option<Edit> {
    let mut l = *m.looping()?;
    let (start, end) = m.loop_frames()?;
    l.crossfade = Seconds((ms / 1000.0).clamp(0.0, longest_crossfade(start, end) / m.out_rate()));
    Some(set_loop(m, if scored { rescored(m, l) } else { l }))
}

/// The loop with the score that it has in the rendered audio; as it was where it cannot be scored.
pub fn rescored(m: &Model<'_>, mut l: LoopRecipe) -> LoopRecipe {
    if let Some((score, parts)) = score(m, &l) {
        l.score = score;
        l.parts = parts;
    }
    l
}

fn score(m: &Model<'_>, l: &LoopRecipe) -> Option<(f64, LoopParts)> {
    let rendered = &m.made?.rendered;
    let frame = |source: f64| m.frame_of(source).round().max(0.0) as u64;
    let range = FrameRange::new(frame(l.start), frame(l.end));
    score_in(rendered, m.f0()?, range, l.crossfade.frames(rendered.audio.rate()).0, l.even)
}

/// The zero crossing next to a handle, as its value.
pub fn crossing(m: &Model<'_>, mark: Mark, value: f64, forward: bool) -> Option<f64> {
    let (audio, first) = if mark.in_rendered() {
        (&m.made?.rendered.audio, 0.0)
    } else if mark.is_length() {
        return None;
    } else {
        (&m.sound.analysed.clip.audio, m.clip_frames().0)
    };
    // A second to the side is as far as one looks.
    let at = (value - first).max(0.0) as u64;
    let room = u64::from(audio.rate().hz());
    let from = if forward { at.saturating_sub(2) } else { at.saturating_sub(room) };
    let part = audio.part(FrameRange::new(from, at.saturating_add(if forward { room } else { 2 })));
    Some(looping::next_zero_crossing(&part, at - from, forward)? as f64 + from as f64 + first)
}

/// A first loop where there is none: the best suggestion, else the middle half of the sustain.
pub fn first_loop(m: &Model<'_>) -> Option<Edit> {
    if let Some((_, l)) = m.suggestions().first() {
        return Some(set_loop(m, *l));
    }
    let trim = m.recipe()?.trim;
    let (onset, last) = (trim.onset.0 as f64, trim.range.end.0 as f64);
    let (a, b) = (onset + (last - onset) * 0.3, onset + (last - onset) * 0.7);
    let (start, end) = (m.frame_of(a).round(), m.frame_of(b).round());
    if end - start <= SHORTEST_LOOP {
        return None;
    }
    let l = LoopRecipe {
        start: m.source_of(start),
        end: m.source_of(end),
        crossfade: Seconds(0.0),
        score: 0.0,
        parts: LoopParts::default(),
        locked: false,
        even: false,
    };
    Some(set_loop(m, rescored(m, l)))
}

/// The step that takes a suggestion; instead of a locked loop none is taken, and that is said.
pub fn take_suggestion(m: &Model<'_>, i: usize) -> Option<Command> {
    let (_, l) = m.suggestions().get(i)?;
    if m.loop_is_locked() {
        return Some(refused(m));
    }
    Some(step("Take loop candidate", set_loop(m, LoopRecipe { locked: false, ..*l })))
}

/// The change that locks the loop or unlocks it, and its name.
pub fn lock(m: &Model<'_>, locked: bool) -> Option<(&'static str, Edit)> {
    let l = *m.looping()?;
    Some((if locked { "Lock loop" } else { "Unlock loop" }, set_loop(m, LoopRecipe { locked, ..l })))
}

/// The change that evens the level inside the loop or leaves it as it was played, and its name.
pub fn even(m: &Model<'_>, even: bool) -> Option<(&'static str, Edit)> {
    let l = *m.looping()?;
    let label = if even { "Even the level in the loop" } else { "Leave the level in the loop" };
    Some((label, set_loop(m, rescored(m, LoopRecipe { even, ..l }))))
}

/// Locks the selected take's loop, or unlocks it: one step.
pub fn lock_wanted(view: &View<'_>) -> Option<Command> {
    let take = view.selected_take().filter(|_| !view.read_only)?;
    let l = take.recipe.as_ref()?.looping?;
    let label = if l.locked { "Unlock loop" } else { "Lock loop" };
    let looping = Some(LoopRecipe { locked: !l.locked, ..l });
    Some(step(label, Edit::SetLoop { take: take.id, looping }))
}

/// Moves one end of the selected take's loop: one step.
pub fn nudged(view: &View<'_>, nudge: Nudge) -> Option<Command> {
    let Stage::Here(m) = Stage::of(view) else { return None };
    if view.read_only {
        return None;
    }
    let mark = if nudge.end { Mark::LoopEnd } else { Mark::LoopStart };
    if mark.is_locked(&m) {
        return Some(refused(&m));
    }
    let by = match nudge.by {
        By::Frame => 1.0,
        By::Ten => 10.0,
        By::Period => m.period_frames()?,
    };
    let value = mark.value(&m)? + if nudge.later { by } else { -by };
    mark.edit(&m, value, true).map(|e| step(mark.label(), e))
}

/// Replaces the trim.
pub fn set_trim(m: &Model<'_>, trim: TrimRecipe) -> Edit {
    Edit::SetTrim { take: m.take.id, trim }
}

/// Replaces the tuning.
pub fn set_tune(m: &Model<'_>, change: impl FnOnce(&mut TuneRecipe)) -> Option<Edit> {
    let mut tune = m.recipe()?.tune.clone();
    change(&mut tune);
    Some(Edit::SetTune { take: m.take.id, tune })
}

/// Replaces the cleaning.
pub fn set_clean(m: &Model<'_>, change: impl FnOnce(&mut CleanRecipe)) -> Option<Edit> {
    let mut clean = m.recipe()?.clean.clone();
    change(&mut clean);
    Some(Edit::SetClean { take: m.take.id, clean })
}

/// Replaces the loop.
pub fn set_loop(m: &Model<'_>, l: LoopRecipe) -> Edit {
    Edit::SetLoop { take: m.take.id, looping: Some(l) }
}

/// Replaces the gain.
pub fn set_gain(m: &Model<'_>, db: f64) -> Option<Edit> {
    let mut level = m.recipe()?.level;
    level.gain = Decibels(db);
    Some(Edit::SetLevel { take: m.take.id, level })
}
