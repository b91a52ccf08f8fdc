//! What to do differently about focus next time, each with its size and direction.

use crate::judge::next_time::spread;
use crate::record::{Check, Focus, Measures, SeriesFacts, Tilt};
use std::collections::BTreeMap;

/// Standard uncertainties from which on a slope's sign is sure.
const SURE_SDS: f64 = 3.0;

/// The action that a check of focus asks for.
pub fn action(series: &SeriesFacts, tilts: &[Tilt], measures: &Measures, check: &Check, limit: f64) -> Option<String> {
    match check.id.as_str() {
        "defocus_error" => error(tilts, measures, check, limit),
        "defocus_spread" => scatter(measures, check.value?, limit),
        "astigmatism" => astigmatism(tilts, check),
        "tilt_geometry" => geometry(series, measures, check.value?),
        _ => None,
    }
}

/// Actions that no limit asks for: tiles out of step with each other.
pub fn of_tiles(tilts: &[Tilt], measures: &Measures) -> Vec<String> {
    tile_off(tilts).into_iter().chain(saw_tooth(tilts, measures)).collect()
}

/// By how much focus missed what was asked for, and which way; a jump off the neighbours is a refocusing that failed.
/// What to do about tilts that are out of focus as a whole; for single tiles see [`of_tiles`].
fn error(tilts: &[Tilt], measures: &Measures, check: &Check, limit: f64) -> Option<String> {
    let focus = &measures.focus;
    let off = |at: usize| -> Option<f64> {
        Some(tilts[at].focus.as_ref()?.defocus_um? - focus.wanted_um_by_tilt.get(at).copied().flatten()?)
    };
    let errors = |named: &[f64]| -> Vec<(f64, f64)> {
        let hit = (0..tilts.len()).filter(|&at| named.contains(&tilts[at].tilt_deg));
        let whole = hit.filter_map(|at| off(at).map(|um| (tilts[at].tilt_deg, um)));
        whole.filter(|(_, um)| um.abs() > limit).collect()
    };
    let worst = errors(&check.tilts_deg).into_iter().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))?;
    let jumped: Vec<f64> = check.tilts_deg.iter().copied().filter(|deg| focus.off_run_deg.contains(deg)).collect();
    if jumped.contains(&worst.0) {
        let either = errors(&jumped).iter().any(|(_, um)| um * worst.1 < 0.0);
        let way = match worst.1 > 0.0 {
            _ if either => "too much or too little",
            true => "too much",
            false => "too little",
        };
        return Some(format!(
            "Focus again before the exposure {}: refocusing failed there, by up to {:.2} µm {way} underfocus",
            spread(&jumped),
            worst.1.abs()
        ));
    }
    let whole = errors(&check.tilts_deg);
    let mut all: Vec<f64> = whole.iter().map(|(_, um)| *um).collect();
    all.sort_by(f64::total_cmp);
    let middle = *all.get(all.len() / 2)?;
    let named: Vec<f64> = whole.iter().map(|(deg, _)| *deg).collect();
    let (verb, way) = if middle > 0.0 { ("Lower", "over") } else { ("Raise", "under") };
    Some(format!(
        "{verb} the underfocus by {:.2} µm: {} it lay that much {way} the one asked for",
        middle.abs(),
        spread(&named)
    ))
}

/// How often to focus: before drift has used up the limit, where there is a drift.
fn scatter(measures: &Measures, value: f64, limit: f64) -> Option<String> {
    let focus = &measures.focus;
    let drift = focus.drift_since_autofocus_um_per_min.zip(focus.drift_error_um_per_min);
    Some(match drift.filter(|(slope, error)| slope.abs() > 3.0 * error) {
        Some((slope, _)) => {
            let way = if slope > 0.0 { "rises" } else { "falls" };
            format!(
                "Focus every {:.0} minutes: underfocus {way} by {:.2} µm a minute after it was set",
                (limit / slope.abs()).clamp(1.0, 120.0),
                slope.abs()
            )
        }
        None => format!("Focus before every tilt, over a longer stretch: underfocus scatters by {value:.2} µm"),
    })
}

fn astigmatism(tilts: &[Tilt], check: &Check) -> Option<String> {
    let mut flagged: Vec<&Focus> = tilts
        .iter()
        .filter(|tilt| check.tilts_deg.contains(&tilt.tilt_deg))
        .filter_map(|tilt| tilt.focus.as_ref().filter(|focus| focus.astigmatism_um.is_some()))
        .collect();
    flagged.sort_by(|a, b| a.astigmatism_um.unwrap_or(0.0).total_cmp(&b.astigmatism_um.unwrap_or(0.0)));
    // The middle one: a lens has one astigmatism, and the worst tilt is worst by chance.
    let middle = flagged.get(flagged.len() / 2)?;
    Some(format!(
        "Correct the stigmator by {:.2} µm {}: underfocus is largest along {:.0}° in the image",
        middle.astigmatism_um?,
        spread(&check.tilts_deg),
        middle.astigmatism_deg?
    ))
}

fn geometry(series: &SeriesFacts, measures: &Measures, ratio: f64) -> Option<String> {
    let axis = series.axis_deg?;
    let size = format!("underfocus runs {ratio:.2} times as stated over tilted pictures");
    // A slope that may as well be none tells no sign.
    let surely_reversed = ratio < -SURE_SDS * measures.focus.gradient_error.unwrap_or(0.0);
    let moved = measures.geometry.as_ref().filter(|geometry| geometry.axis_note.is_some());
    Some(match moved.and_then(|geometry| geometry.axis_found_deg) {
        _ if surely_reversed => {
            format!(
                "State tilt.axis_deg = {:.1} or turn the sign of the angles: {size}",
                (axis + 180.0).rem_euclid(360.0)
            )
        }
        Some(found) => format!(
            "Measure the direction of the tilt axis anew (stated: {axis:.1}°): the field moves as about an axis at \
             {found:.0}°, and {size}"
        ),
        None => format!("Measure the direction of the tilt axis (stated: {axis:.1}°) and the pixel size anew: {size}"),
    })
}

/// The tile that is off its neighbours most often, or most.
fn tile_off(tilts: &[Tilt]) -> Option<String> {
    let mut places: BTreeMap<(usize, usize), Vec<(f64, f64)>> = BTreeMap::new();
    for tilt in tilts {
        for tile in &tilt.tiles {
            if let Some(um) = tile.focus.as_ref().and_then(|focus| focus.off_neighbours_um) {
                places.entry((tile.col, tile.row)).or_default().push((tilt.tilt_deg, um));
            }
        }
    }
    let ((col, row), offs) = places.into_iter().max_by_key(|(_, offs)| offs.len())?;
    let (_, worst) = offs.iter().copied().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))?;
    let named: Vec<f64> = offs.iter().map(|(deg, _)| *deg).collect();
    let way = if worst > 0.0 { "more" } else { "less" };
    Some(format!(
        "Focus the tile at column {col}, row {row} like its neighbours {}: it has {:.2} µm {way} underfocus",
        spread(&named),
        worst.abs()
    ))
}

/// Tiles that were focused one by one: underfocus jumps from tile to tile.
fn saw_tooth(tilts: &[Tilt], measures: &Measures) -> Option<String> {
    let named = &measures.focus.refocused_deg;
    let steepest = named
        .iter()
        .map(|deg| deg.abs())
        .fold(None, |most: Option<f64>, deg| Some(most.map_or(deg, |most| most.max(deg))))?;
    let tilt = tilts.iter().find(|tilt| named.contains(&tilt.tilt_deg) && tilt.tilt_deg.abs() == steepest)?;
    let known: Vec<f64> = tilt.tiles.iter().filter_map(|tile| tile.focus.as_ref()?.defocus_um).collect();
    let (low, high) = known.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), um| (l.min(*um), h.max(*um)));
    Some(format!(
        "Focus once a tilt, or follow the slope from tile to tile, {}: each tile was focused by itself, and their middles \
         lie within {:.2} µm of each other where the slope asks for more",
        spread(named),
        (high - low).max(0.0)
    ))
}
