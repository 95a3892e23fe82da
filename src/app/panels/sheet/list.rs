//! The takes as a list: a row for each, sorted by what the user looks for.

use egui::{Align2, FontId, Id, Rect, Role, ScrollArea, Sense, Stroke, Ui, WidgetInfo, pos2, vec2};

use super::grid::{changed, goes, keys_of_focus, note_focus};
use super::pick::{Pick, picked};
use super::{SheetPanel, menu};
use crate::app::command::{Command, GoCommand};
use crate::app::theme::strong;
use crate::app::triage::{Listing, Order, StateFilter};
use crate::app::view::View;
use crate::app::widgets::cell::{one_of_many, sorts};
use crate::app::widgets::control::soft;
use crate::app::widgets::glyph;
use crate::app::widgets::in_sight::follow_focus;
use crate::app::words;
use crate::render::tuning::tuning_row;
use crate::session::{Take, TakeId};

const ROW: f32 = 26.0;
/// Height of the names of the columns, with their units below them.
const HEAD: f32 = 36.0;
const CHANGED: &str = "Changed since the delivery; delivering again writes it anew";

/// A column: what it sorts by, its name, what it says, where it begins (a part of the width), and
/// whether it holds numbers, which stand at its right edge.
struct Column {
    order: Order,
    name: &'static str,
    about: &'static str,
    left: f32,
    number: bool,
}

impl Column {
    /// The unit of what stands below its name.
    fn unit(&self) -> &'static str {
        match self.order {
            Order::Centre => "cents",
            Order::Level => "dB",
            _ => "",
        }
    }
}

const fn column(order: Order, name: &'static str, about: &'static str, left: f32, number: bool) -> Column {
    Column { order, name, about, left, number }
}

const COLUMNS: [Column; 6] = [
    column(Order::Sheet, "Note", "Note and layer", 0.0, false),
    column(Order::Look, "State", "How far it has come; what needs a look first", 0.19, false),
    column(Order::Concern, "Concern", "The worst of what is wrong with it", 0.38, false),
    column(Order::Score, "Score", "How alike the two ends of the loop are: 100 is best", 0.62, true),
    column(Order::Centre, "Centre", "How far the take as recorded is from its target, in cents", 0.73, true),
    column(Order::Level, "Level", "Level of the take as recorded, in dB below full scale", 0.87, true),
];

/// The takes from one row to another.
pub(super) fn between(order: &[TakeId], from: TakeId, to: TakeId) -> Vec<TakeId> {
    let at = |id: TakeId| order.iter().position(|t| *t == id);
    match (at(from), at(to)) {
        (Some(a), Some(b)) => order[a.min(b)..=a.max(b)].to_vec(),
        _ => vec![to],
    }
}

fn row_id(take: TakeId) -> Id {
    Id::unique(("list row", take))
}

impl SheetPanel {
    /// Draws the list.
    pub(super) fn list(&mut self, ui: &mut Ui, view: &View<'_>, commands: &mut Vec<Command>) {
        head(ui, view, commands);
        if view.triage.listing.filter.state == StateFilter::Missing {
            missing(ui, view);
            return;
        }
        let order = view.triage.listing.walk(view.document, view.sheet);
        if order.is_empty() {
            ui.add_space(16.0);
            ui.label(soft("No take is like this. “Show all” clears the filter.", view.theme));
            return;
        }
        ui.spacing_mut().item_spacing.y = 0.0;
        let mut focused = false;
        // Tab comes to one row.
        let stop = view.selected.filter(|id| order.contains(id)).unwrap_or(order[0]);
        let page = (ui.available_height() / ROW).floor().max(2.0) as i64 - 1;
        ScrollArea::vertical().auto_shrink(false).id_salt("list").show_viewport(ui, |ui, seen| {
            let size = vec2(ui.available_width(), order.len() as f32 * ROW);
            let (area, _) = ui.allocate_exact_size(size, Sense::hover());
            for (i, id) in order.iter().enumerate() {
                let y = i as f32 * ROW;
                let rect = Rect::from_min_size(area.min + vec2(0.0, y), vec2(area.width(), ROW));
                if view.selected == Some(*id) && view.selected != self.last_selected {
                    ui.scroll_to_rect(rect, None);
                }
                // That row is there even where it is not seen, so that it can have the focus.
                if (y + ROW < seen.top() || y > seen.bottom()) && *id != stop {
                    continue;
                }
                let Some(take) = view.document.take(*id) else { continue };
                focused |= self.row(ui, view, take, (rect, *id == stop), &order, commands);
            }
            follow_focus(ui);
        });
        self.walk_list(ui, view, (&order, page), focused, row_id, commands);
    }

    /// Draws one row; whether it has the keyboard's focus.
    fn row(
        &mut self,
        ui: &Ui,
        view: &View<'_>,
        take: &Take,
        (rect, stop): (Rect, bool),
        order: &[TakeId],
        commands: &mut Vec<Command>,
    ) -> bool {
        let t = view.theme;
        let id = row_id(take.id);
        let keys = keys_of_focus(ui, id, Some(take.id), view);
        let r = one_of_many(ui, rect, id, Sense::click(), stop);
        let texts = texts(view, take);
        let name = COLUMNS[2..].iter().zip(&texts[2..]).map(|(c, text)| match c.unit() {
            unit if unit.is_empty() || text == NONE => format!("{} {text}", c.name),
            unit => format!("{} {text} {unit}", c.name),
        });
        let mut name = format!("{}: {}, {}", texts[0], texts[1], name.collect::<Vec<_>>().join(", "));
        if changed(view, take) {
            name += ", changed since the delivery";
        }
        let chosen = view.is_chosen(take.id);
        r.widget_info(|| WidgetInfo::selected(Role::ListBoxOption, true, chosen, name.clone()));
        if chosen || r.hovered() {
            ui.painter().rect_filled(rect, 3.0, if chosen { t.chosen() } else { t.sheet });
        }
        if view.selected == Some(take.id) {
            ui.painter().rect_stroke(rect, 3.0, Stroke::new(1.5, t.accent), egui::StrokeKind::Inside);
        }
        paint(ui, view, take, rect, &texts);
        if keys.is_empty() {
            let pick = Pick { id: take.id, anchor: &mut self.anchor };
            picked(ui, view, &r, pick, |from, to| between(order, from, to), commands);
        }
        commands.extend(keys);
        menu::context(&r, view, take, commands);
        let focused = note_focus(ui, &r, id);
        let concern = take.worst_concern().map(|c| words::typeset(&c.text));
        let changed = changed(view, take).then(|| CHANGED.to_owned());
        let goes = goes(view, take).map(|(_, about)| about);
        let about: Vec<String> = [concern, goes, changed].into_iter().flatten().collect();
        if !about.is_empty() {
            r.on_hover_text(about.join("\n"));
        }
        focused
    }
}

/// What stands where nothing is known.
const NONE: &str = "–";

/// The texts of a row, without the units of the columns.
fn texts(view: &View<'_>, take: &Take) -> [String; 6] {
    let dash = || NONE.to_owned();
    let centre = tuning_row(take, view.document.setup.a4).centre;
    [
        words::take_name(view.document, take),
        take.state.word().to_owned(),
        concern_words(view, take).unwrap_or_else(dash),
        take.loop_score().map_or_else(dash, |s| format!("{s:.0}")),
        centre.map_or_else(dash, |c| words::signed(c.0, 1)),
        words::decibels(take.level.0).trim_end_matches(" dB").to_owned(),
    ]
}

/// What is wrong with it; where it goes out as another note, that first.
fn concern_words(view: &View<'_>, take: &Take) -> Option<String> {
    let concern = take.worst_concern().map(|c| c.kind.words());
    match (words::goes(view.document, take), concern) {
        (Some(goes), Some(concern)) => Some(format!("{goes}, {concern}")),
        (goes, concern) => goes.or(concern.map(str::to_owned)),
    }
}

/// Left and right edge of a column.
fn edges(i: usize, area: Rect) -> (f32, f32) {
    let right = COLUMNS.get(i + 1).map_or(1.0, |c| c.left);
    (area.left() + COLUMNS[i].left * area.width() + 4.0, area.left() + right * area.width() - 12.0)
}

fn paint(ui: &Ui, view: &View<'_>, take: &Take, rect: Rect, texts: &[String; 6]) {
    let t = view.theme;
    let painter = ui.painter();
    for (i, text) in texts.iter().enumerate() {
        let (left, right) = edges(i, rect);
        let y = rect.center().y;
        let mut x = left;
        match COLUMNS[i].order {
            Order::Sheet => {
                glyph::layer_patch(painter, pos2(x, y), take.layer, t);
                x += 12.0;
            }
            Order::Look => {
                glyph::state(painter, pos2(x + 6.0, y), 5.5, take.state, t);
                x += 20.0;
            }
            Order::Concern if !take.concerns.is_empty() || goes(view, take).is_some() => {
                let back = if view.is_chosen(take.id) { t.chosen() } else { t.paper };
                glyph::concern(painter, pos2(x + 6.0, y), 5.5, t.warn, back);
                x += 20.0;
            }
            _ => {}
        }
        let mut job =
            egui::text::LayoutJob::simple_singleline(text.clone(), FontId::proportional(13.0), t.ink);
        job.wrap = egui::text::TextWrapping::truncate_at_width(right - x + 8.0);
        let galley = painter.layout_job(job);
        if COLUMNS[i].order == Order::Look && changed(view, take) {
            let sign = pos2((x + galley.size().x + 12.0).min(right + 2.0), y);
            glyph::changed(painter, sign, 5.0, t.ink);
        }
        if COLUMNS[i].number {
            x = right - galley.size().x;
        }
        painter.galley(pos2(x, y - galley.size().y / 2.0), galley, t.ink);
    }
}

/// The names of the columns; a click sorts by one, a second turns the order round.
fn head(ui: &mut Ui, view: &View<'_>, commands: &mut Vec<Command>) {
    // The rows below leave room for their scroll bar.
    let width = ui.available_width() - ui.spacing().scroll.allocated_width();
    let (area, _) = ui.allocate_exact_size(vec2(width, HEAD), Sense::hover());
    let now = view.triage.listing;
    for (i, c) in COLUMNS.iter().enumerate() {
        let (left, right) = edges(i, area);
        let rect = Rect::from_x_y_ranges(left..=right, area.y_range());
        let r = ui.interact(rect, ui.scope_id().with(("list column", i)), Sense::click());
        let here = now.order == c.order;
        sorts(&r, c.name, here.then_some(now.descending));
        if r.clicked() {
            let next = Listing { order: c.order, descending: here && !now.descending, ..now };
            commands.push(Command::Go(GoCommand::List(next)));
        }
        let colour = if r.hovered() || r.has_focus() { view.theme.accent } else { view.theme.ink };
        let font = FontId::new(13.0, strong());
        let y = rect.top() + 10.0;
        let (at, align) = if c.number {
            (pos2(right, y), Align2::RIGHT_CENTER)
        } else {
            (pos2(left, y), Align2::LEFT_CENTER)
        };
        let text = ui.painter().text(at, align, c.name, font, colour);
        let (below, small) = (pos2(at.x, rect.top() + 25.0), FontId::proportional(11.0));
        ui.painter().text(below, align, c.unit(), small, view.theme.ink_soft);
        if here {
            let at = if c.number {
                text.left_center() - vec2(9.0, 0.0)
            } else {
                text.right_center() + vec2(9.0, 0.0)
            };
            glyph::order(ui.painter(), at, now.descending, colour);
        }
        r.on_hover_text(format!("{}. Click to sort by it, again to turn it round", c.about));
    }
    ui.painter().hline(area.x_range(), area.bottom(), Stroke::new(1.0, view.theme.line));
}

/// The places without a take.
fn missing(ui: &mut Ui, view: &View<'_>) {
    let places = view.sheet.missing();
    if places.is_empty() {
        ui.add_space(16.0);
        ui.label(soft("No place is missing: every note has a take in every layer.", view.theme));
        return;
    }
    ScrollArea::vertical().auto_shrink(false).id_salt("missing").show_rows(
        ui,
        ROW,
        places.len(),
        |ui, range| {
            for (note, layer) in &places[range] {
                let name = words::note(view.document, *note);
                ui.label(format!("{name}, layer {}: missing; nobody played it", u32::from(*layer) + 1));
            }
        },
    );
}
