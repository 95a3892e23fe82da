//! The cells: where each stands, what it shows, what a click or a drag on it means.

use std::sync::Arc;

use egui::{
    Align2, EventFilter, FontId, Id, Key, Modifiers, PointerButton, Rect, Response, Role, Sense, Ui,
    WidgetInfo, pos2, vec2,
};

use super::drag::Drag;
use super::pick::{Pick, picked};
use super::{SheetPanel, menu};
use crate::app::command::{Command, GoCommand, Room, SoundCommand, WorkCommand};
use crate::app::theme::strong;
use crate::app::thumbs::lacking;
use crate::app::triage::Filter;
use crate::app::view::View;
use crate::app::widgets::cell::{CellLook, Standing, cell};
use crate::app::widgets::glyph;
use crate::app::words;
use crate::render::standing::FileStanding;
use crate::session::{Take, TakeId};
use crate::units::MidiNote;

pub(super) const NOTE_WIDTH: f32 = 42.0;
/// The same where there is little room, and the least width of a cell.
const LEAST_NOTE: f32 = 32.0;
const LEAST_CELL: f32 = 20.0;
const HEAD_HEIGHT: f32 = 26.0;
pub(super) const GAP: f32 = 4.0;

/// How large cells are, and whether they have room for words.
#[derive(Debug, Clone, Copy)]
pub(super) struct CellForm {
    pub wide: bool,
    pub cell: egui::Vec2,
    /// Room for the names of the notes.
    pub note: f32,
}

impl CellForm {
    pub const NARROW: Self = Self { wide: false, cell: vec2(40.0, 32.0), note: NOTE_WIDTH };

    /// The form beside the other rooms, in a panel so wide: before a layer has to be scrolled to, cells grow
    /// narrower, as far as their signs stand side by side in them.
    pub fn narrow(room: f32, layers: u16) -> Self {
        let columns = f32::from(layers.max(1));
        let form = Self::NARROW;
        if room >= form.note + columns * (form.cell.x + GAP) {
            return form;
        }
        let width = ((room - LEAST_NOTE) / columns - GAP).floor().clamp(LEAST_CELL, form.cell.x);
        Self { cell: vec2(width, form.cell.y), note: LEAST_NOTE, ..form }
    }

    /// The wide form shares out the width among the layers, and the height among the notes as far as
    /// a sign, a score and a concern leave room to.
    pub fn wide(available: egui::Vec2, layers: u16, notes: usize) -> Self {
        let columns = f32::from(layers.max(1));
        let width = ((available.x - NOTE_WIDTH - 16.0) / columns - GAP).clamp(96.0, 380.0);
        let height = ((available.y - HEAD_HEIGHT) / notes.max(1) as f32 - GAP).clamp(44.0, 92.0);
        Self { wide: true, cell: vec2(width, height.floor()), note: NOTE_WIDTH }
    }
}

/// A note's row in the grid as drawn.
struct Row {
    note: MidiNote,
    y: f32,
}

/// The grid as drawn.
pub(super) struct Grid {
    area: Rect,
    rows: Vec<Row>,
    layers: u16,
    form: CellForm,
}

impl Grid {
    fn rect(&self, row: &Row, layer: u16) -> Rect {
        let x = self.area.left() + self.form.note + f32::from(layer) * (self.form.cell.x + GAP);
        Rect::from_min_size(pos2(x, self.area.top() + row.y), self.form.cell)
    }

    /// The place under a point.
    pub fn place_at(&self, at: egui::Pos2) -> Option<((MidiNote, u16), Rect)> {
        self.rows.iter().flat_map(|r| (0..self.layers).map(move |l| (r, l))).find_map(|(r, l)| {
            let rect = self.rect(r, l);
            rect.contains(at).then_some(((r.note, l), rect))
        })
    }

    pub fn notes(&self) -> Vec<MidiNote> {
        self.rows.iter().map(|r| r.note).collect()
    }
}

/// The takes shown in the rectangle of cells between two takes; the second alone where one of them is in
/// no cell.
fn between(view: &View<'_>, notes: &[MidiNote], from: TakeId, to: TakeId) -> Vec<TakeId> {
    let filter = view.triage.listing.filter;
    let place = |id: TakeId| {
        let t = view.document.take(id)?;
        Some((notes.iter().position(|n| Some(*n) == t.note)?, t.layer))
    };
    let (Some(a), Some(b)) = (place(from), place(to)) else { return vec![to] };
    let (rows, layers) = (a.0.min(b.0)..=a.0.max(b.0), a.1.min(b.1)..=a.1.max(b.1));
    let cells = rows.flat_map(|r| layers.clone().map(move |l| (notes[r], l)));
    let takes = cells.flat_map(|(n, l)| view.sheet.at(n, l));
    let mut all: Vec<TakeId> =
        takes.copied().filter(|id| view.document.take(*id).is_some_and(|t| filter.shows(t))).collect();
    if !all.contains(&to) {
        all.push(to);
    }
    all
}

impl SheetPanel {
    /// Draws the grid; where everything stands, and whether one of its cells has the keyboard's focus.
    pub(super) fn grid(
        &mut self,
        ui: &mut Ui,
        view: &View<'_>,
        form: CellForm,
        commands: &mut Vec<Command>,
    ) -> (Grid, bool) {
        let rows = self.rows(view, form);
        let layers = view.sheet.layers;
        let width = form.note + f32::from(layers) * (form.cell.x + GAP);
        let height = HEAD_HEIGHT + rows.len() as f32 * (form.cell.y + GAP);
        let (area, _) = ui.allocate_exact_size(vec2(width, height), Sense::hover());
        let grid = Grid { area, rows, layers, form };
        let clip = ui.clip_rect();
        let stop = self.stop(view, &grid);
        let mut focused = None;
        let mut visible: Vec<&Arc<Take>> = Vec::new();
        for row in &grid.rows {
            for layer in 0..layers {
                let rect = grid.rect(row, layer);
                let takes = view.sheet.at(row.note, layer);
                self.scroll_to_new(ui, view, rect, takes);
                let is_stop = stop == Some((row.note, layer));
                // That cell is there even where it is not seen, so that it can have the focus.
                if !clip.intersects(rect) && !is_stop {
                    continue;
                }
                visible.extend(takes.first().and_then(|id| view.document.take(*id)));
                let id = cell_id(ui, row.note, layer);
                if self.one_cell(ui, view, &grid, (rect, id, is_stop), (row.note, layer), commands) {
                    focused = Some(id);
                }
            }
        }
        paint_edges(ui, view, &grid);
        self.ask_for_waves(view, &visible, commands);
        (grid, focused.is_some())
    }

    /// The one place that Tab comes to: that of the selected take, or else the first that can be gone to. None
    /// where the selected take stands among those without a note.
    fn stop(&self, view: &View<'_>, grid: &Grid) -> Option<(MidiNote, u16)> {
        if view.selected.is_some_and(|id| view.sheet.unplaced.contains(&id)) {
            return None;
        }
        let places = || grid.rows.iter().flat_map(|r| (0..grid.layers).map(move |l| (r.note, l)));
        let has_selected =
            |(n, l): &(MidiNote, u16)| view.selected.is_some_and(|id| view.sheet.at(*n, *l).contains(&id));
        places().find(has_selected).or_else(|| places().find(|(n, l)| !view.sheet.at(*n, *l).is_empty()))
    }

    fn rows(&self, view: &View<'_>, form: CellForm) -> Vec<Row> {
        let filter = view.triage.listing.filter;
        let hide = form.wide && self.filter.hide_rows && !filter.is_open();
        let mut y = HEAD_HEIGHT;
        let mut rows = Vec::new();
        for note in &view.sheet.notes {
            if hide && !row_is_shown(view, filter, *note) {
                continue;
            }
            rows.push(Row { note: *note, y });
            y += form.cell.y + GAP;
        }
        rows
    }

    /// Keeps a newly selected take in view, with the sticky edges taken into account.
    fn scroll_to_new(&self, ui: &Ui, view: &View<'_>, rect: Rect, takes: &[TakeId]) {
        if view.selected != self.last_selected && view.selected.is_some_and(|id| takes.contains(&id)) {
            let min = rect.min - vec2(NOTE_WIDTH, HEAD_HEIGHT + GAP);
            let with_edges = Rect::from_min_max(min, rect.max);
            ui.scroll_to_rect(with_edges, None);
        }
    }

    /// Draws one cell; whether it has the keyboard's focus.
    fn one_cell(
        &mut self,
        ui: &Ui,
        view: &View<'_>,
        grid: &Grid,
        (rect, id, stop): (Rect, Id, bool),
        (note, layer): (MidiNote, u16),
        commands: &mut Vec<Command>,
    ) -> bool {
        let takes = view.sheet.at(note, layer);
        // A selected take that shares its place shows instead of the one that counts.
        let chosen = takes.iter().position(|t| view.selected == Some(*t));
        let filter = shown_filter(view);
        // So does one that the filter looks for.
        let fits = |t: &TakeId| view.document.take(*t).is_some_and(|t| filter.shows(t));
        let at = chosen.or_else(|| takes.iter().position(fits)).unwrap_or(0);
        let shown = takes.get(at).and_then(|t| view.document.take(*t));
        let place = format!("{}, layer {}", words::note(view.document, note), u32::from(layer) + 1);
        let look = CellLook {
            place: &place,
            take: shown.map(|t| &**t),
            claims: takes.len(),
            thumb: shown.and_then(|t| view.derived.thumb(t)).map(|c| &**c),
            standing: standing(view, takes),
            left_out: shown.map_or(!filter.shows_missing(), |t| !filter.shows(t)),
            target: self.drag.as_ref().is_some_and(|d| d.target == Some((note, layer))),
            wide: grid.form.wide,
            audit: shown.and_then(|t| view.derived.audit(t)),
            goes: shown.and_then(|t| goes(view, t)),
            changed: shown.is_some_and(|t| changed(view, t)),
            layer: view.theme.layer(layer),
            stop,
        };
        let drags = grid.form.wide && !view.read_only && shown.is_some();
        let keys = keys_of_focus(ui, id, shown.map(|t| t.id), view);
        let r = cell(ui, rect, id, &look, drags, view.theme);
        let Some(take) = shown else { return note_focus(ui, &r, id) };
        if keys.is_empty() {
            // Another click on a place with several takes goes to the next of them.
            let next = chosen.map_or(take.id, |i| takes[(i + 1) % takes.len()]);
            let plain = ui.input(|i| i.modifiers.is_none()) && !r.secondary_clicked();
            let pick = Pick { id: if plain { next } else { take.id }, anchor: &mut self.anchor };
            picked(ui, view, &r, pick, |from, to| between(view, &grid.notes(), from, to), commands);
        }
        commands.extend(keys);
        if drags && r.drag_started_by(PointerButton::Primary) {
            self.drag = Some(Drag::of(take, view));
        }
        if !r.dragged() {
            menu::context(&r, view, take, commands);
        }
        note_focus(ui, &r, id)
    }

    fn ask_for_waves(&mut self, view: &View<'_>, visible: &[&Arc<Take>], commands: &mut Vec<Command>) {
        let lacking = lacking(visible.iter().copied(), view.derived);
        // One that was drawn and is lacking again is asked for again.
        visible.iter().filter(|t| !lacking.contains(&t.id)).for_each(|t| {
            self.asked.remove(&t.id);
        });
        if lacking.iter().any(|id| !self.asked.contains(id)) {
            self.asked.extend(&lacking);
            commands.push(Command::Work(WorkCommand::Thumbnails(lacking)));
        }
    }

    /// Draws the takes without a note; whether one of them has the keyboard's focus.
    pub(super) fn unplaced(
        &mut self,
        ui: &mut Ui,
        view: &View<'_>,
        form: CellForm,
        commands: &mut Vec<Command>,
    ) -> bool {
        if view.sheet.unplaced.is_empty() {
            return false;
        }
        ui.add_space(8.0);
        ui.label(egui::RichText::new("Without a note").family(strong())).on_hover_text(
            "Neither the file's name nor the sound says which note these are; drag them to a cell, or give them a note in the details",
        );
        let mut visible = Vec::new();
        // Where no note has a row, Tab has to come here.
        let (alone, first) = (view.sheet.notes.is_empty(), view.sheet.unplaced[0]);
        let mut focused = false;
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
                    standing: standing(view, &[take.id]),
                    left_out: !shown_filter(view).shows(take),
                    target: false,
                    wide: form.wide,
                    audit: view.derived.audit(take),
                    goes: None,
                    changed: changed(view, take),
                    layer: view.theme.layer(take.layer),
                    stop: view.selected == Some(take.id) || alone && take.id == first,
                };
                let drags = form.wide && !view.read_only;
                let id = unplaced_id(take.id);
                let keys = keys_of_focus(ui, id, Some(take.id), view);
                let r = cell(ui, rect, id, &look, drags, view.theme);
                if keys.is_empty() {
                    let pick = Pick { id: take.id, anchor: &mut self.anchor };
                    picked(ui, view, &r, pick, |_, to| vec![to], commands);
                }
                commands.extend(keys);
                if drags && r.drag_started_by(PointerButton::Primary) {
                    self.drag = Some(Drag::of(take, view));
                }
                menu::context(&r, view, take, commands);
                focused |= note_focus(ui, &r, id);
            }
        });
        self.ask_for_waves(view, &visible, commands);
        focused
    }

    pub(super) fn between_in_grid(view: &View<'_>, grid: &Grid, from: TakeId, to: TakeId) -> Vec<TakeId> {
        between(view, &grid.notes(), from, to)
    }
}

/// The filter as the cells go by it: in the other rooms nothing is left out.
fn shown_filter(view: &View<'_>) -> Filter {
    if view.room == Room::Sheet { view.triage.listing.filter } else { Filter::default() }
}

/// Where a take goes that is not delivered as its place says, in a few words and in a sentence.
pub(super) fn goes(view: &View<'_>, take: &Take) -> Option<(String, String)> {
    Some((words::goes(view.document, take)?, words::goes_about(view.document, take)?))
}

/// Whether a take was changed since it was delivered.
pub(super) fn changed(view: &View<'_>, take: &Take) -> bool {
    let standing = view.derived.deliver().standing().filter(|s| s.known);
    standing.is_some_and(|s| s.files.contains(&(take.id, FileStanding::Changed)))
}

fn standing(view: &View<'_>, takes: &[TakeId]) -> Standing {
    if takes.iter().any(|t| view.selected == Some(*t)) {
        Standing::Selected
    } else if takes.iter().any(|t| view.triage.also.contains(t)) {
        Standing::Among
    } else {
        Standing::Plain
    }
}

pub(super) fn cell_id(ui: &Ui, note: MidiNote, layer: u16) -> Id {
    ui.scope_id().with(("cell", note, layer))
}

/// The cell of a take without a note.
pub(super) fn unplaced_id(take: TakeId) -> Id {
    Id::unique(("unplaced", take))
}

fn row_is_shown(view: &View<'_>, filter: Filter, note: MidiNote) -> bool {
    (0..view.sheet.layers).any(|layer| {
        let takes = view.sheet.at(note, layer);
        let shown = takes.iter().filter_map(|id| view.document.take(*id)).any(|t| filter.shows(t));
        shown || takes.is_empty() && filter.shows_missing()
    })
}

/// Enter and Space on a focused cell would be clicks; here they open the bench and play.
pub(in crate::app::panels) fn keys_of_focus(
    ui: &Ui,
    id: Id,
    take: Option<TakeId>,
    view: &View<'_>,
) -> Vec<Command> {
    let Some(take) = take.filter(|_| ui.memory(|m| m.has_focus(id))) else { return Vec::new() };
    let select = (view.selected != Some(take)).then_some(Command::Go(GoCommand::Select(take)));
    let pressed = |key| ui.input_mut(|i| i.consume_key(Modifiers::NONE, key));
    let then = if pressed(Key::Enter) {
        Command::Go(GoCommand::Room(Room::Bench))
    } else if pressed(Key::Space) {
        let stops = select.is_none() && view.sound.sounds();
        Command::Sound(if stops { SoundCommand::Stop } else { SoundCommand::PlayTake })
    } else {
        return Vec::new();
    };
    select.into_iter().chain([then]).collect()
}

/// A focused cell keeps the arrows to itself; whether it is focused.
pub(in crate::app::panels) fn note_focus(ui: &Ui, r: &Response, id: Id) -> bool {
    if r.has_focus() {
        let arrows = EventFilter { horizontal_arrows: true, vertical_arrows: true, ..EventFilter::default() };
        ui.memory_mut(|m| m.set_focus_lock_filter(id, arrows));
    }
    r.has_focus()
}

/// A heading that is painted, for who has it read.
fn heading(ui: &Ui, rect: Rect, id: (&str, u16), role: Role, name: String) {
    let r = ui.interact(rect, ui.scope_id().with(id), Sense::hover());
    r.widget_info(|| WidgetInfo::labeled(role, true, name.clone()));
}

/// The names of notes and layers stay at the edges while the cells scroll below them.
fn paint_edges(ui: &Ui, view: &View<'_>, grid: &Grid) {
    let (area, form) = (grid.area, grid.form);
    let clip = ui.clip_rect();
    let (left, top) = (area.left().max(clip.left()), area.top().max(clip.top()));
    let painter = ui.painter();
    let theme = view.theme;
    let font = FontId::new(13.0, strong());
    let edge = Rect::from_min_max(pos2(left - 3.0, area.top()), pos2(left + form.note - GAP, area.bottom()));
    painter.rect_filled(edge, 0.0, theme.paper);
    for row in &grid.rows {
        let at = pos2(left + 2.0, area.top() + row.y + form.cell.y / 2.0);
        let name = words::note(view.document, row.note);
        let rect =
            Rect::from_center_size(at + vec2(NOTE_WIDTH / 2.0 - 4.0, 0.0), vec2(NOTE_WIDTH - 8.0, 18.0));
        heading(ui, rect, ("note heading", u16::from(row.note.0)), Role::RowHeader, format!("Note {name}"));
        painter.text(at, Align2::LEFT_CENTER, name, font.clone(), theme.ink);
    }
    let head = Rect::from_min_max(
        pos2(clip.left(), top - 3.0),
        pos2(area.right().max(clip.right()), top + HEAD_HEIGHT - GAP),
    );
    painter.rect_filled(head, 0.0, theme.paper);
    for layer in 0..grid.layers {
        let x = area.left() + form.note + f32::from(layer) * (form.cell.x + GAP);
        if x < left + form.note - GAP {
            continue;
        }
        let y = top + (HEAD_HEIGHT - GAP) / 2.0;
        let rect = Rect::from_min_size(pos2(x, y - 9.0), vec2(form.cell.x, 18.0));
        heading(ui, rect, ("layer heading", layer), Role::ColumnHeader, format!("Layer {}", layer + 1));
        glyph::layer_patch(painter, pos2(x + 2.0, y), layer, theme);
        let text = if form.wide { format!("Layer {}", layer + 1) } else { (layer + 1).to_string() };
        painter.text(pos2(x + 12.0, y), Align2::LEFT_CENTER, text, font.clone(), theme.ink);
    }
}
