//! The map from output frames to source positions.

use crate::units::SampleRate;

/// A point of the map where it is known exactly.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Knot {
    /// Output frame.
    pub(super) frame: f64,
    /// Source position.
    pub(super) position: f64,
    /// Source frames an output frame.
    pub(super) speed: f64,
}

/// How far straight lines between [`PitchMap::points`] may lie from the map, in source frames. A
/// quarter of what is promised, so that whoever adds an error of his own still keeps the promise, and
/// so that the lines' slopes tell the pitch to some hundredths of a cent.
const POINTS_TOLERANCE: f64 = 2.5e-4;

/// From output frames to source positions: strictly increasing, smooth (the speed is continuous).
///
/// Between knots it is a cubic with the knots' positions and speeds (Hermite), outside them a
/// straight line. A cubic whose end slopes are at most three times the slope of its chord is
/// monotone (F. N. Fritsch & R. E. Carlson, SIAM J. Numer. Anal. 17(2), 1980, the box inside their
/// region): speeds are held to that.
#[derive(Debug, Clone, PartialEq)]
pub struct PitchMap {
    /// At least one, increasing in frame and position.
    knots: Vec<Knot>,
    /// Speed that the change of rate alone makes: from/to.
    ratio: f64,
    /// Source position that the map covers up to.
    until: f64,
}

impl PitchMap {
    /// A map that only changes the rate: p(m) = start + m·from/to, covering `frames` source frames.
    pub fn plain(start: f64, frames: f64, from: SampleRate, to: SampleRate) -> Self {
        let ratio = from.as_f64() / to.as_f64();
        Self { knots: vec![Knot { frame: 0.0, position: start, speed: ratio }], ratio, until: start + frames }
    }

    /// A map through `knots` (at least one; both frame and position strictly increasing; positive
    /// speeds), whose speed is `ratio` where the pitch is left alone, up to source position `until`.
    pub(super) fn through(mut knots: Vec<Knot>, ratio: f64, until: f64) -> Self {
        for i in 1..knots.len() {
            let chord = (knots[i].position - knots[i - 1].position) / (knots[i].frame - knots[i - 1].frame);
            for k in [i - 1, i] {
                knots[k].speed = knots[k].speed.min(3.0 * chord);
            }
        }
        Self { knots, ratio, until }
    }

    /// Source position of output frame `m` (fractional `m` allowed; outside it goes on straight).
    pub fn source_at(&self, m: f64) -> f64 {
        self.position_after(self.knots.partition_point(|k| k.frame <= m), m)
    }

    /// Source positions of the output frames `frames`, appended to `out`; faster than one by one.
    pub(super) fn sources(&self, frames: std::ops::Range<usize>, out: &mut Vec<f64>) {
        let mut after = self.knots.partition_point(|k| k.frame <= frames.start as f64);
        for m in frames {
            let m = m as f64;
            while self.knots.get(after).is_some_and(|k| k.frame <= m) {
                after += 1;
            }
            out.push(self.position_after(after, m));
        }
    }

    /// Source position of `m`, where `after` is the first knot after it.
    fn position_after(&self, after: usize, m: f64) -> f64 {
        match self.piece(after) {
            Piece::Straight(k) => k.position + (m - k.frame) * k.speed,
            Piece::Cubic(a, b) => {
                let t = (m - a.frame) / (b.frame - a.frame);
                a.position + rise(a, b, t)
            }
        }
    }

    /// Output position of source position `p`: the inverse of [`PitchMap::source_at`], to better
    /// than 1e-6 frames.
    pub fn output_at(&self, p: f64) -> f64 {
        match self.piece(self.knots.partition_point(|k| k.position <= p)) {
            Piece::Straight(k) => k.frame + (p - k.position) / k.speed,
            Piece::Cubic(a, b) => a.frame + (b.frame - a.frame) * solve(a, b, p - a.position),
        }
    }

    /// Number of output frames: those that read from before the end of what the map covers.
    pub fn frames(&self) -> usize {
        // An end that is a whole frame but for rounding is that frame.
        let frames = (self.output_at(self.until) - 1e-6).ceil();
        if frames.is_finite() { frames.max(0.0) as usize } else { 0 }
    }

    /// Interval that the reading speed makes at output frame `m`, in cents, without the change of
    /// rate: above 0 where the source is read faster and so sounds higher.
    pub fn cents_at(&self, m: f64) -> f64 {
        1200.0 * (self.speed_at(m) / self.ratio).log2()
    }

    /// Source frames an output frame at `m`: the derivative of [`PitchMap::source_at`].
    fn speed_at(&self, m: f64) -> f64 {
        match self.piece(self.knots.partition_point(|k| k.frame <= m)) {
            Piece::Straight(k) => k.speed,
            Piece::Cubic(a, b) => {
                let h = b.frame - a.frame;
                slope(a, b, (m - a.frame) / h) / h
            }
        }
    }

    /// The greatest speed anywhere on the map.
    pub(super) fn greatest_speed(&self) -> f64 {
        let at_knots = self.knots.iter().map(|k| k.speed).fold(0.0, f64::max);
        self.knots.windows(2).fold(at_knots, |most, pair| {
            let (a, b) = (&pair[0], &pair[1]);
            let h = b.frame - a.frame;
            let chord = (b.position - a.position) / h;
            // The derivative is a parabola in t; its vertex follows from its three coefficients.
            let (linear, square) =
                (6.0 * chord - 4.0 * a.speed - 2.0 * b.speed, 3.0 * (a.speed + b.speed - 2.0 * chord));
            let t = -linear / (2.0 * square);
            if t > 0.0 && t < 1.0 { most.max(slope(a, b, t) / h) } else { most }
        })
    }

    /// The source index that the output starts with, when the map only copies frames.
    pub(super) fn copies_from(&self) -> Option<i64> {
        match self.knots.as_slice() {
            [k] if k.speed == 1.0 => {
                let start = k.position - k.frame;
                (start.fract() == 0.0 && start.abs() < 9e15).then_some(start as i64)
            }
            _ => None,
        }
    }

    /// The same map with its speed multiplied by `factor` (positive) around output frame `fixed`,
    /// which keeps its source position: p'(m) = p(fixed + (m − fixed)·factor). It ends at the same
    /// source position. A factor that is no positive number changes nothing.
    #[must_use]
    pub fn stretched(&self, factor: f64, fixed: f64) -> Self {
        if !(factor.is_finite() && factor > 0.0 && fixed.is_finite()) || factor == 1.0 {
            return self.clone();
        }
        let knots = self
            .knots
            .iter()
            .map(|k| Knot {
                frame: fixed + (k.frame - fixed) / factor,
                position: k.position,
                speed: k.speed * factor,
            })
            .collect();
        Self { knots, ratio: self.ratio, until: self.until }
    }

    /// (output frame, source position) pairs, the first for frame 0 and the last for
    /// [`PitchMap::frames`], that describe the map by straight lines to within a thousandth of a
    /// source frame.
    pub fn points(&self) -> Vec<(f64, f64)> {
        let end = self.frames() as f64;
        let mut fine = vec![(0.0, self.source_at(0.0))];
        for i in 0..self.knots.len() {
            let Piece::Cubic(a, b) = self.piece(i + 1) else { break };
            // A chord over h lies within h²/8 of the greatest second derivative, which a cubic has
            // at one of its ends. Half the tolerance is kept for joining lines below.
            let h = b.frame - a.frame;
            let chord = 6.0 * (b.position - a.position) / h;
            let bend = (chord - 4.0 * a.speed - 2.0 * b.speed)
                .abs()
                .max((chord - 2.0 * a.speed - 4.0 * b.speed).abs());
            let parts = (bend * h / (4.0 * POINTS_TOLERANCE)).sqrt().ceil().max(1.0);
            for part in 0..parts as usize {
                let m = a.frame + h * part as f64 / parts;
                if m > 0.0 && m < end {
                    fine.push((m, self.source_at(m)));
                }
            }
            if b.frame > 0.0 && b.frame < end && i + 2 == self.knots.len() {
                fine.push((b.frame, b.position));
            }
        }
        fine.push((end, self.source_at(end)));
        thinned(&fine, POINTS_TOLERANCE / 2.0)
    }

    /// What the map is before the knot `after`.
    fn piece(&self, after: usize) -> Piece<'_> {
        match (after, self.knots.get(after)) {
            (0, _) => Piece::Straight(&self.knots[0]),
            (_, Some(b)) => Piece::Cubic(&self.knots[after - 1], b),
            (_, None) => Piece::Straight(&self.knots[self.knots.len() - 1]),
        }
    }
}

enum Piece<'a> {
    Straight(&'a Knot),
    Cubic(&'a Knot, &'a Knot),
}

/// Position after `a` on Hermite's cubic from `a` to `b`, at `t` from 0 to 1.
fn rise(a: &Knot, b: &Knot, t: f64) -> f64 {
    let h = b.frame - a.frame;
    let u = 1.0 - t;
    (b.position - a.position) * t * t * (3.0 - 2.0 * t) + h * (a.speed * t * u * u - b.speed * t * t * u)
}

/// Derivative of [`rise`] by `t`.
fn slope(a: &Knot, b: &Knot, t: f64) -> f64 {
    let h = b.frame - a.frame;
    let u = 1.0 - t;
    6.0 * (b.position - a.position) * t * u
        + h * (a.speed * u * (1.0 - 3.0 * t) + b.speed * t * (3.0 * t - 2.0))
}

/// The `t` where [`rise`] is `wanted`: Newton's steps, kept inside a bracket that every step
/// narrows (Press et al., *Numerical Recipes*, §9.4).
fn solve(a: &Knot, b: &Knot, wanted: f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    let mut t = (wanted / (b.position - a.position)).clamp(0.0, 1.0);
    for _ in 0..60 {
        let off = rise(a, b, t) - wanted;
        if off > 0.0 {
            high = t;
        } else {
            low = t;
        }
        let newton = t - off / slope(a, b, t);
        let next = if newton > low && newton < high { newton } else { 0.5 * (low + high) };
        if (next - t).abs() <= 1e-15 {
            return next;
        }
        t = next;
    }
    t
}

/// Leaves out points of a polyline that lie within `tolerance` (in the second value) of straight
/// lines between those that stay: from each kept point the slopes that pass all later points
/// within the tolerance narrow until none is left.
fn thinned(points: &[(f64, f64)], tolerance: f64) -> Vec<(f64, f64)> {
    let mut kept = vec![points[0]];
    let (mut anchor, mut low, mut high) = (points[0], f64::NEG_INFINITY, f64::INFINITY);
    let mut last = points[0];
    for &(m, p) in &points[1..] {
        if m <= last.0 {
            continue;
        }
        let slope = (p - anchor.1) / (m - anchor.0);
        if slope < low || slope > high {
            kept.push(last);
            (anchor, low, high) = (last, f64::NEG_INFINITY, f64::INFINITY);
        }
        let run = m - anchor.0;
        low = low.max((p - tolerance - anchor.1) / run);
        high = high.min((p + tolerance - anchor.1) / run);
        last = (m, p);
    }
    if last.0 > anchor.0 {
        kept.push(last);
    }
    kept
}
