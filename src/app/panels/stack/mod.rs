//! The stack room: all layers of a note over one another, their loops unrolled, heard together.
//!
//! [`model`] gathers what is shown; the head sets what is heard; the lanes draw; the verdict says in
//! words what the picture shows and lets loops be chosen that stay apart.

mod empty;
mod head;
mod lanes;
mod layer;
pub mod model;
mod verdict;

use std::sync::Arc;

use egui::containers::scroll_area::ScrollSource;
use egui::{Margin, Panel, ScrollArea, Sense, Ui, UiBuilder, vec2};

use super::frame;
use crate::app::command::{Command, StackCommand};
use crate::app::stack::StackSetup;
use crate::app::view::View;
use crate::app::widgets::in_sight::follow_focus;
use crate::app::widgets::time_axis::TimeRange;
use crate::units::MidiNote;

use lanes::Envelopes;
use model::{Key, Stack, Together};

/// Shortest stretch that is looked at, in seconds.
const NEAREST_S: f64 = 0.05;
/// How much before the first near-collision hearing begins, in seconds.
const LEAD_S: f64 = 1.5;

/// The stack room. Its fields are what may be lost: zoom, and what was counted for the picture.
#[derive(Debug, Default)]
pub struct StackPanel {
    note: Option<MidiNote>,
    /// What is seen; none: all of it.
    visible: Option<TimeRange>,
    counted: Option<(Key, Arc<Together>)>,
    envelopes: Envelopes,
}

/// A wish to change what is set.
fn set(setup: StackSetup) -> Command {
    Command::Stack(StackCommand::Set(Box::new(setup)))
}

/// Seconds that are shown in all, a little before the onset included.
fn limits(setup: &StackSetup) -> TimeRange {
    TimeRange::new(-0.01 * setup.params.until_s, setup.params.until_s)
}

impl StackPanel {
    /// Draws the room and returns what the user wants done.
    pub fn ui(&mut self, ui: &mut Ui, view: &View<'_>) -> Vec<Command> {
        let mut out = Vec::new();
        let Some(stack) = Stack::of(view) else {
            empty::no_note(ui, view);
            return out;
        };
        if self.note != Some(stack.note) {
            (self.note, self.visible) = (Some(stack.note), None);
        }
        let setup = &view.sound.stack.setup;
        let key = Key::of(&stack, setup);
        if self.counted.as_ref().is_none_or(|(k, _)| *k != key) {
            self.counted = Some((key, Arc::new(Together::of(&stack, setup))));
        }
        let together = self.counted.as_ref().map(|(_, t)| Arc::clone(t)).unwrap_or_default();
        let paper = view.theme.paper;
        let (mut visible, all) = (self.visible.unwrap_or(limits(setup)), limits(setup));
        visible = visible.clamped(all, NEAREST_S);
        Panel::top("stack head")
            .frame(frame(paper, Margin { left: 0, right: 0, top: 0, bottom: 6 }))
            .show_separator_line(false)
            .show(ui, |ui| head::show(ui, view, &stack, (&mut visible, all), &mut out));
        let height = verdict::height(ui.available_size());
        if ui.available_height() - height < lanes::least_height(&stack) {
            self.low(ui, view, (&stack, &together), (&mut visible, all), &mut out);
            self.visible = (visible != all).then_some(visible);
            return out;
        }
        Panel::bottom("stack verdict")
            .exact_size(height)
            .resizable(false)
            .frame(frame(paper, Margin { left: 0, right: 0, top: 8, bottom: 0 }))
            .show(ui, |ui| verdict::show(ui, view, &stack, &together, &mut visible, &mut out));
        egui::CentralPanel::no_frame().show(ui, |ui| {
            self.lanes(ui, view, (&stack, &together), (&mut visible, all), &mut out);
        });
        self.visible = (visible != all).then_some(visible);
        out
    }

    fn lanes(
        &mut self,
        ui: &mut Ui,
        view: &View<'_>,
        (stack, together): (&Stack<'_>, &Together),
        (visible, all): (&mut TimeRange, TimeRange),
        out: &mut Vec<Command>,
    ) {
        if stack.lanes.is_empty() {
            return empty::all_set_aside(ui, view, stack.note, out);
        }
        let mut shown = lanes::Shown { view, stack, together, all, fits: true };
        lanes::show(ui, &mut shown, visible, &mut self.envelopes, out);
    }

    /// Where the room is too low for lanes above the words, one stands below the other and both scroll: by
    /// their bar alone, as the wheel belongs to the time axis.
    fn low(
        &mut self,
        ui: &mut Ui,
        view: &View<'_>,
        (stack, together): (&Stack<'_>, &Together),
        (visible, all): (&mut TimeRange, TimeRange),
        out: &mut Vec<Command>,
    ) {
        let whole = lanes::whole_height(stack);
        let scroll = ScrollArea::vertical().auto_shrink(false).scroll_source(ScrollSource::SCROLL_BAR);
        scroll.id_salt("low stack").show(ui, |ui| {
            let width = ui.available_width() - ui.spacing().scroll.allocated_width();
            let words = verdict::height(vec2(width, ui.clip_rect().height()));
            for (height, part) in [(whole, "lanes"), (words, "words")] {
                let (rect, _) = ui.allocate_exact_size(vec2(width, height), Sense::hover());
                ui.scope_builder(UiBuilder::new().max_rect(rect).id_salt(part), |ui| match part {
                    "lanes" => self.lanes(ui, view, (stack, together), (&mut *visible, all), out),
                    _ => verdict::show(ui, view, stack, together, visible, out),
                });
            }
            follow_focus(ui);
        });
    }
}
