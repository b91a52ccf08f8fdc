//! Do the counted electrons agree with the stated dose? More counted than stated is an error of unit or gain.

use super::words::limit;
use super::{Case, Definition, Outcome, Values};
use crate::measured::NotMeasured;
use crate::record::Sense;

/// The check.
pub const CHECK: Definition = Definition {
    id: "dose_match",
    title: "Electrons counted over stated",
    unit: "ratio",
    sense: Sense::Outside,
    values,
    sentence,
};

fn values(case: &Case<'_>) -> Values {
    let counts = &case.measures.counts;
    let why = counts.dose_match_why_not.clone().unwrap_or_default();
    Values::Series(counts.dose_match.ok_or_else(|| NotMeasured::because(why)))
}

fn sentence(_: &Case<'_>, found: &Outcome<'_>) -> String {
    if found.grade == crate::record::Grade::Pass {
        return format!("{:.2} of the stated electrons were counted", found.value);
    }
    format!(
        "{:.2} times the stated electrons were counted (limit {}): check the unit of the dose, counts_per_electron \
         and pixel size",
        found.value,
        limit(found, 2)
    )
}
