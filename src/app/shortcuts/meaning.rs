//! What an action does as things are now, or why it does nothing.

use super::Action;
use crate::app::command::{
    Command, EditCommand, GoCommand, KeyboardCommand, LookCommand, Room, SessionCommand, SoundCommand,
    StackCommand, WorkCommand,
};
use crate::app::panels::bench::edits;
use crate::app::view::{Around, View};
use crate::playback::message::Side;
use crate::session::placing::{Decision, undecided};
use crate::session::{TakeId, TakeState};

/// What an action means as things are now, in the whole window.
pub fn wanted(action: Action, view: &View<'_>, around: &Around<'_>) -> Option<Command> {
    let shown = around.shown;
    match action {
        Action::Commands => Some(Command::Look(LookCommand::Commands(!shown.commands))),
        Action::Preferences => Some(Command::Look(LookCommand::Preferences(!shown.preferences))),
        Action::Messages => Some(Command::Look(LookCommand::Messages(!shown.messages))),
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
    if let Some(id) = unseen(action, view) {
        return Some(Command::Edit(EditCommand::IsLeftOut(id)));
    }
    match action {
        Action::RoomSheet => Some(Command::Go(GoCommand::Room(Room::Sheet))),
        Action::RoomBench => Some(Command::Go(GoCommand::Room(Room::Bench))),
        Action::RoomStack => Some(Command::Go(GoCommand::Room(Room::Stack))),
        Action::RoomDeliver => Some(Command::Go(GoCommand::Room(Room::Deliver))),
        Action::NextToLookAt => Some(Command::Go(GoCommand::NextToLookAt)),
        Action::NextTake => Some(Command::Go(GoCommand::Step(1))),
        Action::PreviousTake => Some(Command::Go(GoCommand::Step(-1))),
        Action::PlayStop if view.sound.sounds() => Some(Command::Sound(SoundCommand::Stop)),
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
        | Action::Messages
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

/// The selected take, where an action would change it and the filter leaves it out: nothing is done to what
/// is not seen. Of several, those that are seen count.
fn unseen(action: Action, view: &View<'_>) -> Option<TakeId> {
    let needs = needs(action);
    let all = matches!(action, Action::Accept | Action::SetAside | Action::Undecide | Action::Propose);
    let some_seen = all && !view.triage.also.is_empty() && !view.chosen().is_empty();
    view.left_out().filter(|_| needs.writing && needs.take && !some_seen && !view.read_only)
}

/// Why an action would do nothing as things are now, as half a sentence; none: it does something.
pub fn why_not(action: Action, view: &View<'_>) -> Option<&'static str> {
    use Action as A;
    let everywhere = matches!(action, A::Keys | A::Commands | A::Preferences | A::Messages | A::OpenFolder);
    if everywhere || matches!(action, A::Louder | A::Softer) {
        return None;
    }
    let needs = needs(action);
    let has_loop =
        || view.selected_take().and_then(|t| t.recipe.as_ref()).is_some_and(|r| r.looping.is_some());
    match action {
        _ if view.path.is_none() => Some("no session is open"),
        // What sounds can be silenced whatever is selected.
        A::PlayStop if view.sound.sounds() => None,
        _ if needs.writing && view.read_only => Some("this session can only be looked at"),
        _ if needs.take && view.selected_take().is_none() => Some("no take is selected"),
        _ if needs.device && view.sound.device.is_err() => Some("there is no sound device"),
        _ if unseen(action, view).is_some() => Some("the filter leaves the selected take out"),
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

/// The takes that a key is about, where it is about several: all that are selected and seen in the sheet. In the
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
