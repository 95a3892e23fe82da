//! What the window tells the engine.

use std::sync::Arc;

use crate::audio::AudioBuf;
use crate::units::FrameRange;

/// A loop ready to be played: the crossfade is computed outside, the engine only reads.
#[derive(Debug, Clone, PartialEq)]
pub struct PlayLoop {
    /// Loop start, and the first frame after the loop.
    pub range: FrameRange,
    /// What sounds in the last frames before the end instead of the audio there, one vector a
    /// channel (empty vectors: no crossfade).
    pub tail: Arc<Vec<Vec<f32>>>,
    /// The same for the source and for what cleaning removed: they are of other pitch and level at the two
    /// ends, and would click at every turn.
    pub compared: [Arc<Vec<Vec<f32>>>; 2],
}

impl PlayLoop {
    /// What sounds before the end on that side.
    pub fn tail_of(&self, side: Side) -> &[Vec<f32>] {
        match side {
            Side::Rendered => &self.tail,
            Side::Source => &self.compared[0],
            Side::Removed => &self.compared[1],
        }
    }
}

/// Which of the sounds of one length is heard.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Side {
    /// The rendered take.
    #[default]
    Rendered,
    /// The source, read plainly at the same rate.
    Source,
    /// What cleaning removed.
    Removed,
}

/// What to play.
#[derive(Debug, Clone)]
pub struct Playable {
    /// The rendered take.
    pub rendered: AudioBuf,
    /// The source for comparison, lined up frame by frame (may be shorter; silent beyond).
    pub source: Option<AudioBuf>,
    /// What cleaning removed, lined up as well; none: nothing was removed, which is silence.
    pub removed: Option<AudioBuf>,
    /// The loop to go round; none: play to the end once.
    pub looping: Option<PlayLoop>,
}

/// The name of a group of voices: a key of a keyboard, or the one stack that is listened to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct GroupKey(pub u64);

/// How one voice of a group is heard.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mix {
    /// Amplitude, 0 to 4; 0 is mute.
    pub gain: f32,
    /// −1 left, 0 middle, 1 right; of equal power: √(1 − pan) left and √(1 + pan) right, so the
    /// middle is as loud as without a pan.
    pub pan: f32,
    /// Speed of the reading, and so pitch: 2 is an octave up.
    pub ratio: f64,
}

impl Default for Mix {
    fn default() -> Self {
        Self { gain: 1.0, pan: 0.0, ratio: 1.0 }
    }
}

/// One voice of a group.
#[derive(Debug, Clone)]
pub struct GroupVoice {
    /// The sound with its loop; none: this voice is silent. What the engine puts here instead is out
    /// of use.
    pub what: Option<Box<Playable>>,
    /// Frame of the sound at which the note begins: voices meet there.
    pub onset: u64,
    /// Frames of one period; 0: not known. A release keeps the phase by it.
    pub period: f64,
    /// How it is heard.
    pub mix: Mix,
}

/// Where a group begins.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum GroupFrom {
    /// At the beginning of its sounds, so that their onsets meet.
    Start,
    /// So many seconds after the onset, as if it had been going round since then.
    At(f64),
    /// Where the group of the same key is now, crossing from its voices one by one; without one, at
    /// the beginning.
    Now,
}

/// Several voices that begin together.
#[derive(Debug, Clone)]
pub struct Group {
    /// Its name; a group of the same name makes room.
    pub key: GroupKey,
    /// Where it begins.
    pub from: GroupFrom,
    /// Its voices, at most [`super::engine::MOST_IN_GROUP`]; the number of a voice is its place here.
    pub voices: Vec<GroupVoice>,
}

/// One message. Everything in it was allocated outside; what it replaces goes back outside to be
/// freed.
#[derive(Debug)]
pub enum Message {
    /// Plays from a frame, fading out what played before.
    Play {
        /// The sound with its loop.
        what: Box<Playable>,
        /// Frame of the sound to begin at.
        from: u64,
        /// Which side is heard.
        side: Side,
    },
    /// Swaps the sound that plays for a new rendering of the same take at the same position,
    /// without a gap.
    Replace(Box<Playable>),
    /// Moves the loop of what plays, without a click; none: leaves the loop and plays to the end.
    SetLoop(Option<Box<PlayLoop>>),
    /// Compares.
    SetSide(Side),
    /// Goes on from another frame.
    Seek(u64),
    /// Starts several voices at once; others go on.
    StartGroup(Box<Group>),
    /// Changes how one voice of a group is heard, without a click.
    SetMix {
        /// Which group.
        key: GroupKey,
        /// Which of its voices.
        voice: usize,
        /// How it is heard now.
        mix: Mix,
    },
    /// Lets a group go: each voice leaves its loop for what was recorded after it, or fades out where
    /// there is no such thing.
    Release(GroupKey),
    /// Fades out everything.
    Stop,
    /// Master gain as an amplitude, 0 to 1.
    SetVolume(f32),
}

impl Message {
    /// Whether this one makes `older` superfluous when it comes right after it.
    pub fn replaces(&self, older: &Self) -> bool {
        match (self, older) {
            (Self::StartGroup(a), Self::StartGroup(b)) => a.key == b.key && a.from != GroupFrom::Now,
            (Self::SetMix { key: a, voice: v, .. }, Self::SetMix { key: b, voice: w, .. }) => {
                (a, v) == (b, w)
            }
            (Self::Release(a), Self::Release(b)) => a == b,
            _ => std::mem::discriminant(self) == std::mem::discriminant(older),
        }
    }
}
