//! Does a tilt lack tiles of the montage?

use super::words::angles;
use super::{Case, Definition, Outcome, Values};
use crate::record::Sense;
use crate::record::Tilt;

/// The check.
pub const CHECK: Definition =
    Definition { id: "incomplete_tilt", title: "Tiles missing", unit: "tiles", sense: Sense::Above, values, sentence };

fn values(case: &Case<'_>) -> Values {
    let tiles = case.series.montage_cols * case.series.montage_rows;
    let missing = |tilt: &Tilt| Ok(tiles.saturating_sub(tilt.sections.len()) as f64);
    Values::Tilts(case.tilts.iter().map(missing).collect())
}

fn sentence(_: &Case<'_>, found: &Outcome<'_>) -> String {
    if found.tilts_deg.is_empty() {
        return "every tilt has all its tiles".into();
    }
    format!(
        "{} tiles, up to {:.0}: complete them if the specimen is still in",
        angles(found.tilts_deg, "lacks", "lack"),
        found.value
    )
}
