//! Could the pixels of all sections be read?

use super::words::{angles, percent};
use super::{Case, Definition, Outcome, Values};
use crate::record::Sense;
use crate::record::Tilt;

/// The check.
pub const CHECK: Definition = Definition {
    id: "unreadable_section",
    title: "Sections that cannot be read",
    unit: "share of a tilt's sections",
    sense: Sense::Above,
    values,
    sentence,
};

fn values(case: &Case<'_>) -> Values {
    let unreadable = |tilt: &Tilt| {
        let lost = tilt.tiles.iter().filter(|tile| tile.unreadable.is_some()).count();
        Ok(lost as f64 / tilt.tiles.len().max(1) as f64)
    };
    Values::Tilts(case.tilts.iter().map(unreadable).collect())
}

fn sentence(case: &Case<'_>, found: &Outcome<'_>) -> String {
    if found.tilts_deg.is_empty() {
        return "all sections were read".into();
    }
    let mut tiles = case.tilts.iter().flat_map(|tilt| &tilt.tiles);
    let first = tiles.find_map(|tile| tile.unreadable.clone()).unwrap_or_default();
    format!(
        "{} unreadable sections, up to {} of a tilt's; the first: {first}",
        angles(found.tilts_deg, "has", "have"),
        percent(found.value)
    )
}
