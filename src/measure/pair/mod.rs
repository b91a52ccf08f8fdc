//! A dual-axis pair: what two series of one specimen about two axes have in common, and what they leave out together.

pub mod coverage;
pub mod doses;
pub mod field;
pub mod turns;

use crate::measure::pair::field::View;
use crate::record::Record;
use crate::record::pair::PairMeasures;

/// One of the two series.
pub struct Side<'a> {
    /// Its record.
    pub record: &'a Record,
    /// Its picture nearest zero tilt.
    pub view: Option<View>,
    /// Counts that its camera gives without electrons.
    pub offset_counts: f64,
}

/// All figures of a pair, and what must be noted.
pub fn measure(a: &Side<'_>, b: &Side<'_>) -> (PairMeasures, Vec<String>) {
    let mut notes = Vec::new();
    let axes = [a, b].map(|side| axis_deg(side.record));
    let field = field::measure(a.view.as_ref(), b.view.as_ref(), axes, &mut notes);
    let coverage = coverage::measure(a.record, b.record, axes, field.turn_deg, &mut notes);
    let dose = doses::dose(a.record, b.record, &mut notes);
    let counts = doses::counts(a, b);
    (PairMeasures { coverage, field, dose, counts }, notes)
}

/// Direction of the tilt axis that a series' figures use, else the stated one.
pub fn axis_deg(record: &Record) -> Option<f64> {
    record.measures.geometry.as_ref().and_then(|geometry| geometry.axis_used_deg).or(record.series.axis_deg)
}
