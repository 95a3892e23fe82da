//! The layers as a table: what is heard of each, where its loop is on its way round, when it next comes near
//! another.

use egui::{
    Align, Align2, Button, FontId, Label, Layout, Painter, Rect, RichText, Role, Sense, Shape, Stroke, Ui,
    UiBuilder, WidgetInfo, pos2, vec2,
};

use super::layer;
use super::model::{Lane, Missing, Stack, Together};
use crate::app::command::{Command, WorkCommand};
use crate::app::theme::{mix, strong};
use crate::app::view::View;
use crate::app::widgets::control::{READ_ONLY, soft};
use crate::app::widgets::layer_sign::{layer_sign, word};
use crate::render::apart::{minutes, moment};

const HEAD: f32 = 20.0;
const ROW: f32 = 34.0;
/// In a narrow room what is known of the loop stands on a line of its own.
const SECOND: f32 = 20.0;
const GAP: f32 = 6.0;

/// Columns with their widths.
const COLUMNS: [(&str, f32, &str); 9] = [
    ("", 30.0, ""),
    ("Layer", 62.0, "The layer's number and sign, as in the picture"),
    ("Sounding", 108.0, "Which layers sound when the stack is held; for listening only"),
    ("Level", 74.0, "How loud the layer is in the stack; for listening only"),
    ("Pan", 82.0, "Where the layer stands between left and right; for listening only"),
    ("Loop", 52.0, "How long one turn of the loop lasts at this spread"),
    ("Turns/min", 60.0, "How often the loop turns in a minute"),
    ("Score", 40.0, "How alike the two ends of the loop are: 100 is best"),
    ("Next near", 106.0, "When a turn of this layer next comes near one of another layer, and of which"),
];
/// How many of them a narrow room has.
const NARROW: usize = 5;

/// What is drawn.
pub struct Shown<'a> {
    pub view: &'a View<'a>,
    pub stack: &'a Stack<'a>,
    pub together: &'a Together,
    /// The moment that is looked at: where it sounds, else where the pointer is.
    pub at_s: Option<f64>,
}

/// Width of the table with all its columns.
pub fn width() -> f32 {
    COLUMNS.iter().map(|(_, w, _)| w + GAP).sum()
}

/// Height of a table of so many layers in a room so wide.
pub fn height(rows: usize, room: f32) -> f32 {
    let row = if room < width() { ROW + SECOND } else { ROW };
    HEAD + row * rows as f32
}

/// Draws the table.
pub fn show(ui: &mut Ui, shown: &Shown<'_>, out: &mut Vec<Command>) {
    let narrow = ui.available_width() < width();
    let high = height(shown.stack.lanes.len(), ui.available_width());
    let (rect, _) = ui.allocate_exact_size(vec2(ui.available_width(), high), Sense::hover());
    let columns = if narrow { &COLUMNS[..NARROW] } else { &COLUMNS[..] };
    let mut x = rect.left();
    let mut places = Vec::new();
    for (name, w, about) in columns {
        places.push((x, *w));
        let font = FontId::proportional(12.0);
        let at = pos2(x, rect.top() + HEAD / 2.0);
        if !name.is_empty() {
            let place = Rect::from_min_size(pos2(x, rect.top()), vec2(*w, HEAD));
            let r = ui.interact(place, ui.scope_id().with(("stack column", *name)), Sense::hover());
            r.widget_info(|| WidgetInfo::labeled(Role::Label, true, *name));
            r.on_hover_text(*about);
        }
        ui.painter().text(at, Align2::LEFT_CENTER, *name, font, shown.view.theme.ink_soft);
        x += w + GAP;
    }
    let row = if narrow { ROW + SECOND } else { ROW };
    for (k, lane) in shown.stack.lanes.iter().enumerate() {
        let top = rect.top() + HEAD + row * k as f32;
        let line = stroke(shown.view);
        ui.painter().hline(rect.left()..=x.min(rect.right()), top, line);
        let cell = |i: usize| {
            let (left, w): (f32, f32) = places[i];
            Rect::from_min_size(pos2(left, top + 3.0), vec2(w, ROW - 6.0))
        };
        one(ui, shown, (k, lane), &cell, narrow, out);
    }
}

fn stroke(view: &View<'_>) -> Stroke {
    Stroke::new(1.0, mix(view.theme.paper, view.theme.line, 0.7))
}

fn one(
    ui: &mut Ui,
    shown: &Shown<'_>,
    (k, lane): (usize, &Lane<'_>),
    cell: &dyn Fn(usize) -> Rect,
    narrow: bool,
    out: &mut Vec<Command>,
) {
    let theme = shown.view.theme;
    dial(ui, shown, (k, lane), cell(0));
    let at = cell(1).left_center() + vec2(7.0, 0.0);
    layer_sign(
        ui.painter(),
        at,
        6.0,
        lane.take.layer,
        theme.layer(lane.take.layer),
        Stroke::new(1.0, theme.ink),
    );
    let number = FontId::new(15.0, strong());
    let text = (u32::from(lane.take.layer) + 1).to_string();
    ui.painter().text(at + vec2(14.0, 0.0), Align2::LEFT_CENTER, text, number, theme.ink);
    let inside = |i: usize| {
        let rect = cell(i);
        UiBuilder::new().max_rect(rect).layout(Layout::left_to_right(Align::Center)).id_salt((k, i))
    };
    layer::show(ui, shown.view, lane, &|i| inside(2 + i), out);
    let about = about(shown, k, lane);
    if narrow {
        let left = cell(1).left();
        let rect = Rect::from_min_max(
            pos2(left, cell(0).bottom()),
            pos2(cell(NARROW - 1).right(), cell(0).bottom() + SECOND),
        );
        let place = UiBuilder::new().max_rect(rect).layout(Layout::left_to_right(Align::Center)).id_salt(k);
        let ui = &mut ui.new_child(place);
        match lane.missing {
            Some(missing) => nothing(ui, shown.view, lane, missing, out),
            None => {
                let line = format!(
                    "loop {}, {} turns/min, score {}, next near: {}",
                    about[0], about[1], about[2], about[3]
                );
                let line = if lane.looping.is_some() { line } else { about[3].clone() };
                ui.add(Label::new(soft(line, theme).small()).truncate());
            }
        }
        return;
    }
    if let Some(missing) = lane.missing {
        let rect = cell(5).union(cell(COLUMNS.len() - 1));
        let place = UiBuilder::new().max_rect(rect).layout(Layout::left_to_right(Align::Center)).id_salt(k);
        return nothing(&mut ui.new_child(place), shown.view, lane, missing, out);
    }
    for (i, text) in about.into_iter().enumerate().filter(|(i, t)| *i == 3 || !t.is_empty()) {
        let ui = &mut ui.new_child(inside(5 + i));
        let text = RichText::new(text).size(13.0);
        ui.add(Label::new(if lane.coming { text.color(theme.ink_soft) } else { text }).truncate());
    }
}

/// Loop, turns a minute, score, and when it next comes near another.
fn about(shown: &Shown<'_>, k: usize, lane: &Lane<'_>) -> [String; 4] {
    let Some(l) = lane.looping else {
        return [String::new(), String::new(), String::new(), "no loop: once".into()];
    };
    let next = match next_near(shown, k) {
        Some((s, other)) => format!("{}, layer {}", moment(s), shown.stack.number(other)),
        None if meets(shown, k) => "none later".into(),
        None => format!("not within {}", minutes(shown.view.sound.stack.setup.params.until_s)),
    };
    [format!("{:.2} s", l.length_s), format!("{:.1}", 60.0 / l.length_s), format!("{:.0}", l.score), next]
}

fn meets(shown: &Shown<'_>, k: usize) -> bool {
    shown.together.near.iter().any(|n| n.layers.0 == k || n.layers.1 == k)
}

/// The next near-collision of layer number `k` from where it sounds, else the first: when, and with whom.
fn next_near(shown: &Shown<'_>, k: usize) -> Option<(f64, usize)> {
    let from = shown.view.sound.stack.at_s.filter(|_| shown.view.sound.stack.note == Some(shown.stack.note));
    let mut own = shown.together.near.iter().filter(|n| n.layers.0 == k || n.layers.1 == k);
    let near = own.find(|n| n.time_s >= from.unwrap_or(0.0))?;
    Some((near.time_s, if near.layers.0 == k { near.layers.1 } else { near.layers.0 }))
}

/// A loop as a ring: its seam at the top, its breaths as notches, the hand where it is at the moment looked at.
fn dial(ui: &Ui, shown: &Shown<'_>, (k, lane): (usize, &Lane<'_>), rect: Rect) {
    let r = ui.interact(rect, ui.scope_id().with(("stack dial", k)), Sense::hover());
    let words = words_of(shown, k, lane);
    r.widget_info(|| WidgetInfo::labeled(Role::Image, true, &words));
    let theme = shown.view.theme;
    let (centre, radius) = (rect.center(), 11.0);
    let on = |share: f64, r: f32| {
        let turn = std::f64::consts::TAU * share - std::f64::consts::FRAC_PI_2;
        centre + egui::Vec2::angled(turn as f32) * r
    };
    let painter = ui.painter();
    painter.circle(centre, radius, theme.sheet, Stroke::new(1.0, theme.edge()));
    if let Some(l) = lane.looping {
        let share = shown.at_s.and_then(|s| lane.share_at(s));
        if let Some(share) = share {
            slice(painter, &on, (share, radius - 1.5), mix(theme.sheet, theme.layer(lane.take.layer), 0.6));
            painter.line_segment([centre, on(share, radius)], Stroke::new(1.5, theme.ink));
        }
        for dip in lane.dips {
            let at = dip.into_s / lane.speed / l.length_s;
            painter.line_segment([on(at, radius - 4.0), on(at, radius)], Stroke::new(1.0, theme.ink_soft));
        }
        painter.line_segment([on(0.0, radius - 4.0), on(0.0, radius + 3.0)], Stroke::new(2.5, theme.ink));
    }
    r.on_hover_text(words);
}

/// The part of the ring that was gone round.
fn slice(
    painter: &Painter,
    on: &dyn Fn(f64, f32) -> egui::Pos2,
    (share, radius): (f64, f32),
    colour: egui::Color32,
) {
    let steps = 1 + (share * 24.0) as usize;
    let mut mesh = egui::epaint::Mesh::default();
    mesh.colored_vertex(on(0.0, 0.0), colour);
    for i in 0..=steps {
        mesh.colored_vertex(on(share * i as f64 / steps as f64, radius), colour);
    }
    for i in 0..steps as u32 {
        mesh.add_triangle(0, 1 + i, 2 + i);
    }
    painter.add(Shape::mesh(mesh));
}

fn words_of(shown: &Shown<'_>, k: usize, lane: &Lane<'_>) -> String {
    let number = u32::from(lane.take.layer) + 1;
    let shape = word(lane.take.layer);
    let Some(l) = lane.looping else { return format!("Layer {number} ({shape}): no loop") };
    let near = shown.together.near.iter().filter(|n| n.layers.0 == k || n.layers.1 == k).count();
    let near = match near {
        0 => "none of them near another layer's".into(),
        1 => "1 of them near another layer's".into(),
        n => format!("{n} of them near another layer's"),
    };
    format!(
        "Layer {number} ({shape}): a loop of {:.2} s, score {:.0}; turns after {} and every {:.2} s, {near}",
        l.length_s,
        l.score,
        moment(l.entry_s + l.length_s),
        l.length_s
    )
}

/// A layer without a sound: what is missing and what to do about it.
fn nothing(ui: &mut Ui, view: &View<'_>, lane: &Lane<'_>, missing: Missing<'_>, out: &mut Vec<Command>) {
    match missing {
        Missing::Sound => {
            ui.add(egui::Spinner::new().size(16.0));
            ui.add(Label::new(soft("is being made ready", view.theme)).truncate());
        }
        Missing::Failed(why) => {
            let label = Label::new(soft(why, view.theme)).truncate().show_tooltip_when_elided(false);
            ui.add(label).on_hover_text(why);
        }
        Missing::Recipe => {
            let name = format!("Propose a recipe for layer {}", lane.take.layer + 1);
            let b = ui.add_enabled(!view.read_only, Button::new("Propose a recipe"));
            let b = b.accessible_name(name).on_hover_text("Trims and tunes it and looks for loops");
            if b.on_disabled_hover_text(READ_ONLY).clicked() {
                out.push(Command::Work(WorkCommand::Propose(lane.take.id)));
            }
            ui.add(Label::new(soft("No recipe yet: silent", view.theme)).truncate());
        }
    }
}
