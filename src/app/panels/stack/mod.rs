//! The stack room: all layers of a note heard together, and whether their loops turn apart from one another.
//!
//! [`model`] gathers what is shown; the head sets what is heard; the field shows every turn of every loop; the
//! table sets the layers; the verdict says in words what the field shows and lets loops be chosen that stay apart.

mod empty;
mod field;
mod head;
mod layer;
pub mod model;
mod table;
mod verdict;

use std::sync::Arc;

use egui::containers::scroll_area::ScrollSource;
use egui::{Align, Layout, Margin, Panel, Rect, ScrollArea, Sense, Ui, UiBuilder, pos2, vec2};

use super::frame;
use crate::app::command::{Command, StackCommand};
use crate::app::stack::StackSetup;
use crate::app::view::View;
use crate::app::widgets::in_sight::follow_focus;
use crate::app::widgets::time_axis::TimeRange;
use crate::units::MidiNote;

use model::{Key, Stack, Together};

/// Shortest stretch that is looked at, in seconds.
const NEAREST_S: f64 = 0.05;
/// How much before a near-collision hearing begins, in seconds.
const LEAD_S: f64 = 1.5;
/// For what is brought into its limits afterwards.
const NO_LIMITS: TimeRange = TimeRange { start_s: -1e9, end_s: 1e9 };
/// The words beside the table want at least so much width, else they stand below it, so much higher.
const WORDS: (f32, f32) = (290.0, 170.0);
/// The least height of the field that is worth looking at, and the most that it has where the room scrolls.
const FIELD: (f32, f32) = (150.0, 190.0);
/// Where the room scrolls so much of the table is seen below what decides: that there is more.
const PEEP: f32 = 44.0;
/// Share of the room's height that table and words have at least, up to a height that is enough for them: in a
/// high room the rest is the picture's.
const LOWER: (f32, f32) = (0.46, 350.0);
const GAP: f32 = 8.0;

/// The stack room. Its fields are what may be lost: zoom, and what was counted for the picture.
#[derive(Debug, Default)]
pub struct StackPanel {
    note: Option<MidiNote>,
    /// What is seen; none: all of it.
    visible: Option<TimeRange>,
    counted: Option<(Key, Arc<Together>)>,
    /// Which near-collision is looked at, from 0.
    at: usize,
    /// Where the field was drawn: over it the wheel belongs to the time axis.
    field: Option<Rect>,
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
            (self.note, self.visible, self.at) = (Some(stack.note), None, 0);
        }
        let setup = &view.sound.stack.setup;
        let key = Key::of(&stack, setup);
        if self.counted.as_ref().is_none_or(|(k, _)| *k != key) {
            self.counted = Some((key, Arc::new(Together::of(&stack, setup))));
            self.at = 0;
        }
        let together = self.counted.as_ref().map(|(_, t)| Arc::clone(t)).unwrap_or_default();
        let paper = view.theme.paper;
        let (mut visible, all) = (self.visible.unwrap_or(limits(setup)), limits(setup));
        visible = visible.clamped(all, NEAREST_S);
        Panel::top("stack head")
            .frame(frame(paper, Margin { left: 0, right: 0, top: 0, bottom: 6 }))
            .show_separator_line(false)
            .show(ui, |ui| head::show(ui, view, &stack, (&mut visible, all), &mut out));
        self.room(ui, view, (&stack, &together), (&mut visible, all), &mut out);
        visible = visible.clamped(all, NEAREST_S);
        self.visible = (visible != all).then_some(visible);
        out
    }

    /// Field, table and words. Where they have no room below one another all of it scrolls, and what decides
    /// (the verdict and the choice of loops) stands right below the field, to be seen without scrolling; over the
    /// field it scrolls by its bar alone, as the wheel belongs to the time axis there.
    fn room(
        &mut self,
        ui: &mut Ui,
        view: &View<'_>,
        about: (&Stack<'_>, &Together),
        (visible, all): (&mut TimeRange, TimeRange),
        out: &mut Vec<Command>,
    ) {
        let size = ui.available_size();
        let lower = Lower::of(size, view, about.0);
        let height = (size.y - lower.height).min(size.y - (size.y * LOWER.0).min(LOWER.1));
        if height >= FIELD.0 {
            return self.parts(ui, view, about, (height, &lower, true), (visible, all), out);
        }
        let over = self.field.is_some_and(|f| ui.rect_contains_pointer(f));
        let source = if over {
            ScrollSource::SCROLL_BAR
        } else {
            ScrollSource::SCROLL_BAR | ScrollSource::MOUSE_WHEEL
        };
        let scroll = ScrollArea::vertical().auto_shrink(false).scroll_source(source);
        scroll.id_salt("low stack").show(ui, |ui| {
            ui.set_width(ui.available_width() - ui.spacing().scroll.allocated_width());
            let lower = Lower::of(vec2(ui.available_width(), 0.0), view, about.0);
            let decides = verdict::GIST + verdict::controls_height(lower.width);
            let field = (size.y - decides - PEEP).clamp(FIELD.0, FIELD.1);
            self.parts(ui, view, about, (field, &lower, false), (visible, all), out);
            follow_focus(ui);
        });
    }

    fn parts(
        &mut self,
        ui: &mut Ui,
        view: &View<'_>,
        (stack, together): (&Stack<'_>, &Together),
        (height, lower, fits): (f32, &Lower, bool),
        (visible, all): (&mut TimeRange, TimeRange),
        out: &mut Vec<Command>,
    ) {
        ui.spacing_mut().item_spacing.y = 0.0;
        let at = verdict::looked_at(stack, together, self.at);
        let shown = field::Shown { view, stack, together, all, at };
        let (place, _) = ui.allocate_exact_size(vec2(ui.available_width(), height), Sense::hover());
        self.field = Some(place);
        let mut pointed = None;
        within(ui, place, "field", |ui| {
            if stack.lanes.is_empty() {
                empty::all_set_aside(ui, view, stack.note, out);
            } else {
                pointed = field::show(ui, &shown, height, visible, out);
            }
        });
        let next = &mut self.at;
        if !fits {
            let (place, _) = ui.allocate_exact_size(vec2(lower.width, verdict::GIST), Sense::hover());
            within(ui, place.with_min_y(place.top() + 4.0), "gist", |ui| {
                verdict::gist(ui, view, (stack, together), next, visible, out);
            });
        }
        let controls = verdict::controls_height(lower.width);
        let (place, _) = ui.allocate_exact_size(vec2(lower.width, controls), Sense::hover());
        within(ui, place.with_min_y(place.top() + 4.0), "controls", |ui| {
            ui.spacing_mut().item_spacing.y = 6.0;
            verdict::controls(ui, view, stack, out);
        });
        let at_s = field::sounding_at(&shown).or(pointed);
        let (table, words) = lower.places(ui, fits);
        within(ui, table, "table", |ui| {
            table::show(ui, &table::Shown { view, stack, together, at_s }, out);
        });
        if fits {
            // Its first row of buttons stands below another row of them.
            within(ui, words.with_min_y(words.top() + 6.0), "words", |ui| {
                ScrollArea::vertical().id_salt("stack words").auto_shrink(false).show(ui, |ui| {
                    verdict::gist(ui, view, (stack, together), next, visible, out);
                    verdict::rest(ui, view, (stack, together));
                    follow_focus(ui);
                });
            });
        } else {
            // Here everything scrolls together, so that the words are shown whole.
            within(ui, words, "words", |ui| verdict::rest(ui, view, (stack, together)));
        }
    }
}

/// Draws into a place that is taken already.
fn within(ui: &mut Ui, rect: Rect, salt: &str, add: impl FnOnce(&mut Ui)) {
    let place = UiBuilder::new().max_rect(rect).layout(Layout::top_down(Align::Min)).id_salt(salt);
    ui.scope_builder(place, add);
}

/// Where table and words stand.
struct Lower {
    width: f32,
    /// With the controls above them.
    height: f32,
    table: egui::Vec2,
    /// The words stand beside the table.
    beside: bool,
}

impl Lower {
    fn of(room: egui::Vec2, view: &View<'_>, stack: &Stack<'_>) -> Self {
        let beside = room.x >= table::width() + GAP + WORDS.0;
        let width = if beside { table::width() } else { room.x };
        // As high for every note of the set, so that nothing moves from one to the next.
        let rows = stack.lanes.len().max(usize::from(view.sheet.layers));
        let table = vec2(width, table::height(rows, width));
        let parts = if beside { table.y.max(WORDS.1) } else { table.y + GAP + WORDS.1 };
        Self { width: room.x, height: verdict::controls_height(room.x) + parts, table, beside }
    }

    /// The places of table and words: in what is left of the room, or as high as they are where it scrolls.
    fn places(&self, ui: &mut Ui, fits: bool) -> (Rect, Rect) {
        let left = ui.available_rect_before_wrap();
        let table = Rect::from_min_size(left.min, self.table);
        let min = match self.beside {
            true => pos2(table.right() + GAP, left.top()),
            false => pos2(left.left(), table.bottom() + GAP),
        };
        let bottom = if fits { left.bottom() } else { min.y + WORDS.1 };
        (table, Rect::from_min_max(min, pos2(left.right(), bottom)))
    }
}
