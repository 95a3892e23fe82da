//! The audio thread's side of the device: messages in, samples and numbers out. Nothing is allocated,
//! freed, locked or printed here.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicI64, AtomicU32, AtomicU64, Ordering::Relaxed};

use cpal::{FromSample, SizedSample};

use crate::playback::engine::{Engine, Trash};
use crate::playback::message::Message;
use crate::units::SampleRate;

/// Frames rendered at once; longer blocks are rendered in parts.
const PART: usize = 1024;
/// Stands for "nothing plays" in the shared position.
pub(super) const NOWHERE: u64 = u64::MAX;
/// The same for the group: no onset is so long ago.
pub(super) const NO_GROUP: i64 = i64::MIN;

/// Numbers that the callback writes and the window reads.
#[derive(Debug)]
pub(super) struct Shared {
    pub(super) position: AtomicU64,
    pub(super) group: AtomicI64,
    /// Bits of non-negative floats: they are ordered as the numbers are.
    pub(super) peak: [AtomicU32; 2],
    pub(super) limited: AtomicBool,
    pub(super) complaints: AtomicU64,
    pub(super) block: AtomicU32,
    /// Nanoseconds from a request until it is heard; 0: not known.
    pub(super) delay_ns: AtomicU64,
    pub(super) lost: AtomicBool,
}

impl Shared {
    /// What is told before anything was asked for.
    pub fn silent() -> Self {
        Self {
            position: AtomicU64::new(NOWHERE),
            group: AtomicI64::new(NO_GROUP),
            peak: Default::default(),
            limited: AtomicBool::new(false),
            complaints: AtomicU64::new(0),
            block: AtomicU32::new(0),
            delay_ns: AtomicU64::new(0),
            lost: AtomicBool::new(false),
        }
    }
}

/// What lives on the audio thread.
pub(super) struct Feed {
    engine: Engine,
    inbox: rtrb::Consumer<Message>,
    outbox: rtrb::Producer<Trash>,
    channels: usize,
    block: Box<[f32]>,
    pub(super) shared: Arc<Shared>,
}

impl Feed {
    /// A silent feed for a device with `channels` at `rate`, between two rings.
    pub fn new(
        rate: SampleRate,
        channels: usize,
        (inbox, outbox): (rtrb::Consumer<Message>, rtrb::Producer<Trash>),
        shared: Arc<Shared>,
    ) -> Self {
        let block = vec![0.0; 2 * PART].into_boxed_slice();
        Self { engine: Engine::new(rate), inbox, outbox, channels, block, shared }
    }

    /// Fills what the device asked for. Nothing is allocated, freed, locked or printed here.
    pub fn fill<T: SizedSample + FromSample<f32>>(&mut self, out: &mut [T]) {
        self.exchange();
        self.shared.block.store((out.len() / self.channels) as u32, Relaxed);
        for part in out.chunks_mut(PART * self.channels) {
            let frames = part.len() / self.channels;
            let block = &mut self.block[..2 * frames];
            self.engine.render(block);
            spread(block, part, self.channels);
        }
        let levels = self.engine.take_levels();
        for (shared, peak) in self.shared.peak.iter().zip(levels.peak) {
            shared.fetch_max(peak.to_bits(), Relaxed);
        }
        if levels.limited {
            self.shared.limited.store(true, Relaxed);
        }
        self.shared.position.store(self.engine.position().unwrap_or(NOWHERE), Relaxed);
        let group = self.engine.group_position().map_or(NO_GROUP, |(_, since)| since);
        self.shared.group.store(group, Relaxed);
    }

    /// Trash out, messages in. While nobody fetches the trash, messages wait and trash stays in the
    /// engine: never is anything freed here.
    fn exchange(&mut self) {
        while self.outbox.slots() > 0
            && let Some(old) = self.engine.take_trash()
        {
            self.hand_back(old);
        }
        while self.outbox.slots() > 0
            && let Ok(message) = self.inbox.pop()
        {
            if let Some(old) = self.engine.apply(message) {
                self.hand_back(old);
            }
        }
    }

    fn hand_back(&mut self, old: Trash) {
        if let Err(rtrb::PushError::Full(old)) = self.outbox.push(old) {
            // Cannot be: there was room a moment ago and nobody else pushes. Better lost than freed here.
            std::mem::forget(old);
        }
    }
}

/// Writes interleaved stereo to a device with `channels`: on one the mean, else the first two; the
/// others stay silent.
fn spread<T: SizedSample + FromSample<f32>>(stereo: &[f32], out: &mut [T], channels: usize) {
    for (frame, s) in out.chunks_mut(channels).zip(stereo.chunks_exact(2)) {
        if let [only] = frame {
            *only = T::from_sample(0.5 * (s[0] + s[1]));
            continue;
        }
        frame.fill(T::EQUILIBRIUM);
        for (o, s) in frame.iter_mut().zip(s) {
            *o = T::from_sample(*s);
        }
    }
}

/// What the system says of the stream; may come from the audio thread.
pub(super) fn complain(shared: &Shared, kind: cpal::ErrorKind) {
    use cpal::ErrorKind as Kind;
    match kind {
        // The system moved the sound to another device; it plays on.
        Kind::DeviceChanged => {}
        Kind::DeviceNotAvailable | Kind::StreamInvalidated | Kind::HostUnavailable => {
            shared.lost.store(true, Relaxed);
        }
        _ => {
            shared.complaints.fetch_add(1, Relaxed);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::playback::message;

    #[test]
    fn stereo_is_spread_over_any_number_of_channels() {
        let stereo = [0.5f32, -0.5, 0.25, 0.75];
        let mut one = [9f32; 2];
        spread(&stereo, &mut one, 1);
        assert_eq!(one, [0.0, 0.5]);
        let mut six = [9i16; 12];
        spread(&stereo, &mut six, 6);
        assert_eq!(six, [16384, -16384, 0, 0, 0, 0, 8192, 24576, 0, 0, 0, 0]);
        // Unsigned formats are silent at the middle of their range, not at 0.
        let mut four = [9u8; 4];
        spread(&stereo[..2], &mut four, 4);
        assert_eq!(four, [192, 64, 128, 128]);
    }

    #[test]
    fn full_trash_ring_holds_messages_back() {
        let shared = Arc::new(Shared::silent());
        let (mut messages, inbox) = rtrb::RingBuffer::new(256);
        let (outbox, mut trash) = rtrb::RingBuffer::new(2);
        let mut feed = Feed::new(SampleRate::DELIVERY, 2, (inbox, outbox), Arc::clone(&shared));
        let sound = crate::audio::AudioBuf::mono(vec![0.1; 48_000], SampleRate::DELIVERY).unwrap();
        let playable =
            || message::Playable { rendered: sound.clone(), source: None, removed: None, looping: None };
        // More than the engine has places for.
        for _ in 0..200 {
            messages
                .push(Message::Play { what: Box::new(playable()), from: 0, side: message::Side::Rendered })
                .unwrap();
        }
        let mut out = [0f32; 2 * 4096];
        let mut freed = 0;
        for _ in 0..10 {
            feed.fill(&mut out);
        }
        assert!(messages.slots() < 256, "messages wait while nobody fetches the trash");
        assert!(shared.position.load(Relaxed) != NOWHERE);
        for _ in 0..250 {
            while trash.pop().is_ok() {
                freed += 1;
            }
            feed.fill(&mut out);
        }
        // All but the one that came last, which has played to its end by now too.
        assert_eq!((messages.slots(), freed), (256, 200));
        assert_eq!(shared.position.load(Relaxed), NOWHERE);
    }

    #[test]
    fn complaints_are_counted_and_a_lost_device_is_told() {
        let shared = Shared::silent();
        complain(&shared, cpal::ErrorKind::Xrun);
        complain(&shared, cpal::ErrorKind::DeviceChanged);
        assert_eq!((shared.complaints.load(Relaxed), shared.lost.load(Relaxed)), (1, false));
        complain(&shared, cpal::ErrorKind::DeviceNotAvailable);
        assert!(shared.lost.load(Relaxed));
    }
}
