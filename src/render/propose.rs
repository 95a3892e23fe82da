//! Fills a take's recipe.

use super::chain::{Analysed, Rendered, finished, render};
use crate::audio::AudioBuf;
use crate::dsp::looping::{LoopCandidate, LoopParams, MOST_RISE_DB, find_loops};
use crate::dsp::tune::StrengthCurve;
use crate::error::{Error, ErrorKind, Result};
use crate::session::{
    CleanRecipe, Concern, ConcernKind, LevelRecipe, LoopRecipe, Recipe, Setup, Take, TakeState, TrimRecipe,
    TuneRecipe,
};
use crate::units::{Cents, Decibels, Frame, FrameCount, FrameRange, MidiNote, Seconds};

/// What sounds before the onset is kept this long, the same for every take of a set.
const PRE_ROLL: Seconds = Seconds(0.010);
/// Shorter than the pre-roll, so that the attack stays as it was.
const FADE_IN: Seconds = Seconds(0.004);
const FADE_OUT: Seconds = Seconds(0.030);
/// A loop begins no sooner after the onset than this: the attack has settled.
const SETTLED: Seconds = Seconds(0.25);
/// A loop ends no later before the release than this.
const BEFORE_RELEASE: Seconds = Seconds(0.05);
/// Further off than this, a take is not tuned to its name but to what sounds: moving a note by
/// whole steps is the user's decision.
const WRONG_NOTE_CENTS: f64 = 60.0;
/// Highest sample peak that a proposal leaves.
const PEAK_CEILING: Decibels = Decibels(-0.3);
/// A crossfade can rise above its sides by so much.
const CROSSFADE_ROOM: Decibels = Decibels(MOST_RISE_DB);
/// Loops shorter than this sound like a machine; they are only taken where the search finds no others.
const SHORTEST_LOOP: Seconds = Seconds(0.05);
/// Longer ones gain nothing.
const LONGEST_LOOP: Seconds = Seconds(12.0);
/// How many loops are looked for.
const LOOPS: usize = 24;

/// A filled recipe, the loops to choose from, and the concerns the take has now.
#[derive(Debug, Clone)]
pub struct Proposal {
    /// The recipe, with the best loop in it.
    pub recipe: Recipe,
    /// Candidates, best first, in rendered frames and as recipes.
    pub loops: Vec<(LoopCandidate, LoopRecipe)>,
    /// The take's concerns, old and new.
    pub concerns: Vec<Concern>,
}

/// Proposes a recipe. A locked loop in the old recipe stays. Errors: `Nothing` where the take has
/// no note.
pub fn propose(take: &Take, a: &Analysed, setup: &Setup) -> Result<Proposal> {
    let target = target_note(take, setup)?;
    let mut recipe = Recipe {
        clean: clean_for(take, a, setup),
        trim: trim_for(take, a),
        tune: TuneRecipe {
            target,
            moved: 0,
            offset: Cents(0.0),
            centre: 1.0,
            drift: 1.0,
            vibrato: 0.0,
            curve: StrengthCurve::default(),
        },
        looping: None,
        level: LevelRecipe::default(),
    };
    let rendered = render(a, &recipe, setup.a4, setup.delivery_rate)?;
    let mut concerns: Vec<Concern> =
        take.concerns.iter().filter(|c| !of_proposals(c.kind)).cloned().collect();
    concerns.extend(little_room_tone(a));
    let loops = match candidates(a, &rendered, LOOPS) {
        Ok(loops) => loops,
        Err(e) if e.kind() == ErrorKind::Nothing => {
            concerns.push(Concern::new(ConcernKind::NoGoodLoop, e.to_string()));
            Vec::new()
        }
        Err(e) => return Err(e),
    };
    let locked = take.recipe.as_ref().and_then(|r| r.looping).filter(|l| l.locked);
    recipe.looping = locked.or_else(|| loops.first().map(|(_, l)| *l));
    recipe.level.gain = gain_under_ceiling(&rendered, a, &recipe, setup)?;
    if let Some(l) = &recipe.looping
        && l.score < setup.accept_score
    {
        concerns.push(Concern::new(
            ConcernKind::NoGoodLoop,
            format!("the best loop scores {:.0} of 100; {:.0} was asked for", l.score, setup.accept_score),
        ));
    }
    concerns.sort_by_key(|c| c.kind);
    Ok(Proposal { recipe, loops, concerns })
}

/// The concerns that a proposal judges anew.
fn of_proposals(kind: ConcernKind) -> bool {
    matches!(kind, ConcernKind::NoGoodLoop | ConcernKind::LittleRoomTone | ConcernKind::RoomChanged)
}

/// Settings of its own stay; else those of the set, where the room is known well enough.
fn clean_for(take: &Take, a: &Analysed, setup: &Setup) -> CleanRecipe {
    if let Some(own) = take.recipe.as_ref().map(|r| &r.clean).filter(|c| c.own) {
        return own.clone();
    }
    let known = a.room.as_ref().is_some_and(|r| !r.profile.is_too_little());
    let amount = if known { setup.clean.amount } else { 0.0 };
    CleanRecipe { amount, own: false, ..setup.clean.clone() }
}

fn little_room_tone(a: &Analysed) -> Option<Concern> {
    let profile = &a.room.as_ref()?.profile;
    profile.is_too_little().then(|| {
        let text = format!(
            "only {:.2} s of room tone are known, too little to clean by; mark a longer stretch with nobody playing (2 s are good), or learn the room from the whole folder",
            profile.seconds
        );
        Concern::new(ConcernKind::LittleRoomTone, text)
    })
}

/// The take's note, unless something else sounds by more than half a step.
fn target_note(take: &Take, setup: &Setup) -> Result<MidiNote> {
    let sounding = take.f0.map(|f| f.nearest_note(setup.a4).0);
    let (Some(note), f0) = (take.note.or(sounding), take.f0) else {
        return Err(Error::new(
            ErrorKind::Nothing,
            "no note is known for this take: none was heard and its file name holds none. Give it a note first",
        ));
    };
    let far = f0.is_some_and(|f| f.cents_above(note.frequency(setup.a4)).0.abs() > WRONG_NOTE_CENTS);
    Ok(if far { sounding.unwrap_or(note) } else { note })
}

fn trim_for(take: &Take, a: &Analysed) -> TrimRecipe {
    let rate = a.clip.audio.rate();
    let start = take.onset.minus(PRE_ROLL.frames(rate)).max(a.clip.offset);
    let end = take.span.end.min(a.clip.range().end);
    TrimRecipe {
        range: FrameRange { start, end: end.max(Frame(start.0 + 1)) },
        onset: take.onset,
        fade_in: FADE_IN,
        fade_out: FADE_OUT,
    }
}

/// The gain that keeps the finished take, crossfade included, under the ceiling.
fn gain_under_ceiling(bare: &Rendered, a: &Analysed, recipe: &Recipe, setup: &Setup) -> Result<Decibels> {
    let peak = |audio: &AudioBuf| Decibels::of_amplitude(f64::from(audio.peak())).0;
    let mut highest = peak(&bare.audio);
    // Where there is less room than two voices of a crossfade can need, it is measured.
    if recipe.looping.is_some() && highest > PEAK_CEILING.0 - CROSSFADE_ROOM.0 {
        highest = peak(&finished(&render(a, recipe, setup.a4, setup.delivery_rate)?)?);
    }
    Ok(Decibels((PEAK_CEILING.0 - highest).min(0.0)))
}

/// Loops for a take whose trim and tuning are settled: candidates in rendered frames and as recipes.
pub fn loops_for(
    a: &Analysed,
    recipe: &Recipe,
    setup: &Setup,
    top: usize,
) -> Result<Vec<(LoopCandidate, LoopRecipe)>> {
    // The search sees the sound without the present loop's exactness, so that it does not depend on it.
    let bare = Recipe { looping: None, ..recipe.clone() };
    let rendered = render(a, &bare, setup.a4, setup.delivery_rate)?;
    candidates(a, &rendered, top)
}

fn candidates(a: &Analysed, r: &Rendered, top: usize) -> Result<Vec<(LoopCandidate, LoopRecipe)>> {
    let (Some(f0), Some(sustain)) = (r.f0, r.sustain) else {
        return Err(Error::new(ErrorKind::Nothing, "no steady note was found, so there is nothing to loop"));
    };
    let rate = r.audio.rate();
    let start = sustain.start.max(r.onset.plus(SETTLED.frames(rate)));
    let within = FrameRange::new(start.0, sustain.end.minus(BEFORE_RELEASE.frames(rate)).0);
    let params =
        LoopParams { shortest_s: SHORTEST_LOOP.0, longest_s: LONGEST_LOOP.0, top, ..LoopParams::new(within) };
    let found = find_loops(&r.audio, f0, &params)?;
    Ok(found.into_iter().map(|c| (c, as_recipe(&c, a, r))).collect())
}

/// A candidate as it is kept: by source positions.
pub fn as_recipe(c: &LoopCandidate, a: &Analysed, r: &Rendered) -> LoopRecipe {
    LoopRecipe {
        start: r.source_of(&a.clip, c.range.start.0 as f64),
        end: r.source_of(&a.clip, c.range.end.0 as f64),
        crossfade: FrameCount(c.crossfade).lasts(r.audio.rate()),
        score: c.score,
        parts: c.parts,
        locked: false,
    }
}

/// Whether "accept what passes" accepts this take: proposed, no concern that needs a look, loop
/// score at least `score`.
pub fn passes(take: &Take, score: f64) -> bool {
    take.state == TakeState::Proposed
        && take.note.is_some()
        && !take.concerns.iter().any(|c| c.kind.needs_a_look())
        && take.loop_score().is_some_and(|s| s >= score)
}
