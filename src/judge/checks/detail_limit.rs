//! To what spacing do the tilts carry signal? A series that is bad throughout looks even to itself; this is its anchor.

use super::words::limit;
use super::{Case, Definition, Outcome, Values};
use crate::measured::NotMeasured;
use crate::record::Sense;

/// The check.
pub const CHECK: Definition = Definition {
    id: "detail_limit",
    title: "Finest detail of the tilts",
    unit: "nm",
    sense: Sense::Above,
    values,
    sentence,
};

fn values(case: &Case<'_>) -> Values {
    let detail = &case.measures.detail;
    let Some(nm) = detail.signal_to_nm else {
        let why = detail.why_not.clone().unwrap_or_else(|| "it was not asked for when the series was assessed".into());
        return Values::Series(Err(NotMeasured::because(why)));
    };
    // Signal up to the end of the spectrum is nothing that a blur leaves, however coarse the pixels are.
    if detail.ends_with_the_pixels && nm > case.yardsticks.resolution_nm {
        let why = format!("signal reaches {nm:.1} nm, where the pixels end, coarser than the resolution aimed at");
        return Values::Series(Err(NotMeasured::because(why)));
    }
    Values::Series(Ok(nm))
}

fn sentence(_: &Case<'_>, found: &Outcome<'_>) -> String {
    let reach = format!("the tilts carry signal to {:.1} nm", found.value);
    if found.grade == crate::record::Grade::Pass {
        return reach;
    }
    format!(
        "{reach} (limit {}), so that even figures of sharpness prove little: look for blur, drift or focus that was off at \
         every tilt, or for too few electrons",
        limit(found, 1)
    )
}
