//! Is the field lit unevenly at all tilts? A gradient that is not common to all tilts is specimen.

use super::words::{limit, percent};
use super::{Case, Definition, Outcome, Values};
use crate::measured::NotMeasured;
use crate::record::Sense;

/// The check.
pub const CHECK: Definition = Definition {
    id: "illumination_gradient",
    title: "Gradient of the illumination",
    unit: "peak to peak over mean",
    sense: Sense::Above,
    values,
    sentence,
};

fn values(case: &Case<'_>) -> Values {
    let common = case.measures.counts.common_gradient_fraction;
    Values::Series(common.ok_or_else(|| NotMeasured::because("no tilt has counts above the camera's offset")))
}

fn sentence(case: &Case<'_>, found: &Outcome<'_>) -> String {
    let gradient = percent(found.value);
    if found.grade == crate::record::Grade::Pass {
        return format!("the illumination common to all tilts changes by {gradient} over the frame");
    }
    let towards = case.measures.counts.common_gradient_deg.unwrap_or(0.0);
    format!(
        "all tilts grow brighter towards {towards:.0}° (0° along the rows, 90° towards later rows), by {gradient} over \
         the frame (limit {}): centre the beam and widen it",
        limit(found, 2)
    )
}
