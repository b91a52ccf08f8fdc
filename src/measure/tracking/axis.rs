//! The direction of the tilt axis out of the pictures: as the stage tilts, places move against each other across the
//! axis alone.
//!
//! Between two tilts the picture shrinks across the axis, and what lies at different heights moves apart across it as
//! well; along the axis nothing but the error of registration is left. So the direction is sought along which the
//! patches of each pair of tilts, their common movement taken off, differ by no more than their errors: the greatest
//! likelihood, with Student's t as the law of errors and each patch's own covariance (texture that runs one way tells
//! nothing along itself).

use crate::measure::tracking::chain::Chain;
use crate::measure::tracking::link::apply;
use crate::measure::tracking::patches::{Bits, to_picture};
use rayon::prelude::*;
use std::collections::BTreeMap;

/// Fewer pairs of tilts, or fewer patches in one, tell nothing.
const FEWEST_PAIRS: usize = 4;
const FEWEST_PATCHES: usize = 5;
const FREEDOM: f64 = 3.0;
/// Along the axis, patches scatter by this at least, in pixels of the kept picture.
const LEAST_SD_PX: f64 = 0.1;
/// Steps of the search in degrees: all around, then about the best.
const COARSE_DEG: f64 = 3.0;
const FINE_DEG: f64 = 0.1;
const FINE_REACH: i32 = 60;
/// Parts that are left out in turn, of the pairs and of the patches.
const PARTS: usize = 12;
const ROUNDS: usize = 2;

/// A direction found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Found {
    /// Direction of the axis, 0 up to 180: along (sin a, cos a).
    pub axis_deg: f64,
    /// One standard error: the larger of those by leaving out pairs of tilts, and patches.
    pub error_deg: f64,
    /// How much more places move against each other across the axis than along it.
    pub contrast: f64,
}

/// Angle between two axes, -90 to 90.
pub fn apart_deg(a: f64, b: f64) -> f64 {
    (a - b + 90.0).rem_euclid(180.0) - 90.0
}

/// A patch's movement in the picture between two tilts, and its covariance (xx, xy, yy).
struct Movement {
    patch: usize,
    moved: [f64; 2],
    covariance: [f64; 3],
}

/// Finds the direction; `across` is the one that the patches were cut with. `None` where too little is seen.
pub fn find(tilts_deg: &[f64], across: Option<[f64; 2]>, chain: &Chain, bits: &Bits) -> Option<Found> {
    let pairs = movements(tilts_deg, across, chain, bits);
    if pairs.len() < FEWEST_PAIRS {
        return None;
    }
    let mut scale = 1.0;
    let mut best = 0.0;
    for _ in 0..ROUNDS {
        let steps = (180.0 / COARSE_DEG) as usize;
        let coarse: Vec<f64> =
            (0..steps).into_par_iter().map(|k| Table::of(&pairs, k as f64 * COARSE_DEG, scale).all).collect();
        best = (0..steps).min_by(|&a, &b| coarse[a].total_cmp(&coarse[b]))? as f64 * COARSE_DEG;
        scale = misfit(&pairs, best)?;
    }
    let angles: Vec<f64> = (-FINE_REACH..=FINE_REACH).map(|k| best + FINE_DEG * f64::from(k)).collect();
    let tables: Vec<Table> = angles.par_iter().map(|&deg| Table::of(&pairs, deg, scale)).collect();
    let all = lowest(&angles, &tables.iter().map(|table| table.all).collect::<Vec<f64>>());
    let error = |parts: &dyn Fn(&Table) -> [f64; PARTS]| {
        let without = |part: usize| -> Vec<f64> { tables.iter().map(|t| t.all - parts(t)[part]).collect() };
        let found: Vec<f64> = (0..PARTS).map(|part| lowest(&angles, &without(part))).collect();
        let n = PARTS as f64;
        let mean = found.iter().sum::<f64>() / n;
        ((n - 1.0) / n * found.iter().map(|deg| (deg - mean).powi(2)).sum::<f64>()).sqrt()
    };
    let (of_pairs, of_patches) = (error(&|table| table.by_pairs), error(&|table| table.by_patches));
    let contrast = (misfit(&pairs, all + 90.0)? / misfit(&pairs, all)?).sqrt();
    Some(Found { axis_deg: all.rem_euclid(180.0), error_deg: of_pairs.max(of_patches), contrast })
}

/// The movements of each pair of tilts.
fn movements(tilts_deg: &[f64], across: Option<[f64; 2]>, chain: &Chain, bits: &Bits) -> Vec<Vec<Movement>> {
    let mut pairs: BTreeMap<(usize, usize), Vec<Movement>> = BTreeMap::new();
    for bit in &bits.all {
        let (a, b) = bit.tilts;
        let (Some(from), Some(_)) = (bits.cut_at[a], chain.places[b]) else { continue };
        let (view_a, view_b) = (to_picture(across, tilts_deg[a]), to_picture(across, tilts_deg[b]));
        let before = [from[0] + bit.at[0], from[1] + bit.at[1]];
        let after = [before[0] + bit.moved[0], before[1] + bit.moved[1]];
        let (at_a, at_b) = (apply(view_a, before), apply(view_b, after));
        let Some(covariance) = covariance(bit.information, view_b) else { continue };
        let moved = [at_b[0] - at_a[0], at_b[1] - at_a[1]];
        pairs.entry(bit.tilts).or_default().push(Movement { patch: bit.patch, moved, covariance });
    }
    pairs.into_values().filter(|pair| pair.len() >= FEWEST_PATCHES).collect()
}

/// V I⁻¹ Vᵀ.
fn covariance([xx, xy, yy]: [f64; 3], view: [[f64; 2]; 2]) -> Option<[f64; 3]> {
    let det = xx * yy - xy * xy;
    (det > 0.0).then(|| covariance_seen([yy / det, -xy / det, xx / det], view))
}

/// V C Vᵀ: a covariance (xx, xy, yy) of places in the specimen, in the picture.
pub fn covariance_seen([xx, xy, yy]: [f64; 3], view: [[f64; 2]; 2]) -> [f64; 3] {
    let (a, b) = (apply(view, [xx, xy]), apply(view, [xy, yy]));
    let row = |k: usize| [a[k], b[k]];
    let (first, second) = (apply(view, row(0)), apply(view, row(1)));
    [first[0], first[1], second[1]]
}

/// Movements along an axis with their variances.
fn along(pair: &[Movement], axis_deg: f64) -> Vec<(f64, f64)> {
    let (sine, cosine) = axis_deg.to_radians().sin_cos();
    let one = |m: &Movement| {
        let [xx, xy, yy] = m.covariance;
        let variance = sine * sine * xx + 2.0 * sine * cosine * xy + cosine * cosine * yy;
        (sine * m.moved[0] + cosine * m.moved[1], variance + LEAST_SD_PX * LEAST_SD_PX)
    };
    pair.iter().map(one).collect()
}

/// Minus the logarithm of the likelihood, were the axis so: of all, and of each part.
struct Table {
    all: f64,
    by_pairs: [f64; PARTS],
    by_patches: [f64; PARTS],
}

impl Table {
    fn of(pairs: &[Vec<Movement>], axis_deg: f64, scale: f64) -> Self {
        let mut table = Self { all: 0.0, by_pairs: [0.0; PARTS], by_patches: [0.0; PARTS] };
        for (at, pair) in pairs.iter().enumerate() {
            let along = along(pair, axis_deg);
            let common = common(&along, scale);
            for ((moved, variance), movement) in along.iter().zip(pair) {
                let misfit = (moved - common).powi(2) / (variance * scale);
                let unlikely = 0.5 * variance.ln() + 0.5 * (FREEDOM + 1.0) * (misfit / FREEDOM).ln_1p();
                table.all += unlikely;
                table.by_pairs[at * PARTS / pairs.len()] += unlikely;
                table.by_patches[movement.patch % PARTS] += unlikely;
            }
        }
        table
    }
}

/// Common movement by reweighting.
fn common(along: &[(f64, f64)], scale: f64) -> f64 {
    let mut sorted: Vec<f64> = along.iter().map(|(moved, _)| *moved).collect();
    sorted.sort_by(f64::total_cmp);
    let mut common = sorted.get(sorted.len() / 2).copied().unwrap_or(0.0);
    for _ in 0..3 {
        let (mut sum, mut weights) = (0.0, 0.0);
        for (moved, variance) in along {
            let misfit = (moved - common).powi(2) / (variance * scale);
            let weight = (FREEDOM + 1.0) / (FREEDOM + misfit) / variance;
            sum += weight * moved;
            weights += weight;
        }
        common = sum / weights.max(1e-30);
    }
    common
}

/// Median misfit over what a normal law gives; `None` without movements.
fn misfit(pairs: &[Vec<Movement>], axis_deg: f64) -> Option<f64> {
    let of = |pair: &Vec<Movement>| {
        let along = along(pair, axis_deg);
        let common = common(&along, 1.0);
        along.into_iter().map(move |(moved, variance)| (moved - common).powi(2) / variance).collect::<Vec<_>>()
    };
    let mut all: Vec<f64> = pairs.iter().flat_map(of).collect();
    all.sort_by(f64::total_cmp);
    // Median of a χ² of one degree of freedom.
    all.get(all.len() / 2).map(|median| (median / 0.455).max(0.05))
}

/// Where a table is lowest, between its entries by a parabola.
fn lowest(angles: &[f64], table: &[f64]) -> f64 {
    let best = (0..table.len()).min_by(|&a, &b| table[a].total_cmp(&table[b])).unwrap_or(0);
    if best == 0 || best + 1 == table.len() {
        return angles[best];
    }
    let (before, at, after) = (table[best - 1], table[best], table[best + 1]);
    let bend = before - 2.0 * at + after;
    let top = if bend > 0.0 { (0.5 * (before - after) / bend).clamp(-1.0, 1.0) } else { 0.0 };
    angles[best] + top * (angles[1] - angles[0])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::tracking::chain::Place;
    use crate::measure::tracking::patches::{Bit, to_specimen};

    /// Patches of a slab at heights of their own, seen at tilts about an axis, cut as if the axis were `cut_deg`.
    fn seen(axis_deg: f64, cut_deg: f64) -> Option<Found> {
        let angles: Vec<f64> = (0..21).map(|i| 6.0 * f64::from(i) - 60.0).collect();
        let across = |deg: f64| [deg.to_radians().cos(), -deg.to_radians().sin()];
        let (truly, cut) = (across(axis_deg), Some(across(cut_deg)));
        let mut all = Vec::new();
        for a in 0..angles.len() - 1 {
            for patch in 0..16usize {
                let at = [40.0 * (patch % 4) as f64 - 60.0, 40.0 * (patch / 4) as f64 - 60.0];
                let height = ((patch * 37 + a * 11) % 41) as f64 - 20.0;
                let before = apply(to_picture(cut, angles[a]), at);
                let u = truly[0] * before[0] + truly[1] * before[1];
                let (from, to) = (angles[a].to_radians(), angles[a + 1].to_radians());
                let ratio = to.cos() / from.cos();
                let moved = (ratio - 1.0) * u + height * (to.sin() - ratio * from.sin());
                let noise = |k: usize| 0.05 * (((patch * 13 + a * 7 + k * 5) % 9) as f64 - 4.0);
                let after = [before[0] + truly[0] * moved + noise(0), before[1] + truly[1] * moved + noise(1)];
                let after = apply(to_specimen(cut, angles[a + 1]), after);
                let moved = [after[0] - at[0], after[1] - at[1]];
                all.push(Bit { tilts: (a, a + 1), patch, at, moved, information: [25.0, 0.0, 25.0] });
            }
        }
        let place = Some(Place { px: [0.0; 2], correlation: 1.0 });
        let chain = Chain { start: 10, places: vec![place; angles.len()], apart: vec![None; angles.len()] };
        find(&angles, cut, &chain, &Bits { all, cut_at: vec![Some([0.0; 2]); angles.len()], reach_px: 21.0 })
    }

    #[test]
    fn what_moves_across_the_axis_tells_it_whatever_was_stated() {
        for (axis, cut) in [(0.0, 0.0), (33.0, 33.0), (120.0, 117.0), (171.0, 81.0)] {
            let found = seen(axis, cut).unwrap();
            assert!(apart_deg(found.axis_deg, axis).abs() < 0.5, "{axis} cut at {cut}: {found:?}");
            assert!(found.error_deg < 1.0 && found.contrast > 3.0, "{found:?}");
        }
        assert!((apart_deg(179.0, 1.0) + 2.0).abs() < 1e-9 && (apart_deg(3.0, 178.0) - 5.0).abs() < 1e-9);
    }
}
