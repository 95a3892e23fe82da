//! Draws a wave as a body of extremes that is strong at its edges and pale at its heart, with thin
//! lines at its RMS, at most one column a pixel; or its single samples when they are further apart
//! than pixels.

use std::sync::Arc;

use egui::epaint::{Mesh, Vertex, WHITE_UV};
use egui::{Color32, Painter, Pos2, Rect, Shape, Stroke, pos2};

use super::time_axis::TimeAxis;
use crate::dsp::peaks::{Column, Peaks};

/// A wave in memory and where it lies in time.
#[derive(Clone, Copy)]
pub struct Wave<'a> {
    /// Its samples.
    pub samples: &'a [f32],
    /// Their extremes.
    pub peaks: &'a Arc<Peaks>,
    /// When the first sample sounds.
    pub starts_s: f64,
    /// Samples a second.
    pub rate_hz: f64,
}

/// Which columns to ask for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ColumnPlan {
    /// Index (fractional) of the sample at which the first column begins.
    pub first: f64,
    /// Samples a column.
    pub each: f64,
    /// How many columns; at most one a physical pixel and two for the edges.
    pub count: usize,
}

impl ColumnPlan {
    /// Columns over what `axis` shows of a wave, for `pixels` physical pixels a point. Their borders
    /// are multiples of their width counted from the first sample, so that scrolling does not make
    /// them flicker. None when samples are further apart than pixels.
    pub fn of(axis: &TimeAxis, starts_s: f64, rate_hz: f64, pixels: f32) -> Option<Self> {
        let wanted = (f64::from(axis.right - axis.left) * f64::from(pixels)).floor().max(1.0);
        let from = (axis.visible.start_s - starts_s) * rate_hz;
        let each = axis.visible.span_s() * rate_hz / wanted;
        if each.is_nan() || each < 1.0 {
            return None;
        }
        let each = even(each);
        let first = (from / each).floor() * each;
        let count = (axis.visible.span_s() * rate_hz / each).ceil() as usize + 2;
        Some(Self { first, each, count })
    }

    /// The samples that the columns lie over.
    pub fn range(&self) -> std::ops::Range<f64> {
        self.first..self.first + self.each * self.count as f64
    }

    /// When the middle of column `i` sounds.
    pub fn middle_s(&self, i: usize, starts_s: f64, rate_hz: f64) -> f64 {
        starts_s + (self.first + (i as f64 + 0.5) * self.each) / rate_hz
    }
}

/// A column's width rounded up by at most an eighth, so that its borders fall on those of the
/// pyramid's buckets (32 samples, then 4 times as many from level to level): then no single sample
/// has to be fetched from a long wave, which costs more than all the arithmetic.
fn even(each: f64) -> f64 {
    let mut bucket = 32.0;
    if each < 8.0 * bucket {
        return each;
    }
    while each >= 32.0 * bucket {
        bucket *= 4.0;
    }
    (each / bucket).ceil() * bucket
}

/// Where and how a wave is drawn.
#[derive(Clone, Copy)]
pub struct WaveLook {
    /// The lane.
    pub rect: Rect,
    /// Amplitude that reaches the lane's edge.
    pub full: f32,
    /// Colour along the edges; of single periods, and of an outline.
    pub edge: Color32,
    /// Colour at the zero line.
    pub heart: Color32,
    /// Draws the silhouette, not single periods: for small pictures.
    pub silhouette: bool,
}

impl WaveLook {
    /// Where an amplitude is drawn.
    pub fn y(&self, amplitude: f32) -> f32 {
        let half = self.rect.height() / 2.0;
        self.rect.center().y - (amplitude / self.full.max(1e-9)).clamp(-1.0, 1.0) * half
    }
}

/// Columns that were gathered lately, so that a view that stands still gathers nothing.
#[derive(Debug, Default)]
pub struct ColumnCache {
    entries: Vec<(ColumnKey, Arc<Vec<Column>>)>,
}

#[derive(Debug)]
struct ColumnKey {
    peaks: Arc<Peaks>,
    plan: ColumnPlan,
    silhouette: bool,
}

/// Waves drawn in one pass: a take, its overview and the other layers of a big set.
const KEPT: usize = 24;

impl ColumnCache {
    /// The columns of `plan` over a wave: those of a silhouette take in a period to each side; the
    /// RMS is smoothed.
    fn columns(&mut self, wave: Wave<'_>, plan: ColumnPlan, silhouette: bool) -> Arc<Vec<Column>> {
        let found = self.entries.iter().position(|(k, _)| {
            Arc::ptr_eq(&k.peaks, wave.peaks) && k.plan == plan && k.silhouette == silhouette
        });
        let entry = match found {
            Some(i) => self.entries.remove(i),
            None => {
                let mut columns = wave.peaks.columns(wave.samples, plan.range(), plan.count);
                if silhouette {
                    widen(&mut columns, reach(&plan, wave, SILHOUETTE_S));
                }
                smooth_rms(&mut columns, reach(&plan, wave, RMS_WINDOW_S));
                (ColumnKey { peaks: Arc::clone(wave.peaks), plan, silhouette }, Arc::new(columns))
            }
        };
        let columns = Arc::clone(&entry.1);
        self.entries.truncate(KEPT - 1);
        // What is used stays at the front.
        self.entries.insert(0, entry);
        columns
    }
}

/// Draws the wave filled.
pub fn paint_filled(
    painter: &Painter,
    axis: &TimeAxis,
    wave: Wave<'_>,
    look: WaveLook,
    cache: &mut ColumnCache,
) {
    let Some(plan) = ColumnPlan::of(axis, wave.starts_s, wave.rate_hz, painter.pixels_per_point()) else {
        paint_samples(painter, axis, wave, look);
        return;
    };
    let columns = cache.columns(wave, plan, look.silhouette);
    let thin = 0.5 / painter.pixels_per_point();
    // The nearer, the less pale its heart: single periods are drawn in one colour.
    let far =
        if look.silhouette { 1.0 } else { ((plan.each / wave.rate_hz - 0.001) / 0.003).clamp(0.0, 1.0) };
    let heart = look.edge.lerp_to_gamma(look.heart, far as f32);
    let x = |i: usize| axis.x_from_s(plan.middle_s(i, wave.starts_s, wave.rate_hz));
    let span = |c: &Column| (look.y(c.max) - thin, look.y(c.min) + thin);
    painter.add(Shape::mesh(body(&columns, x, span, look.y(0.0), (look.edge, heart))));
    if far > 0.0 && !look.silhouette {
        let stroke = Stroke::new(1.0, look.edge.gamma_multiply(0.7 * far as f32));
        for upper in [true, false] {
            let level = |c: &Column| if upper { core_of(c, look).0 } else { core_of(c, look).1 };
            painter.line(columns.iter().enumerate().map(|(i, c)| pos2(x(i), level(c))).collect(), stroke);
        }
    }
}

/// Columns to each side of one that a window of `window_s` takes in.
fn reach(plan: &ColumnPlan, wave: Wave<'_>, window_s: f64) -> usize {
    (window_s * wave.rate_hz / plan.each / 2.0).round() as usize
}

/// A silhouette takes in the longest period that a note has (25 Hz).
const SILHOUETTE_S: f64 = 0.04;

/// Gives each column the extremes of those up to `reach` to each side.
fn widen(columns: &mut [Column], reach: usize) {
    if reach == 0 {
        return;
    }
    let old = columns.to_vec();
    for (i, c) in columns.iter_mut().enumerate() {
        let near = &old[i.saturating_sub(reach)..(i + reach + 1).min(old.len())];
        c.min = near.iter().fold(f32::INFINITY, |m, c| m.min(c.min));
        c.max = near.iter().fold(f32::NEG_INFINITY, |m, c| m.max(c.max));
    }
}

/// The core is the RMS over at least this long: over less than a few periods it would beat against
/// the columns and look like a comb.
const RMS_WINDOW_S: f64 = 0.03;

/// Replaces each column's RMS by that of the columns up to `reach` to each side.
fn smooth_rms(columns: &mut [Column], reach: usize) {
    if reach == 0 {
        return;
    }
    let mut sums = Vec::with_capacity(columns.len() + 1);
    sums.push(0.0f64);
    for c in columns.iter() {
        sums.push(sums[sums.len() - 1] + f64::from(c.rms).powi(2));
    }
    let n = columns.len();
    for (i, c) in columns.iter_mut().enumerate() {
        let (a, b) = (i.saturating_sub(reach), (i + reach + 1).min(n));
        c.rms = ((sums[b] - sums[a]).max(0.0) / (b - a) as f64).sqrt() as f32;
    }
}

/// The RMS around the column's own middle, never outside its body.
fn core_of(c: &Column, look: WaveLook) -> (f32, f32) {
    (look.y(c.rms.min(c.max.max(0.0))), look.y((-c.rms).max(c.min.min(0.0))))
}

/// A body through (top, bottom) of each column, of one colour along its edges and another where it
/// crosses `zero`.
fn body(
    columns: &[Column],
    x: impl Fn(usize) -> f32,
    span: impl Fn(&Column) -> (f32, f32),
    zero: f32,
    (edge, heart): (Color32, Color32),
) -> Mesh {
    let mut mesh = Mesh::default();
    mesh.vertices.reserve(columns.len() * 3);
    mesh.indices.reserve(columns.len() * 12);
    for (i, c) in columns.iter().enumerate() {
        let (top, bottom) = span(c);
        let x = x(i);
        let middle = zero.clamp(top.min(bottom), bottom.max(top));
        for (y, color) in [(top, edge), (middle, heart), (bottom, edge)] {
            mesh.vertices.push(Vertex { pos: pos2(x, y), uv: WHITE_UV, color });
        }
        if i > 0 {
            let k = (i as u32) * 3;
            for row in [0, 1] {
                let (a, b) = (k - 3 + row, k + row);
                mesh.indices.extend([a, a + 1, b, b, a + 1, b + 1]);
            }
        }
    }
    mesh
}

/// A stretch in which an outline goes on beyond an edge of the lane.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Beyond {
    /// Its left end.
    pub from: f32,
    /// Its right end.
    pub to: f32,
    /// Beyond the upper edge; else beyond the lower one.
    pub above: bool,
}

/// Draws only the outline: two thin lines along the silhouette, or one along the wave where single
/// periods can be seen. What is louder than the lane is high is left out: drawn along the edge it would
/// look like clipping. Returns where that is.
pub fn paint_outline(
    painter: &Painter,
    axis: &TimeAxis,
    wave: Wave<'_>,
    look: WaveLook,
    cache: &mut ColumnCache,
) -> Vec<Beyond> {
    let mut beyond = Vec::new();
    let stroke = Stroke::new(1.0, look.edge);
    for values in outline_values(painter, axis, wave, cache) {
        for part in inside(&values, look, &mut beyond) {
            painter.line(part, stroke);
        }
    }
    beyond
}

/// The lines of an outline: x, and the amplitude there.
fn outline_values(
    painter: &Painter,
    axis: &TimeAxis,
    wave: Wave<'_>,
    cache: &mut ColumnCache,
) -> Vec<Vec<(f32, f32)>> {
    // Half as many columns as pixels: a thin line needs no more, and flickers less.
    let pixels = painter.pixels_per_point() / 2.0;
    let Some(plan) = ColumnPlan::of(axis, wave.starts_s, wave.rate_hz, pixels) else {
        return vec![samples(axis, wave)];
    };
    let single = plan.each / wave.rate_hz < SINGLE_PERIODS_S;
    let columns = cache.columns(wave, plan, !single);
    let line = |value: fn(&Column) -> f32| -> Vec<(f32, f32)> {
        let x = |i| axis.x_from_s(plan.middle_s(i, wave.starts_s, wave.rate_hz));
        columns.iter().enumerate().map(|(i, c)| (x(i), value(c))).collect()
    };
    if single { vec![line(|c| (c.min + c.max) / 2.0)] } else { vec![line(|c| c.max), line(|c| c.min)] }
}

/// The parts of a line that lie within the lane, each ending on its edge where the line goes on beyond;
/// `beyond` takes in where it does.
fn inside(values: &[(f32, f32)], look: WaveLook, beyond: &mut Vec<Beyond>) -> Vec<Vec<Pos2>> {
    // +1 above the lane, −1 below it.
    let side = |v: f32| {
        if v > look.full {
            1
        } else if v < -look.full {
            -1
        } else {
            0
        }
    };
    // Where the line between two values crosses the edge on this side.
    let crossing = |(x0, a): (f32, f32), (x1, b): (f32, f32), side: i8| {
        let edge = f32::from(side) * look.full;
        pos2(x0 + (x1 - x0) * ((edge - a) / (b - a)).clamp(0.0, 1.0), look.y(edge))
    };
    let (mut parts, mut part) = (Vec::new(), Vec::new());
    let mut open: Option<(f32, i8)> = None;
    for (i, now) in values.iter().enumerate() {
        let here = side(now.1);
        let before = i.checked_sub(1).map(|k| values[k]);
        if let Some((from, was)) = open.filter(|(_, was)| *was != here) {
            let back = before.map_or(pos2(now.0, look.y(now.1)), |b| crossing(b, *now, was));
            beyond.push(Beyond { from, to: back.x, above: was > 0 });
            part.push(back);
            open = None;
        }
        if here == 0 {
            part.push(pos2(now.0, look.y(now.1)));
        } else if open.is_none() {
            let out = before.map(|b| crossing(b, *now, here));
            part.extend(out);
            open = Some((out.map_or(now.0, |p| p.x), here));
            parts.push(std::mem::take(&mut part));
        }
    }
    if let (Some((from, was)), Some(last)) = (open, values.last()) {
        beyond.push(Beyond { from, to: last.0, above: was > 0 });
    }
    parts.push(part);
    parts.retain(|p| p.len() > 1);
    parts
}

/// Columns shorter than this show single periods.
const SINGLE_PERIODS_S: f64 = 0.0003;

/// The single samples that are seen: x and amplitude.
fn samples(axis: &TimeAxis, wave: Wave<'_>) -> Vec<(f32, f32)> {
    let index = |s: f64| (s - wave.starts_s) * wave.rate_hz;
    let len = wave.samples.len();
    let first = (index(axis.visible.start_s).floor().max(0.0) as usize).min(len);
    let last = (index(axis.visible.end_s).ceil().max(0.0) as usize + 1).min(len);
    wave.samples[first..last.max(first)]
        .iter()
        .enumerate()
        .map(|(i, s)| (axis.x_from_s(wave.starts_s + (first + i) as f64 / wave.rate_hz), *s))
        .collect()
}

fn paint_samples(painter: &Painter, axis: &TimeAxis, wave: Wave<'_>, look: WaveLook) {
    let points: Vec<Pos2> = samples(axis, wave).into_iter().map(|(x, s)| pos2(x, look.y(s))).collect();
    let apart = axis.points_per_s() / wave.rate_hz;
    if apart >= 5.0 {
        let zero = look.y(0.0);
        for p in &points {
            painter.vline(p.x, zero.min(p.y)..=zero.max(p.y), Stroke::new(1.0, look.heart));
            painter.circle_filled(*p, 2.2, look.edge);
        }
    }
    painter.line(points, Stroke::new(1.3, look.edge));
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::app::widgets::time_axis::TimeRange;

    #[test]
    fn at_most_one_column_a_pixel() {
        for (span, pixels) in [(600.0, 1.0), (600.0, 2.0), (3.0, 1.5), (0.05, 1.0)] {
            let axis = TimeAxis::new(TimeRange::new(1.0, 1.0 + span), 10.0, 1510.0);
            let plan = ColumnPlan::of(&axis, 0.5, 96_000.0, pixels).unwrap();
            assert!(plan.count as f32 <= 1500.0 * pixels + 2.0);
            // They cover what is seen.
            assert!(plan.range().start <= 0.5 * 96_000.0);
            assert!(plan.range().end >= (0.5 + span) * 96_000.0);
        }
    }

    #[test]
    fn wide_columns_are_whole_buckets() {
        for each in [256.0, 300.5, 1023.0, 1024.0, 5_000.0, 36_734.7, 1e6] {
            let wide = even(each);
            assert_eq!(wide % 32.0, 0.0);
            assert!(wide >= each && wide <= each * 1.125, "{each} {wide}");
        }
        assert_eq!(even(255.9), 255.9);
    }

    #[test]
    fn columns_stay_put_while_scrolling() {
        let at = |start: f64| {
            let axis = TimeAxis::new(TimeRange::new(start, start + 2.0), 0.0, 1000.0);
            ColumnPlan::of(&axis, 0.0, 48_000.0, 1.0).unwrap()
        };
        for start in [0.0, 0.0007, 1.234] {
            let plan = at(start);
            let k = plan.first / plan.each;
            assert!((k - k.round()).abs() < 1e-6, "{k}");
        }
    }

    #[test]
    fn smoothed_rms_is_the_rms_of_the_neighbours() {
        let of = |rms| Column { min: -1.0, max: 1.0, rms };
        let mut c = [of(0.0), of(3.0), of(0.0), of(0.0), of(4.0)];
        smooth_rms(&mut c, 1);
        // Mean squares of (0, 9), (0, 9, 0), (9, 0, 0), (0, 0, 16), (0, 16).
        let want = [4.5f32, 3.0, 3.0, 16.0 / 3.0, 8.0].map(f32::sqrt);
        for (c, w) in c.iter().zip(want) {
            assert!((c.rms - w).abs() < 1e-6, "{} {w}", c.rms);
        }
    }

    #[test]
    fn silhouette_takes_in_the_neighbours() {
        let mut c: Vec<Column> =
            [0.0, 3.0, 0.0, 0.0, 1.0].map(|v| Column { min: -v, max: v, rms: 0.0 }).to_vec();
        widen(&mut c, 1);
        assert_eq!(c.iter().map(|c| c.max).collect::<Vec<_>>(), [3.0, 3.0, 3.0, 1.0, 1.0]);
        assert_eq!(c[2].min, -3.0);
    }

    /// By hand: a lane 10 high on either side of 20 for amplitudes up to 1; a line that leaves it upwards half way
    /// from 10 to 20, comes back half way from 30 to 40 and goes through the lower edge at 45 to stay there.
    #[test]
    fn what_is_too_loud_for_the_lane_ends_at_its_edge() {
        let rect = Rect::from_min_max(pos2(0.0, 10.0), pos2(100.0, 30.0));
        let colour = Color32::BLACK;
        let look = WaveLook { rect, full: 1.0, edge: colour, heart: colour, silhouette: true };
        let values =
            [(0.0, 0.0), (10.0, 0.0), (20.0, 2.0), (30.0, 2.0), (40.0, 0.0), (50.0, -2.0), (60.0, -2.0)];
        let mut beyond = Vec::new();
        let parts = inside(&values, look, &mut beyond);
        let first = [pos2(0.0, 20.0), pos2(10.0, 20.0), pos2(15.0, 10.0)];
        let second = [pos2(35.0, 10.0), pos2(40.0, 20.0), pos2(45.0, 30.0)];
        assert_eq!(parts, [first.to_vec(), second.to_vec()]);
        let above = Beyond { from: 15.0, to: 35.0, above: true };
        assert_eq!(beyond, [above, Beyond { from: 45.0, to: 60.0, above: false }]);
        // From one side to the other at once: the way through the lane is drawn.
        beyond.clear();
        let parts = inside(&[(0.0, 2.0), (10.0, -2.0)], look, &mut beyond);
        assert_eq!(parts, [vec![pos2(2.5, 10.0), pos2(7.5, 30.0)]]);
        assert_eq!(beyond.len(), 2);
    }

    #[test]
    fn columns_are_gathered_once_and_anew_when_something_changes() {
        let samples = vec![0.5f32; 100_000];
        let other = Arc::new(Peaks::build(&samples));
        let peaks = Arc::new(Peaks::build(&samples));
        let wave = |peaks| Wave { samples: &samples, peaks, starts_s: 0.0, rate_hz: 48_000.0 };
        let plan = ColumnPlan { first: 0.0, each: 256.0, count: 300 };
        let mut cache = ColumnCache::default();
        let first = cache.columns(wave(&peaks), plan, false);
        assert!(Arc::ptr_eq(&first, &cache.columns(wave(&peaks), plan, false)));
        assert!(!Arc::ptr_eq(&first, &cache.columns(wave(&peaks), plan, true)));
        assert!(!Arc::ptr_eq(&first, &cache.columns(wave(&other), plan, false)));
        let moved = ColumnPlan { first: 256.0, ..plan };
        assert!(!Arc::ptr_eq(&first, &cache.columns(wave(&peaks), moved, false)));
        assert!(Arc::ptr_eq(&first, &cache.columns(wave(&peaks), plan, false)), "still there");
        for i in 0..100 {
            cache.columns(wave(&peaks), ColumnPlan { first: f64::from(i) * 512.0, ..plan }, false);
        }
        assert_eq!(cache.entries.len(), KEPT);
    }

    #[test]
    fn single_samples_when_near() {
        let axis = TimeAxis::new(TimeRange::new(1.0, 1.01), 0.0, 1000.0);
        assert_eq!(ColumnPlan::of(&axis, 0.0, 48_000.0, 1.0), None);
    }
}
