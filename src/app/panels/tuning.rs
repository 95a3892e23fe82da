//! The takes as a table of their tuning: how far off, how much they move, how much is taken out.

use std::cmp::Ordering;

use egui::text::{LayoutJob, TextWrapping};
use egui::{
    Align2, Button, DragValue, FontId, Id, Rect, Response, Role, ScrollArea, Sense, Stroke, StrokeKind, Ui,
    WidgetInfo, pos2, vec2,
};

use super::sheet::{keys_of_focus, note_focus};
use crate::app::command::{Command, EditCommand, GoCommand};
use crate::app::quantity;
use crate::app::theme::strong;
use crate::app::view::View;
use crate::app::widgets::cell::{one_of_many, sorts};
use crate::app::widgets::control::{escaped, field, soft};
use crate::app::widgets::glyph;
use crate::app::widgets::in_sight::follow_focus;
use crate::app::widgets::layer_sign::layer_sign;
use crate::app::widgets::typed::Typed;
use crate::app::words;
use crate::render::tuning::{TuningRow, tuning_table};
use crate::session::tuning::{Strengths, set_strengths};
use crate::session::{Edit, Setup, Take, TakeId};
use crate::units::Hertz;

const ROW: f32 = 26.0;
/// Height of the names of the columns, with their units below them.
const HEAD: f32 = 36.0;
/// A column: what it sorts by, its name, the unit of what stands below it, what it says, and its left edge as a part of
/// the width.
type Head = (Column, &'static str, &'static str, &'static str, f32);
const COLUMNS: [Head; 7] = [
    (Column::Note, "Note", "", "Note and layer", 0.0),
    (Column::Centre, "Centre", "cents", "How far the take as recorded is from its target, in cents", 0.20),
    (Column::Drift, "Drift", "cents", "Movement slower than 2 Hz, in cents rms", 0.31),
    (Column::Rate, "Vibrato", "Hz", "Rate of the vibrato in Hz", 0.40),
    (Column::Depth, "Depth", "cents", "Depth of the vibrato to either side, in cents", 0.515),
    (
        Column::Taken,
        "Strengths",
        "%: centre, drift, vibrato",
        "How much of the centre is corrected, how much of the drift and of the vibrato is flattened, in percent",
        0.62,
    ),
    (Column::State, "State", "", "How far it has come", 0.87),
];
const A4_TIP: &str = "Frequency of A4 that the set is tuned to, 380 to 500 Hz; Enter takes it";
const FLATTEN_TIP: &str = "Sets how much of drift and vibrato is flattened, in every take shown that has a recipe; \
                           where, its strength curve says. One step to undo";

/// A row of the table.
pub(super) fn tuning_row_id(take: TakeId) -> Id {
    Id::unique(("tuning row", take))
}

/// What the table shows, for the keys.
pub(super) struct Shown {
    /// The takes from top to bottom.
    pub order: Vec<TakeId>,
    /// So many rows are a page.
    pub page: i64,
    /// One of the rows has the keyboard's focus.
    pub focused: bool,
}

/// What the table can be sorted by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
enum Column {
    #[default]
    Note,
    Centre,
    Drift,
    Rate,
    Depth,
    Taken,
    State,
}

/// The table.
#[derive(Debug)]
pub struct TuningPanel {
    by: Column,
    descending: bool,
    /// Strength for all, in percent.
    strength: f64,
    a4: Option<String>,
    /// What was typed there and refused.
    a4_refused: Option<String>,
}

impl Default for TuningPanel {
    fn default() -> Self {
        Self { by: Column::Note, descending: false, strength: 100.0, a4: None, a4_refused: None }
    }
}

/// One line as shown: how it sorts, and its texts.
struct Line {
    row: TuningRow,
    place: usize,
    /// As it stands below the units of its columns.
    texts: [String; 7],
    /// With units, as it is read out.
    spoken: [String; 7],
    layer: u16,
}

impl TuningPanel {
    /// Draws the table; what it shows. `scroll`: the selected take is to come into sight.
    pub(super) fn ui(
        &mut self,
        ui: &mut Ui,
        view: &View<'_>,
        scroll: bool,
        commands: &mut Vec<Command>,
    ) -> Option<Shown> {
        self.settings(ui, view, commands);
        ui.add_space(6.0);
        self.head(ui, view);
        let mut lines = lines(view);
        if lines.is_empty() {
            ui.add_space(16.0);
            ui.label(soft("No take is like this. “Show all” clears the filter.", view.theme));
            return None;
        }
        lines.sort_by(|a, b| self.order(a, b));
        let order: Vec<TakeId> = lines.iter().map(|l| l.row.take).collect();
        // Tab comes to one row.
        let stop = view.selected.filter(|id| order.contains(id)).unwrap_or(order[0]);
        let page = (ui.available_height() / ROW).floor().max(2.0) as i64 - 1;
        let mut focused = false;
        ScrollArea::vertical().auto_shrink(false).id_salt("tuning").show_viewport(ui, |ui, seen| {
            let size = vec2(ui.available_width(), lines.len() as f32 * ROW);
            let (area, _) = ui.allocate_exact_size(size, Sense::hover());
            for (i, line) in lines.iter().enumerate() {
                let y = i as f32 * ROW;
                let rect = Rect::from_min_size(area.min + vec2(0.0, y), vec2(area.width(), ROW));
                let take = line.row.take;
                if scroll && view.selected == Some(take) {
                    ui.scroll_to_rect(rect, None);
                }
                // That row is there even where it is not seen, so that it can have the focus.
                if (y + ROW < seen.top() || y > seen.bottom()) && take != stop {
                    continue;
                }
                let keys = keys_of_focus(ui, tuning_row_id(take), Some(take), view);
                let r = show(ui, view, line, rect, take == stop);
                if keys.is_empty() && r.clicked() {
                    commands.push(Command::Go(GoCommand::Select(take)));
                }
                commands.extend(keys);
                focused |= note_focus(ui, &r, r.id);
            }
            follow_focus(ui);
        });
        Some(Shown { order, page, focused })
    }

    fn settings(&mut self, ui: &mut Ui, view: &View<'_>, commands: &mut Vec<Command>) {
        ui.horizontal_wrapped(|ui| {
            ui.label(if shown_all(view) { "Flatten all takes by" } else { "Flatten takes shown by" });
            let before = self.strength;
            let value = DragValue::new(&mut self.strength).range(0.0..=100.0).max_decimals(0);
            let read = |t: &str| quantity::parse(t, "%", None);
            let typed = Typed { range: 0.0..=100.0, unit: "%", decimals: 0, read: &read, write: None };
            let r = typed.drag_in(ui, value, " %", before);
            let r = r.accessible_name("Flatten by").on_hover_text(FLATTEN_TIP);
            self.strength = escaped(ui, &r, before).unwrap_or(self.strength);
            let shown = view.triage.listing.filter;
            let fits = |t: &&std::sync::Arc<Take>| t.recipe.is_some() && shown.shows(t);
            let with_recipe: Vec<TakeId> = view.document.takes.iter().filter(fits).map(|t| t.id).collect();
            let ready = !view.read_only && !with_recipe.is_empty();
            let button = Button::new(format!("Set for {}", words::takes(with_recipe.len())));
            let why_not = "No take shown has a recipe yet; propose all first";
            if ui
                .add_enabled(ready, button)
                .on_hover_text(FLATTEN_TIP)
                .on_disabled_hover_text(why_not)
                .clicked()
                && let Ok(named) =
                    set_strengths(view.document, &with_recipe, Strengths::flattening(self.strength / 100.0))
            {
                commands.push(Command::Edit(EditCommand::Do { label: named.label, edit: named.edit }));
            }
            ui.add_space(16.0);
            ui.label("A4");
            let setup = &view.document.setup;
            let now = format!("{:.1}", setup.a4.0);
            if let Some(text) = field(ui, ("A4", A4_TIP), &now, &mut self.a4, 60.0)
                && !view.read_only
            {
                let hz = quantity::parse(&text, "Hz", None).filter(|hz| (380.0..=500.0).contains(hz));
                if let Some(hz) = hz {
                    let edit = Edit::SetSetup(Box::new(Setup { a4: Hertz(hz), ..setup.clone() }));
                    commands.push(Command::Edit(EditCommand::Do { label: "Set A4".into(), edit }));
                } else {
                    // It stays to be mended.
                    self.a4_refused = Some(text.clone());
                    self.a4 = Some(text);
                }
            }
            ui.label("Hz");
            if self.a4.is_some() && self.a4 == self.a4_refused {
                let text = self.a4.as_deref().unwrap_or_default();
                let why =
                    format!("“{text}” is no frequency for A4; write 380 to 500 Hz, Escape takes it back");
                ui.label(egui::RichText::new(why).color(view.theme.warn));
            }
        });
    }

    /// The names of the columns; a click sorts by one, a second turns the order round.
    fn head(&mut self, ui: &mut Ui, view: &View<'_>) {
        // The lines below leave room for their scroll bar.
        let width = ui.available_width() - ui.spacing().scroll.allocated_width();
        let (area, _) = ui.allocate_exact_size(vec2(width, HEAD), Sense::hover());
        for (i, (column, name, unit, about, left)) in COLUMNS.iter().enumerate() {
            let right = COLUMNS.get(i + 1).map_or(1.0, |c| c.4);
            let rect = Rect::from_x_y_ranges(
                area.left() + left * area.width()..=area.left() + right * area.width() - 4.0,
                area.y_range(),
            );
            let r = ui.interact(rect, ui.scope_id().with(("column", i)), Sense::click());
            sorts(&r, name, (self.by == *column).then_some(self.descending));
            if r.clicked() {
                (self.by, self.descending) = (*column, self.by == *column && !self.descending);
            }
            let colour = if r.hovered() || r.has_focus() { view.theme.accent } else { view.theme.ink };
            let font = FontId::new(13.0, strong());
            let at = rect.left_top() + vec2(0.0, 10.0);
            let text = ui.painter().text(at, Align2::LEFT_CENTER, name, font, colour);
            let (at, font) = (rect.left_top() + vec2(0.0, 25.0), FontId::proportional(11.0));
            let painter = ui.painter_at(rect);
            painter.text(at, Align2::LEFT_CENTER, unit, font, view.theme.ink_soft);
            if self.by == *column {
                glyph::order(ui.painter(), text.right_center() + vec2(9.0, 0.0), self.descending, colour);
            }
            r.on_hover_text(format!("{about}. Click to sort by it"));
        }
        ui.painter().hline(area.x_range(), area.bottom(), Stroke::new(1.0, view.theme.line));
    }

    /// What is not known stands last, whichever way round.
    fn order(&self, a: &Line, b: &Line) -> Ordering {
        let turn = |o: Ordering| if self.descending { o.reverse() } else { o };
        let number = |l: &Line| match self.by {
            Column::Centre => l.row.centre.map(|c| c.0.abs()),
            Column::Drift => l.row.movement.map(|m| m.drift_rms),
            Column::Rate => l.row.movement.and_then(|m| m.vibrato_rate_hz),
            Column::Depth => l.row.movement.map(|m| m.vibrato_depth_cents),
            Column::Taken => l.row.strengths.map(|(c, d, v)| c + d + v),
            Column::Note | Column::State => None,
        };
        match self.by {
            Column::Note => turn(a.place.cmp(&b.place)),
            Column::State => turn(a.texts[6].cmp(&b.texts[6])).then(a.place.cmp(&b.place)),
            _ => match (number(a), number(b)) {
                (Some(x), Some(y)) => turn(x.total_cmp(&y)).then(a.place.cmp(&b.place)),
                (x, y) => x.is_none().cmp(&y.is_none()).then(a.place.cmp(&b.place)),
            },
        }
    }
}

fn shown_all(view: &View<'_>) -> bool {
    view.triage.listing.filter.is_open()
}

fn lines(view: &View<'_>) -> Vec<Line> {
    let walk = view.sheet.walk();
    let rows = tuning_table(view.document);
    rows.into_iter()
        .filter_map(|row| {
            let take = view.document.take(row.take).filter(|t| view.triage.listing.filter.shows(t))?;
            let place = walk.iter().position(|t| *t == row.take).unwrap_or(usize::MAX);
            let number = |v: Option<f64>| v.map_or_else(|| "–".into(), |v| format!("{v:.1}"));
            let texts = [
                words::take_name(view.document, take),
                row.centre.map_or_else(|| "–".into(), |c| words::signed(c.0, 1)),
                number(row.movement.map(|m| m.drift_rms)),
                number(row.movement.and_then(|m| m.vibrato_rate_hz)),
                number(row.movement.map(|m| m.vibrato_depth_cents)),
                row.strengths.map_or_else(|| "–".into(), strengths_in_short),
                take.state.word().to_owned(),
            ];
            let mut spoken = texts.clone();
            for (text, column) in spoken.iter_mut().zip(&COLUMNS).filter(|(text, _)| *text != "–") {
                match (column.0, row.strengths) {
                    (Column::Taken, Some(strengths)) => *text = strengths_in_words(strengths),
                    (Column::Centre | Column::Drift | Column::Rate | Column::Depth, _) => {
                        *text += &format!(" {}", column.2);
                    }
                    _ => {}
                }
            }
            Some(Line { row, place, texts, spoken, layer: take.layer })
        })
        .collect()
}

/// Which number is what; one number where all three are the same.
fn strengths_in_words((centre, drift, vibrato): (f64, f64, f64)) -> String {
    let [c, d, v] = [centre, drift, vibrato].map(|s| format!("{:.0}", s * 100.0));
    if c == d && d == v {
        return format!("all three {c} %");
    }
    format!("centre {c}, drift {d}, vibrato {v} %")
}

/// In the order of the heading.
fn strengths_in_short((centre, drift, vibrato): (f64, f64, f64)) -> String {
    [centre, drift, vibrato].map(|s| format!("{:.0}", s * 100.0)).join(", ")
}

/// Draws one line in `rect`; `stop`: Tab comes to it.
fn show(ui: &Ui, view: &View<'_>, line: &Line, rect: Rect, stop: bool) -> Response {
    let t = view.theme;
    let r = one_of_many(ui, rect, tuning_row_id(line.row.take), Sense::click(), stop);
    let chosen = view.is_chosen(line.row.take);
    let texts: Vec<_> = COLUMNS.iter().zip(&line.spoken).map(|(c, text)| format!("{} {text}", c.1)).collect();
    let (name, in_full) = (texts.join(", "), texts.join("\n"));
    r.widget_info(|| WidgetInfo::selected(Role::ListBoxOption, true, chosen, name.clone()));
    let mut is_cut = false;
    if chosen || r.hovered() || r.has_focus() {
        let fill = if chosen { t.chosen() } else { t.sheet };
        ui.painter().rect_filled(rect, 3.0, fill);
    }
    if view.selected == Some(line.row.take) {
        ui.painter().rect_stroke(rect, 3.0, Stroke::new(1.5, t.accent), StrokeKind::Inside);
    }
    for (i, ((_, _, _, _, left), text)) in COLUMNS.iter().zip(&line.texts).enumerate() {
        let right = COLUMNS.get(i + 1).map_or(1.0, |c| c.4);
        let mut at = pos2(rect.left() + left * rect.width(), rect.center().y);
        if i == 0 {
            let edge = Stroke::new(0.8, t.ink);
            layer_sign(ui.painter(), at + vec2(5.0, 0.0), 4.4, line.layer, t.layer(line.layer), edge);
            at.x += 14.0;
        }
        let room = rect.left() + right * rect.width() - 6.0 - at.x;
        let mut job = LayoutJob::simple_singleline(text.clone(), FontId::proportional(13.0), t.ink);
        job.wrap = TextWrapping::truncate_at_width(room.max(0.0));
        let galley = ui.fonts_mut(|f| f.layout_job(job));
        is_cut |= galley.elided;
        ui.painter().galley(at - vec2(0.0, galley.size().y / 2.0), galley, t.ink);
    }
    // What has no room in its column is read here.
    if is_cut { r.on_hover_text(in_full) } else { r }
}
