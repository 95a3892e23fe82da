//! The bench: one take under the hands.
//!
//! Four layers: [`model`] gathers what is shown, the axes ([`crate::app::widgets`]) are pure
//! numbers, the lanes turn input into commands by way of [`edits`], and paint last.

mod behind;
pub mod cleaning;
pub mod curve;
pub mod edits;
mod empty;
mod fields;
mod gain_lane;
pub(super) mod gesture;
mod lanes;
mod loop_side;
mod loops;
mod map;
pub mod model;
mod nodes;
mod overview;
mod pitch;
pub mod reduction;
mod room_lane;
mod score;
mod seam;
mod side;
mod suggestions;
mod tools;
mod wave;

use std::cell::RefCell;

use egui::containers::scroll_area::ScrollSource;
use egui::{Frame, Margin, Panel, ScrollArea, Sense, Ui, UiBuilder, vec2};

use crate::app::command::Command;
use crate::app::view::View;
use crate::app::widgets::drag_handle::HandleMemory;
use crate::app::widgets::in_sight::follow_focus;
use crate::app::widgets::time_axis::TimeRange;
use crate::app::widgets::wave_view::ColumnCache;
use crate::session::TakeId;

pub use pitch::node_more;

use gesture::Gesture;
use model::{Model, Stage};

/// The bench room. Its fields are what may be lost: zoom, a drag that is going on.
#[derive(Debug, Default)]
pub struct BenchPanel {
    /// The take that the rest of the fields belong to.
    take: Option<TakeId>,
    /// What is seen; none: the whole clip.
    visible: Option<TimeRange>,
    /// Cents from the middle to the edge of the pitch lane; none: fitted.
    cents_half: Option<f64>,
    handles: HandleMemory,
    gesture: Gesture,
    seam: seam::SeamCloseUp,
    spectra: seam::SpectraCloseUp,
    map: map::MapCloseUp,
    below_seam: side::BelowSeam,
    columns: RefCell<ColumnCache>,
    traces: RefCell<pitch::TraceCache>,
    cleaner: cleaning::CleaningSide,
    picture: gain_lane::PictureCache,
}

/// Ways to change what is seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Zoom {
    /// Twice as near around the middle.
    In,
    /// Twice as far.
    Out,
    /// The loop with a little around it.
    Loop,
    /// The whole clip.
    All,
}

impl BenchPanel {
    /// Draws the selected take and returns what the user wants done.
    pub fn ui(&mut self, ui: &mut Ui, view: &View<'_>) -> Vec<Command> {
        let mut out = Vec::new();
        self.settle(view, &mut out);
        match Stage::of(view) {
            Stage::NoTake => empty::no_take(ui, view),
            Stage::Analysing(take) => empty::analysing(ui, view, take),
            Stage::Failed(take, why) => empty::failed(ui, view, take, why, &mut out),
            Stage::Here(model) => self.show(ui, view, &model, &mut out),
        }
        out
    }

    /// What is seen of the clip now, in seconds of the source; none before a take was shown.
    pub fn visible(&self) -> Option<TimeRange> {
        self.visible
    }

    /// Looks at a stretch, in seconds of the source; it is kept inside the clip when drawn.
    pub fn look_at(&mut self, range: TimeRange) {
        self.visible = Some(range);
    }

    /// Another take: everything that belonged to the old one goes, its open drag first.
    fn settle(&mut self, view: &View<'_>, out: &mut Vec<Command>) {
        if self.take == view.selected {
            return;
        }
        let open = self.handles.drop_drag()
            | self.gesture.drop_drag()
            | self.seam.drop_drag()
            | self.cleaner.drop_drag();
        if open {
            out.push(gesture::abort());
        }
        let cleaner = std::mem::take(&mut self.cleaner);
        *self = Self { take: view.selected, below_seam: self.below_seam, cleaner, ..Self::default() };
    }

    fn show(&mut self, ui: &mut Ui, view: &View<'_>, model: &Model<'_>, out: &mut Vec<Command>) {
        let theme = view.theme;
        cleaning::key(ui, &mut self.cleaner);
        Panel::right("bench side")
            .exact_size(330.0)
            .resizable(false)
            .frame(Frame::new().fill(theme.sheet).inner_margin(Margin::symmetric(12, 10)))
            .show(ui, |ui| {
                let pictures = side::Pictures {
                    seam: &mut self.seam,
                    spectra: &mut self.spectra,
                    map: &mut self.map,
                    below: &mut self.below_seam,
                    cleaner: &mut self.cleaner,
                };
                side::show(ui, view, model, &mut self.gesture, pictures, out);
            });
        let frame =
            Frame::new().fill(theme.paper).inner_margin(Margin { left: 8, right: 12, top: 10, bottom: 10 });
        egui::CentralPanel::no_frame().frame(frame).show(ui, |ui| {
            let wish = tools::show(ui, view, model, out);
            let least = lanes::least_height(self.cleaner.picture);
            if ui.available_height() >= least {
                lanes::show(self, ui, view, model, wish, out);
                return;
            }
            // By its bar alone: the wheel belongs to the time axis.
            let scroll = ScrollArea::vertical().auto_shrink(false).scroll_source(ScrollSource::SCROLL_BAR);
            scroll.id_salt("lanes").show(ui, |ui| {
                let size = vec2(ui.available_width() - ui.spacing().scroll.allocated_width(), least);
                let (rect, _) = ui.allocate_exact_size(size, Sense::hover());
                ui.scope_builder(UiBuilder::new().max_rect(rect), |ui| {
                    lanes::show(self, ui, view, model, wish, out);
                });
                follow_focus(ui);
            });
        });
    }
}
