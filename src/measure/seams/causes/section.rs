//! A distortion that goes along with the dose: the section settles, or shrinks.

use super::{FEWEST, TiltSeams};
use crate::measure::seams::settle::{Settled, rms};
use crate::numerics::median::upper_median;
use crate::record::SeamCause;

/// Kendall's tau from which a distortion goes along with the dose.
const TREND: f64 = 0.4;
/// Distortion must change by this over the series.
const LEAST_TREND_PX: f64 = 0.5;

/// The cause, where distortion falls or grows over the series.
pub(super) fn section(tilts: &[TiltSeams<'_>]) -> Option<SeamCause> {
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

/// Distortion of a tilt beyond what noise makes of its patches; `None` without patches.
fn excess_px(settled: &Settled) -> Option<f64> {
    let all: Vec<[f64; 2]> = settled.seams.iter().flat_map(|seam| seam.distortions_px.iter().copied()).collect();
    let power = rms(&all)?.powi(2);
    let patches = settled.seams.iter().filter_map(|seam| seam.found.as_ref().ok()).flat_map(|found| &found.patches);
    let noise: f64 =
        patches.map(|patch| patch.sd_px.iter().map(|sd| sd * sd).sum::<f64>()).sum::<f64>() / all.len() as f64;
    Some((power - noise).max(0.0).sqrt())
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
