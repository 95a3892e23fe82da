//! Sources (files that takes were found in) and takes (one performance of one note).

use std::path::PathBuf;

use serde::{Deserialize, Serialize};

use super::recipe::Recipe;
use crate::dsp::tune::Movement;
use crate::units::{Cents, Decibels, Frame, FrameRange, Hertz, MidiNote, SampleRate};

/// Names a source within its session, for good.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct SourceId(pub u32);

/// Names a take within its session, for good.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct TakeId(pub u32);

/// A stretch of a source with nobody playing.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RoomTone {
    /// Where it lies.
    pub range: FrameRange,
    /// Its RMS level re full scale.
    pub level: Decibels,
}

/// A file that takes were found in. It is only ever read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Source {
    /// Its name within the session.
    pub id: SourceId,
    /// Where it is, relative to the session's folder where that can be said, else absolute.
    pub path: PathBuf,
    /// Its size in bytes when it was surveyed.
    pub bytes: u64,
    /// BLAKE3 hash of its bytes when it was surveyed, hexadecimal.
    pub hash: String,
    /// Frames a second.
    pub rate: SampleRate,
    /// Number of channels.
    pub channels: u16,
    /// Length in frames.
    pub frames: u64,
    /// The room, where one was found.
    pub room_tone: Option<RoomTone>,
    /// Stretches of room tone that the user marked instead; empty: none.
    #[serde(default)]
    pub room_marked: Vec<FrameRange>,
}

impl Source {
    /// The stretches that its room is learned from: those marked by hand, else the one found.
    pub fn room_stretches(&self) -> Vec<FrameRange> {
        if self.room_marked.is_empty() {
            self.room_tone.iter().map(|r| r.range).collect()
        } else {
            self.room_marked.clone()
        }
    }
}

/// A sound file that could not be read when it was looked at last.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Unread {
    /// Where it is, as [`Source::path`].
    pub path: PathBuf,
    /// What was wrong with it, in a sentence.
    pub why: String,
}

/// Where a take was put by its file alone, while the survey of the whole set has not come to its end.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Unsettled {
    /// Which take.
    pub take: TakeId,
    /// The note it was put at.
    pub note: Option<MidiNote>,
    /// The layer it was put in.
    pub layer: u16,
}

/// The note and layer that a file's name claims.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Named {
    /// The note, when the name holds one.
    pub midi: Option<MidiNote>,
    /// The layer counted from 0, when the name or the order holds one.
    pub layer: Option<u16>,
}

/// How far a take has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TakeState {
    /// Found, nothing decided.
    New,
    /// The program filled the recipe.
    Proposed,
    /// The user (or `--accept`) said yes: it will be delivered.
    Accepted,
    /// The user said no: it will not be delivered.
    SetAside,
}

impl TakeState {
    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            Self::New => "new",
            Self::Proposed => "proposed",
            Self::Accepted => "accepted",
            Self::SetAside => "set aside",
        }
    }
}

/// What sort of problem a concern is; worst first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ConcernKind {
    /// The source file is gone or is not what it was.
    SourceChanged,
    /// What was set was set for an older content of its source file.
    WorkOutdated,
    /// Nothing rises above the room.
    Silent,
    /// Named one note and sounds another.
    WrongNote,
    /// A second note sounds with it.
    TwoNotes,
    /// Samples at full scale in a row.
    Clipped,
    /// The recording starts inside the sound.
    StartsInside,
    /// The recording ends inside the sound.
    EndsInside,
    /// Not enough steady sound for a loop.
    TooShortToLoop,
    /// The octave above or below fits nearly as well.
    OctaveUnsure,
    /// The tracker is not sure of the note.
    PitchUnsure,
    /// Little distance between the note and the room.
    Noisy,
    /// The room is not the one that was learned, or not that of the other files.
    RoomChanged,
    /// Too little room tone to know the room by.
    LittleRoomTone,
    /// Much louder or softer than its neighbours.
    LevelOutOfLine,
    /// Another take claims the same note and layer.
    DuplicateCell,
    /// No take for a note in a layer.
    MissingCell,
    /// No loop of an acceptable score was found.
    NoGoodLoop,
    /// The source brings a loop or root key of its own that says something else.
    SourceDisagrees,
}

impl ConcernKind {
    /// Short words for a label.
    pub fn words(self) -> &'static str {
        match self {
            Self::SourceChanged => "source gone or changed",
            Self::WorkOutdated => "set for an older file",
            Self::Silent => "silent",
            Self::WrongNote => "wrong note",
            Self::TwoNotes => "two notes at once",
            Self::Clipped => "clipped",
            Self::StartsInside => "starts inside the sound",
            Self::EndsInside => "ends inside the sound",
            Self::TooShortToLoop => "too short to loop",
            Self::OctaveUnsure => "octave unsure",
            Self::PitchUnsure => "pitch unsure",
            Self::Noisy => "noisy",
            Self::RoomChanged => "room changed",
            Self::LittleRoomTone => "little room tone",
            Self::LevelOutOfLine => "level out of line",
            Self::DuplicateCell => "two takes for one cell",
            Self::MissingCell => "missing",
            Self::NoGoodLoop => "no good loop",
            Self::SourceDisagrees => "source says otherwise",
        }
    }

    /// Whether a proposal judges this, not a survey.
    pub fn is_of_proposals(self) -> bool {
        matches!(self, Self::NoGoodLoop | Self::LittleRoomTone | Self::RoomChanged | Self::WorkOutdated)
    }

    /// The name in JSON, such as `wrong_note`.
    pub fn key(self) -> &'static str {
        match self {
            Self::SourceChanged => "source_changed",
            Self::WorkOutdated => "work_outdated",
            Self::Silent => "silent",
            Self::WrongNote => "wrong_note",
            Self::TwoNotes => "two_notes",
            Self::Clipped => "clipped",
            Self::StartsInside => "starts_inside",
            Self::EndsInside => "ends_inside",
            Self::TooShortToLoop => "too_short_to_loop",
            Self::OctaveUnsure => "octave_unsure",
            Self::PitchUnsure => "pitch_unsure",
            Self::Noisy => "noisy",
            Self::RoomChanged => "room_changed",
            Self::LittleRoomTone => "little_room_tone",
            Self::LevelOutOfLine => "level_out_of_line",
            Self::DuplicateCell => "duplicate_cell",
            Self::MissingCell => "missing_cell",
            Self::NoGoodLoop => "no_good_loop",
            Self::SourceDisagrees => "source_disagrees",
        }
    }

    /// Whether `propose --accept` leaves a take with this concern for the user to decide.
    pub fn needs_a_look(self) -> bool {
        !matches!(
            self,
            Self::Noisy
                | Self::RoomChanged
                | Self::LittleRoomTone
                | Self::LevelOutOfLine
                | Self::SourceDisagrees
        )
    }
}

/// A typed problem with a sentence for the user.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Concern {
    /// What sort.
    pub kind: ConcernKind,
    /// What is wrong, with numbers, in a sentence.
    pub text: String,
}

impl Concern {
    /// A concern of `kind` that says `text`.
    pub fn new(kind: ConcernKind, text: impl Into<String>) -> Self {
        Self { kind, text: text.into() }
    }
}

/// One performance of one note: a span of a source, what was measured in it, what is to be done.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Take {
    /// Its name within the session.
    pub id: TakeId,
    /// The file it lies in.
    pub source: SourceId,
    /// The sound with its onset and its end, in source frames.
    pub span: FrameRange,
    /// Where the note begins to sound, in source frames; inside `span`.
    pub onset: Frame,
    /// The note that sounds, where the tracker found one.
    pub sounds: Option<MidiNote>,
    /// Its fundamental over the sustain.
    pub f0: Option<Hertz>,
    /// Deviation of `f0` from `sounds`.
    pub cents: Cents,
    /// How it moves over its sustain; none: not measured (an older session) or no pitch.
    #[serde(default)]
    pub movement: Option<Movement>,
    /// RMS level of the span.
    pub level: Decibels,
    /// Level above the room; none without room tone.
    pub snr: Option<Decibels>,
    /// What the file's name claims.
    pub named: Option<Named>,
    /// The note it counts as in the sheet (the name's, else the one that sounds; the user may
    /// change it). None: not placed yet.
    pub note: Option<MidiNote>,
    /// The layer it counts as, from 0.
    pub layer: u16,
    /// How far it has come.
    pub state: TakeState,
    /// What is wrong with it, worst first.
    pub concerns: Vec<Concern>,
    /// What is to be done with it; none while the state is new.
    pub recipe: Option<Recipe>,
}

impl Take {
    /// The worst thing about it.
    pub fn worst_concern(&self) -> Option<&Concern> {
        self.concerns.iter().min_by_key(|c| c.kind)
    }

    /// Whether it is the same take, told and worked on in the same way, whatever its loop's score: what is
    /// to see whether a take was changed meanwhile goes by this, because a score is judged anew at any time.
    pub fn same_but_score(&self, other: &Self) -> bool {
        let recipes = match (&self.recipe, &other.recipe) {
            (Some(a), Some(b)) => a.same_but_score(b),
            (a, b) => a.is_none() && b.is_none(),
        };
        recipes && Self { recipe: other.recipe.clone(), ..self.clone() } == *other
    }

    /// The loop score of its recipe, 0 to 100.
    pub fn loop_score(&self) -> Option<f64> {
        self.recipe.as_ref()?.looping.as_ref().map(|l| l.score)
    }

    /// The note that its file will stand for: its recipe's target, else its place in the sheet.
    pub fn goes_out_as(&self) -> Option<MidiNote> {
        self.recipe.as_ref().map(|r| r.tune.target).or(self.note)
    }

    /// The note that it will be delivered as, where that is another one than its place in the sheet.
    pub fn goes_elsewhere(&self) -> Option<MidiNote> {
        self.goes_out_as().filter(|n| self.note.is_some_and(|place| place != *n))
    }

    /// Whether the user ought to look at it: nobody has decided about it yet.
    pub fn needs_a_look(&self) -> bool {
        matches!(self.state, TakeState::New | TakeState::Proposed)
    }
}
