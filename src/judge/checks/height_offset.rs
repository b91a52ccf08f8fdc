//! How far is the specimen off eucentric height?

use super::words::{self, limit};
use super::{Case, Definition, Outcome, Values};
use crate::measured::NotMeasured;
use crate::record::Sense;

/// The check.
pub const CHECK: Definition = Definition {
    id: "height_offset",
    title: "Height off eucentric",
    unit: "µm",
    sense: Sense::Above,
    values,
    sentence,
};

fn values(case: &Case<'_>) -> Values {
    let geometry = case.measures.geometry.as_ref();
    let why = geometry.and_then(|g| g.why_not.clone()).unwrap_or_else(|| "the tilts could not be followed".into());
    let offset = geometry.and_then(|g| g.height_offset_um).map(f64::abs);
    Values::Series(offset.ok_or_else(|| NotMeasured::because(why)))
}

fn sentence(case: &Case<'_>, found: &Outcome<'_>) -> String {
    let geometry = case.measures.geometry.as_ref();
    let error = words::plus_minus(geometry.and_then(|g| g.height_offset_error_um));
    let signed = geometry.and_then(|g| g.height_offset_um).unwrap_or(found.value);
    let height = format!("the specimen lies {signed:+.2} µm{error} from eucentric height");
    if found.grade == crate::record::Grade::Pass {
        return height;
    }
    format!("{height} (limit {}): set eucentric height more finely", limit(found, 1))
}
