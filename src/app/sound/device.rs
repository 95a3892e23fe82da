//! The device that the sound goes to: looked for, opened when something is to sound, closed when nothing does.

use super::{Output, Sound};
use crate::playback::device::{self, DeviceWish, Player, Status};
use crate::units::SampleRate;

/// A device on which nothing sounds is closed after so many seconds.
const RESTS_AFTER_S: f64 = 30.0;

/// How long it takes until a sound is heard.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Latency {
    /// Frames that the device asks for at once; 0: not known.
    pub block: u32,
    /// Its rate in Hz.
    pub rate_hz: f64,
    /// Seconds from its request until the first frame is heard; none: the system does not tell.
    pub delay_s: Option<f64>,
    /// How often the device asked too late, or complained.
    pub complaints: u64,
    /// Why another device than the chosen one plays.
    pub instead: Option<String>,
}

impl Latency {
    /// Length of a block in milliseconds; none: not known.
    pub fn block_ms(&self) -> Option<f64> {
        (self.block > 0 && self.rate_hz > 0.0).then(|| 1e3 * f64::from(self.block) / self.rate_hz)
    }
}

impl Sound {
    /// Looks for a device (again).
    pub fn try_device(&mut self) {
        let fetched = self.tap.is_some();
        let open = matches!(self.output, Output::Device(_));
        if matches!(self.output, Output::Kept(_)) || (fetched && open) {
            return;
        }
        self.output = Output::Silent;
        self.forget();
        self.hush_keys();
        self.latency = Latency::default();
        if fetched {
            return self.use_tap();
        }
        match Player::open_as(&self.wish) {
            Ok(player) => self.use_player(player),
            // Any sound is better than none: the system's own device, told in the preferences.
            Err(e) if self.wish.name.is_some() => match Player::open() {
                Ok(player) => {
                    self.use_player(player);
                    self.latency.instead = Some(e.to_string());
                }
                Err(e) => self.view.device = Err(e.to_string()),
            },
            Err(e) => self.view.device = Err(e.to_string()),
        }
    }

    /// Looks whether there is a device to play on. One that was chosen and is not there is looked for
    /// again when it is opened.
    pub(super) fn look_for_device(&mut self) {
        match device::found(&self.wish).or_else(|_| device::found(&DeviceWish::default())) {
            Ok(name) => {
                self.view.device = Ok(name);
                self.output = Output::Resting;
            }
            Err(e) => self.view.device = Err(e.to_string()),
        }
    }

    /// Closes the device until something is to sound: an open one asks for silence without end.
    pub fn rest(&mut self) {
        if self.has_device() {
            self.output = Output::Resting;
            self.silent_since = None;
            self.keys_sound = false;
        }
    }

    /// Closes the device after a while in which nothing sounds.
    pub(super) fn rest_when_due(&mut self, status: &Status, now: f64) {
        if self.moves() || status.position.is_some() || status.group_s.is_some() {
            self.silent_since = None;
            return;
        }
        let since = *self.silent_since.get_or_insert(now);
        if self.tap.is_none() && now - since >= RESTS_AFTER_S {
            self.rest();
        }
    }

    /// Makes ready for a sound. Errors (as a sentence): no device.
    pub(super) fn wake(&mut self) -> Result<(), String> {
        self.silent_since = None;
        if matches!(self.output, Output::Resting) {
            self.try_device();
        }
        match &self.view.device {
            Ok(_) => Ok(()),
            Err(why) => Err(format!("there is no sound: {why}")),
        }
    }

    /// Plays on another device from now on.
    pub fn use_device(&mut self, wish: DeviceWish) {
        self.wish = wish;
        self.try_device();
    }

    /// Which device is wished for.
    pub fn wish(&self) -> &DeviceWish {
        &self.wish
    }

    /// How long it takes until a sound is heard.
    pub fn latency(&self) -> &Latency {
        &self.latency
    }

    pub(super) fn hush_keys(&mut self) {
        self.silenced |= std::mem::take(&mut self.keys_sound);
    }

    /// What is heard is fetched instead of played.
    pub(super) fn use_tap(&mut self) {
        let (player, tap) = Player::without_device(SampleRate::DELIVERY);
        self.tap = Some(tap);
        self.use_player(player);
    }

    /// As if the device had been unplugged, where what is heard is fetched.
    pub fn unplug(&mut self) {
        if let Some(tap) = &mut self.tap {
            tap.unplug();
        }
    }

    fn use_player(&mut self, player: Player) {
        self.view.device = Ok(player.name().to_owned());
        self.latency.rate_hz = player.rate().as_f64();
        self.output = Output::Device(Box::new(player));
        self.volume(self.view.volume_db);
    }

    /// Seconds until the device is closed if nothing sounds until then.
    pub fn rests_in(&self, now: f64) -> Option<f64> {
        let since = self.silent_since.filter(|_| self.tap.is_none())?;
        Some((since + RESTS_AFTER_S - now).max(0.0))
    }

    /// Whether sound goes anywhere.
    pub fn has_device(&self) -> bool {
        matches!(self.output, Output::Device(_) | Output::Resting)
    }
}
