//! The sheet: notes × layers, wide as a room of its own, narrow beside the other rooms.

use std::collections::HashSet;

use egui::{
    Align2, Button, EventFilter, FontId, Id, Key, Modifiers, Rect, RichText, ScrollArea, Sense, Ui, pos2,
    vec2,
};

use super::tuning::TuningPanel;
use crate::app::command::{Command, GoCommand, Room, SessionCommand, WorkCommand};
use crate::app::shortcuts::Action;
use crate::app::theme::strong;
use crate::app::thumbs::lacking;
use crate::app::view::View;
use crate::app::widgets::cell::{CellLook, cell};
use crate::app::widgets::control::{key_button, soft};
use crate::app::widgets::glyph;
use crate::app::words;
use crate::session::{Take, TakeId, TakeState};
use crate::units::MidiNote;

/// Why nothing can be changed.
const READ_ONLY: &str = "Another program has this session open; nothing can be changed here";
const NOTE_WIDTH: f32 = 42.0;
const HEAD_HEIGHT: f32 = 26.0;
const GAP: f32 = 4.0;

/// The width that the narrow form likes.
pub fn narrow_width(layers: u16) -> f32 {
    let columns = f32::from(layers.clamp(1, 6));
    (NOTE_WIDTH + columns * (Form::NARROW.cell.x + GAP) + 32.0).max(190.0)
}

#[derive(Debug, Clone, Copy)]
struct Form {
    wide: bool,
    cell: egui::Vec2,
}

impl Form {
    const NARROW: Self = Self { wide: false, cell: vec2(40.0, 32.0) };

    /// The wide form shares out the width among the layers.
    fn wide(available: f32, layers: u16) -> Self {
        let columns = f32::from(layers.max(1));
        let width = ((available - NOTE_WIDTH - 16.0) / columns - GAP).clamp(96.0, 340.0);
        Self { wide: true, cell: vec2(width, 56.0) }
    }
}

/// The sheet.
#[derive(Debug, Default)]
pub struct SheetPanel {
    /// Leaves out rows in which nothing needs a look.
    only_open: bool,
    /// The selected take when last drawn; the sheet scrolls when it changes.
    last_selected: Option<TakeId>,
    /// Small waves that were asked for already.
    asked: HashSet<TakeId>,
    /// The table of tuning stands where the cells are.
    as_table: bool,
    tuning: TuningPanel,
}

/// A take's place in the grid as drawn.
struct Row {
    note: MidiNote,
    y: f32,
}

impl SheetPanel {
    /// Draws the sheet.
    pub fn ui(&mut self, ui: &mut Ui, view: &View<'_>) -> Vec<Command> {
        let mut commands = Vec::new();
        let wide = view.room == Room::Sheet;
        let form = if wide { Form::wide(ui.available_width(), view.sheet.layers) } else { Form::NARROW };
        self.head(ui, view, wide, &mut commands);
        ui.add_space(4.0);
        if view.document.takes.is_empty() {
            nothing_yet(ui, view);
            return commands;
        }
        if wide && self.as_table {
            commands.extend(self.tuning.ui(ui, view));
            return commands;
        }
        let scroll = ScrollArea::both().auto_shrink(false).id_salt(("sheet", wide));
        scroll.show(ui, |ui| {
            self.grid(ui, view, form, &mut commands);
            self.unplaced(ui, view, form, &mut commands);
        });
        self.last_selected = view.selected;
        commands
    }

    fn head(&mut self, ui: &mut Ui, view: &View<'_>, wide: bool, commands: &mut Vec<Command>) {
        let counts = Counts::of(view);
        ui.horizontal(|ui| {
            let words = format!("{} of {} decided", counts.decided(), words::takes(counts.all()));
            glyph::ring(ui, counts.decided_share(), if wide { 34.0 } else { 28.0 }, &words, view.theme);
            ui.vertical(|ui| {
                ui.spacing_mut().item_spacing.y = 1.0;
                if wide {
                    ui.label(RichText::new(&words).family(strong()));
                    ui.label(soft(counts.words(), view.theme));
                } else {
                    let short = format!("{} of {}", counts.decided(), counts.all());
                    ui.label(RichText::new(short).family(strong()));
                    ui.label(soft("decided", view.theme)).on_hover_text(counts.words());
                }
            });
        });
        if !wide {
            next_to_look_at(ui, &counts, commands);
            return;
        }
        ui.horizontal_wrapped(|ui| self.actions(ui, view, &counts, commands));
    }

    fn actions(&mut self, ui: &mut Ui, view: &View<'_>, counts: &Counts, commands: &mut Vec<Command>) {
        let read_only = view.read_only.then_some(READ_ONLY);
        let propose = "Fills in tuning, trim and loop of every new take; you decide afterwards";
        let none_new = (counts.state(TakeState::New) == 0).then_some("No take is new");
        if key_button(ui, "Propose all", propose, Action::ProposeAll, read_only.or(none_new)) {
            commands.push(Command::Work(WorkCommand::ProposeAll));
        }
        let score = view.document.setup.accept_score;
        let accept = format!(
            "Accepts every proposed take with a loop score of at least {score:.0} (0 to 100) and no concern that needs a look"
        );
        let none =
            (counts.state(TakeState::Proposed) == 0).then_some("No take is proposed; propose all first");
        if key_button(ui, "Accept what passes", &accept, Action::AcceptPassing, read_only.or(none)) {
            commands.push(Command::Work(WorkCommand::AcceptPassing));
        }
        next_to_look_at(ui, counts, commands);
        let again = "Looks through the folder again: new files come in, what you did stays";
        let survey = ui.add_enabled(!view.read_only, Button::new("Survey again")).on_hover_text(again);
        if survey.on_disabled_hover_text(READ_ONLY).clicked() {
            commands.push(Command::Work(WorkCommand::Survey));
        }
        ui.selectable_value(&mut self.as_table, false, "Cells").on_hover_text("Notes down, layers across");
        ui.selectable_value(&mut self.as_table, true, "Tuning")
            .on_hover_text("Every take's centre, drift and vibrato as a table; flatten all at once");
        ui.checkbox(&mut self.only_open, "Only rows with something to look at")
            .on_hover_text("Leaves out notes whose takes are all there and decided");
        let open = "Opens another folder";
        if key_button(ui, "Open…", open, Action::OpenFolder, None) {
            commands.push(Command::Session(SessionCommand::ChooseFolder));
        }
    }

    fn rows(&self, view: &View<'_>, form: Form) -> Vec<Row> {
        let mut y = HEAD_HEIGHT;
        let mut rows = Vec::new();
        for note in &view.sheet.notes {
            if self.only_open && !row_is_open(view, *note) {
                continue;
            }
            rows.push(Row { note: *note, y });
            y += form.cell.y + GAP;
        }
        rows
    }

    fn grid(&mut self, ui: &mut Ui, view: &View<'_>, form: Form, commands: &mut Vec<Command>) {
        let rows = self.rows(view, form);
        let layers = view.sheet.layers;
        let width = NOTE_WIDTH + f32::from(layers) * (form.cell.x + GAP);
        let height = HEAD_HEIGHT + rows.len() as f32 * (form.cell.y + GAP);
        let (area, _) = ui.allocate_exact_size(vec2(width, height), Sense::hover());
        let clip = ui.clip_rect();
        let mut focused = false;
        let mut visible = Vec::new();
        for row in &rows {
            for layer in 0..layers {
                let x = area.left() + NOTE_WIDTH + f32::from(layer) * (form.cell.x + GAP);
                let rect = Rect::from_min_size(pos2(x, area.top() + row.y), form.cell);
                let takes = view.sheet.at(row.note, layer);
                self.scroll_to_new(ui, view, rect, takes);
                if !clip.intersects(rect) {
                    continue;
                }
                visible.extend(takes.first().and_then(|id| view.document.take(*id)));
                let id = ui.scope_id().with(("cell", row.note, layer));
                focused |= one_cell(ui, view, rect, id, (row.note, layer), form, commands);
            }
        }
        paint_edges(ui, view, area, form, &rows);
        self.ask_for_waves(view, &visible, commands);
        if view.room == Room::Sheet || focused {
            walk(ui, view, &rows, focused, commands);
        }
    }

    /// Keeps a newly selected take in view, with the sticky edges taken into account.
    fn scroll_to_new(&self, ui: &Ui, view: &View<'_>, rect: Rect, takes: &[TakeId]) {
        if view.selected != self.last_selected && view.selected.is_some_and(|id| takes.contains(&id)) {
            let with_edges = Rect::from_min_max(rect.min - vec2(NOTE_WIDTH, HEAD_HEIGHT + GAP), rect.max);
            ui.scroll_to_rect(with_edges, None);
        }
    }

    fn ask_for_waves(
        &mut self,
        view: &View<'_>,
        visible: &[&std::sync::Arc<Take>],
        commands: &mut Vec<Command>,
    ) {
        let lacking = lacking(visible.iter().copied(), view.derived);
        if lacking.iter().any(|id| !self.asked.contains(id)) {
            self.asked.extend(&lacking);
            commands.push(Command::Work(WorkCommand::Thumbnails(lacking)));
        }
    }

    fn unplaced(&mut self, ui: &mut Ui, view: &View<'_>, form: Form, commands: &mut Vec<Command>) {
        if view.sheet.unplaced.is_empty() {
            return;
        }
        ui.add_space(8.0);
        ui.label(RichText::new("Without a note").family(strong())).on_hover_text(
            "Neither the file's name nor the sound says which note these are; give them one in the details",
        );
        let mut visible = Vec::new();
        ui.horizontal_wrapped(|ui| {
            ui.spacing_mut().item_spacing = vec2(GAP, GAP);
            for take in view.sheet.unplaced.iter().filter_map(|id| view.document.take(*id)) {
                let (rect, _) = ui.allocate_exact_size(form.cell, Sense::hover());
                self.scroll_to_new(ui, view, rect, &[take.id]);
                visible.push(take);
                let look = CellLook {
                    place: &words::take_name(view.document, take),
                    take: Some(take),
                    claims: 1,
                    thumb: view.derived.thumb(take).map(|c| &**c),
                    selected: view.selected == Some(take.id),
                    wide: form.wide,
                    audit: view.derived.audit(take),
                    layer: view.theme.layer(take.layer),
                };
                if cell(ui, rect, ui.scope_id().with(("unplaced", take.id)), &look, view.theme).clicked() {
                    commands.push(Command::Go(GoCommand::Select(take.id)));
                }
            }
        });
        self.ask_for_waves(view, &visible, commands);
    }
}

fn next_to_look_at(ui: &mut Ui, counts: &Counts, commands: &mut Vec<Command>) {
    let about = "The next take that is not decided";
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
}

fn row_is_open(view: &View<'_>, note: MidiNote) -> bool {
    (0..view.sheet.layers).any(|layer| {
        let takes = view.sheet.at(note, layer);
        takes.is_empty() || takes.iter().filter_map(|id| view.document.take(*id)).any(|t| t.needs_a_look())
    })
}

/// Draws one cell; whether it has the keyboard's focus.
fn one_cell(
    ui: &Ui,
    view: &View<'_>,
    rect: Rect,
    id: Id,
    (note, layer): (MidiNote, u16),
    form: Form,
    commands: &mut Vec<Command>,
) -> bool {
    let takes = view.sheet.at(note, layer);
    // A selected take that shares its place shows instead of the one that counts.
    let chosen = takes.iter().position(|t| view.selected == Some(*t));
    let shown = takes.get(chosen.unwrap_or(0)).and_then(|t| view.document.take(*t));
    let place = format!("{}, layer {}", words::note(view.document, note), u32::from(layer) + 1);
    let look = CellLook {
        place: &place,
        take: shown.map(|t| &**t),
        claims: takes.len(),
        thumb: shown.and_then(|t| view.derived.thumb(t)).map(|c| &**c),
        selected: chosen.is_some(),
        wide: form.wide,
        audit: shown.and_then(|t| view.derived.audit(t)),
        layer: view.theme.layer(layer),
    };
    let response = cell(ui, rect, id, &look, view.theme);
    if response.clicked() && !takes.is_empty() {
        // Another click on a place with several takes goes to the next of them.
        let next = chosen.map_or(0, |i| (i + 1) % takes.len());
        commands.push(Command::Go(GoCommand::Select(takes[next])));
    }
    if response.double_clicked() && !takes.is_empty() {
        commands.push(Command::Go(GoCommand::Room(Room::Bench)));
    }
    if response.has_focus() {
        let arrows = EventFilter { horizontal_arrows: true, vertical_arrows: true, ..EventFilter::default() };
        ui.memory_mut(|m| m.set_focus_lock_filter(id, arrows));
    }
    response.has_focus()
}

/// The names of notes and layers stay at the edges while the cells scroll below them.
fn paint_edges(ui: &Ui, view: &View<'_>, area: Rect, form: Form, rows: &[Row]) {
    let clip = ui.clip_rect();
    let (left, top) = (area.left().max(clip.left()), area.top().max(clip.top()));
    let painter = ui.painter();
    let theme = view.theme;
    let font = FontId::new(13.0, strong());
    let edge = Rect::from_min_max(pos2(left - 3.0, area.top()), pos2(left + NOTE_WIDTH - GAP, area.bottom()));
    painter.rect_filled(edge, 0.0, theme.paper);
    for row in rows {
        let at = pos2(left + 2.0, area.top() + row.y + form.cell.y / 2.0);
        let name = words::note(view.document, row.note);
        painter.text(at, Align2::LEFT_CENTER, name, font.clone(), theme.ink);
    }
    let head = Rect::from_min_max(
        pos2(clip.left(), top - 3.0),
        pos2(area.right().max(clip.right()), top + HEAD_HEIGHT - GAP),
    );
    painter.rect_filled(head, 0.0, theme.paper);
    for layer in 0..view.sheet.layers {
        let x = area.left() + NOTE_WIDTH + f32::from(layer) * (form.cell.x + GAP);
        if x < left + NOTE_WIDTH - GAP {
            continue;
        }
        let y = top + (HEAD_HEIGHT - GAP) / 2.0;
        glyph::layer_patch(painter, pos2(x + 2.0, y), theme.layer(layer));
        let text = if form.wide { format!("Layer {}", layer + 1) } else { (layer + 1).to_string() };
        painter.text(pos2(x + 12.0, y), Align2::LEFT_CENTER, text, font.clone(), theme.ink);
    }
}

/// Arrows go from cell to cell, over the places that are missing.
fn walk(ui: &Ui, view: &View<'_>, rows: &[Row], focused: bool, commands: &mut Vec<Command>) {
    let other_focus = ui.memory(|m| m.focused().is_some()) && !focused;
    let Some(take) = view.selected_take().filter(|_| !other_focus) else { return };
    let Some(at) = take.note.and_then(|n| rows.iter().position(|r| r.note == n)) else { return };
    let steps =
        [(Key::ArrowDown, 1, 0), (Key::ArrowUp, -1, 0), (Key::ArrowRight, 0, 1), (Key::ArrowLeft, 0, -1)];
    for (key, down, right) in steps {
        if !ui.input_mut(|i| i.consume_key(Modifiers::NONE, key)) {
            continue;
        }
        let (mut row, mut layer) = (at as i64 + down, i64::from(take.layer) + right);
        while (0..rows.len() as i64).contains(&row) && (0..i64::from(view.sheet.layers)).contains(&layer) {
            if let Some(id) = view.sheet.at(rows[row as usize].note, layer as u16).first() {
                commands.push(Command::Go(GoCommand::Select(*id)));
                break;
            }
            row += down;
            layer += right;
        }
    }
}

/// How many takes are how far.
struct Counts {
    by_state: [usize; 4],
    missing: usize,
}

impl Counts {
    fn of(view: &View<'_>) -> Self {
        let mut by_state = [0; 4];
        for t in &view.document.takes {
            by_state[t.state as usize] += 1;
        }
        Self { by_state, missing: view.sheet.missing().len() }
    }

    fn all(&self) -> usize {
        self.by_state.iter().sum()
    }
    fn state(&self, state: TakeState) -> usize {
        self.by_state[state as usize]
    }
    fn decided(&self) -> usize {
        self.state(TakeState::Accepted) + self.state(TakeState::SetAside)
    }
    fn open(&self) -> usize {
        self.all() - self.decided()
    }
    fn decided_share(&self) -> f32 {
        self.decided() as f32 / self.all().max(1) as f32
    }
    fn words(&self) -> String {
        let states = [TakeState::New, TakeState::Proposed, TakeState::Accepted, TakeState::SetAside];
        let mut parts: Vec<_> = states.iter().map(|s| format!("{} {}", self.state(*s), s.word())).collect();
        if self.missing > 0 {
            parts.push(format!("{} missing", self.missing));
        }
        parts.join(" · ")
    }
}
