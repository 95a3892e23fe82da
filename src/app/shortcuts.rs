//! Which key does what: the one table, used for the keys themselves, for tooltips and for the list
//! of keys.
//!
//! Letters are the first of an English word that says what happens (N next, R round, S seam,
//! C compare, A against, W what was taken, L lock, P propose, Y yes, D drop, B back,
//! U use, M move), so the list needs learning once.
//! G H J K lie side by side: the loop start earlier and later, the loop end earlier and later. Arrows,
//! Page, Home, End, Delete, Tab, Enter and Escape are left to what has the focus.

use egui::{Context, Key, KeyboardShortcut, Modifiers};

use super::command::{
    Command, EditCommand, GoCommand, KeyboardCommand, LookCommand, Room, SessionCommand, SoundCommand,
    StackCommand, WorkCommand,
};
use super::panels::bench::edits;
use super::view::{Around, View};
use crate::playback::message::Side;
use crate::session::placing::{Decision, undecided};
use crate::session::{TakeId, TakeState};

/// What a key can do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Action {
    /// To the sheet.
    RoomSheet,
    /// To the bench.
    RoomBench,
    /// To the stack room.
    RoomStack,
    /// To the deliver room.
    RoomDeliver,
    /// Plays the take, or stops.
    PlayStop,
    /// Plays the loop for ever.
    PlayLoop,
    /// Plays across the seam.
    PlaySeam,
    /// Holds the stack, or lets it go.
    HoldStack,
    /// Plays the seam again and again.
    PlaySeamAgain,
    /// The loop beside the take's own sustain, and back.
    Beside,
    /// Source or rendered take.
    Compare,
    /// What cleaning removed, or the rendered take.
    Removed,
    /// To the next take that needs a look.
    NextToLookAt,
    /// To the next take.
    NextTake,
    /// To the take before.
    PreviousTake,
    /// Accepts the take.
    Accept,
    /// Sets the take aside.
    SetAside,
    /// Takes either back.
    Undecide,
    /// Keeps the take of several for one cell.
    Keep,
    /// Asks for another note or layer.
    Move,
    /// After a decision it goes on to the next take, or stays.
    GoOn,
    /// Selects everything that the sheet shows.
    SelectAll,
    /// Fills the recipe of the take.
    Propose,
    /// Fills the recipes of all new takes.
    ProposeAll,
    /// Accepts every proposed take that passes.
    AcceptPassing,
    /// Chooses loops that stay apart.
    Apart,
    /// Locks the loop, or unlocks it.
    Lock,
    /// Moves an end of the loop.
    Nudge(Nudge),
    /// Louder.
    Louder,
    /// Softer.
    Softer,
    /// Takes the last step back.
    Undo,
    /// Makes it again.
    Redo,
    /// Saves now.
    Save,
    /// Asks for a folder.
    OpenFolder,
    /// The list of keys.
    Keys,
    /// The audition keyboard.
    Keyboard,
    /// The list of commands.
    Commands,
    /// The undo list.
    Steps,
    /// The preferences.
    Preferences,
}

/// A small move of one end of the loop.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Nudge {
    /// The loop end, not its start.
    pub end: bool,
    /// Later, not earlier.
    pub later: bool,
    /// How far.
    pub by: By,
}

/// How far a nudge goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum By {
    /// A frame of the delivered file.
    Frame,
    /// Ten of them.
    Ten,
    /// A period of the note.
    Period,
}

/// One line of the table.
#[derive(Debug)]
pub struct Shortcut {
    /// What it does.
    pub action: Action,
    /// In words.
    pub words: &'static str,
    /// Under which heading of the list it stands.
    pub group: &'static str,
    /// The keys that do it; the first is shown.
    pub keys: &'static [KeyboardShortcut],
}

const fn key(key: Key) -> KeyboardShortcut {
    KeyboardShortcut::new(Modifiers::NONE, key)
}

const fn shift(key: Key) -> KeyboardShortcut {
    KeyboardShortcut::new(Modifiers::SHIFT, key)
}

const fn alt(key: Key) -> KeyboardShortcut {
    KeyboardShortcut::new(Modifiers::ALT, key)
}

const fn command(key: Key) -> KeyboardShortcut {
    KeyboardShortcut::new(Modifiers::COMMAND, key)
}

const REDO: KeyboardShortcut = KeyboardShortcut::new(Modifiers::COMMAND.plus(Modifiers::SHIFT), Key::Z);

const GO: &str = "Moving about";
const HEAR: &str = "Hearing";
/// The heading of the keys that work on the loop.
pub const LOOP: &str = "Loop";
const DECIDE: &str = "Deciding";
const REST: &str = "Session";

macro_rules! table {
    ($($action:ident $(($nudge:expr))? $group:ident $words:literal: $($key:expr),+;)*) => {
        &[$(Shortcut { action: Action::$action $(($nudge))?, words: $words, group: $group, keys: &[$($key),+] }),*]
    };
}

const fn to(end: bool, later: bool, by: By) -> Nudge {
    Nudge { end, later, by }
}

/// The table. Among keys of one letter, those with more modifiers are looked for first.
pub const TABLE: &[Shortcut] = table! {
    RoomSheet GO "Sheet": key(Key::Num1);
    RoomBench GO "Bench": key(Key::Num2);
    RoomStack GO "Stack": key(Key::Num3);
    RoomDeliver GO "Deliver": key(Key::Num4);
    NextToLookAt GO "Next take to look at": key(Key::N);
    SelectAll GO "Select all shown": command(Key::A);
    NextTake GO "Next take": key(Key::CloseBracket);
    PreviousTake GO "Take before": key(Key::OpenBracket);
    PlayStop HEAR "Play the take, or stop": key(Key::Space);
    PlayLoop HEAR "Play the loop round and round": key(Key::R);
    PlaySeam HEAR "Play across the seam": key(Key::S);
    HoldStack HEAR "Hold the stack, or let it go": key(Key::T);
    PlaySeamAgain HEAR "Play the seam again and again": shift(Key::S);
    Beside HEAR "Loop against the take's own sustain": key(Key::A);
    Keyboard HEAR "Audition keyboard (instrument)": shift(Key::I);
    Compare HEAR "Compare with the source": key(Key::C);
    Removed HEAR "Removed by cleaning": key(Key::W);
    Louder HEAR "Louder by 3 dB": shift(Key::V);
    Softer HEAR "Softer by 3 dB": key(Key::V);
    Accept DECIDE "Accept (yes)": key(Key::Y);
    SetAside DECIDE "Set aside (drop it)": key(Key::D);
    Undecide DECIDE "Undecide": key(Key::B);
    GoOn DECIDE "Going on after a decision: on, off": shift(Key::N);
    Keep DECIDE "Use this of several takes for a cell": key(Key::U);
    Move DECIDE "Move: another note or layer": key(Key::M);
    Propose DECIDE "Propose a recipe for this take": key(Key::P);
    ProposeAll DECIDE "Propose recipes for all new takes": shift(Key::P);
    AcceptPassing DECIDE "Accept every take that passes": shift(Key::Y);
    Apart DECIDE "Loops that stay apart (in the stack)": shift(Key::A);
    Lock LOOP "Lock the loop, or unlock it": key(Key::L);
    Nudge(to(false, false, By::Frame)) LOOP "Start earlier by 1 frame": key(Key::G);
    Nudge(to(false, true, By::Frame)) LOOP "Start later by 1 frame": key(Key::H);
    Nudge(to(true, false, By::Frame)) LOOP "End earlier by 1 frame": key(Key::J);
    Nudge(to(true, true, By::Frame)) LOOP "End later by 1 frame": key(Key::K);
    Nudge(to(false, false, By::Ten)) LOOP "Start earlier by 10 frames": shift(Key::G);
    Nudge(to(false, true, By::Ten)) LOOP "Start later by 10 frames": shift(Key::H);
    Nudge(to(true, false, By::Ten)) LOOP "End earlier by 10 frames": shift(Key::J);
    Nudge(to(true, true, By::Ten)) LOOP "End later by 10 frames": shift(Key::K);
    Nudge(to(false, false, By::Period)) LOOP "Start earlier by one period": alt(Key::G);
    Nudge(to(false, true, By::Period)) LOOP "Start later by one period": alt(Key::H);
    Nudge(to(true, false, By::Period)) LOOP "End earlier by one period": alt(Key::J);
    Nudge(to(true, true, By::Period)) LOOP "End later by one period": alt(Key::K);
    Undo REST "Undo": command(Key::Z);
    Redo REST "Redo": REDO;
    Save REST "Save now": command(Key::S);
    OpenFolder REST "Open: choose a folder": command(Key::O);
    Steps REST "Undo list": command(Key::U);
    Commands REST "All commands": command(Key::K);
    Preferences REST "Preferences": command(Key::Comma);
    Keys REST "Show or hide these keys": key(Key::F1), key(Key::Questionmark);
};

/// The line of an action.
pub fn of(action: Action) -> &'static Shortcut {
    // The test below walks all actions; the first line is never the answer for another action.
    TABLE.iter().find(|s| s.action == action).unwrap_or(&TABLE[0])
}

/// A tooltip that ends with the key.
pub fn tip(ctx: &Context, text: &str, action: Action) -> String {
    format!("{text} ({})", key_words(ctx, &of(action).keys[0]))
}

/// A key as it is printed on the keyboard, with its modifiers as the system calls them.
pub fn key_words(ctx: &Context, shortcut: &KeyboardShortcut) -> String {
    let sign = match shortcut.logical_key {
        Key::OpenBracket | Key::CloseBracket | Key::Questionmark => shortcut.logical_key.symbol_or_name(),
        _ => return ctx.format_shortcut(shortcut),
    };
    sign.to_owned()
}

/// Whether a key may be taken while a text field has the focus: undo and redo there belong to the
/// field, and so do all keys that write.
fn works_while_typing(s: &KeyboardShortcut) -> bool {
    match s.logical_key {
        Key::F1 => true,
        Key::S | Key::O | Key::K | Key::U | Key::Comma => s.modifiers.command,
        _ => false,
    }
}

/// Whether a key belongs to whatever widget has the focus.
fn belongs_to_focus(s: &KeyboardShortcut) -> bool {
    s.logical_key == Key::Space
}

/// Whether two presses that come in one frame are two wishes: each goes on from where the one before led.
fn counts(action: Action) -> bool {
    use Action::{NextTake, NextToLookAt, PreviousTake, Redo, Undo};
    matches!(action, Undo | Redo | NextTake | PreviousTake | NextToLookAt)
}

/// What was typed after the keys of the command list in the frame that they came in: it is meant for the
/// list, which shows in the next. Taken out of the input.
pub fn typed_for_list(ctx: &Context) -> String {
    let keys = of(Action::Commands).keys;
    ctx.input_mut(|i| {
        let opens = |e: &egui::Event| {
            let egui::Event::Key { key, pressed: true, modifiers, .. } = e else { return false };
            keys.iter().any(|k| k.logical_key == *key && modifiers.matches_logically(k.modifiers))
        };
        let Some(at) = i.events.iter().position(opens) else { return String::new() };
        let mut typed = String::new();
        let mut place = 0;
        i.events.retain(|e| {
            place += 1;
            match e {
                egui::Event::Text(t) if place > at + 1 => typed += t,
                egui::Event::Key { modifiers, .. } if place > at + 1 && !modifiers.command => {}
                _ => return true,
            }
            false
        });
        typed
    })
}

/// The actions whose keys were pressed since the last frame; the keys are used up. `listing`: the command
/// list shows, and letters are meant for it.
pub fn pressed(ctx: &Context, listing: bool) -> Vec<Action> {
    let typing = listing || ctx.text_edit_focused();
    let focus = ctx.memory(|m| m.focused().is_some());
    let mut keys: Vec<_> = TABLE.iter().flat_map(|s| s.keys.iter().map(move |k| (s.action, *k))).collect();
    keys.sort_by_key(|(_, k)| {
        let m = k.modifiers;
        std::cmp::Reverse(usize::from(m.command) + usize::from(m.shift) + usize::from(m.alt))
    });
    keys.retain(|(_, k)| (!typing || works_while_typing(k)) && !(focus && belongs_to_focus(k)));
    ctx.input_mut(|i| {
        keys.iter()
            .flat_map(|(a, k)| {
                let times = i.count_and_consume_key(k.modifiers, k.logical_key);
                std::iter::repeat_n(*a, if counts(*a) { times } else { times.min(1) })
            })
            .collect()
    })
}

/// What an action means as things are now, in the whole window.
pub fn wanted(action: Action, view: &View<'_>, around: &Around<'_>) -> Option<Command> {
    let shown = around.shown;
    match action {
        Action::Commands => Some(Command::Look(LookCommand::Commands(!shown.commands))),
        Action::Preferences => Some(Command::Look(LookCommand::Preferences(!shown.preferences))),
        Action::Steps if view.path.is_some() => Some(Command::Look(LookCommand::Steps(!shown.steps))),
        Action::Keyboard if view.path.is_some() => {
            Some(Command::Keyboard(KeyboardCommand::Show(!around.keyboard.shown)))
        }
        _ => command_for(action, view, shown.keys),
    }
}

/// What an action means in a room.
pub fn command_for(action: Action, view: &View<'_>, keys_shown: bool) -> Option<Command> {
    let decide = |decision| decision_for(decision, view);
    let volume = |by: f32| Some(Command::Sound(SoundCommand::Volume(view.sound.volume_db + by)));
    match action {
        Action::Keys => return Some(Command::Look(LookCommand::Keys(!keys_shown))),
        Action::OpenFolder => return Some(Command::Session(SessionCommand::ChooseFolder)),
        Action::Louder => return volume(3.0),
        Action::Softer => return volume(-3.0),
        _ => {}
    }
    view.path?;
    match action {
        Action::RoomSheet => Some(Command::Go(GoCommand::Room(Room::Sheet))),
        Action::RoomBench => Some(Command::Go(GoCommand::Room(Room::Bench))),
        Action::RoomStack => Some(Command::Go(GoCommand::Room(Room::Stack))),
        Action::RoomDeliver => Some(Command::Go(GoCommand::Room(Room::Deliver))),
        Action::NextToLookAt => Some(Command::Go(GoCommand::NextToLookAt)),
        Action::NextTake => Some(Command::Go(GoCommand::Step(1))),
        Action::PreviousTake => Some(Command::Go(GoCommand::Step(-1))),
        Action::PlayStop if view.sound.playing.is_some() || view.sound.stack.note.is_some() => {
            Some(Command::Sound(SoundCommand::Stop))
        }
        Action::PlayStop => view.selected.map(|_| Command::Sound(SoundCommand::PlayTake)),
        // Only the stack room has them.
        Action::HoldStack | Action::Apart if view.room != Room::Stack => None,
        Action::HoldStack if view.sound.stack.held => Some(Command::Stack(StackCommand::Release)),
        Action::HoldStack => view.selected.map(|_| Command::Stack(StackCommand::Hold)),
        Action::Apart if view.read_only => None,
        Action::Apart => view.selected.map(|_| Command::Stack(StackCommand::ApartNote)),
        Action::PlayLoop => view.selected.map(|_| Command::Sound(SoundCommand::PlayLoop)),
        Action::PlaySeam => view.selected.map(|_| Command::Sound(SoundCommand::PlaySeam)),
        Action::PlaySeamAgain => view.selected.map(|_| Command::Sound(SoundCommand::PlaySeamAgain)),
        Action::Beside => view.selected.map(|_| Command::Sound(SoundCommand::PlayBeside)),
        Action::Lock => edits::lock_wanted(view),
        Action::Nudge(n) => edits::nudged(view, n),
        Action::Compare => Some(Command::Sound(SoundCommand::Listen(other(view.sound.side)))),
        Action::Removed => Some(Command::Sound(SoundCommand::Listen(match view.sound.side {
            Side::Removed => Side::Rendered,
            _ => Side::Removed,
        }))),
        Action::Accept => decide(Decision::Accept),
        Action::SetAside => decide(Decision::SetAside),
        Action::Undecide => decide(Decision::Undecide),
        Action::Keep => view.selected.map(|id| Command::Edit(EditCommand::Keep(id))),
        Action::Move if view.read_only => None,
        Action::Move => view.selected.map(|_| Command::Look(LookCommand::AskPlace)),
        Action::GoOn => Some(Command::Look(LookCommand::GoOn(!view.triage.go_on))),
        Action::SelectAll => Some(Command::Go(GoCommand::SelectAll)),
        Action::Propose => match several(view) {
            Some(takes) => Some(Command::Work(WorkCommand::ProposeThese(takes))),
            None => view.selected.map(|id| Command::Work(WorkCommand::Propose(id))),
        },
        Action::ProposeAll => Some(Command::Work(WorkCommand::ProposeAll)),
        Action::AcceptPassing => Some(Command::Work(WorkCommand::AcceptPassing)),
        Action::Undo => Some(Command::Edit(EditCommand::Undo)),
        Action::Redo => Some(Command::Edit(EditCommand::Redo)),
        Action::Save => Some(Command::Session(SessionCommand::Save)),
        // What lies around the rooms is known to `wanted` alone.
        Action::Keys
        | Action::Steps
        | Action::Keyboard
        | Action::Commands
        | Action::Preferences
        | Action::OpenFolder
        | Action::Louder
        | Action::Softer => None,
    }
}

/// What there must be for an action.
#[derive(Debug, Clone, Copy, Default)]
struct Needs {
    /// A session that may be changed.
    writing: bool,
    /// A selected take.
    take: bool,
    /// A sound device.
    device: bool,
    /// A loop in the selected take.
    looped: bool,
}

fn needs(action: Action) -> Needs {
    use Action as A;
    let none = Needs::default();
    match action {
        A::Apart | A::Accept | A::SetAside | A::Undecide | A::Keep | A::Move | A::Propose => {
            Needs { writing: true, take: true, ..none }
        }
        A::Lock | A::Nudge(_) => Needs { writing: true, take: true, looped: true, ..none },
        A::ProposeAll | A::AcceptPassing | A::Undo | A::Redo | A::Save => Needs { writing: true, ..none },
        A::PlayStop | A::HoldStack => Needs { take: true, device: true, ..none },
        A::PlayLoop | A::PlaySeam | A::PlaySeamAgain | A::Beside => {
            Needs { take: true, device: true, looped: true, ..none }
        }
        _ => none,
    }
}

/// Why an action would do nothing as things are now, as half a sentence; none: it does something.
pub fn why_not(action: Action, view: &View<'_>) -> Option<&'static str> {
    use Action as A;
    if matches!(action, A::Keys | A::Commands | A::Preferences | A::OpenFolder | A::Louder | A::Softer) {
        return None;
    }
    let needs = needs(action);
    let has_loop =
        || view.selected_take().and_then(|t| t.recipe.as_ref()).is_some_and(|r| r.looping.is_some());
    match action {
        _ if view.path.is_none() => Some("no session is open"),
        _ if needs.writing && view.read_only => Some("this session can only be looked at"),
        _ if needs.take && view.selected_take().is_none() => Some("no take is selected"),
        _ if needs.device && view.sound.device.is_err() => Some("there is no sound device"),
        _ if needs.looped && !has_loop() => Some("the selected take has no loop"),
        A::HoldStack | A::Apart if view.room != Room::Stack => Some("only in the stack room"),
        A::Undo if view.undo.is_none() => Some("there is nothing to undo"),
        A::Redo if view.redo.is_none() => Some("there is nothing to redo"),
        A::Lock if edits::lock_wanted(view).is_none() => Some("the loop cannot be locked now"),
        A::Nudge(n) => match edits::nudged(view, n) {
            None => Some("the loop cannot be moved now: it is at its limit, or on its way"),
            Some(Command::Edit(EditCommand::LoopIsLocked(_))) => Some("the loop is locked"),
            Some(_) => None,
        },
        _ => None,
    }
}

/// The takes that a key is about, where it is about several: all that are selected in the sheet. In the
/// other rooms it is about the one take that is seen.
fn several(view: &View<'_>) -> Option<Vec<TakeId>> {
    (view.room == Room::Sheet && !view.triage.also.is_empty()).then(|| view.chosen())
}

fn decision_for(decision: Decision, view: &View<'_>) -> Option<Command> {
    if let Some(takes) = several(view) {
        return Some(Command::Edit(EditCommand::Decide(takes, decision)));
    }
    let state = match decision {
        Decision::Accept => TakeState::Accepted,
        Decision::SetAside => TakeState::SetAside,
        Decision::Undecide => undecided(view.selected_take()?),
    };
    view.selected.map(|id| Command::Edit(EditCommand::SetState(id, state)))
}

/// The side that is not heard now.
pub fn other(side: Side) -> Side {
    match side {
        Side::Rendered => Side::Source,
        Side::Source | Side::Removed => Side::Rendered,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::HashSet;

    #[test]
    fn no_two_actions_share_a_key_and_each_stands_once() {
        let mut keys = HashSet::new();
        let mut actions = HashSet::new();
        for s in TABLE {
            assert!(!s.words.is_empty() && !s.keys.is_empty());
            assert!(actions.insert(s.action), "{:?} stands twice", s.action);
            assert_eq!(of(s.action).action, s.action);
            for k in s.keys {
                assert!(keys.insert(*k), "{k:?} is taken twice");
            }
        }
    }

    #[test]
    fn keys_of_focused_widgets_are_left_alone() {
        let theirs = [
            Key::ArrowUp,
            Key::ArrowDown,
            Key::ArrowLeft,
            Key::ArrowRight,
            Key::PageUp,
            Key::PageDown,
            Key::Home,
            Key::End,
            Key::Delete,
            Key::Backspace,
            Key::Tab,
            Key::Enter,
            Key::Escape,
        ];
        for s in TABLE {
            assert!(s.keys.iter().all(|k| !theirs.contains(&k.logical_key)), "{:?}", s.action);
        }
    }
}
