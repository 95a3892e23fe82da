//! What the window stands on outside itself.

use super::settings::SettingsPlace;
use super::sound::SoundKind;

/// What the program stands on, so that tests can stand it on something else.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Environment {
    /// Where settings live.
    pub settings: SettingsPlace,
    /// Whether there is sound.
    pub sound: SoundKind,
    /// Jobs run where they are started instead of on threads.
    pub inline_jobs: bool,
    /// The system's dialogs may be opened.
    pub dialogs: bool,
}

impl Environment {
    /// The user's.
    pub fn of_user() -> Self {
        Self {
            settings: SettingsPlace::of_user(),
            sound: SoundKind::Device,
            inline_jobs: false,
            dialogs: true,
        }
    }

    /// Nothing outside the program: settings in memory, no sound, jobs inline, no dialog.
    pub fn for_tests() -> Self {
        Self { settings: SettingsPlace::Memory, sound: SoundKind::Off, inline_jobs: true, dialogs: false }
    }
}
