//! How the set is delivered, as a value: names, form, level, tail, map, report.
//!
//! Everything has a default, so that sessions of earlier versions open.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::error::{Error, Result};
use crate::io::SoundForm;
use crate::units::{Decibels, MiddleC, MidiNote, Seconds};

/// Settings of a delivery.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct DeliverySetup {
    /// How the sound is written.
    pub form: SoundForm,
    /// Where the files lie in the folder.
    pub folders: Folders,
    /// How accidentals are spelt in names.
    pub spelling: Spelling,
    /// How octaves are counted in names; none: as in the set.
    pub middle_c: Option<MiddleC>,
    /// Time before the onset, the same in every file; none: as each take is trimmed.
    pub pre_roll: Option<Seconds>,
    /// What becomes of the sound after the loop.
    pub tail: Tail,
    /// Levels over the set.
    pub level: LevelSetup,
    /// The map over the keys.
    pub map: MapSetup,
    /// Whether the report is written (a page, a table and JSON).
    pub report: bool,
    /// Texts that are written into the files.
    pub texts: Texts,
    /// A text file with credits and licence that is put beside the files; a relative path starts at
    /// the session's folder.
    pub credits: Option<PathBuf>,
    /// The folder that the window delivers into; a relative path starts at the session's folder, none
    /// is the folder `delivered` there.
    pub folder: Option<PathBuf>,
}

impl Default for DeliverySetup {
    fn default() -> Self {
        Self {
            form: SoundForm::default(),
            folders: Folders::default(),
            spelling: Spelling::default(),
            middle_c: None,
            pre_roll: None,
            tail: Tail::default(),
            level: LevelSetup::default(),
            map: MapSetup::default(),
            report: true,
            texts: Texts::default(),
            credits: None,
            folder: None,
        }
    }
}

/// Where the files lie in the folder.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Folders {
    /// All in one folder.
    #[default]
    Flat,
    /// Each layer in a folder of its own.
    PerLayer,
}

/// How accidentals are spelt.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Spelling {
    /// `C#4`.
    #[default]
    Sharp,
    /// `Db4`.
    Flat,
    /// `Cs4`, for programs that stumble over `#`.
    Letter,
}

impl Spelling {
    /// The name of `note`.
    pub fn name(self, note: MidiNote, middle_c: MiddleC) -> String {
        const FLATS: [&str; 12] = ["C", "Db", "D", "Eb", "E", "F", "Gb", "G", "Ab", "A", "Bb", "B"];
        match self {
            Self::Sharp => note.name(middle_c),
            Self::Letter => note.name(middle_c).replace('#', "s"),
            Self::Flat => {
                let octave = i32::from(note.0) / 12 + middle_c.octave_offset();
                format!("{}{octave}", FLATS[usize::from(note.0) % 12])
            }
        }
    }
}

/// What becomes of the sound after the loop. A take without a loop is left alone.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Tail {
    /// It stays as it was played.
    #[default]
    Kept,
    /// The file ends with the loop.
    Cut,
    /// So much of it stays, fading to nothing.
    Faded(Seconds),
}

/// Levels over the set.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct LevelSetup {
    /// What the levels follow.
    pub mode: LevelMode,
    /// Highest true peak where levels are changed (dB re full scale); the whole set, or the whole
    /// layer, is lowered together to stay below it.
    pub ceiling: Decibels,
    /// Each layer is evened for itself, so that loud and soft layers stay loud and soft.
    pub per_layer: bool,
}

impl Default for LevelSetup {
    fn default() -> Self {
        Self { mode: LevelMode::AsPlayed, ceiling: Decibels(-1.0), per_layer: true }
    }
}

/// What levels follow.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LevelMode {
    /// The recipes' own gains and nothing else.
    #[default]
    AsPlayed,
    /// Towards a smooth line over the notes, by so much (0 to 1).
    Even(f64),
    /// Every take to one loudness, in LUFS.
    Loudness(f64),
}

/// The map over the keys.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct MapSetup {
    /// Whether a text map (SFZ) is written.
    pub sfz: bool,
    /// Whether a SoundFont is written, and with how many bits.
    pub sf2: Option<BankDepth>,
    /// Which keys a take sounds on.
    pub reach: Reach,
    /// Lowest key of the map.
    pub lowest: MidiNote,
    /// Highest key of the map.
    pub highest: MidiNote,
    /// Furthest a take is played from its root key, in semitones.
    pub furthest: u8,
    /// Whether the neighbours of a note that a layer lacks sound on its keys.
    pub fill_missing: bool,
    /// What the layers become.
    pub layers: LayersAs,
    /// How long a key sounds on after it is let go.
    pub release: Seconds,
}

impl Default for MapSetup {
    fn default() -> Self {
        Self {
            sfz: true,
            sf2: None,
            reach: Reach::default(),
            lowest: MidiNote(0),
            highest: MidiNote(127),
            furthest: 12,
            fill_missing: true,
            layers: LayersAs::default(),
            release: Seconds(0.3),
        }
    }
}

/// Bits of the samples in a SoundFont.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum BankDepth {
    /// 16 bits, which every player reads.
    Bits16,
    /// 24 bits: players that do not know the lower 8 pass over them.
    Bits24,
}

/// Which keys a take sounds on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Reach {
    /// Those nearer to its root key than to any other; one in the middle goes to the lower.
    #[default]
    Nearest,
    /// From its root key up to the next.
    Upwards,
    /// From its root key down to the next.
    Downwards,
}

/// What the layers become in a map.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LayersAs {
    /// A group each; all of them sound together.
    #[default]
    Group,
    /// Turns: each stroke of a key sounds the next layer.
    RoundRobin,
    /// Equal ranges of velocity, layer 1 the softest.
    Velocity,
}

/// Texts that are written into the files; empty ones are left out.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Texts {
    /// Who played.
    pub artist: String,
    /// Whose it is, under which licence.
    pub copyright: String,
    /// Anything else.
    pub comment: String,
    /// When it was recorded, such as 2024-05-18.
    pub date: String,
}

impl DeliverySetup {
    /// The folder beside the session that is delivered into where none was chosen; the demo's too.
    pub const FOLDER: &'static str = "out";
    /// Most pre-roll there can be, which is what is decoded before a take.
    pub const LONGEST_PRE_ROLL: Seconds = Seconds(0.5);

    /// Where the session at `session` is delivered to.
    pub fn folder_of(&self, session: &Path) -> PathBuf {
        let home = session.parent().unwrap_or(Path::new(""));
        home.join(self.folder.as_deref().unwrap_or(Path::new(Self::FOLDER)))
    }

    /// Refuses values that no delivery can have (`InvalidParameter`).
    pub fn validate(&self) -> Result<()> {
        let within = |name: &str, value: f64, low: f64, high: f64, unit: &str| {
            if (low..=high).contains(&value) {
                return Ok(());
            }
            Err(Error::invalid(name, format!("{value} {unit}"), &format!("{low} to {high} {unit}")))
        };
        if let Some(p) = self.pre_roll {
            within("the pre-roll", p.0, 0.0, Self::LONGEST_PRE_ROLL.0, "s")?;
        }
        if let Tail::Faded(s) = self.tail {
            within("the fade of the tail", s.0, 0.001, 60.0, "s")?;
        }
        match self.level.mode {
            LevelMode::AsPlayed => {}
            LevelMode::Even(s) => within("the strength of evening", 100.0 * s, 0.0, 100.0, "%")?,
            LevelMode::Loudness(l) => within("the loudness", l, -60.0, -5.0, "LUFS")?,
        }
        within("the peak ceiling", self.level.ceiling.0, -20.0, 0.0, "dB")?;
        within("the release", self.map.release.0, 0.0, 30.0, "s")?;
        let (low, high) = (self.map.lowest, self.map.highest);
        if low > high || high.0 > 127 {
            return Err(Error::invalid(
                "the range of the map",
                format!("key {} to {}", low.0, high.0),
                "from a lower to a higher key, 0 to 127",
            ));
        }
        Ok(())
    }
}
