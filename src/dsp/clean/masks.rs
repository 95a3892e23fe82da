//! Which resolution counts where.

use super::bands::BANDS;
use super::layer::Layer;

/// Steps to either side that the layers are compared over, and where something begins to sound: what a
/// long window loses of a short sound it seems to lose over its whole length.
const AROUND: (usize, usize) = (4, 16);
/// A beginning lasts for so many frames of the finest layer (0.13 s; the pitch is carried back over some
/// 0.05 s of it).
const BEGINNING: usize = 6;
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
        let mut best = vec![0usize; steps];
        let mut cost = costs[0].clone();
        for (l, costs) in costs.iter().enumerate().skip(1) {
            let near = [averaged(&cost, AROUND.0), averaged(costs, AROUND.0)];
            let wide = [averaged(&cost, AROUND.1), averaged(costs, AROUND.1)];
            for i in 0..steps {
                let [shorter, longer] = if begins[i] { &wide } else { &near };
                if longer[i] < shorter[i] && !follows[i] && !(b == 0 && burst(i)) {
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
