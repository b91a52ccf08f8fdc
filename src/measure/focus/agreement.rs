//! How well and how far measured rings agree with the fitted ones.
//!
//! Every cell is brought to the frequency at which the underfocus of the picture's middle has the same phase, so that
//! maps and sectors of different underfocus add up to one curve. It is held against the fitted rings in windows of at
//! least one ring.

use crate::measure::focus::flat::Flat;
use crate::measure::focus::grid::Grid;
use crate::measure::focus::optics::Optics;
use crate::measure::focus::refine::{Fit, Fitter};
use crate::measure::focus::sums::Place;
use std::f64::consts::{PI, TAU};

/// Fewer rings of the grid than this make no window.
const LEAST_IN_WINDOW: usize = 7;
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
    /// Correlation in the window about each ring; `None` outside of the band.
    pub local: Vec<Option<f64>>,
    /// First ring of the fit, and one past the last at which the rings agree.
    pub band: (usize, usize),
    /// Correlation over the band from the first minimum on.
    pub agreement: f64,
    /// Minima of the fitted rings up to where they agree.
    pub minima: usize,
    /// Rings (between minima) in which signal stands five standard deviations over the noise.
    pub strong: usize,
}

/// Aligns the maps by a fit.
pub fn rings(flat: &Flat, places: &[Place], optics: &Optics, fit: &Fit, fitter: &Fitter<'_>) -> Rings {
    let count = flat.rings;
    let (mut sum, mut weight) = (vec![0.0; count], vec![0.0; count]);
    let (mut model, mut kept_sum) = (vec![0.0; count], vec![0.0; count]);
    let half_lambda2_cs_um = 0.5 * optics.lens.wavelength_nm.powi(2) * optics.lens.cs_nm * 1e-3;
    let phase: Vec<f64> =
        (0..count).map(|j| optics.ring_a[j] * fit.trial.defocus_um + optics.ring_b[j]).collect();
    let along: Vec<f64> = (0..flat.sectors)
        .map(|sector| {
            let (sine, cosine) = (2.0 * Grid::azimuth_rad(sector)).sin_cos();
            fit.astigmatism_um[0] * cosine + fit.astigmatism_um[1] * sine
        })
        .collect();
    let curves: Vec<(f64, f64)> = (0..count).map(|j| fitter.curves(fit, j)).collect();
    for ((y, n), place) in flat.y.iter().zip(&flat.n).zip(places) {
        let own = fit.trial.of(place);
        let variance = place.variance_um2 * fit.trial.slope.powi(2);
        let kept: Vec<f64> = (0..count).map(|j| if j < flat.band.0 { 0.0 } else { optics.kept(j, own, variance) }).collect();
        for (sector, along) in along.iter().enumerate() {
            for j in flat.band.0..flat.band.1 {
                let cell = sector * count + j;
                let w = n * flat.w[cell];
                if w == 0.0 {
                    continue;
                }
                // a Δf - bend g⁴ is the phase: find the frequency of the middle's own underfocus with the same one.
                let square = optics.grid.squares[cell];
                let g2 = square / (optics.pixel_nm * optics.pixel_nm);
                let here = own + along;
                let spherical = half_lambda2_cs_um * g2;
                let mut ratio = (here - spherical) / fit.trial.defocus_um;
                if ratio <= 0.0 {
                    continue;
                }
                ratio = (here - spherical) / (fit.trial.defocus_um - spherical * ratio);
                if !(ratio > 0.0) {
                    continue;
                }
                let to = (square * ratio).sqrt() * optics.grid.size as f64;
                let to = to as usize;
                if to < flat.band.0 || to >= flat.band.1 {
                    continue;
                }
                let level = curves[j].0.max(0.05);
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
    let errors: Vec<f64> = weight.iter().zip(&kept_sum).map(|(w, k)| if *w > 0.0 { k / (w * w) } else { 0.0 }).collect();
    judge(flat.band, measured, fitted, amplitude, weight, phase, &errors)
}

fn judge(
    (low, high): (usize, usize),
    measured: Vec<f64>,
    fitted: Vec<f64>,
    amplitude: Vec<f64>,
    weight: Vec<f64>,
    phase: Vec<f64>,
    errors: &[f64],
) -> Rings {
    let first_minimum = (low..high).find(|&j| phase[j] >= TAU).unwrap_or(high);
    let correlate = |range: std::ops::Range<usize>| {
        let used: Vec<usize> = range.filter(|&j| weight[j] > 0.0).collect();
        correlation(&used, &measured, &phase)
    };
    let mut local = vec![None; measured.len()];
    for (j, local) in local.iter_mut().enumerate().take(high).skip(low) {
        // One ring is 2π of Φ; where it is narrower than the least window, that.
        let from = (low..=j).rev().take_while(|&i| phase[j] - phase[i] <= PI).last().unwrap_or(j);
        let to = (j..high).take_while(|&i| phase[i] - phase[j] <= PI).last().unwrap_or(j) + 1;
        let (from, to) = (from.min(j.saturating_sub(LEAST_IN_WINDOW / 2)).max(low), to.max(j + LEAST_IN_WINDOW / 2 + 1).min(high));
        *local = correlate(from..to);
    }
    let end = (first_minimum..high).find(|&j| local[j].is_none_or(|r| r < AGREES)).unwrap_or(high);
    let agreement = correlate(first_minimum..end.max(first_minimum)).unwrap_or(0.0);
    let last = phase[end.saturating_sub(1).max(low)];
    let minima = if end > first_minimum { (last / TAU).floor() as usize } else { 0 };
    let strong = strong_rings(low..end, &amplitude, &phase, errors);
    Rings { measured, fitted, weight, phase, local, band: (low, end), agreement, minima, strong }
}

/// Correlation of the measured power with -cos Φ, a straight line over the window taken off both.
fn correlation(used: &[usize], measured: &[f64], phase: &[f64]) -> Option<f64> {
    if used.len() < LEAST_IN_WINDOW.min(5) {
        return None;
    }
    let x: Vec<f64> = used.iter().map(|&j| measured[j]).collect();
    let y: Vec<f64> = used.iter().map(|&j| -phase[j].cos()).collect();
    let (x, y) = (centred(&x), centred(&y));
    let product = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    let norm = (product(&x, &x) * product(&y, &y)).sqrt();
    (norm > 0.0).then(|| product(&x, &y) / norm)
}

fn centred(values: &[f64]) -> Vec<f64> {
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    values.iter().map(|value| value - mean).collect()
}

/// Rings whose fitted power over its error is at least 5.
fn strong_rings(range: std::ops::Range<usize>, amplitude: &[f64], phase: &[f64], errors: &[f64]) -> usize {
    let mut by_ring: std::collections::BTreeMap<i64, f64> = std::collections::BTreeMap::new();
    for j in range.filter(|&j| errors[j] > 0.0) {
        let signal = amplitude[j] * phase[j].cos();
        *by_ring.entry((phase[j] / TAU).floor() as i64).or_default() += signal * signal / errors[j];
    }
    by_ring.values().filter(|square| **square >= 25.0).count()
}
