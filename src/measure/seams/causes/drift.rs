//! Offsets of all seams of a tilt that go along with time: the specimen drifts between the exposures of its tiles.

use super::{FEWEST, LEAST_OFF_PX, OFF_AFTER_SDS, Run, TiltSeams, degrees, length, minus};
use crate::numerics::median::upper_median;
use crate::record::SeamCause;

/// Seams of a tilt agree on a drift if they differ from it by less than this share of it.
const AGREE: f64 = 0.5;

/// The drift that explains what the seams of a tilt do off their runs: px a second; `None` unless at least two seams
/// agree on one that is more than scatter.
pub(super) fn drift(tilts: &[TiltSeams<'_>], runs: &[Run<'_>], at: usize) -> Option<[f64; 2]> {
    let tilt = &tilts[at];
    let mut offs: Vec<([f64; 2], f64, f64)> = Vec::new();
    for run in runs.iter().filter(|run| run.seams.len() >= FEWEST) {
        let Some((_, seam)) = run.seams.iter().find(|(other, _)| *other == at) else { continue };
        let seconds = tilt.seconds[seam.pair.to]? - tilt.seconds[seam.pair.from]?;
        if seconds.abs() > 0.0 {
            offs.push((minus(seam.offset_px?, run.median_px), seconds, run.sd_px));
        }
    }
    if offs.len() < 2 {
        return None;
    }
    let squares: f64 = offs.iter().map(|(_, s, _)| s * s).sum();
    let speed = [0, 1].map(|k| offs.iter().map(|(off, s, _)| off[k] * s).sum::<f64>() / squares);
    let explained = |(off, s, sd): &([f64; 2], f64, f64)| {
        let by_drift = [speed[0] * s, speed[1] * s];
        length(by_drift) > (OFF_AFTER_SDS * sd).max(LEAST_OFF_PX)
            && length(minus(*off, by_drift)) < AGREE * length(by_drift)
    };
    // The specimen moving by v makes the later tile's place err by -v: told as the specimen's movement.
    offs.iter().all(explained).then(|| speed.map(|v| -v))
}

/// Median speed over the tilts that drift, or why there is none.
pub(super) fn usual(
    tilts: &[TiltSeams<'_>],
    runs: &[Run<'_>],
    drifts: &[Option<[f64; 2]>],
) -> (Option<f64>, Option<String>) {
    let speeds: Vec<f64> = drifts.iter().flatten().map(|v| length(*v)).collect();
    if !speeds.is_empty() {
        return (upper_median(speeds), None);
    }
    if tilts.iter().all(|tilt| tilt.seconds.iter().all(Option::is_none)) {
        return (None, Some("times of exposure are not stated (column acquired_at)".into()));
    }
    let scatter = upper_median(runs.iter().map(|run| run.sd_px));
    let why = match scatter {
        Some(scatter) => format!("no tilt's seams move along with time by more than their scatter of {scatter:.1} px"),
        None => "no seam could be followed over the tilts".into(),
    };
    (None, Some(why))
}

/// The cause, where tilts drift.
pub(super) fn cause(
    tilts: &[TiltSeams<'_>],
    drifts: &[Option<[f64; 2]>],
    usual: Option<f64>,
    pixel_nm: Option<f64>,
) -> Option<SeamCause> {
    let speed = usual?;
    let tilts_deg: Vec<f64> =
        tilts.iter().zip(drifts).filter(|(_, drift)| drift.is_some()).map(|(tilt, _)| tilt.tilt_deg).collect();
    let size = pixel_nm.map_or_else(|| format!("{speed:.2} px/s"), |nm| format!("{:.2} nm/s", nm * speed));
    Some(SeamCause {
        cause: "drift".into(),
        finding: format!(
            "at {} the specimen drifts between the exposures of the tiles, by {size}: all seams move along with time",
            degrees(&tilts_deg)
        ),
        remedy: format!("Wait until drift has fallen well under {size} before the first tile of a tilt"),
        tilts_deg,
    })
}
