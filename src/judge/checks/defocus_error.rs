//! Was the underfocus of each tilt the one asked for, and that of its tiles?

use super::words::{angles, limit};
use super::{Case, Definition, Outcome, Values};
use crate::measured::{Measured, NotMeasured};
use crate::record::{Sense, Tile, Tilt};

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
        let off = off_tile(tilt).map_or(0.0, |(off, _)| off);
        Ok((defocus - wanted).abs().max((defocus + off - wanted).abs()))
    };
    Values::Tilts(case.tilts.iter().enumerate().map(one).collect())
}

/// How far the worst of the tiles that are off their neighbours is so, µm, and the tile.
fn off_tile(tilt: &Tilt) -> Option<(f64, &Tile)> {
    let off = tilt.tiles.iter().filter_map(|tile| Some((tile.focus.as_ref()?.off_neighbours_um?, tile)));
    off.max_by(|a, b| a.0.abs().total_cmp(&b.0.abs()))
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
    let worst = case.tilts.iter().find(|tilt| Some(tilt.tilt_deg) == found.worst_deg);
    let tile = worst.and_then(off_tile).map_or(String::new(), |(off, tile)| {
        format!(
            ", there the tile at column {}, row {} by {:.2} µm against its neighbours",
            tile.col,
            tile.row,
            off.abs()
        )
    });
    format!(
        "{} out of focus by up to {:.2} µm (limit {}){tile}{jumps}: check where focus is set, and repeat it before the tilts \
         named",
        angles(found.tilts_deg, "is", "are"),
        found.value,
        limit(found, 2)
    )
}
