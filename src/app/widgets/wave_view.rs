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

/// Draws only the outline: two thin lines along the silhouette, or one along the wave where single
/// periods can be seen.
pub fn paint_outline(
    painter: &Painter,
    axis: &TimeAxis,
    wave: Wave<'_>,
    look: WaveLook,
    cache: &mut ColumnCache,
) {
    let stroke = Stroke::new(1.0, look.edge);
    // Half as many columns as pixels: a thin line needs no more, and flickers less.
    let pixels = painter.pixels_per_point() / 2.0;
    let Some(plan) = ColumnPlan::of(axis, wave.starts_s, wave.rate_hz, pixels) else {
        painter.line(sample_points(axis, wave, look), stroke);
        return;
    };
    let single = plan.each / wave.rate_hz < SINGLE_PERIODS_S;
    let columns = cache.columns(wave, plan, !single);
    let line = |columns: &[Column], value: fn(&Column) -> f32| -> Vec<Pos2> {
        let point =
            |(i, c)| pos2(axis.x_from_s(plan.middle_s(i, wave.starts_s, wave.rate_hz)), look.y(value(c)));
        columns.iter().enumerate().map(point).collect()
    };
    if single {
        painter.line(line(&columns, |c| (c.min + c.max) / 2.0), stroke);
        return;
    }
    painter.line(line(&columns, |c| c.max), stroke);
    painter.line(line(&columns, |c| c.min), stroke);
}

/// Columns shorter than this show single periods.
const SINGLE_PERIODS_S: f64 = 0.0003;

fn sample_points(axis: &TimeAxis, wave: Wave<'_>, look: WaveLook) -> Vec<Pos2> {
    let index = |s: f64| (s - wave.starts_s) * wave.rate_hz;
    let len = wave.samples.len();
    let first = (index(axis.visible.start_s).floor().max(0.0) as usize).min(len);
    let last = (index(axis.visible.end_s).ceil().max(0.0) as usize + 1).min(len);
    wave.samples[first..last.max(first)]
        .iter()
        .enumerate()
        .map(|(i, s)| pos2(axis.x_from_s(wave.starts_s + (first + i) as f64 / wave.rate_hz), look.y(*s)))
        .collect()
}

fn paint_samples(painter: &Painter, axis: &TimeAxis, wave: Wave<'_>, look: WaveLook) {
    let points = sample_points(axis, wave, look);
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
