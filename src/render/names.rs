//! Names of delivered files from a pattern.

use std::collections::HashMap;

use unicode_normalization::UnicodeNormalization as _;

use crate::error::{Error, ErrorKind, Result};
use crate::session::{Document, Setup, Sheet, Take, TakeId, TakeState};

/// Longest name in bytes that common file systems take.
const LONGEST: usize = 255;
/// The ending of delivered files.
const ENDING: &str = "wav";
/// Characters that some systems refuse in names (common practice, no source).
const REFUSED: &str = "<>:\"/\\|?*";
/// Words that some systems refuse as names, with any ending (common practice, no source).
const RESERVED: [&str; 4] = ["CON", "PRN", "AUX", "NUL"];

/// The file name (with ending) of every accepted take, in sheet order. Errors: `InvalidParameter`
/// for an unknown field; `NameClash` naming the takes that would get one name, or a name that some
/// systems refuse.
pub fn delivered_names(document: &Document) -> Result<Vec<(TakeId, String)>> {
    let mut names: Vec<(TakeId, String)> = Vec::new();
    let mut taken: HashMap<String, &Take> = HashMap::new();
    for id in Sheet::of(document).walk() {
        let Some(take) = document.take(id).filter(|t| t.state == TakeState::Accepted) else { continue };
        let name = format!("{}.{ENDING}", fill(&document.setup, take)?);
        refuse_bad(&name)?;
        // Some systems do not tell case apart, nor composed from decomposed letters.
        let key: String = name.to_lowercase().nfc().collect();
        if let Some(other) = taken.insert(key, take) {
            return Err(Error::new(
                ErrorKind::NameClash,
                format!(
                    "{} and {} would both be written as \"{name}\"; set one of them aside, give it another note or layer, or add {{layer}}, {{note}} or {{midi}} to the name pattern",
                    described(document, other),
                    described(document, take)
                ),
            ));
        }
        names.push((id, name));
    }
    Ok(names)
}

/// A take in words: its cell and its file.
pub fn described(document: &Document, take: &Take) -> String {
    let file = document
        .source(take.source)
        .and_then(|s| s.path.file_name().map(|n| n.to_string_lossy().into_owned()))
        .unwrap_or_default();
    let note = take.note.map_or_else(|| "a take without a note".into(), |n| n.name(document.setup.middle_c));
    format!("{note}, layer {} ({file})", take.layer + 1)
}

/// Fills the fields of the name pattern for one take.
fn fill(setup: &Setup, take: &Take) -> Result<String> {
    let root = take.recipe.as_ref().map(|r| r.tune.target).or(take.note);
    let mut name = String::new();
    let mut rest = setup.name_pattern.as_str();
    while let Some(open) = rest.find('{') {
        name.push_str(&rest[..open]);
        let Some(length) = rest[open..].find('}') else {
            return Err(bad_pattern(setup, "a { without its }"));
        };
        match &rest[open + 1..open + length] {
            "set" => name.push_str(setup.title.trim()),
            "note" => name.push_str(&root.map_or_else(String::new, |n| n.name(setup.middle_c))),
            "midi" => name.push_str(&root.map_or_else(String::new, |n| format!("{:03}", n.0))),
            "layer" => name.push_str(&(take.layer + 1).to_string()),
            other => return Err(bad_pattern(setup, &format!("{{{other}}}"))),
        }
        rest = &rest[open + length + 1..];
    }
    name.push_str(rest);
    Ok(name.trim().nfc().collect())
}

fn bad_pattern(setup: &Setup, what: &str) -> Error {
    Error::invalid(
        "the name pattern",
        format!("\"{}\" with {what}", setup.name_pattern),
        "text with the fields {set} {note} {midi} {layer}, such as \"{set} {note} {layer}\"",
    )
}

fn refuse_bad(name: &str) -> Result<()> {
    let stem = name.strip_suffix(&format!(".{ENDING}")).unwrap_or(name);
    let why = if stem.is_empty() {
        Some("it is empty".into())
    } else if let Some(c) = stem.chars().find(|c| REFUSED.contains(*c) || c.is_control()) {
        Some(format!("it holds {c:?}"))
    } else if stem.ends_with('.') || stem.starts_with('.') {
        Some("it begins or ends with a dot".into())
    } else if name.len() > LONGEST {
        Some(format!("it is {} bytes long, {LONGEST} are allowed", name.len()))
    } else {
        let first = stem.split('.').next().unwrap_or(stem).trim().to_ascii_uppercase();
        let port = (first.starts_with("COM") || first.starts_with("LPT"))
            && first.len() == 4
            && first.ends_with(|c: char| c.is_ascii_digit());
        (port || RESERVED.contains(&first.as_str())).then(|| "some systems keep it for themselves".into())
    };
    match why {
        None => Ok(()),
        Some(why) => Err(Error::new(
            ErrorKind::NameClash,
            format!(
                "the file name \"{name}\" is refused by some systems: {why}; change the set's title or the name pattern"
            ),
        )),
    }
}
