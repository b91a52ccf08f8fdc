//! Is a tilt off the smooth run of its neighbours in angle? Counts per stated exposure where that is known.

use super::words::{angles, limit, percent};
use super::{Case, Definition, Outcome, Values};
use crate::measured::NotMeasured;
use crate::record::Sense;
use crate::record::Tilt;

/// The check.
pub const CHECK: Definition = Definition {
    id: "count_outlier",
    title: "Counts off their run",
    unit: "relative",
    sense: Sense::Above,
    values,
    sentence,
};

fn values(case: &Case<'_>) -> Values {
    let off = |tilt: &Tilt| {
        let over = tilt.counts.mean_over_run.filter(|_| case.measures.counts.run_scatter_fraction.is_some());
        over.map(|over| (over - 1.0).abs()).ok_or_else(|| NotMeasured::because("there are too few tilts for a run"))
    };
    Values::Tilts(case.tilts.iter().map(off).collect())
}

fn sentence(_: &Case<'_>, found: &Outcome<'_>) -> String {
    if found.tilts_deg.is_empty() {
        return "counts follow a smooth run over the angle".into();
    }
    format!(
        "{} off the run of the neighbours, by up to {} (limit {}): look for a shadow, a failed exposure or a beam that moved",
        angles(found.tilts_deg, "is", "are"),
        percent(found.value),
        limit(found, 2)
    )
}
