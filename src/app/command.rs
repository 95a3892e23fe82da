//! Everything the user can ask for, as data.

use std::path::PathBuf;

use serde::{Deserialize, Serialize};

use super::keyboard::{KeyboardSetup, StruckBy};
use super::stack::StackSetup;
use super::triage::Listing;
use crate::playback::device::DeviceWish;
use crate::playback::message::Side;
use crate::session::placing::Decision;
use crate::session::{Edit, TakeId, TakeState};
use crate::units::MidiNote;

/// A wish of the user. Panels return these; only `dispatch` carries them out.
#[derive(Debug, Clone, PartialEq)]
pub enum Command {
    /// The session as a file.
    Session(SessionCommand),
    /// The document and its history.
    Edit(EditCommand),
    /// What is heard.
    Sound(SoundCommand),
    /// Moving about.
    Go(GoCommand),
    /// The layers of a note together.
    Stack(StackCommand),
    /// Long work.
    Work(WorkCommand),
    /// The audition keyboard.
    Keyboard(KeyboardCommand),
    /// How the window looks.
    Look(LookCommand),
}

/// Light, dark, or as the system has it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ThemeChoice {
    /// As the system says.
    #[default]
    System,
    /// Ink on paper.
    Light,
    /// Paper on ink.
    Dark,
}

/// How the window looks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum LookCommand {
    /// Light or dark.
    Theme(ThemeChoice),
    /// Shows or hides the list of keys.
    Keys(bool),
    /// After a decision it goes on to the next take to look at, or stays.
    GoOn(bool),
    /// Goes to the fields that give the selected takes another note or layer.
    AskPlace,
    /// Shows or hides the list of commands.
    Commands(bool),
    /// Shows or hides the undo list.
    Steps(bool),
    /// Shows or hides the preferences.
    Preferences(bool),
    /// Shows or hides the field for a path to open.
    OpenPath(bool),
    /// Shows or hides the list of all messages.
    Messages(bool),
    /// Takes away the message about a text that was refused; the text stays, marked.
    HideRefusal,
    /// Size of everything: 0.8 to 2.
    Scale(f32),
}

/// The audition keyboard: the set played as it will be delivered.
#[derive(Debug, Clone, PartialEq)]
pub enum KeyboardCommand {
    /// Shows or hides it; shown, it also takes the computer's keys.
    Show(bool),
    /// Takes the computer's keys, or gives them back.
    TakeKeys(bool),
    /// A key goes down.
    Strike {
        /// Which.
        key: MidiNote,
        /// How hard, 1 to 127; none: as set up.
        velocity: Option<u8>,
        /// By what.
        by: StruckBy,
    },
    /// A key comes up again.
    Lift(MidiNote, StruckBy),
    /// Keys that come up go on sounding while this is so.
    Sustain(bool),
    /// Lets every key go.
    AllUp,
    /// Sets layer, velocity, which takes, and where the computer's keys lie.
    Set(KeyboardSetup),
}

/// The session as a file.
#[derive(Debug, Clone, PartialEq)]
pub enum SessionCommand {
    /// Asks for a folder and opens it.
    ChooseFolder,
    /// Opens a folder, sound files, or a session file.
    Open(Vec<PathBuf>),
    /// Opens the last good autosave of the session that could not be read.
    OpenAutosave(PathBuf),
    /// Saves now (it saves by itself as well).
    Save,
    /// Takes a message away.
    DismissNotice(u64),
    /// Takes a folder or session off the list of those opened lately.
    ForgetRecent(PathBuf),
}

/// The document and its history.
#[derive(Debug, Clone, PartialEq)]
pub enum EditCommand {
    /// One step.
    Do {
        /// Its name in undo and redo.
        label: String,
        /// The change.
        edit: Edit,
    },
    /// Part of a gesture: shown, not yet a step.
    Preview(Edit),
    /// Ends the gesture as one step.
    Commit(String),
    /// Ends the gesture as if it had not been.
    Abort,
    /// Takes the last step back.
    Undo,
    /// Makes it again.
    Redo,
    /// Takes steps back or makes them again until so many stand.
    GoTo(usize),
    /// Accepts, sets aside or takes either back, for the given take.
    SetState(TakeId, TakeState),
    /// Decides about several takes in one step.
    Decide(Vec<TakeId>, Decision),
    /// Keeps this take of several for one cell: it is accepted, the others are set aside.
    Keep(TakeId),
    /// What was tried would change this take, which the filter leaves out: nothing is changed, and it is
    /// said why.
    IsLeftOut(TakeId),
    /// What was tried would move the locked loop of this take: nothing is changed, and it is said why.
    LoopIsLocked(TakeId),
}

/// What is heard.
#[derive(Debug, Clone, PartialEq)]
pub enum SoundCommand {
    /// The selected take from its in point, going round its loop.
    PlayTake,
    /// The loop for ever, from its start.
    PlayLoop,
    /// From a second before the loop end, across the seam.
    PlaySeam,
    /// The seam again and again.
    PlaySeamAgain,
    /// The loop beside the take's own sustain: begins with the loop, then changes over.
    PlayBeside,
    /// From a rendered frame.
    PlayFrom(u64),
    /// Silence.
    Stop,
    /// The rendered take, its source, or what cleaning removed.
    Listen(Side),
    /// Master volume in dB, −60 to 0.
    Volume(f32),
    /// Looks for a sound device again.
    TryDevice,
    /// Plays on the device of this name (none: the system's own) in blocks of so many frames (none:
    /// the device's own).
    UseDevice(DeviceWish),
    /// Listens to the MIDI input of this name; none: to no input.
    UseMidi(Option<String>),
    /// Looks which devices and inputs there are.
    LookForDevices,
    /// The caution of the first start was read.
    CautionRead,
}

/// The layers of a note together.
#[derive(Debug, Clone, PartialEq)]
pub enum StackCommand {
    /// Sets spread, levels and what staying apart means; for listening only.
    Set(Box<StackSetup>),
    /// The spread stays as it is now.
    Settle,
    /// Holds the note of the selected take.
    Hold,
    /// Holds it as if it had sounded for so many seconds.
    HoldFrom(f64),
    /// Lets it go.
    Release,
    /// Chooses loops that stay apart for the note of the selected take.
    ApartNote,
    /// The same for every note.
    ApartSet,
}

/// The rooms.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Room {
    /// Notes × layers.
    #[default]
    Sheet,
    /// One take.
    Bench,
    /// The layers of one note together.
    Stack,
    /// Writing the set.
    Deliver,
}

/// Moving about.
#[derive(Debug, Clone, PartialEq)]
pub enum GoCommand {
    /// To a room.
    Room(Room),
    /// Selects a take, and no other.
    Select(TakeId),
    /// Adds a take to the selection, or takes it out.
    Toggle(TakeId),
    /// Selects several; all rooms show the one named first.
    SelectMany(TakeId, Vec<TakeId>),
    /// Selects everything that the sheet shows.
    SelectAll,
    /// Form, order and filter of the sheet.
    List(Listing),
    /// To the next take (or the one before) in sheet order.
    Step(i32),
    /// To the next take that needs a look.
    NextToLookAt,
}

/// Long work.
#[derive(Debug, Clone, PartialEq)]
pub enum WorkCommand {
    /// Looks through the session's files again.
    Survey,
    /// Looks again at the files that could not be read.
    TryUnread,
    /// Fills the recipes of all takes that are new, and of those that a running survey still finds.
    ProposeAll,
    /// Fills (again) the recipe of one take.
    Propose(TakeId),
    /// The best loop near two source positions of a take, each moved by no more than `reach_s`
    /// seconds: a place of the loop map.
    LoopNear {
        /// Which take.
        take: TakeId,
        /// About the loop start, in source frames.
        start: f64,
        /// About the loop end, in source frames.
        end: f64,
        /// How far it may lie from there, in seconds.
        reach_s: f64,
    },
    /// Gives the loops of the note's other layers the length of this take's loop.
    CopyLoopLength(TakeId),
    /// Fills (again) the recipes of several takes; those without a note are passed by.
    ProposeThese(Vec<TakeId>),
    /// Accepts every proposed take that passes.
    AcceptPassing,
    /// Draws small waves of these takes, the first first.
    Thumbnails(Vec<TakeId>),
    /// Writes the accepted takes into a folder.
    Deliver(PathBuf),
    /// Asks for the folder to deliver into.
    ChooseDeliverFolder,
    /// Measures how loud the accepted takes are.
    MeasureLevels,
    /// Shows a file in the program that the system opens such files with.
    OpenFile(PathBuf),
    /// Removes these files of earlier deliveries from a folder.
    RemoveOrphans(PathBuf, Vec<String>),
    /// Stops a job.
    Cancel(u64),
}
