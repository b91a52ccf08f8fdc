//! Was a tilt smeared along one direction, by drift during its exposure? Of a montage of which some tiles were, it lost the
//! mean over its tiles.

use super::words::{angles, limit};
use super::{Case, Definition, Outcome, Values, tiles};
use crate::measured::NotMeasured;
use crate::record::{Limit, Sense, Tile, Tilt};

/// The check.
pub const CHECK: Definition = Definition {
    id: "directional_blur",
    title: "Blur along one direction",
    unit: "share of the amplitude at half Nyquist",
    sense: Sense::Above,
    values,
    sentence,
};

fn values(case: &Case<'_>) -> Values {
    let loss = |tilt: &Tilt| {
        let why = "the spectra are too noisy to show a motion of 3 px";
        let why = tilt.sharpness.why_not.clone().unwrap_or_else(|| why.into());
        let whole = tilt.sharpness.directional_loss.ok_or_else(|| NotMeasured::because(why))?;
        Ok(tiles::mean_loss(tilt, lost).map_or(whole, |loss| whole.max(loss)))
    };
    Values::Tilts(case.tilts.iter().map(loss).collect())
}

fn lost(tile: &Tile) -> Option<f64> {
    tile.sharpness.directional_loss
}

/// Loss from which on a tile by itself has failed.
fn plain(found: &Outcome<'_>) -> f64 {
    if let Some(Limit::One(fail)) = found.fail { fail } else { f64::INFINITY }
}

fn sentence(case: &Case<'_>, found: &Outcome<'_>) -> String {
    if found.tilts_deg.is_empty() {
        return "no tilt is smeared along a direction".into();
    }
    let flagged = case.tilts.iter().filter(|tilt| found.tilts_deg.contains(&tilt.tilt_deg));
    let along: Vec<String> =
        flagged.filter_map(|tilt| tilt.sharpness.blur_direction_deg).map(|deg| format!("{deg:.0}°")).collect();
    let along = if along.is_empty() { String::new() } else { format!(" along {}", along.join(", ")) };
    let worst = case.tilts.iter().find(|tilt| Some(tilt.tilt_deg) == found.worst_deg);
    format!(
        "{} smeared{along}, losing up to {:.2} of the amplitude at half Nyquist (limit {}){}: let the stage settle \
         longer after the tilt",
        angles(found.tilts_deg, "is", "are"),
        found.value,
        limit(found, 2),
        tiles::place(worst, plain(found), lost)
    )
}
