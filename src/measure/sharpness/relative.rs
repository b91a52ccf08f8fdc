//! The fine detail of each tilt against its neighbours in angle.

use super::{Bands, Signal, Signals, TiltSharpness, known};
use crate::measure::opposite;
use crate::numerics::median::upper_median;
use crate::numerics::smooth_run::{self, Place};

/// Scatter of ln amplitude from tilt to tilt beyond which a halved amplitude would not stand out.
const LARGEST_SCATTER: f64 = 0.12;
/// A change of ln amplitude under this is never taken for a blur when the run is drawn.
const LEAST_CHANGE: f64 = 0.08;

/// ln of the mean power of some bands, each over the series' median and weighted by its certainty; a power lost
/// in the noise counts as one standard deviation.
fn ln_power(signals: &Signals, bands: &[usize]) -> Vec<Option<f64>> {
    let typical: Vec<f64> = bands.iter().map(|&b| signals.median_over_tilts(b, |s| s.power)).collect();
    let one = |tilt: &Vec<Signal>| {
        let (mut sum, mut weights) = (0.0, 0.0);
        for (&band, typical) in bands.iter().zip(&typical) {
            // No band is trusted to better than a twentieth: structures differ from view to view.
            let variance = (tilt[band].error / typical).powi(2) + 0.05f64.powi(2);
            sum += tilt[band].power / typical / variance;
            weights += 1.0 / variance;
        }
        (sum / weights).max(weights.sqrt().recip()).ln()
    };
    signals.bands.iter().map(|tilt| tilt.as_ref().map(one)).collect()
}

/// Fills `value`, `run` and `relative`.
pub(super) fn relative(
    signals: &Signals,
    bands: &Bands,
    places: &[Place],
    tilts: &mut [TiltSharpness],
) -> Result<(), String> {
    let (fine, middle) = (ln_power(signals, &bands.fine), ln_power(signals, &bands.middle));
    let typical = |bands: &[usize]| {
        bands.iter().map(|&b| signals.median_over_tilts(b, |s| s.power)).sum::<f64>() / bands.len() as f64
    };
    let ratio = typical(&bands.fine) / typical(&bands.middle);
    for (tilt, (fine, middle)) in tilts.iter_mut().zip(fine.iter().zip(&middle)) {
        tilt.value = fine.zip(*middle).map(|(fine, middle)| (0.5 * (ratio.ln() + fine - middle)).exp());
    }
    let off = |values: &[Option<f64>]| smooth_run::draw(places, values, 2.0 * LEAST_CHANGE).deviation;
    let shared = slope(&off(&fine), &off(&middle));
    let amplitude: Vec<Option<f64>> =
        fine.iter().zip(&middle).map(|(fine, middle)| fine.zip(*middle).map(|(f, m)| 0.5 * (f - shared * m))).collect();
    let run = smooth_run::draw(places, &amplitude, LEAST_CHANGE);
    let Some(scatter) = run.scatter else { return Err("there are too few tilts for a run".into()) };
    if scatter > LARGEST_SCATTER {
        let percent = 100.0 * scatter;
        return Err(format!("the fine detail changes by {percent:.0} % from tilt to tilt by itself"));
    }
    let angles: Vec<f64> = places.iter().map(|place| place.x).collect();
    let below = opposite::below(&angles, &amplitude, LEAST_CHANGE);
    for (at, tilt) in tilts.iter_mut().enumerate() {
        let change = match (run.deviation[at], below[at]) {
            (Some(deviation), Some(below)) => Some(deviation.min(below)),
            (deviation, _) => deviation,
        };
        tilt.relative = change.map(f64::exp);
        tilt.run = tilt.value.zip(tilt.relative).map(|(value, relative)| value / relative);
    }
    Ok(())
}

/// Robust slope (median of pairwise ratios) of `y` on `x`, held between 0 and 1.
fn slope(y: &[Option<f64>], x: &[Option<f64>]) -> f64 {
    let points: Vec<(f64, f64)> = y.iter().zip(x).filter_map(|(y, x)| x.zip(*y)).collect();
    let mut slopes = Vec::new();
    for (at, a) in points.iter().enumerate() {
        for b in &points[..at] {
            if (a.0 - b.0).abs() > 0.02 {
                slopes.push((a.1 - b.1) / (a.0 - b.0));
            }
        }
    }
    upper_median(known(slopes)).unwrap_or(0.0).clamp(0.0, 1.0)
}
