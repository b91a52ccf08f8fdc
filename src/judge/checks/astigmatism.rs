//! Is the objective lens round? Astigmatism turns rings into ellipses, and blurs what lies between them.

use super::words::{angles, limit};
use super::{Case, Definition, Outcome, Values};
use crate::measured::{Measured, NotMeasured};
use crate::record::{Focus, Sense, Tilt};

/// The check.
pub const CHECK: Definition =
    Definition { id: "astigmatism", title: "Astigmatism", unit: "µm", sense: Sense::Above, values, sentence };

/// A figure of a tilt's focus, or why there is none.
pub fn measured(tilt: &Tilt, figure: impl Fn(&Focus) -> Option<f64>) -> Measured<f64> {
    let weak = |focus: &Focus| focus.measured.then(|| "the rings are too weak to show it".to_owned());
    let why = || tilt.focus.as_ref().and_then(|focus| focus.why_not.clone().or_else(|| weak(focus)));
    let value = tilt.focus.as_ref().and_then(figure);
    value.ok_or_else(|| NotMeasured::because(why().unwrap_or_else(|| "the tilt has no focus".into())))
}

fn values(case: &Case<'_>) -> Values {
    let caution = case.limits.caution.and_then(|limit| limit.number(&case.yardsticks));
    let sds = case.limits.significant_sds.unwrap_or(0.0);
    Values::Tilts(case.tilts.iter().map(|tilt| known(tilt, caution, sds)).collect())
}

/// Astigmatism of a tilt, where it is no noise or where even its noise lies under the limit.
fn known(tilt: &Tilt, caution: Option<f64>, sds: f64) -> Measured<f64> {
    let value = measured(tilt, |focus| focus.astigmatism_um)?;
    let error = measured(tilt, |focus| focus.astigmatism_error_um)?;
    let surely_small = caution.is_some_and(|caution| value + sds * error <= caution);
    if value < sds * error && !surely_small {
        return Err(NotMeasured::because(format!("the rings give astigmatism to ±{error:.2} µm only")));
    }
    Ok(value)
}

fn sentence(case: &Case<'_>, found: &Outcome<'_>) -> String {
    if found.tilts_deg.is_empty() {
        return format!("no tilt has more than {:.2} µm of astigmatism", found.value);
    }
    let worst = case.tilts.iter().find(|tilt| Some(tilt.tilt_deg) == found.worst_deg);
    let along = worst.and_then(|tilt| tilt.focus.as_ref()?.astigmatism_deg);
    let along = along.map_or(String::new(), |deg| format!(" (underfocus is largest along {deg:.0}°)"));
    format!(
        "{} astigmatic by up to {:.2} µm{along}, limit {}: correct the stigmator before the series",
        angles(found.tilts_deg, "is", "are"),
        found.value,
        limit(found, 2)
    )
}
