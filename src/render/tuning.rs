//! What the takes do with their pitch, for a table.

use super::chain::target_of;
use crate::dsp::tune::Movement;
use crate::session::{Document, Take, TakeId};
use crate::units::{Cents, Hertz};

/// One take's line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TuningRow {
    /// Which take.
    pub take: TakeId,
    /// How far the take as recorded is from its target: from the recipe's target before any move,
    /// or, without a recipe, from the nearest note. None: no pitch was found.
    pub centre: Option<Cents>,
    /// Drift and vibrato; none: not measured.
    pub movement: Option<Movement>,
    /// How much of centre, drift and vibrato its recipe takes out, 0 to 1; none without a recipe.
    pub strengths: Option<(f64, f64, f64)>,
}

/// The lines of all takes, in the document's order.
pub fn tuning_table(document: &Document) -> Vec<TuningRow> {
    document.takes.iter().map(|t| tuning_row(t, document.setup.a4)).collect()
}

/// One take's line.
pub fn tuning_row(take: &Take, a4: Hertz) -> TuningRow {
    let centre = take.f0.map(|f0| match &take.recipe {
        Some(r) => f0.cents_above(target_of(&r.tune, a4).shifted(Cents(-100.0 * f64::from(r.tune.moved)))),
        None => f0.nearest_note(a4).1,
    });
    TuningRow {
        take: take.id,
        centre,
        movement: take.movement,
        strengths: take.recipe.as_ref().map(|r| (r.tune.centre, r.tune.drift, r.tune.vibrato)),
    }
}
