//! The takes: what rises out of the room for long enough.

use super::envelope::{ALL, BANDS, Envelope, NO_HUM, NO_RUMBLE};
use super::levels::{largest_before, quantile, raw_db, steady_db};
use super::{FoundRoom, FoundSpan, SpanParams, onset};
use crate::units::{Frame, FrameRange, Seconds};

/// A room below this does not matter, in dB: a gap of digital silence is not deeper.
const LOWEST_ROOM_DB: f32 = -90.0;
/// Where all is softer than this there is nothing, in dB.
const NOTHING_DB: f32 = -70.0;
/// Where a sound meets the room: the note adds as much power as the room has. In dB.
const MEETS_ROOM_DB: f32 = 3.0;
/// A gap is measured where the sound is this far below its neighbours, in dB.
const GAP_DB: f32 = 20.0;
/// A dip this deep inside a sound, with a steep rise after it, parts two notes. A tremolo of full
/// depth at 2 Hz stays as deep for 116 ms: (1 + cos φ)/2 < 10^(−18/20) for 0.23 of its period.
const DIP_DB: f32 = 18.0;
/// A rise within this time is steep, in seconds.
const STEEP_S: f64 = 0.1;
/// Sounds shorter than this join nothing, in seconds.
const SPECK_S: f64 = 0.05;
/// Before what is heard of a note there is this much of the room, where there is room, in seconds.
const PRE_ROLL_S: f64 = 0.03;
/// Before a clear attack nothing further away than this is kept, in seconds.
const BEFORE_ATTACK_S: f64 = 0.05;
/// The room may get louder by up to this over a file, in dB, …
const ROOM_RISES_DB: f32 = 6.0;
/// … as its quietest 300 ms within so many seconds show.
const ROOM_SEEN_S: f64 = 8.0;
/// At an edge of the file a sound that is this little below its own level is cut off, in dB.
const CUT_OFF_DB: f32 = 15.0;

/// How far the sound rises above the room, hop by hop, in dB.
struct Rise {
    /// As it is, the largest of the bands.
    raw: Vec<f32>,
    /// Without spikes.
    steady: Vec<f32>,
    low: f32,
    high: f32,
}

/// A stretch of hops, end exclusive.
type Hops = (usize, usize);

/// The takes in order of time. Without room tone the level is judged against the envelope's own
/// quiet parts; where it has none, the file is one sound from end to end.
///
/// A take rises by [`SpanParams::rise_db`] above the room for [`SpanParams::shortest_s`] in any of
/// three bands (all, above 80 Hz, above 400 Hz). It lasts while it is 3 dB above the room; gaps
/// shorter than [`SpanParams::join_s`] do not end it. A dip of 18 dB for that long with a steep rise
/// after it parts two takes also where the room is not reached. A room that gets louder by up to
/// 6 dB is followed. Onsets are found to a hop (5 ms), never late for a clear attack.
pub fn find_takes(envelope: &Envelope, room: Option<&FoundRoom>, params: &SpanParams) -> Vec<FoundSpan> {
    let Some(rise) = rise_above(envelope, room, params) else {
        return Vec::new();
    };
    let mut pieces = Vec::new();
    for region in regions(envelope, &rise, params) {
        part_at_dips(envelope, &rise, params, region, &mut pieces);
    }
    let long_enough = envelope.hops_in(params.shortest_s).max(1);
    pieces.retain(|p| loud_hops(&rise, *p) >= long_enough);
    if room.is_none() {
        reach_edges(envelope, params, &mut pieces);
    }
    let mut free_from = 0;
    pieces
        .iter()
        .map(|piece| {
            let span = describe(envelope, &rise, *piece, free_from, room.is_none());
            free_from = span.span.end.0;
            span
        })
        .collect()
}

/// Number of hops in which a piece is loud enough for a take.
fn loud_hops(rise: &Rise, (start, end): Hops) -> usize {
    rise.steady[start..end].iter().filter(|r| **r >= rise.high).count()
}

/// The rise above the room; none where there is nothing to hear.
fn rise_above(envelope: &Envelope, room: Option<&FoundRoom>, params: &SpanParams) -> Option<Rise> {
    let n = envelope.hops();
    let high = params.rise_db as f32;
    let own = if room.is_none() { Some(own_quiet(envelope, high)?) } else { None };
    let mut rise = Rise {
        raw: vec![f32::NEG_INFINITY; n],
        steady: vec![f32::NEG_INFINITY; n],
        low: MEETS_ROOM_DB.min(high / 2.0),
        high,
    };
    for band in [ALL, NO_RUMBLE, NO_HUM] {
        let steady = steady_db(envelope, band);
        let floor = match (room, own) {
            (Some(r), _) => {
                let inside = &steady[envelope.hops_of(r.range)];
                // An unsteady room (rumble) counts by its louder moments.
                quantile(inside, 0.5).max(quantile(inside, 0.95) - MEETS_ROOM_DB)
            }
            (None, Some(levels)) => levels[band],
            (None, None) => LOWEST_ROOM_DB,
        }
        .max(LOWEST_ROOM_DB);
        for (out, level) in rise.steady.iter_mut().zip(&steady) {
            *out = out.max(level - floor);
        }
        drop(steady);
        for (out, level) in rise.raw.iter_mut().zip(raw_db(envelope, band)) {
            *out = out.max(level - floor);
        }
    }
    follow_room(envelope, &mut rise);
    Some(rise)
}

/// What stands in for the room where none was found: the softest hundredth of each band; where
/// everything is about as loud, a level so far below that all of it is sound. None: silence.
fn own_quiet(envelope: &Envelope, high: f32) -> Option<[f32; BANDS]> {
    let all = steady_db(envelope, ALL);
    let (soft, loud) = (quantile(&all, 0.01), quantile(&all, 0.99));
    if envelope.hops() == 0 || loud < NOTHING_DB {
        return None;
    }
    let below = if loud - soft < 2.0 * high { 2.0 * high } else { 0.0 };
    Some([ALL, NO_RUMBLE, NO_HUM].map(|b| quantile(&steady_db(envelope, b), 0.01) - below))
}

/// Takes off what the room itself has risen by since the stretch it was measured in: what it does
/// not fall below in the seconds before or in the seconds after, whichever is more (the step when a
/// fridge starts has the softer room on one side only).
fn follow_room(envelope: &Envelope, rise: &mut Rise) {
    let block = envelope.hops_in(0.3).max(1);
    let quiet: Vec<f32> = rise.steady.chunks(block).map(|b| quantile(b, 0.7)).collect();
    let reach = (envelope.hops_in(ROOM_SEEN_S) / block).max(1);
    // More than that is no room but a note that never stops.
    let most = ROOM_RISES_DB.min(rise.high * 2.0 / 3.0);
    for i in 0..quiet.len() {
        let before = &quiet[i.saturating_sub(reach)..=i];
        let after = &quiet[i..(i + reach + 1).min(quiet.len())];
        let risen =
            [before, after].into_iter().filter_map(room_of).filter(|l| *l <= most).fold(0.0, f32::max);
        let hops = i * block..((i + 1) * block).min(rise.steady.len());
        rise.steady[hops.clone()].iter_mut().for_each(|r| *r -= risen);
        rise.raw[hops].iter_mut().for_each(|r| *r -= risen);
    }
}

/// The least of some levels if it occurs more than once: a room stays, a decay does not.
fn room_of(blocks: &[f32]) -> Option<f32> {
    let least = blocks.iter().copied().fold(f32::INFINITY, f32::min);
    (blocks.iter().filter(|b| **b <= least + 1.0).count() > 1).then_some(least)
}

/// Stretches above the room with short gaps closed.
fn regions(envelope: &Envelope, rise: &Rise, params: &SpanParams) -> Vec<Hops> {
    let mut chunks: Vec<Hops> = Vec::new();
    let mut open = None;
    for (h, r) in rise.steady.iter().chain(&[f32::NEG_INFINITY]).enumerate() {
        match (open, *r >= rise.low) {
            (None, true) => open = Some(h),
            (Some(start), false) => {
                chunks.push((start, h));
                open = None;
            }
            _ => {}
        }
    }
    let speck = envelope.hops_in(SPECK_S);
    chunks.retain(|c| loud_hops(rise, *c) >= speck);
    drop_weak_links(envelope, rise, params, &mut chunks);
    // A hop at either edge of a gap is only partly silent.
    let shortest_gap = envelope.hops_in(params.join_s).saturating_sub(2);
    let mut joined: Vec<Hops> = Vec::new();
    for chunk in chunks {
        match joined.last_mut() {
            Some(last) if gap(envelope, rise, *last, chunk) < shortest_gap => last.1 = chunk.1,
            _ => joined.push(chunk),
        }
    }
    joined
}

/// Level of a chunk at its end or start, in dB above the room.
fn edge_level(envelope: &Envelope, rise: &Rise, (start, end): Hops, at_end: bool) -> f32 {
    let half_second = envelope.hops_in(0.5).max(1);
    let part = if at_end {
        start.max(end.saturating_sub(half_second))..end
    } else {
        start..end.min(start + half_second)
    };
    quantile(&rise.steady[part], 0.8)
}

/// Hops between two chunks in which the sound is far below both.
fn gap(envelope: &Envelope, rise: &Rise, left: Hops, right: Hops) -> usize {
    let level = edge_level(envelope, rise, left, true).min(edge_level(envelope, rise, right, false));
    let threshold = rise.low.max(level - GAP_DB);
    let loud = |h: &usize| rise.steady[*h] >= threshold;
    let from = (left.0..left.1).rev().find(loud).map_or(left.1, |h| h + 1);
    let to = (right.0..right.1).find(loud).unwrap_or(right.0);
    to.saturating_sub(from)
}

/// A short sound between two clearly louder ones (a breath, a key) must not tie them together.
fn drop_weak_links(envelope: &Envelope, rise: &Rise, params: &SpanParams, chunks: &mut Vec<Hops>) {
    let shortest = envelope.hops_in(params.shortest_s);
    let levels: Vec<f32> = chunks.iter().map(|c| quantile(&rise.steady[c.0..c.1], 0.8)).collect();
    let mut i = 0;
    chunks.retain(|c| {
        let weak = |other: Option<&f32>| other.is_some_and(|l| *l >= levels[i] + 10.0);
        let between = i > 0 && weak(levels.get(i - 1)) && weak(levels.get(i + 1));
        i += 1;
        !(between && loud_hops(rise, *c) < shortest)
    });
}

/// Parts a region where it dips deep for long enough and rises steeply again.
fn part_at_dips(envelope: &Envelope, rise: &Rise, params: &SpanParams, region: Hops, out: &mut Vec<Hops>) {
    let (mut start, end) = region;
    let valley_hops = envelope.hops_in(params.join_s).saturating_sub(2).max(1);
    let steep = envelope.hops_in(STEEP_S).max(1);
    let sure = envelope.hops_in(SPECK_S * 2.0).max(1);
    let level = &rise.steady[region.0..end];
    let valleys = largest_before(level, valley_hops);
    let parts_here = |h: usize, start: usize| {
        let valley = valleys[h - region.0];
        let top = rise.steady[(h + steep).min(end - 1)];
        top - valley >= DIP_DB && {
            let count = |x: &[f32], above: f32| x.iter().filter(|r| **r >= valley + above).count();
            count(&rise.steady[start..h - valley_hops], DIP_DB) >= sure
                && count(&rise.steady[h..end.min(h + steep + 2 * sure)], DIP_DB - 6.0) >= sure
        }
    };
    let mut h = start + valley_hops;
    while h < end {
        if !parts_here(h, start) {
            h += 1;
            continue;
        }
        // The last such place is the nearest to the onset.
        while h + 1 < end && parts_here(h + 1, start) {
            h += 1;
        }
        out.push((start, decay_end(envelope, rise, start, h)));
        start = h;
        h += valley_hops;
    }
    out.push((start, end));
}

/// Where the sound that ends before `end` has come down to what it stays at.
fn decay_end(envelope: &Envelope, rise: &Rise, start: usize, end: usize) -> usize {
    let from = start.max(end.saturating_sub(envelope.hops_in(1.0)));
    let least = rise.steady[from..end].iter().copied().fold(f32::INFINITY, f32::min);
    (from..end).rev().find(|h| rise.steady[*h] > least + MEETS_ROOM_DB).map_or(end, |h| h + 1)
}

/// Without room tone: what is left over at an edge of the file that is long enough for room tone
/// was not steady or was the note itself, so it still belongs to the sound.
fn reach_edges(envelope: &Envelope, params: &SpanParams, pieces: &mut [Hops]) {
    let least = envelope.hops_in(params.room_s);
    if let Some(first) = pieces.first_mut()
        && first.0 >= least
    {
        first.0 = 0;
    }
    if let Some(last) = pieces.last_mut()
        && envelope.hops() - last.1 >= least
    {
        last.1 = envelope.hops();
    }
}

fn describe(
    envelope: &Envelope,
    rise: &Rise,
    (start, end): Hops,
    free_from: u64,
    no_room: bool,
) -> FoundSpan {
    let n = envelope.hops();
    let heard = (start..end).find(|h| rise.raw[*h] >= rise.low).unwrap_or(start);
    let onset = onset::find(envelope, &rise.raw, (start, end), rise.low, rise.high);
    let edge = |part: &[f32]| part.iter().sum::<f32>() / part.len().max(1) as f32;
    // Without a room the soft beginning that was taken to the sound is below all marks.
    let soft = no_room && heard > 0 && start == 0;
    let cut_off = |level: f32| soft || level >= rise.high && level >= onset.level - CUT_OFF_DB;
    let starts_inside = start == 0 && cut_off(edge(&rise.raw[..end.min(3)]));
    let ends_inside =
        end + 1 >= n && (no_room || edge(&rise.raw[n.saturating_sub(3).max(start)..]) >= rise.high);
    let frames = |s: f64| Seconds(s).frames(envelope.rate()).0;
    let at = |hop: usize| envelope.frames_of(hop, hop).start.0;
    let mut from = at(heard).saturating_sub(frames(PRE_ROLL_S));
    if onset.sharp {
        from = from.max(at(onset.hop).saturating_sub(frames(BEFORE_ATTACK_S)));
    }
    let range = envelope.frames_of(start, if ends_inside { n } else { end });
    let span = FrameRange::new(if starts_inside { 0 } else { from.max(free_from) }, range.end.0);
    let onset_frame = if starts_inside { span.start } else { inside(at(onset.hop), span) };
    FoundSpan { span, onset: onset_frame, starts_inside, ends_inside, clipped: envelope.clipped_in(span) }
}

/// The frame `at`, kept inside `span`.
fn inside(at: u64, span: FrameRange) -> Frame {
    Frame(at.clamp(span.start.0, span.end.0.max(span.start.0)))
}
