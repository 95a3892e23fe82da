//! What is kept for a user between sessions; nothing of it is needed to read a session.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::command::ThemeChoice;
use crate::error::{Error, ErrorKind, Result};
use crate::io::atomic;
use crate::playback::device::DeviceWish;

/// How many folders are remembered.
const RECENT: usize = 10;
/// A first start is quiet.
const FIRST_VOLUME_DB: f32 = -30.0;
/// Lowest master volume in dB.
pub const LOWEST_VOLUME_DB: f32 = -60.0;

/// Settings of one user.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Settings {
    /// Master volume in dB, −60 to 0.
    pub volume_db: f32,
    /// Folders and sessions opened last, latest first.
    pub recent: Vec<PathBuf>,
    /// Light, dark, or as the system has it.
    pub theme: ThemeChoice,
    /// Size of everything: 0.7 to 2.5.
    pub scale: f32,
    /// The caution of the first start was read.
    pub caution_read: bool,
    /// After a decision it goes on to the next take to look at.
    pub go_on: bool,
    /// Width and height of the window as the system counts them: in points of an unscaled window.
    pub window: [f32; 2],
    /// The sound device to play on; none: the system's own.
    pub sound_device: Option<String>,
    /// Frames that the device is to ask for at once; none: as it likes.
    pub sound_block: Option<u32>,
    /// The MIDI input to listen to.
    pub midi_input: Option<String>,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            volume_db: FIRST_VOLUME_DB,
            recent: Vec::new(),
            theme: ThemeChoice::System,
            scale: 1.0,
            caution_read: false,
            go_on: false,
            window: [1280.0, 800.0],
            sound_device: None,
            sound_block: None,
            midi_input: None,
        }
    }
}

impl Settings {
    /// Reads settings; what is out of range is brought into it, what is unknown is left out.
    pub fn parse(text: &str) -> Result<Self> {
        let mut s: Self = serde_json::from_str(text).map_err(|e| {
            Error::new(
                ErrorKind::Decode,
                format!("the settings file cannot be read ({e}); the settings start afresh"),
            )
        })?;
        s.volume_db = s.volume_db.clamp(LOWEST_VOLUME_DB, 0.0);
        s.scale = s.scale.clamp(0.7, 2.5);
        s.window = [s.window[0].clamp(640.0, 8000.0), s.window[1].clamp(480.0, 8000.0)];
        s.recent.truncate(RECENT);
        Ok(s)
    }

    /// The device that is wished for.
    pub fn device(&self) -> DeviceWish {
        DeviceWish { name: self.sound_device.clone(), block: self.sound_block }
    }

    /// Takes `path` off the recent ones.
    pub fn forget(&mut self, path: &Path) {
        self.recent.retain(|p| p != path);
    }

    /// Puts `path` first among the recent ones.
    pub fn remember(&mut self, path: &Path) {
        self.recent.retain(|p| p != path);
        self.recent.insert(0, path.to_path_buf());
        self.recent.truncate(RECENT);
    }
}

/// Where settings live.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SettingsPlace {
    /// In a file.
    File(PathBuf),
    /// Nowhere: forgotten at the end (for tests, and where the system names no folder).
    Memory,
}

impl SettingsPlace {
    /// The file that the system's customs name.
    pub fn of_user() -> Self {
        directories::ProjectDirs::from("", "", "seamwright")
            .map_or(Self::Memory, |d| Self::File(d.config_dir().join("settings.json")))
    }
}

/// Settings with their file.
#[derive(Debug)]
pub struct SettingsStore {
    place: SettingsPlace,
    now: Settings,
    saved: Settings,
}

impl SettingsStore {
    /// Reads the settings of `place`; a damaged file is left alone until the settings change, and
    /// comes back as a sentence to show.
    pub fn load(place: SettingsPlace) -> (Self, Option<String>) {
        let (settings, problem) = match &place {
            SettingsPlace::Memory => (Settings::default(), None),
            SettingsPlace::File(path) => match std::fs::read_to_string(path) {
                Ok(text) => match Settings::parse(&text) {
                    Ok(s) => (s, None),
                    Err(e) => (Settings::default(), Some(e.to_string())),
                },
                Err(e) if e.kind() == std::io::ErrorKind::NotFound => (Settings::default(), None),
                Err(e) => (Settings::default(), Some(Error::io("read", path, &e).to_string())),
            },
        };
        (Self { place, saved: settings.clone(), now: settings }, problem)
    }

    /// The settings.
    pub fn get(&self) -> &Settings {
        &self.now
    }

    /// The settings, to change.
    pub fn change(&mut self) -> &mut Settings {
        &mut self.now
    }

    /// Whether something changed that is worth writing now; the window's size waits for the end.
    pub fn is_dirty(&self) -> bool {
        self.now != Settings { window: self.now.window, ..self.saved.clone() }
    }

    /// Writes the settings if they changed. Tried once for each change, also when it fails.
    pub fn save(&mut self) -> Result<()> {
        if self.now == self.saved {
            return Ok(());
        }
        self.saved = self.now.clone();
        let SettingsPlace::File(path) = &self.place else { return Ok(()) };
        if let Some(folder) = path.parent() {
            std::fs::create_dir_all(folder).map_err(|e| Error::io("make", folder, &e))?;
        }
        let text = serde_json::to_string_pretty(&self.now)
            .map_err(|e| Error::new(ErrorKind::Internal, format!("settings cannot be written: {e}")))?;
        atomic::write(path, |out| out.write_all(text.as_bytes()).map_err(|e| Error::io("write", path, &e)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn out_of_range_is_brought_in_and_unknown_is_left() {
        let s = Settings::parse(r#"{"volume_db": 12, "scale": 99, "later": true}"#).unwrap();
        assert_eq!(s.volume_db, 0.0);
        assert_eq!(s.scale, 2.5);
        assert!(!s.caution_read);
        assert!(Settings::parse("{").is_err());
    }

    #[test]
    fn damaged_file_starts_afresh_and_says_so() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("settings.json");
        std::fs::write(&path, "not json").unwrap();
        let (store, problem) = SettingsStore::load(SettingsPlace::File(path));
        assert_eq!(*store.get(), Settings::default());
        assert!(problem.unwrap().contains("start afresh"));
    }

    #[test]
    fn ten_recent_folders_latest_first() {
        let mut s = Settings::default();
        for i in 0..12 {
            s.remember(Path::new(&format!("f{i}")));
        }
        s.remember(Path::new("f5"));
        assert_eq!(s.recent.len(), RECENT);
        assert_eq!(s.recent[..2], [PathBuf::from("f5"), PathBuf::from("f11")]);
    }
}
