//! The menu of a take in the sheet: what can be done with what is selected, each with its key.

use egui::{Button, Response, Ui};

use crate::app::command::{Command, GoCommand, Room};
use crate::app::shortcuts::{Action, command_for, key_words, of};
use crate::app::view::View;
use crate::app::words;
use crate::session::{Take, TakeState, placing};

/// Opens the menu on a click with the other button.
pub(super) fn context(r: &Response, view: &View<'_>, take: &Take, commands: &mut Vec<Command>) {
    r.context_menu(|ui| {
        ui.set_min_width(230.0);
        entries(ui, view, take, commands);
    });
}

fn entries(ui: &mut Ui, view: &View<'_>, take: &Take, commands: &mut Vec<Command>) {
    let chosen = view.chosen();
    let of_all = |text: &str| match chosen.len() {
        0 | 1 => text.to_owned(),
        n => format!("{text} {}", words::takes(n)),
    };
    let mut entry = |ui: &mut Ui, text: String, action: Action, enabled: bool| {
        let key = key_words(ui.ctx(), &of(action).keys[0]);
        if ui.add_enabled(enabled, Button::new(text).shortcut_text(key)).clicked() {
            commands.extend(command_for(action, view, false));
            ui.close();
        }
    };
    let takes = || chosen.iter().filter_map(|id| view.document.take(*id));
    let writable = !view.read_only;
    let not_all = |s: TakeState| takes().any(|t| t.state != s);
    entry(ui, "Play".into(), Action::PlayStop, view.sound.device.is_ok());
    ui.separator();
    entry(ui, of_all("Accept"), Action::Accept, writable && not_all(TakeState::Accepted));
    entry(ui, of_all("Set aside"), Action::SetAside, writable && not_all(TakeState::SetAside));
    let later = if chosen.len() > 1 { of_all("Decide later about") } else { words::DECIDE_LATER.into() };
    entry(ui, later, Action::Undecide, writable && takes().any(|t| !t.needs_a_look()));
    entry(ui, of_all("Propose"), Action::Propose, writable && takes().any(|t| t.note.is_some()));
    let claims = placing::claims(view.document, take.id).len();
    if claims > 1 && chosen.len() < 2 {
        let can = placing::keep(view.document, take.id).is_ok();
        entry(ui, format!("Keep this one of {claims}"), Action::Keep, writable && can);
    }
    ui.separator();
    entry(ui, "Another note or layer…".into(), Action::Move, writable);
    entry(ui, "Select all shown".into(), Action::SelectAll, view.room == Room::Sheet);
    let key = key_words(ui.ctx(), &of(Action::RoomBench).keys[0]);
    if ui.add(Button::new("Open on the bench").shortcut_text(key)).clicked() {
        commands.push(Command::Go(GoCommand::Select(take.id)));
        commands.push(Command::Go(GoCommand::Room(Room::Bench)));
        ui.close();
    }
}
