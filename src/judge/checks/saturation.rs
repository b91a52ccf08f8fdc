//! Did the camera clip bright pixels?

use super::words::angles;
use super::{Case, Definition, Outcome, Values};
use crate::measured::NotMeasured;
use crate::record::Sense;
use crate::record::Tilt;

/// The check.
pub const CHECK: Definition = Definition {
    id: "saturation",
    title: "Saturated pixels",
    unit: "share of pixels",
    sense: Sense::Above,
    values,
    sentence,
};

fn values(case: &Case<'_>) -> Values {
    let saturated = |tilt: &Tilt| {
        let why = "no full scale is stated for pixels of this type (camera.full_scale_counts)";
        tilt.counts.saturated_fraction.ok_or_else(|| NotMeasured::because(why))
    };
    Values::Tilts(case.tilts.iter().map(saturated).collect())
}

fn sentence(_: &Case<'_>, found: &Outcome<'_>) -> String {
    if found.value == 0.0 {
        return "no pixel is saturated".into();
    }
    if found.tilts_deg.is_empty() {
        return format!("at most {:.1e} of the pixels are saturated", found.value);
    }
    format!(
        "{} saturated pixels, up to {:.1e} of all (limit {}): lower the beam or the exposure there",
        angles(found.tilts_deg, "has", "have"),
        found.value,
        super::words::limit_exp(found)
    )
}
