//! Messages. They have a place of their own in the strip at the lower edge, which is always there: they
//! cover nothing and move nothing. The latest stands in it; the list above it, where all of them can be
//! read in full, opens only when it is asked for.

use std::borrow::Cow;
use std::path::Path;
use std::sync::Arc;

use egui::accesskit::Live;
use egui::{
    Align, Align2, Area, Button, Frame, Galley, Id, Key, Label, Layout, Modifiers, Order, Rect, Response,
    RichText, ScrollArea, Stroke, TextFormat, Ui, UiBuilder, Vec2, pos2, vec2,
};

use crate::app::command::{Command, LookCommand, SessionCommand, SoundCommand};
use crate::app::notices::NO_MESSAGE;
use crate::app::settings::Settings;
use crate::app::shortcuts::{Action, tip};
use crate::app::theme::{Theme, strong};
use crate::app::view::{Around, View};
use crate::app::widgets::dialog::{self, Arrows};
use crate::app::widgets::glyph;
use crate::app::widgets::in_sight::follow_focus;
use crate::app::widgets::typed;

/// The caution of the first start.
pub const CAUTION: &str = "Sound starts quiet. Begin with the volume low, above all in headphones; loud sound harms hearing. Follow local rules and the advice of hearing professionals.";

/// The same where there is no room for it; all of it is one key away.
const CAUTION_SHORT: &str = "Begin with the volume low; loud sound harms hearing.";
/// So long it takes to read it, in seconds (15 letters a second; common practice, no source).
const READING_S: f64 = 10.0;
/// Widest list in points.
const WIDEST: f32 = 620.0;
/// Size of a text that fits into one line, and of one that needs two.
const SIZES: [(f32, usize); 2] = [(14.0, 1), (12.0, 2)];
/// Width of the column of "Close": the button of the caution, which comes after all others, never stands
/// there, so that a second click does not take for read what was not.
const CLOSE: f32 = 58.0;

/// What a message is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
enum Which {
    /// A session that cannot be read has an autosave.
    Rescue,
    /// What was typed into a field cannot be.
    Refusal,
    Notice(u64),
    Caution,
}

/// A message with what can be done about it.
struct Message<'a> {
    which: Which,
    sign: bool,
    text: Cow<'a, str>,
    /// The same with whole paths.
    in_full: Cow<'a, str>,
    /// Its button: words, tooltip, what it does.
    button: (&'static str, &'static str, Command),
}

impl Message<'_> {
    fn closes(&self) -> bool {
        matches!(self.which, Which::Notice(_) | Which::Refusal)
    }
}

/// All messages, those that are to be read first at the front.
fn messages<'a>(
    view: &View<'a>,
    rescue: Option<&Path>,
    refusal: Option<&str>,
    cautions: bool,
) -> Vec<Message<'a>> {
    let rescue = rescue.map(|path| Message {
        which: Which::Rescue,
        sign: true,
        text: format!(
            "{} cannot be read, but an autosave stands beside it.",
            path.file_name().unwrap_or(path.as_os_str()).to_string_lossy()
        )
        .into(),
        in_full: format!("{} cannot be read, but an autosave stands beside it.", path.display()).into(),
        button: (
            "Open the autosave",
            "The session as it was saved last by itself",
            Command::Session(SessionCommand::OpenAutosave(path.to_path_buf())),
        ),
    });
    let notices = view.notices.iter().rev().map(|n| Message {
        which: Which::Notice(n.id),
        sign: n.is_error,
        text: n.text.as_str().into(),
        in_full: n.in_full.as_str().into(),
        button: ("Close", "Takes this message away", Command::Session(SessionCommand::DismissNotice(n.id))),
    });
    let refusal = refusal.map(|text| Message {
        which: Which::Refusal,
        sign: true,
        text: text.to_owned().into(),
        in_full: text.to_owned().into(),
        button: (
            "Close",
            "Takes this message away; the field keeps what was typed",
            Command::Look(LookCommand::HideRefusal),
        ),
    });
    // On the start page the caution has a place of its own.
    let caution = (view.path.is_some() && cautions).then(|| Message {
        which: Which::Caution,
        sign: true,
        text: CAUTION.into(),
        in_full: CAUTION.into(),
        button: ("I have read this", "Does not show again", Command::Sound(SoundCommand::CautionRead)),
    });
    rescue.into_iter().chain(refusal).chain(notices).chain(caution).collect()
}

/// The messages.
#[derive(Debug, Default)]
pub struct NoticesPanel {
    /// Somebody is at them: what is read stays where it is.
    read: bool,
    /// The message that the strip shows.
    shown: Option<Which>,
    /// The list was there in the pass before.
    listed: bool,
    /// Its size then.
    list_size: Vec2,
    /// Why a text was refused, as far as that is told here.
    refusal: Option<String>,
    /// Since when the start page shows the caution.
    start_page_since: Option<f64>,
    /// It stood there long enough to be read.
    caution_seen: bool,
}

impl NoticesPanel {
    /// Whether somebody is reading them.
    pub fn is_read(&self) -> bool {
        self.read
    }

    /// Whether the caution is still to be told: it was not said to be read, nor did it stand on the start page
    /// long enough for it. Once is enough.
    pub fn cautions(&self, settings: &Settings) -> bool {
        !settings.caution_read && !self.caution_seen
    }

    /// The start page shows the caution, at `now` in seconds.
    pub fn caution_on_start_page(&mut self, now: f64) {
        let since = *self.start_page_since.get_or_insert(now);
        self.caution_seen |= now - since >= READING_S;
    }

    /// At the end of a pass: whether what fields refused is told as it is.
    pub fn follow_refusal(&self, ctx: &egui::Context) {
        typed::follow_refusal(ctx, self.refusal.as_deref());
    }

    /// Draws the latest message in `area`; whether there is one.
    pub fn line(
        &mut self,
        ui: &mut Ui,
        area: Rect,
        view: &View<'_>,
        around: &Around<'_>,
        rescue: Option<&Path>,
        out: &mut Vec<Command>,
    ) -> bool {
        self.refusal = typed::refusal(ui.ctx());
        let cautions = self.cautions(around.settings);
        let all = messages(view, rescue, self.refusal.as_deref(), cautions);
        let held = self.shown.filter(|_| self.read).and_then(|w| all.iter().find(|m| m.which == w));
        let Some(message) = held.or(all.first()) else {
            (self.shown, self.read) = (None, false);
            if around.shown.messages {
                out.push(Command::Look(LookCommand::Messages(false)));
            }
            return false;
        };
        self.shown = Some(message.which);
        if let (Which::Notice(id), NO_MESSAGE) = (message.which, &*message.text)
            && ui.input(|i| i.key_pressed(Key::Escape))
        {
            // Not used up: it is said beside whatever else is going on.
            out.push(Command::Session(SessionCommand::DismissNotice(id)));
        }
        let mut at = ui.rect_contains_pointer(area);
        ui.scope_builder(UiBuilder::new().max_rect(area).id_salt(message.which), |ui| {
            at |= line(ui, view.theme, message, (all.len(), around.shown.messages), out);
        });
        if around.shown.messages {
            at |= self.list(ui, area, view.theme, &all, out);
        }
        self.listed = around.shown.messages;
        self.read = at;
        true
    }

    /// All messages in full, above the strip; whether the pointer is over them.
    fn list(
        &mut self,
        ui: &Ui,
        strip: Rect,
        theme: &Theme,
        all: &[Message<'_>],
        out: &mut Vec<Command>,
    ) -> bool {
        let window = ui.ctx().content_rect();
        let fresh = !self.listed;
        let shown = Area::new(Id::unique("messages"))
            .order(Order::Foreground)
            .pivot(Align2::LEFT_BOTTOM)
            .fixed_pos(pos2(window.left() + 8.0, strip.top() - 6.0))
            .constrain(true)
            .show(ui.ctx(), |ui| {
                let frame = Frame::popup(ui.style()).inner_margin(10);
                frame.show(ui, |ui| {
                    ui.set_width(WIDEST.min(window.width() - 40.0));
                    let height = (strip.top() - window.top()) * 0.8;
                    // Otherwise it would be no higher than the list that was shown last.
                    ui.set_max_height(height);
                    ScrollArea::vertical().max_height(height).show(ui, |ui| {
                        for (i, m) in all.iter().enumerate() {
                            ui.push_id(m.which, |ui| card(ui, theme, m, fresh && i == 0, out));
                        }
                        follow_focus(ui);
                    });
                });
            });
        dialog::drawn(ui.ctx(), shown.response.layer_id, Arrows::Walk);
        let size = shown.response.rect.size();
        if size != std::mem::replace(&mut self.list_size, size) {
            // It stands on the strip by the size that it had before.
            ui.ctx().request_repaint();
        }
        let over = shown.response.contains_pointer();
        let elsewhere = ui.input(|i| i.pointer.any_pressed()) && !over && !ui.rect_contains_pointer(strip);
        let escape = ui.input_mut(|i| i.consume_key(Modifiers::NONE, Key::Escape));
        if (elsewhere && !fresh) || escape {
            out.push(Command::Look(LookCommand::Messages(false)));
        }
        over
    }
}

/// The text of a message as far as it fits: in one line, or smaller in two.
fn fitted(ui: &Ui, text: &str, room: f32, theme: &Theme) -> Arc<Galley> {
    let [one, two] = SIZES.map(|(size, rows)| {
        let font = egui::FontId::proportional(size);
        let mut job = egui::text::LayoutJob::single_section(text.into(), TextFormat::simple(font, theme.ink));
        job.wrap.max_width = room;
        job.wrap.max_rows = rows;
        job.wrap.break_anywhere = false;
        ui.fonts_mut(|f| f.layout_job(job))
    });
    if one.elided { two } else { one }
}

/// One message in the strip; whether one of its buttons has the keyboard. `list`: how many there are, and
/// whether their list is open.
fn line(
    ui: &mut Ui,
    theme: &Theme,
    m: &Message<'_>,
    (count, listed): (usize, bool),
    out: &mut Vec<Command>,
) -> bool {
    let area = ui.max_rect();
    let edge = if m.sign { theme.warn } else { theme.ink_soft };
    ui.painter().rect_filled(area, 3.0, theme.told(m.sign));
    ui.painter().rect_filled(area.with_max_x(area.left() + 4.0), 1.5, edge);
    let mut focused = false;
    let mut inner = area.shrink2(vec2(4.0, 0.0));
    inner.min.x += 8.0;
    ui.scope_builder(UiBuilder::new().max_rect(inner).layout(Layout::right_to_left(Align::Center)), |ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        let mut press = |ui: &mut Ui, button: Button<'_>, name: &str, about: &str| {
            let r = ui.add(button).accessible_name(name);
            focused |= r.has_focus();
            let clicked = r.clicked();
            // Above an open list a tooltip only lies in the way.
            if !listed {
                r.on_hover_text(about);
            }
            clicked
        };
        let (words, about, command) = &m.button;
        if m.which == Which::Caution {
            ui.add_space(CLOSE + 6.0);
        }
        let least = vec2(if m.closes() { CLOSE } else { 0.0 }, 26.0);
        if press(ui, Button::new(*words).min_size(least), words, about) {
            out.push(command.clone());
        }
        let sign = if m.sign { 24.0 } else { 0.0 };
        let galley = fitted(ui, &m.text, ui.available_width() - sign, theme);
        let cut = galley.elided;
        let galley = if count > 1 || cut || listed {
            let words = if count > 1 { format!("All {count}") } else { "Read".into() };
            let about = tip(ui.ctx(), "Every message in full", Action::Messages);
            let button = Button::new(&words).selected(listed).min_size(vec2(0.0, 26.0));
            if press(ui, button, &format!("{words}: messages"), &about) {
                out.push(Command::Look(LookCommand::Messages(!listed)));
            }
            let room = ui.available_width() - sign;
            match fitted(ui, &m.text, room, theme) {
                cut if cut.elided && m.which == Which::Caution => fitted(ui, CAUTION_SHORT, room, theme),
                fits => fits,
            }
        } else {
            galley
        };
        ui.with_layout(Layout::left_to_right(Align::Center), |ui| {
            if m.sign {
                glyph::concern_sign(ui, theme);
            }
            let cut = galley.elided || m.in_full != *galley.text();
            let r = ui.add(Label::new(galley).show_tooltip_when_elided(false));
            announce(&r, m);
            if cut {
                r.on_hover_text(&*m.in_full);
            }
        });
    });
    focused
}

/// A screen reader says a message when it comes.
fn announce(r: &Response, m: &Message<'_>) {
    let live = if m.sign { Live::Assertive } else { Live::Polite };
    r.ctx.accesskit_node_builder(r.id, |n| n.set_live(live));
}

/// One message of the list. `first`: its button takes the keys.
fn card(ui: &mut Ui, theme: &Theme, m: &Message<'_>, first: bool, out: &mut Vec<Command>) {
    let edge = if m.sign { theme.warn } else { theme.line };
    let frame = Frame::new().fill(theme.sheet).stroke(Stroke::new(1.0, edge)).corner_radius(4);
    frame.inner_margin(8).show(ui, |ui| {
        ui.set_width(ui.available_width());
        ui.horizontal_top(|ui| {
            if m.sign {
                glyph::concern_sign(ui, theme);
            }
            ui.with_layout(Layout::right_to_left(Align::Min), |ui| {
                let (words, about, command) = &m.button;
                let name = format!("{words}: {}", m.in_full);
                let r = ui.button(*words).accessible_name(name).on_hover_text(*about);
                if first {
                    r.request_focus();
                }
                if r.clicked() {
                    out.push(command.clone());
                }
                ui.with_layout(Layout::top_down(Align::Min), |ui| {
                    ui.add(Label::new(RichText::new(&*m.in_full).color(theme.ink)).wrap());
                });
            });
        });
    });
}

/// The caution with a frame of its own, for the start page; true when it was read.
pub fn caution_box(ui: &mut Ui, view: &View<'_>) -> bool {
    let mut read = false;
    Frame::new()
        .fill(view.theme.sheet)
        .stroke(Stroke::new(1.0, view.theme.warn))
        .corner_radius(4)
        .inner_margin(12)
        .show(ui, |ui| {
            ui.set_min_width(ui.available_width());
            ui.horizontal(|ui| {
                glyph::concern_sign(ui, view.theme);
                ui.label(RichText::new("Before you listen").family(strong()));
            });
            ui.label(CAUTION);
            ui.add_space(2.0);
            read = ui.button("I have read this").on_hover_text("Does not show again").clicked();
        });
    read
}
