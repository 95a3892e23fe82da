//! A score and its parts as small bars, with the numbers beside them.

use egui::{Align2, FontId, Rect, Sense, Ui, WidgetInfo, pos2, vec2};

use crate::app::theme::Theme;
use crate::session::LoopRecipe;

/// Names and values of a score's parts.
fn parts(l: &LoopRecipe) -> [(&'static str, f64); 5] {
    let p = &l.parts;
    [
        ("zero crossing", p.zero_crossing),
        ("waveform", p.waveform),
        ("spectrum", p.spectral),
        ("level", p.level),
        ("pitch", p.pitch),
    ]
}

/// Draws the whole score large and its parts small.
pub fn show(ui: &mut Ui, theme: &Theme, l: &LoopRecipe) {
    row(ui, theme, "score", l.score, true);
    for (name, value) in parts(l) {
        row(ui, theme, name, value, false);
    }
}

fn row(ui: &mut Ui, t: &Theme, name: &str, value: f64, whole: bool) {
    let height = if whole { 20.0 } else { 15.0 };
    let (rect, response) = ui.allocate_exact_size(vec2(ui.available_width(), height), Sense::hover());
    let (size, ink) = if whole { (13.0, t.ink) } else { (11.0, t.ink_soft) };
    let painter = ui.painter();
    painter.text(rect.left_center(), Align2::LEFT_CENTER, name, FontId::proportional(size), ink);
    painter.text(
        rect.right_center(),
        Align2::RIGHT_CENTER,
        format!("{value:.0}"),
        FontId::proportional(size),
        ink,
    );
    let thick = if whole { 8.0 } else { 4.0 };
    let bar = Rect::from_x_y_ranges(
        rect.left() + 92.0..=rect.right() - 34.0,
        rect.center().y - thick / 2.0..=rect.center().y + thick / 2.0,
    );
    paint_bar(ui, bar, value, t, if whole { t.accent } else { t.ink_soft });
    response.widget_info(|| {
        WidgetInfo::labeled(egui::accesskit::Role::Label, true, format!("{name} {value:.0} of 100"))
    });
}

/// A bar from 0 to 100.
pub fn paint_bar(ui: &Ui, bar: Rect, value: f64, t: &Theme, color: egui::Color32) {
    let share = (value / 100.0).clamp(0.0, 1.0) as f32;
    ui.painter().rect_filled(bar, 1.5, t.line.gamma_multiply(0.7));
    let filled = Rect::from_min_max(bar.min, pos2(bar.left() + bar.width() * share, bar.bottom()));
    ui.painter().rect_filled(filled, 1.5, color);
}
