//! What seams tell, in words: an unsettled section, a stage or shift error on one tilt, an uncalibrated shift or optics,
//! drift between tiles.
//!
//! A seam has an offset and a distortion at every tilt. What is the same at all tilts is calibration (offset) or optics
//! (distortion); what grows or falls with the dose is the section; an offset off its own run at one tilt is the stage
//! or the shift; offsets of all seams of a tilt that go along with the time between their exposures are drift.

mod calibration;
mod drift;
mod optics;
mod section;
mod stage;

use crate::measure::seams::settle::{SeamFigures, Settled};
use crate::numerics::median::upper_median;
use crate::record::SeamCause;

/// An offset is off its run from so many robust standard deviations on …
const OFF_AFTER_SDS: f64 = 4.0;
/// … and from so many px.
const LEAST_OFF_PX: f64 = 3.0;
/// Fewer tilts show no trend.
const FEWEST: usize = 8;

/// A tilt with its seams.
pub struct TiltSeams<'a> {
    /// Angle.
    pub tilt_deg: f64,
    /// 0-based order of acquisition.
    pub order: usize,
    /// Seams and placed tiles.
    pub settled: &'a Settled,
    /// Column and row of each tile, by slot: a tilt that lacks one has other slots.
    pub tiles: Vec<(usize, usize)>,
    /// Seconds at which each tile's exposure began, by slot.
    pub seconds: Vec<Option<f64>>,
}

/// What the seams of a series tell.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Told {
    /// Causes, each with its size and remedy.
    pub causes: Vec<SeamCause>,
    /// Drift of each tilt that shows one, in px a second.
    pub drift_px_per_s: Vec<Option<[f64; 2]>>,
    /// Median speed over the tilts that show a drift.
    pub usual_drift_px_per_s: Option<f64>,
    /// Why there is no drift.
    pub drift_why_not: Option<String>,
}

/// One seam over the tilts: index of the tilt and figures.
struct Run<'a> {
    seams: Vec<(usize, &'a SeamFigures)>,
    median_px: [f64; 2],
    sd_px: f64,
}

/// Tells the causes; `pixel_nm` for sizes.
pub fn tell(tilts: &[TiltSeams<'_>], pixel_nm: Option<f64>) -> Told {
    let runs = runs(tilts);
    let drift_px_per_s = (0..tilts.len()).map(|at| drift::drift(tilts, &runs, at)).collect::<Vec<_>>();
    let (usual, why_not) = drift::usual(tilts, &runs, &drift_px_per_s);
    let mut causes = Vec::new();
    causes.extend(calibration::calibration(&runs, tilts, pixel_nm));
    causes.extend(stage::stage(&runs, tilts, &drift_px_per_s));
    // A pattern that changes with the dose repeats as well, but is the section's.
    causes.extend(section::section(tilts).or_else(|| optics::optics(&runs)));
    causes.extend(drift::cause(tilts, &drift_px_per_s, usual, pixel_nm));
    Told { causes, drift_px_per_s, usual_drift_px_per_s: usual, drift_why_not: why_not }
}

fn runs<'a>(tilts: &[TiltSeams<'a>]) -> Vec<Run<'a>> {
    let of = |tilt: &TiltSeams<'_>, seam: &SeamFigures| (tilt.tiles[seam.pair.from], tilt.tiles[seam.pair.to]);
    let mut pairs: Vec<((usize, usize), (usize, usize))> =
        tilts.iter().flat_map(|tilt| tilt.settled.seams.iter().map(|seam| of(tilt, seam))).collect();
    pairs.sort_unstable();
    pairs.dedup();
    let run = |pair: ((usize, usize), (usize, usize))| {
        let mine = |at: usize| {
            let seam = tilts[at].settled.seams.iter().find(|seam| of(&tilts[at], seam) == pair)?;
            seam.offset_px.map(|_| (at, seam))
        };
        let seams: Vec<(usize, &SeamFigures)> = (0..tilts.len()).filter_map(mine).collect();
        let component = |k: usize| upper_median(seams.iter().filter_map(|(_, s)| s.offset_px.map(|o| o[k])));
        let median_px = [component(0)?, component(1)?];
        let away = seams.iter().filter_map(|(_, s)| s.offset_px.map(|o| length(minus(o, median_px))));
        // Median length of a vector of two normal components: 1.177 standard deviations.
        Some(Run { sd_px: upper_median(away)? / 1.177, median_px, seams })
    };
    pairs.into_iter().filter_map(run).collect()
}

fn degrees(tilts_deg: &[f64]) -> String {
    match tilts_deg {
        [one] => format!("{one:+.1}°"),
        [a, b] => format!("{a:+.1}° and {b:+.1}°"),
        _ => format!("{} tilts", tilts_deg.len()),
    }
}

fn minus(a: [f64; 2], b: [f64; 2]) -> [f64; 2] {
    [a[0] - b[0], a[1] - b[1]]
}

fn length(v: [f64; 2]) -> f64 {
    v[0].hypot(v[1])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::seams::find::Found;
    use crate::measure::seams::patch::Patch;
    use crate::measure::seams::plan::Pair;

    /// Two seams of three tiles in a column over 20 tilts: offset and bend of each by tilt and seam.
    fn told(offset: impl Fn(usize, usize) -> [f64; 2], bend: impl Fn(usize) -> f64) -> Told {
        let settled: Vec<Settled> = (0..20)
            .map(|at| {
                let seam = |k: usize| {
                    let jitter = |s: usize| 0.4 * ((at * s + k * 5) % 7) as f64 - 1.2;
                    let [x, y] = offset(at, k);
                    let offset_px = [x + jitter(3), y + jitter(5)];
                    let pair = Pair {
                        from: k,
                        to: k + 1,
                        along_x: true,
                        nominal_px: [0.0, 400.0],
                        whole_px: [0, 400],
                        overlap_px: 96,
                        reach_px: 50,
                    };
                    let wave = |i: usize| [bend(at) * 1.414 * (i as f64 * 0.785).sin(), 0.0];
                    let patch = |i: usize| Patch {
                        middle_px: [60.0 * i as f64 + 30.0, 450.0],
                        difference_px: [0.0; 2],
                        sd_px: [0.05; 2],
                    };
                    let patches: Vec<Patch> = (0..8).map(patch).collect();
                    let difference_px = [offset_px[0], 400.0 + offset_px[1]];
                    let found = Found {
                        difference_px,
                        sd_px: [0.02; 2],
                        correlation: 0.8,
                        intensity_ratio: Some(1.0),
                        looked: 0,
                        patches,
                    };
                    SeamFigures {
                        pair,
                        found: Ok(found),
                        offset_px: Some(offset_px),
                        residuals_px: Vec::new(),
                        distortions_px: (0..8).map(wave).collect(),
                    }
                };
                Settled { places_px: vec![None; 3], seams: vec![seam(0), seam(1)] }
            })
            .collect();
        let tilts: Vec<TiltSeams<'_>> = settled
            .iter()
            .enumerate()
            .map(|(at, settled)| TiltSeams {
                tilt_deg: 6.0 * at as f64 - 60.0,
                order: at,
                settled,
                tiles: (0..3).map(|row| (0, row)).collect(),
                seconds: (0..3).map(|k| Some(60.0 * at as f64 + 9.0 * f64::from(k))).collect(),
            })
            .collect();
        tell(&tilts, Some(0.7))
    }

    fn names(told: &Told) -> Vec<&str> {
        told.causes.iter().map(|cause| cause.cause.as_str()).collect()
    }

    #[test]
    fn a_sound_series_tells_nothing() {
        assert!(told(|_, _| [0.0; 2], |_| 0.1).causes.is_empty());
    }

    #[test]
    fn the_causes_are_told_apart() {
        assert_eq!(names(&told(|_, _| [6.0, -3.0], |_| 0.1)), ["calibration"]);
        let erred = |at: usize, k: usize| if (at, k) == (7, 1) { [0.0, 14.0] } else { [0.0; 2] };
        let stage = told(erred, |_| 0.1);
        assert_eq!((names(&stage), stage.causes[0].tilts_deg.clone()), (vec!["stage-or-shift"], vec![-18.0]));
        assert_eq!(names(&told(|_, _| [0.0; 2], |at| 2.5 - 0.12 * at as f64)), ["unsettled-section"]);
        assert_eq!(names(&told(|_, _| [0.0; 2], |_| 2.0)), ["optics"]);
        let drifting = told(|at, _| if at == 4 { [-9.0, 9.0] } else { [0.0; 2] }, |_| 0.1);
        assert_eq!(names(&drifting), ["drift"]);
        // 9 px in 9 s along each direction.
        let speed = drifting.drift_px_per_s[4].unwrap();
        assert!((speed[0] - 1.0).abs() < 0.15 && (speed[1] + 1.0).abs() < 0.15, "{speed:?}");
    }
}
