//! Did a tilt lose its fine detail against its neighbours in angle? Of a montage in which some tiles lost theirs, it keeps
//! the mean over its tiles.

use super::words::{angles, limit};
use super::{Case, Definition, Outcome, Values, tiles};
use crate::measured::NotMeasured;
use crate::record::{Limit, Sense, Tile, Tilt};

/// The check.
pub const CHECK: Definition = Definition {
    id: "sharpness_drop",
    title: "Sharpness against the neighbours",
    unit: "relative amplitude",
    sense: Sense::Below,
    values,
    sentence,
};

fn values(case: &Case<'_>) -> Values {
    let caution = case.limits.caution.and_then(|limit| limit.number(&case.yardsticks));
    let relative = |tilt: &Tilt| {
        let why = tilt.sharpness.why_not.clone().unwrap_or_else(|| "there is no run to compare with".into());
        let whole = tilt.sharpness.relative.ok_or_else(|| NotMeasured::because(why))?;
        let under = |kept: f64| caution.is_some_and(|caution| kept < caution);
        let of_tiles = tiles::mean_loss(tilt, lost).map(|loss| 1.0 - loss);
        // What lies under the limit must surely have lost something.
        match (tilt.sharpness.relative_at_most.filter(|&most| under(whole) && most >= 1.0), of_tiles) {
            (Some(_), Some(kept)) if under(kept) => Ok(kept),
            (Some(_), _) => {
                Err(NotMeasured::because("too little is known of its fine detail to tell a loss from chance"))
            }
            (None, of_tiles) => Ok(of_tiles.map_or(whole, |kept| kept.min(whole))),
        }
    };
    Values::Tilts(case.tilts.iter().map(relative).collect())
}

/// What a tile surely lost of its fine amplitude.
fn lost(tile: &Tile) -> Option<f64> {
    let sharpness = &tile.sharpness;
    sharpness.relative.filter(|_| sharpness.relative_at_most.is_some_and(|most| most < 1.0)).map(|left| 1.0 - left)
}

/// Loss from which on a tile by itself has failed.
fn plain(found: &Outcome<'_>) -> f64 {
    if let Some(Limit::One(fail)) = found.fail { 1.0 - fail } else { f64::INFINITY }
}

fn sentence(case: &Case<'_>, found: &Outcome<'_>) -> String {
    if found.tilts_deg.is_empty() {
        // Without signal above the noise at any tilt, a series that is bad throughout looks even to itself.
        let anchored = case.measures.detail.measured;
        let against = if anchored { "" } else { " (it passes against itself only)" };
        return format!("the weakest tilt keeps {:.2} of the fine amplitude expected of it{against}", found.value);
    }
    let worst = case.tilts.iter().find(|tilt| Some(tilt.tilt_deg) == found.worst_deg);
    format!(
        "{} less fine detail than the neighbours, down to {:.2} of the amplitude (limit {}){}: wait longer after the \
         tilt, and check focus there",
        angles(found.tilts_deg, "has", "have"),
        found.value,
        limit(found, 2),
        tiles::place(worst, plain(found), lost)
    )
}
