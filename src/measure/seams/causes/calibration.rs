//! What is off at all tilts: image shift or stage between tiles is not calibrated.

use super::{Run, TiltSeams, length};
use crate::record::SeamCause;

/// A constant offset under this is nothing to correct.
const LEAST_CONSTANT_PX: f64 = 1.0;

/// The cause, where a seam lies off its nominal place throughout.
pub(super) fn calibration(runs: &[Run<'_>], tilts: &[TiltSeams<'_>], pixel_nm: Option<f64>) -> Option<SeamCause> {
    let sure = |run: &&Run<'_>| {
        let error = 1.25 * run.sd_px / (run.seams.len() as f64).sqrt();
        2 * run.seams.len() > tilts.len() && length(run.median_px) > (3.0 * error).max(LEAST_CONSTANT_PX)
    };
    let worst = runs.iter().filter(sure).max_by(|a, b| length(a.median_px).total_cmp(&length(b.median_px)))?;
    let size = length(worst.median_px);
    let nm = pixel_nm.map(|nm| format!(" ({:.1} nm)", nm * size)).unwrap_or_default();
    let [x, y] = worst.median_px;
    Some(SeamCause {
        cause: "calibration".into(),
        finding: format!(
            "tiles lie {size:.1} px{nm} off their nominal place at all tilts (x {x:+.1}, y {y:+.1} px at the worst seam): \
             the image shift or the stage between tiles is not calibrated, or the overlap is stated wrong"
        ),
        remedy: format!("Calibrate the moves between tiles: they miss by x {x:+.1}, y {y:+.1} px"),
        tilts_deg: Vec::new(),
    })
}
