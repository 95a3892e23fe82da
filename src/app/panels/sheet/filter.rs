//! The row above the takes: in which form they stand, which of them, in which order.

use egui::{Align, Button, Checkbox, ComboBox, DragValue, Label, Layout, Ui, vec2};

use super::counts::Counts;
use crate::app::command::{Command, GoCommand};
use crate::app::quantity;
use crate::app::triage::{ConcernFilter, Filter, Form, Listing, Order, StateFilter};
use crate::app::view::View;
use crate::app::widgets::control::{escaped, list_line, soft, switch};
use crate::app::widgets::typed::Typed;
use crate::session::{ConcernKind, TakeState};

const UNDER_TIP: &str = "Only takes whose loop score (how alike its two ends are, 100 is best) is under this; takes without a \
                         loop are among them";
/// What "loop score under" begins with: just what "accept what passes" leaves over is a good guess.
const FIRST_UNDER: f64 = 70.0;

/// The row.
#[derive(Debug, Default)]
pub(super) struct FilterRow {
    /// Rows of the grid in which nothing is shown are left out.
    pub hide_rows: bool,
}

impl FilterRow {
    pub fn ui(&mut self, ui: &mut Ui, view: &View<'_>, counts: &Counts, commands: &mut Vec<Command>) {
        let now = view.triage.listing;
        let mut next = now;
        ui.horizontal_wrapped(|ui| {
            // In a small window all of it is to stand in one row.
            let compact = ui.max_rect().width() < super::COMPACT;
            let gap = if compact { 0.0 } else { 6.0 };
            ui.spacing_mut().item_spacing.x = 6.0;
            forms(ui, view, &mut next.form);
            ui.add_space(gap);
            states(ui, &mut next.filter, counts, if compact { 104.0 } else { 128.0 });
            concerns(ui, view, &mut next.filter, if compact { 130.0 } else { 150.0 });
            under(ui, &mut next.filter, compact);
            ui.add_space(gap);
            // In a small window the names of the columns are there to sort by.
            if next.form == Form::List && !compact {
                order(ui, &mut next);
            } else if next.form == Form::Cells && !compact {
                self.hiding(ui, view);
            }
        });
        if next != now {
            commands.push(Command::Go(GoCommand::List(next)));
        }
    }
}

impl FilterRow {
    /// Whether rows in which nothing is shown are left out.
    pub fn hiding(&mut self, ui: &mut Ui, view: &View<'_>) {
        let filtered = !view.triage.listing.filter.is_open();
        ui.add_enabled(filtered, Checkbox::new(&mut self.hide_rows, "Hide other notes"))
            .on_hover_text("Leaves out notes of which nothing is shown")
            .on_disabled_hover_text("Leaves out notes of which nothing is shown; all are shown now");
    }

    /// How many are shown, and the way back to all: in the line of the counts, where there is room, so that
    /// the takes stay where they are when a filter is set. From right to left.
    pub fn shown(ui: &mut Ui, view: &View<'_>, counts: &Counts, commands: &mut Vec<Command>) {
        let now = view.triage.listing;
        if now.filter.is_open() {
            return;
        }
        if ui.add(Button::new("Show all")).on_hover_text("Clears the filter").clicked() {
            commands.push(Command::Go(GoCommand::List(Listing { filter: Filter::default(), ..now })));
        }
        ui.add(Label::new(soft(shown_words(view, counts), view.theme)).truncate());
    }
}

fn shown_words(view: &View<'_>, counts: &Counts) -> String {
    let filter = view.triage.listing.filter;
    if filter.state == StateFilter::Missing {
        return format!("{} missing", counts.missing());
    }
    let shown = view.document.takes.iter().filter(|t| filter.shows(t)).count();
    format!("{shown} of {} shown", counts.all())
}

fn forms(ui: &mut Ui, view: &View<'_>, form: &mut Form) {
    ui.spacing_mut().item_spacing.x = 2.0;
    for (which, name, about) in [
        (Form::Cells, "Cells", "Notes down, layers across"),
        (Form::List, "List", "A row for each take; sorts by what needs a look, by concern, by score"),
        (Form::Tuning, "Tuning", "Every take's centre, drift and vibrato as a table; flatten all at once"),
    ] {
        if ui.add(switch(name, *form == which, 14.0, view.theme)).on_hover_text(about).clicked() {
            *form = which;
        }
    }
    ui.spacing_mut().item_spacing.x = 6.0;
}

fn choice<T: PartialEq + Copy>(
    ui: &mut Ui,
    (name, about): (&str, &str),
    width: f32,
    now: &mut T,
    all: &[(T, String)],
) {
    let text = all.iter().find(|(v, _)| v == now).map_or("", |(_, t)| t);
    let hover = format!("{about}.\nNow: {text}");
    // As wide whatever is chosen, so that nothing beside or below it moves.
    let combo = ComboBox::from_id_salt(name).selected_text(text).width(width).truncate();
    let size = vec2(width, ui.spacing().interact_size.y);
    let shown = ui.allocate_ui_with_layout(size, Layout::left_to_right(Align::Center), |ui| {
        combo.height(420.0).show_ui(ui, |ui| {
            for (value, text) in all {
                if list_line(ui, now == value, text) {
                    *now = *value;
                }
            }
        })
    });
    shown.inner.response.accessible_name(name).on_hover_text(hover);
}

fn states(ui: &mut Ui, filter: &mut Filter, counts: &Counts, width: f32) {
    let only = |s: TakeState| (StateFilter::Only(s), format!("{} ({})", s.word(), counts.state(s)));
    let all = [
        (StateFilter::All, "all takes".to_owned()),
        (StateFilter::Open, format!("needs a look ({})", counts.open())),
        only(TakeState::New),
        only(TakeState::Proposed),
        only(TakeState::Accepted),
        only(TakeState::SetAside),
        (StateFilter::Missing, format!("missing ({})", counts.missing())),
    ];
    choice(
        ui,
        ("Show states", "Which takes are shown, by how far they have come"),
        width,
        &mut filter.state,
        &all,
    );
}

fn concerns(ui: &mut Ui, view: &View<'_>, filter: &mut Filter, width: f32) {
    let count = |f: ConcernFilter| {
        let filter = Filter { concern: f, ..Filter::default() };
        view.document.takes.iter().filter(|t| filter.shows(t)).count()
    };
    let mut all = vec![
        (ConcernFilter::All, "concerns: all".to_owned()),
        (ConcernFilter::Any, format!("with a concern ({})", count(ConcernFilter::Any))),
        (ConcernFilter::None, format!("without a concern ({})", count(ConcernFilter::None))),
    ];
    let mut kinds: Vec<ConcernKind> =
        view.document.takes.iter().flat_map(|t| t.concerns.iter().map(|c| c.kind)).collect();
    if let ConcernFilter::Kind(k) = filter.concern {
        kinds.push(k);
    }
    kinds.sort_unstable();
    kinds.dedup();
    for k in kinds {
        let which = ConcernFilter::Kind(k);
        all.push((which, format!("{} ({})", k.words(), count(which))));
    }
    choice(
        ui,
        ("Show concerns", "Which takes are shown, by what is wrong with them"),
        width,
        &mut filter.concern,
        &all,
    );
}

fn under(ui: &mut Ui, filter: &mut Filter, compact: bool) {
    let mut on = filter.under.is_some();
    let name = "Loop score under";
    let words = if compact { "Score under" } else { name };
    if ui.checkbox(&mut on, words).accessible_name(name).on_hover_text(UNDER_TIP).changed() {
        filter.under = on.then_some(FIRST_UNDER);
    }
    if let Some(now) = filter.under {
        let mut most = now;
        let read = |text: &str| quantity::parse(text, "", None);
        let typed = Typed { range: 0.0..=100.0, unit: "", decimals: 0, read: &read, write: None };
        let field = DragValue::new(&mut most).range(0.0..=100.0).max_decimals(0);
        let r =
            typed.drag(ui, field, now).accessible_name("Loop score under, 0 to 100").on_hover_text(UNDER_TIP);
        filter.under = Some(escaped(ui, &r, now).unwrap_or(most));
    }
}

fn order(ui: &mut Ui, next: &mut Listing) {
    let all = [
        (Order::Sheet, "as in the sheet".to_owned()),
        (Order::Look, "needs a look first".to_owned()),
        (Order::Concern, "worst concern first".to_owned()),
        (Order::Score, "by score".to_owned()),
        (Order::Centre, "by centre".to_owned()),
        (Order::Level, "by level".to_owned()),
    ];
    let before = next.order;
    choice(
        ui,
        ("Sort", "In which order the takes stand; a click on a column's name does the same"),
        140.0,
        &mut next.order,
        &all,
    );
    if next.order != before {
        next.descending = false;
    }
}
