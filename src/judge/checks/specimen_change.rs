//! Has the specimen changed its size from the first recording of an angle to its repeat, or by the magnifications of the tilts
//! from the first to the last?

use super::words::limit;
use super::{Case, Definition, Outcome, Values};
use crate::measured::{Measured, NotMeasured};
use crate::record::{Grade, Limit, Sense, SpecimenChange};

/// The check.
pub const CHECK: Definition = Definition {
    id: "specimen_change",
    title: "Change of size while it was recorded",
    unit: "% in the plane",
    sense: Sense::Above,
    values,
    sentence,
};

fn values(case: &Case<'_>) -> Values {
    let change = &case.measures.specimen_change;
    let why = change.why_not.clone().unwrap_or_else(|| "no angle was recorded twice".into());
    let known = change.in_plane_percent.zip(change.in_plane_error_percent).ok_or_else(|| NotMeasured::because(why));
    let caution = case.limits.caution.and_then(|limit| limit.evaluate(&case.yardsticks));
    let sds = case.limits.significant_sds.unwrap_or(0.0);
    Values::Series(known.and_then(|(percent, error)| telling(percent.abs(), error, caution, sds)))
}

/// The size of the change, where it is more than noise or surely within the limit.
fn telling(percent: f64, error: f64, caution: Option<Limit>, sds: f64) -> Measured<f64> {
    let surely_within = matches!(caution, Some(Limit::One(limit)) if percent + sds * error <= limit);
    if percent < sds * error && !surely_within {
        return Err(NotMeasured::because(format!("the change of size is known to ±{error:.2} % only")));
    }
    Ok(percent)
}

fn sentence(case: &Case<'_>, found: &Outcome<'_>) -> String {
    let change = &case.measures.specimen_change;
    let size = sizes(change);
    let from = if change.by_magnification {
        "by the magnifications of the tilts, from the first recorded to the last,".into()
    } else {
        format!("from the first recording of {:+.1}° to its repeat", change.tilt_deg.unwrap_or(0.0))
    };
    if found.grade == Grade::Pass {
        return format!("{from} {size}");
    }
    let edge_px = 0.01 * found.value * 0.5 * case.series.assembled_width_px.max(case.series.assembled_height_px) as f64;
    let remedy = if case.series.specimen == crate::record::Specimen::Vitrified {
        "give the series less dose, or record the tilts that matter most first"
    } else {
        "pre-expose longer, so that the section has shrunk before the first tilt"
    };
    let or_lens = if change.by_magnification { " (or see whether the magnification drifts)" } else { "" };
    format!("{from} {size} (limit {} %), which is {edge_px:.1} px at the edge: {remedy}{or_lens}", limit(found, 1))
}

/// `it shrank by 1.20 ± 0.03 % across the axis and …`.
fn sizes(change: &SpecimenChange) -> String {
    let told = |percent: Option<f64>, error: Option<f64>, way: &str| {
        let (percent, error) = (percent?, error.unwrap_or(0.0));
        let verb = if percent < 0.0 { "shrank" } else { "grew" };
        Some(format!("{verb} by {:.2} ± {error:.2} % {way}", percent.abs()))
    };
    let across = told(change.across_percent, change.across_error_percent, "across the axis");
    let along = told(change.along_percent, change.along_error_percent, "along it");
    match across.zip(along) {
        Some((across, along)) => format!("the specimen {across} and {along}"),
        None => {
            let way = if change.by_magnification { "alike in all directions" } else { "along x or y of the picture" };
            let larger = told(change.in_plane_percent, change.in_plane_error_percent, way);
            format!("the specimen {}", larger.unwrap_or_else(|| "changed".into()))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_change_counts_only_where_it_is_known() {
        let caution = Some(Limit::One(1.0));
        assert_eq!(telling(1.6, 0.1, caution, 4.0), Ok(1.6));
        assert_eq!(telling(0.02, 0.05, caution, 4.0), Ok(0.02));
        assert!(telling(1.2, 0.4, caution, 4.0).is_err());
        assert!(telling(0.3, 0.4, caution, 4.0).is_err());
    }
}
