//! The program's window: what it holds, and what happens in a frame.

use std::collections::{HashSet, VecDeque};
use std::path::PathBuf;
use std::time::Duration;

use egui::{Context, Ui};

use super::command::{Command, Room, SessionCommand, ThemeChoice};
use super::derived::Derived;
use super::environment::Environment;
use super::focus;
use super::keyboard::{Keyboard, KeyboardView};
use super::notices::{About, Notices};
use super::panels::Panels;
use super::quiet_tips::QuietTips;
use super::session_state::{Autosave, SessionState};
use super::settings::SettingsStore;
use super::sound::Sound;
use super::theme::{self, Theme};
use super::triage::Triage;
use super::view::{Around, Devices, Shown, View};
use super::widgets::typed;
use super::work::{Event, PROGRESS_EVERY, Work};
use super::{choosing, dispatch, events, shortcuts};
use crate::error::Result;
use crate::playback::midi::MidiListener;
use crate::session::{Edit, TakeId};

/// How long closing waits for files that are being written.
const AT_THE_END: Duration = Duration::from_secs(5);

/// The smallest window, in points.
pub(super) const LEAST: [f32; 2] = [760.0, 480.0];

/// Where the user is; may be lost.
#[derive(Debug, Default)]
pub(super) struct Place {
    pub room: Room,
    pub selected: Option<TakeId>,
    /// What else is selected, and what the sheet shows.
    pub triage: Triage,
    pub shown: Shown,
    /// A session that could not be read, but has an autosave.
    pub rescue: Option<PathBuf>,
    /// The revision of which the user was told that it cannot be saved.
    pub told_unsaved: Option<u64>,
}

/// The window.
pub struct App {
    pub(super) session: SessionState,
    pub(super) place: Place,
    pub(super) derived: Derived,
    pub(super) work: Work,
    pub(super) sound: Sound,
    pub(super) settings: SettingsStore,
    pub(super) notices: Notices,
    pub(super) panels: Panels,
    pub(super) keyboard: Keyboard,
    pub(super) midi: Option<MidiListener>,
    pub(super) devices: Devices,
    /// Folders and sessions opened lately that are not there.
    pub(super) missing: HashSet<PathBuf>,
    /// When the MIDI input was last looked for.
    pub(super) midi_looked: f64,
    /// The scale that the smallest size of the window goes by.
    scaled: Option<f32>,
    /// What came in during a gesture and would cut it in two.
    waiting: Vec<Event>,
    /// Actions whose keys were pressed, the first of them first.
    pressed: VecDeque<shortcuts::Action>,
}

impl App {
    /// A window with nothing open, or on the way to opening `paths`.
    pub fn new(ctx: &Context, environment: &Environment, paths: Vec<PathBuf>) -> Result<Self> {
        theme::install(ctx);
        ctx.add_plugin(QuietTips::default());
        let (settings, problem) = SettingsStore::load(environment.settings.clone());
        ctx.set_theme(preference(settings.get().theme));
        ctx.set_zoom_factor(settings.get().scale);
        let mut app = Self {
            session: SessionState::default(),
            place: Place::default(),
            derived: Derived::default(),
            work: Work::new(ctx, environment.inline_jobs, environment.dialogs)?,
            sound: Sound::with_wish(environment.sound, settings.get().volume_db, settings.get().device()),
            settings,
            notices: Notices::default(),
            panels: Panels::default(),
            keyboard: Keyboard::default(),
            midi: None,
            devices: Devices::default(),
            missing: HashSet::new(),
            midi_looked: 0.0,
            scaled: None,
            waiting: Vec::new(),
            pressed: VecDeque::new(),
        };
        app.open_midi(ctx);
        app.look_for_recent();
        if let Some(text) = problem {
            app.notices.warn(text);
        }
        if !paths.is_empty() {
            app.dispatch(ctx, Command::Session(SessionCommand::Open(paths)));
        }
        Ok(app)
    }

    /// Shows `session` as if it had just been opened.
    pub fn show_session(&mut self, session: SessionState) {
        self.work.new_session();
        self.waiting.clear();
        self.sound.stop();
        self.sound.set_stack(session.document().stack.clone().in_range());
        self.derived = Derived::default();
        self.keyboard.new_session();
        self.place = Place { shown: self.place.shown, ..Place::default() };
        self.session = session;
        self.notices.new_session();
        self.place.selected = choosing::first(&self.session);
        if let Some(path) = self.session.path() {
            self.settings.change().remember(path.parent().unwrap_or(path));
        }
        self.look_for_recent();
    }

    /// The open session.
    pub fn session(&self) -> &SessionState {
        &self.session
    }

    /// The selected take.
    pub fn selected(&self) -> Option<TakeId> {
        self.place.selected
    }

    /// What else is selected, and what the sheet shows.
    pub fn triage(&self) -> &Triage {
        &self.place.triage
    }

    /// The room shown.
    pub fn room(&self) -> Room {
        self.place.room
    }

    /// The sound.
    pub fn sound(&self) -> &Sound {
        &self.sound
    }

    /// The messages that stand.
    pub fn notices(&self) -> &Notices {
        &self.notices
    }

    /// The settings.
    pub fn settings(&self) -> &SettingsStore {
        &self.settings
    }

    /// The audition keyboard.
    pub fn keyboard(&self) -> &KeyboardView {
        self.keyboard.view()
    }

    pub(super) fn look_for_recent(&self) {
        let recent = &self.settings.get().recent;
        if !recent.is_empty() {
            self.work.look_for(recent.clone());
        }
    }

    /// Carries out one command.
    pub fn dispatch(&mut self, ctx: &Context, command: Command) {
        dispatch::dispatch(self, ctx, command);
    }

    /// The next `frames` frames that would be heard (interleaved left, right), where
    /// [`super::sound::SoundKind::Fetched`] stands for the device.
    pub fn fetch_sound(&mut self, frames: usize) -> Vec<f32> {
        self.sound.fetch(frames)
    }

    /// As if nothing had sounded for long: the device is closed until something is to sound.
    pub fn rest_sound(&mut self) {
        self.sound.rest();
    }

    /// As if the sound device had been unplugged, where [`super::sound::SoundKind::Fetched`] stands for it.
    pub fn unplug_sound(&mut self) {
        self.sound.unplug();
    }

    /// Listens to a MIDI keyboard without a device, as if the settings named it (for tests).
    pub fn listen_to(&mut self, listener: MidiListener) {
        let name = listener.name().to_owned();
        self.keyboard.set_midi(Some(Ok(name.clone())));
        self.settings.change().midi_input = Some(name);
        self.midi = Some(listener);
        // The system knows nothing of it, so it is not to be looked for there.
        self.midi_looked = f64::INFINITY;
    }

    /// As if its cable had been drawn: the next key that is held lets it be looked for, and it is not there.
    pub fn unplug_midi(&mut self) {
        self.midi_looked = 0.0;
    }

    /// What is derived from the takes.
    pub fn derived(&self) -> &Derived {
        &self.derived
    }

    /// Says that changes would be lost; whether that was said of the same changes before.
    pub(super) fn told_of_loss(&mut self, text: &str) -> bool {
        let revision = Some(self.session.history().revision());
        if self.place.told_unsaved == revision {
            return true;
        }
        self.place.told_unsaved = revision;
        self.notices.warn_of(About::Saving, text);
        false
    }

    fn take_in_events(&mut self, ctx: &Context) {
        let mut events = std::mem::take(&mut self.waiting);
        events.extend(self.work.events());
        for event in events {
            let is_step =
                matches!(event, Event::Proposed { .. } | Event::ProposeEnded { .. } | Event::Apart { .. });
            if is_step && self.session.history().in_gesture() {
                self.waiting.push(event);
            } else {
                events::take_in(self, ctx, event);
            }
        }
    }

    /// The window stays open when its last changes cannot be saved, until the user has been told.
    fn mind_closing(&mut self, ctx: &Context) {
        if !ctx.input(|i| i.viewport().close_requested()) {
            return;
        }
        if let Err(e) = self.session.save_now()
            && !self.told_of_loss(&format!(
                "{e}. The window stays open so that nothing is lost; close it again to leave without saving."
            ))
        {
            ctx.send_viewport_cmd(egui::ViewportCommand::CancelClose);
        }
    }

    /// Starts what the selected take still needs.
    fn follow_selection(&mut self) {
        let (Some(selected), Some(path)) = (self.place.selected, self.session.path()) else { return };
        let about = focus::About {
            session_path: path,
            document: self.session.document(),
            sheet: self.session.sheet(),
            selected,
            bench: self.place.room == Room::Bench,
            stack: self.place.room == Room::Stack,
        };
        let (focus, runner, session) = self.work.focus();
        focus.step(&about, &mut self.derived, runner, session);
        let (thumbs, runner, session) = self.work.thumbs();
        thumbs.step(path, self.session.document(), &self.derived, runner, session);
        let take = self.session.document().take(selected);
        self.sound.follow(take.map(|t| &**t), &self.derived);
        self.sound.follow_stack(self.session.document(), self.session.sheet(), &self.derived);
    }

    /// Makes what the audition keyboard plays; a drag is waited for.
    pub(super) fn follow_keyboard(&mut self) {
        if self.sound.take_silenced() {
            self.keyboard.silenced();
        }
        let history = self.session.history();
        let (Some(path), false) = (self.session.path(), history.in_gesture()) else { return };
        let (runner, session) = self.work.key_sounds();
        let document = (history.document(), history.revision());
        self.keyboard.step(path, document, &self.derived, runner, session);
    }

    /// Finds out what the deliver room and the marks beside a take show; a drag is waited for.
    fn follow_deliver_room(&mut self) {
        let Some(path) = self.session.path() else { return };
        let history = self.session.history();
        let shows = matches!(self.place.room, Room::Deliver | Room::Sheet);
        if !shows || history.in_gesture() || self.work.is_delivering() {
            return;
        }
        let (room, runner, session) = self.work.deliver_room();
        let document = (history.document(), history.revision());
        room.step(path, document, self.derived.deliver(), runner, session);
    }

    /// The session keeps how its stack is heard: not while a hand is still at it, and as a fact, for it
    /// is no step of the work.
    fn keep_stack(&mut self, ctx: &Context) {
        let heard = &self.sound.view().stack.setup;
        let known = self.session.path().is_some() && !self.session.read_only();
        if known && *heard != self.session.document().stack && !ctx.input(|i| i.pointer.any_down()) {
            let kept = self.session.amend(&Edit::SetStack(Box::new(heard.clone())));
            self.notices.check(kept);
        }
    }

    fn save_when_due(&mut self, ctx: &Context, now: f64) {
        self.keep_stack(ctx);
        match self.session.autosave(now) {
            Autosave::Nothing => {}
            Autosave::In(seconds) => ctx.request_repaint_after(Duration::from_secs_f64(seconds + 0.05)),
            Autosave::Now => {
                if let Some(snapshot) = self.session.to_save() {
                    self.work.save(snapshot);
                }
            }
        }
        self.follow_scale(ctx);
        // A slider or a window's edge on its way is not worth a write a frame.
        if self.settings.is_dirty() && !ctx.input(|i| i.pointer.any_down()) {
            let saved = self.settings.save();
            self.notices.check(saved);
        }
    }

    /// Keeps the scale, and the smallest window as large as everything in it now needs.
    fn follow_scale(&mut self, ctx: &Context) {
        let scale = ctx.zoom_factor();
        self.settings.change().scale = scale;
        if self.scaled != Some(scale) {
            self.scaled = Some(scale);
            let screen = ctx.input(|i| i.viewport().monitor_size).unwrap_or(egui::Vec2::INFINITY);
            let least = egui::Vec2::from(LEAST).min(screen);
            ctx.send_viewport_cmd(egui::ViewportCommand::MinInnerSize(least));
        }
    }

    fn draw(&mut self, ui: &mut Ui) -> Vec<Command> {
        let covered = self.panels.begin(ui.ctx(), &self.place.shown, self.session.path().is_some());
        self.place.triage.go_on = self.settings.get().go_on;
        typed::about(ui.ctx(), (self.place.selected, self.place.room));
        let theme = Theme::of(ui.ctx());
        let around = Around {
            settings: self.settings.get(),
            shown: self.place.shown,
            keyboard: self.keyboard.view(),
            history: self.session.history(),
            unsaved: self.session.is_dirty(),
            save_failed: self.session.save_failed(),
            read_only_because: self.session.read_only_because(),
            latency: self.sound.latency(),
            devices: &self.devices,
            missing: &self.missing,
        };
        let (undo, redo) = (self.session.history().undo_name(), self.session.history().redo_name());
        let document = self.session.document();
        let view = View {
            document,
            revision: self.session.history().revision(),
            sheet: self.session.sheet(),
            path: self.session.path(),
            read_only: self.session.read_only(),
            undo: undo.as_deref(),
            redo: redo.as_deref(),
            room: self.place.room,
            selected: self.place.selected,
            triage: &self.place.triage,
            derived: &self.derived,
            jobs: self.work.views(),
            notices: self.notices.views(),
            sound: self.sound.view(),
            theme: &theme,
        };
        // Before anybody sees a command in a letter that plays a note.
        let listing = self.place.shown.commands;
        let mut commands = Vec::new();
        if !listing {
            self.panels.type_for_list(shortcuts::typed_for_list(ui.ctx()));
        }
        if covered {
            // What lies over the rooms takes the keys, also those that come up.
            commands.extend(self.panels.lift_typed());
        } else {
            commands.extend(self.panels.take_keys(ui.ctx(), around.keyboard));
        }
        if listing || ui.ctx().text_edit_focused() {
            // What was pressed before a field had the focus was meant for the field.
            self.pressed.clear();
        }
        self.pressed.extend(shortcuts::pressed(ui.ctx(), listing));
        if covered {
            self.pressed.retain(|a| shortcuts::works_over(*a));
        }
        // One a frame: each goes on from where the one before led.
        if let Some(action) = self.pressed.pop_front() {
            commands.extend(shortcuts::wanted(action, &view, &around));
        }
        if !self.pressed.is_empty() {
            ui.ctx().request_repaint();
        }
        self.panels.rescue.clone_from(&self.place.rescue);
        commands.extend(self.panels.ui(ui, &view, &around));
        commands
    }

    fn remember_window(&mut self, ctx: &Context) {
        let size = ctx.input(|i| {
            let v = i.viewport();
            let ordinary = !v.maximized.unwrap_or(false) && !v.fullscreen.unwrap_or(false);
            v.inner_rect.filter(|_| ordinary).map(|r| r.size())
        });
        if let Some(size) = size {
            // As the system counts it: the window opens before anything is scaled.
            let size = size * ctx.zoom_factor();
            self.settings.change().window = [size.x, size.y];
        }
    }
}

impl eframe::App for App {
    fn logic(&mut self, ctx: &Context, _frame: &mut eframe::Frame) {
        let now = ctx.input(|i| i.time);
        self.remember_window(ctx);
        self.take_in_events(ctx);
        self.mind_closing(ctx);
        if let Some(text) = self.sound.poll(now) {
            self.notices.warn_of(About::Sound, text);
        }
        if self.sound.view().device.is_ok() {
            self.notices.mended(About::Sound);
        }
        if let Some(seconds) = self.notices.pass_time(now, self.panels.notices_read()) {
            ctx.request_repaint_after(Duration::from_secs_f64(seconds + 0.05));
        }
        self.hear_midi(ctx, now);
        self.follow_selection();
        self.keep_score();
        self.follow_keyboard();
        self.follow_deliver_room();
        self.work.refresh_views();
        self.save_when_due(ctx, now);
        if self.sound.moves() || (self.keyboard.is_held() && self.sound.has_device()) {
            ctx.request_repaint();
        } else if self.work.is_busy() {
            ctx.request_repaint_after(PROGRESS_EVERY);
        }
        if let Some(seconds) = self.sound.rests_in(now) {
            ctx.request_repaint_after(Duration::from_secs_f64(seconds + 0.05));
        }
    }

    fn ui(&mut self, ui: &mut Ui, _frame: &mut eframe::Frame) {
        let ctx = ui.ctx().clone();
        let commands = self.draw(ui);
        let changed = !commands.is_empty();
        for command in commands {
            self.dispatch(&ctx, command);
        }
        if changed {
            // What a command changed shows in the next frame, and its work starts there.
            ctx.request_repaint();
        }
    }

    fn on_exit(&mut self, _gl: Option<&eframe::glow::Context>) {
        self.work.cancel_all();
        self.sound.stop();
        self.work.finish_delivery(AT_THE_END);
        // The window is gone: standard error is the last place left to say it.
        for result in [self.session.save_now(), self.settings.save()] {
            if let Err(e) = result {
                eprintln!("{e}");
            }
        }
    }

    fn persist_egui_memory(&self) -> bool {
        false
    }
}

/// In egui's words.
pub(super) fn preference(choice: ThemeChoice) -> egui::ThemePreference {
    match choice {
        ThemeChoice::System => egui::ThemePreference::System,
        ThemeChoice::Light => egui::ThemePreference::Light,
        ThemeChoice::Dark => egui::ThemePreference::Dark,
    }
}
