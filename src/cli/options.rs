//! Options that several commands share.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};

use crate::error::{Error, ErrorKind, Result};
use crate::io::riff;
use crate::session::document::Layout;
use crate::survey::{SurveyOptions, names};
use crate::units::{Hertz, MiddleC, MidiNote, STANDARD_A4_HZ};

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
    #[arg(long, value_enum, default_value = "c4", ignore_case = true)]
    pub middle_c: MiddleCArg,
    /// Frequency of A4 in Hz
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

/// Reads a number with or without a fraction.
pub fn number(text: &str) -> std::result::Result<f64, String> {
    text.trim().parse().map_err(|_| "a number is wanted, such as 5 or 0.25".to_owned())
}

/// Checks a frequency of A4.
pub fn a4(hz: f64) -> Result<Hertz> {
    if (380.0..=500.0).contains(&hz) {
        Ok(Hertz(hz))
    } else {
        Err(Error::invalid("--a4", format!("{hz} Hz"), "380 to 500 Hz, such as 440"))
    }
}

/// Checks a percentage and turns it into 0 to 1.
pub fn percent(name: &str, value: f64) -> Result<f64> {
    if (0.0..=100.0).contains(&value) {
        Ok(value / 100.0)
    } else {
        Err(Error::invalid(name, format!("{value} %"), "0 to 100 %"))
    }
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

/// Refuses to write over the file that is read, and over anything that this program did not write.
/// An empty file holds nothing to lose.
pub fn may_write(source: &Path, to: &Path) -> Result<()> {
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

#[cfg(test)]
mod tests {
    use super::*;

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
