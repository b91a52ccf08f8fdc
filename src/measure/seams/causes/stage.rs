//! A tile off the run of its own seam at one tilt: the stage or the image shift erred there.

use super::{FEWEST, LEAST_OFF_PX, OFF_AFTER_SDS, Run, TiltSeams, degrees, length, minus};
use crate::record::SeamCause;

/// The cause, where a tilt without drift has such a tile.
pub(super) fn stage(runs: &[Run<'_>], tilts: &[TiltSeams<'_>], drifts: &[Option<[f64; 2]>]) -> Option<SeamCause> {
    let mut worst: Vec<(usize, f64)> = Vec::new();
    for run in runs.iter().filter(|run| run.seams.len() >= FEWEST) {
        let limit = (OFF_AFTER_SDS * run.sd_px).max(LEAST_OFF_PX);
        for (at, seam) in &run.seams {
            let off = seam.offset_px.map_or(0.0, |offset| length(minus(offset, run.median_px)));
            if off > limit && drifts[*at].is_none() {
                worst.push((*at, off));
            }
        }
    }
    let most = worst.iter().map(|(_, off)| *off).reduce(f64::max)?;
    let mut which: Vec<usize> = worst.iter().map(|(at, _)| *at).collect();
    which.sort_unstable();
    which.dedup();
    let tilts_deg: Vec<f64> = which.iter().map(|&at| tilts[at].tilt_deg).collect();
    Some(SeamCause {
        cause: "stage-or-shift".into(),
        finding: format!(
            "at {} a tile lies up to {most:.1} px off the run of its own seam: the stage or the image shift erred there",
            degrees(&tilts_deg)
        ),
        remedy: "Let the stage or the shift settle before each tile, and check the overlap while collecting".into(),
        tilts_deg,
    })
}
