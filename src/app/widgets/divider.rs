//! The line between two panels: drawn with the mouse, and no stop of the Tab key. The toolkit's own lines can be
//! had by Tab, where nothing shows that the keyboard is at them.

use std::ops::RangeInclusive;

use egui::{CursorIcon, Id, Rangef, Rect, Sense, Stroke, Ui};

use super::control::escaped;
use crate::app::theme::Theme;

/// How far from the line it can be taken hold of, in points.
const REACH: f32 = 5.0;

/// A panel's width that can be drawn.
pub struct Divider {
    id: Id,
    first: f32,
    range: RangeInclusive<f32>,
    /// The panel stands at the right, the line at its left edge.
    at_right: bool,
}

impl Divider {
    /// For the panel called `name`: `first` wide until somebody draws it, and always within `range`.
    pub fn new(name: &str, first: f32, range: RangeInclusive<f32>, at_right: bool) -> Self {
        // Each first width has one of its own: what is drawn in a large window is not meant for a small one.
        Self { id: Id::unique(("divider", name, first.round() as u32)), first, range, at_right }
    }

    /// How wide the panel is now.
    pub fn width(&self, ui: &Ui) -> f32 {
        let kept = ui.data(|d| d.get_temp(self.id)).unwrap_or(self.first);
        kept.clamp(*self.range.start(), *self.range.end())
    }

    /// Once both panels are drawn: follows the mouse at the edge of the one that takes up `panel`.
    pub fn follow(&self, ui: &Ui, panel: Rect) {
        let x = if self.at_right { panel.left() } else { panel.right() };
        let line = Rect::from_x_y_ranges(Rangef::point(x), panel.y_range());
        let r = ui.interact(line.expand2(egui::vec2(REACH, 0.0)), self.id.with("line"), Sense::DRAG);
        let before = self.width(ui);
        let drawn = r.interact_pointer_pos().filter(|_| r.dragged()).map(|at| match self.at_right {
            true => panel.right() - at.x,
            false => at.x - panel.left(),
        });
        if let Some(width) = escaped(ui, &r, before).or(drawn) {
            let width = width.clamp(*self.range.start(), *self.range.end());
            ui.data_mut(|d| d.insert_temp(self.id, width));
            if width != before {
                ui.ctx().request_repaint();
            }
        }
        if r.hovered() || r.dragged() {
            ui.ctx().set_cursor_icon(CursorIcon::ResizeHorizontal);
            let stroke = Stroke::new(2.0, Theme::of(ui.ctx()).ink_soft);
            ui.painter().vline(x, panel.y_range(), stroke);
        }
    }
}
