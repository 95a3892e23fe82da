//! One struct a panel: `ui(&mut self, ui, &view) -> Vec<Command>`; its fields are only what may be
//! lost.

pub mod bench;
pub mod commands;
pub mod deliver;
pub mod details;
mod hearing;
pub mod jobs;
mod keeper;
pub mod keyboard;
pub mod keys;
pub mod notices;
mod open_path;
mod over;
pub mod preferences;
pub mod several;
pub mod sheet;
pub mod stack;
pub mod start;
pub mod steps;
pub mod strip;
pub mod top_bar;
mod tuning;

use std::path::PathBuf;

use egui::{Align2, CentralPanel, Color32, FontId, Frame, Margin, Panel, Stroke, Ui};

use super::command::{Command, Room, SessionCommand};
use super::keyboard::KeyboardView;
use super::settings::Settings;
use super::theme::{Theme, strong};
use super::view::{Around, Shown, View};
use super::widgets::divider::Divider;

/// Width of the details: everything that is heard stands in one row.
const DETAILS: f32 = 424.0;
/// Width of the sheet beside another room in a small window: four layers have room.
const SMALL_SHEET: f32 = 160.0;

/// All panels, and where each stands.
#[derive(Default)]
pub struct Panels {
    top_bar: top_bar::TopBarPanel,
    strip: strip::StripPanel,
    start: start::StartPanel,
    sheet: sheet::SheetPanel,
    details: details::DetailsPanel,
    several: several::SeveralPanel,
    bench: bench::BenchPanel,
    stack: stack::StackPanel,
    deliver: deliver::DeliverPanel,
    keys: keys::KeysPanel,
    keyboard: keyboard::KeyboardPanel,
    commands: commands::CommandsPanel,
    steps: steps::StepsPanel,
    preferences: preferences::PreferencesPanel,
    open_path: open_path::OpenPathPanel,
    over: over::Over,
    /// A session that could not be read, but has an autosave.
    pub rescue: Option<PathBuf>,
}

/// A frame of `fill` with `margin` around what stands in it.
pub(super) fn frame(fill: Color32, margin: impl Into<Margin>) -> Frame {
    Frame::new().fill(fill).inner_margin(margin)
}

impl Panels {
    /// At the start of a pass, before anything is drawn or any key is read; whether a window lies over the rooms,
    /// which then has the keys. `opened`: a session is.
    pub fn begin(&mut self, ctx: &egui::Context, shown: &Shown, opened: bool) -> bool {
        let over = is_over(shown, opened);
        self.over.begin(ctx, over);
        over
    }

    /// Takes the letters that play notes out of the input.
    pub fn take_keys(&mut self, ctx: &egui::Context, keyboard: &KeyboardView) -> Vec<Command> {
        self.keyboard.take_keys(ctx, keyboard)
    }

    /// Lets go the notes that the computer's keys hold.
    pub fn lift_typed(&mut self) -> Vec<Command> {
        self.keyboard.lift_typed()
    }

    /// Keeps what was typed for the command list before it shows.
    pub fn type_for_list(&mut self, text: String) {
        self.commands.type_ahead(text);
    }

    /// Whether somebody is reading the messages.
    pub fn notices_read(&self) -> bool {
        self.strip.notices.is_read()
    }

    /// Whether the caution is still to be told in the strip.
    pub fn cautions(&self, settings: &Settings) -> bool {
        self.strip.notices.cautions(settings)
    }

    /// Draws the window and returns what the user wants done.
    pub fn ui(&mut self, ui: &mut Ui, view: &View<'_>, around: &Around<'_>) -> Vec<Command> {
        let theme = view.theme;
        let mut commands = dropped(ui);
        let mut take = |more: Vec<Command>| commands.extend(more);
        self.over.hold(ui.ctx());
        Panel::top("top bar")
            .frame(frame(theme.sheet, Margin::symmetric(12, 7)))
            .show(ui, |ui| take(self.top_bar.ui(ui, view, around)));
        if around.shown.messages {
            // Their list is drawn with the strip.
            self.over.give_back(ui.ctx());
        }
        Panel::bottom("strip")
            .frame(frame(theme.sheet, Margin::symmetric(8, 0)))
            .show(ui, |ui| take(self.strip.ui(ui, view, around, self.rescue.as_deref())));
        self.over.hold(ui.ctx());
        if view.path.is_some() && around.keyboard.shown {
            Panel::bottom("audition keyboard")
                .frame(frame(theme.sheet, Margin::symmetric(12, 6)))
                .show(ui, |ui| take(self.keyboard.ui(ui, view, around.keyboard)));
        }
        if view.path.is_none() {
            if !around.settings.caution_read {
                self.strip.notices.caution_on_start_page(ui.input(|i| i.time));
            }
            CentralPanel::default()
                .frame(frame(theme.paper, 0))
                .show(ui, |ui| take(self.start.ui(ui, view, around)));
        } else {
            self.sheet.covered = is_over(&around.shown, true);
            take(self.room(ui, view));
        }
        self.over.give_back(ui.ctx());
        if around.shown.keys {
            take(self.keys.ui(ui.ctx(), theme, view.room));
        }
        if around.shown.steps && view.path.is_some() {
            take(self.steps.ui(ui.ctx(), view, around));
        }
        if around.shown.preferences {
            take(self.preferences.ui(ui.ctx(), view, around));
        }
        if around.shown.open_path && view.path.is_some() {
            take(self.open_path.ui(ui.ctx(), view));
        }
        take(self.commands.ui(ui.ctx(), view, around));
        self.over.ring(ui.ctx(), theme);
        drop_hint(ui, theme);
        self.strip.notices.follow_refusal(ui.ctx());
        commands
    }

    fn room(&mut self, ui: &mut Ui, view: &View<'_>) -> Vec<Command> {
        let theme = view.theme;
        let mut commands = Vec::new();
        let mut take = |more: Vec<Command>| commands.extend(more);
        if view.room == Room::Sheet {
            let narrow = ui.ctx().content_rect().width() < 900.0;
            // Wide enough for everything that is heard in one row, where there is room.
            let (least, first) = if narrow { (290.0, 290.0) } else { (DETAILS, DETAILS) };
            let edge = Divider::new("details", first, least..=480.0, true);
            let details = Panel::right("details")
                .frame(frame(theme.sheet, Margin::symmetric(14, 12)))
                .resizable(false)
                .exact_size(edge.width(ui))
                .show(ui, |ui| {
                    // As wide whatever stands in it: it would shrink around one short line, and stay so.
                    ui.set_min_width(ui.available_width());
                    take(if view.triage.also.is_empty() {
                        self.details.ui(ui, view)
                    } else {
                        self.several.ui(ui, view)
                    });
                });
            CentralPanel::default()
                .frame(frame(theme.paper, Margin::symmetric(12, 10)))
                .show(ui, |ui| take(self.sheet.ui(ui, view)));
            edge.follow(ui, details.response.rect);
            return commands;
        }
        let mut width = sheet::narrow_width(view.sheet.layers);
        if ui.ctx().content_rect().width() < 900.0 {
            // Its cells grow narrower; the room beside it needs the width more.
            width = width.min(SMALL_SHEET);
        }
        let edge = Divider::new("sheet", width, 150.0..=width.max(SMALL_SHEET), false);
        let sheet = Panel::left(("sheet", width.round() as u32))
            .frame(frame(theme.paper, Margin { left: 12, right: 6, top: 10, bottom: 10 }))
            .resizable(false)
            .exact_size(edge.width(ui))
            .show(ui, |ui| take(self.sheet.ui(ui, view)));
        // The bench goes to the edges: it has a column of its own at the right.
        let margin = if view.room == Room::Bench { Margin::ZERO } else { Margin::symmetric(12, 10) };
        CentralPanel::default().frame(frame(theme.paper, margin)).show(ui, |ui| {
            take(match view.room {
                Room::Bench => self.bench.ui(ui, view),
                Room::Stack => self.stack.ui(ui, view),
                _ => self.deliver.ui(ui, view),
            });
        });
        edge.follow(ui, sheet.response.rect);
        commands
    }
}

/// Whether a window lies over the rooms.
fn is_over(s: &Shown, opened: bool) -> bool {
    s.keys || s.preferences || s.commands || s.messages || (opened && (s.steps || s.open_path))
}

fn dropped(ui: &Ui) -> Vec<Command> {
    let paths: Vec<PathBuf> =
        ui.input(|i| i.raw.dropped_files.iter().map(|f| f.path().to_path_buf()).collect());
    if paths.is_empty() { Vec::new() } else { vec![Command::Session(SessionCommand::Open(paths))] }
}

/// While files hang over the window: what happens when they are let go.
fn drop_hint(ui: &Ui, theme: &Theme) {
    if ui.input(|i| i.raw.hovered_files.is_empty()) {
        return;
    }
    let rect = ui.ctx().content_rect();
    let layer = egui::LayerId::new(egui::Order::Foreground, egui::Id::unique("drop hint"));
    let painter = ui.ctx().layer_painter(layer);
    painter.rect_filled(rect, 0.0, theme.paper.gamma_multiply(0.85));
    painter.rect_stroke(rect.shrink(12.0), 8.0, Stroke::new(3.0, theme.accent), egui::StrokeKind::Inside);
    let font = FontId::new(20.0, strong());
    painter.text(rect.center(), Align2::CENTER_CENTER, "Let go to open", font, theme.ink);
}
