//! Was the specimen prepared by a pre-exposure, or spoilt by one?

use super::words::limit;
use super::{Case, Definition, Outcome, Values};
use crate::measured::NotMeasured;
use crate::record::Sense;

/// The check.
pub const CHECK: Definition = Definition {
    id: "pre_exposure",
    title: "Dose before the series",
    unit: "e/Å²",
    sense: Sense::Below,
    values,
    sentence,
};

fn values(case: &Case<'_>) -> Values {
    let stated = case.measures.dose.pre_exposure_e_per_A2;
    let why = "it is not stated (dose.pre_exposure_e_per_A2)";
    Values::Series(stated.ok_or_else(|| NotMeasured::because(why)))
}

fn sentence(case: &Case<'_>, found: &Outcome<'_>) -> String {
    if found.grade == crate::record::Grade::Pass {
        return format!("{:.0} e/Å² before the first tilt", found.value);
    }
    let remedy = if case.limits.sense == Some(Sense::Above) {
        "search and focus elsewhere, with a weaker beam"
    } else {
        "pre-expose longer, so that the section has shrunk and settled before the first tilt"
    };
    format!("{:.0} e/Å² before the first tilt (limit {}): {remedy}", found.value, limit(found, 0))
}
