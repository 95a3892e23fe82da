//! The list of commands with a search: every command, its group and its key.

use egui::{
    Align, Align2, Context, Id, Key, Label, Layout, Modifiers, RichText, Role, ScrollArea, Sense, TextEdit,
    Ui, WidgetInfo, vec2,
};

use crate::app::command::{Command, LookCommand, SoundCommand, StackCommand, ThemeChoice, WorkCommand};
use crate::app::panels::bench::node_more;
use crate::app::shortcuts::{TABLE, key_words, wanted, why_not};
use crate::app::view::{Around, View};
use crate::app::widgets::control::soft;
use crate::app::widgets::dialog::{self, Arrows, dialog, heading};

const WIDTH: f32 = 520.0;

/// The list of commands.
#[derive(Debug, Default)]
pub struct CommandsPanel {
    open: bool,
    search: String,
    /// Typed before the list showed.
    waiting: String,
    /// Which of those found is chosen.
    at: usize,
}

/// One command of the list.
pub struct Entry {
    /// What it does.
    pub words: &'static str,
    /// Where it belongs.
    pub group: &'static str,
    /// Its key; empty: none.
    pub keys: String,
    /// What it asks for, or why it cannot be asked for now.
    pub command: Result<Command, &'static str>,
}

/// All commands as things are now: those of the table of keys, then those without a key.
pub fn entries(ctx: &Context, view: &View<'_>, around: &Around<'_>) -> Vec<Entry> {
    let keyed = TABLE.iter().map(|s| {
        let command = match why_not(s.action, view) {
            Some(why) => Err(why),
            None => wanted(s.action, view, around).ok_or("not possible now"),
        };
        Entry { words: s.words, group: s.group, keys: key_words(ctx, &s.keys[0]), command }
    });
    keyed.chain(without_key(view)).collect()
}

fn without_key(view: &View<'_>) -> impl Iterator<Item = Entry> {
    let open = if view.path.is_some() { Ok(()) } else { Err("no session is open") };
    let edits = open.and(if view.read_only { Err("this session can only be looked at") } else { Ok(()) });
    let none_unread = view.document.unread.is_empty();
    let unread = edits.and(if none_unread { Err("every file could be read") } else { Ok(()) });
    let seen =
        if view.left_out().is_some() { Err("the filter leaves the selected take out") } else { Ok(()) };
    let take = edits.and(view.selected_take().ok_or("no take is selected")).and_then(|t| seen.map(|()| t));
    let has_loop = take.and_then(|t| {
        let looped = t.recipe.as_ref().is_some_and(|r| r.looping.is_some());
        if looped { Ok(t.id) } else { Err("the selected take has no loop") }
    });
    let node =
        take.and_then(|_| node_more(view).ok_or("the selected take has no strength curve to bend yet"));
    let look = |c| Ok(Command::Look(c));
    let theme = |t| look(LookCommand::Theme(t));
    [
        ("Open a path: folder, sound file or session", "Session", look(LookCommand::OpenPath(true))),
        ("Look through the files again", "Session", edits.map(|()| Command::Work(WorkCommand::Survey))),
        (
            "Try the files again that could not be read",
            "Session",
            unread.map(|()| Command::Work(WorkCommand::TryUnread)),
        ),
        (
            "Give the note's other layers this loop length",
            "Loop",
            has_loop.map(|id| Command::Work(WorkCommand::CopyLoopLength(id))),
        ),
        ("Add a node to the strength curve", "Tuning", node),
        (
            "Loops that stay apart, for every note",
            "Deciding",
            edits.map(|()| Command::Stack(StackCommand::ApartSet)),
        ),
        (
            "Measure the levels of all accepted takes",
            "Deliver",
            open.map(|()| Command::Work(WorkCommand::MeasureLevels)),
        ),
        (
            "Choose the folder to deliver into",
            "Deliver",
            edits.map(|()| Command::Work(WorkCommand::ChooseDeliverFolder)),
        ),
        ("Silence", "Hearing", Ok(Command::Sound(SoundCommand::Stop))),
        ("Look for a sound device again", "Hearing", Ok(Command::Sound(SoundCommand::TryDevice))),
        ("Colours as the system has them", "Window", theme(ThemeChoice::System)),
        ("Light colours", "Window", theme(ThemeChoice::Light)),
        ("Dark colours", "Window", theme(ThemeChoice::Dark)),
        ("Everything in its own size (100 %)", "Window", look(LookCommand::Scale(1.0))),
    ]
    .into_iter()
    .map(|(words, group, command)| Entry { words, group, keys: String::new(), command })
}

impl CommandsPanel {
    /// Keeps what was typed before the list shows.
    pub fn type_ahead(&mut self, text: String) {
        self.waiting = text;
    }
}

/// How well `entry` answers to `search`: none where a word of it is nowhere in the entry; else those whose
/// words begin with it come first, then those that have a word beginning with it.
pub fn rank(entry: &Entry, search: &str) -> Option<u8> {
    let search = search.trim().to_lowercase();
    let words = entry.words.to_lowercase();
    let all = format!("{words} {} {}", entry.group.to_lowercase(), entry.keys.to_lowercase());
    if !search.split_whitespace().all(|w| all.contains(w)) {
        return None;
    }
    Some(match () {
        () if words.starts_with(&search) => 0,
        () if words.split_whitespace().any(|w| w.starts_with(&search)) => 1,
        () => 2,
    })
}

impl CommandsPanel {
    /// Draws the list, where it shows.
    pub fn ui(&mut self, ctx: &Context, view: &View<'_>, around: &Around<'_>) -> Vec<Command> {
        if !around.shown.commands {
            self.open = false;
            return Vec::new();
        }
        let fresh = !std::mem::replace(&mut self.open, true);
        if fresh {
            (self.search, self.at) = (std::mem::take(&mut self.waiting), 0);
        }
        let field_id = Id::unique("search of commands");
        if !ctx.memory(|m| m.has_focus(field_id)) {
            // The field has the keys from the next frame on; nothing typed until then is lost.
            ctx.input_mut(|i| {
                i.events.retain(|e| match e {
                    egui::Event::Text(text) => {
                        self.search += text;
                        false
                    }
                    _ => true,
                });
            });
        }
        let entries = entries(ctx, view, around);
        let mut found: Vec<(u8, &Entry)> =
            entries.iter().filter_map(|e| Some((rank(e, &self.search)?, e))).collect();
        // What cannot be done now comes last, unless nothing was asked for: then the order is the table's.
        let searched = !self.search.trim().is_empty();
        found.sort_by_key(|(rank, e)| (searched && e.command.is_err(), *rank));
        // Before the field sees them.
        let step = |k| ctx.input_mut(|i| i.count_and_consume_key(Modifiers::NONE, k));
        let (down, up) = (step(Key::ArrowDown), step(Key::ArrowUp));
        let (enter, escape) = (step(Key::Enter) > 0, step(Key::Escape) > 0);
        let before = self.at;
        self.at = (self.at + down).saturating_sub(up).min(found.len().saturating_sub(1));
        let moved = self.at != before || fresh;
        let mut run = if enter { found.get(self.at).map(|(_, e)| *e) } else { None };
        let mut close = false;
        let shown = dialog("All commands").anchor(Align2::CENTER_TOP, [0.0, 70.0]).show(ctx, |ui| {
            ui.set_width(WIDTH.min(ui.ctx().content_rect().width() - 60.0));
            close = heading(ui, "All commands", false);
            let field = TextEdit::singleline(&mut self.search)
                .id(field_id)
                .hint_text("what, where, or a key; Enter runs it")
                .desired_width(f32::INFINITY);
            let field = ui.add(field).accessible_name("Search commands");
            if !field.has_focus() {
                field.request_focus();
            }
            if field.changed() {
                self.at = 0;
            }
            ui.add_space(4.0);
            let height = (ui.ctx().content_rect().height() - 220.0).clamp(120.0, 420.0);
            ScrollArea::vertical().auto_shrink([false, true]).max_height(height).show(ui, |ui| {
                ui.spacing_mut().item_spacing.y = 1.0;
                for (i, (_, entry)) in found.iter().enumerate() {
                    let chosen = i == self.at;
                    if row(ui, view, entry, chosen, chosen && moved) {
                        run = Some(entry);
                    }
                }
                if found.is_empty() {
                    ui.label(soft("No command has these words.", view.theme));
                }
            });
        });
        if let Some(shown) = shown {
            dialog::drawn(ctx, shown.response.layer_id, Arrows::Own);
        }
        let mut out = Vec::new();
        let ran = run.and_then(|e| e.command.as_ref().ok());
        if close || escape || ran.is_some() {
            out.push(Command::Look(LookCommand::Commands(false)));
        }
        out.extend(ran.cloned().filter(|c| *c != Command::Look(LookCommand::Commands(false))));
        out
    }
}

/// One line; true when it was pressed.
fn row(ui: &mut Ui, view: &View<'_>, entry: &Entry, chosen: bool, scroll: bool) -> bool {
    let theme = view.theme;
    let (rect, response) = ui.allocate_exact_size(vec2(ui.available_width(), 25.0), Sense::click());
    if scroll {
        response.scroll_to_me(None);
    }
    let enabled = entry.command.is_ok();
    response.widget_info(|| WidgetInfo::selected(Role::Button, enabled, chosen, row_name(entry)));
    if chosen || response.hovered() {
        let fill = if chosen { theme.chosen() } else { theme.control() };
        ui.painter().rect_filled(rect, 3.0, fill);
    }
    let inner = rect.shrink2(vec2(8.0, 2.0));
    let mut line =
        ui.new_child(egui::UiBuilder::new().max_rect(inner).layout(Layout::left_to_right(Align::Center)));
    // Not greyed out of legibility: what cannot be done now must be readable too.
    let ink = if enabled { theme.ink } else { theme.ink_soft };
    line.add(Label::new(RichText::new(entry.words).color(ink)).selectable(false));
    line.add(Label::new(soft(entry.group, theme).small()).selectable(false));
    if let Err(why) = entry.command {
        line.add(Label::new(soft(format!("({why})"), theme).small()).selectable(false).truncate());
    }
    line.with_layout(Layout::right_to_left(Align::Center), |ui| {
        let colour = if enabled { theme.accent } else { theme.ink_soft };
        ui.add(Label::new(RichText::new(&entry.keys).color(colour)).selectable(false));
    });
    response.clicked()
}

fn row_name(entry: &Entry) -> String {
    let keys = if entry.keys.is_empty() { String::new() } else { format!(", {}", entry.keys) };
    let why = entry.command.as_ref().err().map(|w| format!(", not now: {w}")).unwrap_or_default();
    format!("Command: {}{keys}{why}", entry.words)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entry(words: &'static str, keys: &str) -> Entry {
        Entry { words, group: "Hearing", keys: keys.into(), command: Err("no") }
    }

    #[test]
    fn every_word_must_be_found_and_beginnings_come_first() {
        let play = entry("Play across the seam", "S");
        assert_eq!(rank(&play, ""), Some(0));
        assert_eq!(rank(&play, "play"), Some(0));
        assert_eq!(rank(&play, "SEAM"), Some(1));
        assert_eq!(rank(&play, "eam"), Some(2));
        assert_eq!(rank(&play, "seam hearing"), Some(2));
        assert_eq!(rank(&play, "seam loop"), None);
    }
}
