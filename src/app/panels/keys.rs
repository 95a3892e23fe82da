//! The list of keys, made from the table of shortcuts.

use egui::style::ScrollAnimation;
use egui::{
    Align, Align2, Context, FontSelection, Key, Label, LayerId, Layout, Modifiers, RichText, ScrollArea,
    TextStyle, Ui, WidgetText, vec2,
};

use crate::app::command::{Command, LookCommand, Room};
use crate::app::shortcuts::{LOOP, Shortcut, TABLE, key_words};
use crate::app::theme::{Theme, strong};
use crate::app::widgets::control::soft;
use crate::app::widgets::dialog::{self, Arrows, dialog, heading};

/// Below this width three columns do not fit.
const THREE_COLUMNS: f32 = 1000.0;
/// Between two columns, in points.
const GAP: f32 = 28.0;
/// Largest list, in points: all of it shows in a window of 1920 × 1080.
const MOST: egui::Vec2 = vec2(1500.0, 960.0);
/// Height of a line, at least.
const LINE: f32 = 20.0;
/// A step of the arrows, in points: two lines.
const STEP: f32 = 46.0;
/// Below the list.
const ABOUT: &str = "Tab goes from control to control (to one of the takes; arrows to the others), Escape leaves one. In a text field letters are text. This list: arrows, Page, Home and End.";
/// Between the lines of a group, and below it, in points.
const LINES: f32 = 3.0;
const BELOW: f32 = 8.0;
/// Widest column of keys, in points.
const MOST_FOR_KEYS: f32 = 176.0;

/// The list of keys.
#[derive(Debug, Default)]
pub struct KeysPanel {
    /// Its size when it was drawn last.
    size: egui::Vec2,
    /// It was there in the pass before.
    last: u64,
    /// Where it was drawn last.
    layer: Option<LayerId>,
}

impl KeysPanel {
    /// Draws the list over everything else.
    pub fn ui(&mut self, ctx: &Context, theme: &Theme, here: Room) -> Vec<Command> {
        let mut close = false;
        let has_keys = self.layer.is_some_and(|l| dialog::is_top(ctx, l));
        // As large as the list is, or as the window allows: then it scrolls.
        let size = ctx.content_rect().size() - vec2(64.0, 110.0);
        let size = size.min(MOST);
        let now = ctx.cumulative_pass_nr();
        let fresh = now > std::mem::replace(&mut self.last, now) + 1;
        let shown =
            dialog("Keys").fixed_size(size).anchor(Align2::CENTER_CENTER, [0.0, 0.0]).show(ctx, |ui| {
                close = heading(ui, "Keys", fresh);
                let foot = WidgetText::from(soft(ABOUT, theme)).into_galley(
                    ui,
                    Some(egui::TextWrapMode::Wrap),
                    ui.available_width(),
                    FontSelection::Default,
                );
                let height = ui.available_height() - foot.size().y - 16.0;
                ScrollArea::vertical().auto_shrink(false).max_height(height).show(ui, |ui| {
                    if has_keys {
                        scroll(ui, height);
                    }
                    columns(ui, ctx, theme, here);
                });
                ui.add_space(4.0);
                ui.add(Label::new(foot));
            });
        if let Some(shown) = &shown {
            self.layer = Some(shown.response.layer_id);
            dialog::drawn(ctx, shown.response.layer_id, Arrows::Own);
            close |= dialog::escaped(ctx, shown.response.layer_id);
        }
        // What grew is cut off until it is drawn once more.
        if let Some(shown) = shown
            && shown.response.rect.size() != std::mem::replace(&mut self.size, shown.response.rect.size())
        {
            ctx.request_repaint();
        }
        if !close { Vec::new() } else { vec![Command::Look(LookCommand::Keys(false))] }
    }
}

/// Arrows, Page, Home and End move the list, which is `height` high.
fn scroll(ui: &Ui, height: f32) {
    let steps = [
        (Key::ArrowDown, STEP),
        (Key::ArrowUp, -STEP),
        (Key::PageDown, height - STEP),
        (Key::PageUp, STEP - height),
        // Further than it goes.
        (Key::End, 1e5),
        (Key::Home, -1e5),
    ];
    let times = |key| ui.input_mut(|i| i.count_and_consume_key(Modifiers::NONE, key)) as f32;
    let by: f32 = steps.into_iter().map(|(key, by)| by * times(key)).sum();
    if by != 0.0 {
        ui.scroll_with_delta_animation(vec2(0.0, -by), ScrollAnimation::none());
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
const BENCH: [(&str, &str); 19] = [
    ("Drag in the seam", "Left: loop end, right: loop start"),
    ("Click in the loop map", "Best loop near there"),
    ("Arrows, Enter", "In the loop map: a place, take it"),
    ("+ and −", "Zoom in, out"),
    ("F", "Fit the take"),
    ("Shift+F", "Fit the loop"),
    ("Wheel", "Earlier, later"),
    ("Ctrl+Wheel", "Nearer, further at the pointer"),
    ("Tab, after a click into the wave", "From handle to handle"),
    ("Left, Right", "Handle by 1 frame"),
    ("Shift+Left, Right", "Handle by 10 ms"),
    ("Page Up, Down", "Handle by one period"),
    ("O, Shift+O", "To the next zero crossing, back"),
    ("I", "Gain picture"),
    ("Drag the strength curve", "Bends it: a node where it is held"),
    ("Drag the reduction curve", "The same, in the column"),
    ("Double-click beside a curve", "Adds a node"),
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

/// A heading and the lines below it.
struct Group {
    name: String,
    lines: Vec<(String, &'static str)>,
}

impl Group {
    fn of_table(ctx: &Context, name: &str) -> Self {
        let keys = |s: &Shortcut| {
            let keys: Vec<_> = s.keys.iter().map(|k| key_words(ctx, k)).collect();
            (keys.join(" or "), s.words)
        };
        Self { name: name.into(), lines: TABLE.iter().filter(|s| s.group == name).map(keys).collect() }
    }

    fn of_room(name: String, lines: &'static [(&'static str, &'static str)]) -> Self {
        Self { name, lines: lines.iter().map(|(keys, words)| ((*keys).to_owned(), *words)).collect() }
    }
}

/// All groups in the order in which they are to be found: what is of use everywhere, then the room that shows.
fn groups(ctx: &Context, here: Room) -> Vec<Group> {
    let mut rooms = ROOMS;
    rooms.sort_by_key(|(which, _, _)| *which != here);
    let mut rooms = rooms.into_iter().map(|(which, name, lines)| {
        let this = if which == here { ", this room" } else { "" };
        Group::of_room(format!("{name}{this}"), lines)
    });
    let mut all = vec![Group::of_table(ctx, "Moving about"), Group::of_table(ctx, "Hearing")];
    all.extend(rooms.next());
    all.extend(["Deciding", LOOP, "Session"].map(|name| Group::of_table(ctx, name)));
    all.extend(rooms);
    all.push(Group::of_room("While letters play notes".into(), &NOTES));
    all
}

/// The groups in columns of one width and about one length: the longest first, each in the column that is
/// shortest so far; within a column and from left to right they stand in their order.
fn columns(ui: &mut Ui, ctx: &Context, theme: &Theme, here: Room) {
    let room = ui.available_width();
    let count = if room < THREE_COLUMNS { 2 } else { 3 };
    let width = ((room - GAP * (count - 1) as f32) / count as f32).floor();
    let mut columns: Vec<(f32, Vec<(usize, Group)>)> = (0..count).map(|_| (0.0, Vec::new())).collect();
    let mut all: Vec<_> = groups(ctx, here).into_iter().enumerate().collect();
    let heights: Vec<f32> = all.iter().map(|(_, g)| height_of(ui, g, width)).collect();
    all.sort_by(|(a, _), (b, _)| heights[*b].total_cmp(&heights[*a]));
    for (place, group) in all {
        if let Some((height, shortest)) = columns.iter_mut().min_by(|(a, _), (b, _)| a.total_cmp(b)) {
            *height += heights[place];
            shortest.push((place, group));
        }
    }
    for (_, column) in &mut columns {
        column.sort_by_key(|(place, _)| *place);
    }
    columns.sort_by_key(|(_, column)| column.first().map(|(place, _)| *place));
    ui.horizontal_top(|ui| {
        ui.spacing_mut().item_spacing.x = GAP;
        for (_, column) in columns {
            ui.allocate_ui_with_layout(vec2(width, 0.0), Layout::top_down(Align::Min), |ui| {
                ui.set_width(width);
                ui.spacing_mut().item_spacing = vec2(8.0, LINES);
                column.iter().for_each(|(_, g)| group(ui, theme, g));
            });
        }
    });
}

/// How wide the keys of a group stand in a column of `width`.
fn keys_width(width: f32) -> f32 {
    (width * 0.42).min(MOST_FOR_KEYS)
}

/// How high a group stands in a column of `width`.
fn height_of(ui: &Ui, group: &Group, width: f32) -> f32 {
    let font = TextStyle::Body.resolve(ui.style());
    let keys = keys_width(width);
    let ink = ui.visuals().text_color();
    let high = |text: &str, width: f32| {
        ui.fonts_mut(|f| f.layout(text.to_owned(), font.clone(), ink, width)).size().y
    };
    let lines = group
        .lines
        .iter()
        .map(|(k, words)| high(k, keys).max(high(words, width - keys - 8.0)).max(LINE) + LINES);
    high(&group.name, width) + LINES + lines.sum::<f32>() + BELOW
}

/// One group: its keys in a column, what they do beside them, in several lines where that is long.
fn group(ui: &mut Ui, theme: &Theme, group: &Group) {
    ui.label(RichText::new(&group.name).family(strong()));
    let keys_width = keys_width(ui.available_width());
    for (keys, words) in &group.lines {
        ui.horizontal_top(|ui| {
            ui.allocate_ui_with_layout(vec2(keys_width, LINE), Layout::top_down(Align::Min), |ui| {
                ui.set_width(keys_width);
                ui.add(Label::new(RichText::new(keys).color(theme.accent)).wrap());
            });
            ui.add(Label::new(*words).wrap());
        });
    }
    ui.add_space(BELOW);
}
