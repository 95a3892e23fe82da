//! The seam close-up: the last moments before the loop end and the first after the loop start as
//! one line across the join, which is what is heard there, and behind it thinly what the take does
//! when it is played straight on.

use egui::{Align2, Color32, FontId, Painter, Pos2, Rect, Stroke, pos2};

use crate::app::theme::Theme;
use crate::audio::AudioBuf;
use crate::dsp::looping::crossfade_frames;
use crate::units::FrameRange;

/// What stands around a seam, both sides of equal length; mean of the channels.
#[derive(Debug, Clone, PartialEq)]
pub struct Seam {
    /// Frames a second.
    pub rate_hz: f64,
    /// Heard before the join, the crossfade in it.
    pub before: Vec<f32>,
    /// Heard after it.
    pub after: Vec<f32>,
    /// The take played straight on over the same time: as long as both together, or shorter where
    /// it ends.
    pub straight: Vec<f32>,
    /// Frames before the join that are crossfaded.
    pub crossfade: usize,
}

/// A seam that steps by no more than this many times what the wave does anyway around it looks
/// like the wave going on (1 by definition; half as much again for waves that are sampled thinly).
pub const SMOOTH_STEP: f64 = 1.5;

impl Seam {
    /// `each` frames to each side of the seam of `range` in `audio` (without its crossfade, which is
    /// laid over here: exactly what [`crate::dsp::looping::bake`] writes). A loop shorter than
    /// `each` goes round. None where there is no such loop in the audio.
    pub fn of(audio: &AudioBuf, range: FrameRange, crossfade: u64, each: usize) -> Option<Self> {
        let faded = crossfade_frames(audio, range, crossfade).ok()?;
        let (start, end) = (range.start.0 as usize, range.end.0 as usize);
        let channels = audio.channel_count().max(1) as f32;
        let raw = |i: usize| audio.channels().map(|c| c[i]).sum::<f32>() / channels;
        let first_faded = end - crossfade as usize;
        let heard = |i: usize| {
            if i < first_faded {
                raw(i)
            } else {
                faded.iter().map(|c| c[i - first_faded]).sum::<f32>() / channels
            }
        };
        let length = end - start;
        let before = (0..each).map(|k| heard(end - 1 - (each - 1 - k) % length)).collect();
        let after = (0..each).map(|k| heard(start + k % length)).collect();
        // Where the loop is shorter than what is shown, the take before it is not what was heard.
        let straight = if each <= end {
            (end - each..(end + each).min(audio.len())).map(raw).collect()
        } else {
            Vec::new()
        };
        Some(Self { rate_hz: audio.rate().as_f64(), before, after, straight, crossfade: crossfade as usize })
    }

    /// The step across the join, measured by the largest step between neighbours elsewhere in what
    /// is shown: about 1 or less where the wave goes on, more where it jumps. 0 in silence.
    pub fn step(&self) -> f64 {
        let (Some(last), Some(first)) = (self.before.last(), self.after.first()) else { return 0.0 };
        let largest = |x: &[f32]| x.windows(2).map(|w| f64::from((w[1] - w[0]).abs())).fold(0.0, f64::max);
        let usual = largest(&self.before).max(largest(&self.after));
        let here = f64::from((first - last).abs());
        if here == 0.0 { 0.0 } else { here / usual.max(1e-9) }
    }

    /// Seconds shown to each side.
    pub fn side_s(&self) -> f64 {
        self.before.len() as f64 / self.rate_hz
    }

    /// All of it in a sentence; `periods`: how many periods each side is, if known.
    pub fn words(&self, periods: Option<f64>) -> String {
        let ms = self.side_s() * 1000.0;
        let shown = match periods {
            Some(n) => format!("{ms:.1} ms ({} of the note) to each side", periods_words(n)),
            None => format!("{ms:.1} ms to each side"),
        };
        let step = self.step();
        let verdict = if step <= SMOOTH_STEP { "the wave goes on" } else { "the wave jumps" };
        format!(
            "Seam close-up, {shown}: {verdict}, the step across the seam is {step:.1} times the largest beside it"
        )
    }

    /// The amplitude that fills the height.
    fn full(&self) -> f32 {
        let all = self.before.iter().chain(&self.after).chain(&self.straight);
        (all.fold(0.0f32, |m, s| m.max(s.abs())) * 1.08).max(1e-5)
    }
}

/// `half a period`, `1 period`, `4 periods`.
pub fn periods_words(n: f64) -> String {
    match n {
        0.5 => "half a period".into(),
        1.0 => "1 period".into(),
        n => format!("{n:.0} periods"),
    }
}

/// Periods that can be shown to each side.
pub const PERIODS: [f64; 6] = [0.5, 1.0, 2.0, 4.0, 8.0, 16.0];
/// What is shown to each side before anybody zoomed, in seconds: about what a click takes.
const USUAL_S: f64 = 0.008;
/// No more than this is drawn to each side, in seconds.
const LONGEST_S: f64 = 0.1;

/// The number of periods whose time is nearest to 8 ms (as a ratio), one at least.
pub fn usual_periods(period_s: f64) -> f64 {
    let off = |n: f64| (n * period_s / USUAL_S).ln().abs();
    let from_one = PERIODS.into_iter().filter(|n| *n >= 1.0);
    from_one.min_by(|a, b| off(*a).total_cmp(&off(*b))).unwrap_or(1.0)
}

/// One step nearer (fewer periods) or further; stays where there is no further one.
pub fn zoomed_periods(now: f64, nearer: bool, period_s: f64) -> f64 {
    let found = if nearer {
        PERIODS.into_iter().rev().find(|n| *n < now)
    } else {
        PERIODS.into_iter().find(|n| *n > now && n * period_s <= LONGEST_S)
    };
    found.unwrap_or(now)
}

/// Frames to each side: `periods` of `period` frames, or 8 ms where the note is not known.
pub fn frames_each(periods: f64, period: Option<f64>, rate_hz: f64) -> usize {
    let wanted = period.map_or(USUAL_S * rate_hz, |p| periods * p);
    wanted.min(LONGEST_S * rate_hz).round().max(4.0) as usize
}

/// Draws the seam in `rect`; `period` in frames.
pub fn paint(painter: &Painter, rect: Rect, seam: &Seam, period: Option<f64>, line: Color32, t: &Theme) {
    painter.rect_filled(rect, 3.0, t.paper);
    let inner = Rect::from_min_max(rect.min + egui::vec2(0.0, 14.0), rect.max - egui::vec2(0.0, 15.0));
    let each = seam.before.len() as f32;
    let x = |k: f32| rect.center().x + (k / each) * rect.width() / 2.0;
    let full = seam.full();
    let y = |s: f32| inner.center().y - s / full * inner.height() / 2.0;
    if seam.crossfade > 0 {
        let from = x(-(seam.crossfade as f32).min(each));
        let shade = Rect::from_x_y_ranges(from..=rect.center().x, rect.y_range());
        painter.rect_filled(shade, 0.0, t.accent.gamma_multiply(0.12));
    }
    ticks(painter, rect, inner, period, each, &x, t);
    let thin = Stroke::new(1.0, t.ink_soft.gamma_multiply(0.8));
    painter.line(points(&seam.straight, -each, &x, &y), thin);
    let thick = Stroke::new(1.8, line);
    let heard: Vec<f32> = seam.before.iter().chain(&seam.after).copied().collect();
    painter.line(points(&heard, -each, &x, &y), thick);
    let join = painter.round_to_pixel_center(x(-0.5));
    painter.vline(join, rect.y_range(), Stroke::new(1.5, t.accent));
    let font = FontId::proportional(11.0);
    let (up, down) = (rect.top() + 1.0, rect.bottom() - 1.0);
    painter.text(pos2(join - 5.0, up), Align2::RIGHT_TOP, "loop end", font.clone(), t.ink_soft);
    painter.text(pos2(join + 5.0, up), Align2::LEFT_TOP, "loop start", font.clone(), t.ink_soft);
    let ms = format!("{:.1} ms", seam.side_s() * 1000.0);
    painter.text(
        pos2(rect.left() + 4.0, down),
        Align2::LEFT_BOTTOM,
        format!("−{ms}"),
        font.clone(),
        t.ink_soft,
    );
    painter.text(pos2(rect.right() - 4.0, down), Align2::RIGHT_BOTTOM, format!("+{ms}"), font, t.ink_soft);
}

/// The middle line, and a short mark at each whole period from the join.
fn ticks(
    painter: &Painter,
    rect: Rect,
    inner: Rect,
    period: Option<f64>,
    each: f32,
    x: &dyn Fn(f32) -> f32,
    t: &Theme,
) {
    let middle = painter.round_to_pixel_center(inner.center().y);
    painter.hline(rect.x_range(), middle, Stroke::new(1.0, t.line));
    let Some(period) = period.map(|p| p as f32).filter(|p| *p >= 2.0) else { return };
    for k in 1..=((each / period) as i32) {
        for sign in [-1.0, 1.0] {
            let at = painter.round_to_pixel_center(x(sign * k as f32 * period));
            painter.vline(at, inner.y_range(), Stroke::new(1.0, t.line));
        }
    }
}

/// A line through samples, the first at `from`; where there are more than four a point across, the
/// extremes of each stretch of a point in the order in which they come.
fn points(samples: &[f32], from: f32, x: &dyn Fn(f32) -> f32, y: &dyn Fn(f32) -> f32) -> Vec<Pos2> {
    let apart = x(1.0) - x(0.0);
    let at = |i: usize, s: f32| pos2(x(from + i as f32), y(s));
    if apart >= 0.25 {
        return samples.iter().enumerate().map(|(i, s)| at(i, *s)).collect();
    }
    let chunk = (1.0 / apart.max(1e-3)).round() as usize;
    let mut line = Vec::with_capacity(2 * samples.len() / chunk + 2);
    for (c, part) in samples.chunks(chunk).enumerate() {
        let by = |a: &(usize, &f32), b: &(usize, &f32)| a.1.total_cmp(b.1);
        let (low, high) = (part.iter().enumerate().min_by(by), part.iter().enumerate().max_by(by));
        let (Some(a), Some(b)) = (low, high) else { continue };
        let (first, second) = if a.0 <= b.0 { (a, b) } else { (b, a) };
        line.push(at(c * chunk + first.0, *first.1));
        line.push(at(c * chunk + second.0, *second.1));
    }
    line
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::signals;
    use crate::dsp::looping::bake;
    use crate::units::SampleRate;

    /// 480 Hz at 48 kHz: a period is exactly 100 frames.
    fn tone(frames: usize) -> AudioBuf {
        AudioBuf::mono(signals::sine(480.0, 0.5, 48_000.0, frames), SampleRate::new(48_000).unwrap()).unwrap()
    }

    #[test]
    fn a_loop_of_whole_periods_goes_on() {
        let audio = tone(4_000);
        let seam = Seam::of(&audio, FrameRange::new(1_000, 3_000), 0, 250).unwrap();
        // What is heard is the tone itself, to the rounding of single precision.
        for (a, b) in seam.before.iter().chain(&seam.after).zip(&seam.straight) {
            assert!((a - b).abs() < 1e-6);
        }
        // A sine's largest step is at its zero, where the loop is cut: the step here is no larger.
        assert!(seam.step() <= 1.0 + 1e-3, "{}", seam.step());
        assert!(seam.words(Some(2.5)).contains("the wave goes on"));
        assert!((seam.side_s() - 250.0 / 48_000.0).abs() < 1e-12);
    }

    #[test]
    fn a_quarter_of_a_period_off_jumps() {
        // From the zero to the top: a step of 1 amplitude against the largest of the sine, 2·sin(π/100).
        let seam = Seam::of(&tone(4_000), FrameRange::new(1_025, 3_001), 0, 250).unwrap();
        let want = 1.0 / (2.0 * (std::f64::consts::PI / 100.0).sin());
        assert!((seam.step() - want).abs() < 0.02 * want, "{} {want}", seam.step());
        assert!(seam.words(None).contains("jumps"));
    }

    #[test]
    fn with_a_crossfade_it_is_what_the_file_holds() {
        let audio = tone(4_000);
        let (range, fade) = (FrameRange::new(1_030, 2_950), 300);
        let file = bake(&audio, range, fade).unwrap();
        let seam = Seam::of(&audio, range, fade, 400).unwrap();
        assert_eq!(seam.before, file.channel(0)[2_550..2_950]);
        assert_eq!(seam.after, file.channel(0)[1_030..1_430]);
        assert_eq!(seam.straight, audio.channel(0)[2_550..3_350]);
    }

    #[test]
    fn a_short_loop_goes_round_and_a_wrong_one_is_none() {
        let audio = tone(4_000);
        let x = audio.channel(0);
        let seam = Seam::of(&audio, FrameRange::new(1_000, 1_100), 0, 150).unwrap();
        assert_eq!(seam.before[149], x[1_099]);
        assert_eq!(seam.before[49], x[1_099]);
        assert_eq!(seam.before[50], x[1_000]);
        assert_eq!((seam.after[0], seam.after[100], seam.after[149]), (x[1_000], x[1_000], x[1_049]));
        assert_eq!(Seam::of(&audio, FrameRange::new(1_000, 9_000), 0, 100), None);
        // Near the end of the take the straight line is shorter, and before it there is none.
        assert_eq!(Seam::of(&audio, FrameRange::new(10, 3_990), 0, 100).unwrap().straight.len(), 110);
        assert!(Seam::of(&audio, FrameRange::new(10, 60), 0, 100).unwrap().straight.is_empty());
    }

    #[test]
    fn zoom_goes_by_periods_and_stops() {
        // 1 period of 8 ms; 4 of 2 ms; one at least of a long one.
        assert_eq!(usual_periods(0.008), 1.0);
        assert_eq!(usual_periods(0.002), 4.0);
        assert_eq!(usual_periods(0.04), 1.0);
        assert_eq!(zoomed_periods(4.0, true, 0.002), 2.0);
        assert_eq!(zoomed_periods(0.5, true, 0.002), 0.5);
        assert_eq!(zoomed_periods(16.0, false, 0.002), 16.0);
        assert_eq!(zoomed_periods(2.0, false, 0.03), 2.0, "no more than a tenth of a second");
        assert_eq!(frames_each(2.0, Some(100.4), 48_000.0), 201);
        assert_eq!(frames_each(2.0, None, 48_000.0), 384);
    }

    #[test]
    fn many_samples_become_few_points_with_their_extremes() {
        let samples: Vec<f32> = (0..4_000).map(|i| if i == 1_234 { 1.0 } else { 0.0 }).collect();
        let line = points(&samples, 0.0, &|k| k * 0.05, &|s| s);
        assert!(line.len() <= 402, "{}", line.len());
        assert!(line.iter().any(|p| p.y == 1.0));
        assert!(line.windows(2).all(|w| w[0].x <= w[1].x));
    }
}
