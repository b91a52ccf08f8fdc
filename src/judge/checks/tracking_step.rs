//! Did the field jump?

use super::words::{angles, limit, percent};
use super::{Case, Definition, Outcome, Values};
use crate::measured::NotMeasured;
use crate::record::Sense;
use crate::record::{SeriesFacts, Tilt};

/// Its id.
pub const ID: &str = "tracking_step";

/// The check.
pub const CHECK: Definition = Definition {
    id: ID,
    title: "Jumps of the field",
    unit: "share of the shorter side",
    sense: Sense::Above,
    values,
    sentence,
};

/// Where the field stays where a jump led, the tilts beyond are displaced as much as the first: without that one they still
/// are.
pub fn leaving_out_cures(tilt: &Tilt) -> bool {
    tilt.tracking.as_ref().and_then(|tracking| tracking.step_stays) != Some(true)
}

fn side_px(case: &Case<'_>) -> f64 {
    case.series.width_px.min(case.series.height_px).max(1) as f64
}

/// Robust standard deviation of a component of the steps over the shorter side: the median length of a vector of two
/// normal components is 1.177 of theirs.
pub(super) fn scatter(series: &SeriesFacts, tilts: &[Tilt]) -> Option<f64> {
    let mut steps: Vec<f64> = tilts.iter().filter_map(|tilt| tilt.tracking.as_ref()?.step_px).collect();
    steps.sort_by(f64::total_cmp);
    let median = steps.get(steps.len() / 2).copied().filter(|_| steps.len() >= 5)?;
    Some(median / 1.177 / series.width_px.min(series.height_px).max(1) as f64)
}

fn values(case: &Case<'_>) -> Values {
    let caution = case.limits.caution.and_then(|limit| limit.number(&case.yardsticks));
    let sds = case.limits.significant_sds.unwrap_or(0.0);
    let step = |tilt: &Tilt| {
        let tracking = tilt.tracking.as_ref();
        let why = tracking.and_then(|t| t.why_not.clone()).unwrap_or_else(|| "there is no run to compare with".into());
        let step = tracking.and_then(|t| t.step_px).ok_or_else(|| NotMeasured::because(why))?;
        let share = step / side_px(case);
        // A step beyond the limit must be more than its tilt's place is unsure.
        let unsure = tracking.and_then(|t| t.step_error_px).map(|error| sds * error / side_px(case));
        match unsure.filter(|&unsure| share < unsure && caution.is_some_and(|caution| share > caution)) {
            Some(unsure) => {
                let px = unsure * side_px(case);
                Err(NotMeasured::because(format!("its place against its neighbours' is known to ±{px:.0} px only")))
            }
            None => Ok(share),
        }
    };
    Values::Tilts(case.tilts.iter().map(step).collect())
}

fn sentence(case: &Case<'_>, found: &Outcome<'_>) -> String {
    let px = found.value * side_px(case);
    if found.tilts_deg.is_empty() {
        let stage = case.tilts.iter().filter_map(|tilt| Some((tilt.tracking.as_ref()?.stage_step_px?, tilt.tilt_deg)));
        let share = case.limits.caution.and_then(|limit| limit.number(&case.yardsticks)).unwrap_or(f64::INFINITY);
        let jumped = stage.filter(|(step, _)| *step > share * side_px(case)).max_by(|a, b| a.0.total_cmp(&b.0));
        let made_good = jumped
            .map(|(step, deg)| format!("; the stage moved {step:.0} px at {deg:+.1}°, which image shift made good"));
        return format!("the field never jumps by more than {px:.1} px{}", made_good.unwrap_or_default());
    }
    format!(
        "{} off the run of the neighbours, by up to {px:.0} px, {} of the shorter side (limit {}): track again after a \
         jump, and let the stage settle",
        angles(found.tilts_deg, "is", "are"),
        percent(found.value),
        limit(found, 2)
    )
}
