//! Does a tile lie off its place: off the same seam's run over the tilts, or off nominal in all of them?

use super::words::{angles, limit, percent};
use super::{Case, Definition, Outcome, Values};
use crate::measured::NotMeasured;
use crate::record::Sense;
use crate::record::{Seam, Tilt};

/// The check.
pub const CHECK: Definition = Definition {
    id: "seam_offset",
    title: "Tiles off their place",
    unit: "share of the overlap",
    sense: Sense::Above,
    values,
    sentence,
};

fn values(case: &Case<'_>) -> Values {
    let tilt = |tilt: &Tilt| {
        let seams = tilt.seams.as_deref().ok_or_else(|| NotMeasured::because("the series is no montage"))?;
        let worst = seams.iter().filter_map(|seam| share(case, seam)).reduce(f64::max);
        let why = || seams.iter().find_map(|seam| seam.why_not.clone()).unwrap_or_else(|| "it has no seam".into());
        worst.ok_or_else(|| NotMeasured::because(format!("of a seam, {}", why())))
    };
    Values::Tilts(case.tilts.iter().map(tilt).collect())
}

/// How far a seam lies off its run, or its run off nominal, over the overlap.
fn share(case: &Case<'_>, seam: &Seam) -> Option<f64> {
    let (x, y) = (seam.offset_x_px?, seam.offset_y_px?);
    let run = usual(case, seam)?;
    let off_run = (x - run[0]).hypot(y - run[1]);
    let off_nominal = run[0].hypot(run[1]);
    (seam.overlap_px > 0.0).then(|| off_run.max(off_nominal) / seam.overlap_px)
}

/// Median offset of the same seam over the tilts.
fn usual(case: &Case<'_>, seam: &Seam) -> Option<[f64; 2]> {
    let same = || case.tilts.iter().filter_map(|tilt| tilt.seams.as_ref()).flatten();
    let same = || same().filter(|other| other.from == seam.from && other.to == seam.to);
    let median = |of: fn(&Seam) -> Option<f64>| {
        let mut values: Vec<f64> = same().filter_map(of).collect();
        values.sort_by(f64::total_cmp);
        values.get(values.len() / 2).copied()
    };
    Some([median(|s| s.offset_x_px)?, median(|s| s.offset_y_px)?])
}

fn sentence(case: &Case<'_>, found: &Outcome<'_>) -> String {
    if found.tilts_deg.is_empty() {
        return format!("no tile lies off its place by more than {} of the overlap", percent(found.value));
    }
    let all = found.tilts_deg.len() * 2 > case.tilts.len();
    let remedy = if all {
        "calibrate the image shift or stage moves between tiles"
    } else {
        "let the stage settle between tiles, and check the overlap there"
    };
    format!(
        "{} tiles off their place by up to {} of the overlap (limit {}): {remedy}",
        angles(found.tilts_deg, "has", "have"),
        percent(found.value),
        limit(found, 2)
    )
}
