//! The bar at the top: the set, the rooms, undo and redo, sound, the menu.

use egui::{Align, Button, DragValue, Layout, RichText, Role, Slider, Ui, WidgetInfo};

use super::start::short_name;
use crate::app::command::{Command, EditCommand, GoCommand, LookCommand, Room, SessionCommand, SoundCommand};
use crate::app::quantity;
use crate::app::settings::LOWEST_VOLUME_DB;
use crate::app::shortcuts::{Action, key_words, of, tip, wanted, why_not};
use crate::app::theme::strong;
use crate::app::view::{Around, View};
use crate::app::widgets::control::{escaped, soft};
use crate::app::widgets::meter;
use crate::app::widgets::typed::Typed;

/// The rooms that can be entered.
const ROOMS: [(Room, &str, Action, &str); 4] = [
    (Room::Sheet, "Sheet", Action::RoomSheet, "All takes, by note and layer"),
    (Room::Bench, "Bench", Action::RoomBench, "One take: tune, trim, loop"),
    (
        Room::Stack,
        "Stack",
        Action::RoomStack,
        "All layers of a note together: spread, seams, loops that stay apart",
    ),
    (Room::Deliver, "Deliver", Action::RoomDeliver, "Names, folder, writing the set"),
];

/// The bar at the top.
#[derive(Debug, Default)]
pub struct TopBarPanel {}

impl TopBarPanel {
    /// Draws the bar.
    pub fn ui(&mut self, ui: &mut Ui, view: &View<'_>, around: &Around<'_>) -> Vec<Command> {
        let mut commands = Vec::new();
        let fold = Fold::of(ui.available_width());
        ui.horizontal(|ui| {
            if fold < Fold::Least || view.path.is_none() {
                title(ui, view, around);
            }
            if view.path.is_some() {
                ui.add_space(6.0);
                rooms(ui, view, fold, &mut commands);
                ui.add_space(6.0);
                undo_redo(ui, view, fold, &mut commands);
            }
            ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
                menu(ui, view, around, fold, &mut commands);
                sound(ui, view, fold, &mut commands);
            });
        });
        commands
    }
}

/// How much of the bar is folded away: what is left never overlaps.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Fold {
    /// Everything in words.
    Open,
    /// Undo and redo are in the menu as well, where they say what they are about; the volume has no name
    /// beside it.
    Narrow,
    /// The volume has no slider: its field can be typed in and dragged.
    Tight,
    /// The title is left to the strip at the lower edge.
    Least,
}

impl Fold {
    /// By the width in points.
    fn of(width: f32) -> Self {
        match width {
            w if w >= 930.0 => Self::Open,
            w if w >= 800.0 => Self::Narrow,
            w if w >= 680.0 => Self::Tight,
            _ => Self::Least,
        }
    }
}

fn title(ui: &mut Ui, view: &View<'_>, around: &Around<'_>) {
    let Some(path) = view.path else {
        ui.label(RichText::new("Seamwright").family(strong()).size(16.0));
        return;
    };
    let name = RichText::new(&view.document.setup.title).family(strong()).size(16.0);
    let least = if ui.available_width() < 800.0 { 70.0 } else { 80.0 };
    let width = (ui.available_width() * if least < 80.0 { 0.1 } else { 0.16 }).clamp(least, 260.0);
    ui.scope(|ui| {
        ui.set_max_width(width);
        ui.add(egui::Label::new(name).truncate().show_tooltip_when_elided(false))
            .on_hover_text(path.display().to_string());
    });
    if view.read_only {
        ui.label(RichText::new("read only").color(view.theme.warn)).on_hover_text(format!(
            "Nothing can be changed here: {}.",
            around.read_only_because.unwrap_or_default()
        ));
    }
}

fn rooms(ui: &mut Ui, view: &View<'_>, fold: Fold, commands: &mut Vec<Command>) {
    ui.spacing_mut().item_spacing.x = if fold >= Fold::Tight { 1.0 } else { 3.0 };
    let width = if fold >= Fold::Tight { 50.0 } else { 66.0 };
    for (room, name, action, about) in ROOMS {
        let here = view.room == room;
        let text = if here { RichText::new(name).family(strong()) } else { RichText::new(name) };
        let response = ui
            .add(Button::selectable(here, text).min_size(egui::vec2(width, 28.0)))
            .on_hover_text(tip(ui.ctx(), about, action));
        response.widget_info(|| WidgetInfo::selected(Role::Tab, true, here, name));
        if here {
            let r = response.rect;
            ui.painter().hline(r.x_range().shrink(4.0), r.bottom() + 1.0, (2.0, view.theme.accent));
        }
        if response.clicked() && !here {
            commands.push(Command::Go(GoCommand::Room(room)));
        }
    }
    ui.spacing_mut().item_spacing.x = 8.0;
}

/// Width in points that the sound and the menu want at the right, by how much is folded.
fn right_side(fold: Fold) -> f32 {
    match fold {
        Fold::Open => 400.0,
        Fold::Narrow => 292.0,
        // Without a sound device it is said so there.
        Fold::Tight | Fold::Least => 264.0,
    }
}

/// Undo and redo alone are as wide as this; with what they are about at least so wide, and no wider than the
/// longest names of steps need.
const WORD_ALONE: f32 = 62.0;
const WITH_STEP: (f32, f32) = (100.0, 340.0);

/// How wide undo and redo are: all of the room there is as far as names need it, and the same whatever they are
/// about, so that nothing beside them moves. None: there is no room for them.
fn undo_width(free: f32, gap: f32) -> Option<f32> {
    let each = (free - gap) / 2.0;
    match each {
        w if w < WORD_ALONE => None,
        w if w >= WITH_STEP.0 => Some(w.min(WITH_STEP.1).floor()),
        _ => Some(WORD_ALONE),
    }
}

fn undo_redo(ui: &mut Ui, view: &View<'_>, fold: Fold, commands: &mut Vec<Command>) {
    let free = ui.available_width() - right_side(fold);
    let Some(width) = undo_width(free, ui.spacing().item_spacing.x) else { return };
    let steps = [
        ("Undo", view.undo, Action::Undo, EditCommand::Undo),
        ("Redo", view.redo, Action::Redo, EditCommand::Redo),
    ];
    for (word, label, action, command) in steps {
        let named = label.filter(|_| width > WORD_ALONE);
        let text = named.map_or_else(|| word.into(), |l| format!("{word}: {l}"));
        let about =
            label.map_or_else(|| format!("Nothing to {}", word.to_lowercase()), |l| format!("{word} “{l}”"));
        let hover = tip(ui.ctx(), &about, action);
        let enabled = label.is_some() && !view.read_only;
        // Its end is cut where there is no room; the tooltip has all of it.
        let button = Button::new(&text).truncate();
        let size = egui::vec2(width, ui.spacing().interact_size.y);
        let response = ui.add_enabled_ui(enabled, |ui| ui.add_sized(size, button)).inner;
        let response = response.accessible_name(text);
        if response.on_hover_text(&hover).on_disabled_hover_text(&hover).clicked() {
            commands.push(Command::Edit(command));
        }
    }
}

fn shortened(text: &str, most: usize) -> String {
    if text.chars().count() <= most {
        return text.into();
    }
    text.chars().take(most - 1).chain(['…']).collect()
}

/// What has no place in a room.
fn menu(ui: &mut Ui, view: &View<'_>, around: &Around<'_>, fold: Fold, commands: &mut Vec<Command>) {
    let shown = ui.menu_button("Menu", |ui| {
        ui.set_min_width(210.0);
        let entry = |ui: &mut Ui, text: &str, action: Action, commands: &mut Vec<Command>| {
            let why_not = why_not(action, view);
            let button = Button::new(text).shortcut_text(key_words(ui.ctx(), &of(action).keys[0]));
            let r = ui.add_enabled(why_not.is_none(), button);
            if r.on_disabled_hover_text(why_not.unwrap_or_default()).clicked() {
                commands.extend(wanted(action, view, around));
                ui.close();
            }
        };
        if fold >= Fold::Narrow && view.path.is_some() {
            for (word, step, action) in [("Undo", view.undo, Action::Undo), ("Redo", view.redo, Action::Redo)]
            {
                let text = step.map_or_else(|| word.into(), |l| format!("{word}: {}", shortened(l, 40)));
                entry(ui, &text, action, commands);
            }
            ui.separator();
        }
        entry(ui, "Choose folder…", Action::OpenFolder, commands);
        let about = "A field for the path of a folder, a sound file or a session";
        if ui.button("Open a path…").on_hover_text(about).clicked() {
            commands.push(Command::Look(LookCommand::OpenPath(true)));
            ui.close();
        }
        recent(ui, around, commands);
        ui.separator();
        entry(ui, "All commands", Action::Commands, commands);
        entry(ui, "Undo list", Action::Steps, commands);
        entry(ui, "All messages", Action::Messages, commands);
        entry(ui, "Audition keyboard", Action::Keyboard, commands);
        ui.separator();
        entry(ui, "Preferences", Action::Preferences, commands);
        entry(ui, "Which key does what", Action::Keys, commands);
    });
    let hover = "Opening, all commands, the undo list, messages, the audition keyboard, preferences, keys";
    shown.response.on_hover_text(hover);
}

fn recent(ui: &mut Ui, around: &Around<'_>, commands: &mut Vec<Command>) {
    let paths = &around.settings.recent;
    if paths.is_empty() {
        ui.add_enabled(false, Button::new("Opened lately")).on_disabled_hover_text("Nothing yet");
        return;
    }
    ui.menu_button("Opened lately", |ui| {
        ui.set_max_width(420.0);
        for path in paths {
            let there = !around.missing.contains(path);
            let shown = path.display().to_string();
            let r = ui.add_enabled(there, Button::new(short_name(path)).truncate()).on_hover_text(&shown);
            if r.on_disabled_hover_text(format!("{shown} is not there now")).clicked() {
                commands.push(Command::Session(SessionCommand::Open(vec![path.clone()])));
                ui.close();
            }
        }
    });
}

/// From right to left: meter, volume, and what is wrong with the device.
fn sound(ui: &mut Ui, view: &View<'_>, fold: Fold, commands: &mut Vec<Command>) {
    match &view.sound.device {
        Ok(name) => {
            let _ = meter::meter(ui, view.sound.peak, view.sound.limited, view.theme)
                .on_hover_text(format!("Sound device: {name}"));
            let mut db = view.sound.volume_db;
            ui.spacing_mut().slider_width = if fold >= Fold::Narrow { 50.0 } else { 90.0 };
            let range = f64::from(LOWEST_VOLUME_DB)..=0.0;
            let (read, write) = (volume_parsed, volume_words);
            let typed = Typed { range, unit: "", decimals: 0, read: &read, write: Some(&write) };
            let hover = tip(ui.ctx(), "Volume in dB below full scale; begin low", Action::Louder);
            let now = f64::from(view.sound.volume_db);
            let shown = |v: f64, _: std::ops::RangeInclusive<usize>| volume_words(v);
            let field = if fold >= Fold::Tight {
                let field = DragValue::new(&mut db).range(LOWEST_VOLUME_DB..=0.0).speed(0.25);
                typed.drag(ui, field.custom_formatter(shown), now)
            } else {
                let slider = Slider::new(&mut db, LOWEST_VOLUME_DB..=0.0).step_by(1.0);
                typed.slider(ui, slider.custom_formatter(shown), now)
            };
            let r = field.accessible_name("Volume").on_hover_text(hover);
            let before = escaped(ui, &r, view.sound.volume_db);
            if let Some(db) = before.or(r.changed().then_some(db)) {
                commands.push(Command::Sound(SoundCommand::Volume(db)));
            }
            if fold < Fold::Narrow {
                ui.label(soft("Volume", view.theme));
            }
        }
        Err(why) => {
            if ui
                .button("Look for sound")
                .on_hover_text("Tries to open the sound device again. Everything else works without sound.")
                .clicked()
            {
                commands.push(Command::Sound(SoundCommand::TryDevice));
            }
            ui.label(RichText::new("No sound").color(view.theme.warn)).on_hover_text(why);
        }
    }
}

fn volume_parsed(text: &str) -> Option<f64> {
    match text.trim() {
        "silent" => Some(f64::from(LOWEST_VOLUME_DB)),
        text => quantity::parse(text, "dB", None),
    }
}

fn volume_words(db: f64) -> String {
    if db <= f64::from(LOWEST_VOLUME_DB) {
        "silent".into()
    } else if db > -0.5 {
        "0 dB".into()
    } else {
        format!("−{:.0} dB", db.abs())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn undo_is_as_wide_as_the_window_lets_it_whatever_it_is_about() {
        assert_eq!(undo_width(1000.0, 8.0), Some(WITH_STEP.1));
        assert_eq!(undo_width(508.0, 8.0), Some(250.0));
        assert_eq!(undo_width(260.0, 8.0), Some(126.0));
        assert_eq!(undo_width(200.0, 8.0), Some(WORD_ALONE));
        assert_eq!(undo_width(100.0, 8.0), None);
    }

    #[test]
    fn long_labels_are_cut_with_an_ellipsis() {
        assert_eq!(shortened("Accept", 22), "Accept");
        assert_eq!(shortened("abcdef", 4), "abc…");
    }
}
