//! The fine detail of each tilt against its neighbours in angle, found in two ways.
//!
//! By the ratio of the fine band to the middle one: precise where the fine band is strong, and blind to a blur that takes
//! both, or a band that is a tenth of the noise. By all bands with signal ([`super::described`]). The ratio is taken, unless all
//! bands tell a great loss for sure, the ratios scatter too much, or their bands are weak.

use super::described::{LEAST_CHANGE, LEAST_SCATTER, SURE_SDS, ln_amplitudes};
use super::{Bands, DULL, Signal, Signals, TiltSharpness, known};
use crate::measure::opposite;
use crate::numerics::median::upper_median;
use crate::numerics::smooth_run::{self, Place};

/// Scatter of ln amplitude from tilt to tilt beyond which a halved amplitude (ln 2 = 0.69) would not stand out by three of
/// it.
const LARGEST_SCATTER: f64 = 0.23;
/// The same of ratios, whose loss may be greater than it seems.
const LARGEST_SCATTER_OF_RATIOS: f64 = 0.12;
/// Where bands are weak a loss is told if less than this is left.
const LEAST_TOLD_OF_WEAK: f64 = 0.5;

/// Fills `value`, `run`, `relative` and `relative_at_most`.
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
    let described = ln_amplitudes(signals, bands, places);
    let best: Vec<Option<f64>> = described.iter().map(|found| found.map(|found| found.best)).collect();
    let by_ratio = AgainstRun::of(places, &ratios(places, &fine, &middle))?;
    let by_bands = AgainstRun::of(places, &best)?;
    // Where strong bands scatter, views differ by more than a blur would take, whichever way they are described.
    let (scatter, largest) = match bands.is_strong {
        true => (by_ratio.scatter, LARGEST_SCATTER_OF_RATIOS),
        false => (by_bands.scatter, LARGEST_SCATTER),
    };
    if scatter > largest {
        return Err(format!("the fine detail changes by {:.0} % from tilt to tilt by itself", 100.0 * scatter));
    }
    for (at, tilt) in tilts.iter_mut().enumerate() {
        let of_bands = by_bands.changes[at].zip(described[at]).map(|(change, ln)| {
            let at_most = change + (ln.most - ln.best).max(SURE_SDS * by_bands.scatter);
            // Of weak bands views differ by more than their errors say.
            let is_told = bands.is_strong || change < LEAST_TOLD_OF_WEAK.ln();
            (change, if is_told { at_most } else { at_most.max(0.0) })
        });
        let of_bands = of_bands.filter(|_| by_bands.scatter <= LARGEST_SCATTER);
        let of_ratio = by_ratio.changes[at].map(|change| (change, change + SURE_SDS * by_ratio.scatter));
        let chosen = match (of_ratio.filter(|_| bands.is_strong), of_bands) {
            // A great loss that all bands tell for sure is none that the middle band's own fall explains.
            (Some(ratio), Some(bands)) if bands.1 < DULL.ln() && bands.0 < ratio.0 => Some(bands),
            (Some(ratio), _) => Some(ratio),
            (None, bands) => bands,
        };
        tilt.relative = chosen.map(|(change, _)| change.exp());
        tilt.relative_at_most = chosen.map(|(_, at_most)| at_most.exp());
        tilt.run = tilt.value.zip(tilt.relative).map(|(value, relative)| value / relative);
    }
    Ok(())
}

/// ln amplitudes of the tilts against their smooth run, and against the other side of the series.
struct AgainstRun {
    changes: Vec<Option<f64>>,
    scatter: f64,
}

impl AgainstRun {
    fn of(places: &[Place], amplitude: &[Option<f64>]) -> Result<Self, String> {
        let run = smooth_run::draw(places, amplitude, LEAST_CHANGE);
        let scatter = run.scatter.ok_or("there are too few tilts for a run")?;
        let angles: Vec<f64> = places.iter().map(|place| place.x).collect();
        let below = opposite::below(&angles, amplitude, LEAST_CHANGE);
        let lower = |(deviation, below): (Option<f64>, Option<f64>)| match (deviation, below) {
            (Some(deviation), Some(below)) => Some(deviation.min(below)),
            (deviation, _) => deviation,
        };
        Ok(Self { changes: run.deviation.into_iter().zip(below).map(lower).collect(), scatter })
    }
}

/// ln amplitude of the fine band, less as much of the middle band's change as goes along with it in this series.
fn ratios(places: &[Place], fine: &[Option<f64>], middle: &[Option<f64>]) -> Vec<Option<f64>> {
    let off = |values: &[Option<f64>]| smooth_run::draw(places, values, 2.0 * LEAST_CHANGE).deviation;
    let shared = slope(&off(fine), &off(middle));
    fine.iter().zip(middle).map(|(fine, middle)| fine.zip(*middle).map(|(f, m)| 0.5 * (f - shared * m))).collect()
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

/// ln of the mean power of some bands, each over the series' median and weighted by its certainty; a power lost
/// in the noise counts as one standard deviation.
fn ln_power(signals: &Signals, bands: &[usize]) -> Vec<Option<f64>> {
    let typical: Vec<f64> = bands.iter().map(|&b| signals.median_over_tilts(b, |s| s.power)).collect();
    let one = |tilt: &Vec<Signal>| {
        let (mut sum, mut weights) = (0.0, 0.0);
        for (&band, typical) in bands.iter().zip(&typical) {
            let variance = (tilt[band].error / typical).powi(2) + LEAST_SCATTER.powi(2);
            sum += tilt[band].power / typical / variance;
            weights += 1.0 / variance;
        }
        (sum / weights).max(weights.sqrt().recip()).ln()
    };
    signals.bands.iter().map(|tilt| tilt.as_ref().map(one)).collect()
}
