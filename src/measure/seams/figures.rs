//! Seams as the record keeps them.

use crate::measure::seams::causes::{TiltSeams, Told};
use crate::measure::seams::settle::{SeamFigures, Settled, longest, rms};
use crate::record::{Seam, SeamsMeasure};

/// The seams of a tilt; `tile_of` gives column and row of a slot.
pub fn of_tilt(settled: &Settled, tile_of: impl Fn(usize) -> (usize, usize)) -> Vec<Seam> {
    settled.seams.iter().map(|seam| of_seam(seam, &tile_of)).collect()
}

fn of_seam(seam: &SeamFigures, tile_of: &impl Fn(usize) -> (usize, usize)) -> Seam {
    let tile = |slot: usize| {
        let (col, row) = tile_of(slot);
        [col, row]
    };
    let found = seam.found.as_ref();
    Seam {
        from: tile(seam.pair.from),
        to: tile(seam.pair.to),
        offset_x_px: seam.offset_px.map(|offset| offset[0]),
        offset_y_px: seam.offset_px.map(|offset| offset[1]),
        residual_rms_px: rms(&seam.residuals_px),
        residual_max_px: longest(&seam.residuals_px),
        distortion_rms_px: seam.distortion_px(),
        correlation: found.ok().map(|found| found.correlation),
        intensity_ratio: found.ok().and_then(|found| found.intensity_ratio),
        patches: found.map_or(0, |found| found.patches.len()),
        overlap_px: seam.pair.overlap_px.max(0) as f64,
        why_not: found.err().map(|why| why.0.clone()),
    }
}

/// The seams of all tilts together, with what they tell. `None` where the series is no montage.
pub fn of_series(tilts: &[TiltSeams<'_>], told: &Told, pixel_nm: Option<f64>) -> Option<SeamsMeasure> {
    let seams = || tilts.iter().flat_map(|tilt| &tilt.settled.seams);
    let first = seams().next()?;
    let of_tilt = |tilt: &Settled| -> Vec<[f64; 2]> {
        tilt.seams.iter().flat_map(|seam| seam.residuals_px.iter().copied()).collect()
    };
    let all: Vec<[f64; 2]> = tilts.iter().flat_map(|tilt| of_tilt(tilt.settled)).collect();
    let residual_rms_px = rms(&all);
    let worst = tilts.iter().filter_map(|tilt| Some((rms(&of_tilt(tilt.settled))?, tilt.tilt_deg)));
    let measured = seams().any(|seam| seam.found.is_ok());
    let why = seams().find_map(|seam| seam.found.as_ref().err()).map(|why| format!("no seam could be: {}", why.0));
    Some(SeamsMeasure {
        measured,
        why_not: if measured { None } else { why.or_else(|| Some(format!("{} px overlap", first.pair.overlap_px))) },
        residual_rms_px,
        residual_rms_nm: residual_rms_px.zip(pixel_nm).map(|(px, nm)| px * nm),
        worst_tilt_deg: worst.max_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, deg)| deg),
        drift_nm_per_s: told.usual_drift_px_per_s.zip(pixel_nm).map(|(px, nm)| px * nm),
        drift_why_not: told.drift_why_not.clone(),
        causes: told.causes.clone(),
    })
}
