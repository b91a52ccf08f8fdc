//! How far does the optical axis lie from the tilt axis?

use super::words::{self, limit};
use super::{Case, Definition, Outcome, Values};
use crate::measured::NotMeasured;
use crate::record::Sense;

/// The check.
pub const CHECK: Definition = Definition {
    id: "axis_offset",
    title: "Optical axis off the tilt axis",
    unit: "µm",
    sense: Sense::Above,
    values,
    sentence,
};

fn values(case: &Case<'_>) -> Values {
    let geometry = case.measures.geometry.as_ref();
    let why = geometry.and_then(|g| g.why_not.clone()).unwrap_or_else(|| "the tilts could not be followed".into());
    let offset = geometry.and_then(|g| g.axis_offset_um).map(f64::abs);
    Values::Series(offset.ok_or_else(|| NotMeasured::because(why)))
}

fn sentence(case: &Case<'_>, found: &Outcome<'_>) -> String {
    let geometry = case.measures.geometry.as_ref();
    let error = words::plus_minus(geometry.and_then(|g| g.axis_offset_error_um));
    let signed = geometry.and_then(|g| g.axis_offset_um).unwrap_or(found.value);
    let note = geometry.and_then(|g| g.axis_note.clone()).map(|note| format!("; {note}")).unwrap_or_default();
    let says = geometry.and_then(|g| g.error_note.clone()).map(|note| format!("; ± is {note}")).unwrap_or_default();
    let offset = format!("the optical axis lies {signed:+.2} µm{error} from the tilt axis, across it{note}{says}");
    if found.grade == crate::record::Grade::Pass {
        return offset;
    }
    format!("{offset} (limit {}): align the tilt axis and redo the fine height", limit(found, 1))
}
