//! Did a tilt lose its fine detail against its neighbours in angle?

use super::words::{angles, limit};
use super::{Case, Definition, Outcome, Values};
use crate::measured::NotMeasured;
use crate::record::Sense;
use crate::record::Tilt;

/// The check.
pub const CHECK: Definition = Definition {
    id: "sharpness_drop",
    title: "Sharpness against the neighbours",
    unit: "relative amplitude",
    sense: Sense::Below,
    values,
    sentence,
};

fn values(case: &Case<'_>) -> Values {
    let relative = |tilt: &Tilt| {
        let why = tilt.sharpness.why_not.clone().unwrap_or_else(|| "there is no run to compare with".into());
        tilt.sharpness.relative.ok_or_else(|| NotMeasured::because(why))
    };
    Values::Tilts(case.tilts.iter().map(relative).collect())
}

fn sentence(case: &Case<'_>, found: &Outcome<'_>) -> String {
    if found.tilts_deg.is_empty() {
        // Without signal above the noise at any tilt, a series that is bad throughout looks even to itself.
        let anchored = case.measures.detail.measured;
        let against = if anchored { "" } else { " (it passes against itself only)" };
        return format!("the weakest tilt keeps {:.2} of the fine amplitude expected of it{against}", found.value);
    }
    format!(
        "{} less fine detail than the neighbours, down to {:.2} of the amplitude (limit {}): wait longer after the \
         tilt, and check focus there",
        angles(found.tilts_deg, "has", "have"),
        found.value,
        limit(found, 2)
    )
}
