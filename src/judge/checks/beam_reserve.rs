//! How much brighter was the set-up beam at zero tilt than the tilts need? High tilts need the reserve.

use super::words::limit;
use super::{Case, Definition, Outcome, Values};
use crate::measured::NotMeasured;
use crate::record::Sense;

/// The check.
pub const CHECK: Definition = Definition {
    id: "beam_reserve",
    title: "Beam reserve at zero tilt",
    unit: "counts over target",
    sense: Sense::Below,
    values,
    sentence,
};

fn values(case: &Case<'_>) -> Values {
    let counts = &case.measures.counts;
    let why = counts.beam_reserve_why_not.clone().unwrap_or_default();
    Values::Series(counts.beam_reserve.ok_or_else(|| NotMeasured::because(why)))
}

fn sentence(_: &Case<'_>, found: &Outcome<'_>) -> String {
    if found.grade == crate::record::Grade::Pass {
        return format!("the set-up beam gave {:.2} times the target at zero tilt", found.value);
    }
    format!(
        "the set-up beam gave {:.2} times the target at zero tilt (limit {}): set it up brighter, so that high tilts \
         reach the target",
        found.value,
        limit(found, 2)
    )
}
