//! Levels over the notes: a ring where a take is, a filled sign where it will be, by layer.

use std::collections::BTreeSet;

use egui::{
    Align2, Color32, FontId, Id, Painter, Pos2, Rect, Role, Sense, Stroke, Ui, WidgetInfo, pos2, vec2,
};

use super::key_map::spelt;
use super::model::{LevelPoint, Levels, changes_levels};
use crate::app::command::{Command, GoCommand, WorkCommand};
use crate::app::theme::Theme;
use crate::app::view::View;
use crate::app::widgets::control::soft;
use crate::app::widgets::layer_sign::layer_sign;
use crate::app::words;

/// Least height of the picture.
pub const HEIGHT: f32 = 168.0;
const LEFT: f32 = 46.0;
/// Room for the unit of the levels, above their axis.
const TOP: f32 = 22.0;
const BOTTOM: f32 = 22.0;
const TEXT: f32 = 11.0;
/// Distance of the lines behind, in dB, and where all lie within [`NARROW_DB`].
const STEPS_DB: (f64, f64) = (6.0, 3.0);
const NARROW_DB: f64 = 12.0;

/// Notes along x, LUFS along y.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelAxes {
    notes: (f32, f32),
    /// Lowest and highest level shown, LUFS.
    pub levels: (f64, f64),
    /// Distance of the lines behind, dB.
    step: f64,
    rect: Rect,
}

impl LevelAxes {
    /// Axes in `rect` that hold all points, before and after; none without points.
    pub fn of(points: &[LevelPoint], rect: Rect) -> Option<Self> {
        let notes = points.iter().map(|p| f32::from(p.note.0));
        let (low, high) = (notes.clone().reduce(f32::min)?, notes.reduce(f32::max)?);
        let all = points.iter().flat_map(|p| [p.before, p.after()]);
        let (quiet, loud) = (all.clone().reduce(f64::min)?, all.reduce(f64::max)?);
        let step = if loud - quiet < NARROW_DB { STEPS_DB.1 } else { STEPS_DB.0 };
        let levels = (((quiet - 0.5) / step).floor() * step, ((loud + 0.5) / step).ceil() * step);
        Some(Self { notes: (low - 1.0, high + 1.0), levels, step, rect })
    }

    /// Where a note stands.
    pub fn x_from_note(&self, note: u8) -> f32 {
        let share = (f32::from(note) - self.notes.0) / (self.notes.1 - self.notes.0);
        self.rect.left() + share * self.rect.width()
    }

    /// Where a level stands.
    pub fn y_from_level(&self, lufs: f64) -> f32 {
        let share = (lufs - self.levels.0) / (self.levels.1 - self.levels.0);
        self.rect.bottom() - share as f32 * self.rect.height()
    }
}

fn words_of(view: &View<'_>, p: &LevelPoint) -> String {
    let mut text =
        format!("Layer {}, {}: {}", p.layer + 1, spelt(view.document, p.note), words::lufs(p.before));
    if changes_levels(view.document) {
        text += &format!(" to {}, gain {} dB", words::lufs(p.after()), words::signed(p.gain, 1));
    }
    text + &format!(", true peak {}", words::decibels(p.peak))
}

/// Draws the levels in a picture so high. `hidden`: layers that are left out.
pub fn level_view(
    ui: &mut Ui,
    view: &View<'_>,
    (levels, height): (&Levels, f32),
    hidden: &mut BTreeSet<u16>,
    commands: &mut Vec<Command>,
) {
    heading_row(ui, view, levels, hidden, commands);
    let shown: Vec<LevelPoint> =
        levels.points.iter().filter(|p| !hidden.contains(&p.layer)).copied().collect();
    if shown.is_empty() {
        let text = match (levels.points.is_empty(), levels.unmeasured) {
            (false, _) => "All layers are hidden.",
            (true, 0) => "No take is accepted yet.",
            (true, _) => "How loud the takes are is not known yet: measure the levels, or deliver once.",
        };
        ui.label(soft(text, view.theme));
        return;
    }
    let (rect, _) = ui.allocate_exact_size(vec2(ui.available_width(), height.max(HEIGHT)), Sense::hover());
    let inner =
        Rect::from_min_max(rect.min + vec2(LEFT, TOP), pos2(rect.right() - 8.0, rect.bottom() - BOTTOM));
    let Some(axes) = LevelAxes::of(&shown, inner) else { return };
    let painter = ui.painter_at(rect);
    lines_behind(&painter, view, &shown, &axes, inner);
    lines_of_layers(&painter, view, &shown, &axes);
    for p in &shown {
        point(ui, &painter, view, p, &axes, commands);
    }
}

fn heading_row(
    ui: &mut Ui,
    view: &View<'_>,
    levels: &Levels,
    hidden: &mut BTreeSet<u16>,
    commands: &mut Vec<Command>,
) {
    let layers: BTreeSet<u16> = levels.points.iter().map(|p| p.layer).collect();
    ui.horizontal_wrapped(|ui| {
        let wanted = levels.unmeasured + levels.stale;
        let busy = view.jobs.iter().any(|j| j.stage.starts_with("Measuring"));
        let why = if busy { "They are being measured" } else { "Every accepted take is measured" };
        let button = ui.add_enabled(wanted > 0 && !busy, egui::Button::new("Measure levels"));
        let tip = "Renders the accepted takes and measures loudness and true peak; nothing is written";
        if button.on_hover_text(tip).on_disabled_hover_text(why).clicked() {
            commands.push(Command::Work(WorkCommand::MeasureLevels));
        }
        if layers.len() > 1 {
            ui.spacing_mut().item_spacing.x = 3.0;
            for layer in layers {
                // The sign belongs to the box after it.
                ui.add_space(12.0);
                let (mark, _) = ui.allocate_exact_size(vec2(12.0, 20.0), Sense::hover());
                sign(ui.painter(), mark.center(), layer, view.theme.layer(layer), view.theme);
                let mut on = !hidden.contains(&layer);
                let label = format!("Layer {}", layer + 1);
                if ui.checkbox(&mut on, label).on_hover_text("Shows this layer's levels").changed() {
                    if on {
                        hidden.remove(&layer)
                    } else {
                        hidden.insert(layer)
                    };
                }
            }
        }
    });
    let mut rest = Vec::new();
    if levels.unmeasured > 0 && !levels.points.is_empty() {
        rest.push(format!("{} not measured", words::takes(levels.unmeasured)));
    }
    if levels.stale > 0 {
        rest.push(format!("{} changed since", words::takes(levels.stale)));
    }
    if levels.silent > 0 {
        rest.push(format!("{} too quiet to have a loudness", words::takes(levels.silent)));
    }
    if !rest.is_empty() {
        ui.label(soft(rest.join(", "), view.theme).small());
    }
}

fn lines_behind(painter: &Painter, view: &View<'_>, points: &[LevelPoint], axes: &LevelAxes, inner: Rect) {
    let theme = view.theme;
    painter.rect_filled(inner, 2.0, theme.sheet);
    let font = FontId::proportional(TEXT);
    let steps = ((axes.levels.1 - axes.levels.0) / axes.step).round() as i32;
    // In a narrow range each line has its number, else every other.
    let each = if steps > 6 { 2 } else { 1 };
    for i in 0..=steps {
        let level = axes.levels.0 + axes.step * f64::from(i);
        let y = axes.y_from_level(level);
        painter.hline(inner.x_range(), y, Stroke::new(1.0, theme.line));
        if i % each == 0 {
            let text = words::minus(level, 0);
            painter.text(
                pos2(inner.left() - 6.0, y),
                Align2::RIGHT_CENTER,
                text,
                font.clone(),
                theme.ink_soft,
            );
        }
    }
    painter.text(
        pos2(inner.left() - 6.0, inner.top() - 8.0),
        Align2::RIGHT_BOTTOM,
        "LUFS",
        FontId::proportional(TEXT),
        theme.ink_soft,
    );
    let notes: BTreeSet<_> = points.iter().map(|p| p.note).collect();
    let mut free_from = f32::MIN;
    for note in notes {
        let x = axes.x_from_note(note.0);
        let text = painter.layout_no_wrap(spelt(view.document, note), font.clone(), theme.ink_soft);
        if x - text.size().x / 2.0 > free_from {
            free_from = x + text.size().x / 2.0 + 4.0;
            painter.galley(pos2(x - text.size().x / 2.0, inner.bottom() + 6.0), text, theme.ink_soft);
        }
    }
}

/// The delivered levels of each layer, joined by a line.
fn lines_of_layers(painter: &Painter, view: &View<'_>, points: &[LevelPoint], axes: &LevelAxes) {
    for pair in points.windows(2).filter(|w| w[0].layer == w[1].layer) {
        let ends = [pair[0], pair[1]].map(|p| pos2(axes.x_from_note(p.note.0), axes.y_from_level(p.after())));
        let colour = view.theme.layer(pair[0].layer).gamma_multiply(0.6);
        painter.line_segment(ends, Stroke::new(1.5, colour));
    }
}

fn point(
    ui: &Ui,
    painter: &Painter,
    view: &View<'_>,
    p: &LevelPoint,
    axes: &LevelAxes,
    commands: &mut Vec<Command>,
) {
    let theme = view.theme;
    let colour = theme.layer(p.layer);
    let x = axes.x_from_note(p.note.0);
    let (before, after) = (pos2(x, axes.y_from_level(p.before)), pos2(x, axes.y_from_level(p.after())));
    if changes_levels(view.document) {
        painter.line_segment([before, after], Stroke::new(1.0, colour));
        painter.circle(before, 3.5, theme.sheet, Stroke::new(1.2, colour));
    }
    sign(painter, after, p.layer, colour, theme);
    if view.selected == Some(p.take) {
        painter.circle_stroke(after, 8.0, Stroke::new(1.5, theme.ink));
    }
    let place = Rect::from_center_size(after, vec2(12.0, 12.0));
    let response = ui.interact(place, Id::unique("level of").with(p.take), Sense::click());
    let words = words_of(view, p);
    response.widget_info(|| WidgetInfo::labeled(Role::Button, true, &words));
    let more = if p.stale { ". Changed since it was measured" } else { "" };
    if response.on_hover_text(format!("{words}{more}. Click selects the take.")).clicked() {
        commands.push(Command::Go(GoCommand::Select(p.take)));
    }
}

fn sign(painter: &Painter, at: Pos2, layer: u16, colour: Color32, theme: &Theme) {
    layer_sign(painter, at, 4.4, layer, colour, Stroke::new(0.8, theme.ink));
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::session::TakeId;
    use crate::units::MidiNote;

    #[test]
    fn the_axes_hold_every_level_before_and_after() {
        let p = |note, before, gain| LevelPoint {
            take: TakeId(1),
            note: MidiNote(note),
            layer: 0,
            before,
            gain,
            peak: -1.0,
            stale: false,
        };
        let rect = Rect::from_min_max(pos2(0.0, 0.0), pos2(300.0, 100.0));
        let points = [p(60, -31.0, 8.0), p(72, -20.0, -3.0)];
        let axes = LevelAxes::of(&points, rect).unwrap();
        assert_eq!(axes.levels, (-33.0, -18.0), "11 dB apart: lines every 3 dB");
        for q in &points {
            for level in [q.before, q.after()] {
                assert!((0.0..=100.0).contains(&axes.y_from_level(level)));
            }
            assert!((0.0..=300.0).contains(&axes.x_from_note(q.note.0)));
        }
        assert!(axes.y_from_level(-20.0) < axes.y_from_level(-23.0), "louder is higher");
        assert_eq!(LevelAxes::of(&[], rect), None);
        // One take alone has a place too.
        let one = LevelAxes::of(&points[..1], rect).unwrap();
        assert_eq!(one.x_from_note(60), 150.0);
    }
}
