//! Options that several commands share.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};

use crate::error::{Error, ErrorKind, Result};
use crate::io::decode::has_ending;
use crate::io::riff;
use crate::session::document::Layout;
use crate::survey::{SurveyOptions, names};
use crate::units::{Hertz, MiddleC, MidiNote, STANDARD_A4_HZ, SampleRate};

/// How the takes lie in the files.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum LayoutArg {
    /// Tell from names and sound
    Detect,
    /// Each file holds one take
    Take,
    /// Each file holds one note, its layers in order
    Note,
    /// Each file holds one layer, its notes in order
    Layer,
}

/// How note names count octaves.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum MiddleCArg {
    /// Middle C (MIDI 60) is written C4
    C4,
    /// Middle C (MIDI 60) is written C3
    C3,
}

/// How files are surveyed.
#[derive(Debug, Clone, Args)]
pub struct SurveyArgs {
    /// How the takes lie in the files
    #[arg(long, value_enum, default_value = "detect")]
    pub layout: LayoutArg,
    /// How note names in file names count octaves
    #[arg(long, value_enum, default_value = "c4", ignore_case = true, value_name = "C4 or C3")]
    pub middle_c: MiddleCArg,
    /// Frequency of A4 in Hz, 380 to 500
    #[arg(long, value_parser = number, default_value_t = STANDARD_A4_HZ, value_name = "HZ")]
    pub a4: f64,
}

impl LayoutArg {
    /// The layout it stands for; none: detect.
    pub fn layout(self) -> Option<Layout> {
        match self {
            Self::Detect => None,
            Self::Take => Some(Layout::TakePerFile),
            Self::Note => Some(Layout::NotePerFile),
            Self::Layer => Some(Layout::LayerPerFile),
        }
    }
}

impl From<MiddleCArg> for MiddleC {
    fn from(arg: MiddleCArg) -> Self {
        match arg {
            MiddleCArg::C4 => Self::C4,
            MiddleCArg::C3 => Self::C3,
        }
    }
}

impl SurveyArgs {
    /// As the survey takes them. Errors: an A4 nobody tunes to.
    pub fn options(&self) -> Result<SurveyOptions> {
        Ok(SurveyOptions { a4: a4(self.a4)?, middle_c: self.middle_c.into(), layout: self.layout.layout() })
    }
}

/// Nothing that an option is about is larger.
const LARGEST: f64 = 1e9;

/// Reads a number with or without a fraction; a real minus sign is one, as it is written by this program.
pub fn number(text: &str) -> std::result::Result<f64, String> {
    let value = text.trim().replace('−', "-").parse::<f64>().ok().filter(|v| v.abs() <= LARGEST);
    value.ok_or_else(|| "a number is wanted, such as 5 or 0.25".to_owned())
}

/// Reads a number of frames.
pub fn frames(text: &str) -> std::result::Result<u64, String> {
    text.trim().parse().map_err(|_| "a whole number of frames from 0 on is wanted, such as 48000".to_owned())
}

/// Reads a sample rate.
pub fn hertz(text: &str) -> std::result::Result<u32, String> {
    let (low, high) = (SampleRate::MIN_HZ, SampleRate::MAX_HZ);
    let rate = text.trim().parse::<u32>().ok().filter(|hz| (low..=high).contains(hz));
    rate.ok_or_else(|| format!("a whole number of {low} to {high} Hz is wanted, such as 48000"))
}

/// Reads a key, or a number of semitones over all keys.
pub fn key(text: &str) -> std::result::Result<u8, String> {
    let key = text.trim().parse::<u8>().ok().filter(|n| *n <= 127);
    key.ok_or_else(|| "a whole number from 0 to 127 is wanted, such as 60".to_owned())
}

/// Reads a date as ISO 8601 has it, from the year alone to the day; by the calendar of today (a year that 4
/// divides is a leap year, but for full centuries that 400 does not divide).
pub fn date(text: &str) -> std::result::Result<String, String> {
    let text = text.trim();
    let digits = |part: &str, n: usize| {
        (part.len() == n && part.bytes().all(|b| b.is_ascii_digit()))
            .then(|| part.parse::<u32>().ok())
            .flatten()
    };
    let parts: Vec<&str> = text.split('-').collect();
    let read = |i: usize, n: usize| parts.get(i).map_or(Some(1), |p| digits(p, n));
    let form = (read(0, 4), read(1, 2), read(2, 2));
    let is_date = match form {
        (Some(year), Some(month), Some(day)) if parts.len() <= 3 => {
            let leaps = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
            let days = match month {
                4 | 6 | 9 | 11 => 30,
                2 if leaps => 29,
                2 => 28,
                _ => 31,
            };
            (1..=12).contains(&month) && (1..=days).contains(&day)
        }
        _ => false,
    };
    if is_date {
        return Ok(text.to_owned());
    }
    if parts.len() <= 3 && matches!(form, (Some(_), Some(_), Some(_))) {
        return Err(
            "the calendar has no such day; months go from 01 to 12, days to the end of the month".to_owned()
        );
    }
    Err("a date is wanted as year-month-day, such as 2024-05-18; the year alone (2024) or with the month (2024-05) \
         will do"
        .to_owned())
}

/// Most entries of a list.
const MOST_LISTED: usize = 1000;

/// Reads how many entries a list may have.
pub fn how_many(text: &str) -> std::result::Result<usize, String> {
    let count = text.trim().parse::<usize>().ok().filter(|n| (1..=MOST_LISTED).contains(n));
    count.ok_or_else(|| format!("a whole number from 1 to {MOST_LISTED} is wanted, such as 20"))
}

/// Refuses a value outside `low` to `high`.
pub fn within(name: &str, value: f64, (low, high): (f64, f64), unit: &str) -> Result<f64> {
    if (low..=high).contains(&value) {
        return Ok(value);
    }
    Err(Error::invalid(name, format!("{value} {unit}"), &format!("{low} to {high} {unit}")))
}

/// Checks a frequency of A4.
pub fn a4(hz: f64) -> Result<Hertz> {
    within("--a4", hz, (380.0, 500.0), "Hz").map(Hertz)
}

/// Checks a percentage and turns it into 0 to 1.
pub fn percent(name: &str, value: f64) -> Result<f64> {
    within(name, value, (0.0, 100.0), "%").map(|p| p / 100.0)
}

/// A target as a note (`C#4`, `61`) or a frequency (`277.2Hz`, or any number with a decimal point).
pub fn target(text: &str, middle_c: MiddleC, a4: Hertz) -> Result<(Hertz, Option<MidiNote>)> {
    let bad = || {
        Error::invalid(
            "--target",
            format!("\"{text}\""),
            "a note such as C#4 or 61, or a frequency such as 277.2Hz",
        )
    };
    let lower = text.trim().to_lowercase();
    let number = lower.strip_suffix("hz").map(str::trim);
    let hz = match number {
        Some(n) => Some(n.parse::<f64>().map_err(|_| bad())?),
        None if lower.contains('.') => Some(lower.parse::<f64>().map_err(|_| bad())?),
        None => None,
    };
    match hz {
        Some(hz) if (10.0..=20_000.0).contains(&hz) => Ok((Hertz(hz), None)),
        Some(_) => Err(bad()),
        None => {
            let note = names::parse_note(text, middle_c).ok_or_else(bad)?;
            Ok((note.frequency(a4), Some(note)))
        }
    }
}

/// The INFO text that marks a file as written by this program.
pub fn made_by() -> BTreeMap<String, String> {
    BTreeMap::from([("ISFT".to_owned(), crate::io::PROGRAM.to_owned())])
}

/// Endings of the files that `flatten`, `seam` and `clean` write.
const WRITTEN_ENDINGS: [&str; 2] = ["wav", "wave"];

/// Refuses what is no WAV by its name or lies in no folder, to write over the file that is read, and
/// over anything that this program did not write. An empty file holds nothing to lose.
pub fn may_write(source: &Path, to: &Path) -> Result<()> {
    may_be_named(to)?;
    let real = |p: &Path| -> Option<PathBuf> { std::fs::canonicalize(p).ok() };
    if real(source).is_some() && real(source) == real(to) {
        return Err(Error::invalid(
            "--to",
            format!("{}, the file that is read", to.display()),
            "another file: sources are never written",
        ));
    }
    let Ok(there) = std::fs::metadata(to) else { return Ok(()) };
    let ours = || {
        riff::read_marks(to).is_ok_and(|m| m.info.get("ISFT").is_some_and(|s| s.starts_with("Seamwright ")))
    };
    if there.is_file() && (there.len() == 0 || ours()) {
        return Ok(());
    }
    Err(Error::new(
        ErrorKind::NameClash,
        format!(
            "{} is there already and was not written by this program; it is left as it is. Name another file",
            to.display()
        ),
    ))
}

/// Refuses a name that is a folder's, ends as another kind of file does, or lies in no folder.
fn may_be_named(to: &Path) -> Result<()> {
    let name = to.display();
    if to.is_dir() {
        return Err(Error::invalid(
            "--to",
            format!("{name}, a folder"),
            &format!("a file, such as {}", to.join("out.wav").display()),
        ));
    }
    if !has_ending(to, &WRITTEN_ENDINGS) {
        return Err(Error::invalid(
            "--to",
            name,
            &format!(
                "a name that ends in .wav, such as {}: 24-bit WAV is written",
                to.with_extension("wav").display()
            ),
        ));
    }
    match to.parent().filter(|p| !p.as_os_str().is_empty() && !p.is_dir()) {
        None => Ok(()),
        Some(folder) => Err(Error::new(
            ErrorKind::NotFound,
            format!(
                "cannot write {name}: {} is no folder that is there; make the folder first or choose another",
                folder.display()
            ),
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_read_in_their_range_and_refused_in_words() {
        assert_eq!(
            (frames("0"), hertz("8000"), key("127"), how_many("1")),
            (Ok(0), Ok(8000), Ok(127), Ok(1))
        );
        assert_eq!((number(" -0.25 "), number("−0.25")), (Ok(-0.25), Ok(-0.25)));
        for good in ["2024", "2024-05", "2024-02-29", "1999-12-31"] {
            assert_eq!(date(good), Ok(good.to_owned()));
        }
        for bad in ["yesterday", "", "24-05-18", "2024-5-18", "2024-05-18-1"] {
            assert!(date(bad).unwrap_err().contains("2024-05-18"), "{bad}");
        }
        for unreal in ["2023-02-29", "2024-13", "2024-00", "2024-04-31"] {
            assert!(date(unreal).unwrap_err().contains("no such day"), "{unreal}");
        }
        for (bad, word) in [
            (frames("-1").unwrap_err(), "frames"),
            (frames("1.5").unwrap_err(), "whole"),
            (hertz("7999").unwrap_err(), "8000 to 192000 Hz"),
            (hertz("192001").unwrap_err(), "8000 to 192000 Hz"),
            (key("128").unwrap_err(), "0 to 127"),
            (how_many("0").unwrap_err(), "1 to 1000"),
            (how_many("1001").unwrap_err(), "1 to 1000"),
            (number("nan").unwrap_err(), "a number"),
            (number("inf").unwrap_err(), "a number"),
            (number("1e99").unwrap_err(), "a number"),
        ] {
            assert!(bad.contains(word), "{bad}");
        }
    }

    #[test]
    fn only_names_of_wav_files_in_folders_are_written() {
        let dir = tempfile::tempdir().unwrap();
        let at = |name: &str| may_be_named(&dir.path().join(name));
        assert!(at("a.wav").is_ok() && at("A.WAV").is_ok() && may_be_named(Path::new("a.wave")).is_ok());
        for (bad, word) in
            [("a.txt", "a.wav"), ("a.flac", "24-bit WAV"), ("a", "a.wav"), ("none/a.wav", "make the folder")]
        {
            let e = at(bad).unwrap_err();
            assert!(e.to_string().contains(word), "{e}");
        }
        assert!(may_be_named(dir.path()).unwrap_err().to_string().contains("a folder"));
    }

    #[test]
    fn targets() {
        let t = |s| target(s, MiddleC::C4, Hertz(440.0));
        assert_eq!(t("277.2Hz").unwrap().0, Hertz(277.2));
        assert_eq!(t("440.5").unwrap(), (Hertz(440.5), None));
        for bad in ["", "H9", "3.x", "0.1Hz", "128"] {
            assert!(t(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn percentages() {
        assert_eq!(percent("--drift", 50.0).unwrap(), 0.5);
        assert!(percent("--drift", 101.0).unwrap_err().to_string().contains("0 to 100 %"));
        assert!(percent("--drift", f64::NAN).is_err());
    }
}
