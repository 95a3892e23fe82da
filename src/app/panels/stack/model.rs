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
    /// Its sound is on its way: there is none yet, or one of an older recipe.
    pub coming: bool,
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

    /// How many layers have their sound, and how many there will be.
    pub fn ready(&self) -> (usize, usize) {
        let wanted = self.lanes.iter().filter(|l| l.take.recipe.is_some());
        let coming = self.lanes.iter().filter(|l| l.coming).count();
        let all = wanted.count();
        (all.saturating_sub(coming), all)
    }

    /// How many layers have a loop.
    pub fn looped(&self) -> usize {
        self.lanes.iter().filter(|l| l.looping.is_some()).count()
    }

    /// A layer's number as it is shown.
    pub fn number(&self, k: usize) -> u32 {
        self.layers.get(k).map_or(k as u32, |l| u32::from(*l)) + 1
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
    let coming =
        take.recipe.is_some() && failed.is_none() && (made.is_none() || derived.is_some_and(|d| d.updating));
    let range = made.and_then(|m| m.rendered.looping).map(|l| l.range);
    let score = take.loop_score().unwrap_or(0.0);
    let looping = made.zip(range).and_then(|(m, r)| apart::stack_loop(&m.rendered, r, score, speed));
    let dips = derived
        .and_then(|d| d.dips.as_ref())
        .filter(|(recipe, _)| made.is_some_and(|m| std::sync::Arc::ptr_eq(recipe, &m.recipe)))
        .map_or(&[][..], |(_, dips)| dips.as_slice());
    Some(Lane { take, made, missing, coming, speed, range, looping, dips })
}

impl Lane<'_> {
    /// How far its loop has come `s` seconds after the onset, 0 to 1; none before the loop is reached.
    pub fn share_at(&self, s: f64) -> Option<f64> {
        let l = self.looping.filter(|l| s >= l.entry_s)?;
        Some(((s - l.entry_s) / l.length_s).fract())
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

/// A turn of a loop: its end meets its start.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Turn {
    /// When, in seconds after the onset.
    pub at_s: f64,
    /// How far from it the nearest turn of another layer is, and which layer's; none: no other layer turns.
    pub nearest: Option<(f64, usize)>,
}

/// The turns of every layer, each with the nearest turn of another. `joins`: times by layer, ascending.
pub fn turns(joins: &[Vec<f64>]) -> Vec<Vec<Turn>> {
    let mut all: Vec<(f64, usize)> =
        joins.iter().enumerate().flat_map(|(k, t)| t.iter().map(move |s| (*s, k))).collect();
    all.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    let mut nearest: Vec<Option<(f64, usize)>> = vec![None; all.len()];
    // Forth and back: the last turn of every layer is the nearest one on that side.
    for back in [false, true] {
        let mut last: Vec<Option<f64>> = vec![None; joins.len()];
        for n in 0..all.len() {
            let i = if back { all.len() - 1 - n } else { n };
            let (s, k) = all[i];
            for (other, t) in last.iter().enumerate().filter(|(other, _)| *other != k) {
                let Some(gap) = t.map(|t: f64| (s - t).abs()) else { continue };
                if nearest[i].is_none_or(|(best, _)| gap < best) {
                    nearest[i] = Some((gap, other));
                }
            }
            last[k] = Some(s);
        }
    }
    let mut by_layer: Vec<Vec<Turn>> = joins.iter().map(|t| Vec::with_capacity(t.len())).collect();
    for ((at_s, k), nearest) in all.into_iter().zip(nearest) {
        by_layer[k].push(Turn { at_s, nearest });
    }
    by_layer
}

/// What the loops do together.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Together {
    /// Joins, near-collisions, common beat.
    pub report: StackReport,
    /// All near-collisions.
    pub near: Vec<NearMiss>,
    /// All turns, by layer.
    pub turns: Vec<Vec<Turn>>,
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
            turns: turns(&report.joins),
            report,
            dips,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand, and against looking at every pair.
    #[test]
    fn every_turn_knows_the_nearest_of_another_layer() {
        let joins = vec![vec![1.0, 2.0, 3.0], vec![1.3, 2.9], vec![]];
        let of = |k: usize| turns(&joins)[k].iter().map(|t| t.nearest.unwrap()).collect::<Vec<_>>();
        let near = |found: (f64, usize), gap: f64, with| (found.0 - gap).abs() < 1e-9 && found.1 == with;
        assert!(near(of(0)[0], 0.3, 1) && near(of(0)[1], 0.7, 1) && near(of(0)[2], 0.1, 1));
        assert!(near(of(1)[0], 0.3, 0) && near(of(1)[1], 0.1, 0));
        assert!(turns(&joins)[2].is_empty());
        assert_eq!(turns(&[vec![1.0, 2.0]])[0][0].nearest, None, "one layer alone meets nobody");
        let many: Vec<Vec<f64>> =
            (0..4).map(|k| (1..80).map(|i| 0.37 * f64::from(k + 3) * f64::from(i)).collect()).collect();
        for (k, layer) in turns(&many).iter().enumerate() {
            for t in layer {
                let others = many.iter().enumerate().filter(|(o, _)| *o != k).flat_map(|(_, t)| t);
                let gap = others.map(|o| (o - t.at_s).abs()).fold(f64::INFINITY, f64::min);
                assert!((t.nearest.unwrap().0 - gap).abs() < 1e-12);
            }
        }
    }
}
