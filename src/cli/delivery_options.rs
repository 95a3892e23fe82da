//! The options of a delivery: each stands for one setting of the session.

use std::fs::File;
use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};

use super::options::{self, MiddleCArg, percent, within};
use crate::error::{Error, Result};
use crate::io::SoundForm;
use crate::session::Setup;
use crate::session::delivery::{BankDepth, Folders, LayersAs, LevelMode, Reach, Spelling, Tail};
use crate::units::{Decibels, MidiNote, SampleRate, Seconds};

/// How the sound is written.
#[derive(Debug, Clone, Copy, ValueEnum)]
enum FormatArg {
    /// WAV, 16-bit whole numbers, dithered
    Wav16,
    /// WAV, 24-bit whole numbers, dithered
    Wav24,
    /// WAV, 32-bit floating point
    Wav32f,
    /// FLAC, 24 bits, up to 96000 Hz
    Flac,
    /// AIFF, 24 bits
    Aiff,
}

/// How accidentals are spelt.
#[derive(Debug, Clone, Copy, ValueEnum)]
enum SpellingArg {
    /// C#4
    Sharp,
    /// Db4
    Flat,
    /// Cs4, for programs that stumble over #
    Letter,
}

/// Where the files lie.
#[derive(Debug, Clone, Copy, ValueEnum)]
enum FoldersArg {
    /// All in one folder
    Flat,
    /// Each layer in a folder of its own
    Layer,
}

/// A map.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum MapArg {
    /// Text map
    Sfz,
    /// SoundFont, 16 bits
    Sf2,
    /// SoundFont, 24 bits
    Sf2_24,
    /// No map
    None,
}

/// Which keys a take sounds on.
#[derive(Debug, Clone, Copy, ValueEnum)]
enum ReachArg {
    /// Those nearest to its root key
    Nearest,
    /// From its root key up to the next
    Upwards,
    /// From its root key down to the next
    Downwards,
}

/// What layers become in the map.
#[derive(Debug, Clone, Copy, ValueEnum)]
enum LayersArg {
    /// A group each, sounding together
    Group,
    /// Round robin: the layers take turns, each time a key is played the next one
    RoundRobin,
    /// Equal ranges of velocity, layer 1 the softest
    Velocity,
}

/// The options.
#[derive(Debug, Args)]
pub struct DeliveryArgs {
    /// Name of the set, which {set} stands for, instead of the session's
    #[arg(long, value_name = "NAME")]
    title: Option<String>,
    /// Name pattern instead of the session's; fields: {set} {layer} {note} {midi} {index} {velocity}
    /// {round} (which of several takes of one note and layer); a number may have a width: {layer:02}
    #[arg(long)]
    pattern: Option<String>,
    /// Accidentals in names [default: the session's, sharp]
    #[arg(long, value_enum)]
    spelling: Option<SpellingArg>,
    /// How octaves are counted in names [default: the session's]
    #[arg(long, value_enum, ignore_case = true, value_name = "C4 or C3")]
    name_middle_c: Option<MiddleCArg>,
    /// Where the files lie [default: the session's, flat]
    #[arg(long, value_enum)]
    folders: Option<FoldersArg>,
    /// Form of the sound files [default: the session's, wav24]
    #[arg(long, value_enum)]
    format: Option<FormatArg>,
    /// Rate in Hz, 8000 to 192000 [default: the session's, 48000]
    #[arg(long, value_name = "HZ", value_parser = options::hertz)]
    rate: Option<u32>,
    /// Time before the onset in every file, in ms, 0 to 500, or `trim` for that of each take
    /// [default: the session's, trim]
    #[arg(long, value_name = "MS or trim")]
    pre_roll: Option<String>,
    /// Sound after the loop: `kept`, `cut`, or `fade:SECONDS` (0.001 to 60) [default: the session's, kept]
    #[arg(long, value_name = "kept, cut or fade:SECONDS")]
    tail: Option<String>,
    /// Levels: `played`, `even:PERCENT` (0 to 100, towards a smooth line over the notes) or
    /// `loudness:LUFS` (−60 to −5, by BS.1770) [default: the session's, played]
    #[arg(long, value_name = "played, even:PERCENT or loudness:LUFS")]
    level: Option<String>,
    /// Highest true peak where levels are changed, in dB, −20 to 0 [default: the session's, −1]
    #[arg(long, value_name = "DB", value_parser = options::number)]
    ceiling: Option<f64>,
    /// Even all layers together instead of each for itself
    #[arg(long)]
    level_together: bool,
    /// Maps to write, with commas between [default: the session's, sfz]
    #[arg(long, value_enum, value_delimiter = ',')]
    map: Vec<MapArg>,
    /// Which keys a take sounds on [default: the session's, nearest]
    #[arg(long, value_enum)]
    reach: Option<ReachArg>,
    /// What layers become in the map [default: the session's, group]
    #[arg(long, value_enum)]
    layers: Option<LayersArg>,
    /// Lowest key of the map, 0 to 127 [default: the session's, 0]
    #[arg(long, value_name = "KEY 0..127", value_parser = options::key)]
    lowest_key: Option<u8>,
    /// Highest key of the map, 0 to 127 [default: the session's, 127]
    #[arg(long, value_name = "KEY 0..127", value_parser = options::key)]
    highest_key: Option<u8>,
    /// Furthest a take is played from its root key, in semitones, 0 to 127 [default: the session's, 12]
    #[arg(long, value_name = "SEMITONES", value_parser = options::key)]
    furthest: Option<u8>,
    /// Leave the keys of notes that a layer lacks silent instead of filling them by neighbours
    #[arg(long)]
    leave_gaps: bool,
    /// How long a key sounds on in the map after it is let go, in seconds, 0 to 30 [default: the
    /// session's, 0.3]
    #[arg(long, value_name = "SECONDS", value_parser = options::number)]
    release: Option<f64>,
    /// Write the report (page, table, JSON) even if the session says not to
    #[arg(long, overrides_with = "no_report")]
    report: bool,
    /// Write no report
    #[arg(long)]
    no_report: bool,
    /// Text file with credits and licence to put beside the files
    #[arg(long, value_name = "FILE")]
    credits: Option<PathBuf>,
    /// Who played, for the texts in the files
    #[arg(long)]
    artist: Option<String>,
    /// Copyright or licence, for the texts in the files
    #[arg(long)]
    copyright: Option<String>,
    /// Comment, for the texts in the files
    #[arg(long)]
    comment: Option<String>,
    /// When it was recorded, such as 2024-05-18, 2024-05 or 2024, for the texts in the files
    #[arg(long, value_name = "YYYY-MM-DD", value_parser = options::date)]
    date: Option<String>,
}

impl DeliveryArgs {
    /// Puts what was given into the settings. Errors: values that cannot be read or are out of range.
    pub fn apply(&self, setup: &mut Setup) -> Result<()> {
        self.apply_names(setup);
        if let Some(hz) = self.rate {
            setup.delivery_rate = SampleRate::new(hz)?;
        }
        let d = &mut setup.delivery;
        if let Some(format) = self.format {
            d.form = match format {
                FormatArg::Wav16 => SoundForm::Wav16,
                FormatArg::Wav24 => SoundForm::Wav24,
                FormatArg::Wav32f => SoundForm::Wav32f,
                FormatArg::Flac => SoundForm::Flac,
                FormatArg::Aiff => SoundForm::Aiff,
            };
        }
        if let Some(text) = &self.pre_roll {
            d.pre_roll = pre_roll(text)?;
        }
        if let Some(text) = &self.tail {
            d.tail = tail(text)?;
        }
        if let Some(text) = &self.level {
            d.level.mode = level(text)?;
        }
        if let Some(db) = self.ceiling {
            d.level.ceiling = Decibels(within("--ceiling", db, (-20.0, 0.0), "dB")?);
        }
        d.level.per_layer &= !self.level_together;
        d.report = (d.report || self.report) && !self.no_report;
        if let Some(file) = &self.credits {
            readable(file)?;
            // Given on the command line it starts here, not at the session.
            d.credits = Some(std::path::absolute(file).unwrap_or_else(|_| file.clone()));
        }
        self.apply_map(setup)?;
        setup.delivery.validate()
    }

    fn apply_names(&self, setup: &mut Setup) {
        let set = |to: &mut String, from: &Option<String>| {
            if let Some(from) = from {
                to.clone_from(from);
            }
        };
        set(&mut setup.title, &self.title);
        set(&mut setup.name_pattern, &self.pattern);
        let d = &mut setup.delivery;
        set(&mut d.texts.artist, &self.artist);
        set(&mut d.texts.copyright, &self.copyright);
        set(&mut d.texts.comment, &self.comment);
        set(&mut d.texts.date, &self.date);
        if let Some(spelling) = self.spelling {
            d.spelling = match spelling {
                SpellingArg::Sharp => Spelling::Sharp,
                SpellingArg::Flat => Spelling::Flat,
                SpellingArg::Letter => Spelling::Letter,
            };
        }
        if let Some(middle_c) = self.name_middle_c {
            d.middle_c = Some(middle_c.into());
        }
        if let Some(folders) = self.folders {
            d.folders = match folders {
                FoldersArg::Flat => Folders::Flat,
                FoldersArg::Layer => Folders::PerLayer,
            };
        }
    }

    fn apply_map(&self, setup: &mut Setup) -> Result<()> {
        let m = &mut setup.delivery.map;
        if self.map.contains(&MapArg::None) && self.map.len() > 1 {
            return Err(Error::invalid(
                "--map",
                "none beside others",
                "none alone, or the maps to write, such as sfz,sf2",
            ));
        }
        if !self.map.is_empty() {
            m.sfz = self.map.contains(&MapArg::Sfz);
            m.sf2 = if self.map.contains(&MapArg::Sf2_24) {
                Some(BankDepth::Bits24)
            } else {
                self.map.contains(&MapArg::Sf2).then_some(BankDepth::Bits16)
            };
        }
        if let Some(reach) = self.reach {
            m.reach = match reach {
                ReachArg::Nearest => Reach::Nearest,
                ReachArg::Upwards => Reach::Upwards,
                ReachArg::Downwards => Reach::Downwards,
            };
        }
        if let Some(layers) = self.layers {
            m.layers = match layers {
                LayersArg::Group => LayersAs::Group,
                LayersArg::RoundRobin => LayersAs::RoundRobin,
                LayersArg::Velocity => LayersAs::Velocity,
            };
        }
        m.lowest = self.lowest_key.map_or(m.lowest, MidiNote);
        m.highest = self.highest_key.map_or(m.highest, MidiNote);
        if m.lowest > m.highest {
            return Err(Error::invalid(
                "--lowest-key",
                format!("{}, above --highest-key {}", m.lowest.0, m.highest.0),
                &format!("0 to {}", m.highest.0),
            ));
        }
        m.furthest = self.furthest.unwrap_or(m.furthest);
        m.fill_missing &= !self.leave_gaps;
        if let Some(s) = self.release {
            m.release = Seconds(within("--release", s, (0.0, 30.0), "s")?);
        }
        Ok(())
    }
}

fn number(name: &str, text: &str, allowed: &str) -> Result<f64> {
    options::number(text).map_err(|_| Error::invalid(name, format!("\"{text}\""), allowed))
}

/// Refuses a file of credits that cannot be read before anything is written.
fn readable(file: &Path) -> Result<()> {
    if file.is_dir() {
        return Err(Error::invalid("--credits", format!("{}, a folder", file.display()), "a text file"));
    }
    File::open(file).map(|_| ()).map_err(|e| Error::io("read", file, &e).context("--credits"))
}

fn pre_roll(text: &str) -> Result<Option<Seconds>> {
    if text.eq_ignore_ascii_case("trim") {
        return Ok(None);
    }
    let ms = number("--pre-roll", text, "0 to 500 ms, such as 20, or trim")?;
    Ok(Some(Seconds(within("--pre-roll", ms, (0.0, 500.0), "ms")? / 1000.0)))
}

fn tail(text: &str) -> Result<Tail> {
    let allowed = "kept, cut, or fade: with 0.001 to 60 s, such as fade:0.5";
    match text.split_once(':') {
        None if text == "kept" => Ok(Tail::Kept),
        None if text == "cut" => Ok(Tail::Cut),
        Some(("fade", s)) => {
            let s = number("--tail fade", s, allowed)?;
            Ok(Tail::Faded(Seconds(within("--tail fade", s, (0.001, 60.0), "s")?)))
        }
        _ => Err(Error::invalid("--tail", format!("\"{text}\""), allowed)),
    }
}

fn level(text: &str) -> Result<LevelMode> {
    let allowed = "played, even: with 0 to 100 %, such as even:100, or loudness: with -60 to -5 LUFS, such as loudness:-20";
    match text.split_once(':') {
        None if text == "played" => Ok(LevelMode::AsPlayed),
        Some(("even", p)) => {
            Ok(LevelMode::Even(percent("--level even", number("--level even", p, allowed)?)?))
        }
        Some(("loudness", l)) => {
            let l = number("--level loudness", l, allowed)?;
            Ok(LevelMode::Loudness(within("--level loudness", l, (-60.0, -5.0), "LUFS")?))
        }
        _ => Err(Error::invalid("--level", format!("\"{text}\""), allowed)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_read_or_refused_with_what_would_do() {
        assert_eq!(tail("fade:0.5").unwrap(), Tail::Faded(Seconds(0.5)));
        assert_eq!(pre_roll("20").unwrap(), Some(Seconds(0.02)));
        assert_eq!(pre_roll("trim").unwrap(), None);
        assert_eq!(level("even:50").unwrap(), LevelMode::Even(0.5));
        assert_eq!(level("loudness:-20").unwrap(), LevelMode::Loudness(-20.0));
        for (bad, word) in [(tail("fade").unwrap_err(), "fade:0.5"), (tail("x:1").unwrap_err(), "cut")] {
            assert!(bad.to_string().contains(word), "{bad}");
        }
        for (bad, name) in [
            (pre_roll("501").unwrap_err(), "--pre-roll is 501 ms; allowed: 0 to 500 ms"),
            (pre_roll("-1").unwrap_err(), "--pre-roll is -1 ms"),
            (tail("fade:61").unwrap_err(), "--tail fade is 61 s; allowed: 0.001 to 60 s"),
            (level("loudness:-61").unwrap_err(), "--level loudness is -61 LUFS; allowed: -60 to -5 LUFS"),
            (level("even:nan").unwrap_err(), "--level even is \"nan\""),
        ] {
            assert!(bad.to_string().contains(name), "{bad}");
        }
        assert!(level("even:101").is_err() && level("loud").is_err() && pre_roll("x").is_err());
    }
}
