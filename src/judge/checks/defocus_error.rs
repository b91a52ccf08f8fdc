//! Was the underfocus of each tilt the one asked for?

use super::words::{angles, limit};
use super::{Case, Definition, Outcome, Values};
use crate::measured::{Measured, NotMeasured};
use crate::record::{Sense, Tilt};

/// The check.
pub const CHECK: Definition = Definition {
    id: "defocus_error",
    title: "Underfocus against the wanted one",
    unit: "µm",
    sense: Sense::Above,
    values,
    sentence,
};

fn values(case: &Case<'_>) -> Values {
    let wanted = &case.measures.focus.wanted_um_by_tilt;
    let one = |(at, tilt): (usize, &Tilt)| -> Measured<f64> {
        let defocus = super::astigmatism::measured(tilt, |focus| focus.defocus_um)?;
        let wanted = wanted.get(at).copied().flatten().ok_or_else(|| {
            NotMeasured::because("no underfocus is asked for (targets.defocus_um, or the column wanted_defocus_um)")
        })?;
        Ok((defocus - wanted).abs())
    };
    Values::Tilts(case.tilts.iter().enumerate().map(one).collect())
}

fn sentence(case: &Case<'_>, found: &Outcome<'_>) -> String {
    if found.tilts_deg.is_empty() {
        return format!("the underfocus of every tilt lies within {:.2} µm of the one asked for", found.value);
    }
    let focus = &case.measures.focus;
    let failed: Vec<f64> = found.tilts_deg.iter().copied().filter(|deg| focus.off_run_deg.contains(deg)).collect();
    let jumps = if failed.is_empty() {
        String::new()
    } else {
        format!("; {} off the neighbours", angles(&failed, "is", "are"))
    };
    format!(
        "{} out of focus by up to {:.2} µm (limit {}){jumps}: check where focus is set, and repeat it before the tilts \
         named",
        angles(found.tilts_deg, "is", "are"),
        found.value,
        limit(found, 2)
    )
}
