//! Rows of the side column: a name, a slider or a number that can be typed, its unit.

use std::ops::RangeInclusive;

use egui::{DragValue, Response, RichText, Slider, SliderClamping, Ui, vec2};

use super::edits::Mark;
use super::gesture::Gesture;
use crate::app::command::Command;
use crate::app::quantity::{self, Clock};
use crate::app::theme::{Theme, strong};
use crate::app::widgets::typed::{Typed, with_room_below};
use crate::app::words::minus;
use crate::session::Edit;

/// As wide as the longest name.
const NAME: f32 = 94.0;
/// Number fields are at least this wide, so that they stand in columns.
const NUMBER: f32 = 76.0;
const WHERE: &str = "Counted from the first frame of the file as it will be written, after tuning, trimming and \
                     the change of rate. The ruler above the wave counts in the source file.";

/// What stands beside a heading whose values are counted in the source file.
pub const IN_SOURCE: &str = "in the source file";
const WHERE_IN_SOURCE: &str =
    "Counted from the first frame of the file as it was recorded, as the ruler above the wave counts.";

/// Makes the change that a field asks for; the flag says whether the hand is at rest.
pub type Change<'a> = &'a dyn Fn(f64, bool) -> Option<Edit>;

const PLACE_TIP: &str =
    "In frames of the delivered file, and in seconds; typed with any unit (s, ms, frames, periods).";
const SOURCE_PLACE_TIP: &str =
    "In frames of the source file, and in seconds; typed with any unit (s, ms, frames, periods).";

/// What a row is about.
pub struct Field {
    name: &'static str,
    unit: &'static str,
    range: RangeInclusive<f64>,
    label: &'static str,
    decimals: usize,
    speed: f64,
    tip: &'static str,
    /// Below this it is off.
    off_below: f64,
    /// Every octave of it is as long on a slider.
    logarithmic: bool,
}

impl Field {
    /// A field called `name`, in `unit`, whose change is called `label` in the history.
    pub fn new(
        name: &'static str,
        unit: &'static str,
        range: RangeInclusive<f64>,
        label: &'static str,
    ) -> Self {
        Self {
            name,
            unit,
            range,
            label,
            decimals: 1,
            speed: 0.1,
            tip: "",
            off_below: f64::NEG_INFINITY,
            logarithmic: false,
        }
    }

    /// Digits after the point.
    pub fn decimals(mut self, n: usize) -> Self {
        self.decimals = n;
        self
    }

    /// Change for each point of a drag.
    pub fn speed(mut self, speed: f64) -> Self {
        self.speed = speed;
        self
    }

    /// What it does.
    pub fn tip(mut self, tip: &'static str) -> Self {
        self.tip = tip;
        self
    }

    /// Below this it is off, and says so.
    pub fn off_below(mut self, value: f64) -> Self {
        self.off_below = value;
        self
    }

    /// Every octave of it is as long on a slider.
    pub fn logarithmic(mut self) -> Self {
        self.logarithmic = true;
        self
    }

    /// The value as it is shown, without its unit; a value that is off brings no unit.
    fn written(&self, value: f64) -> String {
        if value < self.off_below { "off".into() } else { minus(value, self.decimals) }
    }

    /// The value that was typed, in whatever unit.
    fn read(&self, text: &str, clock: Option<Clock>) -> Option<f64> {
        if self.off_below.is_finite() && text.trim().eq_ignore_ascii_case("off") {
            return Some(*self.range.start());
        }
        quantity::parse(text, self.unit, clock)
    }

    fn typed<'a>(
        &'a self,
        read: &'a dyn Fn(&str) -> Option<f64>,
        write: Option<&'a dyn Fn(f64) -> String>,
    ) -> Typed<'a> {
        Typed { range: self.range.clone(), unit: self.unit, decimals: self.decimals, read, write }
    }

    fn suffix_at(&self, value: f64) -> String {
        if value < self.off_below { String::new() } else { self.suffix() }
    }

    fn suffix(&self) -> String {
        match self.unit {
            "" => String::new(),
            // Two of them and a name have to stand side by side.
            "frames" => " fr".into(),
            unit => format!(" {unit}"),
        }
    }
}

/// The column that rows are added to.
pub struct Rows<'a> {
    /// Where it is drawn.
    pub ui: &'a mut Ui,
    /// The colours.
    pub theme: &'a Theme,
    /// Whether anything may be changed.
    pub enabled: bool,
    /// The drag that is going on.
    pub gesture: &'a mut Gesture,
    /// Where wishes go.
    pub out: &'a mut Vec<Command>,
    /// The heading to bring into view.
    pub jump: Option<&'static str>,
    /// What turns typed seconds into frames and periods.
    pub clock: Option<Clock>,
    /// Why the rows that come now cannot be changed, where that is not for all of them.
    pub why_not: Option<&'static str>,
}

impl Rows<'_> {
    /// A heading with a line under it; `where_` (may be empty): where what stands below is counted.
    pub fn heading(&mut self, text: &str, where_: &str) {
        self.ui.add_space(8.0);
        let row = self.ui.horizontal(|ui| {
            ui.label(RichText::new(text).size(13.0).family(strong()).color(self.theme.ink));
            ui.with_layout(egui::Layout::right_to_left(egui::Align::Center), |ui| {
                let soft = RichText::new(where_).size(12.0).color(self.theme.ink_soft);
                ui.label(soft).on_hover_text(if where_ == IN_SOURCE { WHERE_IN_SOURCE } else { WHERE });
            });
        });
        if self.jump == Some(text) {
            self.ui.scroll_to_rect(row.response.rect, Some(egui::Align::TOP));
        }
        let y = self.ui.cursor().top();
        let x = self.ui.max_rect().x_range();
        self.ui.painter().hline(x, y, egui::Stroke::new(1.0, self.theme.line));
        self.ui.add_space(4.0);
    }

    /// A sentence of second rank.
    pub fn soft(&mut self, text: &str) {
        self.ui.label(RichText::new(text).color(self.theme.ink_soft));
    }

    /// A button on a row of its own; whether it was pressed.
    pub fn button(&mut self, text: &str, tip: &str) -> bool {
        self.ui.add_enabled(self.enabled, egui::Button::new(text)).on_hover_text(tip).clicked()
    }

    fn row(&mut self, name: &str, tip: &str, add: impl FnOnce(&mut Ui, &mut Gesture, &mut Vec<Command>)) {
        let (enabled, soft) = (self.enabled && self.why_not.is_none(), self.theme.ink_soft);
        let why_not = self.why_not;
        let inside = |ui: &mut Ui| {
            ui.spacing_mut().item_spacing.x = 5.0;
            let (rect, r) = ui.allocate_exact_size(vec2(NAME, 20.0), egui::Sense::hover());
            let at = rect.left_center();
            ui.painter().text(at, egui::Align2::LEFT_CENTER, name, egui::FontId::proportional(13.0), soft);
            if !tip.is_empty() {
                r.on_hover_text(tip);
            }
            ui.spacing_mut().interact_size.x = NUMBER;
            let inside = ui.add_enabled_ui(enabled, |ui| {
                ui.name_inputs(name, |ui| add(ui, self.gesture, self.out));
            });
            if let Some(why) = why_not {
                let id = ui.scope_id().with(("why not", name));
                ui.interact(inside.response.rect, id, egui::Sense::hover()).on_hover_text(why);
            }
        };
        with_room_below(self.ui, |ui| ui.horizontal(inside));
    }

    /// A slider whose value can be typed.
    pub fn slider(&mut self, f: &Field, value: f64, change: Change<'_>) {
        let clock = self.clock;
        self.row(f.name, f.tip, |ui, gesture, out| {
            ui.spacing_mut().slider_width = (ui.available_width() - NUMBER - 24.0).max(40.0);
            let mut v = value;
            let slider = Slider::new(&mut v, f.range.clone())
                // Otherwise a value with more digits than are shown is rounded by being shown.
                .clamping(SliderClamping::Edits)
                .logarithmic(f.logarithmic)
                .smallest_positive(f.off_below.max(1e-3))
                .fixed_decimals(f.decimals)
                .custom_formatter(|v, _| f.written(v));
            let write = |v| f.written(v);
            let read = |t: &str| f.read(t, clock);
            let typed = f.typed(&read, Some(&write));
            let r = typed.slider_in(ui, slider, &f.suffix_at(value), value);
            let r = r.on_hover_ui(|ui| about(ui, &typed, f.tip));
            gesture.follow(ui, &r, f.label, |rest| change(v, rest), out);
        });
    }

    /// A number that can be dragged or typed.
    pub fn number(&mut self, f: &Field, value: f64, change: Change<'_>) {
        let clock = self.clock;
        self.row(f.name, f.tip, |ui, gesture, out| {
            let mut v = value;
            // Left alone it would be called by its unit.
            let r = drag(ui, f, &mut v, clock).accessible_name(f.name);
            gesture.follow(ui, &r, f.label, |rest| change(v, rest), out);
        });
    }

    /// A number that is written and read in words of its own.
    pub fn named_number(
        &mut self,
        f: &Field,
        value: f64,
        write: &dyn Fn(f64) -> String,
        read: &dyn Fn(&str) -> Option<f64>,
        change: Change<'_>,
    ) {
        self.row(f.name, f.tip, |ui, gesture, out| {
            let mut v = value;
            let field = drag_value(f, &mut v).custom_formatter(|n, _| write(n));
            let typed = f.typed(read, Some(write));
            let r = typed.drag_in(ui, field, &f.suffix(), value).on_hover_ui(|ui| about(ui, &typed, f.tip));
            gesture.follow(ui, &r, f.label, |rest| change(v, rest), out);
        });
    }

    /// A place in frames and in seconds, counted by `clock`.
    pub fn frames_and_seconds(
        &mut self,
        name: &'static str,
        mark: Mark,
        frames: f64,
        (low, high): (f64, f64),
        clock: Clock,
        change: Change<'_>,
    ) {
        let tip = if mark.in_rendered() { PLACE_TIP } else { SOURCE_PLACE_TIP };
        let rate = clock.rate;
        self.row(name, tip, |ui, gesture, out| {
            let f = Field::new(name, "frames", low..=high.max(low), mark.label());
            let f = f.decimals(0).speed(1.0).tip(tip);
            let mut v = frames;
            let r = drag(ui, &f, &mut v, Some(clock)).accessible_name(format!("{name} in frames"));
            gesture.follow(ui, &r, f.label, |rest| change(v, rest), out);
            let f = Field::new(name, "s", low / rate..=high.max(low) / rate, mark.label())
                .decimals(4)
                .speed(0.001)
                .tip(tip);
            let mut s = frames / rate;
            let r = drag(ui, &f, &mut s, Some(clock)).accessible_name(format!("{name} in seconds"));
            gesture.follow(ui, &r, f.label, |rest| change((s * rate).round(), rest), out);
        });
    }

    /// A stretch in seconds: where it begins and where it ends, each within its limits. `change` is asked
    /// with whether it is the end.
    pub fn stretch(
        &mut self,
        (name, tip): (&str, &'static str),
        label: &'static str,
        ends: [(f64, RangeInclusive<f64>); 2],
        clock: Clock,
        change: &dyn Fn(bool, f64) -> Option<Edit>,
    ) {
        self.row(name, tip, |ui, gesture, out| {
            for (i, (value, range)) in ends.into_iter().enumerate() {
                let f = Field::new("", "s", range, label).decimals(3).speed(0.01).tip(tip);
                let mut v = value;
                let which = if i == 1 { "end" } else { "start" };
                let r =
                    drag(ui, &f, &mut v, Some(clock)).accessible_name(format!("{name} {which} in seconds"));
                gesture.follow(ui, &r, label, |_| change(i == 1, v), out);
            }
        });
    }

    /// The loop's length in seconds and in periods.
    pub fn length(
        &mut self,
        frames: f64,
        least: f64,
        most: f64,
        rate: f64,
        period: Option<f64>,
        change: Change<'_>,
    ) {
        let most = most.max(least);
        let label = "Change loop length";
        let clock = self.clock;
        let tip = "In seconds of the delivered file, and in periods of the note.";
        self.row("Length", tip, |ui, gesture, out| {
            let f = Field::new("Length", "s", least / rate..=most / rate, label);
            let f = f.decimals(4).speed(0.001).tip(tip);
            let mut s = frames / rate;
            let r = drag(ui, &f, &mut s, clock).accessible_name("Length in seconds");
            gesture.follow(ui, &r, label, |rest| change((s * rate).round(), rest), out);
            let Some(period) = period else { return };
            let f = Field::new("Length", "periods", least / period..=most / period, label);
            let f = f.decimals(2).speed(1.0).tip(tip);
            let mut n = frames / period;
            let r = drag(ui, &f, &mut n, clock).accessible_name("Length in periods");
            gesture.follow(ui, &r, label, |rest| change((n * period).round(), rest), out);
        });
    }
}

fn drag_value<'v>(f: &'v Field, v: &'v mut f64) -> DragValue<'v> {
    let field = DragValue::new(v).range(f.range.clone()).speed(f.speed).fixed_decimals(f.decimals);
    // What is there is never changed by being shown: a limit may lie lower for a while, before a take is rendered.
    field.clamp_existing_to_range(false)
}

fn drag(ui: &mut Ui, f: &Field, v: &mut f64, clock: Option<Clock>) -> Response {
    let now = *v;
    let read = |t: &str| f.read(t, clock);
    let typed = f.typed(&read, None);
    typed.drag_in(ui, drag_value(f, v), &f.suffix(), now).on_hover_ui(|ui| about(ui, &typed, f.tip))
}

/// What a field is for, what it takes and in which units, in its tooltip.
fn about(ui: &mut Ui, typed: &Typed<'_>, tip: &str) {
    ui.set_max_width(ui.spacing().tooltip_width);
    ui.label(typed.about(tip));
}
