//! The bar at the top: the set, the rooms, undo and redo, sound, the look.

use egui::{Align, Button, ComboBox, Layout, RichText, Role, Slider, Ui, WidgetInfo};

use crate::app::command::{Command, EditCommand, GoCommand, LookCommand, Room, SoundCommand, ThemeChoice};
use crate::app::settings::{LOWEST_VOLUME_DB, Settings};
use crate::app::shortcuts::{Action, tip};
use crate::app::theme::strong;
use crate::app::view::View;
use crate::app::widgets::{control::soft, meter};

/// The rooms that can be entered.
const ROOMS: [(Room, &str, Action, &str); 4] = [
    (Room::Sheet, "Sheet", Action::RoomSheet, "All takes, by note and layer"),
    (Room::Bench, "Bench", Action::RoomBench, "One take: tune, trim, loop"),
    (
        Room::Stack,
        "Stack",
        Action::RoomStack,
        "All layers of a note together: spread, joins, loops that stay apart",
    ),
    (Room::Deliver, "Deliver", Action::RoomDeliver, "Names, folder, writing the set"),
];

/// The bar at the top.
#[derive(Debug, Default)]
pub struct TopBarPanel {}

impl TopBarPanel {
    /// Draws the bar.
    pub fn ui(&mut self, ui: &mut Ui, view: &View<'_>, settings: &Settings) -> Vec<Command> {
        let mut commands = Vec::new();
        ui.horizontal(|ui| {
            title(ui, view);
            if view.path.is_some() {
                ui.add_space(6.0);
                rooms(ui, view, &mut commands);
                ui.add_space(6.0);
                undo_redo(ui, view, &mut commands);
            }
            ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
                let hover = tip(ui.ctx(), "Which key does what", Action::Keys);
                if ui.button("Keys").on_hover_text(hover).clicked() {
                    commands.push(Command::Look(LookCommand::Keys(true)));
                }
                look(ui, settings.theme, &mut commands);
                sound(ui, view, &mut commands);
            });
        });
        commands
    }
}

fn title(ui: &mut Ui, view: &View<'_>) {
    let Some(path) = view.path else {
        ui.label(RichText::new("Seamwright").family(strong()).size(16.0));
        return;
    };
    let name = RichText::new(&view.document.setup.title).family(strong()).size(16.0);
    let width = (ui.available_width() * 0.16).clamp(90.0, 260.0);
    ui.scope(|ui| {
        ui.set_max_width(width);
        ui.add(egui::Label::new(name).truncate()).on_hover_text(path.display().to_string());
    });
    if view.read_only {
        ui.label(RichText::new("read only").color(view.theme.warn))
            .on_hover_text("Another program has this session open; nothing can be changed here.");
    }
}

fn rooms(ui: &mut Ui, view: &View<'_>, commands: &mut Vec<Command>) {
    ui.spacing_mut().item_spacing.x = 3.0;
    for (room, name, action, about) in ROOMS {
        let here = view.room == room;
        let text = if here { RichText::new(name).family(strong()) } else { RichText::new(name) };
        let response = ui
            .add(Button::selectable(here, text).min_size(egui::vec2(66.0, 28.0)))
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

fn undo_redo(ui: &mut Ui, view: &View<'_>, commands: &mut Vec<Command>) {
    let steps = [
        ("Undo", view.undo, Action::Undo, EditCommand::Undo),
        ("Redo", view.redo, Action::Redo, EditCommand::Redo),
    ];
    for (word, label, action, command) in steps {
        let text = label.map_or_else(|| word.into(), |l| format!("{word}: {}", shortened(l, 22)));
        let about =
            label.map_or_else(|| format!("Nothing to {}", word.to_lowercase()), |l| format!("{word} “{l}”"));
        let hover = tip(ui.ctx(), &about, action);
        let enabled = label.is_some() && !view.read_only;
        let response =
            ui.add_enabled(enabled, Button::new(text)).on_hover_text(&hover).on_disabled_hover_text(&hover);
        if response.clicked() {
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

fn look(ui: &mut Ui, now: ThemeChoice, commands: &mut Vec<Command>) {
    let name = |c| match c {
        ThemeChoice::System => "As system",
        ThemeChoice::Light => "Light",
        ThemeChoice::Dark => "Dark",
    };
    let shown = ComboBox::from_id_salt("look").selected_text(name(now)).width(84.0).show_ui(ui, |ui| {
        for choice in [ThemeChoice::System, ThemeChoice::Light, ThemeChoice::Dark] {
            if ui.selectable_label(now == choice, name(choice)).clicked() && now != choice {
                commands.push(Command::Look(LookCommand::Theme(choice)));
            }
        }
    });
    shown.response.accessible_name("Colours").on_hover_text("Colours: light, dark, or as the system has it");
}

/// From right to left: meter, volume, and what is wrong with the device.
fn sound(ui: &mut Ui, view: &View<'_>, commands: &mut Vec<Command>) {
    match &view.sound.device {
        Ok(name) => {
            let _ = meter::meter(ui, view.sound.peak, view.sound.limited, view.theme)
                .on_hover_text(format!("Sound device: {name}"));
            let mut db = view.sound.volume_db;
            ui.spacing_mut().slider_width = 90.0;
            let slider = Slider::new(&mut db, LOWEST_VOLUME_DB..=0.0)
                .step_by(1.0)
                .custom_formatter(|v, _| volume_words(v))
                .custom_parser(|t| t.replace('−', "-").trim_end_matches("dB").trim().parse().ok());
            let hover = tip(ui.ctx(), "Volume in dB below full scale; begin low", Action::Louder);
            if ui.add(slider).accessible_name("Volume").on_hover_text(hover).changed() {
                commands.push(Command::Sound(SoundCommand::Volume(db)));
            }
            ui.label(soft("Volume", view.theme));
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
    fn long_labels_are_cut_with_an_ellipsis() {
        assert_eq!(shortened("Accept", 22), "Accept");
        assert_eq!(shortened("abcdef", 4), "abc…");
    }
}
