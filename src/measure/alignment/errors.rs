//! The errors of what a fit found.

use crate::measure::alignment::equations::{Layout, OfTrack, gather, misfits, residuals};
use crate::measure::alignment::fit::{Fit, Sight};
use crate::measure::alignment::model::{Model, directions};
use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;
use std::collections::BTreeMap;

/// A settled fit with the errors of what it found. `None` where the equations cannot be solved.
pub fn finish(
    model: Model,
    layout: Layout,
    sights: &[Sight],
    (by_track, height): (&[Vec<usize>], f64),
    (start, cell_px): (usize, f64),
    weights: Vec<f64>,
    scale: f64,
) -> Option<Fit> {
    let equations = gather(&model, &layout, sights, (by_track, height), &weights, scale);
    let inverse = equations.covariance()?;
    // Errors of one track at neighbouring tilts go together, and so do those of tracks that share matter: what each cell of
    // the field says as a whole, scattered over the cells, is the other estimate of the errors (clustered sandwich; Liang &
    // Zeger 1986). The larger one counts.
    let mut clusters: BTreeMap<(i64, i64), DVector<f64>> = BTreeMap::new();
    for (track, own) in equations.tracks.iter().enumerate().filter(|(track, _)| !by_track[*track].is_empty()) {
        let [u, v, _] = model.points[track];
        let cell = ((u / cell_px).floor() as i64, (v / cell_px).floor() as i64);
        let sum = clusters.entry(cell).or_insert_with(|| DVector::zeros(layout.count));
        *sum += &own.score;
    }
    let mut meat = DMatrix::<f64>::zeros(layout.count, layout.count);
    for score in clusters.values() {
        meat.ger(1.0, score, score, 1.0);
    }
    let cells = clusters.len() as f64;
    let clustered = &inverse * meat * &inverse * (cells / (cells - 1.0).max(1.0));
    let mut covariance = inverse.clone();
    for k in 0..layout.count {
        let widen = (clustered[(k, k)] / inverse[(k, k)].max(1e-300)).max(1.0).sqrt();
        covariance.row_mut(k).scale_mut(widen);
        covariance.column_mut(k).scale_mut(widen);
    }
    let covariance = given_origin(covariance, &model, &layout, start);
    let misfits = misfits(&model, sights);
    let residuals: Vec<[f64; 2]> =
        residuals(&model, sights).into_iter().map(|left| left.map_or([f64::NAN; 2], |left| left.into())).collect();
    let together = together(sights, &residuals, &weights);
    let variances = |own: &OfTrack| {
        let through = &own.coupling * own.inverse;
        let whole = own.inverse + through.tr_mul(&(&covariance * &through));
        [0, 1, 2].map(|k| whole[(k, k)] * together)
    };
    let point_variances = equations.tracks.par_iter().map(variances).collect();
    Some(Fit { point_variances, together, misfits, model, residuals, weights, scale, covariance, layout })
}

/// Covariance once it is settled where heights begin: the movement of all shifts that a common height makes is held.
fn given_origin(covariance: DMatrix<f64>, model: &Model, layout: &Layout, start: usize) -> DMatrix<f64> {
    let mut common = DVector::<f64>::zeros(layout.count);
    for (tilt, at) in layout.shifts.iter().enumerate() {
        let (Some(at), Some(pose)) = (at, &model.poses[tilt]) else { continue };
        let (p, _) = directions(model.axis - pose.turn);
        let rise = model.tilts[tilt].sin() - model.tilts[start].tan() * model.tilts[tilt].cos();
        common[*at] = p[0] * rise;
        common[at + 1] = p[1] * rise;
    }
    let leaning = &covariance * &common;
    let variance = common.dot(&leaning);
    if variance <= 0.0 {
        return covariance;
    }
    &covariance - &leaning * leaning.transpose() / variance
}

/// By how much variances grow because residuals of a track at neighbouring tilts go together: (1 + ρ)/(1 - ρ) of their
/// correlation ρ.
fn together(sights: &[Sight], residuals: &[[f64; 2]], weights: &[f64]) -> f64 {
    let (mut both, mut one) = (0.0, 0.0);
    for pair in 1..sights.len() {
        let (a, b) = (pair - 1, pair);
        if sights[a].track == sights[b].track && residuals[a][0].is_finite() && residuals[b][0].is_finite() {
            let weight = weights[a].min(weights[b]).min(1.0);
            let ([ax, ay], [bx, by]) = (residuals[a], residuals[b]);
            both += weight * (ax * bx + ay * by);
            one += weight * 0.5 * (ax * ax + ay * ay + bx * bx + by * by);
        }
    }
    let correlation = if one > 0.0 { (both / one).clamp(0.0, 0.9) } else { 0.0 };
    (1.0 + correlation) / (1.0 - correlation)
}
