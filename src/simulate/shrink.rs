//! The section shrinks under the beam, in its plane, in proportion to the dose that it received in the series.

use crate::simulate::recipe::Recipe;
use serde::{Deserialize, Serialize};

/// How far the section has shrunk when the last tilt is recorded, against the first.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Shrink {
    /// Across the tilt axis; below zero it grows.
    pub across_percent: f64,
    /// Along the tilt axis.
    pub along_percent: f64,
}

/// Share of the dose received before the last tilt that each tilt had received before it, in order of acquisition.
pub fn received(recipe: &Recipe, doses: &[f64]) -> Vec<f64> {
    let mut received = 0.0;
    let before: Vec<f64> = doses
        .iter()
        .map(|dose| {
            let before = received;
            received += dose + recipe.beam.overhead_per_tilt_e_per_a2;
            before
        })
        .collect();
    let whole = before.last().copied().filter(|&last| last > 0.0).unwrap_or(1.0);
    before.iter().map(|before| before / whole).collect()
}

/// Scale across and along the axis at each tilt, in order of acquisition, from the doses of the tilts' exposures.
pub fn scales(recipe: &Recipe, doses: &[f64]) -> Vec<[f64; 2]> {
    let Some(shrink) = recipe.shrink else { return vec![[1.0; 2]; doses.len()] };
    let scale = |percent: f64, share: f64| 1.0 - 0.01 * percent * share;
    let at = |share: &f64| [shrink.across_percent, shrink.along_percent].map(|p| scale(p, *share));
    received(recipe, doses).iter().map(at).collect()
}
