//! How well and how far measured rings agree with the fitted ones.
//!
//! Every cell is brought to the frequency at which the underfocus of the picture's middle has the same phase, so that
//! maps and sectors of different underfocus add up to one curve. It is held against the fitted rings in windows of at
//! least one ring.

use crate::measure::focus::flat::Flat;
use crate::measure::focus::optics::Optics;
use crate::measure::focus::refine::{Fit, Fitter};
use crate::measure::focus::sums::Place;
use std::f64::consts::{PI, TAU};

/// Bins of phase in which a ring is looked at.
pub const BINS_A_RING: f64 = 8.0;
/// The fewest that make a window.
const LEAST_IN_WINDOW: usize = 7;
/// A ring stands out by this many standard deviations.
const STANDS_OUT: f64 = 2.5;
/// Rings agree down to this correlation.
const AGREES: f64 = 0.5;

/// The aligned curve of a tilt.
#[derive(Debug, Clone, PartialEq)]
pub struct Rings {
    /// Power over the background, by ring of the grid; 0 weight where nothing fell.
    pub measured: Vec<f64>,
    /// Fitted power over the background.
    pub fitted: Vec<f64>,
    /// Weight of each ring.
    pub weight: Vec<f64>,
    /// Phase Φ of each ring.
    pub phase: Vec<f64>,
    /// Frequency of each ring in cycles a pixel.
    pub frequency: Vec<f64>,
    /// First ring of the fit, and one past the last at which the rings agree.
    pub band: (usize, usize),
    /// Correlation over the band from the first minimum on.
    pub agreement: f64,
    /// Minima of the fitted rings up to where they agree.
    pub minima: usize,
    /// Neighbouring rings (between minima) that stand out of the noise.
    pub strong: usize,
}

/// Aligns the maps by a fit.
pub fn rings(flat: &Flat, places: &[Place], optics: &Optics, fit: &Fit, fitter: &Fitter<'_>) -> Rings {
    let count = flat.rings;
    let (mut sum, mut weight) = (vec![0.0; count], vec![0.0; count]);
    let (mut model, mut kept_sum) = (vec![0.0; count], vec![0.0; count]);
    let half_lambda2_cs_um = 0.5 * optics.lens.wavelength_nm.powi(2) * optics.lens.cs_nm * 1e-3;
    let phase: Vec<f64> = (0..count).map(|j| optics.ring_a[j] * fit.trial.defocus_um + optics.ring_b[j]).collect();
    let along = fit.along_um();
    let curves: Vec<(f64, f64)> = (0..count).map(|j| fitter.curves(fit, j)).collect();
    for ((y, n), place) in flat.y.iter().zip(&flat.n).zip(places) {
        let own = fit.trial.of(place);
        let variance = place.variance_um2 * fit.trial.slope.powi(2);
        let kept: Vec<f64> =
            (0..count).map(|j| if j < flat.band.0 { 0.0 } else { optics.kept(j, own, variance) }).collect();
        for (sector, along) in along.iter().enumerate().take(flat.sectors) {
            for j in flat.band.0..flat.band.1 {
                let cell = sector * count + j;
                let w = n * flat.w[cell];
                if w == 0.0 {
                    continue;
                }
                // a Δf - bend g⁴ is the phase: find the frequency of the middle's own underfocus with the same one.
                let square = if flat.sectors == 1 { optics.frequency[j].powi(2) } else { optics.grid.squares[cell] };
                let g2 = square / (optics.pixel_nm * optics.pixel_nm);
                let here = own + along;
                let spherical = half_lambda2_cs_um * g2;
                let mut ratio = (here - spherical) / fit.trial.defocus_um;
                if ratio <= 0.0 {
                    continue;
                }
                ratio = (here - spherical) / (fit.trial.defocus_um - spherical * ratio);
                if ratio.is_nan() || ratio <= 0.0 {
                    continue;
                }
                let to = (square * ratio).sqrt() * optics.grid.size as f64;
                let to = to as usize;
                if to < flat.band.0 || to >= flat.band.1 {
                    continue;
                }
                let level = (curves[j].0 + fitter.own_level(fit, sector, j)).max(0.05);
                // Noise is white over the band's own level: a cell counts by how much of the rings it still shows.
                let w = w * kept[j].abs();
                sum[to] += w * f64::from(y[cell]) / level;
                weight[to] += w;
                model[to] += w * curves[j].1 / level * kept[j];
                kept_sum[to] += w * kept[j].abs();
            }
        }
    }
    let divided = |sums: &[f64]| -> Vec<f64> {
        sums.iter().zip(&weight).map(|(s, w)| if *w > 0.0 { s / w } else { 0.0 }).collect()
    };
    let (measured, amplitude) = (divided(&sum), divided(&model));
    let fitted: Vec<f64> = amplitude.iter().zip(&phase).map(|(m, p)| 1.0 - m * p.cos()).collect();
    let errors: Vec<f64> =
        weight.iter().zip(&kept_sum).map(|(w, k)| if *w > 0.0 { k / (w * w) } else { 0.0 }).collect();
    Rings { frequency: optics.frequency.clone(), ..judge(flat.band, measured, fitted, weight, phase, &errors) }
}

/// The aligned curve in bins of phase: so wide that noise is averaged, so narrow that a ring has several.
struct Bin {
    first: usize,
    phase: f64,
    measured: f64,
    weight: f64,
}

fn bins((low, high): (usize, usize), measured: &[f64], weight: &[f64], phase: &[f64]) -> Vec<Bin> {
    let mut bins: Vec<Bin> = Vec::new();
    let mut part = None;
    for j in low..high {
        let now = (phase[j] / TAU * BINS_A_RING).floor() as i64;
        if part != Some(now) {
            bins.push(Bin { first: j, phase: 0.0, measured: 0.0, weight: 0.0 });
            part = Some(now);
        }
        if let Some(bin) = bins.last_mut() {
            bin.phase += weight[j] * phase[j];
            bin.measured += weight[j] * measured[j];
            bin.weight += weight[j];
        }
    }
    bins.retain(|bin| bin.weight > 0.0);
    for bin in &mut bins {
        bin.phase /= bin.weight;
        bin.measured /= bin.weight;
    }
    bins
}

/// Correlation of measured and fitted rings from the first minimum to the end of a band.
pub fn over(rings: &Rings, band: (usize, usize)) -> f64 {
    let bins = bins(band, &rings.measured, &rings.weight, &rings.phase);
    let first = bins.iter().position(|bin| bin.phase >= TAU).unwrap_or(bins.len());
    correlation(&bins[first..]).unwrap_or(0.0)
}

/// Measured and fitted curve held against each other.
fn judge(
    (low, high): (usize, usize),
    measured: Vec<f64>,
    fitted: Vec<f64>,
    weight: Vec<f64>,
    phase: Vec<f64>,
    errors: &[f64],
) -> Rings {
    let bins = bins((low, high), &measured, &weight, &phase);
    let first = bins.iter().position(|bin| bin.phase >= TAU).unwrap_or(bins.len());
    let local: Vec<Option<f64>> = (0..bins.len()).map(|at| correlation(window(&bins, at))).collect();
    let fallen = (first..bins.len()).find(|&at| local[at].is_none_or(|r| r < AGREES)).unwrap_or(bins.len());
    let end = bins.get(fallen).map_or(high, |bin| bin.first);
    let agreement = correlation(&bins[first.min(fallen)..fallen]).unwrap_or(0.0);
    let last = phase[end.saturating_sub(1).max(low)];
    let minima = if fallen > first { (last / TAU).floor() as usize } else { 0 };
    let strong = strong_rings(low..high, &measured, &phase, errors);
    Rings { measured, fitted, weight, phase, frequency: Vec::new(), band: (low, end), agreement, minima, strong }
}

/// Bins within half a ring of one, and at least so many.
fn window(bins: &[Bin], at: usize) -> &[Bin] {
    let near = |bin: &Bin| (bin.phase - bins[at].phase).abs() <= PI;
    let from = bins.iter().position(near).unwrap_or(at).min(at.saturating_sub(LEAST_IN_WINDOW / 2));
    let to = bins.iter().rposition(near).unwrap_or(at).max(at + LEAST_IN_WINDOW / 2) + 1;
    &bins[from..to.min(bins.len())]
}

/// Correlation of the measured power with -cos Φ.
fn correlation(bins: &[Bin]) -> Option<f64> {
    if bins.len() < 5 {
        return None;
    }
    let x = centred(bins.iter().map(|bin| bin.measured));
    let y = centred(bins.iter().map(|bin| -bin.phase.cos()));
    let product = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    let norm = (product(&x, &x) * product(&y, &y)).sqrt();
    (norm > 0.0).then(|| product(&x, &y) / norm)
}

fn centred(values: impl Iterator<Item = f64>) -> Vec<f64> {
    let values: Vec<f64> = values.collect();
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    values.iter().map(|value| value - mean).collect()
}

/// The longest row of neighbouring rings whose measured power stands out of its noise.
fn strong_rings(range: std::ops::Range<usize>, measured: &[f64], phase: &[f64], errors: &[f64]) -> usize {
    let mut by_ring: std::collections::BTreeMap<i64, (f64, f64)> = std::collections::BTreeMap::new();
    for j in range.filter(|&j| errors[j] > 0.0) {
        let (sum, norm) = by_ring.entry((phase[j] / TAU).floor() as i64).or_default();
        *sum -= (measured[j] - 1.0) * phase[j].cos() / errors[j];
        *norm += phase[j].cos().powi(2) / errors[j];
    }
    let stands = by_ring.values().map(|(sum, norm)| *sum >= STANDS_OUT * norm.sqrt());
    let (longest, _) = stands.fold((0, 0), |(longest, row), stands| {
        let row = if stands { row + 1 } else { 0 };
        (row.max(longest), row)
    });
    longest
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rings of a period of 20 grid rings that end at ring 160.
    fn judged(noise: f64) -> Rings {
        let phase: Vec<f64> = (0..240).map(|j| TAU * f64::from(j) / 20.0).collect();
        let rough = |j: usize| noise * (((j * 7919) % 31) as f64 / 15.0 - 1.0);
        let amplitude = |j: usize| if j < 160 { 0.4 } else { 0.0 };
        let measured = phase.iter().enumerate().map(|(j, p)| 1.0 - amplitude(j) * p.cos() + rough(j)).collect();
        judge((6, 230), measured, vec![1.0; 240], vec![1.0; 240], phase, &[0.01; 240])
    }

    #[test]
    fn rings_agree_down_to_where_they_end() {
        let rings = judged(0.1);
        assert!(rings.agreement > 0.95 && rings.strong == 8, "{} {}", rings.agreement, rings.strong);
        assert!((150..=172).contains(&rings.band.1), "{}", rings.band.1);
        assert_eq!(rings.minima, rings.band.1.saturating_sub(1) / 20);
    }

    #[test]
    fn noise_has_no_rings() {
        let phase: Vec<f64> = (0..240).map(|j| TAU * f64::from(j) / 20.0).collect();
        let measured = (0..240).map(|j: usize| 1.0 + 0.1 * (((j * 7919) % 31) as f64 / 15.0 - 1.0)).collect();
        let rings = judge((6, 230), measured, vec![1.0; 240], vec![1.0; 240], phase, &[0.01; 240]);
        assert!(rings.strong < 2 && rings.minima < 3);
    }
}
