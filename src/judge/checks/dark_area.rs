//! Is a part of the frame in the dark: behind a grid bar, or outside the beam? Where a shadow covers the operator's area, its
//! share of that stands for its share of the frame.

use super::words::{angles, limit, percent};
use super::{Case, Definition, Outcome, Values};
use crate::measured::NotMeasured;
use crate::record::Sense;
use crate::record::Tilt;

/// The check.
pub const CHECK: Definition = Definition {
    id: "dark_area",
    title: "Dark area",
    unit: "share of the assembled frame",
    sense: Sense::Above,
    values,
    sentence,
};

fn values(case: &Case<'_>) -> Values {
    let dark = |tilt: &Tilt| {
        let why = "the mean counts are not above the camera's offset";
        let frame = tilt.counts.dark_area_fraction.ok_or_else(|| NotMeasured::because(why))?;
        Ok(covered(case, tilt).map_or(frame, |area| area.max(frame)))
    };
    Values::Tilts(case.tilts.iter().map(dark).collect())
}

/// How much of the operator's area a shadow takes, where it covers it.
fn covered(case: &Case<'_>, tilt: &Tilt) -> Option<f64> {
    let area = tilt.tracking.as_ref()?.target_dark_fraction?;
    case.limits.area_covered.is_some_and(|covered| area >= covered).then_some(area)
}

fn sentence(case: &Case<'_>, found: &Outcome<'_>) -> String {
    if found.tilts_deg.is_empty() {
        return format!("at most {} of any frame is dark", percent(found.value));
    }
    let worst = case.tilts.iter().find(|tilt| Some(tilt.tilt_deg) == found.worst_deg);
    if let Some(area) = worst.and_then(|tilt| covered(case, tilt)) {
        return format!(
            "{} partly dark, and a shadow covers up to {} of the operator's area (limit {} of the frame): look what \
             shadows it",
            angles(found.tilts_deg, "is", "are"),
            percent(area),
            limit(found, 2)
        );
    }
    let (shape, remedy) = match worst.and_then(|tilt| tilt.counts.dark_area_shape.as_deref()) {
        Some("beam edge") => (", by a round edge as of the beam", "centre the beam or widen it"),
        Some("bar") => (", by a straight edge as of a bar of the grid", "choose an area further from the bars"),
        _ => ("", "look what shadows it"),
    };
    format!(
        "{} partly dark, up to {} of the frame{shape} (limit {}): {remedy}",
        angles(found.tilts_deg, "is", "are"),
        percent(found.value),
        limit(found, 2)
    )
}
