//! What the takes do with their pitch, for a table.

use super::chain::{Analysed, target_of};
use crate::dsp::tune::{deviation, movement};
use crate::session::{Take, TakeId};
use crate::units::{Cents, Hertz};

/// One take's line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TuningRow {
    /// Which take.
    pub take: TakeId,
    /// Median deviation of the sustain: from the recipe's target before any move, or, without a
    /// recipe, from the nearest note.
    pub centre: Cents,
    /// RMS of the movement below 2 Hz, in cents.
    pub drift_rms: f64,
    /// Rate of the vibrato in Hz; none where there is none.
    pub vibrato_rate_hz: Option<f64>,
    /// Depth of the movement from 2 Hz up, to either side, in cents.
    pub vibrato_depth_cents: f64,
}

/// The lines of the takes in which a note was found, in their order.
pub fn tuning_table<'a>(
    takes: impl IntoIterator<Item = (&'a Take, &'a Analysed)>,
    a4: Hertz,
) -> Vec<TuningRow> {
    takes.into_iter().filter_map(|(take, a)| tuning_row(take, a, a4)).collect()
}

/// One take's line; none where no note was found in it.
pub fn tuning_row(take: &Take, a: &Analysed, a4: Hertz) -> Option<TuningRow> {
    let target = match &take.recipe {
        Some(r) => target_of(&r.tune, a4).shifted(Cents(-100.0 * f64::from(r.tune.moved))),
        None => take.f0?.nearest_note(a4).0.frequency(a4),
    };
    let d = deviation(&a.track, target).ok()?;
    let m = movement(&d);
    Some(TuningRow {
        take: take.id,
        centre: Cents(d.centre),
        drift_rms: m.drift_rms,
        vibrato_rate_hz: m.vibrato_rate_hz,
        vibrato_depth_cents: m.vibrato_depth_cents,
    })
}
