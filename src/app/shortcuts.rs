//! Which key does what: the one table, used for the keys themselves, for tooltips and for the list
//! of keys.
//!
//! Letters are the first of an English word that says what happens (N next, R round, S seam,
//! C compare, A against, W what was taken, L lock, P propose, Y yes, D drop, B back,
//! U use, M move), so the list needs learning once.
//! G H J K lie side by side: the loop start earlier and later, the loop end earlier and later. Arrows,
//! Page, Home, End, Delete, Tab, Enter and Escape are left to what has the focus.

mod meaning;
mod pressed;

pub use self::meaning::{command_for, other, wanted, why_not};
pub use self::pressed::{pressed, typed_for_list, works_over};

use egui::{Context, Key, KeyboardShortcut, Modifiers};

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
    /// All messages in full.
    Messages,
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
    PreviousTake GO "Previous take": key(Key::OpenBracket);
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
    Undecide DECIDE "Decide later (take the decision back)": key(Key::B);
    GoOn DECIDE "Go on to the next take after deciding: on, off": shift(Key::N);
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
    Messages REST "All messages": key(Key::F2);
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
