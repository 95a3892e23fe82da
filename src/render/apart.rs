//! The layers of a note together: which takes they are, when their joins come, and loops that stay
//! apart for one note or for the whole set.

mod why;

use std::collections::HashMap;
use std::path::Path;
use std::sync::{Arc, Mutex};

use super::chain::{self, Analysed, Rendered};
use super::intake::analyse_takes;
use super::loops::Loopable;
use super::room::Rooms;
use crate::dsp::looping::stack::{StackLoop, StackParams, StackReport, choose_apart, report};
use crate::error::{Error, ErrorKind, Result};
use crate::jobs::Job;
use crate::session::{Document, Edit, LoopRecipe, Setup, Sheet, Take, TakeId, TakeState, same_loop};
use crate::units::{Cents, FrameRange, MidiNote};

pub use why::{PairCount, Remains, Why, by_pair};

/// How many loops of a take are chosen from.
const CANDIDATES: usize = 40;

/// The takes that make the stack of a note, by layer: of each layer the first that is not set aside.
pub fn layers_of(document: &Document, sheet: &Sheet, note: MidiNote) -> Vec<TakeId> {
    let alive = |id: &TakeId| document.take(*id).is_some_and(|t| t.state != TakeState::SetAside);
    (0..sheet.layers).filter_map(|l| sheet.at(note, l).iter().copied().find(alive)).collect()
}

/// Speed of layer number `k` of `n` when neighbours lie `spread` apart: the middle of the stack stays
/// where it is. 2^(c/1200) with c = (k − (n−1)/2)·spread.
pub fn speed(k: usize, n: usize, spread: Cents) -> f64 {
    ((k as f64 - (n.max(1) - 1) as f64 / 2.0) * spread.0 / 1200.0).exp2()
}

/// A loop in rendered frames as the stack sees it: counted from the onset, at `speed` times its own.
pub fn stack_loop(r: &Rendered, range: FrameRange, score: f64, speed: f64) -> Option<StackLoop> {
    let rate = r.audio.rate().as_f64() * speed;
    let entry_s = range.start.0.saturating_sub(r.onset.0) as f64 / rate;
    let length_s = range.count().0 as f64 / rate;
    (length_s > 1e-3).then_some(StackLoop { entry_s, length_s, score })
}

/// A layer with the loops that it could take.
#[derive(Debug, Clone)]
pub struct LayerLoops {
    /// The take as it was looked at.
    pub take: Arc<Take>,
    /// Loops, best first; the one it has now among them.
    pub loops: Vec<(StackLoop, LoopRecipe)>,
    /// Which of them it has now.
    pub now: Option<usize>,
}

impl LayerLoops {
    fn locked(&self) -> Option<usize> {
        self.now.filter(|i| self.loops[*i].1.locked)
    }
}

/// Looks for the loops of a take, sounding at `speed` times its own. A take without a recipe, or
/// where none is found, has only what it has now. Errors: as rendering and the search.
pub fn layer_loops(take: &Arc<Take>, a: &Analysed, setup: &Setup, speed: f64) -> Result<LayerLoops> {
    let mut layer = LayerLoops { take: Arc::clone(take), loops: Vec::new(), now: None };
    let Some(recipe) = &take.recipe else { return Ok(layer) };
    let rendered = chain::render(a, recipe, setup.a4, setup.delivery_rate)?;
    let found = match recipe.looping {
        // Nothing is chosen where the loop is locked: it need not be looked for.
        Some(l) if l.locked => Vec::new(),
        _ => match Loopable::new(a, recipe, setup).and_then(|l| l.candidates(a, CANDIDATES)) {
            Err(e) if e.kind() == ErrorKind::Nothing => Vec::new(),
            other => other?,
        },
    };
    for (c, l) in found {
        layer.loops.extend(stack_loop(&rendered, c.range, c.score, speed).map(|s| (s, l)));
    }
    if let (Some(l), Some(r)) = (recipe.looping, rendered.looping) {
        let same = |o: &LoopRecipe| (o.start - l.start).abs() < 0.5 && (o.end - l.end).abs() < 0.5;
        layer.now = layer.loops.iter().position(|(_, o)| same(o));
        match (layer.now, stack_loop(&rendered, r.range, l.score, speed)) {
            // What was set by hand besides its ends stays.
            (Some(now), _) => layer.loops[now].1 = l,
            (None, Some(s)) => {
                layer.loops.push((s, l));
                layer.now = Some(layer.loops.len() - 1);
            }
            (None, None) => {}
        }
    }
    Ok(layer)
}

/// What was chosen for one layer.
#[derive(Debug, Clone)]
pub struct Chosen {
    /// The take as it was looked at.
    pub take: Arc<Take>,
    /// Its loop before and now, with their lengths in seconds.
    pub before: Option<(LoopRecipe, f64)>,
    /// Its loop now.
    pub after: Option<(LoopRecipe, f64)>,
    /// Whether a locked loop was kept.
    pub locked: bool,
}

impl Chosen {
    /// Whether it has another loop than before.
    pub fn changed(&self) -> bool {
        self.before.map(|b| b.0) != self.after.map(|a| a.0)
    }
}

/// What was chosen for one note.
#[derive(Debug, Clone)]
pub struct NoteApart {
    /// The note.
    pub note: MidiNote,
    /// Its layers.
    pub layers: Vec<Chosen>,
    /// What the loops did together before.
    pub before: StackReport,
    /// What they do now.
    pub after: StackReport,
    /// Pairs of layers that came or come near each other.
    pub pairs: Vec<PairCount>,
    /// What remains of that, and why.
    pub remains: Remains,
}

/// Chooses loops that stay apart for the layers of a note. Errors: as [`choose_apart`].
pub fn note_apart(note: MidiNote, layers: &[LayerLoops], params: &StackParams) -> Result<NoteApart> {
    let candidates: Vec<Vec<StackLoop>> =
        layers.iter().map(|l| l.loops.iter().map(|(s, _)| *s).collect()).collect();
    let locked: Vec<Option<usize>> = layers.iter().map(LayerLoops::locked).collect();
    let plan = choose_apart(&candidates, &locked, params)?;
    let now: Vec<Option<StackLoop>> = layers.iter().map(|l| l.now.map(|i| l.loops[i].0)).collect();
    let told = |l: &LayerLoops, i: usize| (l.loops[i].1, l.loops[i].0.length_s);
    let chosen = layers
        .iter()
        .zip(&plan.chosen)
        .map(|(l, to)| Chosen {
            take: Arc::clone(&l.take),
            before: l.now.map(|i| told(l, i)),
            after: to.map(|i| told(l, i)),
            locked: l.locked().is_some(),
        })
        .collect();
    let before = report(&now, params.until_s, params.apart_s)?;
    let pairs = why::pair_counts(&before, &plan.report, params.apart_s);
    let mut told =
        NoteApart { note, layers: chosen, before, after: plan.report, pairs, remains: Remains::default() };
    told.remains = why::remains(&told, layers, params)?;
    Ok(told)
}

impl NoteApart {
    /// The changes of the document.
    pub fn edits(&self) -> impl Iterator<Item = Edit> + '_ {
        self.layers
            .iter()
            .filter(|c| c.changed())
            .map(|c| Edit::SetLoop { take: c.take.id, looping: c.after.map(|(l, _)| l) })
    }

    /// How many near-collisions there were and are, in all and by pairs of layers.
    pub fn counts(&self, params: &StackParams) -> String {
        let within = minutes(params.until_s);
        let (before, after) = (self.before.near_count, self.after.near_count);
        let all = match (before, after) {
            (0, 0) => return format!("no near-collision within {within}, before and now."),
            (b, a) if b == a => format!("near-collisions within {within}: {a}, as before."),
            (b, a) => format!("near-collisions within {within}: {b} before, {a} now."),
        };
        let pair = |p: &PairCount| {
            let (a, b) = (self.number(p.layers.0), self.number(p.layers.1));
            format!("{a} and {b}: {} → {}", p.before, p.after)
        };
        let pairs: Vec<String> = self.pairs.iter().map(pair).collect();
        format!("{all} Layers {}.", pairs.join("; "))
    }

    /// What was changed, layer by layer, in sentences.
    pub fn changes(&self) -> Vec<String> {
        let lines: Vec<String> = self.layers.iter().filter_map(Chosen::words).collect();
        if lines.is_empty() { vec!["Every loop stays as it was.".into()] } else { lines }
    }

    /// Why near-collisions remain and what would leave fewer, in sentences; nothing where none does.
    pub fn why(&self, params: &StackParams) -> Vec<String> {
        self.remains.words(&|i| self.number(i), params, &minutes(params.until_s))
    }

    /// A layer's number as it is shown, from 1.
    fn number(&self, i: usize) -> u16 {
        self.layers.get(i).map_or(i as u16, |c| c.take.layer) + 1
    }
}

impl Chosen {
    fn words(&self) -> Option<String> {
        let layer = self.take.layer + 1;
        let (after, length) = self.after.filter(|_| self.changed())?;
        let score = after.score;
        Some(match self.before {
            Some((before, was)) => format!(
                "Layer {layer}: loop of {was:.2} s → {length:.2} s, score {:.0} → {score:.0}.",
                before.score
            ),
            None => format!("Layer {layer}: a loop of {length:.2} s, score {score:.0}; it had none."),
        })
    }
}

/// How many near-collisions there are, in a sentence.
pub fn remaining(report: &StackReport, params: &StackParams) -> String {
    let within = minutes(params.until_s);
    match report.near_count {
        0 => format!("no two seams come closer than {:.0} ms within {within}.", 1000.0 * params.apart_s),
        1 => format!("one near-collision within {within}."),
        n => format!("{n} near-collisions within {within}."),
    }
}

/// `40 s`, `3 min`, `2 min 30 s`.
pub fn minutes(s: f64) -> String {
    let whole = s.round() as u64;
    match (whole / 60, whole % 60) {
        (0, s) => format!("{s} s"),
        (m, 0) => format!("{m} min"),
        (m, s) => format!("{m} min {s} s"),
    }
}

/// `4.2 s`, `1:04.2`.
pub fn moment(s: f64) -> String {
    let tenths = (10.0 * s.max(0.0)).round() as u64;
    let (minutes, rest) = (tenths / 600, tenths % 600);
    if minutes == 0 {
        format!("{}.{} s", rest / 10, rest % 10)
    } else {
        format!("{minutes}:{:02}.{}", rest / 10, rest % 10)
    }
}

/// What was chosen for several notes.
#[derive(Debug, Clone)]
pub struct SetApart {
    /// Note by note, upwards.
    pub notes: Vec<NoteApart>,
    /// Notes of which something could not be read, and why.
    pub failed: Vec<(MidiNote, Error)>,
    /// What staying apart meant.
    pub params: StackParams,
    /// The spread it was chosen for.
    pub spread: Cents,
}

impl SetApart {
    /// The one change of the document; none where every loop stays.
    pub fn edit(&self) -> Option<Edit> {
        let edits: Vec<Edit> = self.notes.iter().flat_map(NoteApart::edits).collect();
        (!edits.is_empty()).then_some(Edit::Many(edits))
    }

    /// The whole in a sentence, where there are several notes.
    pub fn sum(&self) -> Option<String> {
        if self.notes.len() < 2 {
            return None;
        }
        let changed = self.notes.iter().flat_map(|n| &n.layers).filter(|c| c.changed()).count();
        let (before, after) =
            self.notes.iter().fold((0, 0), |(b, a), n| (b + n.before.near_count, a + n.after.near_count));
        Some(format!(
            "{} notes, {changed} loops changed; near-collisions within {}: {before} before, {after} now.",
            self.notes.len(),
            minutes(self.params.until_s)
        ))
    }

    /// Whether the document's loops are still those that were chosen.
    pub fn holds(&self, document: &Document) -> bool {
        self.notes.iter().flat_map(|n| &n.layers).all(|c| {
            document.take(c.take.id).is_some_and(|t| {
                same_loop(t.recipe.as_ref().and_then(|r| r.looping), c.after.map(|(l, _)| l))
            })
        })
    }
}

/// Chooses loops that stay apart for `notes` of the document, each note by itself; notes of fewer
/// than two layers are passed by. `known` holds takes that are decoded and tracked already.
///
/// Errors: only `Cancelled`; a note that fails is told in the result.
pub fn apart(
    session_path: &Path,
    document: &Document,
    notes: &[MidiNote],
    (spread, params): (Cents, StackParams),
    known: HashMap<TakeId, Arc<Analysed>>,
    job: &Job,
) -> Result<SetApart> {
    let sheet = Sheet::of(document);
    let stacks: Vec<(MidiNote, Vec<TakeId>)> = notes
        .iter()
        .map(|n| (*n, layers_of(document, &sheet, *n)))
        .filter(|(_, takes)| takes.len() > 1)
        .collect();
    let speeds: HashMap<TakeId, f64> = stacks
        .iter()
        .flat_map(|(_, takes)| takes.iter().enumerate().map(|(k, t)| (*t, speed(k, takes.len(), spread))))
        .collect();
    job.begin("apart", speeds.len() as u64);
    let found: Mutex<HashMap<TakeId, Result<LayerLoops>>> = Mutex::new(HashMap::new());
    let one = |take: TakeId, analysed: Result<&Analysed>| {
        let Some(t) = document.takes.iter().find(|t| t.id == take) else { return };
        let layer = analysed.and_then(|a| layer_loops(t, a, &document.setup, speeds[&take]));
        if let Ok(mut found) = found.lock() {
            found.insert(take, layer);
        }
        job.advance(1);
    };
    let (here, missing): (Vec<TakeId>, Vec<TakeId>) =
        stacks.iter().flat_map(|(_, takes)| takes).partition(|t| known.contains_key(t));
    for take in here {
        job.check()?;
        one(take, Ok(&known[&take]));
    }
    analyse_takes(session_path, document, &missing, &Rooms::default(), job, &|t, a| {
        one(t.id, a.as_ref().map_err(Clone::clone))
    })?;
    let found = found.into_inner().unwrap_or_default();
    let mut set = SetApart { notes: Vec::new(), failed: Vec::new(), params, spread };
    for (note, takes) in stacks {
        job.check()?;
        let layers: Result<Vec<LayerLoops>> = takes
            .iter()
            .map(|t| {
                found
                    .get(t)
                    .cloned()
                    .unwrap_or_else(|| Err(Error::new(ErrorKind::Internal, "a layer was lost")))
            })
            .collect();
        match layers.and_then(|l| note_apart(note, &l, &params)) {
            Ok(done) => set.notes.push(done),
            Err(e) => set.failed.push((note, e)),
        }
    }
    Ok(set)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 2^(1/12) a semitone (equal temperament, ISO 16:1975 with any concert pitch).
    #[test]
    fn the_stack_spreads_around_its_middle() {
        for n in 1..7 {
            let product: f64 = (0..n).map(|k| speed(k, n, Cents(700.0))).product();
            assert!((product - 1.0).abs() < 1e-12, "{n}");
        }
        assert!((speed(2, 3, Cents(1200.0)) - 2.0).abs() < 1e-15 && speed(1, 3, Cents(1200.0)) == 1.0);
        assert!(
            (speed(1, 2, Cents(200.0)) / speed(0, 2, Cents(200.0)) - 2f64.powf(2.0 / 12.0)).abs() < 1e-14
        );
    }

    #[test]
    fn moments_read_well() {
        assert_eq!(
            (moment(4.25), moment(59.96), moment(64.2), minutes(180.0), minutes(40.0)),
            ("4.3 s".into(), "1:00.0".into(), "1:04.2".into(), "3 min".into(), "40 s".into())
        );
    }
}
