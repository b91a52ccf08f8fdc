//! How far does what is left reach?

use super::words::limit;
use super::{Case, Definition, Outcome, Values};
use crate::record::Sense;

/// The check.
pub const CHECK: Definition = Definition {
    id: "tilt_range",
    title: "Tilt range left",
    unit: "degrees in all",
    sense: Sense::Below,
    values,
    sentence,
};

fn values(case: &Case<'_>) -> Values {
    Values::Series(Ok(case.coverage_after.max_deg - case.coverage_after.min_deg))
}

fn sentence(case: &Case<'_>, found: &Outcome<'_>) -> String {
    let coverage = case.coverage_after;
    let range = format!("{:.0}° are covered, from {:+.1}° to {:+.1}°", found.value, coverage.min_deg, coverage.max_deg);
    if found.grade == crate::record::Grade::Pass {
        return range;
    }
    format!("{range} (limit {}): tilt further on the short side", limit(found, 0))
}
