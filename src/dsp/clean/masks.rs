//! Which resolution counts where.

use super::bands::BANDS;
use super::gain::fast_log2;
use super::layer::Layer;

/// Steps to either side that the layers are compared over, and where something begins to sound: what a
/// long window loses of a short sound it seems to lose over its whole length.
const AROUND: (usize, usize) = (4, 16);
/// A beginning lasts for so many frames of the finest layer (0.13 s; the pitch is carried back over some
/// 0.05 s of it).
const BEGINNING: usize = 6;
/// A band whose power changes by this many octaves (12 dB) within [`CHANGE_FRAMES`] to either side, frames of
/// the finest layer (32 ms in all), begins or ends there.
const CHANGE: f32 = 4.0;
const CHANGE_FRAMES: usize = 3;
/// Over so many steps to either side of such a change a longer window spreads it over bins in which it lies
/// below the room: taken for room, and not in the error that is expected. That one counts so many times there.
const SPREAD: usize = 8;
const UNSEEN: f32 = 3.0;

/// Which layer is expected to leave the least error in each band, step by step, with soft borders.
pub(super) fn masks(
    layers: &[Layer],
    len: usize,
    step: usize,
    burst: &dyn Fn(usize) -> bool,
) -> Vec<[Vec<f32>; BANDS]> {
    let steps = len / step + 2;
    let follows = before_notes(layers, steps, step);
    let begins = beginnings(&layers[0], steps, step);
    let mut all: Vec<[Vec<f32>; BANDS]> = layers.iter().map(|_| Default::default()).collect();
    for b in 0..BANDS {
        let costs: Vec<Vec<f32>> = layers.iter().map(|l| l.cost_by_step(b, steps, step)).collect();
        let changes = changes(&layers[0], b, steps, step);
        let mut best = vec![0usize; steps];
        let mut cost = costs[0].clone();
        for (l, costs) in costs.iter().enumerate().skip(1) {
            let near = [averaged(&cost, AROUND.0), averaged(costs, AROUND.0)];
            let wide = [averaged(&cost, AROUND.1), averaged(costs, AROUND.1)];
            for i in 0..steps {
                let [shorter, longer] = if begins[i] { &wide } else { &near };
                let unseen = if changes[i] { UNSEEN } else { 1.0 };
                if longer[i] * unseen < shorter[i] && !follows[i] && !(b == 0 && burst(i)) {
                    best[i] = l;
                    cost[i] = costs[i];
                }
            }
        }
        for (l, masks) in all.iter_mut().enumerate() {
            let hard: Vec<f32> = best.iter().map(|best| f32::from(u8::from(*best == l))).collect();
            masks[b] = averaged(&hard, 2);
        }
    }
    all
}

/// Where a note follows soon: a long window would let through narrow noise there where the partials will
/// be, which sings; what nothing sounds in is left to the finest layer (the first).
fn before_notes(layers: &[Layer], steps: usize, step: usize) -> Vec<bool> {
    let finest = &layers[0];
    let longest = layers.iter().map(|l| l.size).max().unwrap_or(0);
    let hop = finest.size / 4;
    let sounds = |from: usize, to: usize| {
        finest.sounding[from.min(finest.frames)..to.min(finest.frames)].contains(&true)
    };
    (0..steps)
        .map(|i| {
            let t = i * step / hop + 1;
            !sounds(t.saturating_sub(2), t + 3) && sounds(t + 3, t + 3 + longest / hop)
        })
        .collect()
}

/// Where a band begins or ends, and [`SPREAD`] around.
fn changes(finest: &Layer, band: usize, steps: usize, step: usize) -> Vec<bool> {
    let hop = finest.size / 4;
    let last = finest.frames.saturating_sub(1);
    let octaves: Vec<f32> = finest.level.iter().map(|l| fast_log2(l[band])).collect();
    let at = |t: usize| octaves.get(t.min(last)).copied().unwrap_or(0.0);
    let changes: Vec<bool> = (0..steps)
        .map(|i| i * step / hop + 1)
        .map(|t| (at(t + CHANGE_FRAMES) - at(t.saturating_sub(CHANGE_FRAMES))).abs() > CHANGE)
        .collect();
    let around = |i: usize| i.saturating_sub(SPREAD)..(i + SPREAD + 1).min(steps);
    (0..steps).map(|i| changes[around(i)].contains(&true)).collect()
}

/// Where something has begun to sound within the last [`BEGINNING`].
fn beginnings(finest: &Layer, steps: usize, step: usize) -> Vec<bool> {
    let hop = finest.size / 4;
    let reach = BEGINNING * finest.size / hop;
    (0..steps)
        .map(|i| {
            let t = (i * step / hop + 1).min(finest.frames);
            finest.sounding[t.saturating_sub(reach)..t].contains(&false)
        })
        .collect()
}

impl Layer {
    /// Expected error in a band at each step.
    fn cost_by_step(&self, band: usize, steps: usize, step: usize) -> Vec<f32> {
        let hop = self.size / 4;
        (0..steps)
            .map(|i| {
                // Frame t has its middle at t·hop − size + hop + size/2.
                let x = ((i * step) as f32 + (self.size / 2 - hop) as f32) / hop as f32;
                let (t, part) = (x as usize, x.fract());
                let at = |t: usize| self.cost[t.min(self.frames - 1)][band];
                at(t) * (1.0 - part) + at(t + 1) * part
            })
            .collect()
    }
}

/// Means over `reach` values to either side.
fn averaged(v: &[f32], reach: usize) -> Vec<f32> {
    (0..v.len())
        .map(|i| {
            let part = &v[i.saturating_sub(reach)..(i + reach + 1).min(v.len())];
            part.iter().sum::<f32>() / part.len() as f32
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::stft::Stft;

    /// A note of 30 dB that begins and ends: both are changes, with what lies around them, and its middle is
    /// none; a band that swells by 6 dB is none either.
    #[test]
    fn a_band_begins_and_ends() {
        let mut layer = Layer::blank(Stft::kept(1024, 256), 513, 48_000.0);
        layer.frames = 200;
        let note = |t: usize| if (60..140).contains(&t) { 1e-3 } else { 1e-6 };
        let swell = |t: usize| if t < 100 { 1e-4 } else { 4e-4 };
        layer.level = (0..200).map(|t| [note(t), swell(t), 0.0]).collect();
        let found = changes(&layer, 0, 190, 256);
        // Frame t is that of step t − 1; a change is seen from three frames before it on, to two after.
        let reach = CHANGE_FRAMES + SPREAD;
        let first: Vec<usize> = (0..190).filter(|i| found[*i]).collect();
        let expected: Vec<usize> =
            (59 - reach..59 + reach).chain(139 - reach..139 + reach).filter(|i| *i < 190).collect();
        assert_eq!(first, expected);
        assert!(!changes(&layer, 1, 190, 256).contains(&true));
        assert!(!changes(&layer, 2, 190, 256).contains(&true));
    }
}
