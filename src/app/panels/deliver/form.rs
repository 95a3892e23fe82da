//! Rows of settings: a name, a control, its unit; each makes one step of the history.

use std::collections::HashMap;
use std::ops::RangeInclusive;

use egui::{ComboBox, DragValue, FontId, RichText, Sense, Ui, vec2};

use crate::app::command::Command;
use crate::app::panels::bench::gesture::{Gesture, step};
use crate::app::quantity;
use crate::app::theme::{Theme, strong};
use crate::app::widgets::control::{field_with, list_line};
use crate::app::widgets::typed::{self, Typed};
use crate::app::words;
use crate::session::{Edit, Setup};

/// Width of the names of the rows.
const NAME: f32 = 118.0;
const NUMBER: f32 = 84.0;

/// Half-typed texts by the name of their field.
pub type Drafts = HashMap<&'static str, String>;

/// The column that rows are added to. Changes go into `setup` as well, so that two in one frame do
/// not undo each other.
pub struct Form<'a> {
    /// Where it is drawn.
    pub ui: &'a mut Ui,
    /// The colours.
    pub theme: &'a Theme,
    /// The settings as they are after the changes of this frame.
    pub setup: &'a mut Setup,
    /// The drag that is going on.
    pub gesture: &'a mut Gesture,
    /// Half-typed texts.
    pub drafts: &'a mut Drafts,
    /// Where wishes go.
    pub out: &'a mut Vec<Command>,
}

/// A number with its unit.
#[derive(Debug, Clone)]
pub struct Number {
    /// Its name.
    pub name: &'static str,
    /// What it does.
    pub tip: &'static str,
    /// After the number, with a space.
    pub suffix: &'static str,
    /// What can be typed.
    pub range: RangeInclusive<f64>,
    /// Digits after the point.
    pub decimals: usize,
    /// Change for each point of a drag.
    pub speed: f64,
}

/// Makes a change of the settings as one step.
pub fn changed(setup: &mut Setup, label: &str, set: impl FnOnce(&mut Setup), out: &mut Vec<Command>) {
    set(setup);
    out.push(step(label, Edit::SetSetup(Box::new(setup.clone()))));
}

impl Form<'_> {
    /// A heading with a line under it.
    pub fn heading(&mut self, text: &str) {
        heading(self.ui, text, self.theme);
    }

    /// A row with a name at the left; `add` draws its control.
    pub fn row(&mut self, name: &'static str, tip: &str, add: impl FnOnce(&mut Form<'_>)) {
        let theme = self.theme;
        let Self { ui, setup, gesture, drafts, out, .. } = self;
        ui.horizontal(|ui| {
            ui.spacing_mut().item_spacing.x = 5.0;
            let (rect, r) = ui.allocate_exact_size(vec2(NAME, 26.0), Sense::hover());
            let font = FontId::proportional(13.0);
            ui.painter().text(rect.left_center(), egui::Align2::LEFT_CENTER, name, font, theme.ink_soft);
            r.on_hover_text(tip);
            add(&mut Form { ui, theme, setup, gesture, drafts, out });
        });
    }

    fn change(&mut self, label: &str, set: impl FnOnce(&mut Setup)) {
        changed(self.setup, label, set, self.out);
    }

    /// A text over the rest of the row, handed over by Enter or by leaving it. `bad`: why a text cannot be.
    pub fn text(
        &mut self,
        name: &'static str,
        tip: &str,
        now: &str,
        bad: &dyn Fn(&str) -> Option<String>,
        set: impl FnOnce(&mut Setup, String),
    ) {
        self.row(name, tip, |f| {
            let mut draft = f.drafts.remove(name);
            let width = f.ui.available_width() - 6.0;
            let (r, given) = field_with(f.ui, None, (name, tip), now, &mut draft, width);
            match given {
                // It stays to be mended.
                Some(text) if bad(&text).is_some() => draft = Some(text),
                Some(text) => f.change(name, |s| set(s, text)),
                None => {}
            }
            refused(f.ui, &r, draft.as_deref().and_then(bad));
            f.drafts.extend(draft.map(|d| (name, d)));
        });
    }

    /// One of several.
    pub fn choice<T: Copy + PartialEq>(
        &mut self,
        name: &'static str,
        tip: &str,
        now: T,
        all: &[(T, &str)],
        set: impl FnOnce(&mut Setup, T),
    ) {
        self.row(name, tip, |f| f.choice_here(name, tip, now, all, set));
    }

    /// The same without a row of its own.
    pub fn choice_here<T: Copy + PartialEq>(
        &mut self,
        name: &'static str,
        tip: &str,
        now: T,
        all: &[(T, &str)],
        set: impl FnOnce(&mut Setup, T),
    ) {
        let shown = all.iter().find(|(v, _)| *v == now).map_or("", |(_, text)| text);
        let mut picked = None;
        let width = f32::min(self.ui.available_width() - 6.0, 210.0);
        let combo = ComboBox::from_id_salt(name).selected_text(shown).width(width).truncate();
        let r = combo.show_ui(self.ui, |ui| {
            for (value, text) in all {
                if list_line(ui, *value == now, *text) && *value != now {
                    picked = Some(*value);
                }
            }
        });
        r.response.accessible_name(name).on_hover_text(tip);
        if let Some(value) = picked {
            self.change(name, |s| set(s, value));
        }
    }

    /// Yes or no, with its own words beside the box.
    pub fn check(
        &mut self,
        name: &'static str,
        (words, tip): (&str, &str),
        now: bool,
        set: impl FnOnce(&mut Setup, bool),
    ) {
        self.row(name, tip, |f| f.check_here(name, (words, tip), now, set));
    }

    /// The same without a row of its own.
    pub fn check_here(
        &mut self,
        label: &str,
        (words, tip): (&str, &str),
        mut now: bool,
        set: impl FnOnce(&mut Setup, bool),
    ) {
        if self.ui.checkbox(&mut now, words).on_hover_text(tip).changed() {
            self.change(label, |s| set(s, now));
        }
    }

    /// A number on a row of its own.
    pub fn number(&mut self, n: &Number, now: f64, set: impl Fn(&mut Setup, f64)) {
        self.row(n.name, n.tip, |f| f.number_here(n, now, set));
    }

    /// A number that can be dragged or typed.
    pub fn number_here(&mut self, n: &Number, now: f64, set: impl Fn(&mut Setup, f64)) {
        let mut v = now;
        self.ui.spacing_mut().interact_size.x = NUMBER;
        let read = |t: &str| quantity::parse(t, n.suffix, None);
        let r = n.typed(&read, None).drag_in(self.ui, drag_value(n, &mut v), n.suffix, now);
        let r = r.accessible_name(n.name).on_hover_text(n.tip);
        self.follow(n, &r, v, set);
    }

    /// A number that is written and read in words of its own.
    pub fn named_number(
        &mut self,
        n: &Number,
        now: f64,
        write: &dyn Fn(f64) -> String,
        read: &dyn Fn(&str) -> Option<f64>,
        set: impl Fn(&mut Setup, f64),
    ) {
        let mut v = now;
        let drag = drag_value(n, &mut v).custom_formatter(|x, _| write(x));
        self.ui.spacing_mut().interact_size.x = NUMBER;
        let r = n.typed(read, Some(write)).drag_in(self.ui, drag, n.suffix, now);
        let r = r.accessible_name(n.name).on_hover_text(n.tip);
        self.follow(n, &r, v, set);
    }

    fn follow(&mut self, n: &Number, r: &egui::Response, v: f64, set: impl Fn(&mut Setup, f64)) {
        let setup = &mut *self.setup;
        let mut next = setup.clone();
        set(&mut next, v);
        let edit = |_| Some(Edit::SetSetup(Box::new(next.clone())));
        self.gesture.follow(self.ui, r, n.name, edit, self.out);
        if r.changed() {
            *setup = next;
        }
    }
}

/// Marks a field with a text that cannot be, and says why.
fn refused(ui: &Ui, r: &egui::Response, why: Option<String>) {
    let id = r.id.with("refused");
    let Some(why) = why else {
        ui.data_mut(|d| d.remove::<f64>(id));
        return;
    };
    let now = ui.input(|i| i.time);
    let since = ui.data_mut(|d| *d.get_temp_mut_or(id, now));
    typed::tell(ui, id, r, &why, now - since);
}

fn drag_value<'v>(n: &'v Number, v: &'v mut f64) -> DragValue<'v> {
    let drag = DragValue::new(v).range(n.range.clone()).speed(n.speed).fixed_decimals(n.decimals);
    // With a real minus sign.
    drag.custom_formatter(|x, _| words::minus(x, n.decimals))
}

impl Number {
    fn typed<'a>(
        &'a self,
        read: &'a dyn Fn(&str) -> Option<f64>,
        write: Option<&'a dyn Fn(f64) -> String>,
    ) -> Typed<'a> {
        // What is written in words of its own has its unit in them.
        let unit = if write.is_some() { "" } else { self.suffix.trim() };
        Typed { range: self.range.clone(), unit, decimals: self.decimals, read, write }
    }
}

/// A heading with a line under it.
pub fn heading(ui: &mut Ui, text: &str, theme: &Theme) {
    ui.add_space(8.0);
    ui.label(RichText::new(text).size(14.0).family(strong()).color(theme.ink));
    let (y, x) = (ui.cursor().top() - 3.0, ui.max_rect().x_range());
    ui.painter().hline(x, y, egui::Stroke::new(1.0, theme.line));
    ui.add_space(2.0);
}
