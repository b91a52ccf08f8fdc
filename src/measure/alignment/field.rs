//! What the rigid model leaves, as a smooth field over the picture.
//!
//! At each tilt a polynomial over the field is fitted to what is left of the tracks, robustly weighted as in the fit. Noise
//! of the tracks puts something into any polynomial: the share that it can be expected to is taken off.

use crate::measure::alignment::fit::{Fit, Sight};
use crate::measure::alignment::model::{Model, TERMS};
use nalgebra::{DMatrix, DVector};
use std::collections::BTreeSet;

/// The polynomial of second degree needs so many tracks, that of the first degree these.
const FOR_SECOND: usize = 12;
const FOR_FIRST: usize = 6;
/// A sight that counts less than this is an outlier: at 3.5 robust standard deviations.
pub const OUTLIER: f64 = 0.33;

/// The field left at one tilt: coefficients of 1 and the terms, for x and y.
#[derive(Debug, Clone, PartialEq)]
pub struct Left {
    coefficients: [Vec<f64>; 2],
    /// Mean square length over the tracks, each by how well it knows its place, noise taken off (may be below none by chance).
    pub mean_square: f64,
    /// How many tracks tell it.
    pub tracks: usize,
}

impl Left {
    /// Displacement at a place by its terms.
    pub fn at(&self, terms: &[f64; TERMS]) -> [f64; 2] {
        self.coefficients.each_ref().map(|c| row(terms, c.len()).iter().zip(c).map(|(t, c)| t * c).sum())
    }
}

fn row(terms: &[f64; TERMS], count: usize) -> Vec<f64> {
    std::iter::once(1.0).chain(terms.iter().copied()).take(count).collect()
}

/// The field left at a tilt; `None` with too few tracks. Tracks within a cell of `cell_px` err together and count as one.
pub fn left(model: &Model, sights: &[Sight], fit: &Fit, tilt: usize, cell_px: f64) -> Option<Left> {
    let of: Vec<usize> =
        (0..sights.len()).filter(|&at| sights[at].tilt == tilt && fit.weights[at] >= OUTLIER).collect();
    let cell = |at: &usize| {
        let [u, v, _] = model.points[sights[*at].track];
        ((u / cell_px).floor() as i64, (v / cell_px).floor() as i64)
    };
    let cells = of.iter().map(cell).collect::<BTreeSet<_>>().len();
    let count = match cells {
        n if n >= FOR_SECOND => TERMS + 1,
        n if n >= FOR_FIRST => 3,
        _ => return None,
    };
    // A sight that knows its place badly says nothing of a field: it fits the model, however far off it lies.
    let variances: Vec<f64> = of.iter().map(|&at| variance(&sights[at])).collect();
    let usual = middle(&variances)?;
    let roots: Vec<f64> = variances.iter().map(|variance| (usual / variance).min(1.0).sqrt()).collect();
    let design = DMatrix::from_fn(of.len(), count, |r, c| roots[r] * row(&model.terms[sights[of[r]].track], count)[c]);
    let svd = design.clone().svd(true, true);
    let n = roots.iter().map(|root| root * root).sum::<f64>();
    let mut mean_square = 0.0;
    let mut coefficients = [Vec::new(), Vec::new()];
    for (k, out) in coefficients.iter_mut().enumerate() {
        let target = DVector::from_fn(of.len(), |r, _| roots[r] * fit.residuals[of[r]][k]);
        let solution = svd.solve(&target, 1e-9).ok()?;
        let field = &design * &solution;
        let (cells, count) = (cells as f64, count as f64);
        let noise = (&target - &field).norm_squared() / n * cells / (cells - count).max(1.0);
        mean_square += field.norm_squared() / n - noise * count / cells;
        *out = solution.iter().copied().collect();
    }
    Some(Left { coefficients, mean_square, tracks: of.len() })
}

/// Of a sight's place, the mean of its two directions.
fn variance(sight: &Sight) -> f64 {
    let [xx, xy, yy] = sight.information;
    0.5 * (xx + yy) / (xx * yy - xy * xy).max(1e-12)
}

fn middle(values: &[f64]) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied()
}

/// Root mean square of the field over all tilts that tell it.
pub fn rms(fields: &[Option<Left>]) -> Option<f64> {
    let known: Vec<f64> = fields.iter().flatten().map(|left| left.mean_square).collect();
    (!known.is_empty()).then(|| (known.iter().sum::<f64>() / known.len() as f64).max(0.0).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::alignment::fit::{Freedom, fit};
    use crate::measure::alignment::model::{Pose, terms};

    #[test]
    fn a_sight_that_knows_its_place_badly_makes_no_field() {
        let at = |k: usize, m: usize, n: usize| ((k * m) % n) as f64 / n as f64 - 0.5;
        let points: Vec<[f64; 3]> =
            (0..20).map(|k| [500.0 * at(k, 7, 20), 500.0 * at(k, 13, 19), 120.0 * at(k, 11, 17)]).collect();
        let truth = Model {
            tilts: vec![-0.8, -0.4, 0.0, 0.4, 0.8],
            growth: vec![0.0; 5],
            axis: 0.4,
            poses: vec![Some(Pose::default()); 5],
            terms: points.iter().map(|p| terms([p[0], p[1]], 250.0)).collect(),
            points,
            warp: None,
            along: Vec::new(),
        };
        let sight = |at: usize| {
            let (track, tilt) = (at / 5, at % 5);
            let (off, sure) = if (track, tilt) == (3, 4) { (60.0, 1e-6) } else { (0.0, 100.0) };
            let [x, y] = truth.expected(track, tilt).unwrap();
            Sight { track, tilt, at: [x + off, y], information: [sure, 0.0, sure] }
        };
        let sights: Vec<Sight> = (0..100).map(sight).collect();
        let freedom = Freedom { axis: true, stated_errors: true, ..Freedom::default() };
        let fit = fit(&truth, &sights, 2, freedom).unwrap();
        let left = left(&fit.model, &sights, &fit, 4, 1.0).unwrap();
        assert!(left.tracks == 20 && left.mean_square < 0.01, "{left:?}");
    }
}
