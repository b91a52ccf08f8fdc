//! To what spacing do single tilts carry signal? A series that is bad throughout looks even to itself; this is its anchor.

use super::words::limit;
use super::{Case, Definition, Outcome, Values};
use crate::measured::NotMeasured;
use crate::record::Sense;

/// The check.
pub const CHECK: Definition = Definition {
    id: "detail_limit",
    title: "Finest detail of a tilt",
    unit: "nm",
    sense: Sense::Above,
    values,
    sentence,
};

fn values(case: &Case<'_>) -> Values {
    let mut spacings: Vec<f64> = case.tilts.iter().filter_map(|tilt| tilt.sharpness.signal_to_nm).collect();
    if 2 * spacings.len() <= case.tilts.len() {
        let why = if case.series.pixel_nm.is_none() {
            "the pixel size is not stated"
        } else {
            "most tilts show no signal above the counting noise"
        };
        return Values::Series(Err(NotMeasured::because(why)));
    }
    spacings.sort_by(f64::total_cmp);
    Values::Series(Ok(spacings[spacings.len() / 2]))
}

fn sentence(_: &Case<'_>, found: &Outcome<'_>) -> String {
    let reach = format!("half of the tilts carry signal to {:.1} nm or finer", found.value);
    if found.grade == crate::record::Grade::Pass {
        return reach;
    }
    format!(
        "{reach} (limit {}), so that even figures of sharpness prove little: look for blur, drift or focus that was off at \
         every tilt, or for too few electrons",
        limit(found, 1)
    )
}
