//! The document: sources, takes, what is to be done with each, and the one undo history.
//!
//! Knows no thread and no widget. Only [`store`] touches files.

pub mod cleaning;
pub mod delivery;
pub mod document;
pub mod edit;
pub mod history;
pub mod placing;
pub mod recipe;
pub mod sheet;
pub mod stack;
pub mod step_name;
pub mod store;
pub mod take;
pub mod tuning;

pub use cleaning::{CleanRecipe, RoomFrom};
pub use delivery::DeliverySetup;
pub use document::{Document, Setup};
pub use edit::Edit;
pub use history::History;
pub use recipe::{LevelRecipe, LoopRecipe, LoopSearch, Recipe, TrimRecipe, TuneRecipe, same_loop};
pub use sheet::{Cell, Sheet};
pub use stack::StackSetup;
pub use take::{
    Concern, ConcernKind, Named, RoomTone, Source, SourceId, Take, TakeId, TakeState, Unread, Unsettled,
};
