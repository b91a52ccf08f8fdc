//! Are neighbouring tiles as bright as each other where they overlap?

use super::words::{angles, limit, percent};
use super::{Case, Definition, Outcome, Values};
use crate::measured::NotMeasured;
use crate::record::Sense;
use crate::record::Tilt;

/// The check.
pub const CHECK: Definition = Definition {
    id: "seam_intensity",
    title: "Brightness across the seams",
    unit: "share",
    sense: Sense::Above,
    values,
    sentence,
};

fn values(case: &Case<'_>) -> Values {
    let tilt = |tilt: &Tilt| {
        let seams = tilt.seams.as_deref().ok_or_else(|| NotMeasured::because("the series is no montage"))?;
        let off = seams.iter().filter_map(|seam| seam.intensity_ratio).map(|ratio| (ratio - 1.0).abs());
        let why = || seams.iter().find_map(|seam| seam.why_not.clone()).unwrap_or_else(|| "it has no seam".into());
        off.reduce(f64::max).ok_or_else(|| NotMeasured::because(format!("of a seam, {}", why())))
    };
    Values::Tilts(case.tilts.iter().map(tilt).collect())
}

fn sentence(_: &Case<'_>, found: &Outcome<'_>) -> String {
    if found.tilts_deg.is_empty() {
        return format!("overlapping tiles agree in brightness to {}", percent(found.value));
    }
    format!(
        "{} neighbouring tiles that differ in brightness by up to {} where they overlap (limit {}): widen the beam, and \
         check the dark and gain references",
        angles(found.tilts_deg, "has", "have"),
        percent(found.value),
        limit(found, 2)
    )
}
