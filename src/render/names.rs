//! Names of delivered files from a pattern.

use std::collections::HashMap;

use unicode_normalization::UnicodeNormalization as _;

use super::mapping;
use super::pattern::{Piece, pieces};
use crate::error::{Error, ErrorKind, Result};
use crate::session::delivery::{Folders, LayersAs};
use crate::session::{Document, Setup, Sheet, Take, TakeId, TakeState};
use crate::units::MidiNote;

/// The fields of a name pattern and what each stands for. A number may be given a width with zeros
/// in front: `{layer:02}`, `{midi:03}`.
pub const FIELDS: [(&str, &str); 7] = [
    ("set", "the set name"),
    ("layer", "the number of the layer, from 1"),
    ("note", "the name of the note, such as C#4"),
    ("midi", "the note as a number (MIDI): middle C is 060"),
    ("index", "running number through the sheet, from 1"),
    ("velocity", "the hardest stroke of a key it is for, 1 to 127"),
    ("round", "which of several takes that take turns on a key (round robin), from 1"),
];

/// The turn of a take. Older patterns write it `{rr}`, which is read as this for good.
pub(super) const ROUND: &str = "round";
/// See [`ROUND`].
pub(super) const ROUND_BEFORE: &str = "rr";

/// Longest name in bytes that common file systems take.
const LONGEST: usize = 255;
/// Characters that some systems refuse in names (common practice, no source).
const REFUSED: &str = "<>:\"/\\|?*";
/// Words that some systems refuse as names, with any ending (common practice, no source).
const RESERVED: [&str; 4] = ["CON", "PRN", "AUX", "NUL"];

/// The name of one accepted take as it will be on disk.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PlannedName {
    /// Which take.
    pub take: TakeId,
    /// Its path below the delivery folder, with `/` between folders.
    pub path: String,
}

/// The name (with folder and ending) of every accepted take, in sheet order. Errors:
/// `InvalidParameter` for an unknown field; `NameClash` naming the takes that would get one name, or
/// a name that some systems refuse.
pub fn delivered_names(document: &Document) -> Result<Vec<(TakeId, String)>> {
    let (names, problems) = planned_names(document);
    match problems.into_iter().next() {
        Some(problem) => Err(problem),
        None => Ok(names.into_iter().map(|n| (n.take, n.path)).collect()),
    }
}

/// The names of all accepted takes in sheet order, also those that clash or are refused, and everything
/// that is wrong with them. A bad pattern gives no names.
pub fn planned_names(document: &Document) -> (Vec<PlannedName>, Vec<Error>) {
    let mut names = Vec::new();
    let mut problems = Vec::new();
    let mut taken: HashMap<String, &Take> = HashMap::new();
    let numbers = Numbers::of(document);
    // Also where no take is accepted: it is a mistake all the same.
    if let Err(fault) = pieces(&document.setup.name_pattern) {
        return (Vec::new(), vec![bad_pattern(&document.setup, &fault.what())]);
    }
    for (i, take) in accepted(document).into_iter().enumerate() {
        let stem = match fill(&document.setup, take, i + 1, &numbers) {
            Ok(stem) => stem,
            Err(e) => return (Vec::new(), vec![e]),
        };
        let name = format!("{stem}.{}", document.setup.delivery.form.ending());
        problems.extend(refuse_bad(&name, &stem).err());
        let path = match document.setup.delivery.folders {
            Folders::Flat => name,
            Folders::PerLayer => format!("layer {}/{name}", take.layer + 1),
        };
        if let Some(other) = taken.insert(comparable(&path), take) {
            problems.push(clash(document, other, take, &path));
        }
        names.push(PlannedName { take: take.id, path });
    }
    (names, problems)
}

/// The accepted takes in sheet order.
pub fn accepted(document: &Document) -> Vec<&Take> {
    let walk = Sheet::of(document).walk();
    let takes = walk.into_iter().filter_map(|id| document.take(id).map(AsRef::as_ref));
    takes.filter(|t: &&Take| t.state == TakeState::Accepted).collect()
}

/// The root key that a take is delivered with.
pub fn root_of(take: &Take) -> Option<MidiNote> {
    take.goes_out_as()
}

/// Some systems do not tell case apart, nor composed from decomposed letters.
pub fn comparable(path: &str) -> String {
    path.to_lowercase().nfc().collect()
}

fn clash(document: &Document, one: &Take, other: &Take, name: &str) -> Error {
    // Only what tells these two apart and is not in the pattern already can help.
    let pattern = document.setup.name_pattern.to_lowercase();
    let differ = [
        ("layer", one.layer != other.layer),
        ("note", root_of(one) != root_of(other)),
        ("midi", root_of(one) != root_of(other)),
        (ROUND, one.layer == other.layer && root_of(one) == root_of(other)),
    ];
    let stands = |field: &str| pattern.contains(&format!("{{{field}"));
    let lacks = |field: &str| !(stands(field) || field == ROUND && stands(ROUND_BEFORE));
    let helps: Vec<_> =
        differ.iter().filter(|(f, d)| *d && lacks(f)).map(|(f, _)| format!("{{{f}}}")).collect();
    let or_add = if helps.is_empty() {
        String::new()
    } else {
        format!(", or add {} to the name pattern", helps.join(" or "))
    };
    Error::new(
        ErrorKind::NameClash,
        format!(
            "{} and {} would both be written as \"{name}\"; set one of them aside, give it another note or layer{or_add}",
            described(document, one),
            described(document, other)
        ),
    )
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

/// What `{velocity}` and `{round}` stand for depends on the other takes.
struct Numbers {
    by_take: HashMap<TakeId, (u8, u16)>,
}

impl Numbers {
    fn of(document: &Document) -> Self {
        let takes = accepted(document);
        let mut layers: Vec<u16> = takes.iter().map(|t| t.layer).collect();
        layers.sort_unstable();
        layers.dedup();
        let mut count: HashMap<(Option<MidiNote>, u16), u16> = HashMap::new();
        let by_layer = document.setup.delivery.map.layers;
        let by_take = takes
            .into_iter()
            .map(|t| {
                let place = layers.binary_search(&t.layer).unwrap_or(0);
                let velocity = match by_layer {
                    LayersAs::Velocity => mapping::velocity_range(place, layers.len()).1,
                    LayersAs::Group | LayersAs::RoundRobin => 127,
                };
                let n = count.entry((root_of(t), t.layer)).or_default();
                *n += 1;
                let turn = if by_layer == LayersAs::RoundRobin { place as u16 + 1 } else { *n };
                (t.id, (velocity, turn))
            })
            .collect();
        Self { by_take }
    }
}

/// Fills the fields of the name pattern for one take.
fn fill(setup: &Setup, take: &Take, index: usize, numbers: &Numbers) -> Result<String> {
    let pieces = pieces(&setup.name_pattern).map_err(|fault| bad_pattern(setup, &fault.what()))?;
    let mut name = String::new();
    for piece in pieces {
        match piece {
            Piece::Text(text) => name.push_str(text),
            Piece::Field(field, width) => name.push_str(&value(setup, take, index, numbers, (field, width))),
        }
    }
    Ok(name.trim().nfc().collect())
}

/// What a field stands for in one take.
fn value(
    setup: &Setup,
    take: &Take,
    index: usize,
    numbers: &Numbers,
    (field, width): (&str, Option<usize>),
) -> String {
    let root = root_of(take);
    let (velocity, turn) = numbers.by_take.get(&take.id).copied().unwrap_or((127, 1));
    let number = |n: usize, least: usize| format!("{n:0w$}", w = width.unwrap_or(least));
    match field {
        "set" => setup.title.trim().to_owned(),
        "note" => {
            let middle_c = setup.delivery.middle_c.unwrap_or(setup.middle_c);
            root.map_or_else(String::new, |n| setup.delivery.spelling.name(n, middle_c))
        }
        "midi" => root.map_or_else(String::new, |n| number(n.0.into(), 3)),
        "layer" => number(usize::from(take.layer) + 1, 1),
        "index" => number(index, 1),
        "velocity" => number(velocity.into(), 1),
        ROUND => number(turn.into(), 1),
        _ => String::new(),
    }
}

/// A name as it would be, and what each field stands for in it.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Example {
    /// The name with its ending; none where the pattern cannot be read or there is no take.
    pub name: Option<String>,
    /// In the order of [`FIELDS`]; none without a take.
    pub values: Vec<String>,
}

/// The example of `wanted`, else of the first accepted take, else of the first take there is.
pub fn example(document: &Document, wanted: Option<TakeId>) -> Example {
    let accepted = accepted(document);
    let of_wanted = accepted.iter().position(|t| Some(t.id) == wanted);
    let walk = Sheet::of(document).walk();
    let any = || walk.first().and_then(|id| document.take(*id)).map(|t| (&**t, 0));
    let first = of_wanted.or((!accepted.is_empty()).then_some(0)).map(|i| (accepted[i], i));
    let Some((take, at)) = first.or_else(any) else { return Example::default() };
    let (setup, numbers) = (&document.setup, Numbers::of(document));
    let ending = setup.delivery.form.ending();
    Example {
        name: fill(setup, take, at + 1, &numbers).ok().map(|stem| format!("{stem}.{ending}")),
        values: FIELDS.iter().map(|(f, _)| value(setup, take, at + 1, &numbers, (f, None))).collect(),
    }
}

fn bad_pattern(setup: &Setup, what: &str) -> Error {
    let fields: Vec<String> = FIELDS.iter().map(|(name, _)| format!("{{{name}}}")).collect();
    Error::invalid(
        "the name pattern",
        format!("\"{}\" with {what}", setup.name_pattern),
        &format!(
            "text with the placeholders {}, such as \"{{set}} {{note}} {{layer}}\"; a number may have a width, such as {{layer:02}}",
            fields.join(" ")
        ),
    )
}

/// Refuses a name (with ending) that some systems refuse.
pub fn refuse_bad(name: &str, stem: &str) -> Result<()> {
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
        (port || RESERVED.contains(&first.as_str())).then(|| "they keep it for themselves".into())
    };
    match why {
        None => Ok(()),
        Some(why) => Err(Error::new(
            ErrorKind::NameClash,
            format!(
                "the file name \"{name}\" is refused by some systems: {why}; change the set name or the name pattern"
            ),
        )),
    }
}
