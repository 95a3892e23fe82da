//! One time axis for all lanes of a view: seconds along x, and the visible range. Pure numbers.

/// A stretch of time, in seconds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TimeRange {
    /// Its first moment.
    pub start_s: f64,
    /// The moment after it.
    pub end_s: f64,
}

impl TimeRange {
    /// From `start_s` to `end_s`, which is put after it if it is not.
    pub fn new(start_s: f64, end_s: f64) -> Self {
        Self { start_s, end_s: end_s.max(start_s) }
    }

    /// How long it is.
    pub fn span_s(self) -> f64 {
        self.end_s - self.start_s
    }

    /// Whether the moment lies in it.
    pub fn contains(self, s: f64) -> bool {
        (self.start_s..self.end_s).contains(&s)
    }

    /// This range made no longer than `limits` and no shorter than `shortest_s`, and pushed inside.
    #[must_use]
    pub fn clamped(self, limits: Self, shortest_s: f64) -> Self {
        let span = self.span_s().max(shortest_s).min(limits.span_s());
        // What was too short grows around its middle.
        let wish = self.start_s - (span - self.span_s()).max(0.0) / 2.0;
        let start_s = wish.clamp(limits.start_s, (limits.end_s - span).max(limits.start_s));
        Self { start_s, end_s: start_s + span }
    }

    /// This range `by_s` later, kept inside `limits`.
    #[must_use]
    pub fn scrolled(self, by_s: f64, limits: Self) -> Self {
        Self { start_s: self.start_s + by_s, end_s: self.end_s + by_s }.clamped(limits, 0.0)
    }

    /// This range shown `factor` times as large (above 1: nearer), so that `fixed_s` stays where it
    /// is on the screen as far as `limits` allow.
    #[must_use]
    pub fn zoomed(self, factor: f64, fixed_s: f64, limits: Self, shortest_s: f64) -> Self {
        if !(factor.is_finite() && factor > 0.0) || self.span_s() <= 0.0 {
            return self;
        }
        let span = (self.span_s() / factor).clamp(shortest_s.min(limits.span_s()), limits.span_s());
        let share = ((fixed_s - self.start_s) / self.span_s()).clamp(0.0, 1.0);
        let start_s = fixed_s - share * span;
        Self { start_s, end_s: start_s + span }.clamped(limits, 0.0)
    }

    /// This range with `share` of its length added at each end.
    #[must_use]
    pub fn widened(self, share: f64) -> Self {
        let more = self.span_s() * share;
        Self { start_s: self.start_s - more, end_s: self.end_s + more }
    }
}

/// A mark on the ruler.
#[derive(Debug, Clone, PartialEq)]
pub struct Tick {
    /// Where it stands.
    pub at_s: f64,
    /// What is written at it; none at the small ones.
    pub label: Option<String>,
}

/// Seconds against points across the screen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TimeAxis {
    /// What is seen.
    pub visible: TimeRange,
    /// Left edge, in points.
    pub left: f32,
    /// Right edge, in points.
    pub right: f32,
}

/// Things further off the screen than this are drawn here, so that no coordinate grows without
/// bound at high zoom.
const FAR_POINTS: f64 = 20_000.0;

impl TimeAxis {
    /// `visible` between the two edges.
    pub fn new(visible: TimeRange, left: f32, right: f32) -> Self {
        Self { visible, left, right: right.max(left + 1.0) }
    }

    /// Points a second.
    pub fn points_per_s(&self) -> f64 {
        f64::from(self.right - self.left) / self.visible.span_s().max(1e-12)
    }

    /// Where a moment is drawn.
    pub fn x_from_s(&self, s: f64) -> f32 {
        let off = (s - self.visible.start_s) * self.points_per_s();
        (f64::from(self.left) + off.clamp(-FAR_POINTS, FAR_POINTS)) as f32
    }

    /// The moment that is drawn at `x`.
    pub fn s_from_x(&self, x: f32) -> f64 {
        self.visible.start_s + f64::from(x - self.left) / self.points_per_s()
    }

    /// Marks at round numbers, those with a label at least `apart` points from each other.
    pub fn ticks(&self, apart: f32) -> Vec<Tick> {
        let least_s = f64::from(apart) / self.points_per_s();
        let (step, parts) = round_step(least_s);
        let small = step / f64::from(parts);
        if !(small.is_finite() && small > 0.0) {
            return Vec::new();
        }
        let first = (self.visible.start_s / small).ceil() as i64;
        let last = (self.visible.end_s / small).floor() as i64;
        (first..=last)
            .take(2_000)
            .map(|i| Tick {
                at_s: i as f64 * small,
                label: (i % i64::from(parts) == 0).then(|| time_label(i as f64 * small, step)),
            })
            .collect()
    }
}

/// The smallest of 1, 2, 5, 10 … (and 15, 30, 60 … from ten seconds on) that is at least `least_s`,
/// and how many small marks go into it.
fn round_step(least_s: f64) -> (f64, u32) {
    if least_s > 10.0 {
        for (step, parts) in
            [(15.0, 3), (30.0, 3), (60.0, 6), (120.0, 4), (300.0, 5), (600.0, 5), (1800.0, 6)]
        {
            if step >= least_s {
                return (step, parts);
            }
        }
        return ((least_s / 3600.0).ceil() * 3600.0, 6);
    }
    let decade = 10f64.powf(least_s.max(1e-9).log10().floor());
    for (m, parts) in [(1.0, 5), (2.0, 4), (5.0, 5)] {
        if m * decade >= least_s * (1.0 - 1e-9) {
            return (m * decade, parts);
        }
    }
    (10.0 * decade, 5)
}

/// A moment with the decimals that steps of `step_s` need; minutes from one minute on.
pub fn time_label(s: f64, step_s: f64) -> String {
    let decimals = (-(step_s.max(1e-9).log10() + 1e-9).floor()).clamp(0.0, 6.0) as usize;
    if s.abs() < 60.0 {
        return format!("{s:.decimals$} s");
    }
    let minutes = (s / 60.0).floor();
    let width = if decimals == 0 { 2 } else { decimals + 3 };
    format!("{minutes}:{:0width$.decimals$}", s - minutes * 60.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    const CLIP: TimeRange = TimeRange { start_s: 2.0, end_s: 12.0 };

    #[test]
    fn x_and_s_are_inverse() {
        let a = TimeAxis::new(TimeRange::new(3.0, 3.5), 100.0, 1100.0);
        assert_eq!(a.x_from_s(3.0), 100.0);
        assert_eq!(a.x_from_s(3.5), 1100.0);
        for s in [3.0, 3.125, 3.499] {
            // A coordinate near 1000 points is an f32 with 2⁻¹⁴ points to spare; 2000 points a second.
            assert!((a.s_from_x(a.x_from_s(s)) - s).abs() < 6.2e-5 / 2000.0 * 2.0);
        }
        assert!(a.x_from_s(1e9) <= 100.0 + FAR_POINTS as f32);
    }

    #[test]
    fn zoom_keeps_the_pointer_where_it_is() {
        let r = TimeRange::new(4.0, 8.0).zoomed(2.0, 5.0, CLIP, 0.001);
        assert_eq!(r, TimeRange::new(4.5, 6.5));
        // 5.0 was a quarter across and still is.
        assert_eq!((5.0 - r.start_s) / r.span_s(), 0.25);
        // In and out again is where it was.
        assert_eq!(r.zoomed(0.5, 5.0, CLIP, 0.001), TimeRange::new(4.0, 8.0));
    }

    #[test]
    fn nothing_leaves_the_clip() {
        assert_eq!(TimeRange::new(3.0, 5.0).scrolled(-9.0, CLIP), TimeRange::new(2.0, 4.0));
        assert_eq!(TimeRange::new(3.0, 5.0).scrolled(99.0, CLIP), TimeRange::new(10.0, 12.0));
        assert_eq!(TimeRange::new(3.0, 5.0).zoomed(1e-6, 4.0, CLIP, 0.001), CLIP);
        let near = TimeRange::new(3.0, 5.0).zoomed(1e12, 4.0, CLIP, 0.001);
        assert!((near.span_s() - 0.001).abs() < 1e-12 && near.contains(4.0));
        assert_eq!(TimeRange::new(0.0, 99.0).clamped(CLIP, 0.001), CLIP);
        for bad in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert_eq!(TimeRange::new(3.0, 5.0).zoomed(bad, 4.0, CLIP, 0.001), TimeRange::new(3.0, 5.0));
        }
    }

    #[test]
    fn too_short_grows_around_its_middle() {
        let r = TimeRange::new(5.0, 5.0).clamped(CLIP, 0.5);
        assert_eq!(r, TimeRange::new(4.75, 5.25));
    }

    #[test]
    fn ticks_are_round_and_apart() {
        for span in [1e-4, 0.003, 0.7, 9.0, 42.0, 600.0, 7200.0] {
            let a = TimeAxis::new(TimeRange::new(1.0, 1.0 + span), 0.0, 1000.0);
            let ticks = a.ticks(80.0);
            let labelled: Vec<_> = ticks.iter().filter(|t| t.label.is_some()).collect();
            // At least 80 apart, and no more than 200: the steps are at most 2.5 times each other.
            for w in labelled.windows(2) {
                let d = a.x_from_s(w[1].at_s) - a.x_from_s(w[0].at_s);
                assert!((79.9..=200.1).contains(&d), "{span}: {d}");
            }
            // Two or more labels to read the scale by.
            assert!(labelled.len() >= 4, "{span}: {}", labelled.len());
            // No two labels alike.
            let mut texts: Vec<_> = labelled.iter().map(|t| t.label.clone()).collect();
            texts.dedup();
            assert_eq!(texts.len(), labelled.len(), "{span}");
        }
    }

    #[test]
    fn labels() {
        assert_eq!(time_label(1.25, 0.05), "1.25 s");
        assert_eq!(time_label(3.0, 1.0), "3 s");
        assert_eq!(time_label(75.0, 15.0), "1:15");
        assert_eq!(time_label(61.5, 0.5), "1:01.5");
    }
}
