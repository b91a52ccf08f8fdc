//! Does underfocus run over tilted pictures as the stated angles and axis say?

use super::{Case, Definition, Outcome, Values};
use crate::measured::{Measured, NotMeasured};
use crate::record::{Limit, Sense};

/// The check.
pub const CHECK: Definition = Definition {
    id: "tilt_geometry",
    title: "Sign of the angles and direction of the axis",
    unit: "fitted over expected slope",
    sense: Sense::Outside,
    values,
    sentence,
};

fn values(case: &Case<'_>) -> Values {
    let focus = &case.measures.focus;
    let why = focus.gradient_why_not.clone().unwrap_or_default();
    let known = focus.gradient_ratio.zip(focus.gradient_error).ok_or_else(|| NotMeasured::because(why));
    let caution = case.limits.caution.and_then(|limit| limit.evaluate(&case.yardsticks));
    let sds = case.limits.significant_sds.unwrap_or(0.0);
    Values::Series(known.and_then(|(ratio, error)| telling(ratio, error, caution, sds)))
}

/// The ratio, where it differs from 1 by more than noise, or surely lies within the limits.
fn telling(ratio: f64, error: f64, caution: Option<Limit>, sds: f64) -> Measured<f64> {
    let surely_within = match caution {
        Some(Limit::Between([low, high])) => ratio - sds * error >= low && ratio + sds * error <= high,
        _ => false,
    };
    if (ratio - 1.0).abs() < sds * error && !surely_within {
        let why = format!("the slope of underfocus over the picture is known to ±{error:.2} of the expected one only");
        return Err(NotMeasured::because(why));
    }
    Ok(ratio)
}

fn sentence(case: &Case<'_>, found: &Outcome<'_>) -> String {
    let ratio = found.value;
    if found.grade == crate::record::Grade::Pass {
        return format!("underfocus runs over tilted pictures as the angles and the axis say ({ratio:.2} of it)");
    }
    let surely = case.limits.significant_sds.unwrap_or(0.0) * case.measures.focus.gradient_error.unwrap_or(0.0);
    if ratio < -surely {
        return format!(
            "underfocus runs the other way over tilted pictures ({ratio:.2} of what is expected): the sign of the \
             angles is wrong, or tilt.axis_deg by 180°"
        );
    }
    format!(
        "underfocus does not run over tilted pictures as stated ({ratio:.2} of what is expected): check tilt.axis_deg, \
         the angles and the pixel size"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slope_counts_only_where_it_is_known() {
        let limits = Some(Limit::Between([0.7, 1.3]));
        assert_eq!(telling(-1.02, 0.2, limits, 3.0), Ok(-1.02));
        assert_eq!(telling(0.97, 0.05, limits, 3.0), Ok(0.97));
        assert!(telling(0.6, 0.2, limits, 3.0).is_err());
    }
}
