//! The same pattern along a seam at all tilts: the picture itself is distorted.

use super::{FEWEST, Run};
use crate::measure::seams::settle::{SeamFigures, rms};
use crate::numerics::median::upper_median;
use crate::record::SeamCause;

/// A constant distortion under this is nothing to correct.
const LEAST_CONSTANT_PX: f64 = 1.0;
/// Share of the distortion's power that must repeat from tilt to tilt to be the optics'.
const REPEATS: f64 = 0.5;

/// The cause, where a seam bends alike throughout.
pub(super) fn optics(runs: &[Run<'_>]) -> Option<SeamCause> {
    let mut worst: Option<f64> = None;
    for run in runs.iter().filter(|run| run.seams.len() >= FEWEST) {
        // Patches differ from tilt to tilt where one lacks texture: compare those at about the same place.
        let bins: Vec<Vec<[f64; 2]>> = by_place(run);
        let full: Vec<&Vec<[f64; 2]>> = bins.iter().filter(|bin| 2 * bin.len() >= run.seams.len()).collect();
        if full.len() < 3 {
            continue;
        }
        let mean = |bin: &Vec<[f64; 2]>| [0, 1].map(|k| upper_median(bin.iter().map(|v| v[k])).unwrap_or(0.0));
        let pattern = rms(&full.iter().map(|bin| mean(bin)).collect::<Vec<_>>())?;
        let all = rms(&full.iter().flat_map(|bin| bin.iter().copied()).collect::<Vec<_>>())?;
        if pattern > LEAST_CONSTANT_PX && pattern * pattern > REPEATS * all * all {
            worst = Some(worst.map_or(pattern, |other: f64| other.max(pattern)));
        }
    }
    let size = worst?;
    Some(SeamCause {
        cause: "optics".into(),
        finding: format!(
            "seams are bent by {size:.1} px rms in the same way at all tilts: the picture itself is distorted (projector, \
             or a shift far off the axis)"
        ),
        remedy: format!("Correct the distortion of the optics ({size:.1} px rms along the seams) before placing tiles"),
        tilts_deg: Vec::new(),
    })
}

/// Distortions of a run by place along the seam, in eight bins.
fn by_place(run: &Run<'_>) -> Vec<Vec<[f64; 2]>> {
    const BINS: usize = 8;
    let mut bins = vec![Vec::new(); BINS];
    let along = |seam: &SeamFigures, middle: [f64; 2]| if seam.pair.along_x { middle[0] } else { middle[1] };
    let places = || {
        run.seams.iter().flat_map(|(_, seam)| {
            let found = seam.found.as_ref().ok();
            found.into_iter().flat_map(|found| &found.patches).map(|patch| along(seam, patch.middle_px))
        })
    };
    let (low, high) = (places().fold(f64::INFINITY, f64::min), places().fold(f64::NEG_INFINITY, f64::max));
    for (_, seam) in &run.seams {
        let Ok(found) = &seam.found else { continue };
        for (patch, distortion) in found.patches.iter().zip(&seam.distortions_px) {
            let share = (along(seam, patch.middle_px) - low) / (high - low).max(1e-9);
            bins[((share * BINS as f64) as usize).min(BINS - 1)].push(*distortion);
        }
    }
    bins
}
