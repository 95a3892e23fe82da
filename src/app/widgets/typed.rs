//! Number fields that say what was wrong with what was typed, and keep it to be mended.
//!
//! The toolkit's own fields drop what they cannot read and bring what is out of range to its edge, both
//! without a word. Here such a text stays in its field, marked, and the strip at the lower edge, where all
//! messages stand, says why and what is allowed (on the bench a card below the row); the value stays as it was
//! until the text is mended, or taken back with Escape. Where several were refused only one is told of, the
//! field which has the keyboard or was refused last; the others say it under the pointer.

use std::cell::RefCell;
use std::ops::RangeInclusive;
use std::time::Duration;

use egui::{
    Context, DragValue, Frame, Id, Key, Modifiers, Response, RichText, Slider, Stroke, StrokeKind, Ui,
    UiBuilder,
};

use crate::app::quantity;
use crate::app::theme::Theme;
use crate::app::words::minus;

/// How long it is told when the keyboard is not at its field, in seconds.
const TOLD_S: f64 = 9.0;
/// What becomes of a text that was refused.
const STAYS: &str = "Nothing is changed. Mend it, or Escape in the field takes it back.";
/// Widest card in points.
const WIDEST: f32 = 300.0;

/// What a field takes.
pub struct Typed<'a> {
    /// The smallest and the largest value.
    pub range: RangeInclusive<f64>,
    /// The unit it shows; empty: none.
    pub unit: &'a str,
    /// Digits after the point that it shows.
    pub decimals: usize,
    /// The value that a text means, in whatever unit; none: it cannot be read.
    pub read: &'a dyn Fn(&str) -> Option<f64>,
    /// A value as the field shows it before its unit, where that is no plain number.
    pub write: Option<&'a dyn Fn(f64) -> String>,
}

/// A text that was refused.
#[derive(Debug, Clone)]
struct Refused {
    text: String,
    why: String,
    /// The value of the field then: when it changes otherwise, the text is forgotten.
    value: f64,
    /// What the fields were about then, see [`about`].
    about: Option<Id>,
    at: f64,
}

/// What became of a text in this pass.
#[derive(Debug, Clone, PartialEq)]
enum Outcome {
    /// None was handed over.
    Nothing,
    /// It stands for a value that is allowed.
    Taken,
    /// It does not: the text, and why.
    Refused(String, String),
}

fn about_id() -> Id {
    Id::unique("what typed values are about")
}

/// Says what the fields of this frame are about; what was refused for something else is forgotten.
pub fn about(ctx: &Context, what: impl std::hash::Hash + std::fmt::Debug) {
    let what = Id::unique(("typed about", what));
    ctx.data_mut(|d| d.insert_temp(about_id(), what));
}

fn now_about(ctx: &Context) -> Option<Id> {
    ctx.data(|d| d.get_temp(about_id()))
}

impl Typed<'_> {
    /// Adds a field that can be dragged or typed in, over a value that is `now`.
    pub fn drag(&self, ui: &mut Ui, drag: DragValue<'_>, now: f64) -> Response {
        self.drag_in(ui, drag, "", now)
    }

    /// The same with `suffix` after the value; not after a text that was refused, which stands as it was typed.
    pub fn drag_in(&self, ui: &mut Ui, drag: DragValue<'_>, suffix: &str, now: f64) -> Response {
        let id = ui.next_auto_id().with("refused");
        let refused = standing(ui, id, now);
        let told = RefCell::new(Outcome::Nothing);
        let escaped = just_escaped(ui, id);
        let parse = |text: &str| if escaped { None } else { self.parse(text, now, &told) };
        let mut drag = drag.custom_parser(parse).update_while_editing(false);
        if let Some(r) = &refused {
            let text = r.text.clone();
            drag = drag.custom_formatter(move |_, _| text.clone());
        } else {
            // The suffix not before: the toolkit would show it after the text, which has a unit of its own.
            drag = drag.custom_formatter(|v, _| self.shown(v)).suffix(suffix);
        }
        let response = ui.add(drag);
        self.follow(ui, id, &response, (refused, told.into_inner()), now);
        response
    }

    /// Adds a slider with a field, over a value that is `now`.
    pub fn slider(&self, ui: &mut Ui, slider: Slider<'_>, now: f64) -> Response {
        self.slider_in(ui, slider, "", now)
    }

    /// The same with `suffix` after the value, as in [`Typed::drag_in`].
    pub fn slider_in(&self, ui: &mut Ui, slider: Slider<'_>, suffix: &str, now: f64) -> Response {
        let id = ui.next_auto_id().with("refused");
        let refused = standing(ui, id, now);
        let told = RefCell::new(Outcome::Nothing);
        let escaped = just_escaped(ui, id);
        // What stood there unchanged has its unit behind it.
        let bare = |text: &str| text.strip_suffix(suffix).is_some_and(|t| t == self.shown(now));
        let parse = |text: &str| match text {
            _ if escaped => None,
            text if bare(text) => self.parse(&self.shown(now), now, &told),
            text => self.parse(text, now, &told),
        };
        let mut slider = slider.custom_parser(parse).update_while_editing(false);
        if let Some(r) = &refused {
            let text = r.text.clone();
            slider = slider.custom_formatter(move |_, _| text.clone());
        } else {
            // In the text: the toolkit would call the field by a suffix, not by its name.
            slider = slider.custom_formatter(|v, _| format!("{}{suffix}", self.shown(v)));
        }
        let response = ui.add(slider);
        self.follow(ui, id, &response, (refused, told.into_inner()), now);
        response
    }

    /// The value that a text stands for; what it cannot be goes into `told`.
    fn parse(&self, text: &str, now: f64, told: &RefCell<Outcome>) -> Option<f64> {
        *told.borrow_mut() = Outcome::Taken;
        // Left as it was: not even rounded to the digits that are shown.
        if text == self.shown(now) {
            return Some(now);
        }
        let read = (self.read)(text).filter(|v| v.is_finite());
        let taken = read.and_then(|v| self.within(v));
        if taken.is_none() {
            let (typed, allowed) = (text.trim(), self.allowed());
            let units = self.units();
            let why = match read {
                Some(_) => format!("“{typed}” is not within {}.", self.allowed_in(typed).unwrap_or(allowed)),
                None => format!("“{typed}” cannot be read here; write {allowed}{units}."),
            };
            *told.borrow_mut() = Outcome::Refused(text.to_owned(), why);
        }
        taken
    }

    /// The value in the range; what lies outside by no more than the rounding of what is shown is the edge.
    fn within(&self, value: f64) -> Option<f64> {
        let slack = 0.5 * 0.1f64.powi(self.decimals as i32) + 1e-9;
        let (low, high) = (*self.range.start(), *self.range.end());
        (value >= low - slack && value <= high + slack).then(|| value.clamp(low, high))
    }

    fn shown(&self, value: f64) -> String {
        self.write.map_or_else(|| minus(value, self.decimals), |write| write(value))
    }

    /// The units of time that can be typed: frames and periods only where the field knows their length.
    fn units(&self) -> String {
        const TIMES: [&str; 4] = ["s", "ms", "frames", "periods"];
        if !TIMES.contains(&self.unit) {
            return String::new();
        }
        let can: Vec<&str> = TIMES.into_iter().filter(|u| (self.read)(&format!("1 {u}")).is_some()).collect();
        match can.split_last() {
            Some((last, [])) => format!(", in {last}"),
            Some((last, rest)) => format!(", in {} or {last}", rest.join(", ")),
            None => String::new(),
        }
    }

    /// What a field is for (may be empty), and what can be typed into it.
    pub fn about(&self, tip: &str) -> String {
        let between = if tip.is_empty() { "" } else { "\n" };
        format!("{tip}{between}From {}{}", self.allowed(), self.units())
    }

    /// The same in the unit that was typed, where that is another one than the field's own.
    fn allowed_in(&self, typed: &str) -> Option<String> {
        let unit = quantity::unit_of(typed);
        let one = (self.read)(&format!("1 {unit}")).filter(|one| one.is_finite() && *one > 0.0)?;
        if unit.is_empty() || unit.eq_ignore_ascii_case(self.unit) || one == 1.0 {
            return None;
        }
        let (low, high) = (*self.range.start() / one, *self.range.end() / one);
        let decimals = match high - low {
            span if span >= 1_000.0 => 0,
            span if span >= 100.0 => 1,
            span if span >= 0.1 => 2,
            _ => 4,
        };
        // Rounded inwards: what is told is taken.
        let scale = 10f64.powi(decimals);
        let text = |v: f64| minus(v / scale, decimals as usize);
        let low = match self.write.map(|write| write(*self.range.start())) {
            Some(word) if !word.contains(|c: char| c.is_ascii_digit()) => word,
            _ => text((low * scale - 1e-6).ceil()),
        };
        Some(format!("{low} to {} {unit}", text((high * scale + 1e-6).floor())))
    }

    /// What can be typed.
    fn allowed(&self) -> String {
        let (low, high) = (*self.range.start(), *self.range.end());
        let unit = if self.unit.is_empty() { String::new() } else { format!(" {}", self.unit) };
        match self.write {
            Some(write) => format!("{} to {}{unit}", write(low), write(high)),
            None => format!("{} to {}{unit}", short(low, self.decimals), short(high, self.decimals)),
        }
    }

    fn follow(
        &self,
        ui: &Ui,
        id: Id,
        response: &Response,
        (refused, told): (Option<Refused>, Outcome),
        now: f64,
    ) {
        let ctx = ui.ctx();
        let time = ui.input(|i| i.time);
        let escaped = response.lost_focus() && ui.input(|i| i.key_pressed(Key::Escape));
        if escaped {
            let pass = ctx.cumulative_pass_nr();
            ui.data_mut(|d| d.insert_temp(id.with("escaped"), pass));
        }
        let refused = match told {
            Outcome::Refused(text, why) => {
                let again = refused.filter(|r| r.text == text && r.why == why);
                Some(again.unwrap_or(Refused { text, why, value: now, about: now_about(ctx), at: time }))
            }
            Outcome::Taken => None,
            Outcome::Nothing if response.changed() || escaped => None,
            Outcome::Nothing if refused.is_some() && takes_back(ui, response) => None,
            Outcome::Nothing => refused,
        };
        keep(ui, id, refused.as_ref());
        match &refused {
            Some(r) => tell(ui, id, response, &r.why, time - r.at),
            None => forget(ui, id),
        }
    }
}

/// Whether a field stands free: nothing lies over it, such as a page of help.
fn is_free(ui: &Ui, field: &Response) -> bool {
    ui.ctx().layer_id_at(field.rect.center()).is_none_or(|top| top == ui.layer_id())
}

/// Escape takes back what was refused also after the field was left by Enter, as long as nothing else has the keys.
fn takes_back(ui: &Ui, field: &Response) -> bool {
    let alone = ui.memory(|m| m.focused().is_none_or(|id| id == field.id)) && is_free(ui, field);
    alone && ui.input_mut(|i| i.consume_key(Modifiers::NONE, Key::Escape))
}

/// Whether Escape has just left the field: the toolkit would take its text in the pass after that.
fn just_escaped(ui: &Ui, id: Id) -> bool {
    let at = ui.data(|d| d.get_temp::<u64>(id.with("escaped")));
    at.is_some_and(|at| ui.ctx().cumulative_pass_nr() <= at + 2)
}

/// Without needless noughts.
fn short(value: f64, decimals: usize) -> String {
    let text = minus(value, decimals);
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

fn standing(ui: &Ui, id: Id, now: f64) -> Option<Refused> {
    let about = now_about(ui.ctx());
    ui.data(|d| d.get_temp::<Refused>(id)).filter(|r| r.value == now && r.about == about)
}

fn keep(ui: &Ui, id: Id, refused: Option<&Refused>) {
    ui.data_mut(|d| match refused {
        Some(r) => {
            d.insert_temp(id, r.clone());
        }
        None => d.remove::<Refused>(id),
    });
}

/// Marks a field whose text was refused and has it said why: for a while, and as long as the keyboard is there;
/// later under the pointer. `since`: for how many seconds it has been so.
pub fn tell(ui: &Ui, id: Id, field: &Response, why: &str, since: f64) {
    let theme = Theme::of(ui.ctx());
    let edge = Stroke::new(2.0, theme.warn);
    ui.painter().rect_stroke(field.rect.expand(1.0), 3.0, edge, StrokeKind::Outside);
    if field.has_focus() || since <= 0.0 {
        ui.data_mut(|d| d.insert_temp(told_id(), id));
    }
    if ui.data(|d| d.get_temp(told_id())) != Some(id) {
        field.clone().on_hover_text(why);
        return;
    }
    let left = TOLD_S - since;
    if left <= 0.0 && !field.has_focus() {
        field.clone().on_hover_text(why);
        return;
    }
    if left > 0.0 {
        ui.ctx().request_repaint_after(Duration::from_secs_f64(left + 0.05));
    }
    if ui.data(|d| d.get_temp(below_id())) == Some(Below::Asked) {
        // In the row's own place: not while the row is out of sight, or something lies over it.
        if ui.clip_rect().intersects(field.rect) && is_free(ui, field) {
            ui.data_mut(|d| d.insert_temp(below_id(), Below::Says(why.into(), since <= 0.0)));
        }
        return;
    }
    let pass = ui.ctx().cumulative_pass_nr();
    ui.data_mut(|d| d.insert_temp(refusal_id(), Refusal { why: why.into(), pass }));
}

/// What the strip is to tell, and when a field said so last.
#[derive(Debug, Clone)]
struct Refusal {
    why: String,
    pass: u64,
}

fn refusal_id() -> Id {
    Id::unique("refusal for the strip")
}

/// Why a text was refused, for the strip, which is drawn before the fields: as they said in the pass before.
pub fn refusal(ctx: &Context) -> Option<String> {
    let now = ctx.cumulative_pass_nr();
    let told = ctx.data(|d| d.get_temp::<Refusal>(refusal_id()));
    told.filter(|r| r.pass + 1 >= now).map(|r| format!("{} {STAYS}", r.why))
}

/// At the end of a pass: what the fields say differs from what the strip could show of it (`shown`).
pub fn follow_refusal(ctx: &Context, shown: Option<&str>) {
    let now = ctx.cumulative_pass_nr();
    let told = ctx.data(|d| d.get_temp::<Refusal>(refusal_id())).filter(|r| r.pass == now);
    let differs = match (&told, shown) {
        (Some(r), Some(shown)) => !shown.starts_with(&r.why),
        (told, shown) => told.is_some() != shown.is_some(),
    };
    if differs {
        ctx.request_repaint();
    }
}

/// Tells no more of what was refused; the field stays marked and says it under the pointer.
pub fn hide_refusal(ctx: &Context) {
    ctx.data_mut(|d| {
        d.remove::<Id>(told_id());
        d.remove::<Refusal>(refusal_id());
    });
}

/// What was refused in a field is mended.
fn forget(ui: &Ui, id: Id) {
    if ui.data(|d| d.get_temp(told_id())) == Some(id) {
        ui.data_mut(|d| d.remove::<Id>(told_id()));
    }
}

/// The field that is told of.
fn told_id() -> Id {
    Id::unique("refusal that is told")
}

/// Whether the fields that are added now have a place below them for a card, and what is to stand there.
#[derive(Debug, Clone, PartialEq)]
enum Below {
    Asked,
    /// Why a text was refused, and whether that happened just now.
    Says(String, bool),
}

/// How many automatic names of widgets a card below a row takes: its place, and going past it.
const IDS_OF_CARD: usize = 2;

fn below_id() -> Id {
    Id::unique("place for a refusal")
}

/// Adds fields, and below them, where it covers none, why the text in one of them was refused.
pub fn with_room_below<R>(ui: &mut Ui, add: impl FnOnce(&mut Ui) -> R) -> R {
    ui.data_mut(|d| d.insert_temp(below_id(), Below::Asked));
    let result = add(ui);
    let below = ui.data_mut(|d| {
        let below = d.get_temp(below_id());
        d.remove::<Below>(below_id());
        below
    });
    // What comes after it keeps its names, and so what was typed there, whether there is a card or none.
    let Some(Below::Says(why, fresh)) = below else {
        ui.skip_ahead_auto_ids(IDS_OF_CARD);
        return result;
    };
    let theme = Theme::of(ui.ctx());
    let mut place = ui.new_child(UiBuilder::new().max_rect(ui.available_rect_before_wrap()));
    let r = said(&mut place, &why, &theme);
    ui.advance_cursor_after_rect(r.rect);
    if fresh {
        r.scroll_to_me(None);
    }
    result
}

/// The card itself.
fn said(ui: &mut Ui, why: &str, theme: &Theme) -> Response {
    let frame = Frame::new().fill(theme.sheet).stroke(Stroke::new(1.0, theme.warn));
    let shown = frame.corner_radius(4).inner_margin(8).show(ui, |ui| {
        ui.set_max_width(WIDEST.min(ui.available_width()));
        ui.label(RichText::new(why).color(theme.ink));
        ui.label(RichText::new(STAYS).small().color(theme.ink_soft));
    });
    shown.response
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seconds(text: &str, now: f64) -> (Option<f64>, Option<String>) {
        let read = |t: &str| quantity::parse(t, "s", None);
        let typed = Typed { range: 0.0..=3.25, unit: "s", decimals: 2, read: &read, write: None };
        let told = RefCell::new(Outcome::Nothing);
        let value = typed.parse(text, now, &told);
        let why = match told.into_inner() {
            Outcome::Refused(_, why) => Some(why),
            _ => None,
        };
        (value, why)
    }

    #[test]
    fn what_is_refused_is_told_with_what_is_allowed() {
        assert_eq!(seconds("500 ms", 1.0), (Some(0.5), None));
        let why = seconds("banana", 1.0).1.unwrap();
        // No rate is known here, so that frames and periods mean nothing.
        assert_eq!(why, "“banana” cannot be read here; write 0 to 3.25 s, in s or ms.");
        assert_eq!(seconds("99 s", 1.0), (None, Some("“99 s” is not within 0 to 3.25 s.".into())));
        assert_eq!(seconds("NaN", 1.0).0, None);
    }

    /// 48 000 frames a second, 240 of them a period: 142 599 frames are 2.970 81 s, so 2970 whole milliseconds
    /// and 594.16 periods.
    #[test]
    fn a_limit_is_told_in_the_unit_that_was_typed() {
        let clock = Some(quantity::Clock { rate: 48_000.0, period: Some(240.0) });
        let read = |t: &str| quantity::parse(t, "frames", clock);
        let typed = Typed { range: 0.0..=142_599.0, unit: "frames", decimals: 0, read: &read, write: None };
        let told = |text: &str| {
            let told = RefCell::new(Outcome::Nothing);
            assert_eq!(typed.parse(text, 5.0, &told), None);
            let Outcome::Refused(_, why) = told.into_inner() else { panic!("{text} was taken") };
            why
        };
        assert_eq!(told("99 s"), "“99 s” is not within 0.00 to 2.97 s.");
        assert_eq!(told("99000 ms"), "“99000 ms” is not within 0 to 2970 ms.");
        assert_eq!(told("−3 periods"), "“−3 periods” is not within 0.0 to 594.1 periods.");
        assert_eq!(told("200000"), "“200000” is not within 0 to 142599 frames.");
        assert_eq!(told("200000 fr"), "“200000 fr” is not within 0 to 142599 frames.");
    }

    /// Passing through a field with the keyboard hands over what it shows; nothing may change by that.
    #[test]
    fn what_is_shown_is_always_taken() {
        let now = 1.234_567;
        assert_eq!(seconds("1.23", now), (Some(now), None));
        // Shown rounded upwards, beyond the edge.
        let read = |t: &str| quantity::parse(t, "s", None);
        let typed = Typed { range: 0.0..=0.996, unit: "s", decimals: 2, read: &read, write: None };
        let told = RefCell::new(Outcome::Nothing);
        assert_eq!(typed.parse("1.00", 0.5, &told), Some(0.996));
        assert_eq!(typed.parse("1.01", 0.5, &told), None);
    }
}
