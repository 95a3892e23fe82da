//! The level meter.

use egui::{Rect, Response, Role, Sense, Ui, WidgetInfo, pos2, vec2};

use crate::app::theme::Theme;
use crate::app::words;
use crate::units::Decibels;

/// The quietest level that shows, in dB.
const LOWEST_DB: f32 = -60.0;

/// How far along the meter a peak (0 to 1) lies.
pub fn position(peak: f32) -> f32 {
    let db = Decibels::of_amplitude(f64::from(peak)).0 as f32;
    ((db - LOWEST_DB) / -LOWEST_DB).clamp(0.0, 1.0)
}

/// Two bars, left over right, from −60 to 0 dB; `limited` marks the end.
pub fn meter(ui: &mut Ui, peaks: [f32; 2], limited: bool, theme: &Theme) -> Response {
    let (rect, response) = ui.allocate_exact_size(vec2(92.0, 14.0), Sense::hover());
    let painter = ui.painter();
    for (i, peak) in peaks.into_iter().enumerate() {
        let y = rect.top() + 1.0 + 7.0 * i as f32;
        let track = Rect::from_min_max(pos2(rect.left(), y), pos2(rect.right() - 8.0, y + 5.0));
        painter.rect_filled(track, 1.0, theme.line);
        let mut bar = track;
        bar.set_width(track.width() * position(peak));
        painter.rect_filled(bar, 1.0, theme.ink);
    }
    let end = Rect::from_min_max(pos2(rect.right() - 5.0, rect.top() + 1.0), rect.right_bottom());
    painter.rect_filled(end, 1.0, if limited { theme.warn } else { theme.line });
    let loudest = Decibels::of_amplitude(f64::from(peaks[0].max(peaks[1]))).0;
    let level = if loudest <= f64::from(LOWEST_DB) { "silent".into() } else { words::decibels(loudest) };
    let text = if limited { format!("Level: {level}, limited") } else { format!("Level: {level}") };
    response.widget_info(|| WidgetInfo::labeled(Role::Meter, true, &text));
    response.on_hover_text(format!(
        "{text}. Peaks left and right, −60 to 0 dB; the mark at the end lights when the limiter works."
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn half_way_is_minus_thirty_db() {
        assert!((position(10f32.powf(-30.0 / 20.0)) - 0.5).abs() < 1e-4);
        assert_eq!((position(0.0), position(1.0)), (0.0, 1.0));
    }
}
