//! The sheet: notes × layers, wide as a room of its own, narrow beside the other rooms. The wide one
//! can also be a list or the table of tuning.

mod counts;
mod drag;
mod filter;
mod grid;
mod keys;
mod list;
mod menu;
mod names;
mod pick;
mod unread;

use std::collections::HashSet;

use egui::{Align, Button, Layout, RichText, ScrollArea, Ui};

use self::counts::Counts;
use self::drag::Drag;
use self::filter::FilterRow;
use self::grid::{CellForm, GAP, NOTE_WIDTH};
pub(super) use self::grid::{keys_of_focus, note_focus};
use self::names::NamesLine;
use self::unread::UnreadLine;
use super::tuning::{TuningPanel, tuning_row_id};
use crate::app::command::{Command, GoCommand, LookCommand, Room, SessionCommand, WorkCommand};
use crate::app::derived::Listening;
use crate::app::shortcuts::{Action, tip};
use crate::app::theme::strong;
use crate::app::triage::Form;
use crate::app::view::View;
use crate::app::widgets::cell::wave;
use crate::app::widgets::control::{READ_ONLY, key_button, soft};
use crate::app::widgets::glyph;
use crate::app::widgets::in_sight::follow_focus;
use crate::app::words;
use crate::session::{TakeId, TakeState};

/// Width in points under which buttons that are seldom pressed go into a menu.
const COMPACT: f32 = 560.0;

/// The width that the narrow form likes.
pub fn narrow_width(layers: u16) -> f32 {
    let columns = f32::from(layers.clamp(1, 6));
    (NOTE_WIDTH + columns * (CellForm::NARROW.cell.x + GAP) + 32.0).max(190.0)
}

/// The sheet.
#[derive(Debug, Default)]
pub struct SheetPanel {
    filter: FilterRow,
    /// The selected take when last drawn; the sheet scrolls when it changes.
    last_selected: Option<TakeId>,
    /// The take that a selection of several counts from.
    anchor: Option<TakeId>,
    /// A take on its way to another cell.
    drag: Option<Drag>,
    /// Something else had the keys when last drawn.
    keys_elsewhere: bool,
    /// Small waves that were asked for already.
    asked: HashSet<TakeId>,
    tuning: TuningPanel,
    names: NamesLine,
    unread: UnreadLine,
    /// Something lies over the rooms, which Escape closes first.
    pub covered: bool,
}

impl SheetPanel {
    /// Draws the sheet.
    pub fn ui(&mut self, ui: &mut Ui, view: &View<'_>) -> Vec<Command> {
        let mut commands = Vec::new();
        let wide = view.room == Room::Sheet;
        if view.triage.also.is_empty() {
            self.anchor = view.selected;
        }
        self.head(ui, view, wide, &mut commands);
        if wide {
            self.unread.ui(ui, view, &mut commands);
        }
        ui.add_space(4.0);
        if view.document.takes.is_empty() {
            nothing_yet(ui, view);
            if self.keys_are_ours(ui, false) {
                keys::common(ui, view, self.covered, &mut commands);
            }
            return commands;
        }
        match view.triage.listing.form {
            Form::Tuning if wide => self.tuning(ui, view, &mut commands),
            Form::List if wide => self.list(ui, view, &mut commands),
            _ => self.cells(ui, view, wide, &mut commands),
        }
        self.last_selected = view.selected;
        commands
    }

    fn tuning(&mut self, ui: &mut Ui, view: &View<'_>, commands: &mut Vec<Command>) {
        let scroll = view.selected != self.last_selected;
        if let Some(t) = self.tuning.ui(ui, view, scroll, commands) {
            self.walk_list(ui, view, (&t.order, t.page), t.focused, tuning_row_id, commands);
        } else if self.keys_are_ours(ui, false) {
            keys::common(ui, view, self.covered, commands);
        }
    }

    fn cells(&mut self, ui: &mut Ui, view: &View<'_>, wide: bool, commands: &mut Vec<Command>) {
        let form = if wide {
            CellForm::wide(ui.available_size(), view.sheet.layers, view.sheet.notes.len())
        } else {
            let bar = ui.spacing().scroll.allocated_width();
            CellForm::narrow(ui.available_width() - bar, view.sheet.layers)
        };
        let scroll = ScrollArea::both().auto_shrink(false).id_salt(("sheet", wide));
        scroll.show(ui, |ui| {
            let (grid, in_grid) = self.grid(ui, view, form, commands);
            let in_unplaced = self.unplaced(ui, view, form, commands);
            let focused = in_grid || in_unplaced;
            if wide || focused {
                self.walk_grid(ui, view, &grid, focused, commands);
            }
            self.follow_drag(ui, view, &grid, commands);
            follow_focus(ui);
        });
    }

    fn head(&mut self, ui: &mut Ui, view: &View<'_>, wide: bool, commands: &mut Vec<Command>) {
        let counts = Counts::of(view);
        let compact = wide && ui.max_rect().width() < COMPACT;
        ui.horizontal(|ui| {
            let words = format!("{} of {} decided", counts.decided(), words::takes(counts.all()));
            let about = format!("{words}: {}", counts.words());
            glyph::ring(ui, counts.shares(), if wide { 34.0 } else { 28.0 }, &words, view.theme)
                .on_hover_text(about);
            ui.vertical(|ui| {
                ui.spacing_mut().item_spacing.y = 1.0;
                if wide {
                    let filtered = !view.triage.listing.filter.is_open();
                    let more = if compact { 80.0 } else { 0.0 } + if filtered { 170.0 } else { 0.0 };
                    ui.set_max_width((ui.available_width() - more).max(60.0));
                    ui.label(RichText::new(&words).family(strong()));
                    ui.add(egui::Label::new(soft(counts.words(), view.theme)).truncate());
                } else {
                    let short = format!("{} of {}", counts.decided(), counts.all());
                    ui.label(RichText::new(short).family(strong()));
                    ui.label(soft("decided", view.theme)).on_hover_text(counts.words());
                }
            });
            if !wide {
                return;
            }
            ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
                if compact {
                    // In a small window the cells need the room more.
                    let more = ui.menu_button("More", |ui| {
                        going_on(ui, view, commands);
                        if view.triage.listing.form == Form::Cells {
                            self.filter.hiding(ui, view);
                        }
                        folder(ui, view, commands);
                    });
                    let about = "Going on by itself, hiding other notes, survey again, open another";
                    more.response.on_hover_text(about);
                }
                FilterRow::shown(ui, view, &counts, commands);
            });
        });
        if !wide {
            next_to_look_at(ui, &counts, commands);
            return;
        }
        ui.horizontal_wrapped(|ui| actions(ui, view, &counts, commands));
        if !view.document.takes.is_empty() {
            self.filter.ui(ui, view, &counts, commands);
        }
        self.names.ui(ui, view);
    }
}

fn actions(ui: &mut Ui, view: &View<'_>, counts: &Counts, commands: &mut Vec<Command>) {
    let read_only = view.read_only.then_some(READ_ONLY);
    let propose = "Fills in tuning, trim and loop of every new take, and of those that are still being found; you \
                   decide afterwards";
    let finding = !view.derived.listening().is_empty() || view.jobs.iter().any(|j| j.finds);
    let none_new = (counts.state(TakeState::New) == 0 && !finding).then_some("No take is new");
    if key_button(ui, "Propose all", propose, Action::ProposeAll, read_only.or(none_new)) {
        commands.push(Command::Work(WorkCommand::ProposeAll));
    }
    let score = view.document.setup.accept_score;
    let accept = format!(
        "Accepts every proposed take with a loop score of at least {score:.0} (0 to 100) and no concern that needs a look"
    );
    let none = (counts.state(TakeState::Proposed) == 0).then_some("No take is proposed; propose all first");
    if key_button(ui, "Accept what passes", &accept, Action::AcceptPassing, read_only.or(none)) {
        commands.push(Command::Work(WorkCommand::AcceptPassing));
    }
    next_to_look_at(ui, counts, commands);
    if ui.max_rect().width() >= COMPACT {
        going_on(ui, view, commands);
        folder(ui, view, commands);
    }
}

fn going_on(ui: &mut Ui, view: &View<'_>, commands: &mut Vec<Command>) {
    let mut go_on = view.triage.go_on;
    let about = "After accepting or setting aside a take, the next one that is not decided is selected";
    if ui
        .checkbox(&mut go_on, "Go on after deciding")
        .on_hover_text(tip(ui.ctx(), about, Action::GoOn))
        .changed()
    {
        commands.push(Command::Look(LookCommand::GoOn(go_on)));
    }
}

fn folder(ui: &mut Ui, view: &View<'_>, commands: &mut Vec<Command>) {
    let again = "Looks through the folder again: new files come in, what you did stays";
    let survey = ui.add_enabled(!view.read_only, Button::new("Survey again")).on_hover_text(again);
    if survey.on_disabled_hover_text(READ_ONLY).clicked() {
        commands.push(Command::Work(WorkCommand::Survey));
    }
    if key_button(ui, "Open…", "Opens another folder", Action::OpenFolder, None) {
        commands.push(Command::Session(SessionCommand::ChooseFolder));
    }
}

fn next_to_look_at(ui: &mut Ui, counts: &Counts, commands: &mut Vec<Command>) {
    let about = "The next take shown that is not decided";
    let none = (counts.open() == 0).then_some("Every take is decided");
    if key_button(ui, "Next to look at", about, Action::NextToLookAt, none) {
        commands.push(Command::Go(GoCommand::NextToLookAt));
    }
}

fn nothing_yet(ui: &mut Ui, view: &View<'_>) {
    ui.add_space(24.0);
    let text = if view.jobs.is_empty() {
        "There are no takes here yet. Drop sound files or a folder onto the window, or survey again."
    } else {
        "Listening through the files; takes appear here as they are found."
    };
    ui.label(soft(text, view.theme));
    ui.add_space(12.0);
    view.derived.listening().iter().for_each(|l| listening(ui, view, l));
}

/// A long file while it is listened through: its wave as far as it was read.
fn listening(ui: &mut Ui, view: &View<'_>, l: &Listening) {
    let name = l.path.file_name().unwrap_or(l.path.as_os_str()).to_string_lossy();
    let words = format!("{name}: {:.0} % listened through", l.done * 100.0);
    ui.label(&words);
    let size = egui::vec2(ui.available_width().min(900.0), 72.0);
    let (rect, r) = ui.allocate_exact_size(size, egui::Sense::hover());
    r.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Image, true, format!("Wave of {words}")));
    ui.painter().rect_filled(rect, 3.0, view.theme.sheet);
    if let Some(columns) = &l.wave {
        wave(&ui.painter_at(rect), rect.shrink(4.0), columns, view.theme.ink_soft);
    }
    ui.add_space(8.0);
}
