//! What a panel may see: everything, read-only.

use std::collections::HashSet;
use std::path::{Path, PathBuf};

use super::command::Room;
use super::derived::Derived;
use super::keyboard::KeyboardView;
use super::settings::Settings;
use super::sound::Latency;
use super::stack::StackView;
use super::theme::Theme;
use super::triage::Triage;
use crate::playback::message::Side;
use crate::render::audition::Judged;
use crate::session::{Document, History, Sheet, Take, TakeId};

/// How a take that plays was begun.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Begun {
    /// From a place in it, and on into its loop.
    #[default]
    Take,
    /// In its loop.
    Loop,
    /// Shortly before its seam.
    Seam,
}

impl SoundView {
    /// Whether a take or the stack sounds, in whichever room it was begun.
    pub fn sounds(&self) -> bool {
        self.playing.is_some() || self.stack.note.is_some()
    }
}

/// Sound, as far as the window shows it.
#[derive(Debug, Clone, PartialEq)]
pub struct SoundView {
    /// Name of the device, or why there is none.
    pub device: std::result::Result<String, String>,
    /// The take that plays and the rendered frame it is at.
    pub playing: Option<(TakeId, u64)>,
    /// How that was begun.
    pub begun: Begun,
    /// What is heard.
    pub side: Side,
    /// A loop is being judged by ear: what of, and whether the take's own sustain is heard.
    pub judged: Option<(Judged, Side)>,
    /// Master volume in dB.
    pub volume_db: f32,
    /// Peaks left and right, 0 to 1, with the meter's fall.
    pub peak: [f32; 2],
    /// The limiter works.
    pub limited: bool,
    /// The layers of a note together.
    pub stack: StackView,
}

/// Long work that is going on.
#[derive(Debug, Clone, PartialEq)]
pub struct JobView {
    /// Its name for [`super::command::WorkCommand::Cancel`].
    pub id: u64,
    /// What is being done.
    pub stage: String,
    /// 0 to 1.
    pub fraction: f32,
    /// Steps done and to be done.
    pub counts: (u64, u64),
    /// Seconds left by the pace so far.
    pub seconds_left: Option<f64>,
    /// There may be more to do than is counted.
    pub more: bool,
    /// Escape in the sheet stops it.
    pub escape: bool,
    /// It finds takes.
    pub finds: bool,
}

/// A message for the user.
#[derive(Debug, Clone, PartialEq)]
pub struct NoticeView {
    /// Its name for dismissing.
    pub id: u64,
    /// Whether something went wrong.
    pub is_error: bool,
    /// The sentence, with files by their names.
    pub text: String,
    /// The same with where the files lie.
    pub in_full: String,
}

/// Everything a panel may see.
pub struct View<'a> {
    /// The document as it is now.
    pub document: &'a Document,
    /// Grows with every change of the document.
    pub revision: u64,
    /// Its sheet.
    pub sheet: &'a Sheet,
    /// The session file; none before anything is open.
    pub path: Option<&'a Path>,
    /// Another program has the session, or its folder cannot be written to: nothing can be changed.
    pub read_only: bool,
    /// What undo and redo would do.
    pub undo: Option<&'a str>,
    /// What redo would do.
    pub redo: Option<&'a str>,
    /// The room shown.
    pub room: Room,
    /// The selected take.
    pub selected: Option<TakeId>,
    /// How the takes are looked through: what is selected besides, what the sheet shows.
    pub triage: &'a Triage,
    /// Heavy results.
    pub derived: &'a Derived,
    /// Long work.
    pub jobs: &'a [JobView],
    /// Messages.
    pub notices: &'a [NoticeView],
    /// Sound.
    pub sound: &'a SoundView,
    /// Colours and sizes.
    pub theme: &'a Theme,
}

/// What lies open over or beside the rooms.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Shown {
    /// The list of keys.
    pub keys: bool,
    /// The list of commands.
    pub commands: bool,
    /// The undo list.
    pub steps: bool,
    /// The preferences.
    pub preferences: bool,
    /// The field for a path to open, over a session.
    pub open_path: bool,
    /// The list of all messages.
    pub messages: bool,
}

/// Which devices there are, as far as they were looked for.
#[derive(Debug, Clone, Default)]
pub struct Devices {
    /// Sound devices, or why that is not known; none: not looked for yet.
    pub outputs: Option<std::result::Result<Vec<String>, String>>,
    /// MIDI inputs, in the same way.
    pub inputs: Option<std::result::Result<Vec<String>, String>>,
}

/// What is not about the session: settings, devices, what lies open.
pub struct Around<'a> {
    /// The user's settings.
    pub settings: &'a Settings,
    /// What lies open.
    pub shown: Shown,
    /// The audition keyboard.
    pub keyboard: &'a KeyboardView,
    /// Steps done and undone.
    pub history: &'a History,
    /// Something is not on disk yet.
    pub unsaved: bool,
    /// It could not be put there; that is tried again.
    pub save_failed: bool,
    /// Why nothing may be changed, if so.
    pub read_only_because: Option<&'a str>,
    /// How long a sound takes.
    pub latency: &'a Latency,
    /// Devices.
    pub devices: &'a Devices,
    /// Folders and sessions opened lately that are not there now.
    pub missing: &'a HashSet<PathBuf>,
}

impl<'a> View<'a> {
    /// The selected take.
    pub fn selected_take(&self) -> Option<&'a Take> {
        self.document.take(self.selected?).map(|t| &**t)
    }

    /// Whether a take is selected, alone or among others.
    pub fn is_chosen(&self, id: TakeId) -> bool {
        self.selected == Some(id) || self.triage.also.contains(&id)
    }

    /// Whether the sheet's filter leaves a take out of what is seen. In the other rooms nothing is left out.
    pub fn is_left_out(&self, id: TakeId) -> bool {
        let filter = self.triage.listing.filter;
        self.room == Room::Sheet && self.document.take(id).is_some_and(|t| !filter.shows(t))
    }

    /// The selected take, where the filter leaves it out.
    pub fn left_out(&self) -> Option<TakeId> {
        self.selected.filter(|id| self.is_left_out(*id))
    }

    /// All takes that are selected and seen, in the order of the sheet: what is decided is decided about
    /// these.
    pub fn chosen(&self) -> Vec<TakeId> {
        let seen = |id: &TakeId| self.document.take(*id).is_some() && !self.is_left_out(*id);
        if self.triage.also.is_empty() {
            return self.selected.filter(seen).into_iter().collect();
        }
        self.sheet.walk().into_iter().filter(|id| self.is_chosen(*id) && seen(id)).collect()
    }
}
