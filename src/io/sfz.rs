//! The text map SFZ: writing and reading of its first version's opcodes.
//!
//! Source: the open SFZ format, version 1.0: headers `<group>` and `<region>`, opcodes `sample`,
//! `lokey`, `hikey`, `lovel`, `hivel`, `pitch_keycenter`, `tune`, `seq_length`, `seq_position`,
//! `loop_mode`, `loop_start`, `loop_end`, `ampeg_release`.

use std::fmt::Write as _;
use std::path::Path;

use crate::error::{Error, ErrorKind, Result};
use crate::units::{Cents, FrameRange, MidiNote, Seconds};

use super::form::Zone;

/// One region of a map.
#[derive(Debug, Clone, PartialEq)]
pub struct SfzRegion {
    /// Path of the sound file, relative to the map, with `/` between folders.
    pub sample: String,
    /// The keys and velocities it sounds on.
    pub zone: Zone,
    /// Its root key.
    pub root: MidiNote,
    /// How far above the root key the sound is tuned; players take it out. Whole cents are written.
    pub fine_tune: Cents,
    /// Its loop, end exclusive.
    pub looping: Option<FrameRange>,
    /// Its turn, from 1, and how many there are.
    pub turn: (u32, u32),
}

/// Regions that belong together.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SfzGroup {
    /// What the group is, for people.
    pub name: String,
    /// Its regions.
    pub regions: Vec<SfzRegion>,
}

/// The text of a map. `release` is how long a key sounds on after it is let go. Errors: a sample
/// path that the format cannot hold.
pub fn text(title: &str, groups: &[SfzGroup], release: Seconds) -> Result<String> {
    let mut t = format!("// {}\n", one_line(title));
    for group in groups {
        let _ = writeln!(t, "\n<group> ampeg_release={}\n// {}", release.0, one_line(&group.name));
        for r in &group.regions {
            check_path(&r.sample)?;
            let _ = write!(
                t,
                "<region> lokey={} hikey={} pitch_keycenter={}",
                r.zone.keys.0.0, r.zone.keys.1.0, r.root.0
            );
            // What is played lower by as much as the sound is too high.
            let tune = -r.fine_tune.0.round() as i64;
            if tune != 0 {
                let _ = write!(t, " tune={tune}");
            }
            if r.zone.velocities != (1, 127) {
                let _ = write!(t, " lovel={} hivel={}", r.zone.velocities.0, r.zone.velocities.1);
            }
            if r.turn.1 > 1 {
                let _ = write!(t, " seq_length={} seq_position={}", r.turn.1, r.turn.0);
            }
            match r.looping {
                // The published end is the last frame that sounds.
                Some(l) => {
                    let _ = write!(
                        t,
                        " loop_mode=loop_continuous loop_start={} loop_end={}",
                        l.start.0,
                        l.end.0.saturating_sub(1)
                    );
                }
                None => t.push_str(" loop_mode=no_loop"),
            }
            // Last, since a path may hold spaces.
            let _ = writeln!(t, " sample={}", r.sample);
        }
    }
    Ok(t)
}

fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Refuses a sample path that the format cannot hold: a path ends with its line; an equals sign or `//` in it would be read as something else.
pub fn check_path(path: &str) -> Result<()> {
    match ["=", "//", "<", ">", "\n", "\r"].iter().find(|bad| path.contains(**bad)) {
        None => Ok(()),
        Some(bad) => Err(Error::new(
            ErrorKind::NameClash,
            format!(
                "\"{path}\" cannot stand in a text map because of {bad:?}; change the set name or the name pattern, or leave the text map out"
            ),
        )),
    }
}

/// A region as it stands in a file, with what its group says where it says nothing itself.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct ReadRegion {
    /// Line of the file, from 1.
    pub line: usize,
    /// Its opcodes, later ones last.
    pub opcodes: Vec<(String, String)>,
}

impl ReadRegion {
    /// The last value of an opcode.
    pub fn get(&self, name: &str) -> Option<&str> {
        self.opcodes.iter().rev().find(|(n, _)| n == name).map(|(_, v)| v.as_str())
    }

    /// A key by number or by name, where an opcode gives one (`key` stands for all three).
    pub fn key(&self, name: &str) -> Option<i64> {
        let whole = matches!(name, "lokey" | "hikey" | "pitch_keycenter").then(|| self.get("key")).flatten();
        note_number(self.get(name).or(whole)?)
    }

    /// A whole number.
    pub fn number(&self, name: &str) -> Option<i64> {
        self.get(name)?.parse().ok()
    }

    /// Its loop, end exclusive: none where it has none or does not sound it.
    pub fn looping(&self) -> Option<(i64, i64)> {
        let mode = self.get("loop_mode").or(self.get("loopmode"));
        let start = self.number("loop_start").or(self.number("loopstart"));
        let end = self.number("loop_end").or(self.number("loopend"));
        match mode {
            Some("no_loop" | "one_shot") => None,
            _ => Some((start?, end? + 1)),
        }
    }
}

/// A key by its number, or by a name with middle C as c4.
fn note_number(text: &str) -> Option<i64> {
    if let Ok(n) = text.parse() {
        return Some(n);
    }
    let lower = text.to_ascii_lowercase();
    let mut chars = lower.chars();
    let steps = i64::from(MidiNote::semitones_of(chars.next()?)?);
    let rest = chars.as_str();
    let (shift, octave) = match rest.as_bytes().first()? {
        b'#' => (1, &rest[1..]),
        b'b' => (-1, &rest[1..]),
        _ => (0, rest),
    };
    let octave: i64 = octave.parse().ok().filter(|o| (-2..=10).contains(o))?;
    Some(12 * (octave + 1) + steps + shift)
}

/// The regions of a map's text. What is not understood is passed over.
pub fn regions(text: &str) -> Vec<ReadRegion> {
    let mut found: Vec<ReadRegion> = Vec::new();
    // What holds for all regions after it: of the whole file, of a master, of a group.
    let mut above: [Vec<(String, String)>; 3] = Default::default();
    let mut level: Option<usize> = None;
    let mut in_region = false;
    for (i, line) in text.lines().enumerate() {
        let line = line.split("//").next().unwrap_or("");
        for piece in pieces(line) {
            match piece {
                Piece::Header("region") => {
                    in_region = true;
                    let opcodes = above.concat();
                    found.push(ReadRegion { line: i + 1, opcodes });
                }
                Piece::Header(name) => {
                    in_region = false;
                    level = match name {
                        "control" => None,
                        "global" => Some(0),
                        "master" => Some(1),
                        "group" => Some(2),
                        _ => None,
                    };
                    if let Some(from) = level {
                        above[from..].iter_mut().for_each(Vec::clear);
                    }
                }
                Piece::Opcode(name, value) => {
                    let opcode = (name.to_ascii_lowercase(), value.to_owned());
                    match (found.last_mut().filter(|_| in_region), level) {
                        (Some(region), _) => region.opcodes.push(opcode),
                        (None, Some(level)) => above[level].push(opcode),
                        (None, None) => {}
                    }
                }
            }
        }
    }
    found
}

enum Piece<'a> {
    Header(&'a str),
    Opcode(&'a str, &'a str),
}

/// Headers and opcodes of a line. A value runs to the next header or opcode, so a path may hold
/// spaces.
fn pieces(line: &str) -> Vec<Piece<'_>> {
    let mut pieces = Vec::new();
    let mut rest = line.trim();
    while !rest.is_empty() {
        if let Some((name, after)) = rest.strip_prefix('<').and_then(|r| r.split_once('>')) {
            pieces.push(Piece::Header(name.trim()));
            rest = after.trim_start();
            continue;
        }
        let Some((name, after)) = rest.split_once('=') else { break };
        let next_header = after.find('<').unwrap_or(after.len());
        let next_opcode = after
            .find('=')
            .map_or(after.len(), |equals| after[..equals].rfind(char::is_whitespace).unwrap_or(after.len()));
        let (value, more) = after.split_at(next_header.min(next_opcode));
        pieces.push(Piece::Opcode(name.trim(), value.trim()));
        rest = more.trim_start();
    }
    pieces
}

/// Reads a map. Errors: it cannot be read, or is no text.
pub fn read(path: &Path) -> Result<Vec<ReadRegion>> {
    let bytes = std::fs::read(path).map_err(|e| Error::io("read", path, &e))?;
    let text = String::from_utf8(bytes).map_err(|_| {
        Error::new(ErrorKind::Decode, format!("cannot read {}: it is no text in UTF-8", path.display()))
    })?;
    Ok(regions(&text))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_by_name_count_middle_c_as_c4() {
        for (name, n) in [("60", 60), ("c4", 60), ("C#4", 61), ("db4", 61), ("a-1", 9), ("g9", 127)] {
            assert_eq!(note_number(name), Some(n), "{name}");
        }
        assert_eq!(note_number("h4"), None);
        assert_eq!(note_number("c"), None);
    }

    #[test]
    fn groups_are_inherited_and_ended_by_the_next() {
        let r = regions(
            "<global> lokey=1 // all\n<group> hikey=9 <region> sample=a b/c d.wav key=5\n<group>\n<region> sample=x.wav\n junk",
        );
        assert_eq!(r.len(), 2);
        assert_eq!(
            (r[0].get("sample"), r[0].get("hikey"), r[0].get("lokey")),
            (Some("a b/c d.wav"), Some("9"), Some("1"))
        );
        assert_eq!((r[0].key("pitch_keycenter"), r[1].get("hikey"), r[1].line), (Some(5), None, 4));
    }
}
