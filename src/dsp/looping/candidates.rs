//! The search.

use realfft::num_complex::Complex;

use super::features::{Analyser, Features};
use super::pair_map::{Pair, cells_of, islands, pairs_near, usual_distance};
use super::periodicity::periodicity;
use super::refine::Ground;
use super::seam_score::{Measures, Scorer, score_loop};
use super::{LoopCandidate, LoopParams, PairMap, SHORTEST_LOOP, audit, bake, check_f0};
use crate::audio::AudioBuf;
use crate::error::{Error, ErrorKind, Result};
use crate::units::{FrameRange, Hertz};

/// Below this [`periodicity`] there is no tone to loop: a tone 3 dB under its breath has ⅓.
const LEAST_PERIODICITY: f64 = 0.3;
/// Below this level nothing sounds, dB re full scale.
const SILENCE_DB: f32 = -80.0;
/// For so many of the best candidates longer crossfades are tried.
const FADES_TRIED: usize = 30;
/// At most so many candidates are audited, and none after one in which nothing to speak of stands out: a
/// hundredth of what is just heard.
const MOST_AUDITED: usize = 8;
const NOTHING_HEARD: f64 = 0.2;
/// Where the one heard least measures more than this, other crossfades are tried on it, as shares of the
/// longest that there is room for.
const UNHEARD: f64 = 1.0;
/// Audibility of what is just heard: see [`audit()`].
const HEARD: f64 = 20.0;
const OTHER_FADES: [f64; 4] = [0.0, 0.15, 0.5, 1.0];
/// Room of fewer rows than this is searched period by period.
const TIGHT_ROWS: usize = 6;
/// A loop in which the level moves by so much more than in another holds a swell or a dip.
/// Our choice: several times the level step that is just heard.
const SWELL_DB: f32 = 3.0;
/// So many pairs are looked through for swells: whole loops have to be read for it.
const MOST_LISTENED: usize = 600;
/// Phases tried within a period.
const PHASES: usize = 64;
/// Loops of this length or more are wanted wherever the sustain is long enough.
const WANTED_S: f64 = 1.0;
/// Share of the sustain that is wanted where it is not.
const WANTED_SHARE: f64 = 0.4;
/// Long loops that score less than this do not keep shorter ones away.
const GOOD_ENOUGH: f64 = 40.0;

/// Finds loops in `audio` (a note at `f0`, flattened to it or nearly), best first, diverse in length
/// and place. Best first is by score; of the best eight the first stands first that [`super::audit()`]
/// does not hear once it is rendered, or else the one that it hears least (with another crossfade where
/// that helps), and the score of those it hears more is lowered to that one's.
///
/// `f0` lies between 8 Hz and a quarter of the rate; lengths are in seconds, `top` is 1 or more.
/// Every candidate lies in `params.within`, is between `shortest_s` and `longest_s` long (32 frames
/// and two periods at least), carries the crossfade it needs, and is scored by
/// [`super::score_loop`]. Loops of 1 s or more (0.4 of a shorter sustain) keep shorter ones away as
/// long as one of them scores 40, and loops that hold no swell or dip those that do. Time: 2 to 4 ms a second of audio and up to eight audits of 10 ms
/// (twelve where all are heard); memory: linear.
///
/// Errors: `InvalidParameter`; `Nothing` with the reason in words where there is no loop to be had
/// (too short, silent, no pitch).
///
/// Sources: self-similarity, Foote, ACM Multimedia 1999; the ear's bands, Glasberg & Moore 1990.
pub fn find_loops(audio: &AudioBuf, f0: Hertz, params: &LoopParams) -> Result<Vec<LoopCandidate>> {
    let mut search = Search::new(audio, f0, params)?;
    let span = search.within.len();
    let rough = rough_pairs(&search.features, &search.limits, (search.period, search.rate), span, params.top);
    let scored = without_swells(search.scored(&rough), &search.features, search.limits.wanted);
    let mut chosen = choose(scored, search.limits.wanted, params.top, search.rate);
    if chosen.is_empty() {
        return Err(nothing("no two places in the sustain join; choose a longer or steadier stretch"));
    }
    least_heard_first(audio, f0, &mut chosen);
    Ok(chosen)
}

/// Puts the candidate first that is heard least once it is rendered: the ones that score best are baked
/// and audited until one is found in which nothing stands out; if none is, other crossfades are tried on
/// the least heard. What is heard more than it scores no higher.
fn least_heard_first(audio: &AudioBuf, f0: Hertz, chosen: &mut [LoopCandidate]) {
    let heard = |c: &LoopCandidate| {
        // All that either of the two looks at: nothing after the loop, some seconds before it.
        let lead = c.crossfade.max(6 * u64::from(audio.rate().hz()));
        let from = c.range.start.0.saturating_sub(lead);
        let part = audio.part(FrameRange::new(from, c.range.end.0));
        let range = FrameRange::new(c.range.start.0 - from, c.range.end.0 - from);
        bake(&part, range, c.crossfade).and_then(|baked| audit(&baked, range)).map(|a| a.audibility)
    };
    let mut all: Vec<(f64, usize)> = Vec::new();
    for (i, c) in chosen.iter().enumerate().take(MOST_AUDITED) {
        all.extend(heard(c).ok().map(|audibility| (audibility, i)));
        if all.last().is_some_and(|(audibility, _)| *audibility <= NOTHING_HEARD) {
            break;
        }
    }
    // One that the score speaks against is first only where all others are heard.
    let fair = 0.5 * chosen.first().map_or(0.0, |c| c.score);
    let least = |from: f64| {
        let those = all.iter().filter(|(_, i)| chosen[*i].score >= from);
        those.copied().min_by(|a, b| a.0.total_cmp(&b.0))
    };
    let best = least(fair).filter(|(audibility, _)| *audibility < HEARD).or_else(|| least(0.0));
    let Some((audibility, first)) = best else { return };
    if audibility > UNHEARD {
        let c = chosen[first];
        let most = (c.range.count().0 / 2).min(c.range.start.0);
        let others = OTHER_FADES
            .iter()
            .map(|share| (share * most as f64) as u64)
            .filter(|fade| *fade != c.crossfade)
            .filter_map(|fade| score_loop(audio, f0, c.range, fade).ok())
            .filter(|o| o.score >= fair.min(c.score));
        let better = others
            .filter_map(|o| Some((heard(&o).ok()?, o)))
            .filter(|(a, _)| *a < audibility)
            .min_by(|a, b| a.0.total_cmp(&b.0));
        if let Some((_, better)) = better {
            chosen[first] = better;
        }
    }
    let score = chosen[first].score;
    chosen[..=first].rotate_right(1);
    chosen[1..].iter_mut().for_each(|c| c.score = c.score.min(score));
}

/// The best candidate whose start and end lie within `reach_s` seconds (0.005 to 1) of `start` and
/// `end`: what a click in the loop map takes. Refined, faded and scored as those of [`find_loops`].
///
/// Errors: as [`find_loops`]; `Nothing` as well when no loop within the limits lies near.
pub fn best_near(
    audio: &AudioBuf,
    f0: Hertz,
    params: &LoopParams,
    start: u64,
    end: u64,
    reach_s: f64,
) -> Result<LoopCandidate> {
    if !(0.005..=1.0).contains(&reach_s) {
        return Err(Error::invalid("reach", format!("{reach_s} s"), "0.005 to 1 s"));
    }
    let mut search = Search::new(audio, f0, params)?;
    let hop = search.features.hop;
    let reach = ((reach_s * search.rate) as usize / hop).max(1);
    let row = |frame: u64| (frame as usize).saturating_sub(search.features.first) / hop;
    let mut rough = Vec::new();
    for pair in pairs_near(&search.features, (row(start), row(end)), reach) {
        rough.extend(meet_in_phase(&search.features, &pair, &search.limits, search.period, &turns()));
    }
    rough.sort_by(|a, b| a.cost.total_cmp(&b.cost));
    rough.truncate(12);
    let far = (reach_s * search.rate) as u64 + hop as u64;
    search
        .scored(&rough)
        .into_iter()
        .filter(|c| c.range.start.0.abs_diff(start) <= far && c.range.end.0.abs_diff(end) <= far)
        .max_by(|a, b| a.score.total_cmp(&b.score))
        .ok_or_else(|| nothing("none within the limits of length lies near there; choose another place"))
}

/// Every start against every end in a map of `cells` by `cells` (8 to 512) cells, each with the
/// estimated score of its best pair: 100/(1 + d²/16), where d² is the squared distance of what lies
/// around both ends, about dB², before any refining, less what the sound usually is from itself a
/// window later; [`best_near`] tells the score itself. The same features and distances as the search
/// has. Memory: the sustain's length times a row of features, and the cells.
///
/// Source: self-similarity, Foote, ACM Multimedia 1999. Errors: as [`find_loops`].
pub fn pair_map(audio: &AudioBuf, f0: Hertz, params: &LoopParams, cells: usize) -> Result<PairMap> {
    if !(8..=512).contains(&cells) {
        return Err(Error::invalid("cells of the loop map", cells, "8 to 512"));
    }
    let search = Search::new(audio, f0, params)?;
    let f = &search.features;
    let (shortest, longest) = (search.limits.shortest / f.hop, search.limits.longest / f.hop + 1);
    let costs = cells_of(f, shortest.max(1), longest, search.context(), cells);
    let span = params.within.count().0;
    let axis: Vec<u64> = (0..cells as u64).map(|i| params.within.start.0 + i * span / cells as u64).collect();
    let window = search.analyser.as_ref().map_or(1, |a| a.size().div_ceil(f.hop));
    let usual = usual_distance(f, window);
    let scores = costs.iter().map(|c| c.map(|c| 100.0 / (1.0 + (c - usual).max(0.0) / 16.0))).collect();
    Ok(PairMap { starts: axis.clone(), ends: axis, scores })
}

/// A sustain that has been read and found to hold a tone.
struct Search<'a> {
    channels: Vec<&'a [f32]>,
    within: std::ops::Range<usize>,
    rate: f64,
    f0_hz: f64,
    period: f64,
    limits: Limits,
    features: Features,
    /// None while a scorer has it.
    analyser: Option<Analyser>,
}

impl<'a> Search<'a> {
    fn new(audio: &'a AudioBuf, f0: Hertz, params: &LoopParams) -> Result<Self> {
        check(audio, f0, params)?;
        let rate = audio.rate().as_f64();
        let period = rate / f0.0;
        let mut limits = Limits::new(audio, f0, params, params.shortest_s)?;
        let mut analyser = Analyser::new(rate, f0.0);
        let features = Features::read(audio, &mut analyser, f0.0, params.within);
        if features.loudest_db < SILENCE_DB {
            return Err(nothing("the sustain is silent; choose a stretch where the note sounds"));
        }
        let channels: Vec<&[f32]> = audio.channels().collect();
        let within = params.within.as_usize();
        if periodicity(&channels, within.start, within.end, period, rate) < LEAST_PERIODICITY {
            return Err(nothing(&format!(
                "no steady pitch near {:.1} Hz in the sustain, only noise or another note; set the pitch by hand or choose another stretch",
                f0.0
            )));
        }
        if params.least_vibrato_cycles > 0.0
            && let Some(vibrato_hz) = features.vibrato_hz(rate)
        {
            let cycles_s = params.least_vibrato_cycles / vibrato_hz;
            limits = Limits::new(audio, f0, params, params.shortest_s.max(cycles_s))?;
        }
        Ok(Self { channels, within, rate, f0_hz: f0.0, period, limits, features, analyser: Some(analyser) })
    }

    /// About 60 ms to both sides, in rows: what a crossfade mixes and what follows the join.
    fn context(&self) -> usize {
        ((0.06 * self.rate) as usize / self.features.hop).max(1)
    }

    /// Sets the rough pairs to the frame and scores them, with the crossfade each needs; the best of
    /// them with the crossfade that suits them best.
    fn scored(&mut self, rough: &[Rough]) -> Vec<LoopCandidate> {
        let analyser = self.analyser.take().unwrap_or_else(|| Analyser::new(self.rate, self.f0_hz));
        let ground = Ground {
            channels: &self.channels,
            rate: self.rate,
            period: self.period,
            within: self.within.clone(),
            lengths: self.limits.shortest..=self.limits.longest,
        };
        let mut scorer = Scorer::new(&self.channels, self.rate, self.f0_hz, analyser);
        let mut scored: Vec<(LoopCandidate, Measures)> = rough
            .iter()
            .filter_map(|r| ground.refine(r.start, r.end, (r.reach * self.period).max(2.0) as usize))
            .filter(|r| self.limits.allows(r.end - r.start))
            .map(|r| {
                let measures = scorer.measure(r.start, r.end);
                let crossfade = scorer.crossfade_for(&measures, r.start, r.end);
                let range = FrameRange::new(r.start as u64, r.end as u64);
                (scorer.candidate(&measures, range, crossfade), measures)
            })
            .collect();
        let wanted = self.limits.wanted as u64;
        // Long ones first: they are what is chosen from.
        scored.sort_by(|(a, _), (b, _)| {
            let long = |c: &LoopCandidate| c.range.count().0 >= wanted;
            long(b).cmp(&long(a)).then(b.score.total_cmp(&a.score))
        });
        scored
            .into_iter()
            .enumerate()
            .map(|(i, (c, m))| if i < FADES_TRIED { scorer.best_fade(&m, c.range, c.crossfade) } else { c })
            .collect()
    }
}

fn nothing(why: &str) -> Error {
    Error::new(ErrorKind::Nothing, format!("no loop: {why}"))
}

fn check(audio: &AudioBuf, f0: Hertz, params: &LoopParams) -> Result<()> {
    check_f0(audio, f0)?;
    let within = params.within;
    if within.end.0 > audio.frames().0 || within.start > within.end {
        return Err(Error::invalid(
            "sustain",
            format!("frame {} to {}", within.start.0, within.end.0),
            &format!("within the audio, frame 0 to {}", audio.frames().0),
        ));
    }
    if !(params.shortest_s.is_finite() && params.shortest_s >= 0.0) {
        return Err(Error::invalid("shortest loop", format!("{} s", params.shortest_s), "0 s or more"));
    }
    // An infinite longest loop is a fair way to say "any"; not-a-number is not.
    if params.longest_s.is_nan() || params.longest_s < params.shortest_s || params.longest_s <= 0.0 {
        return Err(Error::invalid(
            "longest loop",
            format!("{} s", params.longest_s),
            &format!("more than 0 s, and not shorter than the shortest loop ({} s)", params.shortest_s),
        ));
    }
    if !(params.least_vibrato_cycles.is_finite() && params.least_vibrato_cycles >= 0.0) {
        return Err(Error::invalid("vibrato cycles in a loop", params.least_vibrato_cycles, "0 or more"));
    }
    if params.top == 0 {
        return Err(Error::invalid("number of candidates", 0, "1 or more"));
    }
    Ok(())
}

/// Lengths in frames.
struct Limits {
    shortest: usize,
    longest: usize,
    /// Loops of this length and more come first.
    wanted: usize,
}

impl Limits {
    fn new(audio: &AudioBuf, f0: Hertz, params: &LoopParams, shortest_s: f64) -> Result<Self> {
        let rate = audio.rate().as_f64();
        let span = params.within.count().0 as usize;
        let least = (2.0 * rate / f0.0).max(SHORTEST_LOOP as f64);
        let shortest = (shortest_s * rate).max(least).ceil() as usize;
        let longest = ((params.longest_s * rate) as usize).min(span);
        if longest < shortest {
            return Err(nothing(&format!(
                "the sustain is {:.3} s and the loop has to be {:.3} to {:.3} s long; allow shorter loops (two periods are the least) or widen the sustain",
                span as f64 / rate,
                shortest as f64 / rate,
                params.longest_s
            )));
        }
        let wanted = (WANTED_S * rate).min(WANTED_SHARE * span as f64) as usize;
        Ok(Self { shortest, longest, wanted: wanted.clamp(shortest, longest) })
    }

    fn allows(&self, length: usize) -> bool {
        (self.shortest..=self.longest).contains(&length)
    }
}

/// A start and an end in frames, and what speaks against them.
struct Rough {
    start: usize,
    end: usize,
    cost: f32,
    /// How far refining may move the end, in periods.
    reach: f64,
}

/// Reach where the phases of the partials have met already.
const MET: f64 = 0.12;

/// e^{jφ} for every phase tried.
fn turns() -> Vec<Complex<f32>> {
    (0..PHASES)
        .map(|i| {
            let turn = std::f64::consts::TAU * i as f64 / PHASES as f64;
            Complex::new(turn.cos() as f32, turn.sin() as f32)
        })
        .collect()
}

/// The islands of the pair map with the ends moved to where the partials' phases agree best, the
/// best of them, none too near to another.
fn rough_pairs(
    f: &Features,
    limits: &Limits,
    (period, rate): (f64, f64),
    span: usize,
    top: usize,
) -> Vec<Rough> {
    // About 60 ms to both sides: what a crossfade mixes and what follows the join.
    let context = ((0.06 * rate) as usize / f.hop).max(1);
    let shortest = (limits.shortest / f.hop).max(1);
    let found = islands(f, shortest, limits.longest / f.hop + 1, context);
    let table = turns();
    let mut rough: Vec<Rough> =
        found.iter().filter_map(|p| meet_in_phase(f, p, limits, period, &table)).collect();
    rough.sort_by(|a, b| a.cost.total_cmp(&b.cost));
    rough.truncate(MOST_LISTENED);
    let swells: Vec<f32> = rough.iter().map(|r| f.swell(r.start, r.end)).collect();
    let least = swells.iter().copied().fold(f32::INFINITY, f32::min);
    for (r, swell) in rough.iter_mut().zip(&swells) {
        r.cost += (swell - least - SWELL_DB).max(0.0).powi(2);
    }
    rough.sort_by(|a, b| a.cost.total_cmp(&b.cost));
    let most = (3 * top).clamp(60, 120);
    // Where the loop has nearly no room in the sustain the rows are too coarse a net.
    if span < limits.shortest + TIGHT_ROWS * f.hop {
        rough.truncate(most / 2);
        rough.splice(0..0, tight_pairs(f, limits, period, span));
        rough.truncate(most);
        return rough;
    }
    let mut kept: Vec<Rough> = Vec::with_capacity(most);
    for r in rough {
        let near = |k: &Rough| k.start.abs_diff(r.start) < 3 * f.hop && k.end.abs_diff(r.end) < 3 * f.hop;
        if !kept.iter().any(near) {
            kept.push(r);
        }
        if kept.len() == most {
            break;
        }
    }
    kept
}

/// Where the rows do not resolve the lengths, as in sustains of a few periods or when the loop has to
/// be as long as nearly all of it: whole periods, and the limits themselves, from several starts.
fn tight_pairs(f: &Features, limits: &Limits, period: f64, span: usize) -> Vec<Rough> {
    let most = limits.longest.min(span);
    let periods = (limits.shortest as f64 / period).ceil() as usize..=(most as f64 / period) as usize;
    let whole = periods.take(24).map(|n| (n as f64 * period).round() as usize);
    whole
        .chain([limits.shortest, (limits.shortest + most) / 2, most])
        .filter(|length| limits.allows(*length) && *length <= span)
        .flat_map(|length| {
            let room = span - length;
            let starts = (room as f64 / period).ceil().clamp(1.0, 6.0) as usize;
            (0..=starts).map(move |i| (length, room * i / starts))
        })
        .map(|(length, at)| Rough { start: f.first + at, end: f.first + at + length, cost: 0.0, reach: 0.5 })
        .collect()
}

/// Moves the end of a pair within half a period to where the partials' phases meet those at the
/// start, and adds to its cost what of them does not meet.
fn meet_in_phase(
    f: &Features,
    pair: &Pair,
    limits: &Limits,
    period: f64,
    table: &[Complex<f32>],
) -> Option<Rough> {
    let (a, b) = (f.partials_of(pair.start), f.partials_of(pair.end));
    let mut products = [Complex::new(0f32, 0f32); super::features::PARTIALS];
    let (mut aa, mut bb) = (1e-20f32, 1e-20f32);
    for (i, (a, b)) in a.iter().zip(b).enumerate() {
        products[i % f.partial_count] += b * a.conj();
        aa += a.norm_sqr();
        bb += b.norm_sqr();
    }
    let at = |phase: usize| -> f32 {
        let partials = products[..f.partial_count].iter().enumerate();
        partials.map(|(k, p)| (p * table[(k + 1) * phase % PHASES]).re).sum()
    };
    let (phase, sum) = (0..PHASES).map(|p| (p, at(p))).max_by(|x, y| x.1.total_cmp(&y.1))?;
    let agreement = (sum / (aa * bb).sqrt()).clamp(-1.0, 1.0);
    let turn = if phase > PHASES / 2 { phase as f64 - PHASES as f64 } else { phase as f64 };
    let start = f.first + pair.start * f.hop;
    let mut end = (f.first + pair.end * f.hop) as f64 + turn / PHASES as f64 * period;
    // A period more or less keeps the phase and may keep the limits.
    if ((end - start as f64) as usize) < limits.shortest {
        end += period;
    }
    let length = (end - start as f64).max(0.0) as usize;
    if !limits.allows(length) {
        return None;
    }
    // Phases that do not meet cost up to (6 dB)²; too short ones up to (2 dB)² an octave; longer
    // ones are liked a little.
    let octaves = (limits.wanted as f32 / length as f32).log2();
    let length_cost = if octaves > 0.0 { 4.0 * octaves } else { 0.1 * octaves.max(-2.0) };
    let cost = pair.cost + 36.0 * (1.0 - agreement) + length_cost;
    Some(Rough { start, end: end.round() as usize, cost, reach: MET })
}

/// Without those that hold a swell or a dip, which would come round with them, where good ones hold
/// none: [`SWELL_DB`] more than the calmest of those that score 40 and are as long as is wanted (half as
/// long, where those all swell by that much more).
fn without_swells(scored: Vec<LoopCandidate>, f: &Features, wanted: usize) -> Vec<LoopCandidate> {
    let swell = |c: &LoopCandidate| f.swell(c.range.start.0 as usize, c.range.end.0 as usize);
    let all: Vec<(f32, LoopCandidate)> = scored.into_iter().map(|c| (swell(&c), c)).collect();
    let least = |length: usize| {
        let good = |c: &LoopCandidate| c.score >= GOOD_ENOUGH && c.range.count().0 as usize >= length;
        all.iter().filter(|(_, c)| good(c)).map(|(swell, _)| *swell).min_by(f32::total_cmp)
    };
    let (long, half, any) = (least(wanted), least(wanted / 2), least(0));
    // Half as long is better than one that swells by much more.
    let calmer = half.filter(|h| long.is_none_or(|l| l > h + SWELL_DB));
    let most = calmer.or(long).or(any).map_or(f32::INFINITY, |least| least + SWELL_DB);
    all.into_iter().filter(|(swell, _)| *swell <= most).map(|(_, c)| c).collect()
}

/// The best ones that differ from one another, best first.
fn choose(mut scored: Vec<LoopCandidate>, wanted: usize, top: usize, rate: f64) -> Vec<LoopCandidate> {
    let long = |c: &LoopCandidate| c.range.count().0 as usize >= wanted;
    if scored.iter().any(|c| long(c) && c.score >= GOOD_ENOUGH) {
        scored.retain(long);
    }
    scored.sort_by(|a, b| b.score.total_cmp(&a.score));
    let mut chosen: Vec<LoopCandidate> = Vec::with_capacity(top);
    // First those well apart in place or length, then nearer ones until there are enough.
    for apart_s in [0.1, 0.02, 0.002] {
        let apart = (apart_s * rate) as u64;
        for c in &scored {
            let near = |k: &LoopCandidate| {
                k.range.start.0.abs_diff(c.range.start.0) < apart.max(1)
                    && k.range.count().0.abs_diff(c.range.count().0) < apart.max(1)
            };
            if chosen.len() < top && !chosen.iter().any(near) {
                chosen.push(*c);
            }
        }
    }
    chosen.sort_by(|a, b| b.score.total_cmp(&a.score));
    chosen
}
