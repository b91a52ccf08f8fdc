//! Was a tilt that follows a reversal of the stage blurred, misplaced or out of tracking? Backlash shows there first.

use super::words::angles;
use super::{Case, Definition, Outcome, Values};
use crate::measured::NotMeasured;
use crate::record::Sense;
use crate::record::Tilt;

/// The check.
pub const CHECK: Definition = Definition {
    id: "first_after_reversal",
    title: "First tilt after the stage turned round",
    unit: "jump over the usual",
    sense: Sense::Above,
    values,
    sentence,
};

fn values(case: &Case<'_>) -> Values {
    if case.measures.coverage.order_source == "assumed" {
        return all(case, "the order of acquisition is not known");
    }
    let mut in_time: Vec<usize> = (0..case.tilts.len()).collect();
    in_time.sort_by_key(|&at| case.tilts[at].order);
    let turned: Vec<usize> = in_time.windows(3).filter(|w| turns(case, w)).map(|w| w[2]).collect();
    if turned.is_empty() {
        return all(case, "the stage never turned round");
    }
    // Where it turns before every tilt, none is special.
    if 2 * turned.len() > case.tilts.len() {
        return all(case, "the stage turned round before most tilts");
    }
    let mut others: Vec<f64> =
        (0..case.tilts.len()).filter(|at| !turned.contains(at)).filter_map(|at| jump(&case.tilts[at])).collect();
    others.sort_by(f64::total_cmp);
    let side = case.series.width_px.min(case.series.height_px) as f64;
    // Where the usual steps are tiny, a step must still be one to speak of.
    let least = case.limits.least_share.unwrap_or(0.0) * side;
    let usual = others.get(others.len() / 2).copied().unwrap_or(0.0).max(least);
    let value = |at: usize| {
        if !turned.contains(&at) {
            return Err(NotMeasured::because("it does not follow a reversal"));
        }
        let why = "the tilt could not be followed";
        jump(&case.tilts[at]).map(|jump| jump / usual).ok_or_else(|| NotMeasured::because(why))
    };
    Values::Tilts((0..case.tilts.len()).map(value).collect())
}

fn all(case: &Case<'_>, why: &str) -> Values {
    Values::Tilts(case.tilts.iter().map(|_| Err(NotMeasured::because(why))).collect())
}

/// Whether the last of three tilts in time was reached against the direction in which the second was.
fn turns(case: &Case<'_>, three: &[usize]) -> bool {
    let deg = |at: usize| case.tilts[at].tilt_deg;
    (deg(three[1]) - deg(three[0])) * (deg(three[2]) - deg(three[1])) < 0.0
}

/// The stage's own step where image shift is recorded, else the picture's.
fn jump(tilt: &Tilt) -> Option<f64> {
    let tracking = tilt.tracking.as_ref()?;
    tracking.stage_step_px.or(tracking.step_px)
}

fn sentence(_: &Case<'_>, found: &Outcome<'_>) -> String {
    if found.tilts_deg.is_empty() {
        return "the tilts after the stage turned round lie on the run of their neighbours".into();
    }
    format!(
        "{} after the stage turned round, and jumped by up to {:.0} times the usual: approach every angle from the same \
         side, or track twice after turning",
        angles(found.tilts_deg, "came first", "came first"),
        found.value
    )
}
