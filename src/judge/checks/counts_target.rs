//! Do the tilts reach the counts that the operator set out to get? Counts above the target are no fault.

use super::words::{angles, limit};
use super::{Case, Definition, Outcome, Values};
use crate::measured::NotMeasured;
use crate::record::Sense;

/// The check.
pub const CHECK: Definition = Definition {
    id: "counts_target",
    title: "Counts against the target",
    unit: "mean over target",
    sense: Sense::Below,
    values,
    sentence,
};

fn values(case: &Case<'_>) -> Values {
    let ratio = |tilt: &crate::record::Tilt| {
        tilt.counts.ratio_to_target.ok_or_else(|| NotMeasured::because("no target is stated (targets.mean_counts)"))
    };
    Values::Tilts(case.tilts.iter().map(ratio).collect())
}

fn sentence(_: &Case<'_>, found: &Outcome<'_>) -> String {
    if found.tilts_deg.is_empty() {
        return format!("every tilt reaches at least {:.2} of the target", found.value);
    }
    format!(
        "{} under the target, the lowest at {:.2} of it (limit {}): brighten the beam or expose longer there",
        angles(found.tilts_deg, "stays", "stay"),
        found.value,
        limit(found, 2)
    )
}
