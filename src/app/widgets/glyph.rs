//! Small drawn signs, so that nothing depends on a font and nothing is told by colour alone.

use egui::{
    Color32, Label, Painter, Pos2, Rect, Response, RichText, Role, Sense, Shape, Stroke, Ui, WidgetInfo,
    pos2, vec2,
};

use super::layer_sign::layer_sign;
use crate::app::theme::Theme;
use crate::session::TakeState;

/// Draws the sign of a state: new an open ring, proposed a ring half full, accepted a full disc
/// with a tick, set aside a ring crossed out.
pub fn state(painter: &Painter, centre: Pos2, radius: f32, state: TakeState, theme: &Theme) {
    let thin = Stroke::new((radius * 0.26).max(1.0), theme.ink_soft);
    match state {
        TakeState::New => {
            painter.circle_stroke(centre, radius, thin);
        }
        TakeState::Proposed => {
            let strong = Stroke::new(thin.width, theme.ink);
            painter.circle_stroke(centre, radius, strong);
            painter.add(Shape::convex_polygon(half_disc(centre, radius), theme.ink, Stroke::NONE));
        }
        TakeState::Accepted => {
            painter.circle_filled(centre, radius * 1.15, theme.accent);
            let tick = [(-0.5, 0.05), (-0.12, 0.45), (0.55, -0.4)];
            let points = tick.map(|(x, y)| centre + vec2(x, y) * radius).to_vec();
            painter.line(points, Stroke::new(radius * 0.32, theme.on_accent));
        }
        TakeState::SetAside => {
            painter.circle_stroke(centre, radius, thin);
            let d = vec2(0.7, 0.7) * radius;
            painter.line_segment([centre - d, centre + d], thin);
        }
    }
}

/// The lower half of a disc.
fn half_disc(centre: Pos2, radius: f32) -> Vec<Pos2> {
    (0..=12).map(|i| centre + radius * egui::Vec2::angled(std::f32::consts::PI * i as f32 / 12.0)).collect()
}

/// Draws the sign of a concern: a triangle with a stroke and a dot in it.
pub fn concern(painter: &Painter, centre: Pos2, radius: f32, colour: Color32, on: Color32) {
    let corner = |x: f32, y: f32| centre + vec2(x, y) * radius;
    let points = vec![corner(0.0, -1.0), corner(1.1, 0.95), corner(-1.1, 0.95)];
    painter.add(Shape::convex_polygon(points, colour, Stroke::NONE));
    painter.line_segment([corner(0.0, -0.35), corner(0.0, 0.3)], Stroke::new(radius * 0.28, on));
    painter.circle_filled(corner(0.0, 0.65), radius * 0.17, on);
}

/// Draws the sign of something locked: a block under a bow.
pub fn lock(painter: &Painter, centre: Pos2, radius: f32, colour: Color32, on: Color32) {
    painter.circle_filled(centre, radius * 1.6, on);
    let body = Rect::from_center_size(centre + vec2(0.0, radius * 0.35), vec2(radius * 1.7, radius * 1.2));
    painter.rect_filled(body, radius * 0.2, colour);
    let bow = (0..=12).map(|i| {
        let a = std::f32::consts::PI * (1.0 + i as f32 / 12.0);
        centre + vec2(0.0, -radius * 0.2) + vec2(a.cos() * 0.55, a.sin() * 0.75) * radius
    });
    painter.line(bow.collect(), Stroke::new(radius * 0.3, colour));
}

/// Draws the sign of what was changed since it was delivered: two sheets, the newer before the older.
pub fn changed(painter: &Painter, centre: Pos2, radius: f32, colour: Color32) {
    let size = vec2(1.15, 1.45) * radius;
    let thin = Stroke::new((radius * 0.24).max(1.0), colour);
    let older = Rect::from_center_size(centre + vec2(0.35, -0.25) * radius, size);
    painter.rect_stroke(older, 0.5, thin, egui::StrokeKind::Inside);
    let newer = Rect::from_center_size(centre + vec2(-0.35, 0.3) * radius, size);
    painter.rect_filled(newer, 0.5, colour);
}

/// The same sign in a row, with its words.
pub fn changed_sign(ui: &mut Ui, words: &str, theme: &Theme) -> Response {
    let (rect, response) = ui.allocate_exact_size(vec2(16.0, 18.0), Sense::hover());
    changed(ui.painter(), rect.center(), 6.0, theme.ink);
    response.widget_info(|| WidgetInfo::labeled(Role::Image, true, words));
    response.on_hover_text(words)
}

/// A sign of a state that takes its place in a row; its word is its name and its tooltip.
pub fn state_sign(ui: &mut Ui, which: TakeState, theme: &Theme) -> Response {
    let (rect, response) = ui.allocate_exact_size(vec2(16.0, 18.0), Sense::hover());
    state(ui.painter(), rect.center(), 6.0, which, theme);
    response.widget_info(|| WidgetInfo::labeled(Role::Image, true, which.word()));
    response.on_hover_text(which.word())
}

/// A concern's sign that takes its place in a row.
pub fn concern_sign(ui: &mut Ui, theme: &Theme) -> Response {
    let (rect, response) = ui.allocate_exact_size(vec2(16.0, 18.0), Sense::hover());
    concern(ui.painter(), rect.center(), 6.5, theme.warn, theme.sheet);
    response
}

/// A line with a concern's sign before it.
pub fn concern_line(ui: &mut Ui, theme: &Theme, text: impl Into<String>) -> Response {
    let row = ui.horizontal_top(|ui| {
        concern_sign(ui, theme);
        ui.add(Label::new(RichText::new(text).color(theme.ink)).wrap())
    });
    row.inner
}

/// A ring filled clockwise from the top: first the share that is accepted, then the share that is set
/// aside (thinner and grey, so that not colour alone tells them apart); what is left stays open.
pub fn ring(
    ui: &mut Ui,
    (accepted, aside): (f32, f32),
    diameter: f32,
    words: &str,
    theme: &Theme,
) -> Response {
    let (rect, response) = ui.allocate_exact_size(vec2(diameter, diameter), Sense::hover());
    let radius = diameter / 2.0 - 3.0;
    let centre = rect.center();
    ui.painter().circle_stroke(centre, radius, Stroke::new(4.0, theme.line));
    let arc = |from: f32, to: f32, stroke: Stroke| {
        let steps = ((to - from) * 60.0).ceil() as usize;
        if steps == 0 {
            return;
        }
        let at = |i: usize| {
            let turn = from + (to - from) * i as f32 / steps as f32;
            let a = std::f32::consts::TAU * turn - std::f32::consts::FRAC_PI_2;
            centre + radius * egui::Vec2::angled(a)
        };
        ui.painter().line((0..=steps).map(at).collect(), stroke);
    };
    let decided = (accepted + aside).clamp(0.0, 1.0);
    arc(0.0, accepted.clamp(0.0, 1.0), Stroke::new(4.0, theme.accent));
    arc(accepted.clamp(0.0, 1.0), decided, Stroke::new(2.0, theme.ink_soft));
    response.widget_info(|| {
        let mut info = WidgetInfo::labeled(Role::ProgressIndicator, true, words);
        info.value = Some(f64::from(decided) * 100.0);
        info
    });
    response.on_hover_text(words)
}

/// A small triangle that points the way the values grow.
pub fn order(painter: &Painter, at: Pos2, descending: bool, colour: Color32) {
    let tip = if descending { 3.5 } else { -3.5 };
    let points = vec![at + vec2(0.0, tip), at + vec2(4.0, -tip), at + vec2(-4.0, -tip)];
    painter.add(Shape::convex_polygon(points, colour, Stroke::NONE));
}

/// A layer's sign, with its number's place beside it.
pub fn layer_patch(painter: &Painter, left_centre: Pos2, layer: u16, theme: &Theme) {
    let at = pos2(left_centre.x + 3.0, left_centre.y);
    layer_sign(painter, at, 4.2, layer, theme.layer(layer), Stroke::new(0.8, theme.ink));
}
