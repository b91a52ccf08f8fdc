//! How much of the field do all tilts have in common? In a montage, that of the tile that has least.

use super::words::{angles, limit, percent};
use super::{Case, Definition, Outcome, Values};
use crate::measured::NotMeasured;
use crate::record::Sense;
use crate::record::Tilt;

/// The check.
pub const CHECK: Definition = Definition {
    id: "shared_area",
    title: "Area common to all tilts",
    unit: "share of the frame",
    sense: Sense::Below,
    values,
    sentence,
};

fn values(case: &Case<'_>) -> Values {
    let share = |tilt: &Tilt| {
        let tracking = tilt.tracking.as_ref();
        let why = tracking.and_then(|t| t.why_not.clone()).unwrap_or_else(|| "the tilts could not be followed".into());
        let least = tracking.and_then(|t| match (t.shared_area_fraction, t.shared_area_worst_tile_fraction) {
            (Some(whole), Some(tile)) => Some(whole.min(tile)),
            (whole, _) => whole,
        });
        least.ok_or_else(|| NotMeasured::because(why))
    };
    Values::Tilts(case.tilts.iter().map(share).collect())
}

fn sentence(case: &Case<'_>, found: &Outcome<'_>) -> String {
    let what =
        if case.series.montage_cols * case.series.montage_rows > 1 { "of the worst tile" } else { "of the field" };
    if found.tilts_deg.is_empty() {
        return format!("all tilts have at least {} {what} in common", percent(found.value));
    }
    if found.value <= 0.0 {
        let some = if found.tilts_deg.len() == 1 { "" } else { "some " };
        return format!(
            "{} short of the common field, {some}with nothing of it that could be found (limit {}): track more often, or \
             record a wider field",
            angles(found.tilts_deg, "is", "are"),
            limit(found, 2)
        );
    }
    format!(
        "{} short of the common field, down to {} {what} (limit {}): track more often, or record a wider field",
        angles(found.tilts_deg, "is", "are"),
        percent(found.value),
        limit(found, 2)
    )
}
