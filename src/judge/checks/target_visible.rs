//! Is what the series is for seen at every tilt: inside the frame, in no shadow, off the seams?

use super::words::{angles, limit, percent};
use super::{Case, Definition, Outcome, Values};
use crate::measured::NotMeasured;
use crate::record::Sense;
use crate::record::Tilt;

/// The check.
pub const CHECK: Definition = Definition {
    id: "target_visible",
    title: "Operator's area in sight",
    unit: "share of the area",
    sense: Sense::Below,
    values,
    sentence,
};

fn values(case: &Case<'_>) -> Values {
    let seen = |tilt: &Tilt| {
        let tracking = tilt.tracking.as_ref();
        let why = tracking.and_then(|t| t.why_not.clone());
        let why = why.unwrap_or_else(|| "no area is stated (targets.area_px)".into());
        tracking.and_then(|t| t.target_visible_fraction).ok_or_else(|| NotMeasured::because(why))
    };
    Values::Tilts(case.tilts.iter().map(seen).collect())
}

fn sentence(case: &Case<'_>, found: &Outcome<'_>) -> String {
    if found.tilts_deg.is_empty() {
        return format!("at least {} of the area is inside, unshadowed and off the seams", percent(found.value));
    }
    let all = found.tilts_deg.len() == case.tilts.len();
    let remedy = if all {
        "choose an area inside one tile, or shift the montage so that no seam crosses it"
    } else {
        "keep it nearer the middle, away from bars of the grid"
    };
    format!(
        "{} the area partly outside, shadowed or on a seam, {} of it in sight at worst (limit {}): {remedy}",
        angles(found.tilts_deg, "has", "have"),
        percent(found.value),
        limit(found, 2)
    )
}
