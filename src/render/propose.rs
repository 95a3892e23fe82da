//! Fills a take's recipe.

use super::chain::{Analysed, Rendered, finished, render};
use super::loops::{Loopable, Loops};
use crate::audio::AudioBuf;
use crate::dsp::looping::{MOST_EVENING_DB, MOST_RISE_DB, SeamAudit};
use crate::error::{Error, ErrorKind, Result};
use crate::session::{
    CleanRecipe, Concern, ConcernKind, LevelRecipe, Recipe, Setup, Take, TakeState, TrimRecipe, TuneRecipe,
};
use crate::units::{Decibels, Frame, FrameRange, MidiNote, Seconds};

/// What sounds before the onset is kept this long, the same for every take of a set.
const PRE_ROLL: Seconds = Seconds(0.010);
/// Shorter than the pre-roll, so that the attack stays as it was.
const FADE_IN: Seconds = Seconds(0.004);
const FADE_OUT: Seconds = Seconds(0.030);
/// Further off than this, a take is not tuned to its name but to what sounds: moving a note by
/// whole steps is the user's decision.
const WRONG_NOTE_CENTS: f64 = 60.0;
/// Highest sample peak that a proposal leaves.
const PEAK_CEILING: Decibels = Decibels(-0.3);
/// A crossfade can rise above its sides by so much.
const CROSSFADE_ROOM: Decibels = Decibels(MOST_RISE_DB);
/// How many loops are looked for.
const LOOPS: usize = 24;

/// A filled recipe, the loops to choose from, and the concerns the take has now.
#[derive(Debug, Clone)]
pub struct Proposal {
    /// The recipe, with the best loop in it.
    pub recipe: Recipe,
    /// Candidates, best first, in rendered frames and as recipes.
    pub loops: Loops,
    /// What the proposed loop measures when it goes round; none without a loop.
    pub audit: Option<SeamAudit>,
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
        tune: TuneRecipe::onto(target),
        looping: None,
        level: LevelRecipe::default(),
    };
    let rendered = render(a, &recipe, setup.a4, setup.delivery_rate)?;
    let mut concerns: Vec<Concern> =
        take.concerns.iter().filter(|c| !c.kind.is_of_proposals()).cloned().collect();
    concerns.extend(little_room_tone(a));
    let loopable = Loopable::of(rendered.clone(), setup);
    let loops = match loopable.as_ref().map_err(Clone::clone).and_then(|l| l.candidates(a, LOOPS)) {
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
    let audit = recipe.looping.as_ref().zip(loopable.ok()).and_then(|(l, on)| on.audit(a, l));
    Ok(Proposal { recipe, loops, audit, concerns })
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
    // Where there is less room than two voices of a crossfade and the evening can need, it is measured.
    let room = CROSSFADE_ROOM.0 + recipe.looping.filter(|l| l.even).map_or(0.0, |_| MOST_EVENING_DB);
    if recipe.looping.is_some() && highest > PEAK_CEILING.0 - room {
        highest = peak(&finished(&render(a, recipe, setup.a4, setup.delivery_rate)?)?);
    }
    Ok(Decibels((PEAK_CEILING.0 - highest).min(0.0)))
}

/// Whether "accept what passes" accepts this take: proposed, no concern that needs a look, loop
/// score at least `score`.
pub fn passes(take: &Take, score: f64) -> bool {
    take.state == TakeState::Proposed
        && take.note.is_some()
        && !take.concerns.iter().any(|c| c.kind.needs_a_look())
        && take.loop_score().is_some_and(|s| s >= score)
}
