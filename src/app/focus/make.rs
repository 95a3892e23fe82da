//! What is made for the selected take: pure but for reading its file.

use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use super::Found;
use crate::app::derived::{CleaningMade, FromRecipe, FromSource, LoopMap};
use crate::dsp::looping::audit;
use crate::dsp::peaks::{Column, Peaks};
use crate::error::{Error, ErrorKind, Result};
use crate::io::decode::{decode_ranges_while, for_each_block};
use crate::jobs::Job;
use crate::render::chain::{analyse_while, finished, plain, render_while};
use crate::render::loops::Loopable;
use crate::session::{Recipe, Setup};
use crate::units::{FrameRange, Hertz, SampleRate};

/// How many loops there are to choose from.
const LOOPS: usize = 24;
/// So often a wave is told of that is still being read.
const TELL_EVERY: Duration = Duration::from_millis(100);
/// Parts that the wave of a whole file is drawn in.
const FILE_COLUMNS: u64 = 2_000;

/// A take's clip, tracked, with its peaks.
pub(super) fn from_source(path: &Path, range: FrameRange, span: FrameRange, job: &Job) -> Result<FromSource> {
    let mut clip = None;
    let go_on = || !job.cancel.is_cancelled();
    decode_ranges_while(path, &[range], &go_on, &mut |_, c| {
        clip = Some(c);
        true
    })?;
    job.check()?;
    let clip = clip.filter(|c| !c.audio.is_empty()).ok_or_else(|| {
        Error::new(
            ErrorKind::SessionDamaged,
            format!("{} ends before this take begins; survey the files again", path.display()),
        )
    })?;
    let analysed = analyse_while(clip, span, &go_on)?;
    let mixed: Arc<[f32]> = Arc::from(&*analysed.clip.audio.mixed());
    Ok(FromSource { peaks: Arc::new(Peaks::build(&mixed)), mixed, analysed: Arc::new(analysed) })
}

/// Extremes of equal parts of a file of `frames`; one block is held in memory. What was read so far is
/// told about ten times a second.
pub(super) fn file_wave(
    path: &Path,
    frames: u64,
    job: &Job,
    tell: &dyn Fn(Arc<[Column]>),
) -> Result<Arc<[Column]>> {
    let frames = frames.max(1);
    let empty = Column { min: f32::MAX, max: f32::MIN, rms: 0.0 };
    let mut columns = vec![empty; FILE_COLUMNS as usize];
    let mut at = 0u64;
    let mut told = Instant::now();
    job.begin("file", frames);
    for_each_block(path, &mut |planes| {
        for i in 0..planes[0].len() {
            let k = ((at + i as u64) * FILE_COLUMNS / frames).min(FILE_COLUMNS - 1);
            let c = &mut columns[k as usize];
            for p in planes {
                c.min = c.min.min(p[i]);
                c.max = c.max.max(p[i]);
            }
        }
        at += planes[0].len() as u64;
        job.advance(planes[0].len() as u64);
        if told.elapsed() >= TELL_EVERY {
            told = Instant::now();
            tell(flat_where_unread(columns.clone()));
        }
        !job.cancel.is_cancelled()
    })?;
    Ok(flat_where_unread(columns))
}

fn flat_where_unread(mut columns: Vec<Column>) -> Arc<[Column]> {
    let nothing = Column { min: 0.0, max: 0.0, rms: 0.0 };
    columns.iter_mut().filter(|c| c.min > c.max).for_each(|c| *c = nothing);
    columns.into()
}

/// Loops to choose from, and every start against every end.
pub(super) fn found(from: &FromSource, recipe: &Recipe, setup: &Setup) -> Result<Found> {
    let on = Loopable::new(&from.analysed, recipe, setup)?;
    Ok(Found { loops: on.candidates(&from.analysed, LOOPS), map: LoopMap::of(on).ok() })
}

/// A take rendered, with everything that is shown and heard of it.
pub(super) fn from_recipe(
    from: &FromSource,
    recipe: Arc<Recipe>,
    a4: Hertz,
    rate: SampleRate,
    job: &Job,
) -> Result<FromRecipe> {
    let a = &from.analysed;
    let go_on = || !job.cancel.is_cancelled();
    let rendered = render_while(a, &recipe, a4, rate, &go_on)?;
    job.check()?;
    // At the take's level, so that nobody takes louder for better.
    let plain = plain(a, &rendered)?.scaled(recipe.level.gain.gain() as f32)?;
    let cleaning = CleaningMade::of(a, &rendered, &recipe, &go_on)?;
    let finished = finished(&rendered)?;
    Ok(FromRecipe {
        score: FromRecipe::judge(&rendered, &recipe),
        // A loop that cannot be measured has no measure; it is no reason to show nothing.
        audit: rendered.looping.and_then(|l| audit(&finished, l.range).ok()),
        finished,
        recipe,
        rendered: Arc::new(rendered),
        plain,
        after: None,
        cleaning: cleaning.map(Arc::new),
    })
}
