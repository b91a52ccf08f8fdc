//! Does underfocus run over tilted pictures as the stated angles and axis say?

use super::{Case, Definition, Outcome, Values};
use crate::measured::{Measured, NotMeasured};
use crate::record::Sense;

/// A deviation must be this many standard uncertainties.
const SIGNIFICANT: f64 = 3.0;
/// A gradient that agrees with the stated one says so only if it is known this well.
const KNOWN: f64 = 0.1;

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
    Values::Series(known.and_then(|(ratio, error)| telling(ratio, error)))
}

fn telling(ratio: f64, error: f64) -> Measured<f64> {
    if (ratio - 1.0).abs() < SIGNIFICANT * error && error > KNOWN {
        let why = format!("the slope of underfocus over the picture is known to ±{error:.2} of the expected one only");
        return Err(NotMeasured::because(why));
    }
    Ok(ratio)
}

fn sentence(_: &Case<'_>, found: &Outcome<'_>) -> String {
    let ratio = found.value;
    if found.grade == crate::record::Grade::Pass {
        return format!("underfocus runs over tilted pictures as the angles and the axis say ({ratio:.2} of it)");
    }
    if ratio < -0.5 {
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
        assert_eq!(telling(-1.02, 0.2), Ok(-1.02));
        assert_eq!(telling(0.97, 0.05), Ok(0.97));
        assert!(telling(0.6, 0.2).is_err());
    }
}
