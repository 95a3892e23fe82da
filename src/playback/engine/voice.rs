//! One voice: one reading of one sound, with a gain on its way up or down.

use super::PLACES;
use crate::audio::AudioBuf;
use crate::playback::fade::Fade;
use crate::playback::message::{GroupKey, PlayLoop, Playable, Side};
use crate::playback::read::{Kernel, Reader};

/// Which loop a voice goes round.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum LoopOf {
    /// None was asked for.
    Nobody,
    /// The sound's own.
    Sound,
    /// One that came later, by its place.
    Place(usize),
}

/// What a voice belongs to: of the voices of one line one plays, the others fade out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Line {
    /// The one sound of `Message::Play`.
    Main,
    /// A voice of a group.
    Group(GroupKey, usize),
}

/// One reading of one sound.
#[derive(Debug, Clone, Copy)]
pub(super) struct Voice {
    pub(super) line: Line,
    /// It plays; the others of its line fade out.
    pub(super) current: bool,
    /// Place of the sound.
    pub(super) sound: usize,
    pub(super) looping: LoopOf,
    pub(super) reader: Reader,
    pub(super) gain: Fade,
    /// Level and pan, left and right.
    pub(super) mix: [Fade; 2],
    /// Share of the source, and of what was removed; the rest is the rendered take.
    pub(super) side: Fade,
    pub(super) taken: Fade,
    /// Frames of silence before it begins.
    pub(super) wait: u64,
    /// Frames of the device since the onset; below 0 before it.
    pub(super) since: i64,
    /// Frames of one period of the sound; 0: not known.
    pub(super) period: f64,
    /// What it added to the last frame.
    pub(super) last: [f32; 2],
}

impl Voice {
    /// Computes the next frame into `last` and moves on.
    pub(super) fn next(
        &mut self,
        sound: &Playable,
        loops: &[Option<Box<PlayLoop>>; PLACES],
        kernel: &Kernel,
    ) {
        self.since += 1;
        let gain = self.gain.advance();
        let frame = if self.wait > 0 {
            self.wait -= 1;
            [0.0; 2]
        } else {
            self.read(sound, loops, kernel)
        };
        for ((last, x), mix) in self.last.iter_mut().zip(frame).zip(&mut self.mix) {
            let y = x * gain * mix.advance();
            *last = if y.is_finite() { y } else { 0.0 };
        }
    }

    /// The next frame before the gain; moves on.
    pub(super) fn read(
        &mut self,
        sound: &Playable,
        loops: &[Option<Box<PlayLoop>>; PLACES],
        kernel: &Kernel,
    ) -> [f32; 2] {
        let looping = match self.looping {
            LoopOf::Nobody => None,
            LoopOf::Sound => sound.looping.as_ref(),
            LoopOf::Place(p) => loops[p].as_deref(),
        };
        let (side, taken) = (self.side.advance(), self.taken.advance());
        let left = 1.0 - side - taken;
        let read = |x: &AudioBuf, of| self.reader.read(x, looping.map(|l| (l, of)), kernel);
        let rendered = if left > 0.0 { read(&sound.rendered, Side::Rendered) } else { [0.0; 2] };
        let mut frame = match &sound.source {
            Some(source) if side > 0.0 => {
                let plain = read(source, Side::Source);
                std::array::from_fn(|c| rendered[c] * left + plain[c] * side)
            }
            _ if taken > 0.0 => rendered.map(|x| x * left),
            _ => rendered,
        };
        if let Some(removed) = sound.removed.as_ref().filter(|_| taken > 0.0) {
            let removed = read(removed, Side::Removed);
            frame = std::array::from_fn(|c| frame[c] + removed[c] * taken);
        }
        self.reader.step();
        frame
    }
}
