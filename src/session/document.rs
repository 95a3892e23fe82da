//! The whole session as a value: cheap to clone, so that undo keeps snapshots.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::cleaning::{CleanRecipe, RoomFrom};
use super::delivery::DeliverySetup;
use super::recipe::LoopSearch;
use super::stack::StackSetup;
use super::take::{Source, SourceId, Take, TakeId, Unread, Unsettled};
use crate::units::{Hertz, MiddleC, MidiNote, STANDARD_A4_HZ, SampleRate};

/// Settings of the whole set.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Setup {
    /// Name of the set; used in delivered names and INFO.
    pub title: String,
    /// Frequency of A4.
    pub a4: Hertz,
    /// How note names in file names count octaves.
    pub middle_c: MiddleC,
    /// How the takes lie in the files; none: detected.
    pub layout: Option<Layout>,
    /// Pattern of delivered names, without the ending; its fields are those of
    /// `render::names::FIELDS`.
    pub name_pattern: String,
    /// Rate of delivered files.
    pub delivery_rate: SampleRate,
    /// Loop score (0 to 100) from which "accept what passes" accepts.
    pub accept_score: f64,
    /// What loops are looked for.
    #[serde(default)]
    pub loops: LoopSearch,
    /// Everything else about the delivery.
    #[serde(default)]
    pub delivery: DeliverySetup,
    /// How proposals clean takes whose room is known.
    #[serde(default = "CleanRecipe::full")]
    pub clean: CleanRecipe,
    /// Where the room is learned from.
    #[serde(default)]
    pub room_from: RoomFrom,
}

/// How the takes lie in the files.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Layout {
    /// Each file holds one take.
    TakePerFile,
    /// Each file holds one note, its layers in order.
    NotePerFile,
    /// Each file holds one layer, its notes in order.
    LayerPerFile,
}

impl Default for Setup {
    fn default() -> Self {
        Self {
            title: "set".into(),
            a4: Hertz(STANDARD_A4_HZ),
            middle_c: MiddleC::C4,
            layout: None,
            name_pattern: "{set} {note} {layer}".into(),
            delivery_rate: SampleRate::DELIVERY,
            accept_score: 70.0,
            loops: LoopSearch::default(),
            delivery: DeliverySetup::default(),
            clean: CleanRecipe::full(),
            room_from: RoomFrom::default(),
        }
    }
}

/// Everything a session file holds.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Document {
    /// Settings of the whole set.
    pub setup: Setup,
    /// The files, in the order they were found.
    pub sources: Vec<Arc<Source>>,
    /// The takes, in the order they were found.
    pub takes: Vec<Arc<Take>>,
    /// Sound files that could not be read.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub unread: Vec<Unread>,
    /// Takes whose place the survey of the whole set has still to tell.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub unsettled: Vec<Unsettled>,
    /// How the layers of a note are listened to together.
    #[serde(default)]
    pub stack: StackSetup,
}

impl Document {
    /// A take by its place in the sheet, or by its number where it has none.
    pub fn name_of(&self, take: &Take) -> String {
        match take.note {
            Some(n) => self.name_of_place(n, take.layer),
            None => format!("take {} without a note", take.id.0),
        }
    }

    /// A place in the sheet: `C4, layer 2`.
    pub fn name_of_place(&self, note: MidiNote, layer: u16) -> String {
        format!("{}, layer {}", note.name(self.setup.middle_c), u32::from(layer) + 1)
    }

    /// The take called `id`.
    pub fn take(&self, id: TakeId) -> Option<&Arc<Take>> {
        self.takes.iter().find(|t| t.id == id)
    }

    /// The source called `id`.
    pub fn source(&self, id: SourceId) -> Option<&Arc<Source>> {
        self.sources.iter().find(|s| s.id == id)
    }

    /// A take and the source it lies in.
    pub fn take_and_source(&self, id: TakeId) -> Option<(&Arc<Take>, &Arc<Source>)> {
        let take = self.take(id)?;
        Some((take, self.source(take.source)?))
    }

    /// Whether a take sounds the same here as in `other`: its stretch and recipe but for the score, and what
    /// of the whole set has a say in it.
    pub fn sounds_alike(&self, other: &Self, take: TakeId) -> bool {
        let (Some(a), Some(b)) = (self.take(take), other.take(take)) else { return false };
        let (Some(recipe), Some(others)) = (&a.recipe, &b.recipe) else { return false };
        let (s, o) = (&self.setup, &other.setup);
        let own = (a.source, a.span) == (b.source, b.span) && recipe.same_but_score(others);
        let set = s.a4 == o.a4 && s.delivery_rate == o.delivery_rate;
        // The room may be that of any of the files.
        let room = s.room_from == o.room_from && self.sources == other.sources;
        own && set && (room || !recipe.clean.is_on())
    }

    /// An id that no take has.
    pub fn free_take_id(&self) -> TakeId {
        TakeId(self.takes.iter().map(|t| t.id.0 + 1).max().unwrap_or(1))
    }

    /// An id that no source has.
    pub fn free_source_id(&self) -> SourceId {
        SourceId(self.sources.iter().map(|s| s.id.0 + 1).max().unwrap_or(1))
    }
}
