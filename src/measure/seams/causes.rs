//! What seams tell, in words: an unsettled section, a stage or shift error on one tilt, an uncalibrated shift or optics,
//! drift between tiles.
//!
//! A seam has an offset and a distortion at every tilt. What is the same at all tilts is calibration (offset) or optics
//! (distortion); what grows or falls with the dose is the section; an offset off its own run at one tilt is the stage
//! or the shift; offsets of all seams of a tilt that go along with the time between their exposures are drift.

use crate::measure::seams::settle::{SeamFigures, Settled, rms};
use crate::numerics::median::upper_median;
use crate::record::SeamCause;

/// An offset is off its run from so many robust standard deviations on …
const OFF_AFTER_SDS: f64 = 4.0;
/// … and from so many px.
const LEAST_OFF_PX: f64 = 3.0;
/// A constant offset or distortion under this is nothing to correct.
const LEAST_CONSTANT_PX: f64 = 1.0;
/// Share of the distortion's power that must repeat from tilt to tilt to be the optics'.
const REPEATS: f64 = 0.5;
/// Kendall's tau from which a distortion goes along with the dose.
const TREND: f64 = 0.4;
/// Distortion must change by this over the series.
const LEAST_TREND_PX: f64 = 0.5;
/// Fewer tilts show no trend.
const FEWEST: usize = 8;
/// Seams of a tilt agree on a drift if they differ from it by less than this share of it.
const AGREE: f64 = 0.5;

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
    let drift_px_per_s = (0..tilts.len()).map(|at| drift(tilts, &runs, at)).collect::<Vec<_>>();
    let (usual, why_not) = usual_drift(tilts, &runs, &drift_px_per_s);
    let mut causes = Vec::new();
    causes.extend(calibration(&runs, tilts, pixel_nm));
    causes.extend(stage(&runs, tilts, &drift_px_per_s));
    // A pattern that changes with the dose repeats as well, but is the section's.
    causes.extend(section(tilts).or_else(|| optics(&runs)));
    causes.extend(drift_cause(tilts, &drift_px_per_s, usual, pixel_nm));
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

fn calibration(runs: &[Run<'_>], tilts: &[TiltSeams<'_>], pixel_nm: Option<f64>) -> Option<SeamCause> {
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

fn stage(runs: &[Run<'_>], tilts: &[TiltSeams<'_>], drifts: &[Option<[f64; 2]>]) -> Option<SeamCause> {
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

/// Distortion of a tilt beyond what noise makes of its patches; `None` without patches.
fn excess_px(settled: &Settled) -> Option<f64> {
    let all: Vec<[f64; 2]> = settled.seams.iter().flat_map(|seam| seam.distortions_px.iter().copied()).collect();
    let power = rms(&all)?.powi(2);
    let patches = settled.seams.iter().filter_map(|seam| seam.found.as_ref().ok()).flat_map(|found| &found.patches);
    let noise: f64 =
        patches.map(|patch| patch.sd_px.iter().map(|sd| sd * sd).sum::<f64>()).sum::<f64>() / all.len() as f64;
    Some((power - noise).max(0.0).sqrt())
}

fn section(tilts: &[TiltSeams<'_>]) -> Option<SeamCause> {
    let mut known: Vec<(usize, f64)> =
        tilts.iter().filter_map(|tilt| Some((tilt.order, excess_px(tilt.settled)?))).collect();
    if known.len() < FEWEST {
        return None;
    }
    known.sort_by_key(|(order, _)| *order);
    let values: Vec<f64> = known.iter().map(|(_, value)| *value).collect();
    let third = values.len() / 3;
    let (first, last) =
        (upper_median(values[..third].iter().copied())?, upper_median(values[values.len() - third..].iter().copied())?);
    let trend = kendall(&values);
    if trend.abs() < TREND || (last - first).abs() < LEAST_TREND_PX {
        return None;
    }
    let (finding, remedy) = if last < first {
        (
            format!(
                "the seams' distortion falls from {first:.1} to {last:.1} px as the series goes on: the section had not \
                 settled under the beam when it began"
            ),
            "Pre-expose the section longer before the series, until it has settled",
        )
    } else {
        (
            format!(
                "the seams' distortion grows from {first:.1} to {last:.1} px with the dose: the section shrinks or moves \
                 under the beam"
            ),
            "Pre-expose the whole field evenly before the series, and lower the dose of each tilt",
        )
    };
    Some(SeamCause { cause: "unsettled-section".into(), finding, remedy: remedy.into(), tilts_deg: Vec::new() })
}

/// The same pattern along a seam at all tilts.
fn optics(runs: &[Run<'_>]) -> Option<SeamCause> {
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

/// The drift that explains what the seams of a tilt do off their runs: px a second; `None` unless at least two seams
/// agree on one that is more than scatter.
fn drift(tilts: &[TiltSeams<'_>], runs: &[Run<'_>], at: usize) -> Option<[f64; 2]> {
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

fn usual_drift(
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

fn drift_cause(
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

fn degrees(tilts_deg: &[f64]) -> String {
    match tilts_deg {
        [one] => format!("{one:+.1}°"),
        [a, b] => format!("{a:+.1}° and {b:+.1}°"),
        _ => format!("{} tilts", tilts_deg.len()),
    }
}

/// Kendall's tau of a sequence against its own order.
fn kendall(values: &[f64]) -> f64 {
    let (mut sum, mut pairs) = (0.0, 0.0);
    for (i, a) in values.iter().enumerate() {
        for b in &values[i + 1..] {
            sum += if b > a {
                1.0
            } else if b < a {
                -1.0
            } else {
                0.0
            };
            pairs += 1.0;
        }
    }
    if pairs > 0.0 { sum / pairs } else { 0.0 }
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
