//! Draws a wave as a filled body of extremes with a core of its RMS, at most one column a pixel,
//! or its single samples when they are further apart than pixels.

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
    pub peaks: &'a Peaks,
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
    /// Colour of the body.
    pub body: Color32,
    /// Colour of the core.
    pub core: Color32,
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

/// Draws the wave filled.
pub fn paint_filled(painter: &Painter, axis: &TimeAxis, wave: Wave<'_>, look: WaveLook) {
    let Some(plan) = ColumnPlan::of(axis, wave.starts_s, wave.rate_hz, painter.pixels_per_point()) else {
        paint_samples(painter, axis, wave, look);
        return;
    };
    let mut columns = wave.peaks.columns(wave.samples, plan.range(), plan.count);
    if look.silhouette {
        widen(&mut columns, reach(&plan, wave, SILHOUETTE_S));
    }
    smooth_rms(&mut columns, reach(&plan, wave, RMS_WINDOW_S));
    let thin = 0.5 / painter.pixels_per_point();
    // The nearer, the less there is of a core: single periods are drawn in one colour.
    let far = ((plan.each / wave.rate_hz - 0.001) / 0.003).clamp(0.0, 1.0) as f32;
    let body_color =
        look.core.lerp_to_gamma(look.body, if look.silhouette { 1.0 } else { 0.25 + 0.75 * far });
    let x = |i: usize| axis.x_from_s(plan.middle_s(i, wave.starts_s, wave.rate_hz));
    let body = strip(&columns, x, |c| (look.y(c.max) - thin, look.y(c.min) + thin), body_color);
    painter.add(Shape::mesh(body));
    if look.silhouette || far > 0.0 {
        let color = if look.silhouette { look.core } else { body_color.lerp_to_gamma(look.core, far) };
        painter.add(Shape::mesh(strip(&columns, x, |c| core_of(c, look), color)));
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

/// A strip of triangles through (top, bottom) of each column.
fn strip(
    columns: &[Column],
    x: impl Fn(usize) -> f32,
    span: impl Fn(&Column) -> (f32, f32),
    color: Color32,
) -> Mesh {
    let mut mesh = Mesh::default();
    mesh.vertices.reserve(columns.len() * 2);
    mesh.indices.reserve(columns.len() * 6);
    for (i, c) in columns.iter().enumerate() {
        let (top, bottom) = span(c);
        let x = x(i);
        for y in [top, bottom] {
            mesh.vertices.push(Vertex { pos: pos2(x, y), uv: WHITE_UV, color });
        }
        if i > 0 {
            let k = (i as u32) * 2;
            mesh.indices.extend([k - 2, k - 1, k, k, k - 1, k + 1]);
        }
    }
    mesh
}

/// Draws only the outline: two thin lines along the silhouette, or one along the wave where single
/// periods can be seen.
pub fn paint_outline(painter: &Painter, axis: &TimeAxis, wave: Wave<'_>, look: WaveLook) {
    let stroke = Stroke::new(1.0, look.body);
    // Half as many columns as pixels: a thin line needs no more, and flickers less.
    let pixels = painter.pixels_per_point() / 2.0;
    let Some(plan) = ColumnPlan::of(axis, wave.starts_s, wave.rate_hz, pixels) else {
        painter.line(sample_points(axis, wave, look), stroke);
        return;
    };
    let mut columns = wave.peaks.columns(wave.samples, plan.range(), plan.count);
    let line = |columns: &[Column], value: fn(&Column) -> f32| -> Vec<Pos2> {
        let point =
            |(i, c)| pos2(axis.x_from_s(plan.middle_s(i, wave.starts_s, wave.rate_hz)), look.y(value(c)));
        columns.iter().enumerate().map(point).collect()
    };
    if plan.each / wave.rate_hz < SINGLE_PERIODS_S {
        painter.line(line(&columns, |c| (c.min + c.max) / 2.0), stroke);
        return;
    }
    widen(&mut columns, reach(&plan, wave, SILHOUETTE_S));
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
            painter.vline(p.x, zero.min(p.y)..=zero.max(p.y), Stroke::new(1.0, look.body));
            painter.circle_filled(*p, 2.2, look.core);
        }
    }
    painter.line(points, Stroke::new(1.3, look.core));
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
    fn single_samples_when_near() {
        let axis = TimeAxis::new(TimeRange::new(1.0, 1.01), 0.0, 1000.0);
        assert_eq!(ColumnPlan::of(&axis, 0.0, 48_000.0, 1.0), None);
    }
}
