//! Samples that stand at a channel's ceiling, found as they stream past.

/// From here on a plateau counts as full scale: −0.1 dB.
const NEAR_FULL_SCALE: f32 = 0.988_553;
/// A lower ceiling is looked at from −20 dB.
const LOWEST_CEILING: f32 = 0.1;
/// Two plateaus within this ratio stand at the same ceiling.
const SAME_CEILING: f32 = 1e-4;
/// The round top of a low note, rounded to a step q, gives runs of equal samples too. A parabola
/// whose top stays within q for n ≥ 3 samples falls by at most q(1 + 4(n+1)/n²) ≤ 2.8 q at the next
/// one; only a steeper corner is a clipped one. q: 16 bits.
const CORNER: f32 = 3.0 / 32_768.0;
/// Equal samples in a row that make a plateau.
const SHORTEST_RUN: u32 = 3;
/// Plateaus at a ceiling below full scale that make it a ceiling.
const CEILING_RUNS: u32 = 3;

/// Clipped samples in one hop.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Clipped {
    pub hop: u32,
    pub samples: u32,
}

/// Plateaus of one sign at the highest value seen so far.
#[derive(Debug, Clone, Default)]
struct Ceiling {
    /// Largest sample of this sign, as a magnitude.
    highest: f32,
    /// Height of the plateaus in `at`.
    plateau: f32,
    runs: u32,
    at: Vec<Clipped>,
}

/// Watches one channel.
#[derive(Debug, Clone, Default)]
pub(super) struct ClipWatch {
    value: f32,
    before: f32,
    run: u32,
    full: Vec<Clipped>,
    ceilings: [Ceiling; 2],
}

impl ClipWatch {
    /// Looks at the samples of (a part of) hop number `hop`.
    pub fn push(&mut self, samples: &[f32], hop: u32) {
        for &x in samples {
            if x == self.value {
                self.run += 1;
                continue;
            }
            if self.run >= SHORTEST_RUN {
                self.close(Some(x), hop);
            }
            self.before = self.value;
            self.value = x;
            self.run = 1;
            let ceiling = &mut self.ceilings[usize::from(x < 0.0)];
            ceiling.highest = ceiling.highest.max(x.abs());
        }
    }

    /// A run of equal samples is over; the sample `after` it is none at the end of the file.
    fn close(&mut self, after: Option<f32>, hop: u32) {
        let height = self.value.abs();
        let sign = self.value.signum();
        let fall = |x: f32| height - x * sign;
        let (rise, drop) = (fall(self.before), after.map_or(0.0, fall));
        if height < LOWEST_CEILING || rise < 0.0 || drop < 0.0 || rise.max(drop) <= CORNER {
            return;
        }
        let run = self.run;
        if height >= NEAR_FULL_SCALE {
            add(&mut self.full, hop, run);
            return;
        }
        let ceiling = &mut self.ceilings[usize::from(self.value < 0.0)];
        if height < ceiling.highest * (1.0 - SAME_CEILING) {
            return;
        }
        if height > ceiling.plateau * (1.0 + SAME_CEILING) {
            ceiling.at.clear();
            ceiling.runs = 0;
            ceiling.plateau = height;
        }
        ceiling.runs += 1;
        add(&mut ceiling.at, hop, run);
    }

    /// What was clipped, in order of time.
    pub fn finish(mut self, last_hop: u32) -> Vec<Clipped> {
        if self.run >= SHORTEST_RUN {
            self.close(None, last_hop);
        }
        let mut all = self.full;
        for c in self.ceilings {
            if c.runs >= CEILING_RUNS && c.plateau >= c.highest * (1.0 - SAME_CEILING) {
                all.extend(c.at);
            }
        }
        all.sort_by_key(|c| c.hop);
        all
    }
}

fn add(list: &mut Vec<Clipped>, hop: u32, samples: u32) {
    match list.last_mut() {
        Some(last) if last.hop == hop => last.samples += samples,
        _ => list.push(Clipped { hop, samples }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::signals;

    fn clipped(x: &[f32]) -> u64 {
        let mut watch = ClipWatch::default();
        for (hop, part) in x.chunks(240).enumerate() {
            watch.push(part, hop as u32);
        }
        watch.finish((x.len() / 240) as u32).iter().map(|c| u64::from(c.samples)).sum()
    }

    fn limited(x: &[f32], ceiling: f32) -> Vec<f32> {
        x.iter().map(|s| s.clamp(-ceiling, ceiling)).collect()
    }

    #[test]
    fn counts_exactly_the_samples_that_were_cut() {
        let x = signals::sine(440.0, 1.2, 48_000.0, 48_000);
        for ceiling in [1.0, 0.995, 0.5] {
            let cut = limited(&x, ceiling);
            // 1.2·sin stays over the ceiling for at least 10 samples a half wave: every one counts.
            let truth = cut.iter().filter(|s| s.abs() == ceiling).count() as u64;
            assert!(truth > 10_000);
            assert_eq!(clipped(&cut), truth, "ceiling {ceiling}");
        }
    }

    #[test]
    fn round_tops_are_not_clipped() {
        // A4 and the lowest A of a piano, normalised to full scale and rounded to 16 bits: at
        // 27.5 Hz the top stays on one step for several samples.
        for hz in [27.5, 440.0, 3_000.0] {
            let x: Vec<f32> =
                signals::sine(hz, 32_767.0, 48_000.0, 96_000).iter().map(|s| s.round() / 32_768.0).collect();
            assert_eq!(clipped(&x), 0, "{hz} Hz");
        }
        assert_eq!(clipped(&[0.0; 999]), 0);
        assert_eq!(clipped(&[]), 0);
    }

    #[test]
    fn a_plateau_below_the_peak_is_no_ceiling() {
        let mut x = limited(&signals::sine(200.0, 0.6, 48_000.0, 9_600), 0.5);
        x.extend(signals::sine(200.0, 0.8, 48_000.0, 9_600));
        assert_eq!(clipped(&x), 0);
    }
}
