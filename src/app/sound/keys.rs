//! The audition keyboard's sound: groups of voices, one a key.

use super::Sound;
use crate::playback::message::{Group, GroupKey, Message};

impl Sound {
    /// Starts a key. What else plays (a take, the stack) stops: it would hide what the key sounds like.
    /// Errors (as a sentence): no device.
    pub fn strike(&mut self, group: Box<Group>) -> Result<(), String> {
        self.wake()?;
        if self.is_on() {
            // The keys that are held are told nothing: they come up in their own time.
            self.keys_sound = false;
            self.stop();
        }
        self.keys_sound = true;
        self.send(Message::StartGroup(group));
        Ok(())
    }

    /// Lets keys go: their tails are heard, or they fade.
    pub fn release_keys(&mut self, keys: Vec<GroupKey>) {
        for key in keys {
            self.send(Message::Release(key));
        }
    }

    /// Whether everything was silenced since the last question, so that no key sounds any more.
    pub fn take_silenced(&mut self) -> bool {
        std::mem::take(&mut self.silenced)
    }
}
