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
    /// Mean square length over the tracks, noise taken off (may be below none by chance).
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
    let design = DMatrix::from_fn(of.len(), count, |r, c| row(&model.terms[sights[of[r]].track], count)[c]);
    let svd = design.clone().svd(true, true);
    let mut mean_square = 0.0;
    let mut coefficients = [Vec::new(), Vec::new()];
    for (k, out) in coefficients.iter_mut().enumerate() {
        let target = DVector::from_fn(of.len(), |r, _| fit.residuals[of[r]][k]);
        let solution = svd.solve(&target, 1e-9).ok()?;
        let field = &design * &solution;
        let (n, cells, count) = (of.len() as f64, cells as f64, count as f64);
        let noise = (&target - &field).norm_squared() / n * cells / (cells - count).max(1.0);
        mean_square += field.norm_squared() / n - noise * count / cells;
        *out = solution.iter().copied().collect();
    }
    Some(Left { coefficients, mean_square, tracks: of.len() })
}

/// Root mean square of the field over all tilts that tell it.
pub fn rms(fields: &[Option<Left>]) -> Option<f64> {
    let known: Vec<f64> = fields.iter().flatten().map(|left| left.mean_square).collect();
    (!known.is_empty()).then(|| (known.iter().sum::<f64>() / known.len() as f64).max(0.0).sqrt())
}
