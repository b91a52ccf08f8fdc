//! Was an angle recorded twice without being meant to?

use super::{Case, Definition, Outcome, Values};
use crate::record::Sense;

/// The check.
pub const CHECK: Definition = Definition {
    id: "repeated_angle",
    title: "Angles repeated unintended",
    unit: "repeats",
    sense: Sense::Above,
    values,
    sentence,
};

fn values(case: &Case<'_>) -> Values {
    Values::Series(Ok(unintended(case).len() as f64))
}

/// Angles of the later of two tilts that lie closer than a share of the step. Where the two were recorded far
/// apart in time at the same angle (a control at the end, the start of the second branch), or the sheet names the
/// angle, the repeat is meant.
fn unintended(case: &Case<'_>) -> Vec<f64> {
    const SAME_DEG: f64 = 0.1;
    let Some(step) = case.yardsticks.step_deg else { return Vec::new() };
    let near = case.limits.closer_than_steps.unwrap_or(0.0) * step;
    let far_in_time = case.limits.control_after_share.unwrap_or(1.0) * case.tilts.len() as f64;
    let pairs = case.tilts.windows(2).filter(|pair| pair[1].tilt_deg - pair[0].tilt_deg < near);
    pairs
        .filter(|pair| {
            let same = pair[1].tilt_deg - pair[0].tilt_deg <= SAME_DEG;
            let control = same && pair[0].order.abs_diff(pair[1].order) as f64 > far_in_time;
            let stated = case.series.repeats_deg.iter().any(|deg| (deg - pair[0].tilt_deg).abs() <= near.max(SAME_DEG));
            !control && !stated
        })
        .map(|pair| pair[1].tilt_deg)
        .collect()
}

fn sentence(case: &Case<'_>, found: &Outcome<'_>) -> String {
    if found.grade == crate::record::Grade::Pass {
        return "no angle was recorded twice unintended".into();
    }
    let angles: Vec<String> = unintended(case).iter().map(|deg| format!("{deg:+.1}°")).collect();
    format!(
        "recorded twice within {} of a step: {}; leave the worse one out (or name the angle in tilt.repeats_deg if it \
         was meant)",
        case.limits.closer_than_steps.unwrap_or(0.0),
        angles.join(", ")
    )
}
