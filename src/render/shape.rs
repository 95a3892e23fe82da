//! What a delivery does to a take besides its recipe: even pre-roll, level, the tail after the loop.

use crate::audio::AudioBuf;
use crate::dsp::looping::crossfade_gains;
use crate::error::Result;
use crate::session::delivery::{DeliverySetup, Tail};
use crate::session::{Document, Recipe, Source, Take};
use crate::units::{Decibels, Frame, FrameRange};

use super::chain::{self, Rendered};

/// A take as it is written.
#[derive(Debug, Clone)]
pub struct Shaped {
    /// Its samples.
    pub audio: AudioBuf,
    /// Its loop.
    pub looping: Option<FrameRange>,
    /// Its onset.
    pub onset: Frame,
}

/// The recipe of a take as it is delivered: `gain` added to its own, and the in point moved for the
/// pre-roll of the set, but not into another take's sound. None where the take has no recipe.
pub fn recipe_for(document: &Document, take: &Take, source: &Source, gain: Decibels) -> Option<Recipe> {
    let mut recipe = take.recipe.clone()?;
    recipe.level.gain.0 += gain.0;
    if let Some(pre_roll) = document.setup.delivery.pre_roll {
        let onset = recipe.trim.onset;
        // The pitch map reads a hair faster or slower; the few frames are evened out when it is shaped.
        let wanted = onset.minus(pre_roll.frames(source.rate));
        let others = document.takes.iter().filter(|t| t.source == take.source && t.id != take.id);
        let free_from = others.map(|t| t.span.end).filter(|end| *end <= onset).max().unwrap_or(Frame(0));
        recipe.trim.range.start = wanted.max(free_from).max(chain::clip_range(take, source).start);
        recipe.trim.fade_in.0 = recipe.trim.fade_in.0.min(pre_roll.0);
    }
    Some(recipe)
}

/// What is written of a rendered take: crossfade baked in, exactly the pre-roll of the set before
/// the onset (silence where the recording has none), the tail as set up.
///
/// A tail that stays behind a crossfade comes back over the length of the crossfade: after the loop
/// end plays what follows the loop start, which then gives way to the recording. So the file has no
/// step there either when it is played straight through. Gains: [`crossfade_gains`].
pub fn shaped(r: &Rendered, setup: &DeliverySetup) -> Result<Shaped> {
    let baked = chain::finished(r)?;
    let mut planes: Vec<Vec<f32>> = baked.channels().map(<[f32]>::to_vec).collect();
    let mut looping = r.looping.map(|l| l.range);
    if let Some(l) = r.looping {
        match setup.tail {
            Tail::Kept if l.crossfade > 0 => come_back(&mut planes, l.range, l.crossfade as usize),
            Tail::Kept => {}
            Tail::Cut => planes.iter_mut().for_each(|p| p.truncate(l.range.end.0 as usize)),
            Tail::Faded(over) => {
                if l.crossfade > 0 {
                    come_back(&mut planes, l.range, l.crossfade as usize);
                }
                let frames = over.frames(baked.rate()).0 as usize;
                planes.iter_mut().for_each(|p| fade_away(p, l.range.end.0 as usize, frames));
            }
        }
    }
    let mut onset = r.onset;
    if let Some(pre_roll) = setup.pre_roll {
        let wanted = pre_roll.frames(baked.rate()).0;
        let by = wanted as i64 - onset.0 as i64;
        for p in &mut planes {
            if by > 0 {
                p.splice(0..0, std::iter::repeat_n(0.0, by as usize));
            } else {
                p.drain(..by.unsigned_abs() as usize);
            }
        }
        let moved = |f: Frame| Frame(f.0.saturating_add_signed(by));
        onset = moved(onset);
        looping = looping.map(|l| FrameRange { start: moved(l.start), end: moved(l.end) });
    }
    Ok(Shaped { audio: AudioBuf::new(planes, baked.rate())?, looping, onset })
}

fn come_back(planes: &mut [Vec<f32>], l: FrameRange, crossfade: usize) {
    let (start, end) = (l.start.0 as usize, l.end.0 as usize);
    let frames = crossfade.min(planes[0].len() - end).min(end - start);
    let (mut oo, mut ii, mut oi) = (1e-30, 1e-30, 0.0);
    for p in planes.iter() {
        for i in 0..frames {
            let (o, n) = (f64::from(p[start + i]), f64::from(p[end + i]));
            oo += o * o;
            ii += n * n;
            oi += o * n;
        }
    }
    let correlation = oi / f64::sqrt(oo * ii);
    let louder = planes
        .iter()
        .flat_map(|p| p[start..start + frames].iter().chain(&p[end..end + frames]))
        .fold(0.0f32, |most, x| most.max(x.abs()));
    let mixed = |gains: &dyn Fn(f64) -> (f64, f64)| -> Vec<Vec<f32>> {
        let one = |p: &Vec<f32>, i: usize| {
            let (out, inn) = gains(i as f64 / frames as f64);
            (f64::from(p[start + i]) * out + f64::from(p[end + i]) * inn) as f32
        };
        planes.iter().map(|p| (0..frames).map(|i| one(p, i)).collect()).collect()
    };
    let mut tail = mixed(&|x| crossfade_gains(x, correlation));
    // The recipe's gain leaves room for the loop, not for this: where the two together would stand
    // above either, gains that sum to one cannot.
    if tail.iter().flatten().any(|x| x.abs() > louder) {
        tail = mixed(&|x| (1.0 - x, x));
    }
    for (p, tail) in planes.iter_mut().zip(tail) {
        p[end..end + frames].copy_from_slice(&tail);
    }
}

/// Keeps at most `frames` after `end`, under a falling half cosine.
fn fade_away(plane: &mut Vec<f32>, end: usize, frames: usize) {
    let frames = frames.min(plane.len() - end);
    plane.truncate(end + frames);
    for (i, s) in plane[end..].iter_mut().enumerate() {
        let x = (i as f64 + 0.5) / frames as f64;
        *s *= (0.5 + 0.5 * (std::f64::consts::PI * x).cos()) as f32;
    }
}
