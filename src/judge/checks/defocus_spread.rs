//! How evenly was the series focused?

use super::words::limit;
use super::{Case, Definition, Outcome, Values};
use crate::measured::NotMeasured;
use crate::record::Sense;

/// The check.
pub const CHECK: Definition = Definition {
    id: "defocus_spread",
    title: "Scatter of the underfocus",
    unit: "µm, robust sd",
    sense: Sense::Above,
    values,
    sentence,
};

fn values(case: &Case<'_>) -> Values {
    let focus = &case.measures.focus;
    let why = focus.why_not.clone().unwrap_or_else(|| "fewer than five tilts have a focus".into());
    Values::Series(focus.spread_um.ok_or_else(|| NotMeasured::because(why)))
}

fn sentence(case: &Case<'_>, found: &Outcome<'_>) -> String {
    let sds = case.limits.significant_sds.unwrap_or(0.0);
    let tilts = case.measures.focus.tilts_measured;
    if found.grade == crate::record::Grade::Pass {
        return format!("the underfocus of {tilts} tilts scatters by {:.2} µm", found.value);
    }
    let age = match case.measures.focus.drift_since_autofocus_um_per_min {
        Some(slope) if slope.abs() > sds * case.measures.focus.drift_error_um_per_min.unwrap_or(f64::INFINITY) => {
            format!(", drifting by {slope:+.3} µm a minute after autofocus")
        }
        _ => String::new(),
    };
    format!(
        "the underfocus of {tilts} tilts scatters by {:.2} µm (limit {}){age}: run autofocus more often",
        found.value,
        limit(found, 2)
    )
}
