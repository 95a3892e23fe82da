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
    /// Fades out.
    Stop,
    /// Master gain as an amplitude, 0 to 1.
    SetVolume(f32),
}
