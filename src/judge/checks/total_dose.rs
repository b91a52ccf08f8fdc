//! What did one spot of the specimen get in all?

use super::words::limit;
use super::{Case, Definition, Outcome, Values};
use crate::measured::NotMeasured;
use crate::record::Sense;

/// The check.
pub const CHECK: Definition =
    Definition {
        id: "total_dose", title: "Dose of the series", unit: "e/Å²", sense: Sense::Outside, values, sentence
    };

fn values(case: &Case<'_>) -> Values {
    let dose = &case.measures.dose;
    let why = dose.why_not.clone().unwrap_or_else(|| "the dose is not stated".into());
    let total = dose.total_e_per_A2.map(|total| total + dose.overhead_e_per_A2.unwrap_or(0.0));
    Values::Series(total.ok_or_else(|| NotMeasured::because(why)))
}

fn sentence(case: &Case<'_>, found: &Outcome<'_>) -> String {
    let bound = if case.measures.dose.total_is_lower_bound { "at least " } else { "" };
    let total = format!("each spot got {bound}{:.0} e/Å² in the series", found.value);
    if found.grade == crate::record::Grade::Pass {
        return total;
    }
    format!("{total} (limit {}): change the exposure of each tilt accordingly", limit(found, 0))
}
