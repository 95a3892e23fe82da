//! The deliver room: every setting of a delivery, what will be written, under which names, on which
//! keys, how loud; and what was.
//!
//! [`model`] works out what is shown; `settings` turns input into edits of the set's settings; the
//! rest paints.

mod form;
pub mod key_map;
pub mod level_view;
pub mod model;
mod settings;
mod written;

use std::borrow::Cow;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use egui::{Button, RichText, ScrollArea, Ui, vec2};

use super::bench::gesture::Gesture;
use crate::app::command::{Command, SoundCommand, WorkCommand};
use crate::app::shortcuts::{self, Action};
use crate::app::theme::strong;
use crate::app::view::View;
use crate::app::widgets::control::{field, main_button};
use crate::app::widgets::glyph;
use crate::app::widgets::in_sight::follow_focus;
use crate::session::{Setup, TakeId};

use form::{Drafts, Form, changed, heading};
use model::Model;

/// From this width on the pictures stand beside the names.
const TWO_COLUMNS: f32 = 860.0;
/// Below this width settings and what they lead to are shown one at a time.
const ONE_AT_A_TIME: f32 = 640.0;
/// The settings are at least and at most so wide.
const SETTINGS: (f32, f32) = (326.0, 420.0);
/// Least height of the list of names.
const NAMES: f32 = 220.0;
/// Stop beside the folder, where there is so much room for both: what was begun in another room sounds on here.
const STOP: f32 = 92.0;
const STOP_FROM: f32 = 560.0;
/// What stands above the picture of the levels.
const LEVELS_HEAD: f32 = 76.0;
const FOLDER_TIP: &str = "Where the files are written; from the session's folder on, made if it is not there. Enter \
                          takes it";

/// What the model was worked out from: revision of the document, what is half-typed, what was found out,
/// what is selected.
type Key = (u64, Option<String>, Option<String>, u64, usize, Option<TakeId>);

/// The deliver room. Its fields are what may be lost.
#[derive(Debug, Default)]
pub struct DeliverPanel {
    drafts: Drafts,
    gesture: Gesture,
    /// What is shown, and what it was worked out from.
    model: Option<(Key, Model)>,
    /// The session that the rest belongs to.
    session: Option<PathBuf>,
    /// Layers whose levels are not shown.
    hidden: BTreeSet<u16>,
    /// Whether left-over files are to be removed is being asked.
    asking: bool,
    /// In a narrow window: what will be written is shown in place of the settings.
    shows_written: bool,
}

impl DeliverPanel {
    /// Draws the room.
    pub fn ui(&mut self, ui: &mut Ui, view: &View<'_>) -> Vec<Command> {
        let session = view.path.unwrap_or(Path::new(""));
        if self.session.as_deref() != Some(session) {
            *self = Self { session: Some(session.to_path_buf()), ..Self::default() };
        }
        let mut out = Vec::new();
        let mut setup = view.document.setup.clone();
        self.refresh(view);
        let model = self.model.take();
        if let Some((_, model)) = &model {
            self.strip(ui, view, model, &mut setup, &mut out);
            refused(ui, view);
            ui.add_space(4.0);
            self.columns(ui, view, model, &mut setup, &mut out);
        }
        self.model = model;
        out
    }

    /// The model follows what is half-typed too.
    fn refresh(&mut self, view: &View<'_>) {
        let draft = |name| self.drafts.get(name).cloned();
        let (title, pattern) = (draft("Set name"), draft("Name pattern"));
        let failed = view.derived.delivery().map_or(0, |d| d.failed.len());
        let version = view.derived.deliver().version();
        let key = (view.revision, title, pattern, version, failed, view.selected);
        if self.model.as_ref().is_some_and(|(k, _)| *k == key) {
            return;
        }
        let mut document = Cow::Borrowed(view.document);
        if let Some(title) = key.1.as_ref().filter(|t| !t.trim().is_empty()) {
            title.trim().clone_into(&mut document.to_mut().setup.title);
        }
        if let Some(pattern) = key.2.as_ref() {
            pattern.clone_into(&mut document.to_mut().setup.name_pattern);
        }
        let mut model = Model::of(&document, view.derived, view.selected);
        if matches!(document, Cow::Owned(_)) {
            // How files stand was found out for the names that hold now.
            model.rows.iter_mut().for_each(|r| r.standing = None);
        }
        self.model = Some((key, model));
    }

    /// The folder and the button that leads on.
    fn strip(
        &mut self,
        ui: &mut Ui,
        view: &View<'_>,
        model: &Model,
        setup: &mut Setup,
        out: &mut Vec<Command>,
    ) {
        let session = view.path.unwrap_or(Path::new(""));
        ui.horizontal(|ui| {
            ui.set_min_height(32.0);
            ui.label(RichText::new("Deliver").family(strong()).size(20.0));
            ui.add_space(4.0);
            ui.label("to");
            let has_stop = ui.available_width() >= STOP_FROM;
            let beside = if has_stop { 160.0 + STOP + ui.spacing().item_spacing.x } else { 160.0 };
            let width = (ui.available_width() - beside).clamp(100.0, 1400.0);
            ui.add_enabled_ui(!view.read_only, |ui| {
                let now = setup.delivery.folder_of(session).display().to_string();
                let mut draft = self.drafts.remove("Folder");
                let given = field(ui, ("Folder", FOLDER_TIP), &now, &mut draft, width);
                self.drafts.extend(draft.map(|d| ("Folder", d)));
                if let Some(text) = given {
                    let text = text.trim();
                    let folder = (!text.is_empty()).then(|| PathBuf::from(text));
                    changed(setup, "Delivery folder", |s| s.delivery.folder = folder, out);
                }
                let tip = "Asks for the folder to deliver into";
                if ui.button("Choose…").on_hover_text(tip).clicked() {
                    out.push(Command::Work(WorkCommand::ChooseDeliverFolder));
                }
            });
            let folder = setup.delivery.folder_of(session);
            let why = why_not(view, model);
            let tip = "Writes what is listed here; files that stand there as they should are kept";
            if main_button(ui, "Deliver", why.is_none(), view.theme)
                .on_hover_text(tip)
                .on_disabled_hover_text(why.unwrap_or_default())
                .clicked()
            {
                out.push(Command::Work(WorkCommand::Deliver(folder)));
            }
            if has_stop {
                let hover = shortcuts::tip(ui.ctx(), "Silence at once", Action::PlayStop);
                let button = Button::new("Stop sound").min_size(vec2(STOP, 32.0));
                let r = ui.add_enabled(view.sound.sounds(), button).on_hover_text(hover);
                if r.on_disabled_hover_text("Nothing sounds").clicked() {
                    out.push(Command::Sound(SoundCommand::Stop));
                }
            }
        });
    }

    fn columns(
        &mut self,
        ui: &mut Ui,
        view: &View<'_>,
        model: &Model,
        setup: &mut Setup,
        out: &mut Vec<Command>,
    ) {
        let width = ui.available_width();
        if width < ONE_AT_A_TIME {
            ui.horizontal(|ui| {
                for (written, name) in [(false, "Settings"), (true, "What will be written")] {
                    let tip = "This window is narrow: one of the two is shown at a time";
                    let chosen = self.shows_written == written;
                    if ui.selectable_label(chosen, name).on_hover_text(tip).clicked() {
                        self.shows_written = written;
                    }
                }
            });
            match self.shows_written {
                false => self.settings(ui, view, (width, model), setup, out),
                true => self.shown(ui, view, width, model, out),
            }
            return;
        }
        let left = (width * 0.4).clamp(SETTINGS.0, SETTINGS.1);
        let height = ui.available_height();
        let down = egui::Layout::top_down(egui::Align::Min);
        ui.horizontal_top(|ui| {
            ui.allocate_ui_with_layout(vec2(left, height), down, |ui| {
                self.settings(ui, view, (left, model), setup, out);
            });
            ui.add_space(8.0);
            let right = ui.available_width();
            ui.allocate_ui_with_layout(vec2(right, height), down, |ui| {
                self.shown(ui, view, right, model, out);
            });
        });
    }

    fn settings(
        &mut self,
        ui: &mut Ui,
        view: &View<'_>,
        (width, model): (f32, &Model),
        setup: &mut Setup,
        out: &mut Vec<Command>,
    ) {
        ScrollArea::vertical().id_salt("settings").auto_shrink(false).show(ui, |ui| {
            ui.set_width(width - 16.0);
            ui.add_enabled_ui(!view.read_only, |ui| {
                let (drafts, gesture) = (&mut self.drafts, &mut self.gesture);
                settings::sections(
                    &mut Form { ui, theme: view.theme, setup, gesture, drafts, out },
                    &model.example,
                );
            });
            ui.add_space(8.0);
            follow_focus(ui);
        });
    }

    fn shown(&mut self, ui: &mut Ui, view: &View<'_>, width: f32, model: &Model, out: &mut Vec<Command>) {
        let height = ui.available_height();
        ScrollArea::vertical().id_salt("shown").auto_shrink(false).show(ui, |ui| {
            ui.set_width(width - 16.0);
            if width < TWO_COLUMNS {
                self.lists(ui, view, model, out);
                heading(ui, "Names on disk", view.theme);
                written::names(ui, view, model, NAMES, out);
                self.since(ui, view, model, out);
                keys(ui, view, model, key_map::ROW, out);
                self.levels(ui, view, model, level_view::HEIGHT, out);
            } else {
                // The keyboard has all the width there is.
                keys(ui, view, model, key_map::WIDE_ROW, out);
                let left = (height - (ui.cursor().top() - ui.min_rect().top()) - 12.0).max(NAMES + 160.0);
                ui.columns(2, |columns| {
                    let top = columns[0].cursor().top();
                    self.lists(&mut columns[0], view, model, out);
                    heading(&mut columns[0], "Names on disk", view.theme);
                    let used = columns[0].cursor().top() - top;
                    written::names(&mut columns[0], view, model, (left - used).max(NAMES), out);
                    self.since(&mut columns[1], view, model, out);
                    let used = columns[1].cursor().top() - top;
                    let rest = (left - used - LEVELS_HEAD).max(level_view::HEIGHT);
                    self.levels(&mut columns[1], view, model, rest, out);
                });
            }
            ui.add_space(8.0);
            follow_focus(ui);
        });
    }

    fn lists(&mut self, ui: &mut Ui, view: &View<'_>, model: &Model, out: &mut Vec<Command>) {
        let folder = folder_of(view);
        if let Some(delivery) = view.derived.delivery() {
            heading(ui, "What was done", view.theme);
            written::result(ui, view, (delivery, model, &folder), out);
        }
        heading(ui, "What will be written", view.theme);
        written::summary(ui, view, model);
    }

    /// How the folder stands to what would be written, and what is left over there.
    fn since(&mut self, ui: &mut Ui, view: &View<'_>, model: &Model, out: &mut Vec<Command>) {
        heading(ui, "Since the last delivery", view.theme);
        written::since(ui, view, model, out);
        written::orphans(ui, view, (&folder_of(view), model), &mut self.asking, out);
    }

    fn levels(&mut self, ui: &mut Ui, view: &View<'_>, model: &Model, height: f32, out: &mut Vec<Command>) {
        heading(ui, "Levels before and after", view.theme);
        level_view::level_view(ui, view, (&model.levels, height), &mut self.hidden, out);
    }
}

/// Below the folder: why nothing can be delivered into it.
fn refused(ui: &mut Ui, view: &View<'_>) {
    let known = view.derived.deliver();
    let refused = known.standing().and_then(|s| s.refused.as_ref()).map(ToString::to_string);
    let why = refused.or_else(|| known.failed(&folder_of(view)).map(str::to_owned));
    if let Some(why) = why.filter(|_| !is_delivering(view)) {
        glyph::concern_line(ui, view.theme, why);
    }
}

fn is_delivering(view: &View<'_>) -> bool {
    view.jobs.iter().any(|j| j.stage.starts_with("Deliver"))
}

fn folder_of(view: &View<'_>) -> PathBuf {
    view.document.setup.delivery.folder_of(view.path.unwrap_or(Path::new("")))
}

fn keys(ui: &mut Ui, view: &View<'_>, model: &Model, row: f32, out: &mut Vec<Command>) {
    heading(ui, "Keys", view.theme);
    key_map::key_map(ui, view, &model.plan.map, row, out);
}

/// Why nothing can be delivered now.
fn why_not(view: &View<'_>, model: &Model) -> Option<String> {
    if is_delivering(view) {
        return Some("A delivery is going on".into());
    }
    if let Some(e) = view.derived.deliver().standing().and_then(|s| s.refused.as_ref()) {
        return Some(e.to_string());
    }
    if let Some(problem) = model.plan.problems.first() {
        return Some(problem.to_string());
    }
    if model.rows.is_empty() {
        return Some("Accept at least one take in the sheet".into());
    }
    None
}
