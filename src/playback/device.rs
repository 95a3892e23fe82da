//! The sound device; the only user of cpal.

mod feed;

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::Ordering::Relaxed;

use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use cpal::{FromSample, I24, SampleFormat, SizedSample, StreamConfig, U24};

use super::engine::Trash;
use super::message::Message;
use crate::error::{Error, ErrorKind, Result};
use crate::units::SampleRate;
use feed::{Feed, NO_GROUP, NOWHERE, Shared, complain};

/// Messages that can wait for the callback.
const MESSAGES: usize = 256;
/// Things that can wait to be freed.
const TRASH: usize = 256;
/// Messages kept on this side while the ring is full.
const BACKLOG: usize = 256;

/// What the device tells the window.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Status {
    /// Frame of the sound that plays; none: silent.
    pub position: Option<u64>,
    /// Seconds since the onset of the group that was started last; none: it is silent.
    pub group_s: Option<f64>,
    /// Peaks left and right since the last question, 0 to 1.
    pub peak: [f32; 2],
    /// Whether the limiter worked since the last question.
    pub limited: bool,
    /// How often the device asked too late, or complained.
    pub complaints: u64,
    /// Frames that the device asked for last; 0: it never asked.
    pub block: u32,
    /// Seconds from a request of the device until its first frame is to be heard, as the system tells
    /// it; none: it does not say.
    pub delay_s: Option<f64>,
    /// The device is gone.
    pub lost: bool,
}

/// Which device is to be played on, and how.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct DeviceWish {
    /// Its name, as [`outputs`] gives it; none: what the system has chosen.
    pub name: Option<String>,
    /// Frames that it is to ask for at once; none: as it likes.
    pub block: Option<u32>,
}

/// Names of the devices that sound can be played on now. Errors: `Device` where the system does not
/// tell. May take a while: not for a frame of the window.
pub fn outputs() -> Result<Vec<String>> {
    let devices = cpal::default_host().output_devices().map_err(unopened)?;
    let mut names = Vec::new();
    for name in devices.filter_map(|d| d.description().ok().map(|d| d.name().to_owned())) {
        if !names.contains(&name) {
            names.push(name);
        }
    }
    Ok(names)
}

fn device_named(wanted: Option<&str>) -> Result<cpal::Device> {
    let host = cpal::default_host();
    let Some(wanted) = wanted else {
        return host.default_output_device().ok_or_else(|| unopened("the system names no default device"));
    };
    let named = |d: &cpal::Device| d.description().is_ok_and(|d| d.name() == wanted);
    let found = host.output_devices().map_err(unopened)?.find(named);
    found.ok_or_else(|| unopened(format!("{wanted} is not there")))
}

/// The name of the device wished for, without opening it to play. Errors: `Device`, as [`Player::open`].
pub fn found(wish: &DeviceWish) -> Result<String> {
    let device = device_named(wish.name.as_deref())?;
    device.default_output_config().map_err(unopened)?;
    Ok(name_of(&device))
}

fn name_of(device: &cpal::Device) -> String {
    device.description().map_or_else(|_| "default sound device".to_owned(), |d| d.name().to_owned())
}

/// An open device. Belongs to the thread that opened it (on some systems a stream cannot change
/// threads); dropping it closes the device.
pub struct Player {
    /// Held to keep the device open; none: a [`Tap`] fetches the sound instead.
    _stream: Option<cpal::Stream>,
    messages: rtrb::Producer<Message>,
    trash: rtrb::Consumer<Trash>,
    backlog: VecDeque<Message>,
    shared: Arc<Shared>,
    name: String,
    rate: SampleRate,
}

impl Player {
    /// Opens the default device and starts it, silent. Errors: `Device` with words that say what to
    /// do; the program goes on without sound.
    pub fn open() -> Result<Self> {
        Self::open_as(&DeviceWish::default())
    }

    /// Opens the device wished for. A length of block that it does not allow is brought into what it
    /// does; where it tells nothing about that, it keeps its own. Errors: as [`Player::open`].
    pub fn open_as(wish: &DeviceWish) -> Result<Self> {
        let device = device_named(wish.name.as_deref())?;
        let config = device.default_output_config().map_err(unopened)?;
        let rate = SampleRate::new(config.sample_rate()).map_err(unopened)?;
        let name = name_of(&device);
        let channels = usize::from(config.channels()).max(1);
        let (mut player, feed) = wired(name, rate, channels);
        let mut how = config.config();
        if let (Some(block), cpal::SupportedBufferSize::Range { min, max }) =
            (wish.block, config.buffer_size())
        {
            how.buffer_size = cpal::BufferSize::Fixed(block.clamp(*min, (*max).max(*min)));
        }
        let stream = build(&device, config.sample_format(), how, feed, &player.shared)?;
        // Streams do not start by themselves.
        stream.play().map_err(unopened)?;
        player._stream = Some(stream);
        Ok(player)
    }

    /// The same without a device: whoever holds the tap fetches what a device would have asked for.
    pub fn without_device(rate: SampleRate) -> (Self, Tap) {
        let (player, feed) = wired("none; the sound is fetched".into(), rate, 2);
        (player, Tap(feed))
    }

    /// Its name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The rate it runs at. Sounds are read at their own rate by the engine.
    pub fn rate(&self) -> SampleRate {
        self.rate
    }

    /// Sends a message; also frees what came back. A message that finds the ring full waits on this
    /// side and goes with the next call; one of the same kind as the last that waits takes its place.
    pub fn send(&mut self, message: Message) {
        self.free_trash();
        if self.shared.lost.load(Relaxed) {
            // Nobody will ever fetch it.
            self.backlog.clear();
            return;
        }
        queue(&mut self.backlog, message);
        self.flush();
    }

    /// How it stands. Also frees what came back from the engine.
    pub fn status(&mut self) -> Status {
        self.free_trash();
        self.flush();
        let s = &self.shared;
        let lost = s.lost.load(Relaxed);
        let position = s.position.load(Relaxed);
        let group = s.group.load(Relaxed);
        Status {
            position: (position != NOWHERE && !lost).then_some(position),
            group_s: (group != NO_GROUP && !lost).then(|| group as f64 / self.rate.as_f64()),
            peak: std::array::from_fn(|c| f32::from_bits(s.peak[c].swap(0, Relaxed))),
            limited: s.limited.swap(false, Relaxed),
            complaints: s.complaints.load(Relaxed),
            block: s.block.load(Relaxed),
            delay_s: Some(s.delay_ns.load(Relaxed)).filter(|ns| *ns > 0).map(|ns| ns as f64 * 1e-9),
            lost,
        }
    }

    fn flush(&mut self) {
        while self.messages.slots() > 0
            && let Some(message) = self.backlog.pop_front()
        {
            if let Err(rtrb::PushError::Full(message)) = self.messages.push(message) {
                self.backlog.push_front(message);
                return;
            }
        }
    }

    fn free_trash(&mut self) {
        while let Ok(old) = self.trash.pop() {
            drop(old);
        }
    }
}

/// Where the sound comes out when there is no device.
pub struct Tap(Feed);

impl Tap {
    /// Fills `out` (interleaved left, right) with what comes next, as a device's callback would.
    pub fn fetch(&mut self, out: &mut [f32]) {
        self.0.fill(out);
    }

    /// As if the device had been unplugged.
    pub fn unplug(&mut self) {
        self.0.shared.lost.store(true, Relaxed);
    }
}

/// Both ends, with the rings between them.
fn wired(name: String, rate: SampleRate, channels: usize) -> (Player, Feed) {
    let shared = Arc::new(Shared::silent());
    let (messages, inbox) = rtrb::RingBuffer::new(MESSAGES);
    let (outbox, trash) = rtrb::RingBuffer::new(TRASH);
    let feed = Feed::new(rate, channels, (inbox, outbox), Arc::clone(&shared));
    let player = Player { _stream: None, messages, trash, backlog: VecDeque::new(), shared, name, rate };
    (player, feed)
}

/// Appends to what waits. The newest of several alike in a row is the only one that matters; when
/// the device has not asked for a long time the oldest go.
fn queue(backlog: &mut VecDeque<Message>, message: Message) {
    if backlog.back().is_some_and(|older| message.replaces(older)) {
        backlog.pop_back();
    }
    if backlog.len() >= BACKLOG {
        backlog.pop_front();
    }
    backlog.push_back(message);
}

fn unopened(why: impl std::fmt::Display) -> Error {
    let why = why.to_string();
    let why = why.trim_end_matches('.');
    Error::new(
        ErrorKind::Device,
        format!(
            "no sound device could be opened: {why}; plug one in or choose one in the system settings, then press Look for sound; everything else works without"
        ),
    )
}

fn build(
    device: &cpal::Device,
    format: SampleFormat,
    config: StreamConfig,
    feed: Feed,
    shared: &Arc<Shared>,
) -> Result<cpal::Stream> {
    let shared = Arc::clone(shared);
    match format {
        SampleFormat::F32 => stream::<f32>(device, config, feed, shared),
        SampleFormat::F64 => stream::<f64>(device, config, feed, shared),
        SampleFormat::I8 => stream::<i8>(device, config, feed, shared),
        SampleFormat::I16 => stream::<i16>(device, config, feed, shared),
        SampleFormat::I24 => stream::<I24>(device, config, feed, shared),
        SampleFormat::I32 => stream::<i32>(device, config, feed, shared),
        SampleFormat::I64 => stream::<i64>(device, config, feed, shared),
        SampleFormat::U8 => stream::<u8>(device, config, feed, shared),
        SampleFormat::U16 => stream::<u16>(device, config, feed, shared),
        SampleFormat::U24 => stream::<U24>(device, config, feed, shared),
        SampleFormat::U32 => stream::<u32>(device, config, feed, shared),
        SampleFormat::U64 => stream::<u64>(device, config, feed, shared),
        other => Err(unopened(format!("it wants samples as {other}, which are not written here"))),
    }
}

fn stream<T: SizedSample + FromSample<f32>>(
    device: &cpal::Device,
    config: StreamConfig,
    mut feed: Feed,
    shared: Arc<Shared>,
) -> Result<cpal::Stream> {
    device
        .build_output_stream(
            config,
            move |out: &mut [T], info: &cpal::OutputCallbackInfo| {
                let at = info.timestamp();
                let delay = at.playback.saturating_duration_since(at.callback).as_nanos();
                feed.shared.delay_ns.store(delay.min(u128::from(u64::MAX)) as u64, Relaxed);
                feed.fill(out);
            },
            // May run on the audio thread: it only counts.
            move |e: cpal::Error| complain(&shared, e.kind()),
            None,
        )
        .map_err(unopened)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_waits_keeps_only_the_newest_of_its_kind_in_a_row() {
        let mut waiting = VecDeque::new();
        for n in 0..1000 {
            queue(&mut waiting, Message::Seek(n));
        }
        queue(&mut waiting, Message::Stop);
        queue(&mut waiting, Message::Seek(7));
        let text: Vec<_> = waiting.iter().map(|m| format!("{m:?}")).collect();
        assert_eq!(text, ["Seek(999)", "Stop", "Seek(7)"]);
        for n in 0..2 * BACKLOG as u64 {
            queue(&mut waiting, Message::Seek(n));
            queue(&mut waiting, Message::Stop);
        }
        assert_eq!(waiting.len(), BACKLOG);
    }

    #[test]
    fn changes_of_different_voices_all_wait() {
        use super::super::message::{Group, GroupFrom, GroupKey, Mix};
        let mix = |key, voice| Message::SetMix { key: GroupKey(key), voice, mix: Mix::default() };
        let group =
            |key, from| Message::StartGroup(Box::new(Group { key: GroupKey(key), from, voices: vec![] }));
        let mut waiting = VecDeque::new();
        // Each set makes all before it in a row that mean the same voice superfluous, no others.
        for m in [mix(1, 0), mix(1, 0), mix(1, 1), mix(2, 1), mix(2, 1)] {
            queue(&mut waiting, m);
        }
        assert_eq!(waiting.len(), 3);
        for m in [group(1, GroupFrom::Start), group(1, GroupFrom::At(3.0)), group(2, GroupFrom::Start)] {
            queue(&mut waiting, m);
        }
        assert_eq!(waiting.len(), 5);
        // What goes on from where it is needs what it goes on from.
        queue(&mut waiting, group(2, GroupFrom::Now));
        queue(&mut waiting, Message::Release(GroupKey(2)));
        queue(&mut waiting, Message::Release(GroupKey(1)));
        assert_eq!(waiting.len(), 8);
    }

    #[test]
    fn an_error_says_what_to_do() {
        let e = unopened("it is busy.");
        assert_eq!(e.kind(), ErrorKind::Device);
        assert!(e.to_string().contains("it is busy; plug one in"), "{e}");
    }
}
