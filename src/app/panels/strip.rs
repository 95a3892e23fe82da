//! The strip at the lower edge: messages at its left, what is being done at its right; where there is
//! neither, the keys that are of most use in the room, and how the session stands. It is always there and
//! always as high, and its two parts keep their places, so that nothing moves when something comes or goes.

use std::path::Path;

use egui::text::LayoutJob;
use egui::{Align, FontId, Label, Layout, Rect, Sense, TextFormat, Ui, UiBuilder, vec2};

use super::jobs::jobs;
use super::notices::NoticesPanel;
use crate::app::command::{Command, Room};
use crate::app::shortcuts::{Action, key_words, of};
use crate::app::theme::strong;
use crate::app::view::{Around, View};
use crate::app::widgets::control::soft;

/// Height of what stands in it.
const HEIGHT: f32 = 34.0;
/// Share of its width that messages have.
const MESSAGES: f32 = 0.6;
/// What is being done wants at least so much width.
const JOBS: f32 = 380.0;

/// The strip.
#[derive(Debug, Default)]
pub struct StripPanel {
    /// The messages.
    pub notices: NoticesPanel,
}

impl StripPanel {
    /// Draws the strip. `rescue`: a session that could not be read, but has an autosave.
    pub fn ui(
        &mut self,
        ui: &mut Ui,
        view: &View<'_>,
        around: &Around<'_>,
        rescue: Option<&Path>,
    ) -> Vec<Command> {
        let mut out = Vec::new();
        let (strip, _) = ui.allocate_exact_size(vec2(ui.available_width(), HEIGHT), Sense::hover());
        let share = if view.path.is_none() && view.jobs.is_empty() {
            // Nothing stands beside them.
            strip.width()
        } else {
            (strip.width() * MESSAGES).min((strip.width() - JOBS).max(strip.width() * 0.5))
        };
        let told = Rect::from_min_size(strip.min, vec2(share, HEIGHT)).shrink2(vec2(0.0, 1.0));
        let done = strip.with_min_x(told.right() + 12.0);
        if !self.notices.line(ui, told, view, around, rescue, &mut out) {
            let inside = UiBuilder::new().max_rect(told).layout(Layout::left_to_right(Align::Center));
            ui.scope_builder(inside, |ui| hints(ui, view, around));
        }
        if view.jobs.is_empty() {
            let inside = UiBuilder::new().max_rect(done).layout(Layout::right_to_left(Align::Center));
            ui.scope_builder(inside, |ui| standing(ui, view, around));
        } else {
            jobs(ui, done, view, &mut out);
        }
        out
    }
}

/// Nothing is being done: where the session is, whether it is saved.
fn standing(ui: &mut Ui, view: &View<'_>, around: &Around<'_>) {
    let Some(path) = view.path else { return };
    let saved = match (view.read_only, around.unsaved) {
        (true, _) => "Looked at only: nothing is saved here",
        (_, true) if around.save_failed => "Not saved: it is tried again",
        (_, true) => "Changed; saved by itself in a moment",
        _ => "Saved",
    };
    ui.label(soft(saved, view.theme)).on_hover_text("The session saves itself a few seconds after a change");
    ui.label(soft("·", view.theme));
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    ui.add(Label::new(soft(name, view.theme)).truncate().show_tooltip_when_elided(false))
        .on_hover_text(path.display().to_string());
}

/// The keys that are of most use where the user is; without a sound device none that plays, but how to choose one.
fn useful(view: &View<'_>) -> Vec<(Action, &'static str)> {
    use Action::{Compare, HoldStack, Keyboard, PlayLoop, PlaySeam, PlayStop, Preferences};
    let stop = (PlayStop, "stop");
    let all = of_room(view)
        .iter()
        .map(|(a, words)| if *a == PlayStop && view.sound.sounds() { stop } else { (*a, *words) });
    // Where nothing is played, what sounds on from another room can be stopped all the same.
    let no_play = view.sound.sounds() && of_room(view).iter().all(|(a, _)| *a != PlayStop);
    let all = no_play.then_some(stop).into_iter().chain(all);
    if view.sound.device.is_ok() {
        return all.collect();
    }
    let plays = |a| matches!(a, PlayStop | PlayLoop | PlaySeam | Compare | HoldStack | Keyboard);
    let silent = (Preferences, "no sound device is open: choose one");
    std::iter::once(silent).chain(all.filter(|(a, _)| !plays(*a))).collect()
}

fn of_room(view: &View<'_>) -> &'static [(Action, &'static str)] {
    use Action::{Accept, Compare, HoldStack, Keyboard, Keys, OpenFolder, PlayLoop, PlaySeam, PlayStop};
    const LOOK: (Action, &str) = (Action::NextToLookAt, "next to look at");
    const PLAY: (Action, &str) = (PlayStop, "play");
    const ALL: (Action, &str) = (Keys, "all keys");
    match view.room {
        _ if view.path.is_none() => {
            &[(OpenFolder, "choose a folder"), (Action::Commands, "all commands"), ALL]
        }
        Room::Sheet => {
            &[LOOK, PLAY, (Accept, "accept"), (Action::SetAside, "set aside"), (Action::Undo, "undo"), ALL]
        }
        Room::Bench => &[
            PLAY,
            (PlayLoop, "loop"),
            (PlaySeam, "seam"),
            (Compare, "source"),
            (Accept, "accept"),
            LOOK,
            ALL,
        ],
        Room::Stack => &[(HoldStack, "hold the stack"), (Action::NextTake, "next take"), LOOK, ALL],
        Room::Deliver => &[(Keyboard, "play the set"), LOOK, ALL],
    }
}

fn hints(ui: &mut Ui, view: &View<'_>, around: &Around<'_>) {
    let theme = view.theme;
    if around.keyboard.shown && around.keyboard.takes_keys {
        ui.label(soft("Letters play notes now; Escape makes them commands again", theme));
        return;
    }
    let room = ui.available_width();
    let mut job = LayoutJob::default();
    let plain = TextFormat::simple(FontId::proportional(13.0), theme.ink_soft);
    let bold = TextFormat::simple(FontId::new(13.0, strong()), theme.ink);
    for (i, (action, words)) in useful(view).into_iter().enumerate() {
        let key = key_words(ui.ctx(), &of(action).keys[0]);
        let mut longer = job.clone();
        longer.append(&key, if i == 0 { 0.0 } else { 16.0 }, bold.clone());
        longer.append(&format!(" {words}"), 0.0, plain.clone());
        // Those that have room, whole.
        if ui.fonts_mut(|f| f.layout_job(longer.clone())).size().x > room {
            break;
        }
        job = longer;
    }
    ui.add(Label::new(job));
}
