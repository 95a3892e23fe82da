//! What the stack room shows, gathered from the view: lanes, joins, what comes near what. No widget.

use crate::app::derived::FromRecipe;
use crate::app::stack::StackSetup;
use crate::app::view::View;
use crate::dsp::looping::stack::{Dip, NearMiss, StackLoop, StackReport, near_misses, report};
use crate::render::apart;
use crate::session::{Take, TakeId};
use crate::units::{FrameRange, MidiNote};

/// Dips of two layers closer than this are heard as one, in seconds: about as long as a breath or a
/// change of bow takes (common practice, no source).
const DIPS_TOGETHER_S: f64 = 0.15;

/// Why a lane has nothing to show or to hear.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Missing<'a> {
    /// It has no recipe.
    Recipe,
    /// Its sound is on its way.
    Sound,
    /// It could not be read.
    Failed(&'a str),
}

/// One layer.
#[derive(Clone, Copy)]
pub struct Lane<'a> {
    /// Its take.
    pub take: &'a Take,
    /// Its rendering.
    pub made: Option<&'a FromRecipe>,
    /// Why there is none.
    pub missing: Option<Missing<'a>>,
    /// How fast it is read.
    pub speed: f64,
    /// Its loop in rendered frames.
    pub range: Option<FrameRange>,
    /// The same in time.
    pub looping: Option<StackLoop>,
    /// Breaths and dips inside the loop, at its own speed.
    pub dips: &'a [Dip],
}

/// The layers of a note.
pub struct Stack<'a> {
    /// The note.
    pub note: MidiNote,
    /// Its layers, upwards.
    pub lanes: Vec<Lane<'a>>,
    /// Their numbers, from 0.
    pub layers: Vec<u16>,
}

impl<'a> Stack<'a> {
    /// The stack of the selected take's note; none without one.
    pub fn of(view: &View<'a>) -> Option<Self> {
        let note = view.selected_take()?.note?;
        let takes = apart::layers_of(view.document, view.sheet, note);
        let n = takes.len();
        let spread = view.sound.stack.setup.spread;
        let lanes: Vec<Lane<'a>> = takes
            .iter()
            .enumerate()
            .filter_map(|(k, id)| lane(view, *id, apart::speed(k, n, spread)))
            .collect();
        let layers = lanes.iter().map(|l| l.take.layer).collect();
        Some(Self { note, lanes, layers })
    }

    /// The loops, none for layers without one.
    pub fn loops(&self) -> Vec<Option<StackLoop>> {
        self.lanes.iter().map(|l| l.looping).collect()
    }
}

fn lane<'a>(view: &View<'a>, id: TakeId, speed: f64) -> Option<Lane<'a>> {
    let take: &'a Take = view.document.take(id)?;
    let derived = view.derived.of(id);
    let made = derived.and_then(|d| d.recipe.as_ref()).filter(|_| take.recipe.is_some());
    let failed = derived.and_then(|d| d.failed.as_deref());
    let missing = match (made, failed) {
        (Some(_), _) => None,
        (None, Some(why)) => Some(Missing::Failed(why)),
        (None, None) if take.recipe.is_none() => Some(Missing::Recipe),
        (None, None) => Some(Missing::Sound),
    };
    let range = made.and_then(|m| m.rendered.looping).map(|l| l.range);
    let score = take.loop_score().unwrap_or(0.0);
    let looping = made.zip(range).and_then(|(m, r)| apart::stack_loop(&m.rendered, r, score, speed));
    let dips = derived
        .and_then(|d| d.dips.as_ref())
        .filter(|(recipe, _)| made.is_some_and(|m| std::sync::Arc::ptr_eq(recipe, &m.recipe)))
        .map_or(&[][..], |(_, dips)| dips.as_slice());
    Some(Lane { take, made, missing, speed, range, looping, dips })
}

impl Lane<'_> {
    /// Rendered frame that sounds `s` seconds after the onset, going round; none before and after the
    /// sound.
    pub fn frame_at(&self, s: f64) -> Option<f64> {
        let made = self.made?;
        let audio = &made.rendered.audio;
        let mut frame = made.rendered.onset.0 as f64 + s * audio.rate().as_f64() * self.speed;
        if let Some(r) = self.range.filter(|r| frame >= r.end.0 as f64) {
            frame = r.start.0 as f64 + (frame - r.start.0 as f64).rem_euclid(r.count().0 as f64);
        }
        (frame >= 0.0 && frame < audio.len() as f64).then_some(frame)
    }

    /// When its dips come.
    pub fn dip_times(&self, until_s: f64) -> Vec<f64> {
        let Some(l) = self.looping else { return Vec::new() };
        let mut times: Vec<f64> =
            self.dips.iter().flat_map(|d| l.times_of(d.into_s / self.speed, until_s)).collect();
        times.sort_by(f64::total_cmp);
        times
    }
}

/// What the loops do together.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Together {
    /// Joins, near-collisions, common beat.
    pub report: StackReport,
    /// All near-collisions.
    pub near: Vec<NearMiss>,
    /// When dips come, by layer.
    pub dips: Vec<Vec<f64>>,
    /// Dips of two layers that come together.
    pub dips_near: Vec<NearMiss>,
}

/// Everything that [`Together`] depends on.
#[derive(Debug, Clone, PartialEq)]
pub struct Key(Vec<Option<StackLoop>>, Vec<Vec<(u64, u64)>>, u64, u64);

impl Key {
    /// The key of what is shown now.
    pub fn of(stack: &Stack<'_>, setup: &StackSetup) -> Self {
        let dips = |l: &Lane<'_>| l.dips.iter().map(|d| (d.into_s.to_bits(), d.depth_db.to_bits())).collect();
        Self(
            stack.loops(),
            stack.lanes.iter().map(dips).collect(),
            setup.params.until_s.to_bits(),
            setup.params.apart_s.to_bits(),
        )
    }
}

impl Together {
    /// Counts joins and what comes near what.
    pub fn of(stack: &Stack<'_>, setup: &StackSetup) -> Self {
        let (until_s, apart_s) = (setup.params.until_s, setup.params.apart_s);
        let report = report(&stack.loops(), until_s, apart_s).unwrap_or_default();
        let dips: Vec<Vec<f64>> = stack.lanes.iter().map(|l| l.dip_times(until_s)).collect();
        Self {
            near: near_misses(&report.joins, apart_s),
            dips_near: near_misses(&dips, DIPS_TOGETHER_S),
            report,
            dips,
        }
    }
}
