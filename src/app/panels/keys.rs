//! The list of keys, made from the table of shortcuts.

use egui::{Align2, Context, Grid, Key, RichText, ScrollArea, vec2};

use crate::app::command::{Command, LookCommand, Room};
use crate::app::shortcuts::{LOOP, TABLE, key_words};
use crate::app::theme::{Theme, strong};
use crate::app::widgets::control::soft;
use crate::app::widgets::dialog::{dialog, heading};

/// Below this width three columns do not fit.
const THREE_COLUMNS: f32 = 1080.0;

/// The list of keys.
#[derive(Debug, Default)]
pub struct KeysPanel {
    /// Its size when it was drawn last.
    size: egui::Vec2,
}

impl KeysPanel {
    /// Draws the list over everything else.
    pub fn ui(&mut self, ctx: &Context, theme: &Theme, here: Room) -> Vec<Command> {
        let mut close = false;
        // As large as the list is, or as the window allows: then it scrolls.
        let size = ctx.content_rect().size() - vec2(64.0, 110.0);
        let size = size.min(vec2(1190.0, 830.0));
        let shown =
            dialog("Keys").fixed_size(size).anchor(Align2::CENTER_CENTER, [0.0, 0.0]).show(ctx, |ui| {
                close = heading(ui, "Keys");
                ScrollArea::both().auto_shrink(false).max_height(size.y - 56.0).show(ui, |ui| {
                    ui.horizontal_top(|ui| {
                        ui.vertical(|ui| {
                            group(ui, ctx, theme, "Moving about");
                            group(ui, ctx, theme, "Deciding");
                            group(ui, ctx, theme, "Session");
                        });
                        ui.add_space(28.0);
                        // Two columns where three do not fit.
                        let narrow = size.x < THREE_COLUMNS;
                        ui.vertical(|ui| {
                            if narrow {
                                rooms(ui, theme, here);
                            }
                            group(ui, ctx, theme, "Hearing");
                            group(ui, ctx, theme, LOOP);
                        });
                        if !narrow {
                            ui.add_space(28.0);
                            ui.vertical(|ui| rooms(ui, theme, here));
                        }
                    });
                });
                ui.add_space(4.0);
                let about =
                    "Tab goes from control to control, Escape leaves one. In a text field letters are text.";
                ui.add(egui::Label::new(soft(about, theme)).truncate());
            });
        // What grew is cut off until it is drawn once more.
        if let Some(shown) = shown
            && shown.response.rect.size() != std::mem::replace(&mut self.size, shown.response.rect.size())
        {
            ctx.request_repaint();
        }
        close |= ctx.input(|i| i.key_pressed(Key::Escape));
        if !close { Vec::new() } else { vec![Command::Look(LookCommand::Keys(false))] }
    }
}

/// A room, its heading, and what keys and mouse do there.
type OfRoom = (Room, &'static str, &'static [(&'static str, &'static str)]);

/// What keys and mouse do in each room besides.
const ROOMS: [OfRoom; 4] = [
    (Room::Sheet, "In the sheet", &SHEET),
    (Room::Bench, "On the bench", &BENCH),
    (Room::Stack, "In the stack", &STACK),
    (Room::Deliver, "In the deliver room", &DELIVER),
];

/// What keys and mouse do in the deliver room.
const DELIVER: [(&str, &str); 3] = [
    ("Enter", "Takes what was typed"),
    ("Click on a key or level", "Selects the take"),
    ("Escape", "Cancels a drag, or what was typed"),
];

/// Keys that belong to what has the focus on the bench, and what the mouse does there.
const BENCH: [(&str, &str); 16] = [
    ("Drag in the seam", "Left: loop end, right: loop start"),
    ("Click in the loop map", "Best loop near there"),
    ("Arrows, Enter", "In the loop map: a place, take it"),
    ("+ and –", "Zoom in, out"),
    ("F", "Fit the take"),
    ("Shift+F", "Fit the loop"),
    ("Wheel", "Earlier, later"),
    ("Ctrl+Wheel", "Nearer, further at the pointer"),
    ("Tab", "From handle to handle"),
    ("Left, Right", "Handle by 1 frame"),
    ("Shift+Left, Right", "Handle by 10 ms"),
    ("Page Up, Down", "Handle by one period"),
    ("O, Shift+O", "To the next zero crossing, back"),
    ("I", "Gain picture"),
    ("Delete", "Removes a node, room tone"),
    ("Escape", "Cancels a drag"),
];

/// What keys and mouse do in the sheet.
const SHEET: [(&str, &str); 7] = [
    ("Arrows, Home, End", "From take to take"),
    ("With Shift, Shift+Click", "Selects a range"),
    ("Ctrl+Click", "Adds to what is selected, takes out"),
    ("Ctrl+Shift+Click", "Adds a range"),
    ("Enter", "Opens the take on the bench"),
    ("Drag", "What is selected to another cell"),
    ("Escape", "One selected; stops “Propose all”"),
];

/// What the mouse does in the stack room.
const STACK: [(&str, &str); 4] = [
    ("Click in the picture", "Hears the stack from there"),
    ("Drag the line", "How far turns are to stay apart"),
    ("Drag, Wheel", "Earlier, later"),
    ("Ctrl+Wheel", "Nearer, further at the pointer"),
];

/// Keys of the audition keyboard while it has them.
const NOTES: [(&str, &str); 5] = [
    ("Z X C …, A S D …", "Notes, whole tones apart in a row"),
    ("Z S X D C …", "The same in semitones"),
    ("Q and W", "An octave down, up"),
    ("Space", "Sustains while it is down"),
    ("Escape", "Letters are commands again"),
];

/// What there is in each room besides, the one that is shown first.
fn rooms(ui: &mut egui::Ui, theme: &Theme, here: Room) {
    let mut rooms = ROOMS;
    rooms.sort_by_key(|(which, _, _)| *which != here);
    for (which, name, lines) in rooms {
        let this = if which == here { ", this room" } else { "" };
        room(ui, theme, &format!("{name}{this}"), lines);
        ui.add_space(8.0);
    }
    room(ui, theme, "While letters play notes", &NOTES);
    ui.add_space(8.0);
}

fn room(ui: &mut egui::Ui, theme: &Theme, name: &str, lines: &[(&str, &str)]) {
    ui.label(RichText::new(name).family(strong()));
    Grid::new(name).num_columns(2).spacing([16.0, 3.0]).min_row_height(20.0).show(ui, |ui| {
        for (keys, words) in lines {
            ui.label(RichText::new(*keys).color(theme.accent));
            ui.label(*words);
            ui.end_row();
        }
    });
}

fn group(ui: &mut egui::Ui, ctx: &Context, theme: &Theme, name: &str) {
    ui.label(RichText::new(name).family(strong()));
    Grid::new(name).num_columns(2).spacing([16.0, 3.0]).min_row_height(20.0).show(ui, |ui| {
        for s in TABLE.iter().filter(|s| s.group == name) {
            let keys: Vec<_> = s.keys.iter().map(|k| key_words(ctx, k)).collect();
            ui.label(RichText::new(keys.join(" or ")).color(theme.accent));
            ui.label(s.words);
            ui.end_row();
        }
    });
    ui.add_space(8.0);
}
