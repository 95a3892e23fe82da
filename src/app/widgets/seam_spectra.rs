//! The spectra of the sound before a join and after it, one over the other.

use egui::{Align2, Color32, FontId, Painter, Pos2, Rect, Shape, Stroke, pos2, vec2};

use super::seam_view::Seam;
use crate::app::theme::Theme;
use crate::dsp::spectrum::spectrum_db;

/// Both spectra are taken over about this long, in seconds: partials 25 Hz apart can be told apart
/// (a Hann window's main lobe is four bins wide).
const WINDOW_S: f64 = 0.08;
/// From the top of the picture to its floor, dB.
const DEPTH_DB: f32 = 72.0;
/// Lowest and highest frequency shown.
const BAND_HZ: (f32, f32) = (40.0, 16_000.0);
/// Bands this far below the loudest do not count when both are compared.
const COUNTS_DB: f32 = 40.0;

/// Both spectra.
#[derive(Debug, Clone, PartialEq)]
pub struct Spectra {
    /// Before the join, dB re a sine of full scale, a value a bin.
    pub before: Vec<f32>,
    /// After it.
    pub after: Vec<f32>,
    /// From bin to bin, Hz.
    pub bin_hz: f32,
}

/// Frames to each side that [`Spectra::of`] wants.
pub fn frames_each(rate_hz: f64) -> usize {
    ((WINDOW_S * rate_hz) as usize).next_power_of_two()
}

impl Spectra {
    /// The spectra of both sides of a seam that was taken with [`frames_each`].
    pub fn of(seam: &Seam) -> Self {
        let bin_hz = (seam.rate_hz / seam.before.len().max(1) as f64) as f32;
        Self { before: spectrum_db(&seam.before), after: spectrum_db(&seam.after), bin_hz }
    }

    /// The third of an octave in which the two differ most: its middle in Hz, and by how many dB the
    /// sound after the join is louder there. None in silence. Bands more than 40 dB under the loudest
    /// one do not count.
    pub fn largest_difference(&self) -> Option<(f32, f32)> {
        let power = |s: &[f32], low: f32, high: f32| -> f32 {
            let bins = s.iter().enumerate().map(|(k, v)| (k as f32 * self.bin_hz, v));
            bins.filter(|(f, _)| (low..high).contains(f)).map(|(_, v)| 10f32.powf(v / 10.0)).sum()
        };
        // Thirds of octaves from 1 kHz (IEC 61260-1, base two).
        let bands: Vec<(f32, f32, f32)> = (-14..=12)
            .map(|k| 1000.0 * (k as f32 / 3.0).exp2())
            .map(|f| {
                let (low, high) = (f / 2f32.powf(1.0 / 6.0), f * 2f32.powf(1.0 / 6.0));
                (f, power(&self.before, low, high), power(&self.after, low, high))
            })
            .collect();
        let loudest = bands.iter().fold(0f32, |m, (_, a, b)| m.max(*a).max(*b));
        if loudest < 1e-12 {
            return None;
        }
        let floor = loudest * 10f32.powf(-COUNTS_DB / 10.0);
        bands
            .into_iter()
            .filter(|(_, a, b)| a.max(*b) > floor)
            .map(|(f, a, b)| (f, 10.0 * (b.max(floor) / a.max(floor)).log10()))
            .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))
    }

    /// All of it in a sentence.
    pub fn words(&self) -> String {
        match self.largest_difference() {
            None => "Spectra before and after the seam: silence".into(),
            Some((hz, db)) => format!(
                "Spectra before and after the seam: they differ most near {hz:.0} Hz, where it is {:.1} dB {} after it",
                db.abs(),
                if db < 0.0 { "softer" } else { "louder" }
            ),
        }
    }
}

/// Draws both in `rect`: before as a filled body, after as a line over it.
pub fn paint(painter: &Painter, rect: Rect, s: &Spectra, layer: Color32, t: &Theme) {
    painter.rect_filled(rect, 3.0, t.paper);
    let plot = Rect::from_min_max(rect.min + vec2(34.0, 15.0), rect.max - vec2(6.0, 16.0));
    let loudest = s.before.iter().chain(&s.after).fold(f32::NEG_INFINITY, |m, v| m.max(*v));
    let top = if loudest.is_finite() { (loudest / 12.0).ceil() * 12.0 } else { 0.0 };
    let ratio = (BAND_HZ.1 / BAND_HZ.0).ln();
    let x = |hz: f32| plot.left() + (hz / BAND_HZ.0).ln() / ratio * plot.width();
    let y = |db: f32| plot.top() + ((top - db) / DEPTH_DB).clamp(0.0, 1.0) * plot.height();
    let font = FontId::proportional(10.5);
    for hz in [100.0, 1_000.0, 10_000.0f32] {
        painter.vline(x(hz), plot.y_range(), Stroke::new(1.0, t.line));
        let text = if hz < 1_000.0 { format!("{hz:.0}") } else { format!("{:.0} k", hz / 1000.0) };
        let at = pos2(x(hz), plot.bottom() + 2.0);
        painter.text(at, Align2::CENTER_TOP, text, font.clone(), t.ink_soft);
    }
    painter.text(pos2(rect.left() + 3.0, plot.bottom() + 2.0), Align2::LEFT_TOP, "Hz", font.clone(), t.ink);
    for k in 0..=3 {
        let db = top - 24.0 * k as f32;
        painter.hline(plot.x_range(), y(db), Stroke::new(1.0, t.line));
        let sign = if db < 0.0 { "−" } else { "" };
        let text = format!("{sign}{:.0}", db.abs());
        painter.text(pos2(plot.left() - 4.0, y(db)), Align2::RIGHT_CENTER, text, font.clone(), t.ink_soft);
    }
    painter.text(pos2(rect.left() + 3.0, rect.top() + 1.0), Align2::LEFT_TOP, "dB", font.clone(), t.ink);
    let body = columns(&s.before, s.bin_hz, plot, &x, &y);
    painter.add(body_of(&body, plot.bottom(), layer.gamma_multiply(0.45)));
    painter.line(body, Stroke::new(1.0, layer));
    painter.line(columns(&s.after, s.bin_hz, plot, &x, &y), Stroke::new(1.4, t.ink));
    let mut at = pos2(plot.left() + 4.0, rect.top() + 7.0);
    let patch = Rect::from_center_size(at + vec2(6.0, 0.0), vec2(12.0, 7.0));
    painter.rect_filled(patch, 0.0, layer.gamma_multiply(0.6));
    let r =
        painter.text(at + vec2(16.0, 0.0), Align2::LEFT_CENTER, "before the seam", font.clone(), t.ink_soft);
    at.x = r.right() + 14.0;
    painter.hline(at.x..=at.x + 12.0, at.y, Stroke::new(1.6, t.ink));
    painter.text(at + vec2(16.0, 0.0), Align2::LEFT_CENTER, "after it", font, t.ink_soft);
}

/// The highest value of every column a point wide; straight on between bins that lie further apart.
fn columns(s: &[f32], bin_hz: f32, plot: Rect, x: &dyn Fn(f32) -> f32, y: &dyn Fn(f32) -> f32) -> Vec<Pos2> {
    let mut line: Vec<Pos2> = Vec::new();
    for (k, v) in s.iter().enumerate().skip(1) {
        let at = x(k as f32 * bin_hz);
        if at < plot.left() || at > plot.right() {
            continue;
        }
        let p = pos2(at, y(*v));
        match line.last_mut() {
            Some(last) if p.x.floor() == last.x.floor() => last.y = last.y.min(p.y),
            _ => line.push(p),
        }
    }
    line
}

/// What lies under a line, as upright strips (it is not convex).
fn body_of(line: &[Pos2], floor: f32, fill: Color32) -> Shape {
    let mut mesh = egui::Mesh::default();
    for p in line {
        let i = mesh.vertices.len() as u32;
        mesh.colored_vertex(*p, fill);
        mesh.colored_vertex(pos2(p.x, floor), fill);
        if i > 0 {
            mesh.add_triangle(i - 2, i - 1, i);
            mesh.add_triangle(i - 1, i, i + 1);
        }
    }
    Shape::mesh(mesh)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::{AudioBuf, signals};
    use crate::units::{FrameRange, SampleRate};

    /// Before the join the second partial is half as strong as after it: 6.02 dB in its third of an
    /// octave, and nothing else differs.
    #[test]
    fn the_band_that_differs_is_told() {
        let rate = 48_000.0;
        let n = frames_each(rate);
        assert_eq!(n, 4_096);
        // Both on bins, so that neither leaks into the other's band.
        let hz = |bin: f64| bin * rate / n as f64;
        let tone = |second: f32| -> Vec<f32> {
            let (a, b) = (signals::sine(hz(40.0), 0.4, rate, n), signals::sine(hz(170.0), 0.2, rate, n));
            a.iter().zip(&b).map(|(a, b)| a + second * b).collect()
        };
        let seam =
            Seam { rate_hz: rate, before: tone(0.5), after: tone(1.0), straight: Vec::new(), crossfade: 0 };
        let s = Spectra::of(&seam);
        let (near, db) = s.largest_difference().unwrap();
        // 170 bins are 1992 Hz; the third of an octave around 2 kHz.
        assert!((near - 2_000.0).abs() < 1.0 && (db - 6.02).abs() < 0.01, "{near} {db}");
        assert!(s.words().contains("2000 Hz") && s.words().contains("6.0 dB louder"));
    }

    #[test]
    fn a_loop_of_whole_periods_has_one_spectrum() {
        let rate = SampleRate::new(48_000).unwrap();
        let audio = AudioBuf::mono(signals::sine(480.0, 0.5, 48_000.0, 24_000), rate).unwrap();
        let seam = Seam::of(&audio, FrameRange::new(5_000, 17_000), 0, frames_each(48_000.0)).unwrap();
        let (_, db) = Spectra::of(&seam).largest_difference().unwrap();
        // The same tone at another phase: what leaks from its negative frequency differs by less.
        assert!(db.abs() < 0.05, "{db}");
        let silent = Spectra { before: vec![-140.0; 9], after: vec![-140.0; 9], bin_hz: 100.0 };
        assert_eq!(silent.largest_difference(), None);
    }
}
