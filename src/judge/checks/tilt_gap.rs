//! Is there a hole in the range that is left?

use super::words::limit;
use super::{Case, Definition, Outcome, Values};
use crate::measured::NotMeasured;
use crate::record::Sense;

/// The check.
pub const CHECK: Definition =
    Definition { id: "tilt_gap", title: "Largest gap left", unit: "degrees", sense: Sense::Above, values, sentence };

fn values(case: &Case<'_>) -> Values {
    let gap = case.coverage_after.largest_gap_deg;
    Values::Series(gap.ok_or_else(|| NotMeasured::because("there is only one angle")))
}

fn sentence(case: &Case<'_>, found: &Outcome<'_>) -> String {
    let between = case.coverage_after.largest_gap_between_deg.unwrap_or_default();
    let gap = format!("the largest gap is {:.1}°, from {:+.1}° to {:+.1}°", found.value, between[0], between[1]);
    if found.grade == crate::record::Grade::Pass {
        return gap;
    }
    format!("{gap} (limit {}): record the missing tilts again while the specimen is in", limit(found, 1))
}
