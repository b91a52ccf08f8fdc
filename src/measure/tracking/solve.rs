//! Places of all tilts out of the patches, each patch with a height of its own.
//!
//! Seen from one tilt, a patch has one height at all the tilts that it is tied to, so its movements to them tell the
//! tilts' places free of it. All places and heights are fitted together by weighted least squares; heights are few
//! numbers each of its own, and are eliminated. They scatter about mid-thickness, which is what says where that is.
//! A patch that followed something else is outweighed (Student's t as the law of errors; Lange, Little & Taylor 1989).

use crate::measure::tracking::patches::Bit;
use nalgebra::{DMatrix, DVector, Matrix2, Vector2};
use std::collections::BTreeMap;

const ROUNDS: usize = 12;
/// Degrees of freedom of the law of errors: few, for some patches are wholly wrong.
const FREEDOM: f64 = 3.0;
/// Median of a χ² of two degrees of freedom.
const MEDIAN_CHI2: f64 = 1.386;
/// Heights scatter by this at first, in pixels of the specimen, and by at least this at last.
const FIRST_HEIGHT_PX: f64 = 30.0;
const LEAST_HEIGHT_PX: f64 = 1.0;
/// Ties no more than the chain already knew, with this standard deviation in pixels of the specimen: for tilts whose
/// patches show nothing.
const CHAIN_SD_PX: f64 = 4.0;
/// Every movement counts once from each of its two tilts.
const COUNTED_TWICE: f64 = 2.0;
/// Variances are this much larger than patches by themselves say: neighbours share pixels, and a patch that holds several
/// heights is no point. On simulated series places scatter about their neighbours' by twice to three times as much.
const SHARED: f64 = 6.0;

/// A place and how sure it is against its neighbours'.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Solved {
    /// In the specimen, against the start's.
    pub place: [f64; 2],
    /// Covariance (xx, xy, yy) with the other tilts held where they are.
    pub covariance: [f64; 3],
}

/// All places.
#[derive(Debug, Clone, PartialEq)]
pub struct Solution {
    /// By tilt; `None` where the chain has none.
    pub places: Vec<Option<Solved>>,
    /// How far from mid-thickness the mean height of what is followed may lie, in pixels: heights' scatter over the
    /// root of how many patches a tilt shows. `None` without patches.
    pub mean_height_error: Option<f64>,
}

/// One tie of a patch.
struct Tie {
    from: usize,
    to: usize,
    moved: Vector2<f64>,
    information: Matrix2<f64>,
    /// tan of the second angle less tan of the first.
    rise: f64,
    weight: f64,
}

/// Ties of one patch as seen from one tilt (by index into the ties), with its height.
struct Group {
    ties: Vec<usize>,
    height: f64,
    /// Inverse of the height's variance.
    certainty: f64,
}

/// Fits the places of `tilts_deg`; `cut_at` are those of the chain, `start` lies at none. `across` is the perpendicular
/// direction. `None` for tilts without place.
pub fn solve(tilts_deg: &[f64], across: [f64; 2], bits: &[Bit], cut_at: &[Option<[f64; 2]>], start: usize) -> Solution {
    let mut fit = Fit::new(tilts_deg, across, bits, cut_at, start);
    let mut solution = None;
    for _ in 0..ROUNDS {
        let Some(next) = fit.round() else { break };
        solution = Some(next);
    }
    let place = |at: usize| {
        let chained = cut_at[at]?;
        let Some(solution) = &solution else {
            let sure = CHAIN_SD_PX * CHAIN_SD_PX;
            return Some(Solved { place: chained, covariance: [sure, 0.0, sure] });
        };
        let place = fit.index[at].map_or([0.0; 2], |i| [solution.0[2 * i], solution.0[2 * i + 1]]);
        Some(Solved { place, covariance: solution.1[at] })
    };
    let groups = fit.groups.len() as f64;
    let tilts = fit.index.iter().flatten().count() as f64;
    let mean_height_error = (groups > 0.0).then(|| fit.height_px / (groups / tilts.max(1.0)).max(1.0).sqrt());
    Solution { places: (0..tilts_deg.len()).map(place).collect(), mean_height_error }
}

/// How a height hangs on the places of its tilts, by number of the unknown.
type Couple = Vec<(usize, Vector2<f64>)>;

struct Fit<'a> {
    across: Vector2<f64>,
    cut_at: &'a [Option<[f64; 2]>],
    /// Number of each tilt's unknown place.
    index: Vec<Option<usize>>,
    unknowns: usize,
    ties: Vec<Tie>,
    groups: Vec<Group>,
    /// How much larger errors are than what patches believe, squared.
    scale: f64,
    height_px: f64,
}

impl<'a> Fit<'a> {
    fn new(tilts_deg: &[f64], across: [f64; 2], bits: &[Bit], cut_at: &'a [Option<[f64; 2]>], start: usize) -> Self {
        let mut index = vec![None; tilts_deg.len()];
        let free = (0..tilts_deg.len()).filter(|&at| at != start && cut_at[at].is_some());
        let mut unknowns = 0;
        for at in free {
            index[at] = Some(unknowns);
            unknowns += 1;
        }
        let tangent = |at: usize| tilts_deg[at].to_radians().tan();
        let tie = |bit: &Bit| Tie {
            from: bit.tilts.0,
            to: bit.tilts.1,
            moved: Vector2::new(bit.moved[0], bit.moved[1]),
            information: Matrix2::new(bit.information[0], bit.information[1], bit.information[1], bit.information[2]),
            rise: tangent(bit.tilts.1) - tangent(bit.tilts.0),
            weight: 1.0,
        };
        let mut grouped: BTreeMap<(usize, usize), Vec<usize>> = BTreeMap::new();
        for (at, bit) in bits.iter().enumerate() {
            grouped.entry((bit.tilts.0, bit.patch)).or_default().push(at);
            grouped.entry((bit.tilts.1, bit.patch)).or_default().push(at);
        }
        let groups = grouped.into_values().map(|ties| Group { ties, height: 0.0, certainty: 0.0 }).collect();
        Self {
            across: Vector2::new(across[0], across[1]),
            cut_at,
            index,
            unknowns,
            ties: bits.iter().map(tie).collect(),
            groups,
            scale: 1.0,
            height_px: FIRST_HEIGHT_PX,
        }
    }

    /// Solves once with the present weights, then weighs anew. Places of the unknowns, and covariances by tilt.
    fn round(&mut self) -> Option<(DVector<f64>, Vec<[f64; 3]>)> {
        let n = 2 * self.unknowns;
        let (mut normal, mut target) = (DMatrix::<f64>::zeros(n, n), DVector::<f64>::zeros(n));
        let prior = 1.0 / (self.height_px * self.height_px);
        let mut coupled: Vec<(f64, f64, Couple)> = Vec::with_capacity(self.groups.len());
        for group in &self.groups {
            let (mut certainty, mut known) = (prior, 0.0);
            let mut couple: Couple = Vec::with_capacity(8);
            for &at in &group.ties {
                let tie = &self.ties[at];
                let w = tie.information * (tie.weight / self.scale);
                let lean = w * self.across * tie.rise;
                certainty += tie.rise * self.across.dot(&lean);
                known += lean.dot(&tie.moved);
                let sides = [(self.index[tie.to], 1.0), (self.index[tie.from], -1.0)];
                for (i, sign) in sides.iter().filter_map(|(i, sign)| i.map(|i| (i, *sign))) {
                    let mut part = target.fixed_rows_mut::<2>(2 * i);
                    part += w * tie.moved * sign;
                    match couple.iter_mut().find(|(other, _)| *other == i) {
                        Some((_, sum)) => *sum += lean * sign,
                        None => couple.push((i, lean * sign)),
                    }
                    for (j, other) in sides.iter().filter_map(|(j, sign)| j.map(|j| (j, *sign))) {
                        let mut block = normal.fixed_view_mut::<2, 2>(2 * i, 2 * j);
                        block += w * (sign * other);
                    }
                }
            }
            for (i, a) in &couple {
                let mut part = target.fixed_rows_mut::<2>(2 * i);
                part -= a * (known / certainty);
                for (j, b) in &couple {
                    let mut block = normal.fixed_view_mut::<2, 2>(2 * i, 2 * j);
                    block -= a * b.transpose() / certainty;
                }
            }
            coupled.push((certainty, known, couple));
        }
        self.lean_on_chain(&mut normal, &mut target);
        let covariances = self.covariances(&normal);
        let solution = normal.cholesky()?.solve(&target);
        for (group, (certainty, known, couple)) in self.groups.iter_mut().zip(coupled) {
            let moved: f64 = couple.iter().map(|(i, a)| a[0] * solution[2 * i] + a[1] * solution[2 * i + 1]).sum();
            group.height = (known - moved) / certainty;
            group.certainty = certainty;
        }
        self.weigh(&solution);
        Some((solution, covariances))
    }

    /// The chain's places, weakly: differences of neighbours.
    fn lean_on_chain(&self, normal: &mut DMatrix<f64>, target: &mut DVector<f64>) {
        let known: Vec<usize> = (0..self.cut_at.len()).filter(|&at| self.cut_at[at].is_some()).collect();
        let weight = 1.0 / (CHAIN_SD_PX * CHAIN_SD_PX);
        for pair in known.windows(2) {
            let (Some(from), Some(to)) = (self.cut_at[pair[0]], self.cut_at[pair[1]]) else { continue };
            for k in 0..2 {
                let (i, j) = (self.index[pair[0]].map(|i| 2 * i + k), self.index[pair[1]].map(|j| 2 * j + k));
                let moved = to[k] - from[k];
                if let Some(j) = j {
                    normal[(j, j)] += weight;
                    target[j] += weight * moved;
                }
                if let Some(i) = i {
                    normal[(i, i)] += weight;
                    target[i] -= weight * moved;
                }
                if let (Some(i), Some(j)) = (i, j) {
                    normal[(i, j)] -= weight;
                    normal[(j, i)] -= weight;
                }
            }
        }
    }

    fn covariances(&self, normal: &DMatrix<f64>) -> Vec<[f64; 3]> {
        let one = |at: usize| {
            let Some(i) = self.index[at] else { return [0.0; 3] };
            let block = normal.fixed_view::<2, 2>(2 * i, 2 * i).into_owned();
            let inverse = block.try_inverse().unwrap_or_else(Matrix2::zeros) * (COUNTED_TWICE * SHARED);
            [inverse[(0, 0)], inverse[(0, 1)], inverse[(1, 1)]]
        };
        (0..self.cut_at.len()).map(one).collect()
    }

    /// New weights, a new scale and how much heights scatter.
    fn weigh(&mut self, solution: &DVector<f64>) {
        let place =
            |at: usize| self.index[at].map_or(Vector2::zeros(), |i| Vector2::new(solution[2 * i], solution[2 * i + 1]));
        // A tie belongs to two groups: the height of the two that fits it better speaks for it.
        let mut misfits = vec![f64::INFINITY; self.ties.len()];
        for group in &self.groups {
            for &at in &group.ties {
                let tie = &self.ties[at];
                let left = tie.moved - (place(tie.to) - place(tie.from)) - self.across * (tie.rise * group.height);
                let misfit = left.dot(&(tie.information * left));
                misfits[at] = if misfits[at].is_finite() { 0.5 * (misfits[at] + misfit) } else { misfit };
            }
        }
        let mut sorted = misfits.clone();
        sorted.sort_by(f64::total_cmp);
        let median = sorted.get(sorted.len() / 2).copied().unwrap_or(MEDIAN_CHI2);
        // Few patches may fit as if they knew their places better than they can.
        self.scale = (median / MEDIAN_CHI2).max(1.0);
        for (tie, misfit) in self.ties.iter_mut().zip(&misfits) {
            tie.weight = (FREEDOM + 2.0) / (FREEDOM + misfit / self.scale);
        }
        let spread: f64 = self.groups.iter().map(|group| group.height.powi(2) + 1.0 / group.certainty).sum();
        self.height_px = (spread / self.groups.len().max(1) as f64).sqrt().max(LEAST_HEIGHT_PX);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Patches at heights of their own, some of which follow something else: places come back, and a jump with them.
    #[test]
    fn heights_that_move_apart_make_no_step() {
        let angles: Vec<f64> = (0..41).map(|i| 3.0 * f64::from(i) - 60.0).collect();
        let across = [0.8, -0.6];
        let true_place = |at: usize| {
            let jump = if at == 33 { 5.0 } else { 0.0 };
            [0.3 * at as f64 - 6.0 + jump, 4.0 - 0.2 * at as f64]
        };
        let mut bits = Vec::new();
        for a in 0..41usize {
            for b in (a + 1..a + 3).filter(|&b| b < 41) {
                // Not the same patches at all tilts, and by no means all of one height.
                for patch in (0..14usize).filter(|patch| (patch + a / 5) % 3 != 0) {
                    let height = ((patch * 29) % 61) as f64 - 30.0;
                    let rise = angles[b].to_radians().tan() - angles[a].to_radians().tan();
                    let noise = |k: usize| 0.1 * (((patch * 13 + a * 7 + b * 3 + k * 5) % 9) as f64 - 4.0);
                    let wrong = if (patch + 3 * a + b) % 11 == 0 { 12.0 } else { 0.0 };
                    let (from, to) = (true_place(a), true_place(b));
                    let moved = [0, 1].map(|k| to[k] - from[k] + height * rise * across[k] + noise(k) + wrong);
                    bits.push(Bit { tilts: (a, b), patch, at: [0.0; 2], moved, information: [10.0, 0.0, 10.0] });
                }
            }
        }
        let cut_at: Vec<Option<[f64; 2]>> = (0..41).map(|_| Some([0.0; 2])).collect();
        let solution = solve(&angles, across, &bits, &cut_at, 20);
        let off = |at: usize| {
            let (found, truth, zero) = (solution.places[at].unwrap().place, true_place(at), true_place(20));
            [0, 1].map(|k| found[k] - (truth[k] - zero[k]))
        };
        for at in 1..40 {
            let second = [0, 1].map(|k| off(at)[k] - 0.5 * (off(at - 1)[k] + off(at + 1)[k]));
            assert!(second[0].hypot(second[1]) < 0.4, "{at}: {second:?}");
        }
        // Along the axis nothing is in doubt.
        for at in 0..41 {
            let along = off(at)[0] * 0.6 + off(at)[1] * 0.8;
            assert!(along.abs() < 0.5, "{at}: {along}");
        }
    }
}
