//! Preferences of the user: sound device and its delay, MIDI input, colours, size.

use egui::{ComboBox, Context, Grid, Response, RichText, ScrollArea, Ui};

use crate::app::command::{Command, LookCommand, SoundCommand, ThemeChoice};
use crate::app::theme::strong;
use crate::app::view::{Around, View};
use crate::app::widgets::control::{list_line, soft};
use crate::app::widgets::dialog::{self, Arrows, dialog};
use crate::app::widgets::in_sight::follow_focus;
use crate::playback::device::DeviceWish;

/// Lengths of block that are offered.
const BLOCKS: [u32; 6] = [64, 128, 256, 512, 1024, 2048];
/// Width of the column of names in points: the same in all parts.
const NAMES: f32 = 120.0;
/// Sizes of everything, in percent.
const SCALES: [u32; 10] = [80, 90, 100, 110, 125, 140, 150, 160, 180, 200];

/// The preferences.
#[derive(Debug, Default)]
pub struct PreferencesPanel {
    /// It was there in the pass before.
    last: u64,
}

impl PreferencesPanel {
    /// Draws them beside what is worked on.
    pub fn ui(&mut self, ctx: &Context, view: &View<'_>, around: &Around<'_>) -> Vec<Command> {
        let mut out = Vec::new();
        let mut close = false;
        let now = ctx.cumulative_pass_nr();
        let fresh = now > std::mem::replace(&mut self.last, now) + 1;
        let shown = dialog("Preferences")
            .default_pos(egui::pos2((ctx.content_rect().right() - 510.0).max(8.0), 56.0))
            .show(ctx, |ui| {
                let room = ctx.content_rect();
                ui.set_width(f32::min(460.0, room.width() - 60.0));
                close = dialog::heading(ui, "Preferences", false);
                // Everything can be reached in a small window, too.
                let height = (room.height() - 170.0).max(120.0);
                ScrollArea::vertical().max_height(height).min_scrolled_height(height).show(ui, |ui| {
                heading(ui, "Sound");
                Grid::new("sound").num_columns(2).min_col_width(NAMES).spacing([14.0, 8.0]).show(ui, |ui| {
                    device(ui, around, fresh, &mut out);
                    block(ui, around, &mut out);
                    midi(ui, view, around, &mut out);
                });
                delay(ui, view, around);
                if ui
                    .button("Look for devices again")
                    .on_hover_text("After something was connected")
                    .clicked()
                {
                    out.push(Command::Sound(SoundCommand::LookForDevices));
                    out.push(Command::Sound(SoundCommand::TryDevice));
                }
                heading(ui, "Window");
                Grid::new("window").num_columns(2).min_col_width(NAMES).spacing([14.0, 8.0]).show(ui, |ui| {
                    colours(ui, around, &mut out);
                    size(ui, &mut out);
                });
                ui.add_space(6.0);
                ui.label(soft("Volume is at the top. A4 stands above the table of tuning, how octaves are counted in the Deliver room.", view.theme));
                follow_focus(ui);
                });
            });
        let escape = shown.is_some_and(|s| {
            dialog::drawn(ctx, s.response.layer_id, Arrows::Walk);
            dialog::escaped(ctx, s.response.layer_id)
        });
        if close || escape {
            out.push(Command::Look(LookCommand::Preferences(false)));
        }
        out
    }
}

fn heading(ui: &mut Ui, text: &str) {
    ui.add_space(8.0);
    ui.label(RichText::new(text).family(strong()).size(16.0));
    ui.add_space(2.0);
}

/// A list to choose from, with its name beside it; its button.
fn choice<T: PartialEq>(
    ui: &mut Ui,
    (name, about): (&str, &str),
    now: &T,
    all: Vec<(T, String)>,
    mut chosen: impl FnMut(T),
) -> Response {
    ui.label(name);
    let text = all.iter().find(|(v, _)| v == now).map_or("", |(_, t)| t);
    let shown = ComboBox::from_id_salt(name).selected_text(text).width(280.0).truncate();
    let shown = shown.show_ui(ui, |ui| {
        for (value, text) in all {
            let is_now = value == *now;
            if list_line(ui, is_now, text) && !is_now {
                chosen(value);
            }
        }
    });
    let response = shown.response.accessible_name(name).on_hover_text(about);
    ui.end_row();
    response
}

/// Those there are, and the one that is chosen though it is not there.
fn names(there: Option<&Result<Vec<String>, String>>, now: Option<&String>) -> Vec<(Option<String>, String)> {
    let there = there.and_then(|r| r.as_ref().ok()).cloned().unwrap_or_default();
    let gone = now.filter(|n| !there.contains(n)).map(|n| (Some(n.clone()), format!("{n} (not there)")));
    there.into_iter().map(|n| (Some(n.clone()), n)).chain(gone).collect()
}

/// `focus`: it takes the keyboard.
fn device(ui: &mut Ui, around: &Around<'_>, focus: bool, out: &mut Vec<Command>) {
    let wish = around.settings.device();
    let mut all = vec![(None, "As the system has it".to_owned())];
    all.extend(names(around.devices.outputs.as_ref(), wish.name.as_ref()));
    let r = choice(ui, ("Sound device", "Where sound is played"), &wish.name, all, |name| {
        out.push(Command::Sound(SoundCommand::UseDevice(DeviceWish { name, ..wish.clone() })));
    });
    if focus {
        r.request_focus();
    }
}

fn block(ui: &mut Ui, around: &Around<'_>, out: &mut Vec<Command>) {
    let wish = around.settings.device();
    let mut all = vec![(None, "As the device likes".to_owned())];
    let rate = around.latency.rate_hz;
    all.extend(BLOCKS.map(|n| {
        let ms = if rate > 0.0 { format!(" ({:.1} ms)", 1e3 * f64::from(n) / rate) } else { String::new() };
        (Some(n), format!("{n} frames{ms}"))
    }));
    let about = "How much sound is made ready at a time: a small buffer is heard sooner, a large one is safer against gaps and crackling. Not every device allows every size";
    let _ = choice(ui, ("Sound buffer", about), &wish.block, all, |block| {
        out.push(Command::Sound(SoundCommand::UseDevice(DeviceWish { block, ..wish.clone() })));
    });
}

fn midi(ui: &mut Ui, view: &View<'_>, around: &Around<'_>, out: &mut Vec<Command>) {
    let now = around.settings.midi_input.clone();
    let mut all = vec![(None, "None".to_owned())];
    all.extend(names(around.devices.inputs.as_ref(), now.as_ref()));
    let about =
        "A MIDI keyboard that plays the audition keyboard: notes with their velocity, and the sustain pedal";
    let _ = choice(ui, ("MIDI keyboard", about), &now, all, |name| {
        out.push(Command::Sound(SoundCommand::UseMidi(name)));
    });
    let problem = match (&around.keyboard.midi, &around.devices.inputs) {
        (Some(Err(why)), _) | (_, Some(Err(why))) => Some(why),
        _ => None,
    };
    if let Some(why) = problem {
        ui.label("");
        // Who has no MIDI keyboard misses nothing.
        let colour = if now.is_some() { view.theme.warn } else { view.theme.ink_soft };
        ui.add(egui::Label::new(RichText::new(why).color(colour)).wrap());
        ui.end_row();
    }
}

/// How long a sound takes, as far as that is known.
pub fn delay_words(view: &View<'_>, around: &Around<'_>) -> String {
    let (name, l) = match &view.sound.device {
        Err(why) => return format!("No sound: {why}"),
        Ok(name) => (name, around.latency),
    };
    let mut text = format!("Playing on {name}");
    if l.rate_hz > 0.0 {
        text += &format!(" at {:.0} Hz", l.rate_hz);
    }
    match l.block_ms() {
        Some(_) if l.block <= 1 => text += "; it asks for sound as it goes, in no fixed blocks",
        Some(ms) => text += &format!("; blocks of {} frames ({ms:.1} ms)", l.block),
        None => return text + "; how long it takes is told here once something has sounded.",
    }
    match l.delay_s {
        Some(s) => text += &format!("; a sound is heard about {:.0} ms after it is asked for", 1e3 * s),
        None => text += "; the system does not tell how long the device itself takes",
    }
    if l.complaints > 0 {
        text += &format!("; gaps or complaints so far: {}, a larger sound buffer helps", l.complaints);
    }
    text + ". What a key or the mouse starts waits up to one picture of the screen more."
}

fn delay(ui: &mut Ui, view: &View<'_>, around: &Around<'_>) {
    ui.add(egui::Label::new(soft(delay_words(view, around), view.theme)).wrap());
    if let Some(why) = &around.latency.instead {
        let text = format!("The system's own device plays instead of the chosen one: {why}");
        ui.add(egui::Label::new(RichText::new(text).color(view.theme.warn)).wrap());
    }
}

fn colours(ui: &mut Ui, around: &Around<'_>, out: &mut Vec<Command>) {
    let all =
        [(ThemeChoice::System, "As system"), (ThemeChoice::Light, "Light"), (ThemeChoice::Dark, "Dark")];
    let all = all.map(|(c, t)| (c, t.to_owned())).to_vec();
    let about = "Light, dark, or as the system has it";
    let _ = choice(ui, ("Colours", about), &around.settings.theme, all, |c| {
        out.push(Command::Look(LookCommand::Theme(c)));
    });
}

fn size(ui: &mut Ui, out: &mut Vec<Command>) {
    let now = (ui.ctx().zoom_factor() * 100.0).round() as u32;
    let mut all: Vec<u32> = SCALES.to_vec();
    if !all.contains(&now) {
        all.push(now);
        all.sort_unstable();
    }
    let all = all.into_iter().map(|p| (p, format!("{p} %"))).collect();
    let _ = choice(ui, ("Size of everything", "80 to 200 %"), &now, all, |percent| {
        out.push(Command::Look(LookCommand::Scale(percent as f32 / 100.0)));
    });
}
