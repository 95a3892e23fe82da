//! The pattern of delivered names, taken apart: text, and placeholders in braces with or without a width.

use super::names::{FIELDS, ROUND, ROUND_BEFORE};

/// Widest number that a pattern may ask for.
const WIDEST: usize = 9;
/// Placeholders that are no numbers.
const WORDS: [&str; 2] = ["set", "note"];

/// A part of a pattern.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Piece<'a> {
    /// It stands in the name as it is.
    Text(&'a str),
    /// A placeholder, and the width of its number if one is given.
    Field(&'a str, Option<usize>),
}

/// Why a pattern cannot be read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Fault {
    /// A { without its }.
    Unclosed,
    /// There is no such placeholder.
    Unknown(String),
    /// What stands after the colon is no width.
    Width(String),
    /// This placeholder is no number, so it has no width.
    NoNumber(String),
}

/// Takes a pattern apart. Errors: the first thing in it that cannot be read.
pub(super) fn pieces(pattern: &str) -> Result<Vec<Piece<'_>>, Fault> {
    let mut all = Vec::new();
    let mut rest = pattern;
    while let Some(open) = rest.find('{') {
        all.push(Piece::Text(&rest[..open]));
        let Some(length) = rest[open..].find('}') else { return Err(Fault::Unclosed) };
        let whole = &rest[open + 1..open + length];
        let (field, width) = match whole.split_once(':') {
            None => (whole, None),
            Some((field, width)) => (field, Some(width)),
        };
        let field = if field == ROUND_BEFORE { ROUND } else { field };
        if !FIELDS.iter().any(|(name, _)| *name == field) {
            return Err(Fault::Unknown(whole.to_owned()));
        }
        if width.is_some() && WORDS.contains(&field) {
            return Err(Fault::NoNumber(whole.to_owned()));
        }
        let width = match width {
            None => None,
            Some(text) => Some(width_of(text).ok_or_else(|| Fault::Width(whole.to_owned()))?),
        };
        all.push(Piece::Field(field, width));
        rest = &rest[open + length + 1..];
    }
    all.push(Piece::Text(rest));
    Ok(all)
}

/// A width such as `3` or `03`.
fn width_of(text: &str) -> Option<usize> {
    text.parse().ok().filter(|w| (1..=WIDEST).contains(w) && text.bytes().all(|b| b.is_ascii_digit()))
}

/// What is wrong with a pattern, in a sentence that says what to do; none where it can be read.
pub fn fault(pattern: &str) -> Option<String> {
    Some(pieces(pattern).err()?.words())
}

impl Fault {
    /// The part that cannot be read, in few words.
    pub(super) fn what(&self) -> String {
        match self {
            Self::Unclosed => "a { without its }".into(),
            Self::Unknown(whole) | Self::Width(whole) | Self::NoNumber(whole) => format!("{{{whole}}}"),
        }
    }

    fn words(&self) -> String {
        match self {
            Self::Unclosed => {
                "A { has no } after it: a placeholder stands between both, such as {note}.".into()
            }
            Self::Unknown(whole) => {
                let field = whole.split_once(':').map_or(whole.as_str(), |(field, _)| field);
                let meant = meant(field).map_or_else(
                    || "; those there are stand below.".into(),
                    |f| format!("; {{{f}}} may be meant."),
                );
                format!("There is no placeholder {{{field}}}{meant}")
            }
            Self::Width(whole) => {
                let field = whole.split_once(':').map_or(whole.as_str(), |(field, _)| field);
                format!(
                    "{{{whole}}}: after the colon stands how many digits, 1 to {WIDEST}, such as {{{field}:2}}."
                )
            }
            Self::NoNumber(whole) => {
                let field = whole.split_once(':').map_or(whole.as_str(), |(field, _)| field);
                format!("{{{whole}}}: only numbers have a width; write {{{field}}}.")
            }
        }
    }
}

/// The placeholder that somebody may have meant: the same but for capitals, or for one or two letters.
fn meant(field: &str) -> Option<&'static str> {
    let typed = field.trim().to_lowercase();
    let near = FIELDS.iter().map(|(name, _)| (distance(&typed, name), *name));
    let (off, name) = near.min()?;
    (off <= 2 && off < name.len().min(typed.chars().count().max(1))).then_some(name)
}

/// Fewest letters to be put in, taken out or changed to make one word of the other. Source: R. A. Wagner and
/// M. J. Fischer, "The String-to-String Correction Problem", Journal of the ACM 21 (1974), algorithm X (from memory).
fn distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.chars().enumerate() {
        let mut diagonal = std::mem::replace(&mut row[0], i + 1);
        for (j, y) in b.iter().enumerate() {
            let changed = diagonal + usize::from(x != *y);
            diagonal = row[j + 1];
            row[j + 1] = changed.min(diagonal + 1).min(row[j] + 1);
        }
    }
    row[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pattern_falls_into_text_and_placeholders() {
        let all = pieces("a {set}-{layer:02}}").unwrap();
        let wanted = [
            Piece::Text("a "),
            Piece::Field("set", None),
            Piece::Text("-"),
            Piece::Field("layer", Some(2)),
            Piece::Text("}"),
        ];
        assert_eq!(all, wanted);
    }

    #[test]
    fn what_is_wrong_is_told_with_what_to_do() {
        for (pattern, part) in [
            ("{rund}", "no placeholder {rund}; {round} may be meant"),
            ("{Note} x", "no placeholder {Note}; {note} may be meant"),
            ("{velocty:3}", "no placeholder {velocty}; {velocity} may be meant"),
            ("{colour}", "no placeholder {colour}; those there are"),
            ("{}", "no placeholder {}; those there are"),
            ("{set} {midi", "A { has no }"),
            ("{layer:x}", "such as {layer:2}"),
            ("{index:10}", "1 to 9"),
            ("{note:2}", "only numbers have a width; write {note}"),
        ] {
            let told = fault(pattern).unwrap();
            assert!(told.contains(part), "{pattern}: {told}");
        }
        assert_eq!(fault("{set} {note} {layer:2} {midi} {index} {velocity} {round:2}"), None);
    }

    /// Sessions and patterns of before write {rr}.
    #[test]
    fn the_old_name_of_the_round_is_read_as_the_new_one() {
        for pattern in ["{rr}", "{round}"] {
            let all = pieces(pattern).unwrap();
            assert_eq!(all, [Piece::Text(""), Piece::Field("round", None), Piece::Text("")], "{pattern}");
        }
        assert_eq!(pieces("{rr:02}").unwrap()[1], Piece::Field("round", Some(2)));
        assert!(!FIELDS.iter().any(|(name, _)| *name == "rr"), "it is offered nowhere");
    }

    /// Worked by hand: kitten to sitting takes three changes (a common example, no source).
    #[test]
    fn letters_apart() {
        assert_eq!((distance("kitten", "sitting"), distance("", "rr"), distance("rr", "rr")), (3, 2, 0));
    }
}
